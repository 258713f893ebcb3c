"""Training on rows with a known rule; the file, the list of models and what is refused."""

from __future__ import annotations

import argparse
import subprocess
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from budvision.errors import (
    ConflictError,
    InputError,
    NotFoundError,
    StorageError,
    VerificationError,
)
from budvision.files import sha256_of
from budvision.learning.train import fit_verdict, grouped_folds
from budvision.photo.features import FEATURE_NAMES, FEATURE_VERSION
from budvision.verdict import persist
from budvision.verdict.model import VerdictModel
from budvision.verdict.persist import (
    load_to_judge,
    load_training_rows,
    load_verdict,
    save_verdict,
)
from budvision.verdict.registry import (
    ModelEntry,
    add_model,
    find_model,
    list_models,
    verify_model,
)
from budvision.vocabulary import Verdict

AT = {name: index for index, name in enumerate(FEATURE_NAMES)}


def _dump(what: dict[str, object], path: Path) -> None:
    import skops.io  # seconds, which every process that collects the tests would spend

    skops.io.dump(what, path)


def rows_of(
    rng: np.random.Generator, n: int, *, apart: float = 0.9
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rows whose green against red tells the dead, with noise; three a photograph."""
    dead = rng.random(n) < 0.4
    rows = rng.normal(0, 0.3, (n, len(FEATURE_NAMES)))
    middle = np.where(dead, -apart / 2, apart / 2) + rng.normal(0, 0.12, n)
    for name in ("green_red_inner", "green_red_all", "green_red_core"):
        rows[:, AT[name]] = middle + rng.normal(0, 0.05, n)
    return rows, dead, np.arange(n) // 3


@pytest.fixture(scope="module")
def model() -> VerdictModel:
    rng = np.random.default_rng(1)
    return fit_verdict(*rows_of(rng, 900), rng=rng, alpha=0.01).model


def test_folds_never_part_a_group() -> None:
    rng = np.random.default_rng(2)
    groups = rng.integers(0, 40, 500)
    folds = grouped_folds(groups, 5, rng=rng)
    for group in np.unique(groups):
        assert np.unique(folds[groups == group]).size == 1
    sizes = np.bincount(folds)
    assert sizes.size == 5
    assert sizes.max() < 1.5 * sizes.min()


def test_it_learns_and_says_unsure_between(model: VerdictModel) -> None:
    rng = np.random.default_rng(3)
    rows, dead, _ = rows_of(rng, 2000)
    verdicts = np.array(model.verdicts(rows))
    called = verdicts != Verdict.UNSURE
    assert called.mean() > 0.9
    assert ((verdicts == Verdict.DEAD) & ~dead).sum() / (~dead).sum() < 0.02
    assert ((verdicts == Verdict.LIVE) & dead).sum() / dead.sum() < 0.02
    between = rows[:50].copy()
    for name in ("green_red_inner", "green_red_all", "green_red_core"):
        between[:, AT[name]] = 0.0
    assert (np.array(model.verdicts(between)) == Verdict.UNSURE).mean() > 0.8


def test_what_nobody_could_judge_teaches_to_be_unsure() -> None:
    rows, dead, groups = rows_of(np.random.default_rng(8), 900)
    doubted = rows_of(np.random.default_rng(9), 120)[0]
    doubted[:, AT["texture_fine"]] += 1.5  # they look alike, whatever their colour
    like_them = rows_of(np.random.default_rng(10), 200)[0]
    like_them[:, AT["texture_fine"]] += 1.5
    plain, careful = (
        fit_verdict(rows, dead, groups, rng=np.random.default_rng(11), alpha=0.01, unsure=more,
                    unsure_groups=1000 + np.arange(len(more))).model
        for more in (doubted[:0], doubted))

    def sure(model: VerdictModel, of: np.ndarray) -> float:
        share = model.p_dead(of)
        return float(np.abs(share - 0.5).mean())

    assert sure(careful, like_them) < sure(plain, like_them)
    assert careful.sets.n_live + careful.sets.n_dead == len(dead), "they are asked no verdict"
    assert careful.reserve_dead.size == plain.reserve_dead.size


def test_probabilities_are_calibrated() -> None:
    rng = np.random.default_rng(4)
    fitted = fit_verdict(*rows_of(rng, 1200, apart=0.25), rng=rng, kinds=["logistic"])
    rows, dead, _ = rows_of(rng, 4000, apart=0.25)
    share = fitted.model.p_dead(rows)
    for low, high in ((0.1, 0.3), (0.3, 0.5), (0.5, 0.7), (0.7, 0.9)):
        inside = (share >= low) & (share < high)
        assert dead[inside].mean() == pytest.approx(share[inside].mean(), abs=0.08)


def test_what_was_never_seen_is_unsure(model: VerdictModel) -> None:
    rows, _, _ = rows_of(np.random.default_rng(5), 100)
    strange = rows.copy()
    strange[:, 20:] += 6.0
    assert set(model.verdicts(strange)) == {Verdict.UNSURE}
    assert (model.novelty.distance(rows) < model.novelty.limit).mean() > 0.9


def test_reason_names_the_group_that_moved_it(model: VerdictModel) -> None:
    rows, dead, _ = rows_of(np.random.default_rng(6), 200)
    for one, is_dead in zip(model.judge(rows[:40]), dead[:40], strict=True):
        moved = one.moved_by
        assert max(moved, key=lambda group: abs(moved[group])) == "green"
        assert (moved["green"] > 0) == is_dead


def test_one_pass_says_what_the_parts_say(model: VerdictModel) -> None:
    rows, _, _ = rows_of(np.random.default_rng(7), 40)
    judged = model.judge(rows)
    assert [one.verdict for one in judged] == model.verdicts(rows)
    np.testing.assert_allclose([one.p_dead for one in judged], model.p_dead(rows), rtol=1e-9)


def test_doubt_about_the_name_weighs_both_names(model: VerdictModel) -> None:
    """p_dead is the mean of what holds under either name, weighted by the name's doubt."""
    rows, _, _ = rows_of(np.random.default_rng(9), 40)
    rows[:, FEATURE_NAMES.index("is_secondary")] = 1.0
    rows[:, FEATURE_NAMES.index("is_tertiary")] = 0.0
    renamed = rows.copy()
    renamed[:, FEATURE_NAMES.index("is_secondary")] = 0.0
    renamed[:, FEATURE_NAMES.index("is_tertiary")] = 1.0
    wanted = 0.7 * model.p_dead(rows) + 0.3 * model.p_dead(renamed)
    got = [one.p_dead for one in model.judge(rows, swap_doubt=0.3)]
    np.testing.assert_allclose(got, wanted, rtol=1e-9)


def test_a_laboratorys_calls_are_added_to_the_base(model: VerdictModel) -> None:
    rng = np.random.default_rng(8)
    rows, dead, canes = rows_of(rng, 60)
    fitted = fit_verdict(rows, dead, canes, rng=rng, base=model, kinds=["logistic"])
    assert fitted.held_out_p_dead.shape == (60,)
    assert ((fitted.held_out_p_dead > 0.5) == dead).mean() > 0.95


def test_too_few_calls_are_refused() -> None:
    rng = np.random.default_rng(9)
    rows, _, groups = rows_of(rng, 40)
    with pytest.raises(InputError, match="37 live and 3 dead calls"):
        fit_verdict(rows, np.arange(40) < 3, groups, rng=rng)
    with pytest.raises(InputError, match="shape"):
        fit_verdict(rows[:, :5], np.arange(40) < 20, groups, rng=rng)


def test_round_trip(model: VerdictModel, tmp_path: Path) -> None:
    path = tmp_path / "verdict.skops"
    save_verdict(model, path)
    again = load_verdict(path)
    rows, _, _ = rows_of(np.random.default_rng(10), 50)
    np.testing.assert_array_equal(again.p_dead(rows), model.p_dead(rows))
    assert again.verdicts(rows) == model.verdicts(rows)
    assert again.feature_version == FEATURE_VERSION
    with pytest.raises(StorageError, match="exists already"):
        save_verdict(model, path)
    assert [one.name for one in tmp_path.iterdir()] == ["verdict.skops"]


def test_what_it_was_trained_on_is_read_without_the_estimators(
    model: VerdictModel, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "verdict.skops"
    save_verdict(model, path)
    with monkeypatch.context() as patch:
        patch.setattr(persist, "load_verdict", lambda _: pytest.fail("all of it was loaded"))
        rows, novelty = load_training_rows(path)
    np.testing.assert_array_equal(rows, model.reserve_rows)
    np.testing.assert_array_equal(novelty.middle, model.novelty.middle)
    np.testing.assert_array_equal(novelty.whitener, model.novelty.whitener)
    assert novelty.limit == model.novelty.limit
    path.write_bytes(b"not a zip")
    with pytest.raises(VerificationError, match="damaged"):
        load_training_rows(path)
    path.unlink()
    _dump({"format": 99}, path)
    with pytest.raises(VerificationError, match="format is 99"):
        load_training_rows(path)
    with pytest.raises(NotFoundError, match="no such file"):
        load_training_rows(tmp_path / "other.skops")


def test_the_usual_model_judges_by_its_numbers_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(11)
    path = tmp_path / "verdict.skops"
    model = fit_verdict(*rows_of(rng, 200), rng=rng, kinds=["logistic", "logistic"]).model
    save_verdict(model, path)
    with monkeypatch.context() as patch:
        patch.setattr(persist, "load_verdict", lambda _: pytest.fail("all of it was loaded"))
        plain = load_to_judge(path)
    rows, _, _ = rows_of(rng, 50)
    rows[:2] = np.full(rows.shape[1], 1e4), np.full(rows.shape[1], -1e4)
    np.testing.assert_allclose(plain.p_dead(rows), model.p_dead(rows), rtol=1e-12)
    assert plain.verdicts(rows) == model.verdicts(rows)
    assert plain.sets == model.sets
    np.testing.assert_array_equal(plain.reserve_rows, model.reserve_rows)
    rows[0, 0] = np.nan
    with pytest.raises(ValueError, match="no number"):
        plain.p_dead(rows)


def test_another_model_judges_as_scikit_learn_reads_it(tmp_path: Path) -> None:
    rng = np.random.default_rng(12)
    path = tmp_path / "verdict.skops"
    model = fit_verdict(*rows_of(rng, 40), rng=rng, kinds=["perceptron"]).model
    save_verdict(model, path)
    rows, _, _ = rows_of(rng, 20)
    np.testing.assert_array_equal(load_to_judge(path).p_dead(rows), model.p_dead(rows))
    path.unlink()
    _dump({"format": 1, "estimators": [argparse.Namespace(x=1)]}, path)
    with pytest.raises(VerificationError, match="foreign code: argparse"):
        load_to_judge(path)


def test_the_shipped_models_judge_without_scikit_learn() -> None:
    said = subprocess.run(
        [sys.executable, "-c", "import sys; from budvision.verdict.propose import Proposer; "
         "Proposer.load(); print({'sklearn', 'skops', 'torch'} & set(sys.modules))"],
        check=True, capture_output=True, text=True).stdout
    assert said.strip() == "set()"


@pytest.mark.parametrize("trusting", [False, True])
def test_foreign_types_are_named_and_refused_whatever_skops_trusts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, trusting: bool
) -> None:
    import skops.io
    from sklearn import discriminant_analysis, ensemble, linear_model, naive_bayes, svm, tree

    if trusting:  # as skops before 0.15 did of trees, and a later one may again
        monkeypatch.setattr(skops.io, "get_untrusted_types", lambda **_: [])
    rng = np.random.default_rng(3)
    rows, path = rng.normal(size=(80, 4)), tmp_path / "verdict.skops"
    numbers = (
        linear_model.LogisticRegression(), svm.SVC(random_state=0), naive_bayes.GaussianNB(),
        discriminant_analysis.QuadraticDiscriminantAnalysis())
    trees = (  # whose links a changed file can lead out of memory
        tree.DecisionTreeClassifier(random_state=0),
        ensemble.RandomForestClassifier(2, random_state=0),
        ensemble.GradientBoostingClassifier(n_estimators=2, random_state=0),
        ensemble.HistGradientBoostingClassifier(max_iter=2, random_state=0))
    for one in (*numbers, *trees):
        kept = one.fit(rows, rows[:, 0] > 0)
        _dump({"format": 99, "estimators": [kept]}, path)
        with pytest.raises(VerificationError, match="99" if one in numbers else "foreign code"):
            load_verdict(path)
    _dump({"format": 1, "estimators": [argparse.Namespace(x=1)]}, path)
    with pytest.raises(VerificationError, match="foreign code: argparse"):
        load_verdict(path)


def test_damage_is_refused(model: VerdictModel, tmp_path: Path) -> None:
    path = tmp_path / "verdict.skops"
    path.write_bytes(b"not a zip")
    with pytest.raises(VerificationError, match="damaged"):
        load_verdict(path)
    path.unlink()
    _dump({"format": 99}, path)
    with pytest.raises(VerificationError, match="format is 99"):
        load_verdict(path)
    with pytest.raises(NotFoundError, match="no such file"):
        load_verdict(tmp_path / "other.skops")


def entry_in(folder: Path, model: VerdictModel, version: str = "1.0") -> ModelEntry:
    home = folder / f"bench-{version}"
    home.mkdir()
    save_verdict(model, home / "verdict.skops")
    (home / "segmenter.onnx").write_bytes(b"weights")
    return ModelEntry(name="bench", version=version, folder=home, files={},
                      feature_version=FEATURE_VERSION, made="2026-02-11", note='a "note"')


def test_a_listed_model_is_found_and_verified(model: VerdictModel, tmp_path: Path) -> None:
    add_model(entry_in(tmp_path, model))
    listed = list_models(tmp_path)[0]
    assert listed.note == 'a "note"'
    assert listed.files["segmenter.onnx"] == sha256_of(listed.folder / "segmenter.onnx")
    by_name = find_model("bench-1.0", folders=[tmp_path])
    assert by_name.folder == listed.folder
    assert find_model(listed.folder).label == "bench-1.0"
    verify_model(by_name)
    with pytest.raises(ConflictError, match="in the list already"):
        add_model(listed)
    add_model(entry_in(tmp_path, model, "1.1"))
    assert [one.label for one in list_models(tmp_path)] == ["bench-1.0", "bench-1.1"]


def test_one_changed_byte_does_not_load(model: VerdictModel, tmp_path: Path) -> None:
    add_model(entry_in(tmp_path, model))
    path = tmp_path / "bench-1.0" / "segmenter.onnx"
    path.write_bytes(b"weightz")
    with pytest.raises(VerificationError, match=r"segmenter\.onnx: its SHA-256 is"):
        verify_model(find_model(tmp_path / "bench-1.0"))
    path.unlink()
    with pytest.raises(VerificationError, match="missing"):
        verify_model(find_model(tmp_path / "bench-1.0"))


def test_unlisted_models_are_not_used(model: VerdictModel, tmp_path: Path) -> None:
    entry = entry_in(tmp_path, model)
    with pytest.raises(NotFoundError, match="not in the list"):
        find_model(entry.folder)
    with pytest.raises(NotFoundError, match="no model nothing-9"):
        find_model("nothing-9", folders=[tmp_path])
    (tmp_path / "registry.toml").write_text("[[model]\n", encoding="utf-8")
    with pytest.raises(InputError, match="cannot be read"):
        list_models(tmp_path)


def test_a_small_file_that_unpacks_without_end_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "verdict.skops"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as packed:
        packed.writestr("schema.json", "{}")
        for number in range(3):
            packed.writestr(f"{number}.npy", bytes(100_000_000))
    assert path.stat().st_size < 3_000_000
    with pytest.raises(VerificationError, match="it unpacks to 300,000,002 bytes"):
        load_verdict(path)


@given(at=st.integers(0, 4000), flip=st.integers(1, 255))
@settings(max_examples=60)
def test_a_changed_byte_is_a_model_or_a_refusal(
    model: VerdictModel, tmp_path: Path, at: int, flip: int
) -> None:
    path = tmp_path / "whole.skops"
    if not path.exists():
        save_verdict(model, path)
    data = bytearray(path.read_bytes())
    data[at * len(data) // 4001] ^= flip
    changed = tmp_path / "changed.skops"
    changed.write_bytes(data)
    try:
        load_to_judge(changed)
        load_verdict(changed)
    except VerificationError as error:
        told = str(error)
    else:
        return
    assert any(word in told for word in ("damaged", "foreign code", "unpacks", "format"))


@pytest.mark.parametrize("name", ["9" * 400, "a\0b"])
def test_a_list_with_a_name_that_no_file_can_have_is_refused(tmp_path: Path, name: str) -> None:
    entry = ModelEntry(name=name, version="1", folder=tmp_path / f"{name}-1",
                       files={"CARD.md": "0" * 64}, feature_version="f-1", made="2026-01-01")
    with pytest.raises(VerificationError, match="the file is missing"):
        verify_model(entry)


def test_a_list_whose_hash_is_a_number_is_compared_as_text(tmp_path: Path) -> None:
    (tmp_path / "tried-1").mkdir()
    (tmp_path / "tried-1" / "CARD.md").write_bytes(b"card")
    (tmp_path / "registry.toml").write_text(
        '[[model]]\nname = "tried"\nversion = "1"\nfeature_version = "f"\nmade = "x"\n'
        'files = { "CARD.md" = 5 }\n')
    [entry] = list_models(tmp_path)
    with pytest.raises(VerificationError, match=r"expected 5\.\.\. as listed"):
        verify_model(entry)
