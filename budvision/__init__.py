"""budvision: from photographs of cut grapevine buds to confirmed calls, mortality and pruning.

For scripts and notebooks:

- `propose(photo)`: live, dead or unsure for each tissue of a photograph;
- `tally(table)`: mortality, band and nodes to retain from a table of calls;
- `open_season(folder)`: a season's calls and answers; its lessons as arrays for any estimator;
- `render_bud(rng)`: a drawn photograph with its truth.

They stand in `budvision.scripts` and are loaded when first asked for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from budvision.version import __version__

if TYPE_CHECKING:
    from budvision.scripts import open_season, propose, render_bud, tally

__all__ = ["__version__", "open_season", "propose", "render_bud", "tally"]


def __getattr__(name: str) -> object:
    if name.startswith("_") or name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module("budvision.scripts"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
