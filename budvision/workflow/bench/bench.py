"""The bench: where the technician stands, photographs taken there, marks, and the answers."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from sqlalchemy import Connection

from budvision.errors import BudvisionError, ConflictError, InputError, NotFoundError
from budvision.language import say
from budvision.photo.read import Photo, read_photo
from budvision.store.names import clean_label, name_key
from budvision.store.queries.blocks import Sampling, list_samplings, sampling_by_id
from budvision.store.queries.canes import (
    bud_place,
    ensure_bud,
    ensure_cane,
    find_cane,
    list_buds,
    list_canes,
)
from budvision.store.queries.marks import marks_of_sampling, set_mark
from budvision.store.queries.overview import count_rows, sampling_counts
from budvision.store.queries.photos import (
    PhotoRow,
    add_photo,
    assign,
    assignment_of,
    cuts_of_bud,
    cuts_of_sampling,
    photo_by_id,
)
from budvision.store.session import Season
from budvision.vocabulary import GateAnswer, Proposal, Tissue
from budvision.workflow.bench.answer import BenchAnswer, answer_photo
from budvision.workflow.bench.picture import (
    CACHE,
    LARGE_PX,
    SIDE_PX,
    answer_picture,
    put_away,
)
from budvision.workflow.intake.propose import ModelInUse, propose_waiting
from budvision.workflow.intake.sorting import loose_photos
from budvision.workflow.sampling.decide import decision_state
from budvision.workflow.sampling.soak import SoakClock, parse_time, soak_clock

__all__ = [
    "BenchPhoto", "BenchRow", "Propose", "add_cane", "bench_board", "bench_list",
    "mark_bud", "take_photo",
]

_log = logging.getLogger("budvision.bench")

USUAL_NODES = 10
"""Nodes of a cane where neither a plan nor a photograph tells."""
Propose = Callable[[bytes, str], tuple[Proposal, npt.NDArray[np.uint8] | None]]
"""What the bench asks of a model: bytes and a name in, a proposal and full-size labels out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchPhoto:
    """A photograph that has arrived.

    Attributes
    ----------
    sha256 : str
        Its name in the season.
    new : bool
        False where these very bytes had come before.
    bud_id : int or None
        Where it belongs; None while it waits for a place.
    """

    sha256: str
    new: bool
    bud_id: int | None
    cane: str
    node: int
    cut: int
    answer: BenchAnswer | None
    remarks: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return the photograph as JSON holds it."""
        return {
            "ok": True, "sha256": self.sha256, "new": self.new, "cane": self.cane,
            "node": self.node, "cut": self.cut, "remarks": list(self.remarks),
            "answer": None if self.answer is None else self.answer.as_dict(),
        }


def take_photo(
    season: Season, data: bytes, *, sampling_id: int, cane: str, node: int, cut: int,
    person_id: int | None, name: str = "photo", retake: bool = False,
    propose: Propose | None = None, used: ModelInUse | None = None,
) -> BenchPhoto:
    """Keep a photograph taken at the bench, give it its bud and cut, and answer.

    Parameters
    ----------
    data : bytes
        The file as the camera made it.
    sampling_id, cane, node, cut : int, str, int, int
        Where the technician stands.
    person_id : int, optional
        The technician.
    name : str
        What the browser calls the file; never used as a path.
    retake : bool
        It takes the place of the photograph of this cut, which stays in the season.
    propose : callable, optional
        The model; without one the photograph is kept and there is no answer.
    used : ModelInUse, optional
        What the proposal is kept under, so that the review need not look again.

    Raises
    ------
    PhotoError
        When it is no photograph that can be used; nothing is kept then.
    NotFoundError
        When there is no such cane.
    ConflictError
        When the photograph, or the cut, belongs elsewhere already. The photograph is kept and
        waits on the assignment page.
    """
    with season.read() as conn:
        sampling = sampling_by_id(conn, sampling_id)
        found = find_cane(conn, sampling_id, cane)
    if found is None:
        raise NotFoundError(f"there is no cane {cane!r}", where=f"sampling {sampling.label}",
                            do="Add the cane first.", code="no_cane")
    if not 1 <= node <= 200 or not 1 <= cut <= 50:
        raise InputError(f"node is {node} and cut {cut}", where="bench",
                         expected="a node from 1 to 200 and a cut from 1 to 50")
    photo = read_photo(data, max_side_px=1600, name=name)
    added = season.photos.add(data)
    refused = None
    with season.write() as conn:  # one for both: everybody who saves waits for it
        row, new = _recorded(conn, added.sha256, photo, name)
        try:
            with conn.begin_nested():  # the photograph is kept, whatever becomes of its place
                bud_id = ensure_bud(conn, found.id, node)
                cut = _placed(conn, row, bud_id, cut, where=f"cane {cane} node {node}",
                              person_id=person_id, retake=retake)
        except ConflictError as error:
            refused = error
    if refused is not None:
        raise refused
    remarks = _remarks(row, sampling)
    try:
        answer = _answer(season, data, row, bud_id, cut, photo, propose, used)
    except BudvisionError:
        raise
    except Exception:  # the photograph is kept and waits; a mistake of ours must not undo that
        _log.exception("%s could not be judged", row.file_name)
        answer, remarks = None, (*remarks, (
            say("The photograph is kept, but could not be judged by a mistake of this program. Go "
                "on by eye, and report what the log says.")))
    return BenchPhoto(sha256=row.sha256, new=new, bud_id=bud_id, cane=cane, node=node, cut=cut,
                      answer=answer, remarks=remarks)


def _recorded(
    conn: Connection, sha256: str, photo: Photo, name: str
) -> tuple[PhotoRow, bool]:
    """Record a photograph that is in the store; False where these bytes had come before."""
    taken = photo.capture.taken_at
    added = add_photo(
        conn, sha256=sha256, file_name=Path(name).name or "photo", format=photo.capture.format,
        n_bytes=photo.capture.n_bytes, width_px=photo.width_px, height_px=photo.height_px,
        taken_at=None if taken is None else taken.isoformat(),
        camera=f"{photo.capture.make} {photo.capture.model}".strip(),
    )
    return photo_by_id(conn, added.id), added.new


def _placed(
    conn: Connection, row: PhotoRow, bud_id: int, cut: int, *, where: str, person_id: int | None,
    retake: bool,
) -> int:
    """Give a photograph its bud and cut; return the cut, of one that had its place that one."""
    standing = assignment_of(conn, row.id)
    if standing is not None and standing.bud_id == bud_id:
        return standing.cut
    if standing is not None and standing.bud_id is not None:
        other = bud_place(conn, standing.bud_id)
        raise ConflictError(
            f"this very photograph is cut {standing.cut} of block {other.block} cane "
            f"{other.cane} node {other.node}", where=where,
            code="photo_elsewhere", expected="a photograph of this bud",
            do="Take a new one, or move it on the assignment page.",
        )
    assign(conn, row.id, bud_id, cut, source="bench", person_id=person_id, retake=retake)
    return cut


def _remarks(row: PhotoRow, sampling: Sampling) -> tuple[str, ...]:
    taken, collected = parse_time(row.taken_at), parse_time(sampling.collected_at)
    if taken is not None and collected is not None and taken < collected:
        return (say("{name} was taken before the canes were collected; check the clock of the "
                    "camera, or whether it is the right photograph.", name=row.file_name),)
    return ()


def _answer(
    season: Season, data: bytes, row: PhotoRow, bud_id: int, cut: int, photo: Photo,
    propose: Propose | None, used: ModelInUse | None,
) -> BenchAnswer | None:
    if propose is None:
        return None
    proposal, labels = propose(data, row.file_name)
    if used is not None:
        propose_waiting(season, photos=[row], used=used, look=lambda *_: (proposal, labels))
    exposed = [t.value for t, one in proposal.tissues.items() if one.exposed]
    put_away(season, f"{row.sha256}.json", json.dumps({
        "found": proposal.found, "exposed": exposed, "answer": proposal.answer.value}))
    places = [[edge * photo.scale for edge in reason.place]
              for reason in proposal.reasons if reason.look and reason.place is not None]
    picture = answer_picture(
        photo.image, labels, places=places,
        side_px=LARGE_PX if proposal.answer is GateAnswer.LOOK else SIDE_PX)
    put_away(season, f"{row.sha256}.jpg", picture)
    with season.read() as conn:
        cuts = cuts_of_bud(conn, bud_id)
    before = [tissue for one in cuts if one.cut < cut
              for tissue in _seen(season, one.photo.sha256)]
    return answer_photo(proposal, seen_before=before, cut=cut,
                        verdicts=season.settings.bench_verdicts)


def _seen(season: Season, sha256: str) -> list[Tissue]:
    """Return the tissues that the bench saw in a photograph; empty where it did not look."""
    path = season.folder / CACHE / f"{sha256}.json"
    try:
        table = json.loads(path.read_text(encoding="utf-8"))
        return [Tissue(word) for word in table["exposed"]]
    except (OSError, ValueError, KeyError):
        return []


def mark_bud(
    season: Season, *, sampling_id: int, cane: str, node: int, kind: str, value: str,
    person_id: int | None,
) -> int:
    """Mark a node as missing or blind, or a bud with a cause other than cold; empty takes back.

    Raises
    ------
    NotFoundError
        When there is no such cane.
    InputError
        When node, kind or value is impossible.
    """
    with season.write() as conn:
        found = find_cane(conn, sampling_id, cane)
        if found is None:
            raise NotFoundError(f"there is no cane {cane!r}", where="bench",
                                do="Add the cane first.", code="no_cane")
        return set_mark(conn, ensure_bud(conn, found.id, node), kind, value, person_id=person_id,
                        note="bench")


def add_cane(season: Season, sampling_id: int, label: str) -> str:
    """Add a cane that was not planned, last in the walk; return its label.

    Raises
    ------
    InputError
        When the label is impossible.
    ConflictError
        When the sampling has that cane.
    NotFoundError
        When there is no such sampling.
    """
    clean = clean_label(label, "cane", limit=60)
    with season.write() as conn:
        sampling_by_id(conn, sampling_id)
        if find_cane(conn, sampling_id, clean) is not None:
            raise ConflictError(f"cane {clean} is there already", where="bench",
                                expected="a label of its own", do="Give it another label.")
        ensure_cane(conn, sampling_id, clean)
    return clean


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchRow:
    """One sampling in the list of the bench."""

    id: int
    block: str
    label: str
    n_canes: int
    n_buds: int
    n_photographed: int
    n_waiting: int
    planned: bool
    soak: SoakClock


def bench_list(season: Season, *, block: str = "") -> list[BenchRow]:
    """List the samplings with their soaking and how far the bench is, unfinished ones first.

    Parameters
    ----------
    season : Season
    block : str
        Part of a block's name, letter case apart; every block when empty.
    """
    rows = []
    with season.read() as conn:
        samplings = list_samplings(conn)
        far = {one.sampling_id: one for one in sampling_counts(conn)}
    for sampling in samplings:
        if block and name_key(block) not in name_key(sampling.block):
            continue
        done = far[sampling.id]
        nodes = _nodes_of(sampling, done.last_node)
        rows.append(BenchRow(
            id=sampling.id, block=sampling.block, label=sampling.label, n_canes=done.n_canes,
            n_buds=max(done.n_buds, done.n_canes * nodes),
            n_photographed=done.n_waiting + done.n_called + done.n_missing,
            n_waiting=done.n_waiting, planned=bool(sampling.plan),
            soak=soak_clock(sampling, season.settings),
        ))
    return sorted(rows, key=lambda row: (row.n_photographed >= row.n_buds > 0, row.block))


def _nodes_of(sampling: Sampling, last: int) -> int:
    """Return how many nodes of each cane are cut: as planned, else as far as photographs go."""
    planned = sampling.plan.get("nodes") if sampling.plan else None
    return int(planned) if planned else last or USUAL_NODES


def bench_board(season: Season, sampling_id: int) -> dict[str, Any]:
    """Return everything that the bench page shows of a sampling, as JSON holds it."""
    with season.read() as conn:
        sampling = sampling_by_id(conn, sampling_id)
        canes = list_canes(conn, sampling_id)
        buds = list_buds(conn, sampling_id=sampling_id)
        marks = marks_of_sampling(conn, sampling_id)
        cuts = cuts_of_sampling(conn, sampling_id)
        (done,) = sampling_counts(conn, [sampling_id])
        n_loose = len(loose_photos(conn)) if count_rows(conn).n_unassigned else 0
    nodes = _nodes_of(sampling, done.last_node)
    by_bud: dict[int, list[dict[str, Any]]] = {}
    for one in cuts:
        by_bud.setdefault(one.bud_id, []).append({
            "cut": one.cut, "sha256": one.photo.sha256,
            "seen": [t.value for t in _seen(season, one.photo.sha256)],
        })
    by_cane: dict[int, dict[int, dict[str, Any]]] = {}
    for bud in buds:
        put: Mapping[str, Any] = marks.get(bud.id, {})
        by_cane.setdefault(bud.cane_id, {})[bud.node] = {
            "node": bud.node, "cuts": by_bud.get(bud.id, []),
            "mark": put["node"].value if "node" in put else "",
            "cause": put["cause"].value if "cause" in put else "",
        }
    table = []
    n_done = 0
    for cane in canes:
        known = by_cane.get(cane.id, {})
        last = max([nodes, *known])
        row = [known.get(n, {"node": n, "cuts": [], "mark": "", "cause": ""})
               for n in range(1, last + 1)]
        whole = all(one["cuts"] or one["mark"] for one in row)
        n_done += whole
        table.append({"label": cane.label, "vine": cane.vine, "vigor": cane.vigor,
                      "zone": cane.zone, "done": whole, "buds": row})
    clock = soak_clock(sampling, season.settings)
    return {
        "ok": True, "id": sampling.id, "block": sampling.block, "sampling": sampling.label,
        "nodes": nodes, "canes": table,
        "base_side": season.settings.cane_base,
        "soak": {"state": clock.state, "hours": clock.hours, "early": clock.early,
                 "words": clock.words, "ready_at": clock.ready_at},
        "decision": decision_state(season, sampling_id),
        "progress": {
            "canes_done": n_done, "canes": len(canes), "buds": done.n_buds,
            "photographed": len(by_bud), "waiting": done.n_waiting,
            "called": done.n_called, "missing": done.n_missing, "loose": n_loose,
        },
    }
