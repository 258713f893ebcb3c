"""Training on a season's calls: from rows in a season to a model that loads and proposes."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import taught
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.ensemble import RandomForestClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import GroupKFold, cross_val_score
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler
from sklearn.svm import LinearSVC
from taught import feature_rows, fill
from typer.testing import CliRunner

from budvision.cli.main import app
from budvision.errors import InputError, NothingToDoError
from budvision.photo.features import FEATURE_VERSION
from budvision.scripts import OpenSeason
from budvision.store.labels import encode_labels
from budvision.store.queries import learning, models, rows
from budvision.store.session import Season
from budvision.verdict.persist import load_verdict
from budvision.verdict.registry import (
    find_model,
    list_models,
    verify_model,
)
from budvision.workflow.archive.export import export_archive
from budvision.workflow.learning.own import keep_estimator
from budvision.workflow.learning.train import load_base, train

base_folder = taught.base_folder


def test_tuned_model_reads_the_lamp_that_misled_the_base(
    season: Season, base_folder: Path
) -> None:
    fill(season, n_canes=8, lamp=-0.4)
    report = train(season, base=base_folder)
    assert report.model == "tuned-1"
    verify_model(find_model(report.path))
    base, tuned = load_verdict(base_folder / "verdict.skops"), load_verdict(
        Path(report.path) / "verdict.skops")
    rng = np.random.default_rng(99)
    dead = rng.random(600) < 0.45
    new = feature_rows(rng, dead, lamp=-0.4)
    before = float(((base.p_dead(new) > 0.5) == dead).mean())
    after = float(((tuned.p_dead(new) > 0.5) == dead).mean())
    assert after > 0.96
    assert after > before + 0.05
    verdicts = np.array([v.value for v in tuned.verdicts(new)])
    called = verdicts != "unsure"
    assert called.mean() > 0.75
    assert ((verdicts[called] == "dead") == dead[called]).mean() > 0.97
    assert report.metrics["canes_left_out"]["tuned"]["accuracy"] > 0.95
    assert (Path(report.path) / "segmenter.onnx").read_bytes() == b"stands for a network"


@pytest.mark.parametrize(("shift", "n"), [(1, 0), (40, 6)])
def test_outlines_moved_away_teach_what_is_no_tissue(
    season: Season, base_folder: Path, shift: int, n: int
) -> None:
    """A model's outline that a person drew elsewhere is a stray; one drawn finer is not."""
    fill(season, n_canes=6, lamp=0.0)
    drawn, moved = np.zeros((64, 64), np.uint8), np.zeros((64, 64), np.uint8)
    drawn[:20, :20] = moved[shift:shift + 20, :20] = 1
    with season.write() as conn:
        shown = learning.measured_tissues(conn, feature_version=FEATURE_VERSION)
        for one in shown[::8]:
            made = {"photo_id": one.photo_id, "box": "[0, 0, 64, 64]", "added_at": taught.AT}
            first = rows.add_row(conn, "region", made | {
                "labels_png": encode_labels(drawn), "model_id": 1})
            second = rows.add_row(conn, "region", made | {
                "labels_png": encode_labels(moved), "person_id": 1, "replaces_id": first})
            for region, sure in ((first, 0.5), (second, 0.9)):
                proposal = rows.add_row(conn, "proposal", {
                    "photo_id": one.photo_id, "model_id": 1, "region_id": region, "found": True,
                    "added_at": taught.AT})
                rows.add_row(conn, "proposal_tissue", {
                    "proposal_id": proposal, "tissue": "primary", "exposed": True,
                    "verdict": "live", "p_dead": 0.2,
                    "features": json.dumps({**one.features, "confidence": sure})})
    report = train(season, base=base_folder)
    assert report.metrics["strays"]["n"] == n
    assert report.metrics["n_tissues"] == 48
    if n:
        said = CliRunner().invoke(app, ["train", "--season", str(season.folder), "--base",
                                        str(base_folder)])
        assert "6 regions called not exposed or moved" in said.output


def test_second_training_makes_a_second_model_and_leaves_the_first(
    season: Season, base_folder: Path
) -> None:
    fill(season, n_canes=4, lamp=0.0)
    first, second = train(season, base=base_folder), train(season, base=base_folder)
    assert (first.model, second.model) == ("tuned-1", "tuned-2")
    verify_model(find_model(first.path))
    assert first.metrics == second.metrics
    with season.read() as conn:
        assert {m.name for m in models.list_models(conn)} >= {"tuned-1", "tuned-2"}
        assert models.current_model(conn) is None  # nothing is promoted by training


def test_no_calls_is_nothing_to_do(season: Season, base_folder: Path) -> None:
    with pytest.raises(NothingToDoError, match="nothing to learn from"):
        train(season, base=base_folder)


def test_tuned_model_is_no_base(season: Season, base_folder: Path) -> None:
    fill(season, n_canes=8, lamp=-0.4)
    tuned = train(season, base=base_folder)
    with pytest.raises(InputError, match="is itself a tuned model"):
        train(season, base=tuned.path)


@pytest.mark.slow
@pytest.mark.parametrize("case", ["ten calls", "one cane", "contradicted"])
def test_bad_seasons_leave_the_base_unchanged(
    season: Season, base_folder: Path, case: str
) -> None:
    fill(season, lamp=-0.4, **{
        "ten calls": {"n_canes": 5, "per_cane": 2}, "one cane": {"n_canes": 1, "per_cane": 40},
        "contradicted": {"n_canes": 6, "contradicted": 48}}[case])
    report = train(season, base=base_folder)
    assert report.metrics["choice"] == "unchanged"
    rng = np.random.default_rng(4)
    new = feature_rows(rng, rng.random(50) < 0.5)
    assert np.array_equal(
        load_verdict(base_folder / "verdict.skops").p_dead(new),
        load_verdict(Path(report.path) / "verdict.skops").p_dead(new))


def test_card_states_the_choice_and_has_no_empty_section(
    season: Season, base_folder: Path
) -> None:
    fill(season, n_canes=6, lamp=-0.4)
    report = train(season, base=base_folder)
    card = (Path(report.path) / "CARD.md").read_text()
    for section in card.split("\n## ")[1:]:
        title, _, body = section.partition("\n")
        assert len(body.strip()) > 60, title
    assert report.metrics["why"] in card
    assert json.loads((Path(report.path) / "metrics.json").read_text()) == report.metrics


def test_archives_are_learnt_from_and_held_out_blocks_are_not(
    season: Season, base_folder: Path, tmp_path: Path
) -> None:
    fill(season, n_canes=3, lamp=-0.4)
    with Season.create(tmp_path / "other") as other:
        fill(other, n_canes=6, lamp=-0.4, start=77)
        with other.write() as conn:
            conn.exec_driver_sql("UPDATE block SET name = 'block 1'")
        export_archive(other, tmp_path / "bag")  # photographs are missing and are not needed
    report = train(season, base=base_folder, bags=[tmp_path / "bag"])
    assert sum(report.metrics["labs"].values()) == 24 + 48
    assert len(report.metrics["labs"]) == 2
    left_out = report.metrics["leave_one_lab_out"]
    assert set(left_out) == set(report.metrics["labs"])
    assert left_out["season"]["tuned_on_the_others"]["accuracy"] > 0.95
    assert "had not seen any of its calls" in (Path(report.path) / "CARD.md").read_text()


def test_photographs_of_the_season_are_not_learnt_from_twice(
    season: Season, base_folder: Path, tmp_path: Path
) -> None:
    """Else buds of one cane would stand on both sides of the split by cane."""
    fill(season, n_canes=6, lamp=-0.4)
    with season.write() as conn:
        conn.exec_driver_sql("UPDATE block SET name = 'block 1'")
    export_archive(season, tmp_path / "bag")
    report = train(season, base=base_folder, bags=[tmp_path / "bag", tmp_path / "bag"])
    assert report.metrics["labs"] == {"season": 48}
    assert report.metrics["left_out"] == {
        "photograph that the season or another archive has too": 96}


def test_blind_and_second_readings_are_read_back(season: Season) -> None:
    fill(season, n_canes=2, lamp=0.0, contradicted=3, blind_every=4)
    with season.read() as conn:
        calls = learning.called_tissues(conn)
    assert sum(call.blind for call in calls) == 4
    assert sum(bool(call.second) for call in calls) == 3


def test_command_prints_json(season: Season, base_folder: Path) -> None:
    fill(season, n_canes=4, lamp=0.0)
    season.close()
    result = CliRunner().invoke(
        app, ["train", "--json", "--season", str(season.folder), "--base", str(base_folder)])
    assert result.exit_code == 0, result.output
    report = json.loads(result.stdout)
    assert set(report) == {"model", "path", "metrics"}
    assert Path(report["path"]).is_dir()


def test_failure_half_way_leaves_no_model(
    season: Season, base_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(season, n_canes=4, lamp=0.0)

    def full(source: object, target: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(shutil, "copyfile", full)
    with pytest.raises(OSError, match="No space left on device"):
        train(season, base=base_folder)
    assert list(season.models_folder.iterdir()) == []
    with season.read() as conn:
        assert not [m for m in models.list_models(conn) if m.name.startswith("tuned")]
    monkeypatch.undo()
    assert train(season, base=base_folder).model == "tuned-1"


_CHILD = """
import sys
from budvision.store.session import Season
from budvision.workflow.learning.own import keep_estimator
from budvision.workflow.learning.train import load_base, train
season = Season.open(sys.argv[1])
print("ready", flush=True)
train(season, base=sys.argv[2])
print("done", flush=True)
"""


def _trained(
    season: Path, base: Path, *, kill_s: float | None = None, writing: bool = False
) -> tuple[bool, float, float]:
    """Train in a process of its own, killed after a while if asked.

    Returns whether it was cut short, how long it took to begin writing the model (counted from
    where it was ready) and how long from there; `kill_s` counts from there too if `writing`.
    """
    child = subprocess.Popen(
        [sys.executable, "-c", _CHILD, str(season), str(base)], stdout=subprocess.PIPE)
    assert child.stdout is not None
    child.stdout.readline()
    start = begun = time.perf_counter()
    if writing or kill_s is None:
        while child.poll() is None and not list((season / "models").glob(".*.part")):
            time.sleep(0.001)
        begun = time.perf_counter()
    if kill_s is not None:
        time.sleep(kill_s)
        child.send_signal(signal.SIGKILL)
    done = child.stdout.readline().strip() == b"done"
    end = time.perf_counter()
    child.wait()
    child.stdout.close()
    assert done or child.returncode == -signal.SIGKILL
    return not done, begun - start, end - begun


@pytest.mark.slow
def test_killed_trainings_leave_the_season_sound(season: Season, base_folder: Path) -> None:
    """Killed at random points (BUDVISION_KILLS times, 50 in the long run), then run to the end.

    Half of the points are drawn from the whole length of a training, as measured here, half from
    the short while in which its model is written.
    """
    fill(season, n_canes=6, lamp=-0.4)
    _, learning_s, writing_s = _trained(season.folder, base_folder)
    draw = random.Random(5)
    n_cut = n_begun = n_unlisted = n_finished = 0
    times = int(os.environ.get("BUDVISION_KILLS", "2"))
    for i in range(times):
        if i % 2:
            cut, _, _ = _trained(season.folder, base_folder, writing=True,
                                 kill_s=draw.uniform(0, writing_s))
        else:
            cut, _, _ = _trained(season.folder, base_folder,
                                 kill_s=draw.uniform(0, learning_s + writing_s))
        listed = {entry.label: entry for entry in list_models(season.models_folder)}
        folders = {path.name for path in season.models_folder.glob("tuned-*")}
        assert set(listed) <= folders
        n_cut += cut
        n_begun += bool(cut and i % 2 and list(season.models_folder.glob(".*.part")))
        n_unlisted = len(folders - set(listed))
        n_finished = len(listed)
        for entry in listed.values():  # what is listed is whole
            verify_model(entry)
            load_verdict(entry.folder / "verdict.skops")
        with Season.open(season.folder) as again, again.read() as conn:
            assert conn.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"
            assert len(list(rows.stream(conn, "call"))) == 48
            assert {m.name for m in models.list_models(conn)} <= {"plain-1", *listed}
    assert n_cut > 0
    print(f"{times} trainings killed: {n_cut} before their end, {n_begun} with a folder begun, "
          f"{n_unlisted} with one not listed yet; {n_finished} models stand; one training takes "
          f"{learning_s:.2f} s and {writing_s:.2f} s of writing")
    report = train(season, base=base_folder)
    verify_model(find_model(report.path))
    assert not list(season.models_folder.glob(".*"))  # what the killed ones began is gone


@pytest.mark.slow
def test_trainings_at_once_make_two_models(season: Season, base_folder: Path) -> None:
    fill(season, n_canes=4, lamp=0.0)
    children = [
        subprocess.Popen([sys.executable, "-c", _CHILD, str(season.folder), str(base_folder)],
                         stdout=subprocess.DEVNULL) for _ in range(2)]
    assert [child.wait() for child in children] == [0, 0]
    entries = list_models(season.models_folder)
    assert {entry.label for entry in entries} == {"tuned-1", "tuned-2"}
    for entry in entries:
        verify_model(entry)


# ---- somebody's own estimator ----------------------------------------------------------------

LINE = make_pipeline(StandardScaler(), LogisticRegression(C=0.1))


@pytest.mark.slow
def test_any_estimator_can_be_tried_and_the_better_one_put_to_work(
    season: Season, base_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Under a lamp that misleads the base, what learns from the season's own calls does better."""
    fill(season, n_canes=10, lamp=-0.4)
    monkeypatch.setattr("budvision.workflow.learning.train.load_base", _base(base_folder))
    monkeypatch.setattr("budvision.workflow.learning.own.load_base", _base(base_folder))
    opened = OpenSeason(season)
    lessons = opened.lessons()
    assert lessons.features.shape == (80, len(lessons.names))
    assert len(np.unique(lessons.cane)) == 10
    assert lessons.to_frame().shape == (80, 3 + len(lessons.names))
    shares = cross_val_score(
        LINE, lessons.features, lessons.dead, groups=lessons.cane, cv=GroupKFold(5))
    assert shares.mean() > 0.9
    report = opened.keep_estimator(LINE, name="line")
    scores = report.metrics["canes_left_out"]
    assert scores["tuned"]["dead_called_live"] + scores["tuned"]["live_called_dead"] <= \
        scores["base"]["dead_called_live"] + scores["base"]["live_called_dead"]
    (entry,) = list_models(season.models_folder)
    verify_model(entry)
    model = load_verdict(entry.folder / "verdict.skops")
    model.check(where=entry.label)
    rng = np.random.default_rng(9)
    dead = rng.random(60) < 0.5
    found = model.p_dead(feature_rows(rng, dead, lamp=-0.4)) > 0.5
    assert (found == dead).mean() > 0.9
    assert "Pipeline" in (entry.folder / "CARD.md").read_text(encoding="utf-8")
    assert json.loads((entry.folder / "metrics.json").read_text())["n_canes"] == 10
    assert keep_estimator(season, LINE, name="line", base=base_folder).model == "line-2"


def _base(folder: Path):  # type: ignore[no-untyped-def]
    return lambda opened, base: load_base(opened, folder)


class _Stranger(ClassifierMixin, BaseEstimator):
    """A classifier of a type that nobody has looked at."""

    def fit(self, rows: np.ndarray, truth: np.ndarray) -> _Stranger:
        self.classes_ = np.unique(truth)
        return self

    def predict_proba(self, rows: np.ndarray) -> np.ndarray:
        return np.full((len(rows), 2), 0.5)

    def predict(self, rows: np.ndarray) -> np.ndarray:
        return np.full(len(rows), self.classes_[0])


def test_what_cannot_be_kept_is_refused_and_leaves_nothing(
    season: Season, base_folder: Path
) -> None:
    with pytest.raises(NothingToDoError, match="0 dead and 0 live tissues on 0 canes"):
        keep_estimator(season, LINE, name="line", base=base_folder)
    fill(season, n_canes=4, lamp=0.0)
    with pytest.raises(InputError, match="LinearSVC gives no probabilities"):
        keep_estimator(season, LinearSVC(), name="line", base=base_folder)
    with pytest.raises(InputError, match="the name is 'My Model'"):
        keep_estimator(season, LINE, name="My Model", base=base_folder)
    for foreign in (_Stranger(), RandomForestClassifier(9, random_state=0)):
        with pytest.raises(InputError, match="cannot be kept: it holds types that could run"):
            keep_estimator(season, foreign, name="foreign", base=base_folder)
    assert list(season.models_folder.iterdir()) == []
