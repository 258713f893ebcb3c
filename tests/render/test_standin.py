"""The stand-in renderer: exact, repeatable, wide, and no kin of the main renderer."""

from __future__ import annotations

import ast
import csv
from pathlib import Path

import numpy as np
import pytest

import budvision.render
from budvision.render.standin.cut import FAULTS, draw_lab, render
from budvision.render.standin.folder import main, season_of_cuts
from budvision.render.standin.light import WAVE_NM, draw_lamp, draw_sensor, reflectance, seen
from budvision.render.standin.others import OTHERS, render_other
from budvision.vocabulary import TISSUES, Tissue


def test_same_rng_same_photograph() -> None:
    first = render(np.random.default_rng(3), megapixels=0.5)
    second = render(np.random.default_rng(3), megapixels=0.5)
    assert np.array_equal(first.image, second.image)
    assert np.array_equal(first.labels, second.labels)
    assert first.truth == second.truth


@pytest.mark.slow
@pytest.mark.parametrize("start", range(6))
def test_truth_agrees_with_labels(start: int) -> None:
    cut = render(np.random.default_rng([11, start]), megapixels=0.6)
    assert cut.image.shape == (*cut.labels.shape, 3)
    assert cut.image.dtype == np.uint8
    assert set(np.unique(cut.labels)) <= {0, 1, 2, 3, 4}
    for tissue in TISSUES:
        truth = cut.truth.tissues[tissue]
        assert truth.exposed == bool((cut.labels == tissue.label).any())
        assert (truth.dead is None) == (not truth.exposed)
        if truth.exposed:
            assert truth.area_px == int((cut.labels == tissue.label).sum())
            # what counts is the growing point in the middle
            assert truth.dead == (truth.brown_share > 0.5)
    cols = np.nonzero((cut.labels > 0).any(axis=0))[0]
    assert np.ptp(cols) / cut.labels.shape[1] == pytest.approx(cut.truth.face_share, abs=0.02)


@pytest.mark.slow
def test_asked_for_states_are_given() -> None:
    for start, want in enumerate((True, False)):
        cut = render(np.random.default_rng(start), depth=0.8, megapixels=0.5,
                     dead={Tissue.PRIMARY: want})
        assert cut.truth.tissues[Tissue.PRIMARY].dead is want


@pytest.mark.slow
def test_deeper_cuts_expose_more() -> None:
    """Primary first, then secondary, then tertiary (FACTS 2.3: further cuts for the others)."""
    def exposed(depth: float) -> np.ndarray:
        cuts = [render(np.random.default_rng([5, i]), depth=depth, megapixels=0.3)
                for i in range(5)]
        return np.mean([[cut.truth.tissues[t].exposed for t in TISSUES] for cut in cuts], axis=0)

    shallow, usual, deep = exposed(0.22), exposed(0.5), exposed(0.9)
    assert (shallow <= usual).all()
    assert (usual <= deep).all()
    assert shallow[0] > shallow[1]
    assert deep[2] >= 0.6


@pytest.mark.slow
def test_secondary_lies_towards_the_cane_base() -> None:
    """FACTS 2.3: secondary towards the cane base, tertiary on the other side."""
    seen_both = 0
    for i in range(10):
        cut = render(np.random.default_rng([7, i]), depth=0.85, megapixels=0.3)
        t = cut.truth.tissues
        if not (t[Tissue.SECONDARY].centre and t[Tissue.PRIMARY].centre):
            continue
        seen_both += 1
        angle = np.radians(cut.truth.cane_base_deg)
        row, col = np.subtract(t[Tissue.SECONDARY].centre, t[Tissue.PRIMARY].centre)
        assert col * np.cos(angle) + row * np.sin(angle) > 0
    assert seen_both >= 6


@pytest.mark.slow
@pytest.mark.parametrize("fault", FAULTS)
def test_faults_make_photographs_unusable(fault: str) -> None:
    cut = render(np.random.default_rng(1), fault=fault, megapixels=0.5)
    assert not cut.truth.usable
    assert cut.truth.fault == fault
    level = cut.image.mean()
    if fault == "dark":
        assert level < 30
    if fault == "blown":
        assert level > 215
    if fault in ("too_shallow", "too_deep"):
        assert not any(t.exposed for t in cut.truth.tissues.values())


def test_unknown_fault_is_refused() -> None:
    with pytest.raises(ValueError, match="expected one of blurred"):
        render(np.random.default_rng(1), fault="sad")


@pytest.mark.slow
@pytest.mark.parametrize("kind", OTHERS)
def test_other_pictures_show_no_face(kind: str) -> None:
    cut = render_other(np.random.default_rng(2), kind=kind, megapixels=0.3)
    assert not cut.labels.any()
    assert not cut.truth.usable
    assert cut.truth.fault == kind


@pytest.mark.slow
def test_live_is_greener_than_dead_in_one_picture() -> None:
    """FACTS 2.4: live is green, dead brown; within one picture green minus red tells them apart."""
    gap = []
    for i in range(8):
        cut = render(np.random.default_rng([9, i]), depth=0.8, megapixels=0.4,
                     dead={Tissue.PRIMARY: False, Tissue.SECONDARY: True})
        picture = cut.image.astype(float)
        green = picture[..., 1] - picture[..., 0]
        if (cut.labels == 2).any():
            gap.append(np.median(green[cut.labels == 1]) - np.median(green[cut.labels == 2]))
    assert len(gap) >= 5
    assert min(gap) > 0


def test_mixing_follows_two_flux_theory() -> None:
    """Kubelka and Munk 1931: (1 - R)^2 / (2 R) is the absorption over the scatter."""
    curve = reflectance({}, clear=0.3)
    assert (1 - curve) ** 2 / (2 * curve) == pytest.approx(np.full_like(WAVE_NM, 0.3))


def test_matrix_keeps_white_white() -> None:
    rng = np.random.default_rng(4)
    sensor, lamp = draw_sensor(rng), draw_lamp(rng)
    white = seen(np.ones_like(WAVE_NM), lamp, sensor)
    assert white[1] == pytest.approx(1.0)
    assert sensor.matrix @ np.ones(3) == pytest.approx(np.ones(3))


@pytest.mark.slow
def test_canes_of_a_lab_share_a_cultivar() -> None:
    rng = np.random.default_rng(8)
    lab = draw_lab(rng)
    photos = list(season_of_cuts(rng, n=8, labs=[lab], per_cane=4, megapixels=(0.3, 0.3)))
    for cane in (1, 2):
        assert len({p.block for p in photos if p.cane == cane}) == 1
    assert [p.node for p in photos] == [1, 2, 3, 4, 1, 2, 3, 4]


@pytest.mark.slow
def test_command_writes_photographs_and_truth(tmp_path: Path) -> None:
    main(["--n", "2", "--out", str(tmp_path), "--rng", "5"])
    with (tmp_path / "truth.csv").open() as file:
        truth = list(csv.DictReader(file))
    with (tmp_path / "manifest.csv").open() as file:
        manifest = list(csv.DictReader(file))
    assert [r["file"] for r in truth] == [r["file"] for r in manifest]
    for row in manifest:
        assert (tmp_path / row["file"]).read_bytes()[:2] == b"\xff\xd8"
        assert (tmp_path / f"{Path(row['file']).stem}_labels.png").exists()


def test_no_kin_of_the_main_renderer() -> None:
    """Independence is its worth: it imports nothing else of the render room."""
    folder = Path(budvision.render.__file__).parent
    for path in (folder / "standin").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith(
                    "budvision.render"):
                assert (node.module or "").startswith("budvision.render.standin"), path.name
