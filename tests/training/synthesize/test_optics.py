"""The microscope keeps the light's sum and turns phase into contrast with the sign of the defocus."""

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
    assert (soft - sharp).abs().max() > 0.1


def test_phase_object_in_focus_is_invisible(clear_ellipse, lay_one):
    seen, canvas = look(clear_ellipse, lay_one(clear_ellipse), Optics())
    assert canvas.planes[3].max() > 0.04
    assert seen.abs().max() < 1e-4


def test_phase_contrast_changes_sign_with_the_defocus(clear_ellipse, lay_one):
    above, _ = look(clear_ellipse, lay_one(clear_ellipse), Optics(slab_z_um=(6.0, 0.0, 0.0)))
    below, _ = look(clear_ellipse, lay_one(clear_ellipse), Optics(slab_z_um=(-6.0, 0.0, 0.0)))
    assert above.abs().max() > 0.02
    correlation = torch.corrcoef(torch.stack([above.flatten(), below.flatten()]))[0, 1]
    assert correlation < -0.95


def test_phase_contrast_follows_the_transport_of_intensity(clear_ellipse, lay_one):
    """Small defocus: the log intensity is z times the Laplacian of the path (Teague 1983), blur apart."""
    scene = lay_one(clear_ellipse, um_per_px=0.5)
    z_um = 1.0
    seen, canvas = look(clear_ellipse, scene, Optics(na=1.2, condenser_na=0.3, slab_z_um=(z_um, 0.0, 0.0)))
    path = canvas.planes[3, 0, 0]
    laplacian = sum(torch.roll(path, s, d) for s in (1, -1) for d in (0, 1)) - 4 * path
    expected = -z_um * laplacian / 0.5**2
    correlation = torch.corrcoef(torch.stack([seen[1].flatten(), expected.flatten()]))[0, 1]
    assert correlation > 0.9


def test_steep_path_loses_light_in_focus(clear_ellipse, lay_one):
    seen, _ = look(clear_ellipse, lay_one(clear_ellipse), Optics(na=0.1, condenser_na=0.09, schlieren=1.0))
    assert seen.min() < -0.05
    assert seen.mean() < 0
