from __future__ import annotations

import numpy as np
import pytest

from triage.scale_code import KNOTS_UM_PER_PX, encode_scales


def test_a_scale_at_a_knot_is_that_knot_alone() -> None:
    np.testing.assert_array_equal(encode_scales(KNOTS_UM_PER_PX), np.eye(len(KNOTS_UM_PER_PX)))


def test_scales_between_knots_are_shared_by_the_logarithm() -> None:
    (code,) = encode_scales([0.5 * 2**0.25])
    np.testing.assert_allclose(code, [0, 0, 0, 0.75, 0.25, 0], atol=1e-6)


def test_scales_beyond_the_knots_are_told_as_the_last_ones_and_unknown_ones_as_none() -> None:
    codes = encode_scales([0.01, 9.0, None, float("nan")])
    np.testing.assert_array_equal(codes.argmax(axis=1)[:2], [0, 5])
    np.testing.assert_array_equal(codes.sum(axis=1), [1, 1, 0, 0])


def test_no_pixel_size_is_0() -> None:
    with pytest.raises(ValueError, match="above 0"):
        encode_scales([0.5, 0.0])
