"""Train a model on the season's calls, and on archives of other laboratories if given."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import scipy

from budvision.archive.reading import read_called_tissues
from budvision.errors import InputError, NothingToDoError
from budvision.language import plain_count
from budvision.store.queries import learning
from budvision.store.queries.rows import stream
from budvision.store.session import Season, now
from budvision.vocabulary import Tissue
from budvision.workflow.intake.propose import propose_waiting
from budvision.workflow.learning.write import LEFT_OUT, copy_segmenter, write_model

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from sqlalchemy import Connection

    from budvision.learning.lessons import Lesson, Lessons
    from budvision.learning.tune import Tuned
    from budvision.verdict.model import VerdictModel
    from budvision.verdict.registry import ModelEntry

__all__ = ["LEFT_OUT", "TrainReport", "gather_lessons", "load_base", "season_lessons", "train"]

Progress = Callable[[str, int, int], None]
MODEL_NAME = "tuned"
_MOVED_BELOW = 0.3
"""Share of two outlines' union that they have in common, below which they are of two things."""


@dataclass(frozen=True, slots=True)
class TrainReport:
    """What training made.

    Attributes
    ----------
    model : str
        Name and version, as `propose --model` and `models promote` take it.
    path : str
        Its folder.
    metrics : dict
        What the model's metrics.json holds.
    """

    model: str
    path: str
    metrics: dict[str, Any]

    def as_dict(self) -> dict[str, object]:
        """Return the report for JSON."""
        return {"model": self.model, "path": self.path, "metrics": self.metrics}


def season_lessons(
    season: Season, *, base: VerdictModel, entry: ModelEntry, jobs: int = 2,
    cluster: str = "", progress: Progress | None = None,
) -> tuple[list[Lesson], dict[str, int]]:
    """Return the season's called tissues beside their features, measuring what lacks them.

    Returns
    -------
    lessons : list of Lesson
    left_out : dict of str to int
        Reason to number of called tissues that have no features.
    """
    from budvision.learning.lessons import Lesson
    from budvision.photo.features import FEATURE_NAMES, FEATURE_VERSION, row_of

    regions = entry.files.get(learning.SEGMENTER, "")
    with season.read() as conn:
        seen = learning.photos_measured(
            conn, feature_version=FEATURE_VERSION, segmenter=regions)
        wanting = [row for row in learning.photos_of_calls(conn) if row.id not in seen]
    if wanting:
        propose_waiting(
            season, model=entry.folder, photos=wanting, jobs=jobs, cluster=cluster,
            progress=None if progress is None else (
                lambda done, total, _: progress("photographs", done, total)))
    with season.read() as conn:
        calls = learning.called_tissues(conn)
        measured = learning.measured_tissues(
            conn, feature_version=FEATURE_VERSION, segmenter=regions)
        moved = _moved_away(conn, regions)
    by_place: dict[tuple[int, Tissue], list[learning.Measured]] = {}
    for one in measured:
        if set(one.features) >= set(FEATURE_NAMES):
            by_place.setdefault((one.bud_id, one.tissue), []).append(one)
    left: Counter[str] = Counter()
    lessons: list[Lesson] = []
    found = []
    for call in calls:
        found += [(call, row, True) for row in moved.get((call.bud_id, call.tissue), [])]
        cuts = by_place.get((call.bud_id, call.tissue), [])
        if not cuts:
            left["no region of it was found in a photograph"] += call.value != "not_exposed"
            continue
        shown = [cut for cut in cuts if cut.proposal_id == call.proposal_id]
        cut = (shown or sorted(cuts, key=lambda c: -c.features["confidence"]))[0]
        found.append((call, row_of(cut.features), False))
    odds = base.odds(np.array([row for _, row, _ in found])) if found else np.zeros(0)
    for (call, row, was_moved), odd in zip(found, odds, strict=True):
        lessons.append(Lesson(
            bud=str(call.bud_id), cane=str(call.cane_id), tissue=call.tissue, value=call.value,
            second=call.second, row=row,
            base_logit=float(odd), settled=call.round == "settled", blind=call.blind,
            lab="season", moved=was_moved))
    return lessons, {k: v for k, v in left.items() if v}


def _moved_away(
    conn: Connection, segmenter: str
) -> dict[tuple[int, Tissue], list[NDArray[np.float64]]]:
    """Return the rows of a model's regions that a person moved away, renamed or deleted.

    By bud and tissue. A region counts as moved where it shares less than `_MOVED_BELOW` with what
    stands under its name now.
    """
    from budvision.photo.features import FEATURE_NAMES, FEATURE_VERSION, row_of

    pairs = {before.photo_id: (before, after) for before, after in learning.redrawn_regions(conn)}
    out: dict[tuple[int, Tissue], list[NDArray[np.float64]]] = {}
    for one in learning.measured_tissues(
        conn, feature_version=FEATURE_VERSION, segmenter=segmenter,
        region_ids=[before.id for before, _ in pairs.values()],
    ):
        mine, own = (side.labels == one.tissue.label for side in pairs[one.photo_id])
        if set(one.features) >= set(FEATURE_NAMES) and (
            (mine & own).sum() < _MOVED_BELOW * max((mine | own).sum(), 1)
        ):
            out.setdefault((one.bud_id, one.tissue), []).append(row_of(one.features))
    return out


def _bag_lessons(
    bags: Sequence[Path], base: VerdictModel, seen: set[str]
) -> tuple[list[Lesson], dict[str, int]]:
    """Return the lessons of archives, less those on photographs that were learnt from already.

    One photograph in two places would stand on both sides of the split by cane.
    """
    from budvision.learning.lessons import Lesson
    from budvision.photo.features import FEATURE_NAMES, row_of

    out: list[Lesson] = []
    left: Counter[str] = Counter()
    for folder in bags:
        rows = []
        fresh: set[str] = set()
        for one in read_called_tissues(folder):
            fresh |= one.photos
            if one.photos & seen:
                left["photograph that the season or another archive has too"] += 1
            elif one.split == "held_out":
                left["block held out for measuring"] += 1
            elif not set(one.features) >= set(FEATURE_NAMES):
                left["measured by an older version"] += 1
            else:
                rows.append((one, row_of(one.features)))
        seen |= fresh
        odds = base.odds(np.array([row for _, row in rows])) if rows else np.zeros(0)
        out += [
            Lesson(bud=one.bud, cane=one.cane, tissue=one.tissue, value=one.value,
                   second=one.second, row=row, base_logit=float(odd),
                   settled=one.settled, blind=one.blind, lab=one.lab)
            for (one, row), odd in zip(rows, odds, strict=True)]
    return out, dict(left)


def gather_lessons(
    season: Season, *, base: VerdictModel, entry: ModelEntry, bags: Sequence[Path] = (),
    jobs: int = 2, cluster: str = "", progress: Progress | None = None,
) -> Lessons:
    """Gather lessons from the season and from archives; a bag's held-out blocks stay out."""
    from budvision.learning.lessons import make_lessons

    own, left = season_lessons(season, base=base, entry=entry, jobs=jobs, cluster=cluster,
                               progress=progress)
    with season.read() as conn:
        seen = {row["sha256"] for row in stream(conn, "photo")} if bags else set()
    more, left_bags = _bag_lessons(bags, base, seen)
    made = make_lessons([*own, *more])
    return replace(made, left_out=dict(Counter(made.left_out) + Counter(left) + Counter(left_bags)))


def load_base(season: Season, base: str | Path | None) -> tuple[VerdictModel, ModelEntry]:
    """Load the model that learning starts from, the default unless another is named."""
    from budvision.verdict.persist import load_verdict
    from budvision.verdict.registry import find_model, verify_model

    entry = find_model(base, folders=[season.models_folder])
    verify_model(entry)
    model = load_verdict(entry.folder / "verdict.skops")
    model.check(where=entry.label)
    if model.correction is not None:
        raise InputError(
            f"{entry.label} is itself a tuned model", where="--base",
            expected="an untuned model, such as the default",
            do="Leave --base out; every call of the season is learnt from anyway.")
    return model, entry


def train(
    season: Season, *, base: str | Path | None = None, bags: Sequence[Path] = (),
    jobs: int = 2, cluster: str = "", progress: Progress | None = None,
) -> TrainReport:
    """Train on every confirmed call, starting from what the base model knows.

    Parameters
    ----------
    base : str or Path, optional
        The model to start from; the default model when left out.
    bags : sequence of Path
        Archives whose calls are learnt from as well.
    jobs : int
        Processes, where many photographs are to be looked at first.
    cluster : str
        Address of a Dask scheduler whose workers look at those, ``local`` for one here; the fits
        are made in this process.
    progress : callable, optional
        Called with (what, done, in all).

    Returns
    -------
    TrainReport
        The model is a candidate: it proposes only when a person promotes it.

    Raises
    ------
    NothingToDoError
        When no tissue is both called and measured.
    VerificationError
        When an archive is not sound.
    StorageError
        When the disk is full; nothing is half-written.
    """
    from budvision.learning.tune import leave_one_lab_out, suspicious, tune

    model, entry = load_base(season, base)
    lessons = gather_lessons(
        season, base=model, entry=entry, bags=bags, jobs=jobs, cluster=cluster, progress=progress)
    if not len(lessons.examples):
        why = "; ".join(f"{plain_count(n, 'tissue')}: "
                        f"{what}" for what, n in lessons.left_out.items())
        raise NothingToDoError(
            f"there is nothing to learn from ({why or 'no calls yet'})", where="train",
            expected="calls of buds that have photographs",
            do="Confirm buds on the review page, or import calls and take the photographs in.")
    tuned = tune(
        model, lessons, rng=np.random.default_rng(1),
        progress=None if progress is None else (
            lambda done, total: progress("fits", done, total)))
    metrics = _metrics(tuned, lessons, entry.label)
    metrics["leave_one_lab_out"] = {
        lab: {"base": before.as_dict(), "tuned_on_the_others": after.as_dict()}
        for lab, (before, after) in leave_one_lab_out(
            model, lessons, rng=np.random.default_rng(1)).items()}
    metrics["likely_slips"] = len(suspicious(lessons, tuned.adaptation.cross_logit))
    used, folder = write_model(
        season, MODEL_NAME, _files(tuned, metrics, entry, _left_out(tuned, lessons)),
        feature_version=tuned.model.feature_version, note=metrics["why"],
        facts={"metrics": metrics, "base": entry.label})
    return TrainReport(used.label, str(folder), metrics)


def _metrics(tuned: Tuned, lessons: Lessons, base: str) -> dict[str, Any]:
    import hashlib

    examples = lessons.examples
    digest = hashlib.sha256()
    for part in (examples.features, examples.dead, examples.weight):
        digest.update(np.ascontiguousarray(part).tobytes())
    labs = Counter(lesson.lab for lesson in lessons.kept)
    return {
        "base": base, "choice": tuned.adaptation.chosen.name,
        "why": f"{tuned.adaptation.why} {tuned.strays.why}".strip(),
        "strays": tuned.strays.as_dict(),
        "n_tissues": len(examples), "n_canes": tuned.adaptation.n_canes,
        "n_buds": len({lesson.bud for lesson in lessons.kept}),
        "n_dead": int((examples.dead == 1).sum()), "n_live": int((examples.dead == 0).sum()),
        "left_out": lessons.left_out, "labs": dict(labs),
        "training_data_sha256": digest.hexdigest(),
        "canes_left_out": {
            "base": tuned.before.as_dict(), "tuned": tuned.after.as_dict(),
            "tuned_by_tissue": {k: v.as_dict() for k, v in tuned.by_tissue.items()}},
        "log_loss": [
            {"choice": c.name, "slope": c.slope, "weights": c.weights, "heights": c.heights,
             "loss": round(loss, 5), "gain_error": round(error, 5)}
            for c, loss, error in tuned.adaptation.losses],
    }


def _left_out(tuned: Tuned, lessons: Lessons) -> dict[str, float]:
    """Return p_dead of each of the season's lessons by a correction that had not seen its cane."""
    p_dead = scipy.special.expit(tuned.adaptation.cross_logit)
    return {
        f"{lesson.bud}/{lesson.tissue.value}": round(float(p), 5)
        for lesson, p in zip(lessons.kept, p_dead, strict=True) if lesson.lab == "season"}


def _files(
    tuned: Tuned, metrics: dict[str, Any], base: ModelEntry, left_out: dict[str, float]
) -> Callable[[Path, str], None]:
    """Return what writes the model's files into a folder."""
    from budvision.learning.tuned_card import tuned_card
    from budvision.verdict.persist import save_verdict

    def fill(part: Path, label: str) -> None:
        copy_segmenter(base, part)
        save_verdict(tuned.model, part / "verdict.skops")
        for name, text in (("metrics.json", json.dumps(metrics, indent=1) + "\n"),
                           (LEFT_OUT, json.dumps(left_out) + "\n"),
                           ("CARD.md", tuned_card(label, metrics, made=now()))):
            (part / name).write_text(text, encoding="utf-8")

    return fill
