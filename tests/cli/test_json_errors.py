"""With --json every command answers a wrong input with one JSON object and the documented code."""

from __future__ import annotations

import json
import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command
from typer.testing import CliRunner

from budvision.cli.main import app
from budvision.errors import BudvisionError

ROOT: Any = get_command(app)
KEYS = {"ok", "code", "where", "what", "expected", "do"}
WRONG = {  # commands whose example works in an empty folder
    "plan": "plan --rows 0",
    "init": "init file.txt",
    "demo": "demo file.txt --no-serve",
    "models list": "models list nothing",
    "models verify": "models verify none-1.0",
    "models evaluate": "models evaluate none-1.0",
    "models winters": "models winters --winters 1 --wrong 2",
    "advise nodes": "advise nodes --dead 9 --judged 4",
    "advise normal": "advise normal --vine-type oak",
    "crop shoots": "crop shoots --nodes 54 --alive 80",
    "crop expect": "crop expect --nodes 54 --crop-share 7 --clusters-a-shoot 1.8 "
                   "--cluster-weight 120g --row 2.7m --vine 1.2m",
    "crop estimate": "crop estimate --clusters x --cluster-weight 120g --row 2.7m --vine 1.2m",
    "crop thin": "crop thin --target 8 --clusters 40 --cluster-weight 120g --row 9ft --vine 6ft",
    "crop balance": "crop balance --prunings 3",
}


def _walk(command: Any, path: tuple[str, ...]) -> Iterator[tuple[str, Any]]:
    for name, inner in getattr(command, "commands", {}).items():
        yield from _walk(inner, (*path, name))
    if any("--json" in one.opts for one in command.params):
        yield " ".join(path), command


COMMANDS = dict(_walk(ROOT, ()))


def _refused(line: str) -> tuple[int, dict[str, object], str]:
    done = CliRunner().invoke(app, [*shlex.split(line), "--json"])
    code = (done.exception.exit_code if isinstance(done.exception, BudvisionError)
            else done.exit_code)
    return code, json.loads(done.stdout), done.stderr


@pytest.mark.parametrize("path", COMMANDS)
def test_a_wrong_input_gives_one_object_and_its_code(
    path: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "file.txt").write_text("not a season")
    [example] = re.findall(r"Example: budvision (.+?)(?:\n\n|$)", COMMANDS[path].help, re.DOTALL)
    code, told, _ = _refused(WRONG.get(path, example.replace(" --json", "")))
    assert code in (2, 3, 5)
    assert set(told) == KEYS
    assert told["ok"] is False
    assert all(told[key] for key in ("code", "where", "what"))
    assert told["expected"] or told["do"]


@pytest.mark.parametrize("path", COMMANDS)
def test_a_wrong_option_is_told_in_the_same_form(path: str) -> None:
    code, told, talk = _refused(f"{path} --no-such-option")
    assert (code, told["code"], told["where"]) == (2, "usage", f"{ROOT.name} {path}")
    assert "--no-such-option" in str(told["what"])
    assert "--no-such-option" in talk


def test_a_defect_is_told_as_one_too(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise IndexError("planted")

    monkeypatch.setattr("budvision.workflow.answers.tally.tally_file", fail)
    code, told, _ = _refused("tally calls.csv")
    assert (code, told["code"], told["what"]) == (1, "unexpected", "unexpected IndexError: planted")
