"""Arrays arrive as they were, and rows of pixels are those within the turned rectangle."""

import numpy as np
import torch

from training.synthesize.canvas import MARGIN_PX, Things, _lay_runs, blank_canvas
from training.synthesize.transfer import send_arrays


def test_arrays_keep_shape_type_and_values_on_the_way_through_one_piece():
    arrays = [
        np.arange(5, dtype=np.int64),
        np.zeros((0, 2), np.float32),
        np.arange(6, dtype=np.float32).reshape(2, 3).T,
        np.array([True, False, True]),
    ]
    there = send_arrays(arrays, torch.device("meta"))
    assert [(tuple(each.shape), each.dtype) for each in there] == [
        ((5,), torch.int64),
        ((0, 2), torch.float32),
        ((3, 2), torch.float32),
        ((3,), torch.bool),
    ]
    here = send_arrays(arrays, torch.device("cpu"))
    assert all(np.array_equal(each.numpy(), array) for each, array in zip(here, arrays, strict=True))


def test_rows_hold_every_pixel_of_the_turned_rectangle_at_its_own_place():
    um_per_px, reach_um, across_um = 0.5, 14.0, 4.0
    things = Things(
        parameters={
            "reach_um": np.full(3, reach_um, np.float32),
            "reach_across_um": np.full(3, across_um, np.float32),
        },
        centre_xy=np.array([[30.3, 20.7], [2.0, 60.0], [50.0, 31.5]]),
        angle_rad=np.array([0.7, 2.4, 0.0]),
        slab=np.array([0, 1, 2]),
        offset=np.zeros((3, 2), np.float32),
        outline_um=np.zeros((3, 0, 2), np.float32),
    )
    canvas = blank_canvas((64, 64), [um_per_px])
    height, width = canvas.planes.shape[-2:]
    runs = _lay_runs(canvas, things, np.zeros(3, np.int64))
    y, x = np.mgrid[:height, :width] + 0.5 - MARGIN_PX
    for number in range(3):
        (dx, dy), turn = (
            (np.stack([x, y], -1) - things.centre_xy[number]).transpose(2, 0, 1),
            things.angle_rad,
        )
        cosine, sine = np.cos(turn[number]), np.sin(turn[number])
        u, v = (dx * cosine + dy * sine) * um_per_px, (dy * cosine - dx * sine) * um_per_px
        reached = np.full((height, width), np.nan)
        for place, count, first, step in zip(
            *(
                getattr(runs, name)[runs.owner == number]
                for name in ("place", "count", "first_um", "step_um")
            ),
            strict=True,
        ):
            spot = place - number * height * width + np.arange(count)
            reached.flat[spot] = first[0] + step[0] * np.arange(count)
            assert np.allclose(v.flat[spot], first[1] + step[1] * np.arange(count), atol=1e-4)
        inside = (np.abs(u) <= reach_um) & (np.abs(v) <= across_um)
        assert np.isfinite(reached[inside]).all()
        assert np.allclose(reached[np.isfinite(reached)], u[np.isfinite(reached)], atol=1e-4)
        assert np.isfinite(reached).sum() < 2 * inside.sum()
