from __future__ import annotations

import numpy as np
import pyvips
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from triage.look_alike_pictures import LookAlike, find_look_alikes, hash_picture


def draw(seed: int, side: int = 256) -> NDArray[np.uint8]:
    """A field with some soft spots."""
    random = np.random.default_rng(seed)
    grey = gaussian_filter(random.normal(0, 1, (side, side)), 8, mode="wrap")
    grey = 150 + 60 * grey / np.abs(grey).max() + random.normal(0, 2, grey.shape)
    return np.repeat(grey.clip(0, 255).astype(np.uint8)[:, :, None], 3, axis=2)


def to_hash(pixels: NDArray[np.uint8]) -> NDArray[np.bool_]:
    return hash_picture(pyvips.Image.new_from_array(pixels))


def test_same_picture_saved_smaller_and_worse_looks_alike() -> None:
    picture = pyvips.Image.new_from_array(draw(1))
    again = pyvips.Image.new_from_buffer(picture.resize(0.4).jpegsave_buffer(Q=40), "")
    ((pair),) = find_look_alikes([hash_picture(picture), to_hash(draw(2)), hash_picture(again)])
    assert (pair.first, pair.second) == (0, 2) and pair.differing_bits <= 16


def test_pictures_of_different_places_do_not_look_alike() -> None:
    hashes = [to_hash(draw(seed)) for seed in range(12)]
    assert hashes[0].shape == (255,)
    assert find_look_alikes(hashes) == []
    assert min(pair.differing_bits for pair in find_look_alikes(hashes, most_bits=255)) > 60


def test_bits_are_counted() -> None:
    one = np.zeros(255, dtype=bool)
    other = one.copy()
    other[[0, 100, 254]] = True
    assert find_look_alikes([one, other, ~one], most_bits=3) == [LookAlike(0, 1, 3)]
    assert find_look_alikes([one, other], most_bits=2) == []


def test_no_or_one_picture_has_no_pair() -> None:
    assert find_look_alikes([]) == []
    assert find_look_alikes([to_hash(draw(1))]) == []
    assert to_hash(np.full((1, 1, 3), 7, dtype=np.uint8)).shape == (255,)
