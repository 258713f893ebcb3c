"""Paper for the vineyard and the bench: photo cards, walking sheet, cane tags, bench tally."""

from __future__ import annotations

from budvision.photo.card import LINE_MM, card_rectangles
from budvision.photo.card_layout import LAYOUTS
from budvision.report.paper import compile_pdf

__all__ = ["photo_cards_pdf"]


def _tone(share: float) -> float:
    """Return the sRGB grey, 0 to 1, that leaves this share of the paper's light."""
    return 12.92 * share if share <= 0.0031308 else 1.055 * share ** (1 / 2.4) - 0.055


def photo_cards_pdf(*, paper: str = "a4") -> bytes:
    """Set a page of photo cards for phones and microscopes, in exact millimetres.

    Parameters
    ----------
    paper : str
        a4 or us-letter.

    Returns
    -------
    bytes
        A PDF of one page.

    Raises
    ------
    UsageError
        When `paper` is not a known size.
    """
    layouts = {
        name: {
            "name": name, "size_mm": layout.size_mm, "opening_mm": layout.opening_mm,
            "round_opening": layout.round_opening,
            "ink": [(x, y, w, h, _tone(share)) for x, y, w, h, share in card_rectangles(layout)],
        }
        for name, layout in LAYOUTS.items()
    }
    return compile_pdf("photo_card", {"layouts": layouts, "line_mm": LINE_MM}, paper=paper)
