"""The life of a model: compared on blind calls, promoted by a person with a reason, taken back.

The control chart's limits are checked against the worked example of the NIST/SEMATECH e-Handbook,
section 6.3.3.2 (wafers, n = 50, mean fraction 0.2313, limits 0.0524 and 0.4102; from memory).
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import taught
from typer.testing import CliRunner

from budvision.cli.main import app
from budvision.errors import InputError, NotFoundError, NothingToDoError, VerificationError
from budvision.language import speaking
from budvision.photo.features import FEATURE_VERSION
from budvision.store.photos import PhotoStore
from budvision.store.queries import learning, models, people, proposals, rows
from budvision.store.session import Season
from budvision.store.shared_models import sync_models
from budvision.verdict.compare import Judged, compare
from budvision.verdict.registry import find_model, verify_model
from budvision.verdict.watch import Drift, advise, agreement_chart, proportion_limits
from budvision.vocabulary import Proposal, Tissue, TissueProposal, Verdict
from budvision.workflow.intake.propose import model_folder, model_in_use
from budvision.workflow.learning import anew as models_anew
from budvision.workflow.learning.anew import count_out_of_step, propose_anew
from budvision.workflow.learning.models import (
    compare_models,
    find_slips,
    go_back,
    list_candidates,
    promote_model,
    watch_model,
)
from budvision.workflow.learning.train import train
from budvision.workflow.learning.write import write_model

base_folder = taught.base_folder


@pytest.mark.slow
@pytest.mark.postgres
def test_a_model_promoted_at_one_station_is_at_every_station(
    tmp_path: Path, postgres_url: str, base_folder: Path
) -> None:
    shared = tmp_path / "share" / "photos"

    def fill(part: Path, _label: str) -> None:
        for name in ("verdict.skops", "segmenter.onnx"):
            shutil.copyfile(base_folder / name, part / name)

    def written(station: Season) -> str:
        return write_model(station, "tuned", fill, feature_version=FEATURE_VERSION,
                           note="reads the lamp", facts={})[0].label

    with (
        Season.create(tmp_path / "one", database_url=postgres_url, photos=shared) as one,
        Season.create(tmp_path / "two", database_url=postgres_url, photos=shared) as two,
    ):
        with one.write() as conn:
            people.add_person(conn, "Ada Quill", "lead")
        at_work = model_in_use(two)                 # a worker that has a model already
        assert written(one) == "tuned-1"
        promote_model(one, "tuned-1", person="Ada Quill", reason="better")
        used = model_in_use(two)
        assert used == model_in_use(one) != at_work
        here, there = (find_model(model_folder(station, used)) for station in (one, two))
        verify_model(there)
        assert there.folder == two.folder / "models" / "tuned-1"
        assert replace(there, folder=here.folder) == here
        assert written(two) == "tuned-2"            # no station takes a name that another has
        assert model_in_use(one, "tuned-2").label == "tuned-2"

        (there.folder / "verdict.skops").write_bytes(b"broken")
        with pytest.raises(VerificationError):
            verify_model(there)
        told = subprocess.run(
            [sys.executable, "-m", "budvision.cli.main", "check", "--json", "--season",
             str(two.folder)], capture_output=True, text=True, check=True)
        found = json.loads(told.stdout)
        assert found["ok"]
        assert [one["where"] for one in found["findings"] if one["code"] == "fetched_model"] == [
            "models/tuned-1"]
        assert "no_record" not in told.stdout
        verify_model(there)

        shutil.rmtree(there.folder)
        for sha256 in there.files.values():
            one.photos.path(sha256).unlink()
        with pytest.raises(NotFoundError, match="tuned-1 is not at this station, or is damaged"):
            model_in_use(two)
        assert "tuned-1" not in sync_models(one)    # it puts there what is not there
        assert model_in_use(two) == used


@pytest.fixture
def lab(season: Season, base_folder: Path, monkeypatch: pytest.MonkeyPatch) -> Season:
    """A season with calls, whose default model is the one of the tests."""
    from budvision.verdict import registry

    monkeypatch.setattr(registry, "DEFAULT_MODEL", "plain-1")
    monkeypatch.setattr(registry, "models_folder", lambda: base_folder.parent)
    taught.fill(season, n_canes=10, lamp=-0.4, blind_every=2)
    return season


def test_limits_match_the_handbook() -> None:
    low, high = proportion_limits(0.2313, 50)
    assert low == pytest.approx(0.0524, abs=5e-4)
    assert high == pytest.approx(0.4102, abs=5e-4)
    assert proportion_limits(0.99, 20)[1] == 1.0


def test_chart_alarms_when_agreement_falls_and_not_before() -> None:
    rng = np.random.default_rng(1)
    good = list(rng.random(150) < 0.96)
    bad = list(rng.random(50) < 0.6)
    points = agreement_chart([f"t{i}" for i in range(200)], good + bad)
    assert [p.out for p in points] == [False] * 6 + [True] * 2
    assert agreement_chart(["t"] * 5, [True] * 5) == []


def test_advice_says_what_to_do() -> None:
    fine = agreement_chart([str(i) for i in range(50)], [True] * 50)
    calm = Drift(100, 0.01, ())
    assert [a.level for a in advise(fine, calm, unsure=0.1, refused=0.02, n_proposed=100)] == [
        "fine"]
    # Ten tissues are not "within its limits", nor pictures three spreads away "as in training".
    ten = advise(agreement_chart([str(i) for i in range(10)], [True] * 7 + [False] * 3), calm,
                 unsure=0.1, refused=0.02, n_proposed=100)
    assert [(a.level, a.text) for a in ten] == [("look", "Too few to tell whether it can be leaned "
                                                 "on: 10 blind calls (40 are needed).")]
    away = Drift(10, 0.0, (("b_plain", "CIELAB b* as photographed", 3.0),))
    assert "10 tissues of recent pictures (20 are needed)" in advise(
        fine, away, unsure=0.1, refused=0.02, n_proposed=100)[0].text
    nearly = Drift(100, 0.0, (("b_plain", "CIELAB b* as photographed", 1.8),))
    assert "moved from training by up to 1.8 spreads" in advise(
        fine, nearly, unsure=0.1, refused=0.02, n_proposed=100)[0].text
    lamp = Drift(100, 0.5, (("b_plain", "CIELAB b* as photographed", 3.1),))
    said = advise(fine, lamp, unsure=0.5, refused=0.4, n_proposed=100)
    text = " ".join(a.text for a in said)
    assert "Check the lamp" in text
    assert "unlike anything" in text
    assert "refused" in text
    assert "unsure" in text


def test_comparison_is_paired_and_bounded_by_cane() -> None:
    rng = np.random.default_rng(2)
    judged = []
    for cane in range(30):
        for _ in range(6):
            dead = bool(rng.random() < 0.5)
            truth = Verdict.DEAD if dead else Verdict.LIVE
            other = Verdict.LIVE if dead else Verdict.DEAD
            judged.append(Judged(str(cane), Tissue.PRIMARY, dead,
                                 truth if rng.random() < 0.8 else other,
                                 truth if rng.random() < 0.97 else other))
    done = compare(judged, old="a-1", new="b-1", rng=rng)
    row = done.rows[0]
    mean, low, high = row.gain_wrong
    assert low < mean < high < 0
    assert "fewer wrong calls" in done.words
    with speaking("de"):
        assert "bis" in row.gains[1]
        back = compare(judged[:12], old="a-1", new="b-1", rng=rng)
    assert "zu wenig, um die Modelle zu unterscheiden" in back.words
    with pytest.raises(NothingToDoError, match=r"no blind call.*the setting blind_share names"):
        compare([], old="a-1", new="b-1", rng=rng)


def test_where_neither_model_is_wrong_nothing_is_said_of_more_wrong_calls() -> None:
    judged = [Judged(str(cane), Tissue.PRIMARY, True,
                     Verdict.UNSURE if cane % 3 == 0 and bud else Verdict.DEAD, Verdict.DEAD)
              for cane in range(12) for bud in range(5)]
    done = compare(judged, old="a-1", new="b-1", rng=np.random.default_rng(2))
    right, wrong = done.rows[0].gains
    assert " to " in right
    assert wrong == "+0.0 (too few to tell)"
    assert "whether it is also wrong more often cannot be told" in done.words


def test_candidate_is_compared_on_blind_calls_with_its_canes_left_out(lab: Season) -> None:
    report = train(lab)
    done = compare_models(lab, report.model)
    assert done.old == "plain-1"
    assert done.rows[0].n == 40
    assert done.rows[0].right[1] > done.rows[0].right[0]
    every = compare_models(lab, report.model, blind_only=False)
    assert every.rows[0].n == 80


def test_promotion_and_return(lab: Season) -> None:
    report = train(lab)
    with pytest.raises(NotFoundError, match="nobody called 'Zed'"):
        promote_model(lab, report.model, person="Zed", reason="why not")
    with pytest.raises(InputError, match="reason is empty"):
        promote_model(lab, report.model, person="Petra Quill", reason=" ")
    promote_model(lab, report.model, person="Petra Quill", reason="fewer wrong on blind buds")
    assert [c.label for c in list_candidates(lab) if c.in_use] == ["tuned-1"]
    with pytest.raises(InputError, match="in use already"):
        promote_model(lab, report.model, person="Petra Quill", reason="again")
    assert go_back(lab, person="Odo Marsh", reason="lamp was changed") == "plain-1"
    assert [c.label for c in list_candidates(lab) if c.in_use] == ["plain-1"]
    assert go_back(lab, person="Odo Marsh", reason="lamp is back") == "tuned-1"
    with lab.read() as conn:
        past = models.list_promotions(conn)
        assert [(p.model.name, p.person) for p in past] == [
            ("tuned-1", "Petra Quill"), ("plain-1", "Odo Marsh"), ("tuned-1", "Odo Marsh")]
        n = len(list(rows.stream(conn, "proposal")))
    assert n == 80  # what was proposed before is untouched


def _looked(data: bytes, name: str) -> tuple[Proposal, None]:
    """What a look says that costs nothing."""
    one = TissueProposal(exposed=True, verdict=Verdict.DEAD, p_dead=0.9, area_px=100,
                         centre=(1.0, 1.0), why="brown", features={})
    return Proposal(file=name, sha256="0" * 64, width_px=9, height_px=9, found=True, reasons=(),
                    mm_per_px=None, model="", tissues={Tissue.PRIMARY: one}), None


def _call_whole(season: Season, buds: range) -> None:
    """Call what is not called yet of these buds, so that they wait no longer."""
    with season.write() as conn:
        for bud in buds:
            for tissue in ("secondary", "tertiary"):
                rows.add_row(conn, "call", {
                    "bud_id": bud, "tissue": tissue, "value": "not_exposed", "person_id": 1,
                    "source": "page", "added_at": taught.AT})


def _newest(season: Season) -> dict[int, str]:
    """The model whose proposal each photograph shows."""
    with season.read() as conn:
        return {k: row.model for k, row in proposals.latest_proposals(conn).items()}


@pytest.mark.slow
def test_what_waits_is_proposed_anew_and_the_rest_is_untouched(
    lab: Season, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(PhotoStore, "read", lambda *_, **__: b"a photograph")
    report = train(lab)
    _call_whole(lab, range(1, 11))
    with lab.read() as conn:
        before = [list(rows.stream(conn, t)) for t in ("call", "proposal", "proposal_tissue")]
    promote_model(lab, report.model, person="Petra Quill", reason="better")
    assert count_out_of_step(lab) == 70
    assert propose_anew(lab, look=_looked).n_looked == 70
    shown = _newest(lab)
    assert [shown[i] for i in range(1, 81)] == ["plain-1"] * 10 + ["tuned-1"] * 70
    assert propose_anew(lab, look=_looked).n_looked == 0
    go_back(lab, person="Odo Marsh", reason="the lamp was changed")
    told = propose_anew(lab, look=_looked)
    assert (told.model, told.n_looked, told.n_found) == ("plain-1", 70, 70)
    assert watch_model(lab).n_proposed == 70  # the photographs the model in use has seen, once
    assert set(_newest(lab).values()) == {"plain-1"}
    with lab.read() as conn:  # every version is kept, and no call has moved
        after = [list(rows.stream(conn, t)) for t in ("call", "proposal", "proposal_tissue")]
    assert after[0] == before[0]
    assert [rows_[: len(old)] for rows_, old in zip(after, before, strict=True)] == before
    assert len(after[1]) == 80 + 70 + 70


@pytest.mark.slow
def test_looking_again_heeds_what_happens_meanwhile(
    lab: Season, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Buds called meanwhile are left, a model promoted meanwhile takes over, nothing loops."""
    monkeypatch.setattr(PhotoStore, "read", lambda *_, **__: b"a photograph")
    monkeypatch.setattr(models_anew, "_AT_ONCE", 20)
    report = train(lab)
    promote_model(lab, report.model, person="Petra Quill", reason="better")
    n = 0

    def look(data: bytes, name: str) -> tuple[Proposal, None]:
        nonlocal n
        n += 1
        if n == 5:
            _call_whole(lab, range(41, 51))
        if n == 45:
            go_back(lab, person="Odo Marsh", reason="too early")
        return _looked(data, name)

    propose_anew(lab, look=look)
    shown = _newest(lab)
    assert {shown[i] for i in range(41, 51)} == {"plain-1"}  # as they were called
    assert set(shown.values()) == {"plain-1"}
    assert count_out_of_step(lab) == 0
    with lab.read() as conn:
        of_photo = [row["photo_id"] for row in rows.stream(conn, "proposal")]
    assert all(of_photo.count(i) == 1 for i in range(41, 51))


def test_photographs_that_are_gone_do_not_hold_up_the_rest(lab: Season) -> None:
    report = train(lab)
    promote_model(lab, report.model, person="Petra Quill", reason="better")
    told = propose_anew(lab, look=_looked)
    assert (told.n_looked, told.n_missing, told.n_found) == (80, 80, 0)
    assert set(_newest(lab).values()) == {"plain-1"}


def test_changed_model_is_not_promoted(lab: Season) -> None:
    report = train(lab)
    path = Path(report.path) / "verdict.skops"
    path.write_bytes(path.read_bytes() + b" ")
    with pytest.raises(VerificationError, match="SHA-256"):
        promote_model(lab, report.model, person="Petra Quill", reason="looks good")
    assert [c.label for c in list_candidates(lab) if c.in_use] == ["plain-1"]


def test_watching_counts_blind_agreement(lab: Season) -> None:
    seen = watch_model(lab)
    assert seen.n_blind == 40
    assert seen.n_proposed == 80
    assert seen.refused == 0.0
    assert seen.agreement is not None
    assert 0.3 < seen.agreement < 0.75  # every stored verdict says live
    assert seen.advice
    json.dumps(seen.as_dict())


def test_another_model_that_looked_later_hides_no_tissue_of_the_one_in_use(lab: Season) -> None:
    """Its page compares it with the one in use, and its looks are kept as newer ones."""
    with lab.write() as conn:
        own = {row["id"] for row in rows.stream(conn, "proposal")}
        second = models.ensure_model(conn, "second-1", "c" * 64, "second-1")
        for row in list(rows.stream(conn, "assignment"))[::2]:
            rows.add_row(conn, "proposal", {
                "photo_id": row["photo_id"], "model_id": second, "found": False,
                "added_at": taught.AT})
        found = learning.measured_tissues(
            conn, feature_version=FEATURE_VERSION, proposal_ids=own)
    assert len(found) == len(own) == 80


def test_agreement_is_told_of_each_model_that_proposed(lab: Season) -> None:
    """A second model says dead of every second bud before its blind call; live elsewhere."""
    with lab.write() as conn:
        second = models.ensure_model(conn, "second-1", "c" * 64, "second-1")
        calls_ = [row for row in rows.stream(conn, "call") if row["blind"]]
        photos = {row["bud_id"]: row["photo_id"] for row in rows.stream(conn, "assignment")}
        later = {row["bud_id"] for row in calls_[::2]}
        for bud in later:
            proposal = rows.add_row(conn, "proposal", {
                "photo_id": photos[bud], "model_id": second, "found": True,
                "added_at": taught.AT})
            rows.add_row(conn, "proposal_tissue", {
                "proposal_id": proposal, "tissue": "primary", "exposed": True, "verdict": "dead",
                "p_dead": 0.9})
    seen = watch_model(lab)
    called = Counter((row["bud_id"] in later, row["value"]) for row in calls_)
    assert [(one.model, one.n, one.live.n, one.live.n_same, one.dead.n, one.dead.n_same)
            for one in seen.models] == [
        ("second-1", 20, called[True, "live"], 0, called[True, "dead"], called[True, "dead"]),
        ("plain-1", 20, called[False, "live"], called[False, "live"], called[False, "dead"], 0)]
    assert seen.n_blind == 40
    told = seen.as_dict()["models"][0]
    interval = seen.models[0].dead.interval
    assert told["dead"] == {"n": called[True, "dead"], "agreed": called[True, "dead"],
                            "low": round(interval.low, 4), "high": 1.0}
    assert 0.6 < interval.low < 1
    run = CliRunner().invoke(app, ["models", "watch", "--season", str(lab.folder)])
    n = called[True, "dead"]
    assert f"second-1: agreed on 0 of {20 - n} (0.0% to" in run.stdout
    assert f"called live and {n} of {n} (" in run.stdout


def test_slips_are_found_by_their_neighbours(lab: Season, tmp_path: Path) -> None:
    with Season.create(tmp_path / "other") as other:
        taught.fill(other, n_canes=12, lamp=0.0, slips=0.04, start=21)
        found = find_slips(other)
    assert 1 <= len(found) <= 8
    assert all("most alike" in one.why for one in found)


@pytest.mark.slow
def test_commands(lab: Season) -> None:
    report = train(lab)
    with lab.write() as conn:
        people.find_person(conn, "Petra Quill")
    run = CliRunner().invoke
    at = ["--season", str(lab.folder)]
    shown = run(app, ["models", "compare", report.model, "--json", *at])
    assert shown.exit_code == 0, shown.output
    assert json.loads(shown.stdout)["new"] == report.model
    done = run(app, ["models", "promote", report.model, "--by", "Petra Quill", "--reason",
                     "better on blind buds", "--later", *at])
    assert done.exit_code == 0, done.output
    assert "proposes from now on" in done.stdout
    assert "80 photographs of waiting buds show another model's" in done.stdout
    _call_whole(lab, range(1, 81))
    told = run(app, ["models", "look-again", "--json", *at])
    assert json.loads(told.stdout)["n_looked"] == 0
    assert json.loads(run(app, ["models", "watch", "--json", *at]).stdout)["model"] == report.model
    assert run(app, ["models", "slips", "--json", *at]).exit_code == 0
    back = run(app, ["models", "back", "--by", "Petra Quill", "--reason", "trying", *at])
    assert "plain-1 proposes again" in back.stdout
