"""Which bud and cut each photograph shows: from a manifest, or from file names of a stated pattern.

A manifest is a table with the columns ``file,block,cane,node,cut``; optionally ``vine``,
``vigor``, ``zone`` and ``cultivar``. A pattern is a file name with ``<block>``, ``<cane>``,
``<node>`` and ``<cut>`` in it, for example ``<block>_<cane>_n<node>_c<cut>``. Nothing is guessed: a
file that neither names is reported and left.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from budvision.errors import BudvisionError, InputError, NotFoundError
from budvision.language import plain_count
from budvision.tables import Row, Spellings, read_table, whole

__all__ = [
    "COLUMNS", "DEFAULT_PATTERN", "IMAGE_SUFFIXES", "Found", "Placed", "find_photos",
    "from_manifest", "from_names", "without_clashes",
]

DEFAULT_PATTERN = "<block>_<cane>_n<node>_c<cut>"
IMAGE_SUFFIXES = frozenset({
    ".jpg", ".jpeg", ".jpe", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", ".bmp",
})
"""Endings by which photographs are picked out of a folder; their content is judged later."""

_REQUIRED = ("file", "block", "cane", "node", "cut")
_OPTIONAL = ("vine", "vigor", "zone", "cultivar")
COLUMNS = (*_REQUIRED, *_OPTIONAL)
"""Columns of a manifest; the first five must be there."""
_LIMITS = {"node": 200, "cut": 50}


@dataclass(frozen=True, slots=True)
class Found:
    """Files to look at.

    `named` are those named one by one, not found in a folder; `n_others` counts files of the
    folders that are no photographs by name.
    """

    files: tuple[Path, ...]
    folders: tuple[Path, ...]
    n_others: int
    named: frozenset[Path] = frozenset()

    def by_name(self) -> dict[str, list[Path]]:
        """Return the files by their name without folder."""
        names: dict[str, list[Path]] = {}
        for file in self.files:
            names.setdefault(file.name, []).append(file)
        return names


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """One photograph and the bud and cut that it is said to show."""

    file: Path
    where: str
    block: str
    cane: str
    node: int
    cut: int
    vine: str = ""
    vigor: str = ""
    zone: str = ""
    cultivar: str = ""
    source: str = "manifest"

    @property
    def bud(self) -> tuple[str, str, str, int]:
        """Block, vine, cane and node."""
        return (self.block, self.vine, self.cane, self.node)

    @property
    def words(self) -> str:
        """The place in words."""
        return f"block {self.block}, cane {self.cane}, node {self.node}, cut {self.cut}"


def find_photos(sources: Iterable[Path]) -> Found:
    """Return the files named, and the photographs in the folders named, in order of name.

    Raises
    ------
    NotFoundError
        When a file or folder does not exist.
    """
    files: dict[Path, None] = {}
    folders: list[Path] = []
    named: set[Path] = set()
    n_others = 0
    for source in sources:
        if source.is_dir():
            folders.append(source)
            for path in sorted(source.rglob("*")):
                hidden = any(part.startswith(".") for part in path.relative_to(source).parts)
                if hidden or not path.is_file():
                    continue
                if path.suffix.lower() in IMAGE_SUFFIXES:
                    files[path] = None
                else:
                    n_others += 1
        elif source.is_file():
            files[source] = None
            named.add(source.resolve())
        else:
            raise NotFoundError("there is no such file or folder", where=str(source),
                                expected="a photograph or a folder of photographs",
                                do="Check the path; nothing was taken in.", code="no_file")
    once = {file.resolve(): file for file in reversed(files)}  # one file by two ways is one
    return Found(tuple(reversed(once.values())), tuple(folders), n_others, frozenset(named))


# ---- manifest --------------------------------------------------------------------------------


def from_manifest(
    manifest: Path, found: Found, columns: Mapping[str, str] | None = None
) -> tuple[list[Placed], list[BudvisionError], list[Path]]:
    """Read a manifest and find the files it names.

    A file is looked for among the files and folders given, then beside the manifest. Rows that
    cannot be used are returned as errors that name their row; the others are kept. Photographs of
    a folder that no row names (pictures of tags, of the bench) come last, to be told of; a file
    that was named itself and has no row is an error. `columns` says which column is what, as
    `chosen` of `budvision.tables.read_table` does.

    Raises
    ------
    NotFoundError
        When there is no such manifest.
    InputError
        When it is empty, is no table, or lacks or has unknown columns; nothing is kept then.
    NothingToDoError
        When it has a header and no row.
    """
    if not manifest.is_file():
        raise NotFoundError("there is no such manifest", where=str(manifest), code="no_file",
                            expected=f"a table with the columns {','.join(_REQUIRED)}",
                            do="Check the path.")
    table = read_table(manifest, needed=_REQUIRED, optional=_OPTIONAL, others=False,
                       row_of="a photograph", do="Correct the first row; nothing was taken in.",
                       chosen=columns)
    search = _Search(found, manifest)
    placed: list[Placed] = []
    wrong: list[BudvisionError] = []
    for row in table.rows:
        try:
            placed.append(_row(row, search))
        except BudvisionError as error:
            wrong.append(error)
    placed, clashes = without_clashes(placed)
    wrong += clashes
    named = {file.resolve() for row in table.rows for file in search.candidates(row.cells["file"])}
    listed = {one.file.resolve() for one in placed} | named
    unlisted = [file for file in found.files if file.resolve() not in listed]
    wrong += [
        InputError("the manifest has no row for it", where=file.name, code="not_in_manifest",
                   expected=f"a row in {manifest.name}", do="Add its row and run intake again.")
        for file in unlisted if file.resolve() in found.named
    ]
    return placed, wrong, [file for file in unlisted if file.resolve() not in found.named]


def _row(row: Row, search: _Search) -> Placed:
    again, where, value = "Correct the row and run intake again.", row.where, row.cells
    if row.trouble is not None:
        raise InputError(row.trouble.what, where=where, expected=row.trouble.expected, do=again,
                         code="bad_row")
    for name in ("file", "block", "cane"):
        if not value[name]:
            raise InputError(f"{name} is empty", where=where, expected=f"the {name}'s name",
                             do=again, code="bad_row")
    vigor = value.get("vigor", "").lower()
    if vigor not in ("", "small", "medium", "large"):
        raise InputError(f"vigor is {value['vigor']!r}", where=where, do=again, code="bad_row",
                         expected="small, medium, large or empty")
    return Placed(
        file=search.file(value["file"], where), where=where, block=value["block"],
        cane=value["cane"], node=_number("node", value["node"], where, again),
        cut=_number("cut", value["cut"], where, again), vine=value.get("vine", ""),
        vigor=vigor, zone=value.get("zone", ""), cultivar=value.get("cultivar", ""),
    )


def _number(name: str, text: str, where: str, do: str) -> int:
    most, value = _LIMITS[name], whole(text)
    if value is None or not 1 <= value <= most:
        raise InputError(f"{name} is {text!r}", where=where, expected=f"a whole number, 1 to "
                         f"{most}", do=do, code="bad_row")
    return value


class _Search:
    """Finds the file that a manifest's word means."""

    def __init__(self, found: Found, manifest: Path) -> None:
        self._names = found.by_name()
        self._folders = (*found.folders, manifest.parent)

    def candidates(self, text: str) -> list[Path]:
        """Return the files that a word can mean, each once."""
        wanted = Path(text.replace("\\", "/"))
        if not wanted.name:
            return []
        same = self._names.get(wanted.name, [])
        if len(wanted.parts) > 1:
            same = [f for f in same if f.parts[-len(wanted.parts):] == wanted.parts]
        if not same:
            same = [f / wanted for f in self._folders
                    if os.path.isfile(f / wanted)]  # noqa: PTH113  (False for impossible names)
        return list({file.resolve(): file for file in same}.values())

    def file(self, text: str, where: str) -> Path:
        """Return the one file that a word means, or raise."""
        files = self.candidates(text)
        if not files:
            raise NotFoundError(
                f"there is no file {text!r}", where=where, code="no_file",
                expected="a file among those given, or beside the manifest",
                do="Correct the name or copy the file there, and run intake again.",
            )
        if len(files) > 1:
            raise InputError(
                f"{text!r} means {plain_count(len(files), 'file')}", where=where, code="bad_row",
                expected="one file", do="Write it with its folder, as in "
                f"{files[0].parent.name}/{files[0].name}.",
            )
        return files[0]


def without_clashes(placed: Sequence[Placed]) -> tuple[list[Placed], list[BudvisionError]]:
    """Take out photographs that are given two buds, and cuts that are given two photographs.

    Which of the two is right cannot be known, so neither is kept; each is an error of its own. So
    is every photograph whose block or cane was spelt in another way before.
    """
    placed, wrong = _one_spelling(placed)
    path_of = [one.file.resolve() for one in placed]
    by_file: dict[Path, list[Placed]] = {}
    by_cut: dict[tuple[object, ...], dict[Path, Placed]] = {}
    for one, path in zip(placed, path_of, strict=True):
        by_file.setdefault(path, []).append(one)
        by_cut.setdefault((*one.bud, one.cut), {}).setdefault(path, one)
    kept: dict[Path, Placed] = {}
    for one, path in zip(placed, path_of, strict=True):
        other = next((x for x in by_file[path] if (x.bud, x.cut) != (one.bud, one.cut)), None)
        rivals = by_cut[(*one.bud, one.cut)]
        rival = next((x for taken, x in rivals.items() if taken != path), None)
        if other is not None:
            wrong.append(InputError(
                f"{one.file.name} is given to {one.words}", where=one.where, code="two_buds",
                expected=f"one place; {other.where} gives it to {other.words}",
                do="Correct the wrong row and run intake again; neither was taken in.",
            ))
        elif rival is not None:
            wrong.append(InputError(
                f"{one.file.name} is given to {one.words}", where=one.where, code="cut_taken",
                expected=f"one photograph a cut; {rival.where} gives it {rival.file.name}",
                do="Give one of them another cut number; neither was taken in.",
            ))
        else:
            kept.setdefault(path, one)
    return list(kept.values()), wrong


def _one_spelling(placed: Sequence[Placed]) -> tuple[list[Placed], list[BudvisionError]]:
    names, kept = Spellings(), list[Placed]()
    wrong: list[BudvisionError] = []
    for one in placed:
        try:
            names.check("block", one.block, one.where)
            names.check("cane", one.cane, one.where, within=(one.block, one.vine))
            kept.append(one)
        except InputError as error:
            wrong.append(error)
    return kept, wrong


# ---- file names ------------------------------------------------------------------------------


def from_names(
    found: Found, pattern: str = DEFAULT_PATTERN, *, block: str = ""
) -> tuple[list[Placed], list[BudvisionError]]:
    """Read block, cane, node and cut from file names of a stated pattern.

    Parameters
    ----------
    found : Found
        The files.
    pattern : str
        A file name without ending, with ``<cane>`` and ``<node>`` in it, ``<block>`` unless
        `block` is given, and, if wanted, ``<cut>`` (1 where left out) and ``<vine>``. Cane and
        vine hold no underscore and no space; node and cut are whole numbers.
    block : str
        The block of every photograph, where the names do not say.

    Raises
    ------
    UsageError
        When the pattern cannot work.
    """
    expression = compile_pattern(pattern, block=block)
    placed: list[Placed] = []
    wrong: list[BudvisionError] = []
    for file in found.files:
        match = expression.fullmatch(file.stem)
        if match is None:
            wrong.append(InputError(
                f"its name does not say which bud it shows ({file.stem!r})", where=file.name,
                expected=f"a name like {pattern}", code="name_not_of_pattern",
                do="Rename it, state the names' pattern with --pattern, or give a manifest.",
            ))
            continue
        value = match.groupdict()
        try:
            placed.append(Placed(
                file=file, where=file.name, block=block or value["block"], cane=value["cane"],
                node=_number("node", value["node"], file.name, "Rename the file."),
                cut=_number("cut", value.get("cut") or "1", file.name, "Rename the file."),
                vine=value.get("vine") or "", source="file_name",
            ))
        except InputError as error:
            wrong.append(error)
    placed, clashes = without_clashes(placed)
    return placed, wrong + clashes


_PARTS = {"block": ".+", "cane": r"[^\s_]+", "vine": r"[^\s_]+", "node": "[0-9]+", "cut": "[0-9]+"}


def compile_pattern(pattern: str, *, block: str = "") -> re.Pattern[str]:
    """Return the regular expression of a pattern, or raise InputError that says what is wrong."""
    names = re.findall(r"<([^<>]*)>", pattern)
    needed = {"cane", "node"} | (set() if block else {"block"})
    unknown = [name for name in names if name not in _PARTS]
    problem = ""
    if unknown:
        problem = f"it holds <{unknown[0]}>"
    elif len(set(names)) < len(names):
        problem = "it holds a part twice"
    elif missing := sorted(needed - set(names)):
        problem = f"it lacks <{'>, <'.join(missing)}>"
    elif re.search(r"><", pattern):
        problem = "two of its parts touch, so that one cannot tell where the first ends"
    if problem:
        raise InputError(
            f"the pattern is {pattern!r}: {problem}", where="--pattern", code="bad_pattern",
            expected="a file name with <block>, <cane>, <node>, <cut> and, if wanted, <vine>",
            do=f"For example {DEFAULT_PATTERN}.",
        )
    text = ""
    for piece in re.split(r"(<[^<>]*>)", pattern):
        name = piece[1:-1]
        is_part = piece.startswith("<") and name in _PARTS
        text += f"(?P<{name}>{_PARTS[name]})" if is_part else re.escape(piece)
    return re.compile(text, re.IGNORECASE)
