"""Crop potential: the interval holds the truth, missing secondaries and all."""

from __future__ import annotations

import numpy as np
import pytest

from budvision.vineyard.buds import BudTable, Factor
from budvision.vineyard.potential import SECONDARY_CROP, block_potential
from budvision.vineyard.strata import weighed
from budvision.vineyard.tissues import tissue_units
from budvision.vocabulary import Tissue


def sample(primary_dead, secondary_dead, icc, *, n_canes, n_samples, missing, rng, nodes=10):
    """Blocks of canes whose shares dead differ by a beta distribution; some secondaries unseen."""
    n = n_samples * n_canes * nodes
    at = np.arange(n)
    cane = at // nodes

    def dead(share):
        size = (1 - icc) / icc
        chance = rng.beta(share * size, (1 - share) * size, n_samples * n_canes)
        return (rng.random(n) < chance[cane]).astype(np.int8)

    first, second = dead(primary_dead), dead(secondary_dead)
    second[rng.random(n) < missing] = 3
    block = Factor(tuple(map(str, range(n_samples))), at // (n_canes * nodes))
    return BudTable.from_columns(
        block=block, cane=cane, node=at % nodes + 1,
        calls=np.stack([first, second, np.full(n, -1)], axis=1),
    )


def potential(table, share):
    primary = weighed(tissue_units(table, Tissue.PRIMARY)[0], None, prior_icc=0.25)
    return block_potential(table, share, primary)


@pytest.mark.slow
@pytest.mark.parametrize("n_canes", [10, 20])
@pytest.mark.parametrize(("primary", "secondary", "missing"),
                         [(0.02, 0.02, 0), (0.3, 0.2, 0.3), (0.8, 0.5, 0.3), (0.95, 0.9, 0)])
def test_interval_holds(n_canes, primary, secondary, missing):
    table = sample(primary, secondary, 0.3, n_canes=n_canes, n_samples=800, missing=missing,
                   rng=np.random.default_rng(4))
    got = potential(table, 1 / 3)
    truth = 1 - primary + primary * (1 - secondary) / 3
    # 93.5 % less two standard errors of 800 samples.
    assert ((got.low <= truth) & (truth <= got.high)).mean() >= 0.918
    assert np.nanmean(got.share) == pytest.approx(truth, abs=0.01)


def test_secondary_share_of_zero_leaves_the_live_primaries():
    table = sample(0.4, 0.2, 0.1, n_canes=12, n_samples=3, missing=0.2,
                   rng=np.random.default_rng(4))
    got = potential(table, 0.0)
    for at in range(3):
        live = table.calls[table.block.codes == at, 0] == 0
        assert got.share[at] == pytest.approx(live.mean())


def test_every_class_names_its_source():
    assert SECONDARY_CROP["usual"].share == pytest.approx(1 / 3)
    # G. S. Howell: labruscana secondaries about 35 %. Missouri Vinews: Norton, none.
    assert SECONDARY_CROP["labruscana"].share == 0.35
    assert SECONDARY_CROP["norton"].share == 0
    assert all(0 <= row.share <= 1 and row.source for row in SECONDARY_CROP.values())
