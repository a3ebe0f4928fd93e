from __future__ import annotations

import numpy as np
import pytest

from triage.percentiles import find_percentile


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("size", [1, 2, 7, 1000])
def test_percentiles_are_those_of_numpy(size: int, kind: type) -> None:
    values = np.random.default_rng(size).random((size, 1)).astype(kind)
    for percent in (0.0, 50.0, 99.5, 100.0):
        assert find_percentile(values, percent) == pytest.approx(np.percentile(values, percent), rel=1e-6)
