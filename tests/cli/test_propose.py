"""`budvision propose` and `budvision models` as a script and as a person run them."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from budvision.cli.main import run
from budvision.render.cut import render_cut
from budvision.render.world import sample_world


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two rendered cuts, a text named as a photograph and an empty file."""
    folder = tmp_path_factory.mktemp("photos")
    for number in range(2):
        rng = np.random.default_rng(2_400_000_100 + number)
        world = replace(sample_world(rng, depths=("full",), fault=""), face_share=0.5,
                        exposure_stops=0.0)
        cut = render_cut(rng, world=world, size_px=700, aspect=0.75)
        cv2.imwrite(str(folder / f"cut_{number}.jpg"), cut.image[..., ::-1])
    (folder / "notes.jpg").write_text("cane 3, node 5\n" * 20, encoding="utf-8")
    (folder / "nothing.png").write_bytes(b"")
    return folder


@pytest.fixture
def budvision(monkeypatch: pytest.MonkeyPatch, capsys: Any, tmp_path: Path) -> Any:
    """Run the command line in an empty folder; return exit code, stdout, stderr."""
    monkeypatch.chdir(tmp_path)

    def call(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.argv", ["budvision", *map(str, words)])
        code = 0
        try:
            run()
        except SystemExit as end:
            code = int(end.code or 0)
        out = capsys.readouterr()
        return code, out.out, out.err

    return call


@pytest.mark.slow
def test_one_line_a_photo_in_order(budvision: Any, photos: Path) -> None:
    given = [photos / "cut_1.jpg", photos / "notes.jpg", photos / "cut_0.jpg"]
    code, out, err = budvision("propose", *given, "--jsonl")
    lines = [json.loads(line) for line in out.splitlines()]
    assert [line["file"] for line in lines] == ["cut_1.jpg", "notes.jpg", "cut_0.jpg"]
    assert [line["found"] for line in lines] == [True, False, True]
    assert lines[1]["reasons"][0]["code"] == "not_an_image"
    assert lines[1]["tissues"] == {}
    assert "notes.jpg" in err
    assert code == 3


def test_a_judged_photograph_is_no_bad_input(budvision: Any, photos: Path, tmp_path: Path) -> None:
    """A readable photograph that is refused is an answer, not a failure."""
    cv2.imwrite(str(tmp_path / "bench.png"), np.full((700, 900, 3), 120, np.uint8))
    code, out, _ = budvision("propose", "bench.png", photos / "cut_0.jpg", "--jsonl")
    assert code == 0
    assert [json.loads(line)["found"] for line in out.splitlines()] == [False, True]


def test_masks_lie_at_full_size_and_nothing_is_overwritten(
    budvision: Any, photos: Path, tmp_path: Path
) -> None:
    other = tmp_path / "again"
    other.mkdir()
    (other / "cut_0.jpg").write_bytes((photos / "cut_0.jpg").read_bytes())
    code, out, err = budvision(
        "propose", photos / "cut_0.jpg", other / "cut_0.jpg", "--jsonl", "--masks", "masks"
    )
    assert len(out.splitlines()) == 2
    assert code == 3
    assert "same name" in err
    mask = cv2.imread(str(tmp_path / "masks" / "cut_0.png"), cv2.IMREAD_UNCHANGED)
    assert mask.shape == (525, 700)
    assert {1, 4} <= set(np.unique(mask)) <= {0, 1, 2, 3, 4}
    before = (tmp_path / "masks" / "cut_0.png").read_bytes()
    code, _, err = budvision("propose", photos / "cut_0.jpg", "--jsonl", "--masks", "masks")
    assert code == 3
    assert "exists already" in err
    assert (tmp_path / "masks" / "cut_0.png").read_bytes() == before
    assert [path.name for path in (tmp_path / "masks").iterdir()] == ["cut_0.png"]


@pytest.mark.slow
def test_two_processes_say_what_one_says(budvision: Any, photos: Path) -> None:
    one = budvision("propose", photos, "--jsonl", "--workers", 1)
    two = budvision("propose", photos, "--jsonl", "--workers", 2)
    assert one[1] == two[1]
    assert one[0] == two[0] == 3
    assert len(one[1].splitlines()) == 4


def test_the_table_is_for_people(budvision: Any, photos: Path) -> None:
    code, out, _ = budvision("propose", photos / "cut_0.jpg")
    assert code == 0
    assert "primary" in out
    assert "until a person has confirmed it" in " ".join(out.split())


def test_what_cannot_be_named(budvision: Any, photos: Path, tmp_path: Path) -> None:
    code, _, err = budvision("propose", "nowhere.jpg")
    assert code == 3
    assert "nowhere.jpg: there is no such file" in err
    code, _, err = budvision("propose", photos / "cut_0.jpg", "--model", "sofa-9")
    assert code == 3
    assert "bench-1.0" in err
    code, _, err = budvision("propose", photos / "cut_0.jpg", "--cane-base", "down")
    assert code == 3
    assert "expected right, bottom, left, top or unknown" in err
    (tmp_path / "empty").mkdir()
    code, _, err = budvision("propose", "empty")
    assert code == 4
    assert "no photograph" in err


def test_models_are_listed_shown_and_verified(budvision: Any) -> None:
    code, out, _ = budvision("models", "list", "--json")
    models = json.loads(out)["models"]
    assert code == 0
    assert [one["model"] for one in models if one["default"]] == ["staged-2.0"]
    code, out, _ = budvision("models", "verify", "--json")
    assert code == 0
    assert "bench-1.0" in json.loads(out)["models"]
    code, out, _ = budvision("models", "show")
    assert code == 0
    assert "has not been measured on photographs of real cut buds" in out


def test_a_changed_file_fails_verification(budvision: Any, tmp_path: Path) -> None:
    import shutil

    from budvision.settings import models_folder

    shutil.copytree(models_folder(), tmp_path / "models")
    card = tmp_path / "models" / "bench-1.0" / "CARD.md"
    card.chmod(0o644)
    card.write_text(card.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    code, _, err = budvision("models", "verify", "models/bench-1.0")
    assert code == 5
    assert "CARD.md: its SHA-256 is" in err


def test_the_table_has_a_row_a_tissue_and_one_for_each_refusal(
    budvision: Any, photos: Path, tmp_path: Path
) -> None:
    table = tmp_path / "seen.csv"
    given = [photos / "cut_1.jpg", photos / "notes.jpg"]
    assert budvision("propose", *given, "--table", table, "--jsonl")[0] == 3
    with table.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["found"], row["tissue"]) for row in rows] == [
        ("yes", "primary"), ("yes", "secondary"), ("yes", "tertiary"), ("no", "")]
    assert {row["verdict"] for row in rows[:3]} <= {"live", "dead", "unsure", ""}
    assert "not a picture" in rows[3]["reasons"]
    code, _, err = budvision("propose", *given, "--table", table)
    assert (code, "the file exists already" in err) == (2, True)
