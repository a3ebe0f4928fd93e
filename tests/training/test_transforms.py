from __future__ import annotations

import numpy as np
import pytest
import torch
from torch import Tensor

from training.crops import labelled_transform
from training.targets import TILE_SCALE, Target, clip_target, list_scales, move_target, turn_batch
from training.transforms import Augmenter, Chances

SIDE = 64


def bar() -> tuple[Tensor, Target]:
    """A dark bar, longer than wide, off the middle."""
    image = torch.full((1, 3, SIDE, SIDE), 200.0)
    image[:, :, 10:18, 20:50] = 20.0
    return image, {
        "boxes": torch.tensor([[20.0, 10.0, 50.0, 18.0]]),
        "labels": torch.tensor([1]),
        "ellipses": torch.tensor([[35.0, 14.0, 30.0, 8.0, 0.0]]),
        "visible": torch.tensor([1.0]),
    }


def dark_box(image: Tensor) -> list[float]:
    rows, columns = torch.nonzero(image[0].mean(dim=0) < 100, as_tuple=True)
    return [float(v) for v in (columns.min(), rows.min(), columns.max() + 1, rows.max() + 1)]


@pytest.mark.parametrize("is_mirrored", [False, True])
@pytest.mark.parametrize("quarter_turns", range(4))
def test_boxes_and_ellipses_turn_with_the_picture(quarter_turns: int, is_mirrored: bool) -> None:
    image, target = bar()
    turned, (moved,) = turn_batch(image, [target], quarter_turns=quarter_turns, is_mirrored=is_mirrored)
    assert moved["boxes"][0].tolist() == dark_box(turned)
    x1, y1, x2, y2 = dark_box(turned)
    cx, cy, length, width, angle = moved["ellipses"][0].tolist()
    assert (cx, cy, length, width) == ((x1 + x2) / 2, (y1 + y2) / 2, 30.0, 8.0)
    assert abs(np.sin(np.radians(angle))) == pytest.approx(float(y2 - y1 > x2 - x1), abs=1e-6)


def test_mirroring_turns_the_angle_round() -> None:
    image, target = bar()
    target["ellipses"][0, 4] = 30.0
    _, (moved,) = turn_batch(image, [target], quarter_turns=0, is_mirrored=True)
    assert moved["ellipses"][0, 4] == -30.0


def test_augmentation_is_repeatable_and_leaves_its_input() -> None:
    image, target = bar()
    tiles = image.byte().repeat(4, 1, 1, 1)
    first, first_targets = Augmenter(7)(tiles, [target] * 4)
    second, second_targets = Augmenter(7)(tiles, [target] * 4)
    assert torch.equal(first, second) and torch.equal(tiles[0], image[0].byte())
    assert all(
        torch.equal(a["boxes"], b["boxes"]) for a, b in zip(first_targets, second_targets, strict=True)
    )


def test_augmented_pixels_stay_bytes() -> None:
    tiles = torch.randint(0, 256, (6, 3, SIDE, SIDE), dtype=torch.uint8)
    augment = Augmenter(1, Chances(*(1.0,) * 7))
    images, _ = augment(tiles, [bar()[1]] * 6)
    assert images.min() >= 0 and images.max() <= 255 and torch.equal(images, images.round())


@pytest.mark.parametrize("name", ["grey", "blur", "resample", "jpeg", "cut", "noise", "border"])
def test_each_change_is_made_when_its_chance_is_one(name: str) -> None:
    never = dict.fromkeys(("grey", "blur", "resample", "jpeg", "cut", "noise", "border"), 0.0)
    tiles = torch.randint(0, 256, (2, 3, SIDE, SIDE), dtype=torch.uint8)
    targets = [bar()[1]] * 2
    without, _ = Augmenter(4, Chances(**never))(tiles, targets)
    with_it, _ = Augmenter(4, Chances(**{**never, name: 1.0}))(tiles, targets)
    assert (with_it - without).abs().mean() > 0.5


def test_a_tile_without_objects_is_augmented() -> None:
    none = {
        "boxes": torch.zeros(0, 4),
        "labels": torch.zeros(0, dtype=torch.int64),
        "ellipses": torch.zeros(0, 5),
    }
    _, (target,) = Augmenter(2, Chances(*(1.0,) * 7))(
        torch.zeros(1, 3, SIDE, SIDE, dtype=torch.uint8), [none]
    )
    assert target["boxes"].shape == (0, 4) and target["ellipses"].shape == (0, 5)


def test_a_tiles_scale_stays_with_it_until_it_is_forgotten() -> None:
    tiles = torch.randint(0, 256, (4, 3, SIDE, SIDE), dtype=torch.uint8)
    known = [{**bar()[1], TILE_SCALE: torch.tensor([size])} for size in (0.25, 0.5, float("nan"), 1.0)]
    kept, forgotten = (
        list_scales(Augmenter(3, Chances(border=1.0, no_scale=chance))(tiles, known)[1])
        for chance in (0.0, 1.0)
    )
    assert kept == [0.25, 0.5, None, 1.0] and forgotten == [None] * 4


def test_enlarging_makes_pixels_smaller() -> None:
    target = {**bar()[1], TILE_SCALE: torch.tensor([0.5])}
    moved = move_target(target, scale=2.0, shift_xy=np.array([0.0, 0.0]), side_px=200)
    assert list_scales([moved]) == [0.25]


def test_clipping_says_what_is_left_and_drops_what_is_gone() -> None:
    target = {**bar()[1], "boxes": torch.tensor([[20.0, 10.0, 50.0, 18.0]])}
    clipped = clip_target(target, 26, 64)
    assert clipped["boxes"].tolist() == [[20, 10, 26, 18]]
    assert clipped["visible"].tolist() == pytest.approx([0.2])
    assert len(clip_target(target, 20, 64)["boxes"]) == 0


def test_moving_scales_first_and_then_shifts() -> None:
    moved = move_target(bar()[1], scale=2.0, shift_xy=np.array([-30.0, -10.0]), side_px=64)
    assert moved["boxes"].tolist() == [[10, 10, 64, 26]]
    assert moved["ellipses"].tolist() == [[40, 18, 60, 16, 0]]
    assert moved["visible"].tolist() == pytest.approx([54 / 60])


def test_labelled_squares_show_the_object_where_the_box_says() -> None:
    image, target = bar()
    picture = image[0].permute(1, 2, 0).byte().numpy()
    picture = np.tile(picture, (2, 2, 1))[:100, :70]
    picture[64:] = picture[:, 64:] = 200
    transform = labelled_transform(64)
    seen = 0
    for seed in range(20):
        square, moved = transform(picture, target, factors=(0.5, 2.0), seed=seed)
        assert square.shape == (64, 64, 3)
        if len(moved["boxes"]) and moved["visible"][0] > 0.99:
            seen += 1
            found = dark_box(torch.from_numpy(square.copy()).permute(2, 0, 1)[None].float())
            np.testing.assert_allclose(moved["boxes"][0].numpy(), found, atol=1.5)
    assert seen >= 3
