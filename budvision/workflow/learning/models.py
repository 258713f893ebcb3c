"""The life of a season's models: compare, promote, go back, watch, and look for slips."""

from __future__ import annotations

import json
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from budvision.errors import InputError, NotFoundError
from budvision.store.counts import versions
from budvision.store.queries import learning, models, people
from budvision.store.queries.trust import Subject, add_trust, standing_trust
from budvision.store.remembered import Form
from budvision.store.session import Season
from budvision.store.shared_models import share_model
from budvision.vocabulary import CallValue, Tissue, Verdict
from budvision.workflow.intake.propose import ModelInUse, model_in_use
from budvision.workflow.learning.agreed import BlindVerdict, ModelAgreed, agreed_by_model
from budvision.workflow.learning.train import LEFT_OUT, gather_lessons, load_base

if TYPE_CHECKING:
    from budvision.learning.lessons import Lesson
    from budvision.verdict.compare import Comparison
    from budvision.verdict.model import VerdictModel
    from budvision.verdict.registry import ModelEntry
    from budvision.verdict.watch import Advice, ChartPoint, Drift

__all__ = [
    "Candidate", "Slip", "Watched", "compare_models", "find_slips", "go_back", "list_candidates",
    "model_folder", "promote_model", "watch_model",
]

_BLIND: Form[list[BlindVerdict]] = Form(
    put=lambda calls: calls, take=lambda kept: [BlindVerdict(*one) for one in kept])


@dataclass(frozen=True, slots=True)
class Candidate:
    """A model that this season knows or could use.

    Attributes
    ----------
    label : str
    in_use : bool
    made : str
    note : str
    metrics : dict
        Empty for a shipped model.
    """

    label: str
    in_use: bool
    made: str
    note: str
    metrics: dict[str, Any]


def list_candidates(season: Season) -> list[Candidate]:
    """Return the shipped and the season's own models, in the order of their lists."""
    from budvision.verdict.registry import list_models

    try:
        used = model_in_use(season).label
    except NotFoundError:
        used = ""
    out = []
    for entry in [*list_models(), *list_models(season.models_folder)]:
        path = entry.folder / "metrics.json"
        metrics = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
        out.append(Candidate(entry.label, entry.label == used, entry.made, entry.note,
                             metrics if "canes_left_out" in metrics else {}))
    return out


def _verified(season: Season, used: ModelInUse) -> ModelEntry:
    """Return a model's entry, its files being as listed."""
    from budvision.verdict.registry import find_model, verify_model

    inside = season.folder / used.path
    entry = find_model(inside if inside.is_dir() else used.label, folders=[season.models_folder])
    verify_model(entry)
    return entry


def _load(
    season: Season, used: ModelInUse
) -> tuple[VerdictModel, dict[str, float], ModelEntry]:
    """Load a verdict model and what it said of the buds it learnt from, cane left out."""
    from budvision.verdict.persist import load_to_judge

    entry = _verified(season, used)
    path = entry.folder / LEFT_OUT
    known = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
    return load_to_judge(entry.folder / "verdict.skops"), known, entry


def _verdicts(
    season: Season, used: ModelInUse, *, blind_only: bool
) -> dict[str, tuple[Lesson, Verdict]]:
    """Return a model's verdict of every certain call, on what its own segmenter measures."""
    model, known, entry = _load(season, used)
    lessons = gather_lessons(season, base=model, entry=entry)
    kept = [
        (f"{lesson.bud}/{lesson.tissue.value}", lesson, row) for lesson, row in zip(
            lessons.kept, lessons.examples.features, strict=True)
        if lesson.value in (CallValue.LIVE, CallValue.DEAD) and (lesson.blind or not blind_only)]
    if not kept:
        return {}
    rows = np.array([row for _, _, row in kept])
    p_dead = np.array([
        known.get(key, p) for (key, _, _), p in zip(kept, model.p_dead(rows), strict=True)])
    live, dead = model.sets.contains(p_dead)
    strange = model.novelty.distance(rows) > model.novelty.limit
    return {
        key: (lesson, Verdict.UNSURE if far or a == b else (Verdict.LIVE if a else Verdict.DEAD))
        for (key, lesson, _), a, b, far in zip(kept, live, dead, strange, strict=True)}


def compare_models(
    season: Season, candidate: str, *, against: str | None = None, blind_only: bool = True
) -> Comparison:
    """Compare a candidate with the model in use on the same blind-called tissues.

    Parameters
    ----------
    candidate : str
        A model's name.
    against : str, optional
        The other model; the one in use when left out.
    blind_only : bool
        Only calls made without seeing a proposal. The others were led by the model in use and
        flatter it.

    Raises
    ------
    NothingToDoError
        When there is no such call.

    Notes
    -----
    For buds that a tuned model learnt from, its value with their cane left out is used.
    """
    from budvision.verdict.compare import Judged, compare

    new_used = model_in_use(season, candidate)
    old_used = model_in_use(season, against)
    new = _verdicts(season, new_used, blind_only=blind_only)
    old = _verdicts(season, old_used, blind_only=blind_only)
    judged = [
        Judged(lesson.cane, lesson.tissue, lesson.value is CallValue.DEAD, old[key][1], verdict)
        for key, (lesson, verdict) in new.items() if key in old]
    return compare(judged, old=old_used.label, new=new_used.label, rng=np.random.default_rng(1))


def promote_model(season: Season, name: str, *, person: str, reason: str) -> str:
    """Let a model propose from now on; what it replaces stays and can come back.

    Proposals that people have confirmed are not touched. Where readers saw proposals, the season is
    on trial again until a lead decides for this model. Let `models_anew.propose_anew` follow, so
    that buds that wait show what this model says.

    Returns
    -------
    str
        The model's name.

    Raises
    ------
    NotFoundError
        When there is no such model or person.
    InputError
        When no reason is given, or the model is in use already.
    VerificationError
        When the model's files are not as listed.
    """
    used = model_in_use(season, name)
    entry = _load(season, used)[2]
    if entry.folder.parent == season.models_folder:
        share_model(season, entry)
    if used.label == model_in_use(season).label:
        raise InputError(f"{used.label} is in use already", where="promote",
                         expected="another model", do="See `budvision models list`.")
    with season.write() as conn:
        who = people.find_person(conn, person)
        if who is None:
            raise NotFoundError(
                f"nobody called {person!r} works in this season", where="--by",
                expected="the name of a person", do="Add the person with `budvision people add`.")
        model_id = models.ensure_model(conn, used.label, used.sha256, used.path, facts=used.facts)
        models.promote(conn, model_id, person_id=who.id, reason=reason)
        decided = standing_trust(conn).get(Subject("season"))
        if decided is not None and decided.value != "hidden":
            add_trust(conn, Subject("season"), "again", facts={"model": used.label},
                      reason=f"{used.label} proposes now and has to earn trust anew.")
    return used.label


def go_back(season: Season, *, person: str, reason: str) -> str:
    """Let the model before the present one propose again, as a new decision.

    As with `promote_model`, let `models_anew.propose_anew` follow.

    Returns
    -------
    str
        The model's name.
    """
    with season.read() as conn:
        past = models.list_promotions(conn)
    if not past:
        raise InputError("no model was ever promoted here", where="go back",
                         expected="a promotion to go back from", do="The default model proposes.")
    now_label = past[-1].model.name
    before = next((p.model.name for p in reversed(past[:-1]) if p.model.name != now_label), None)
    if before is None:
        from budvision.verdict.registry import DEFAULT_MODEL

        before = DEFAULT_MODEL
    return promote_model(season, before, person=person, reason=reason)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """A call that looks like a slip of the hand."""

    block: str
    cane: str
    node: int
    bud_id: int
    tissue: Tissue
    value: CallValue
    p_call: float
    why: str


def find_slips(season: Season) -> list[Slip]:
    """List calls worth a second look, likeliest slips first; no call is changed."""
    with season.read() as conn:
        if not learning.photos_of_calls(conn):
            return []
    from budvision.learning.adapt import adapt
    from budvision.learning.tune import suspicious

    base, entry = load_base(season, None)
    lessons = gather_lessons(season, base=base, entry=entry)
    if not len(lessons.examples):
        return []
    learnt = adapt(lessons.examples, rng=np.random.default_rng(1))
    with season.read() as conn:
        places = {c.bud_id: c for c in learning.called_tissues(conn)}
    out = []
    for lesson, p_call, why in suspicious(lessons, learnt.cross_logit):
        place = places[int(lesson.bud)]
        out.append(Slip(block=place.block, cane=place.cane, node=place.node, bud_id=place.bud_id,
                        tissue=lesson.tissue,
                        value=lesson.value, p_call=p_call, why=why))
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """What the watching page shows of the model in use, and of those that proposed before."""

    model: str
    models: tuple[ModelAgreed, ...]
    points: tuple[ChartPoint, ...]
    n_blind: int
    agreement: float | None
    drift: Drift
    n_proposed: int
    refused: float
    n_tissues: int
    unsure: float
    advice: tuple[Advice, ...]

    def as_dict(self) -> dict[str, object]:
        """Return the facts for JSON."""
        return {
            "model": self.model, "n_blind": self.n_blind, "agreement": self.agreement,
            "models": [one.as_dict() for one in self.models],
            "n_proposed": self.n_proposed, "refused": round(self.refused, 4),
            "n_tissues": self.n_tissues, "unsure": round(self.unsure, 4),
            "strange": round(self.drift.strange, 4),
            "moved": [{"feature": f, "shift": round(s, 2)} for f, _, s in self.drift.moved],
            "chart": [{"at": p.at, "n": p.n, "agreement": round(p.agreement, 4),
                       "low": round(p.low, 4), "out": p.out} for p in self.points],
            "advice": [{"level": a.level, "text": a.text} for a in self.advice]}


def watch_model(season: Season) -> Watched:
    """Gather how the model in use has been doing, lately on the newest 300 photographs."""
    from budvision.photo.features import FEATURE_NAMES, FEATURE_VERSION, row_of
    from budvision.verdict.persist import load_training_rows
    from budvision.verdict.watch import advise, agreement_chart, drift

    used = model_in_use(season)
    trained_on, novelty = load_training_rows(_verified(season, used).folder / "verdict.skops")
    with season.read() as conn:
        blind = sorted(chain.from_iterable(season.remembered.each(
            "blind verdicts by model", versions(conn), lambda ids: {
                key: [BlindVerdict(when, number, verdict == value, value, model)
                      for when, number, value, verdict, model in found if verdict != "unsure"]
                for key, found in learning.blind_agreement(conn, ids).items()},
            conn=conn, form=_BLIND).values()))
        by_model = agreed_by_model(conn, blind, season.settings.confidence)
        looks = learning.recent_looks(conn, most=300, sha256=used.sha256)
        lately = {look.proposal_id for look in looks}
        measured = learning.measured_tissues(
            conn, feature_version=FEATURE_VERSION, proposal_ids=lately)
    needed = frozenset(FEATURE_NAMES)
    rows = [row_of(one.features) for one in measured if needed <= one.features.keys()]
    table = np.array(rows) if rows else np.zeros((0, len(FEATURE_NAMES)))
    seen = drift(table, trained_on.astype(np.float64), novelty)
    agrees = [one.same for one in blind]
    points = agreement_chart([one.when for one in blind], agrees)
    n_tissues = sum(look.n_exposed for look in looks)
    unsure = sum(look.n_unsure for look in looks) / n_tissues if n_tissues else 0.0
    refused = float(np.mean([not look.found for look in looks])) if looks else 0.0
    return Watched(
        model=used.label, models=by_model, points=tuple(points), n_blind=len(blind),
        agreement=sum(agrees) / len(agrees) if agrees else None, drift=seen,
        n_proposed=len(looks),
        refused=refused, n_tissues=n_tissues, unsure=unsure,
        advice=tuple(advise(points, seen, unsure=unsure, refused=refused, n_proposed=len(looks))))


def model_folder(season: Season, label: str) -> Path:
    """Return a model's folder, for its card."""
    from budvision.verdict.registry import find_model

    return find_model(label, folders=[season.models_folder]).folder
