"""The quick look: a first few buds that decide whether to cut a full sample."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["QuickLook"]


@dataclass(frozen=True, slots=True)
class QuickLook:
    """Cut a few buds, and a full sample where at least the threshold of them are dead.

    References
    ----------
    T. Zabadal, 'Pruning vines for table grape production' (grovida.us): cut about 10 nodes; with
    3 or more dead primaries take 100.
    """

    n_buds: int = 10
    threshold: int = 3

    def chance(self, share: float) -> float:
        """Return the chance of finding at least the threshold dead, of independent buds.

        Parameters
        ----------
        share : float
            True share dead in [0, 1].
        """
        from scipy import stats  # takes most of a second to load; few commands come here

        return float(stats.binom.sf(self.threshold - 1, self.n_buds, share))
