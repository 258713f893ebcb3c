"""Where everything of a printed photo card stands, in millimetres.

x runs to the right and y down, from the middle of the opening; the card's arrow points to -x.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["LAYOUTS", "MICROSCOPE", "PHONE", "CardLayout", "Patch"]


@dataclass(frozen=True, slots=True)
class Patch:
    """A plain patch: middle and size in millimetres, and its share of the paper's light."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CardLayout:
    """Where everything of a card stands.

    Attributes
    ----------
    name : str
        phone or microscope.
    marker_mm : float
        Side of a marker, black border included.
    markers : tuple of (int, float, float)
        Number in the 4 by 4 dictionary, x and y of its middle.
    opening_mm : tuple of float
        Width and height of the opening to cut out.
    round_opening : bool
        True for an ellipse, False for a rectangle.
    patches : tuple of Patch
        White (share 1) and grey patches.
    size_mm : tuple of float
        Width and height of the whole card as it is cut out.
    """

    name: str
    marker_mm: float
    markers: tuple[tuple[int, float, float], ...]
    opening_mm: tuple[float, float]
    round_opening: bool
    patches: tuple[Patch, ...]
    size_mm: tuple[float, float]


_LIGHT, _MID = 0.5, 0.2     # share of the paper's light, linear
PHONE = CardLayout(
    name="phone", marker_mm=5.0,
    markers=((0, -14, -11), (1, 0, -11), (4, 14, -11), (26, -14, 0), (40, 14, 0),
             (43, -14, 11), (45, 0, 11), (46, 14, 11)),
    opening_mm=(15.0, 13.0), round_opening=False,
    patches=(Patch(-7, -11, 4, 4, _LIGHT), Patch(7, -11, 4, 4, _MID),
             Patch(-7, 11, 4, 4, _MID), Patch(7, 11, 4, 4, _LIGHT),
             Patch(-14, -5.5, 4, 3, 1.0), Patch(14, -5.5, 4, 3, 1.0),
             Patch(-14, 5.5, 4, 3, 1.0), Patch(14, 5.5, 4, 3, 1.0)),
    size_mm=(60.0, 40.0),
)
MICROSCOPE = CardLayout(
    name="microscope", marker_mm=1.7,
    markers=((48, -4.05, -2.8), (55, 4.05, -2.8), (57, -4.05, 2.8), (61, 4.05, 2.8)),
    opening_mm=(6.4, 6.4), round_opening=True,
    patches=(Patch(-4.05, 0, 1.0, 1.2, _LIGHT), Patch(4.05, 0, 1.0, 1.2, _MID),
             Patch(-2.4, -3.2, 0.8, 0.8, 1.0), Patch(2.4, -3.2, 0.8, 0.8, 1.0),
             Patch(-2.4, 3.2, 0.8, 0.8, 1.0), Patch(2.4, 3.2, 0.8, 0.8, 1.0)),
    size_mm=(32.0, 22.0),
)
LAYOUTS: dict[str, CardLayout] = {layout.name: layout for layout in (PHONE, MICROSCOPE)}
