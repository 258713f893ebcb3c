"""Paper through typst: the only module that knows it. A template and its data become a PDF.

Templates lie in `report/templates`. A template reads its data with
``json(bytes(sys.inputs.data))``, its page size from ``sys.inputs.paper`` and the language from
``sys.inputs.lang``, with the words of its own messages in ``sys.inputs.said``; text reaches the
page as text, never as markup. Fonts are the ones that typst and matplotlib carry (Libertinus
Serif, DejaVu Sans, DejaVu Sans Mono), so that a page looks the same on every machine, and they
are embedded in the PDF.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from functools import cache
from importlib import resources
from pathlib import Path
from tempfile import TemporaryDirectory

import typst

from budvision.errors import NotFoundError, UsageError
from budvision.language import spoken, words_in

__all__ = ["PAPERS", "compile_pdf", "paper_messages"]

PAPERS: dict[str, tuple[float, float]] = {"a4": (210.0, 297.0), "us-letter": (215.9, 279.4)}
"""Paper sizes by name: width and height in millimetres (ISO 216; ANSI/ASME Y14.1)."""


def paper_messages(template: str) -> frozenset[str]:
    """Return the messages of a template's text: what it says by ``t("...")``."""
    return frozenset(re.findall(r'\bt\("((?:[^"\\]|\\.)*)"\)', template))


@cache
def _fonts() -> typst.Fonts:
    import matplotlib  # carries DejaVu Sans; typst itself carries no sans serif

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    return typst.Fonts(include_system_fonts=False, font_paths=[str(folder)])


@cache
def _templates() -> dict[str, bytes]:
    folder = resources.files("budvision.report") / "templates"
    return {entry.name: entry.read_bytes() for entry in folder.iterdir()
            if entry.name.endswith(".typ")}


def compile_pdf(
    template: str,
    data: Mapping[str, object],
    *,
    paper: str = "a4",
    files: Mapping[str, bytes] | None = None,
) -> bytes:
    """Set a template's data as a PDF.

    Parameters
    ----------
    template : str
        Name in `report/templates`, with or without ``.typ``.
    data : mapping
        What the template lays out; must be representable as JSON.
    paper : str
        a4 or us-letter.
    files : mapping of str to bytes, optional
        Figures and photographs that the template names, by the name it uses.

    Returns
    -------
    bytes
        The PDF.

    Raises
    ------
    UsageError
        When `paper` is not a known size.
    NotFoundError
        When there is no such template.
    """
    if paper not in PAPERS:
        raise UsageError(f"paper is {paper!r}", expected=" or ".join(PAPERS), where="--paper",
                         do="Name one of these sizes.")
    name = template if template.endswith(".typ") else f"{template}.typ"
    known = _templates()
    if name not in known:
        raise NotFoundError(
            f"there is no template {template!r}", expected=f"one of {', '.join(sorted(known))}",
            where="compile_pdf",
        )
    told = paper_messages("".join(known[one].decode() for one in (name, "bench.typ")))
    with TemporaryDirectory(prefix="budvision-") as folder:
        for file, content in {**(files or {}), **known}.items():
            (Path(folder) / file).write_bytes(content)
        made: bytes = typst.compile(
            str(Path(folder) / name), root=folder, format="pdf", font_paths=_fonts(),
            sys_inputs={"data": json.dumps(data), "paper": paper, "lang": spoken(),
                        "said": json.dumps(words_in(spoken(), told))},
        )
    return made
