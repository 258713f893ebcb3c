"""The face for scripts and notebooks: examples run, results are frames and pictures."""

from __future__ import annotations

import doctest
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest

import budvision
from budvision import scripts
from budvision.errors import MissingLibraryError, SeasonError
from budvision.settings import samples_folder
from budvision.store.queries import blocks, calls, canes, people
from budvision.store.session import Season
from budvision.vocabulary import CallValue, Tissue

PHOTO = samples_folder() / "apricot_c1_n3_k1.jpg"


@pytest.mark.parametrize("test", [
    test for test in doctest.DocTestFinder().find(scripts) if test.examples
], ids=lambda test: test.name)
def test_the_examples_give_what_they_show(test: doctest.DocTest) -> None:
    failed, tried = doctest.DocTestRunner().run(test)
    assert tried
    assert not failed


def test_every_name_has_an_example() -> None:
    shown = {test.name.rpartition(".")[2] for test in doctest.DocTestFinder().find(scripts)
             if test.examples}
    assert {name for name in budvision.__all__ if name != "__version__"} <= shown


def test_importing_budvision_loads_nothing_heavy() -> None:
    code = ("import sys, budvision; assert budvision.__version__; "
            "print([m for m in ('numpy', 'cv2', 'sqlalchemy', 'pandas') if m in sys.modules])")
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_a_name_that_is_not_there_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'proposal'"):
        _ = budvision.proposal
    assert {"propose", "tally", "open_season", "render_bud"} <= set(dir(budvision))


def test_types_are_told_to_checkers() -> None:
    assert (Path(budvision.__file__).parent / "py.typed").is_file()


def test_a_proposal_is_a_frame_and_a_picture() -> None:
    seen = budvision.propose(PHOTO, cane_base="left")
    frame = seen.to_frame()
    assert list(frame["tissue"]) == ["primary", "secondary", "tertiary"]
    assert list(frame["exposed"]) == [True, True, False]
    assert frame["p_dead"].notna().tolist() == [True, True, False]
    picture = cv2.imdecode(np.frombuffer(seen._repr_png_(), np.uint8), cv2.IMREAD_COLOR)
    plain = cv2.resize(cv2.imread(str(PHOTO)), picture.shape[1::-1])
    assert max(picture.shape) <= 900
    assert np.abs(picture.astype(int) - plain).max() > 60, "outlines are drawn"
    assert seen.as_dict()["tissues"]["tertiary"] == {"exposed": False}


def test_a_refused_photograph_has_reasons_and_an_empty_frame() -> None:
    night = cv2.imencode(".png", np.zeros((700, 900, 3), np.uint8))[1].tobytes()
    seen = budvision.propose(night)
    assert not seen.proposal.found
    assert seen.proposal.reasons[0].text
    assert seen.to_frame().empty
    assert seen._repr_png_().startswith(b"\x89PNG")


def test_a_table_and_a_frame_give_one_answer() -> None:
    path = samples_folder() / "calls.csv"
    of_file = budvision.tally(path, normal_nodes=40)
    of_frame = budvision.tally(pd.read_csv(path), normal_nodes=40)
    assert of_file.as_dict() == of_frame.as_dict()
    frame = of_file.to_frame().query("block == 'Apricot Terrace'").set_index("tissue")
    primary = of_file.blocks[0].tissues[Tissue.PRIMARY]
    assert frame.loc["primary", "mortality"] == primary.mortality
    assert frame.loc["primary", "n_dead"] == primary.n_dead
    page = of_file._repr_html_()
    assert "<td>Apricot Terrace</td>" in page
    assert f"{100 * primary.mortality:.1f} %" in page
    wider = budvision.tally(path, confidence=0.99).blocks[0].tissues[Tissue.PRIMARY]
    assert wider.low < primary.low


def test_names_are_escaped_for_the_notebook(tmp_path: Path) -> None:
    table = tmp_path / "t.csv"
    table.write_text("block,cane,node,primary,secondary,tertiary\n<b>,1,1,dead,live,live\n")
    assert "<td>&lt;b&gt;</td>" in budvision.tally(table)._repr_html_()


def test_a_season_gives_its_calls_and_answers(tmp_path: Path) -> None:
    with Season.create(tmp_path / "winter") as made, made.write() as conn:
        visit = blocks.ensure_sampling(conn, blocks.ensure_block(conn, "Creek"), "feb")
        who = people.ensure_person(conn, "Ada Quill").id
        for node, value in enumerate((CallValue.DEAD, CallValue.LIVE, CallValue.LIVE), 1):
            bud = canes.ensure_bud(conn, canes.ensure_cane(conn, visit, "1"), node)
            calls.save_calls(conn, bud, {Tissue.PRIMARY: value}, person_id=who)
    with budvision.open_season(tmp_path / "winter") as season:
        frame = season.calls().to_frame()
        answers = season.answers()
    assert frame["primary"].tolist() == ["dead", "live", "live"]
    assert frame["secondary"].tolist() == ["", "", ""]
    assert answers.blocks[0].tissues[Tissue.PRIMARY].mortality == pytest.approx(1 / 3)
    again = budvision.tally(frame)
    assert again.blocks[0].tissues[Tissue.PRIMARY] == answers.blocks[0].tissues[Tissue.PRIMARY]
    with pytest.raises(SeasonError, match="nowhere"):
        budvision.open_season(tmp_path / "nowhere")


def test_without_pandas_the_error_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(MissingLibraryError, match="pip install pandas"):
        scripts.Calls(()).to_frame()


def test_a_rendered_bud_is_as_it_was_asked_for() -> None:
    cut = budvision.render_bud(np.random.default_rng(5), dead=(True, True, True), size_px=160)
    assert all(cut.truth.dead.values())
    assert cut.truth.usable
    shown = cv2.imdecode(np.frombuffer(cut._repr_png_(), np.uint8), cv2.IMREAD_COLOR)
    assert np.array_equal(shown[..., ::-1], cut.image)


def test_readme_shows_it_and_what_it_shows_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every line of README's example is run; the season is one whose lessons are drawn."""
    text = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    (code,) = [part.split("```")[0] for part in text.split("```python\n")[1:]]
    assert len(code.strip().splitlines()) <= 12
    (tmp_path / "cut.jpg").write_bytes(PHOTO.read_bytes())
    (tmp_path / "calls.csv").write_bytes((samples_folder() / "calls.csv").read_bytes())
    Season.create(tmp_path / "winter").close()
    rng = np.random.default_rng(2)
    dead = rng.random(60) < 0.5
    features = rng.normal(size=(60, 3)) + 2 * dead[:, None]
    drawn = scripts.Lessons(
        features, dead, np.arange(60) // 6, np.full(60, "primary"), ("a", "b", "c"))
    kept: list[str] = []
    monkeypatch.setattr(scripts.OpenSeason, "lessons", lambda self: drawn)
    monkeypatch.setattr(scripts.OpenSeason, "keep_estimator",
                        lambda self, estimator, *, name: kept.append(name))
    monkeypatch.chdir(tmp_path)
    exec(code, {})
    assert kept == ["line"]
