"""The season's own model for the bench, loaded once."""

from __future__ import annotations

import importlib.util
from functools import lru_cache
from typing import TYPE_CHECKING

from budvision.store.queries.models import current_model
from budvision.store.session import Season

if TYPE_CHECKING:
    from budvision.workflow.bench import Propose

__all__ = ["season_proposer"]


@lru_cache(maxsize=2)
def _load(model: str) -> Propose:
    from budvision.verdict.propose import Proposer, propose_photo

    proposer = Proposer.load(model or None)
    return lambda data, name: propose_photo(data, proposer=proposer, name=name)


def season_proposer(season: Season) -> Propose | None:
    """Return the model that proposes in this season; None where none is installed."""
    if importlib.util.find_spec("budvision.verdict.propose") is None:
        return None
    with season.read() as conn:
        row = current_model(conn)
    path = "" if row is None else str(season.folder / row.path)
    return _load(path)
