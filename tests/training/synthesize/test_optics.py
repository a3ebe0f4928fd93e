"""The microscope keeps the light's sum and turns phase into contrast with the sign of the defocus."""

import math
from typing import NamedTuple

import numpy as np
import pytest
import torch

from training.synthesize.canvas import blank_canvas, splat
from training.synthesize.optics import Optics, form_image
from training.synthesize.render import _rows


def look(kind, scene, optics):
    """Log intensity (3, H, W) of one scene."""
    canvas = blank_canvas(scene.shape_hw, [scene.um_per_px])
    splat(canvas, {kind.name: kind}, [scene.objects])
    return form_image(canvas, _rows([optics], torch.device("cpu")))[0], canvas


@pytest.mark.parametrize("z_um", [-20.0, 5.0, 40.0])
def test_defocus_keeps_the_absorbed_light(dark_ellipse, lay_one, z_um):
    sharp, canvas = look(dark_ellipse, lay_one(dark_ellipse), Optics())
    soft, _ = look(dark_ellipse, lay_one(dark_ellipse), Optics(slab_z_um=(z_um, 0.0, 0.0)))
    absorbed = -canvas.density().mean().item()
    assert sharp.mean().item() == pytest.approx(absorbed, rel=1e-4)
    assert soft.mean().item() == pytest.approx(absorbed, rel=0.01)
    assert (soft - sharp).abs().max() > 0.05


def test_phase_object_in_focus_is_invisible(clear_ellipse, lay_one):
    seen, canvas = look(clear_ellipse, lay_one(clear_ellipse), Optics())
    assert canvas.planes[3].max() > 0.04
    assert seen.abs().max() < 1e-4


def test_phase_contrast_changes_sign_with_the_defocus(clear_ellipse, lay_one):
    above, _ = look(clear_ellipse, lay_one(clear_ellipse), Optics(slab_z_um=(6.0, 0.0, 0.0)))
    below, _ = look(clear_ellipse, lay_one(clear_ellipse), Optics(slab_z_um=(-6.0, 0.0, 0.0)))
    assert above.abs().max() > 0.02
    correlation = torch.corrcoef(torch.stack([above.flatten(), below.flatten()]))[0, 1]
    assert correlation < -0.8


def test_phase_contrast_follows_the_transport_of_intensity(clear_ellipse, lay_one):
    """Small defocus: the log intensity is z times the Laplacian of the path (Teague 1983), blur apart.

    The plane of focus lies below the object, before it as the light goes.
    """
    scene = lay_one(clear_ellipse, um_per_px=0.5)
    z_um = 1.0
    seen, canvas = look(clear_ellipse, scene, Optics(na=1.2, condenser_na=0.3, slab_z_um=(z_um, 0.0, 0.0)))
    path = canvas.planes[3, 0, 0]
    laplacian = sum(torch.roll(path, s, d) for s in (1, -1) for d in (0, 1)) - 4 * path
    expected = z_um * laplacian / 0.5**2
    correlation = torch.corrcoef(torch.stack([seen[1].flatten(), expected.flatten()]))[0, 1]
    assert correlation > 0.9


def test_steep_path_loses_light_in_focus(clear_ellipse, lay_one):
    seen, _ = look(clear_ellipse, lay_one(clear_ellipse), Optics(na=0.1, condenser_na=0.09, schlieren=1.0))
    assert seen.min() < -0.05
    assert seen.mean() < 0


UM_PER_PX, WAVELENGTH_UM, NA, CONDENSER_NA = 0.25, 0.54, 0.34, 0.21


def draw_path(path_um, z_um, **changes):
    """Log intensity in green (H, W) of a path alone, as the synthesizer draws it."""
    canvas = blank_canvas((256, 256), [UM_PER_PX])
    canvas.planes[3, 0, 0] = torch.from_numpy(path_um)
    optics = Optics(na=NA, condenser_na=CONDENSER_NA, slab_z_um=(z_um, 0.0, 0.0), **changes)
    return form_image(canvas, _rows([optics], torch.device("cpu")))[0, 1].numpy()


def distance_um():
    """Distance of each pixel of a canvas from its middle."""
    middle = blank_canvas((256, 256), [UM_PER_PX]).planes.shape[-1] / 2 - 0.5
    y, x = np.mgrid[: 2 * middle + 1, : 2 * middle + 1] - middle
    return UM_PER_PX * np.hypot(x, y)


def sum_tilted_waves(path_um, z_um):
    """Image of a pure phase object by Abbe's sum: one coherent image for each point of the condenser.

    Born & Wolf, Principles of Optics, chapter on interference and diffraction with partially coherent
    light (from memory). The object stands z over the plane of focus, the light comes from below.
    """
    side = len(path_um)
    frequency = np.fft.fftfreq(side, UM_PER_PX)
    squared = frequency**2 + frequency[:, None] ** 2
    pupil = np.exp(1j * np.pi * WAVELENGTH_UM * z_um * squared) * (squared < (NA / WAVELENGTH_UM) ** 2)
    spectrum = np.fft.fft2(np.exp(2j * np.pi * path_um / WAVELENGTH_UM))
    reach = CONDENSER_NA / WAVELENGTH_UM * side * UM_PER_PX
    steps = np.arange(-math.floor(reach), math.floor(reach) + 1, 3)
    points = [(y, x) for y in steps for x in steps if math.hypot(y, x) <= reach]
    images = (np.abs(np.fft.ifft2(np.roll(spectrum, point, (0, 1)) * pupil)) ** 2 for point in points)
    return sum(images) / len(points)


class Edge(NamedTuple):
    """The darkest place of a sphere's edge and its outermost half level, as shares of the radius."""

    darkest: float
    half_level: float
    least: float


def find_edge(intensity, radius_um):
    ring = np.round(distance_um() / radius_um * 100).astype(int).ravel()
    rings = np.bincount(ring, intensity.ravel())[:140] / np.maximum(np.bincount(ring)[:140], 1)
    edge = rings[70:130] / np.median(rings[135:140])
    half = np.flatnonzero(edge < (1 + edge.min()) / 2)[-1]
    return Edge((70 + edge.argmin()) / 100, (70 + half) / 100, edge.min())


@pytest.mark.parametrize("z_um", [-20.0, -10.0, 0.0, 10.0, 20.0])
def test_thick_shell_is_drawn_where_summed_waves_show_it(z_um):
    radius_um, wall_um, r = 27.0, 3.0, distance_um()
    outer, inner = (2 * np.sqrt(np.maximum(each**2 - r**2, 0)) for each in (radius_um, radius_um - wall_um))
    path = 0.05 * (outer - inner) + 0.004 * inner
    exact = find_edge(sum_tilted_waves(path, z_um), radius_um)
    drawn = find_edge(np.exp(draw_path(path, z_um, schlieren=0.65)), radius_um)
    assert drawn.half_level == pytest.approx(exact.half_level, abs=0.03)
    assert drawn.darkest == pytest.approx(exact.darkest, abs=0.05)
    assert 1 - drawn.least > 0.55 * (1 - exact.least)


@pytest.mark.parametrize("z_um", [-6.0, 3.0, 15.0])
def test_faint_material_is_drawn_as_its_weak_object_terms(z_um):
    """Contrast 2 phi sin(pi lambda z f²) in a plane z behind it, times the blur of lens and cone."""
    path = (0.002 * np.exp(-0.5 * ((distance_um() - 15) / 1.2) ** 2)).astype(np.float32)
    frequency = np.fft.fftfreq(len(path), UM_PER_PX)
    squared = frequency**2 + frequency[:, None] ** 2
    share = np.minimum(np.sqrt(squared) * WAVELENGTH_UM / (NA + CONDENSER_NA), 1)
    sharpness = 2 / np.pi * (np.arccos(share) - share * np.sqrt(1 - share**2))
    cone = np.exp(-0.5 * (np.pi * z_um * CONDENSER_NA) ** 2 * squared)
    transfer = -4 * np.pi / WAVELENGTH_UM * np.sin(np.pi * WAVELENGTH_UM * z_um * squared) * sharpness * cone
    expected = np.fft.ifft2(np.fft.fft2(path) * transfer).real
    assert np.abs(expected).max() > 0.002
    assert draw_path(path, z_um) == pytest.approx(expected, abs=0.03 * np.abs(expected).max())
