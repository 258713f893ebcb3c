"""How often each model that proposed agreed with the calls made without sight of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from sqlalchemy import Connection

from budvision.stats.proportions import wilson
from budvision.store.queries import models
from budvision.vocabulary import Interval

__all__ = ["Agreed", "BlindVerdict", "ModelAgreed", "agreed_by_model"]


class BlindVerdict(NamedTuple):
    """A blind call on which a model had the verdict live or dead, in the order of calling."""

    when: str
    number: int
    same: bool
    value: str
    model_id: int


@dataclass(frozen=True, slots=True)
class Agreed:
    """How many of the blind calls of one value a model's verdict agreed with.

    `interval` is Wilson's, None where `n` is 0; buds of one cane are alike, so the true one is a
    wider.
    """

    n: int
    n_same: int
    interval: Interval | None

    def as_dict(self) -> dict[str, object]:
        """Return the facts for JSON."""
        return {"n": self.n, "agreed": self.n_same,
                "low": None if self.interval is None else round(self.interval.low, 4),
                "high": None if self.interval is None else round(self.interval.high, 4)}


@dataclass(frozen=True, slots=True)
class ModelAgreed:
    """A model that proposed, beside the blind calls of tissues that it proposed live or dead for.

    `live` and `dead` are what people called.
    """

    model: str
    live: Agreed
    dead: Agreed

    @property
    def n(self) -> int:
        """Tissues compared."""
        return self.live.n + self.dead.n

    def as_dict(self) -> dict[str, object]:
        """Return the facts for JSON."""
        return {"model": self.model, "n": self.n, "live": self.live.as_dict(),
                "dead": self.dead.as_dict()}


def agreed_by_model(
    conn: Connection, blind: Sequence[BlindVerdict], confidence: float
) -> tuple[ModelAgreed, ...]:
    """Return the agreement of each model that proposed, the newest model first."""
    counts = Counter((one.model_id, one.value, one.same) for one in blind)
    seen = {model for model, _, _ in counts}

    def agreed(model: int, value: str) -> Agreed:
        n_same = counts[model, value, True]
        n = n_same + counts[model, value, False]
        return Agreed(n, n_same, wilson(n_same, n, confidence=confidence) if n else None)

    return tuple(ModelAgreed(one.name, agreed(one.id, "live"), agreed(one.id, "dead"))
                 for one in reversed(models.list_models(conn)) if one.id in seen)
