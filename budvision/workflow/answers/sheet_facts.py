"""The facts of a block's paper, gathered from its confirmed calls and photographs."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from budvision.errors import BudvisionError, InputError, NotFoundError
from budvision.language import say, say_n
from budvision.photo.read import read_photo
from budvision.report.examples import MOST_PHOTOS, example_jpeg
from budvision.report.facts import (
    BandFacts,
    BlockFacts,
    BudLine,
    PhotoFacts,
    ReaderFacts,
    ZoneFacts,
    result_facts,
    zone_facts,
)
from budvision.report.words import plain
from budvision.store.queries.photos import Cut, cuts_of_buds
from budvision.store.queries.proposals import current_region
from budvision.store.queries.readings import Reading, readings
from budvision.store.queries.states import BudState
from budvision.store.session import Season
from budvision.vineyard.training import read_training
from budvision.vocabulary import TISSUES, CallValue, Cause, Tissue
from budvision.workflow.answers.answers import Answer, left_out, sampled_buds, unsure_buds
from budvision.workflow.answers.summaries import zone_shares

__all__ = ["block_facts", "bud_names", "line_facts"]

_EXAMPLE_SIDE_PX = 1600


def bud_names(states: Sequence[BudState]) -> dict[int, str]:
    """Return each bud's name as people say it; the vine only where cane labels repeat.

    Parameters
    ----------
    states : sequence of BudState
        All buds of one sampling.
    """
    vines: dict[str, set[int]] = {}
    for state in states:
        vines.setdefault(state.cane, set()).add(state.cane_id)
    return {
        s.bud_id: say("vine {vine} cane {cane} node {node}", vine=s.vine, cane=s.cane, node=s.node)
        if s.vine and len(vines[s.cane]) > 1
        else say("cane {cane} node {node}", cane=s.cane, node=s.node)
        for s in states
    }


def _day(text: str | None) -> dt.date | None:
    try:
        return dt.date.fromisoformat(text[:10]) if text else None
    except ValueError:
        return None


def _readers(rows: Sequence[Reading]) -> tuple[ReaderFacts, ...]:
    found = []
    for name in dict.fromkeys(row.person for row in rows):
        own = [row for row in rows if row.person == name]
        days = sorted(day for row in own if (day := _day(row.added_at)))
        if days:
            found.append(ReaderFacts(name, len({r.bud_id for r in own}), days[0], days[-1]))
    return tuple(sorted(found, key=lambda reader: -reader.n_buds))


def _causes(rows: Sequence[Reading]) -> tuple[str, ...]:
    counted = Counter(
        row.cause for row in rows
        if row.value is CallValue.DEAD and row.cause not in (None, Cause.COLD)
    )
    return tuple(
        say_n("{n} dead tissue is put down to {cause}, not to cold.",
              "{n} dead tissues are put down to {cause}, not to cold.", n,
              cause=say(plain(cause.value)))
        for cause, n in counted.most_common() if cause is not None
    )


def _appendix(
    states: Sequence[BudState], rows: Sequence[Reading], cuts: dict[int, list[Cut]]
) -> tuple[BudLine, ...]:
    of_bud: dict[int, dict[Tissue, Reading]] = {}
    for row in rows:
        of_bud.setdefault(row.bud_id, {})[row.tissue] = row
    lines = []
    for state in states:
        own = of_bud.get(state.bud_id, {})
        words = []
        for tissue in TISSUES:
            called = own.get(tissue)
            words.append(say(plain(called.value.value)) if called else
                         say(state.node_mark or "waiting"))
        notes = [row.note for row in own.values() if row.note]
        notes += [f"{say(t.value)}: {say(plain(r.cause.value))}" for t, r in own.items()
                  if r.cause and r.cause is not Cause.COLD]
        lines.append(BudLine(
            cane=state.cane, node=state.node, vine=state.vine, primary=words[0],
            secondary=words[1], tertiary=words[2],
            reader=", ".join(dict.fromkeys(r.person for r in own.values())),
            called_on=max((r.added_at[:10] for r in own.values()), default=""),
            photos=", ".join(cut.photo.sha256[:8] for cut in cuts.get(state.bud_id, ())),
            note="; ".join(dict.fromkeys(notes)),
        ))
    return tuple(lines)


def _examples(
    states: Sequence[BudState], cuts: dict[int, list[Cut]], n: int
) -> list[tuple[BudState, Cut]]:
    """Choose photographed, fully called buds: dead and live primaries in turn, over the canes."""
    kinds: dict[CallValue, list[tuple[BudState, Cut]]] = {CallValue.DEAD: [], CallValue.LIVE: []}
    seen: Counter[str] = Counter()
    for state in sorted(states, key=lambda s: (s.node % 3, s.cane_id, s.node)):
        call = state.calls.get(Tissue.PRIMARY)
        if call in kinds and state.bud_id in cuts and seen[state.cane] < 2:
            seen[state.cane] += 1
            kinds[call].append((state, cuts[state.bud_id][-1]))
    chosen: list[tuple[BudState, Cut]] = []
    while len(chosen) < n and any(kinds.values()):
        for rows in kinds.values():
            if rows and len(chosen) < n:
                chosen.append(rows.pop(0))
    return chosen


def _photos(
    season: Season, states: Sequence[BudState], cuts: dict[int, list[Cut]]
) -> tuple[tuple[PhotoFacts, ...], tuple[str, ...]]:
    """Return example photographs, and a sentence for each that could not be read."""
    made, lost, names = [], [], bud_names(states)
    for state, cut in _examples(states, cuts, MOST_PHOTOS):
        with season.read() as conn:
            region = current_region(conn, cut.photo.id)
        try:
            photo = read_photo(season.photos.path(cut.photo.sha256),
                               max_side_px=_EXAMPLE_SIDE_PX, name=cut.photo.file_name)
        except BudvisionError as error:
            lost.append(say("A photograph could not be shown: {error}", error=error))
            continue
        box = None if region is None else tuple(edge * photo.scale for edge in region.box)
        jpeg = example_jpeg(photo.image, region.labels if region else None,
                            (box[0], box[1], box[2], box[3]) if box else None)
        calls = ", ".join(
            f"{t.value[0].upper()} {say(plain(v.value))}" for t, v in state.calls.items())
        made.append(PhotoFacts(jpeg, f"{names[state.bud_id]}: {calls}", cut.photo.sha256[:8]))
    return tuple(made), tuple(lost)


def block_facts(
    season: Season, answer: Answer, *, photographs: bool = True, appendix: bool = True
) -> BlockFacts:
    """Gather what the paper of one block says.

    Parameters
    ----------
    answer : Answer
        From `budvision.workflow.answers.answers`.
    photographs, appendix : bool
        Whether to read example photographs, and to list every bud.
    """
    facts, sampling = line_facts(season, answer), answer.sampling
    if sampling is None:
        return facts
    states, _ = sampled_buds(season, answer)
    with season.read() as conn:
        cuts = cuts_of_buds(conn, [state.bud_id for state in states])
        rows = [row for one in answer.samplings for row in readings(conn, one.id)]
    photos, lost = _photos(season, states, cuts) if photographs else ((), ())
    names = bud_names(states)
    logo, kind = _logo(season)
    return replace(
        facts, lab=season.settings.lab, lab_phone=season.settings.lab_phone,
        logo=logo, logo_kind=kind,
        unsure=tuple(names[s.bud_id] for s in unsure_buds(states)),
        left_out=tuple(names[s.bud_id] for s in left_out(answer, states)),
        waiting=tuple(
            names[s.bud_id] for s in states if not s.node_mark and s.n_called < len(TISSUES)),
        n_unseen=sum(s.state == "no_photo" for s in states),
        readers=_readers(rows), causes=_causes(rows),
        n_photos=sum(len(of_bud) for of_bud in cuts.values()), photos=photos,
        warnings=(*facts.warnings, *lost),
        appendix=_appendix(states, rows, cuts) if appendix else (),
    )


def line_facts(season: Season, answer: Answer) -> BlockFacts:
    """Gather what a block's line in the program summary says; reads nothing more.

    Parameters
    ----------
    season : Season
        For its settings.
    answer : Answer
        From `budvision.workflow.answers.answers`.

    Returns
    -------
    BlockFacts
        Without readers, photographs, other policies and buds.
    """
    block, sampling, result = answer.block, answer.sampling, answer.result
    facts = BlockFacts(block=block.name) if result is None else result_facts(
        result, answer.policy, policies=answer.policies,
        training=read_training(block.training_system), beyond=answer.beyond,
        cultivar_class=block.cultivar_class)
    own = tuple(text for text in (block.note, sampling.note if sampling else "") if text)
    return replace(
        facts, block=block.name, site=block.site, cultivar=block.cultivar,
        sampling=" + ".join(one.label for one in answer.samplings),
        collected_on=_day(sampling.collected_at) if sampling else None,
        bands=facts.bands or tuple(
            BandFacts(name=b.name, low=b.low, high=b.high, action=b.action,
                      probability=None) for b in answer.policy.bands),
        policy=answer.policy.title,
        waiting=tuple(
            say("cane {cane} node {node}", cane=bud.cane, node=bud.node)
            for bud in answer.waiting.buds),
        notes=(*facts.notes, *own), confidence=season.settings.confidence,
        vines_per_ha=_vines_per_ha(block.row_spacing_m, block.vine_spacing_m),
        zones=_zones(answer), corrected=answer.corrected, trust=answer.trust, wood=answer.wood,
    )


def _zones(answer: Answer) -> tuple[ZoneFacts, ...]:
    weights = zone_shares(answer.block) or {}
    return tuple(zone_facts(zone, weights.get(zone.block)) for zone in answer.zones)


def _logo(season: Season) -> tuple[bytes, str]:
    """Return the lab's picture and its kind, nothing where none is set."""
    name = season.settings.lab_logo
    if not name:
        return b"", ""
    path = (season.folder / name).resolve()
    kind = path.suffix.lower().lstrip(".")
    if kind not in ("png", "jpg", "jpeg", "svg") or not path.is_relative_to(
            season.folder.resolve()):
        raise InputError(f'lab_logo is "{name}"', where="budvision.toml",
                         expected="a PNG, JPEG or SVG file in the season folder",
                         do="Put the picture there, or clear the setting.")
    try:
        return path.read_bytes(), kind
    except OSError as error:
        raise NotFoundError(f'lab_logo "{name}" cannot be read ({error.strerror})',
                            where="budvision.toml", expected="a picture in the season folder",
                            do="Put the picture there, or clear the setting.") from error


def _vines_per_ha(row_m: float | None, vine_m: float | None) -> float | None:
    return 10_000 / (row_m * vine_m) if row_m and vine_m else None
