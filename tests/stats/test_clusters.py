"""What buds that are alike cost a sample."""

from __future__ import annotations

import pytest

from budvision.errors import InputError
from budvision.stats.clusters import design_effect


def test_bad_input():
    with pytest.raises(InputError, match="a size of at least 1"):
        design_effect(0.5, 0.2)
    with pytest.raises(InputError, match="an icc in"):
        design_effect(10, 1.2)
