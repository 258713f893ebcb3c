"""What `--help` says: every command shows an example of itself that its options can read."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator

import click
import pytest
from typer.main import get_command
from typer.testing import CliRunner

from budvision.cli.main import CLOSED_PIPE, app

ROOT = get_command(app)


def _commands(command: click.Command, path: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    for name, inner in getattr(command, "commands", {}).items():
        yield from _commands(inner, (*path, name))
    if not hasattr(command, "commands"):
        yield path


def _groups(command: click.Command, path: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    for name, inner in getattr(command, "commands", {}).items():
        if hasattr(inner, "commands"):
            yield (*path, name)


@pytest.mark.parametrize("path", list(_commands(ROOT, ())), ids=" ".join)
def test_every_command_shows_an_example_that_parses(path: tuple[str, ...]) -> None:
    command = ROOT
    for name in path:
        command = command.commands[name]
    found = re.findall(r"Example: (budvision .+?)(?:\n\n|$)", command.help or "", re.DOTALL)
    assert found, "its docstring has no line `Example: budvision ...`"
    for line in found:
        words = shlex.split(line)
        assert words[:len(path) + 1] == ["budvision", *path]
        context = click.Context(command, info_name=path[-1])
        given, rest, _ = command.make_parser(context).parse_args(words[len(path) + 1:])
        assert not rest, f"too many arguments in {line!r}"
        lacking = [one.name for one in command.params
                   if one.required and given.get(one.name) in (None, ())]
        assert not lacking, f"{line!r} lacks {lacking}"


@pytest.mark.parametrize("path", [(), *_groups(ROOT, ()), *_commands(ROOT, ())], ids=" ".join)
def test_help_at_eighty_columns_is_whole_and_its_example_can_be_copied(
    path: tuple[str, ...]
) -> None:
    command = ROOT
    for name in path:
        command = command.commands[name]
    text = CliRunner().invoke(app, [*path, "--help"], env={"COLUMNS": "80"}).stdout
    assert max(map(len, text.splitlines())) <= 80
    cut_or_code = r"<str>|<int|<float|list\[|\w\.\.\.$"
    below = re.sub(r"\A\s*Usage: .*", "", text)  # there, dots mean several
    assert not re.search(cut_or_code, below, re.MULTILINE)
    for line in re.findall(r"Example: (budvision .+?)(?:\n\n|$)", command.help or "", re.DOTALL):
        shown = re.search(r"Example: (.+?)\n\n", text, re.DOTALL)
        assert shown is not None
        assert shlex.split(shown[1].replace("\\\n", "")) == shlex.split(line)


def test_the_shell_can_complete_commands() -> None:
    names = {option for one in ROOT.params for option in one.opts}
    assert {"--install-completion", "--show-completion"} <= names


@pytest.mark.slow
@pytest.mark.parametrize(("typed", "offered"), [
    ("budvision mo", {"models", "move"}), ("budvision block to", {"top-up"}),
    ("budvision plan --bl", {"--block"}),
])
def test_tab_completes_commands_and_options(typed: str, offered: set[str]) -> None:
    asked = os.environ | {"_BUDVISION_COMPLETE": "complete_bash", "COMP_WORDS": typed,
                          "COMP_CWORD": str(len(typed.split()) - 1)}
    told = subprocess.run(
        [sys.executable, "-c", "import sys; from budvision.cli.main import run; "
         "sys.argv = ['budvision']; run()"],
        env=asked, check=True, capture_output=True, text=True).stdout
    assert set(told.split()) == offered


def test_the_first_page_of_help_is_whole_though_it_reads_no_options() -> None:
    quick = subprocess.run([sys.executable, "-m", "budvision.cli.main", "--help"], check=True,
                           capture_output=True, text=True).stdout
    whole = CliRunner().invoke(app, ["--help"]).stdout

    def begun(text: str) -> list[str]:  # how wide a line is differs
        return re.findall(r"^  (\S+ +\S+ \S+)", text.split("Options:")[1], re.MULTILINE)

    assert begun(quick) == begun(whole)
    assert len(begun(quick)) > 30


@pytest.mark.parametrize("words", [["--help"], ["models", "list", "--json"]], ids=" ".join)
def test_output_that_nobody_reads_on_is_no_bug(words: list[str]) -> None:
    """README keeps 1 for bugs; whoever pipes into `head` has found none, nor seen it done."""
    read, write = os.pipe()
    os.close(read)
    ended = subprocess.run(
        [sys.executable, "-c", "from budvision.cli.main import run; run()", *words],
        stdout=write, stderr=subprocess.PIPE, text=True, check=False)
    os.close(write)
    assert (ended.returncode, ended.stderr) == (CLOSED_PIPE, "")
