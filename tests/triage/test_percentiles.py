from __future__ import annotations

import numpy as np
import pytest

from triage.percentiles import find_median, find_percentile


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("size", [1, 2, 7, 1000])
def test_percentiles_are_those_of_numpy(size: int, kind: type) -> None:
    values = np.random.default_rng(size).random((size, 1)).astype(kind)
    for percent in (0.0, 50.0, 99.5, 100.0):
        assert find_percentile(values, percent) == pytest.approx(np.percentile(values, percent), rel=1e-6)


@pytest.mark.parametrize("shape", [(1, 3), (2, 5), (7, 4), (72, 18)])
def test_medians_are_those_of_numpy(shape: tuple[int, int]) -> None:
    values = np.random.default_rng(shape[0]).random(shape).astype(np.float32)
    np.testing.assert_array_equal(find_median(values), np.median(values, axis=0))
