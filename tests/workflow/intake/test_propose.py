"""Proposals in a season: every version kept, nothing confirmed is touched."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import Connection

from budvision.photo import workers
from budvision.settings import samples_folder
from budvision.store import counts
from budvision.store.claims import Claims
from budvision.store.queries import canes, models, overview, people, photos, proposals
from budvision.store.queries.calls import save_calls
from budvision.store.session import Season
from budvision.vocabulary import (
    TISSUES,
    CallValue,
    Proposal,
    Reason,
    Tissue,
    TissueProposal,
    Verdict,
)
from budvision.workflow.intake.intake import intake
from budvision.workflow.intake.propose import ModelInUse, crop_labels, propose_waiting
from budvision.workflow.intake.undo import list_batches, undo_intake
from budvision.workflow.season.check import check

FALLS = Path(__file__).parents[2] / "photo" / "fixtures" / "orientation_3.heic"
ONE = ModelInUse("try-1.0", "1" * 64, "try-1.0")
TWO = ModelInUse("try-2.0", "2" * 64, "try-2.0")


def _look(data: bytes, name: str) -> tuple[Proposal, np.ndarray | None]:
    """Stand in for a model: the third cannot be judged, the fourth meets a mistake of ours."""
    if "n3" in name:
        return Proposal(file=name, sha256="", width_px=720, height_px=640, found=False,
                        reasons=(Reason("blurred", "Too blurred."),), mm_per_px=None,
                        model="try", tissues={}), None
    if "n4" in name:
        raise IndexError("planted")
    labels = np.zeros((640, 720), np.uint8)
    labels[100:300, 200:420] = 4
    labels[150:250, 250:330] = Tissue.PRIMARY.label
    tissues = {t: TissueProposal(exposed=t is Tissue.PRIMARY) for t in TISSUES}
    tissues[Tissue.PRIMARY] = TissueProposal(
        exposed=True, verdict=Verdict.DEAD, p_dead=0.97, area_px=8000, centre=(199.5, 289.5),
        why="82 % brown", features={"brown_share": 0.82})
    return Proposal(file=name, sha256="", width_px=720, height_px=640, found=True, reasons=(),
                    mm_per_px=0.01, model="try", tissues=tissues), labels


@pytest.fixture
def taken(season: Season, jpeg: Callable[..., bytes]) -> Season:
    folder = season.folder.parent / "card"
    folder.mkdir()
    for node in range(1, 6):
        (folder / f"Creek_1_n{node}_c1.jpg").write_bytes(jpeg(node))
    assert intake(season, [folder], sampling="feb").count("new") == 5
    return season


def test_each_photograph_is_looked_at_once(taken: Season) -> None:
    report = propose_waiting(taken, look=_look, used=ONE)
    assert (report.n_looked, report.n_found, report.n_refused, report.n_failed) == (5, 3, 1, 1)
    assert report.reasons == {"blurred": 1}
    assert "by a mistake of this program" in report.trouble
    assert propose_waiting(taken, look=_look, used=ONE).n_looked == 1
    with taken.read() as conn:
        rows = proposals.latest_proposals(conn, sampling_id=1)
        assert len(rows) == 4
        first = rows[1].tissues[Tissue.PRIMARY]
        assert (first.verdict, first.p_dead, first.centre) == (Verdict.DEAD, 0.97, (199.5, 289.5))
        assert first.features == {"brown_share": 0.82}
        assert (rows[1].model, rows[1].mm_per_px) == ("try-1.0", 0.01)


def test_a_mistake_of_ours_is_logged_and_the_photograph_waits(
    taken: Season, caplog: pytest.LogCaptureFixture
) -> None:
    propose_waiting(taken, look=_look, used=ONE)
    with taken.read() as conn:
        assert [row.file_name for row in proposals.photos_without_proposal(conn)] == [
            "Creek_1_n4_c1.jpg"]
    (told,) = caplog.records
    assert "Creek_1_n4_c1.jpg could not be judged" in told.message
    assert 'raise IndexError("planted")' in caplog.text


@pytest.mark.slow
def test_a_photograph_that_ends_the_decoder_is_refused_and_the_rest_goes_on(
    taken: Season
) -> None:
    """Bytes that were kept before today: in the store, and never decoded again unharmed."""
    data = bytearray(FALLS.read_bytes())
    data[179] ^= 0x80
    added = taken.photos.add(bytes(data))
    with taken.write() as conn:
        row = photos.add_photo(conn, sha256=added.sha256, file_name="falls.heic", format="HEIC",
                               n_bytes=len(data), width_px=720, height_px=560, camera="",
                               taken_at=None)
        photos.assign(conn, row.id, 1, 2, source="manifest", person_id=None)
    report = propose_waiting(taken)
    assert (report.n_looked, report.n_failed) == (6, 0)
    with taken.read() as conn:
        (told,) = proposals.proposal_history(conn, row.id)
    assert [reason.code for reason in told.reasons] == ["unreadable"]
    assert "The decoder fell over it (SIGSEGV)" in told.reasons[0].text


def test_regions_are_the_labels_of_the_face(taken: Season) -> None:
    propose_waiting(taken, look=_look, used=ONE)
    with taken.read() as conn:
        region = proposals.current_region(conn, 1)
    assert region is not None
    row0, col0, row1, col1 = region.box
    assert (row1 - row0, col1 - col0) == region.labels.shape
    whole = np.zeros((640, 720), np.uint8)
    whole[row0:row1, col0:col1] = region.labels
    expected = _look(b"", "n1")[1]
    assert np.array_equal(whole, expected)


def test_another_model_looks_only_at_what_waits(taken: Season) -> None:
    propose_waiting(taken, look=_look, used=ONE)
    with taken.write() as conn:
        who = people.ensure_person(conn, "Maren Holt")
        bud = canes.find_bud(conn, 1, "1", 1)
        assert bud is not None
        save_calls(conn, bud.id, dict.fromkeys(TISSUES, CallValue.LIVE), person_id=who.id)
        half = canes.find_bud(conn, 1, "1", 2)
        assert half is not None
        save_calls(conn, half.id, {Tissue.PRIMARY: CallValue.LIVE}, person_id=who.id)
    assert propose_waiting(taken, look=_look, used=TWO).n_looked == 4
    with taken.read() as conn:
        assert [row.model for row in proposals.proposal_history(conn, 1)] == ["try-1.0"]
        assert [row.model for row in proposals.proposal_history(conn, 2)] == ["try-1.0", "try-2.0"]
        assert len(models.list_models(conn)) == 2


def test_nobody_waits_while_the_photographs_are_listed(
    taken: Season, monkeypatch: pytest.MonkeyPatch,
) -> None:
    listed, counted = proposals.photos_to_propose, []

    def slow(conn: Connection, model_id: int) -> list[photos.PhotoRow]:
        with taken.write() as saving:  # refused, were this inside another write
            counted.append(people.ensure_person(saving, "Ivo Lund").id)
        return listed(conn, model_id)

    with taken.engine.connect() as conn:  # a lock is told of at once
        conn.exec_driver_sql("PRAGMA busy_timeout=200")
        monkeypatch.setattr(proposals, "photos_to_propose", slow)
    assert propose_waiting(taken, look=_look, used=ONE).n_looked == 5
    assert len(counted) == 1


def test_an_intake_taken_back_while_its_photographs_are_looked_at(taken: Season) -> None:
    """The rest is not looked at, counts follow, and a second intake finds what was said."""
    with taken.write() as conn:
        who = people.ensure_person(conn, "Maren Holt").id
    (batch,) = list_batches(taken)

    def interrupted(data: bytes, name: str) -> tuple[Proposal, np.ndarray | None]:
        if "n2" in name:
            assert undo_intake(taken, batch.note, person_id=who) == 5
        return _look(data, name)

    report = propose_waiting(taken, look=interrupted, used=ONE)
    assert (report.n_looked, report.n_found, report.trouble) == (2, 2, "")
    with taken.read() as conn:
        assert not overview.sampling_counts(conn)[0].n_photos
        assert not counts.wrong_samplings(conn)
        assert not proposals.photos_without_proposal(conn)
        assert len(proposals.proposal_history(conn, 2)) == 1, "nothing is lost"
    assert check(taken).ok
    folder = taken.folder.parent / "card"
    assert intake(taken, [folder], sampling="feb").count("placed") == 5
    assert propose_waiting(taken, look=_look, used=ONE).n_looked == 3
    with taken.read() as conn:
        assert not counts.wrong_samplings(conn)


def test_bytes_that_changed_are_not_looked_at(taken: Season) -> None:
    with taken.read() as conn:
        sha256 = photos.photo_by_id(conn, 1).sha256
    path = taken.photos.path(sha256)
    path.chmod(0o644)
    data = bytearray(path.read_bytes())
    data[-9] ^= 1
    path.write_bytes(data)
    report = propose_waiting(taken, look=_look, used=ONE)
    assert (report.n_missing, report.n_found) == (1, 2)
    with taken.read() as conn:
        assert [row.id for row in proposals.photos_without_proposal(conn)] == [1, 4]


def test_killed_half_way_it_goes_on_where_it_stopped(taken: Season) -> None:
    def stop(data: bytes, name: str) -> tuple[Proposal, np.ndarray | None]:
        if "n3" in name:
            raise KeyboardInterrupt
        return _look(data, name)

    with pytest.raises(KeyboardInterrupt):
        propose_waiting(taken, look=stop, used=ONE)
    assert propose_waiting(taken, look=_look, used=ONE).n_looked == 3


@pytest.mark.skipif(sys.platform == "win32", reason="there are no such locks there")
def test_the_end_of_one_run_leaves_the_claims_of_another_in_its_process(season: Season) -> None:
    """Whoever closes a file gives up all locks that the process has on it."""
    script = ("import sys; from budvision.store.claims import Claims; "
              "from budvision.store.session import Season; season = Season.open(sys.argv[1])\n"
              "with Claims(season, 1) as other: print(other.take(1), other.take(2), other.take(3))")

    def another() -> str:
        return subprocess.run([sys.executable, "-c", script, str(season.folder)], check=True,
                              capture_output=True, text=True).stdout.strip()

    with Claims(season, 1) as stays:
        with Claims(season, 1) as ends:
            assert ends.take(1)
            assert stays.take(2)
            assert not stays.take(1)
        assert another() == "True False True"
    assert another() == "True True True"


@pytest.mark.slow
def test_two_processes_say_what_one_says(season: Season, jpeg: Callable[..., bytes]) -> None:
    """The shipped model, over enough photographs for a second process: stripes and real samples."""
    folder = season.folder.parent / "card"
    folder.mkdir()
    samples = sorted(samples_folder().glob("*.jpg"))[:8]
    for node in range(1, 14):
        data = samples[node - 1].read_bytes() if node <= len(samples) else jpeg(node)
        (folder / f"Creek_1_n{node}_c1.jpg").write_bytes(data)
    assert intake(season, [folder], sampling="feb").count("new") == 13
    report = propose_waiting(season, jobs=2)
    assert report.n_looked == 13
    assert report.n_found >= 4
    with season.read() as conn:
        waiting = [cut.photo for cut in photos.cuts_of_sampling(conn, 1)]
    propose_waiting(season, photos=waiting, jobs=1)
    with season.read() as conn:
        for row in waiting:
            two, one = proposals.proposal_history(conn, row.id)
            assert (two.found, two.reasons, two.tissues) == (one.found, one.reasons, one.tissues)


def test_the_crop_reaches_outside_where_the_face_does() -> None:
    labels = np.zeros((100, 300), np.uint8)
    assert crop_labels(labels) == (None, None)
    labels[0:100, 0:150] = 4
    crop, box = crop_labels(labels)
    assert crop is not None
    assert box is not None
    assert box[0] < 0
    assert box[2] > 100
    assert box[2] - box[0] == box[3] - box[1]
    assert int((crop == 4).sum()) == 15000


def test_large_labels_are_shrunk() -> None:
    labels = np.full((3000, 4000), 1, np.uint8)
    crop, box = crop_labels(labels)
    assert crop is not None
    assert crop.shape == (768, 768)
    assert box is not None
    assert box[3] - box[1] == box[2] - box[0] > 4000


def test_the_side_of_the_cane_base_is_the_seasons(
    taken: Season, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the season's setting says reaches the model, where the photographs carry no card."""
    asked: list[str] = []

    def ask(data: bytes, *, cane_base: str, name: str, **_: object) -> object:
        asked.append(cane_base)
        return _look(data, name)

    monkeypatch.setattr("budvision.verdict.propose.propose_photo", ask)
    monkeypatch.setattr(workers, "_inside", True)  # asked here, not in another process
    monkeypatch.setattr(workers, "_limit", lambda _: None)  # nor limited as one
    (taken.folder / "budvision.toml").write_text(
        '[settings]\ncane_base = "top"\n', encoding="utf-8"
    )
    with Season.open(taken.folder) as again:
        assert propose_waiting(again, jobs=1).n_looked == 5
    assert asked == ["top"] * 5


_AT_ONCE = """
import sys, time
from pathlib import Path
from budvision.store.session import Season
from budvision.vocabulary import Proposal, Reason
from budvision.workflow.intake.propose import ModelInUse, propose_waiting
said = Path(sys.argv[2])
def look(data, name):
    with said.open("a") as out:
        out.write(name + "\\n")
    time.sleep(0.05)
    return Proposal(file=name, sha256="", width_px=720, height_px=640, found=False,
                    reasons=(Reason(code="blurred", text="Too blurred."),), mm_per_px=None,
                    model="try", tissues={}), None
with Season.open(sys.argv[1]) as season:
    (said.parent / f"ready-{sys.argv[3]}").touch()
    while len(list(said.parent.glob("ready-*"))) < 2:
        time.sleep(0.005)
    print(propose_waiting(season, look=look,
                          used=ModelInUse("try-1.0", "1" * 64, "try-1.0")).n_looked)
"""


@pytest.mark.slow
def test_two_proposals_at_once_share_the_work(
    any_season: Season, jpeg: Callable[..., bytes], tmp_path: Path
) -> None:
    """Two processes begin at once; each photograph is looked at by one of them alone."""
    folder = tmp_path / "card"
    folder.mkdir()
    for node in range(1, 13):
        (folder / f"Creek_1_n{node}_c1.jpg").write_bytes(jpeg(node))
    intake(any_season, [folder], sampling="feb")
    (tmp_path / "at").mkdir()
    said = tmp_path / "at" / "looked"
    both = [subprocess.Popen(
        [sys.executable, "-c", _AT_ONCE, str(any_season.folder), str(said), str(n)],
        stdout=subprocess.PIPE, text=True) for n in (1, 2)]
    shares = [int(one.communicate(timeout=60)[0]) for one in both]
    names = said.read_text().split()
    assert sorted(names) == sorted(path.name for path in folder.iterdir())
    assert sum(shares) == 12
    assert min(shares) > 0
    with any_season.read() as conn:
        assert len(proposals.latest_proposals(conn, sampling_id=1)) == 12


def test_a_claim_is_anothers_until_it_is_given_back(any_season: Season) -> None:
    with Claims(any_season, 1) as one, Claims(any_season, 1) as two, Claims(any_season, 2) as other:
        assert one.take(7)
        assert not two.take(7)
        assert other.take(7)  # another model may look at it meanwhile
        two.give(7)  # it is not two's to give
        assert not two.take(7)
        one.give(7)
        assert two.take(7)
    with Claims(any_season, 1) as one:
        assert one.take(7)


def test_a_season_sends_its_photographs_to_a_cluster_in_their_order(
    taken: Season, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The cluster's own part is in tests/verdict/test_cluster.py; this is what the season sends."""
    sent: list[tuple[str, int]] = []

    def many(
        function: object, jobs: object, *, n: int, address: str, model: object
    ) -> object:
        assert (address, n) == ("tcp://10.0.0.5:8786", 5)
        for name, data, _ in jobs:  # type: ignore[attr-defined]
            sent.append((name, len(data)))
            yield RuntimeError("lost") if "n4" in name else Judged(_look(data, name)[0])

    from budvision.verdict import cluster
    from budvision.workflow.intake.propose import _Judged as Judged

    monkeypatch.setattr(cluster, "cluster_many", many)
    with taken.read() as conn:
        gone = photos.photo_by_id(conn, 2)
    taken.photos.path(gone.sha256).unlink()
    report = propose_waiting(taken, cluster="tcp://10.0.0.5:8786")
    assert [name[8:10] for name, _ in sent] == ["n1", "n2", "n3", "n4", "n5"]
    assert [bool(n) for _, n in sent] == [True, False, True, True, True]
    assert (report.n_found, report.n_refused, report.n_missing, report.n_failed) == (2, 1, 1, 1)
