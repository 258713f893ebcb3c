"""A model's card as a part of a page: its tables become cards on a phone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from markupsafe import Markup

if TYPE_CHECKING:
    from markdown_it.token import Token

__all__ = ["card_page"]

_LOWER = {"h1": "h2", "h2": "h3"}


def card_page(text: str) -> Markup:
    """Set a model's card, Markdown, below the page's own heading; tags written in it stay text.

    Links to other files of the repository are words alone: no page shows those files.
    """
    from markdown_it import MarkdownIt

    reader = MarkdownIt("commonmark", {"html": False}).enable("table").disable("image")
    tokens = reader.parse(text)
    heads: list[str] = []
    column = 0
    for at, token in enumerate(tokens):
        token.tag = _LOWER.get(token.tag, token.tag)
        if token.type == "table_open":
            heads = []
            token.attrSet("class", "stack")
        elif token.type == "th_open":
            heads.append(_plain(tokens[at + 1]))
            if heads[-1]:
                token.attrSet("scope", "col")
            else:  # a head without words is no head
                token.tag = tokens[at + 2].tag = "td"
        elif token.type == "tr_open":
            column = 0
        elif token.type == "td_open":
            if column == 0:
                token.tag = tokens[at + 2].tag = "th"
                token.attrSet("scope", "row")
            elif heads[column]:
                token.attrSet("data-head", heads[column])
            column += 1
        elif token.type == "inline":
            token.children = _without_files(token.children or [])
    page = reader.renderer.render(tokens, reader.options, {})
    return Markup(page)  # nosec B704  (tags in the text stay text)


def _plain(cell: Token) -> str:
    """Return the words of a cell."""
    return "".join(part.content for part in cell.children or [])


def _without_files(parts: list[Token]) -> list[Token]:
    """Leave out the links that lead to no page."""
    kept: list[Token] = []
    dropped = False
    for part in parts:
        if part.type == "link_open":
            dropped = "://" not in str(part.attrGet("href"))
        if not (dropped and part.type in ("link_open", "link_close")):
            kept.append(part)
    return kept
