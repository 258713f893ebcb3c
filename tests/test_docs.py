"""The documents hold what they promise: commands, settings, exit codes, links, room sizes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import typer.main

from budvision.cli.main import CLOSED_PIPE
from budvision.settings import SETTINGS

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def _commands() -> Iterator[str]:
    from budvision.cli.main import app

    def walk(command: object, path: str) -> Iterator[str]:
        inner = getattr(command, "commands", None)
        if inner:
            for name, child in inner.items():
                yield from walk(child, f"{path} {name}")
        else:
            yield path

    yield from walk(typer.main.get_command(app), "budvision")


@pytest.mark.parametrize("command", sorted(_commands()))
def test_every_command_stands_in_readme(command: str) -> None:
    assert re.search(rf"`?{re.escape(command)}\b", README), f"README does not show `{command}`"


@pytest.mark.parametrize("name", [row.name for row in SETTINGS])
def test_every_setting_stands_in_readme(name: str) -> None:
    assert f"`{name}`" in README


@pytest.mark.parametrize("code", [*range(7), CLOSED_PIPE])
def test_every_exit_code_stands_in_readme(code: int) -> None:
    assert re.search(rf"^\| {code} \| ", README, re.M)


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "models/MODELS.md",
                                  "sample_images/README.md"])
def test_links_lead_somewhere(name: str) -> None:
    page = ROOT / name
    text = page.read_text(encoding="utf-8")
    missing = [
        target for target in re.findall(r"\]\(([^)#]+?)(?:#[^)]*)?\)", text)
        if "://" not in target and not (page.parent / target).exists()
    ]
    assert not missing


def test_budvision_is_found_before_it_is_called_by_its_name() -> None:
    """What a newcomer types first works: the path is set before `budvision` stands alone."""
    assert README.index("export PATH=~/budvision/bin") < README.index("\nbudvision init")
    assert README.index("## Try it") < README.index("## Install it to keep") < README.index(
        "## Five minutes with it") < README.index("## Commands")
    assert README.index("<!-- test command -->") > README.index("## For contributors")


def test_a_pattern_stands_beside_a_name_that_it_reads() -> None:
    from budvision.workflow.intake.manifest import DEFAULT_PATTERN, Found, from_names

    (pattern, name), (other, own) = (
        re.search(rf"{what} ?`?(<block>[^`\"]+)[`\"].*?`(Creek[^`]+)`", README).groups()
        for what in ("pattern", '--pattern "'))
    assert pattern == DEFAULT_PATTERN
    for text, file, cut in ((pattern, name, 2), (other, own, 1)):
        placed, wrong = from_names(Found((Path(file),), (), 0), text)
        assert not wrong
        assert [(one.block, one.cane, one.node, one.cut) for one in placed] == [
            ("Creek", "7", 4, cut)]


def test_the_map_names_what_is_there() -> None:
    """Each `module.py: name` of DEVELOPERS.md is there: a map that is wrong is worse than none."""
    named = re.findall(r"((?:[a-z_]+/)*[a-z_]+\.py): (\w+)",
                       (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    assert len(named) > 25
    gone = [
        f"{module}: {name}" for module, name in named
        if not (path := ROOT / "budvision" / module).is_file()
        or not re.search(rf"^(def|class) {name}\b|^{name}\b.*=", path.read_text("utf-8"), re.M)
    ]
    assert not gone


def test_every_defence_names_tests_that_there_are() -> None:
    """Each line of the threat model says which test would fail if it were no longer true."""
    page = (ROOT / "budvision/store/THREATS.md").read_text(encoding="utf-8")
    told = "\n".join(path.read_text(encoding="utf-8") for path in (ROOT / "tests").rglob("*.py"))
    lines = [line for line in page.splitlines() if line.startswith("| ")][2:]
    assert len(lines) >= 10
    for line in lines:
        named = re.findall(r"`(test_\w+)`", line.rsplit("|", 2)[1])
        assert named, line
        assert not [name for name in named if f"def {name}(" not in told], line


def test_modules_are_short() -> None:
    long = {
        str(path.relative_to(ROOT)): n
        for path in (ROOT / "budvision").rglob("*.py")
        if (n := len(path.read_text(encoding="utf-8").splitlines())) > 400
    }
    assert not long


def test_top_level_holds_only_what_the_design_allows() -> None:
    import subprocess

    names = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.splitlines()
    top = {name.split("/")[0] for name in names}
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", "budvision", "models",
               "sample_images", "tests"}
    assert {name for name in top if not name.startswith(".")} <= allowed


def test_help_imports_nothing_heavy() -> None:
    import subprocess
    import sys

    code = (
        "import sys, budvision.cli.main; "
        "print([m for m in ('cv2', 'numpy', 'scipy', 'sklearn', 'skimage', 'sqlalchemy', 'flask', "
        "'matplotlib', 'torch', 'PIL') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"
