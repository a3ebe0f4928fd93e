"""A kind of known shape, and scenes that hold one object of it on clean glass."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import torch

from training.synthesize.canvas import Things
from training.synthesize.kinds.kind import Kind
from training.synthesize.material import Material, Samples, soft_step
from training.synthesize.scene import Scene

LENGTH_UM, WIDTH_UM = 80.0, 50.0


def draw_ellipses(rng: np.random.Generator, n: int) -> dict[str, np.ndarray]:
    return {
        "length_um": np.full(n, LENGTH_UM, np.float32),
        "width_um": np.full(n, WIDTH_UM, np.float32),
        "reach_um": np.full(n, LENGTH_UM / 2 + 2, np.float32),
        "thickness_um": rng.uniform(0.05, 0.051, n).astype(np.float32),
    }


def outline_ellipses(parameters: dict[str, np.ndarray]) -> np.ndarray:
    turn = np.linspace(0, 2 * np.pi, 96, endpoint=False)
    half = np.stack([parameters["length_um"], parameters["width_um"]], 1)[:, None] / 2
    return (half * np.stack([np.cos(turn), np.sin(turn)], 1)).astype(np.float32)


def fill_ellipses(samples: Samples, parameters: dict[str, torch.Tensor]) -> Material:
    half_length = samples.of(parameters["length_um"]) / 2
    half_width = samples.of(parameters["width_um"]) / 2
    share = torch.hypot(samples.u_um / half_length, samples.v_um / half_width)
    slope = torch.hypot(samples.u_um / half_length**2, samples.v_um / half_width**2) / share.clamp(min=1e-6)
    body = soft_step((share - 1) / slope.clamp(min=1e-6), samples.of(samples.um_per_px))
    return Material(0.7 * body[:, None].expand(-1, 3), samples.of(parameters["thickness_um"]) * body)


def clear_ellipses(samples: Samples, parameters: dict[str, torch.Tensor]) -> Material:
    filled = fill_ellipses(samples, parameters)
    return Material(torch.zeros_like(filled.density), filled.path_um)


@pytest.fixture
def dark_ellipse() -> Kind:
    """A solid grey ellipse of 80 x 50 µm."""
    return Kind("dark_ellipse", "other_egg", draw_ellipses, outline_ellipses, fill_ellipses)


@pytest.fixture
def clear_ellipse() -> Kind:
    """A weak phase object of 80 x 50 µm."""
    return Kind("clear_ellipse", "other_egg", draw_ellipses, outline_ellipses, clear_ellipses)


@pytest.fixture
def lay_one() -> Callable[..., Scene]:
    """Puts one object of a kind on clean glass."""

    def lay(
        kind: Kind,
        *,
        shape_hw: tuple[int, int] = (256, 256),
        um_per_px: float = 0.5,
        centre_xy: tuple[float, float] = (128.0, 128.0),
        angle_deg: float = 0.0,
        **changes: object,
    ) -> Scene:
        parameters = kind.draw_parameters(np.random.default_rng(0), 1)
        things = Things(
            parameters=parameters,
            centre_xy=np.array([centre_xy]),
            angle_rad=np.radians([angle_deg]),
            slab=np.zeros(1, np.int64),
            offset=np.zeros((1, 2), np.float32),
            outline_um=kind.outline(parameters),
        )
        return replace(Scene(shape_hw, um_per_px, objects={kind.name: things}), **changes)

    return lay
