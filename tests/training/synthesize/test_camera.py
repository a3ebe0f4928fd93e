"""Grain, JPEG and printed marks do what their names say."""

import io

import numpy as np
import pytest
import torch
from PIL import Image

from training.synthesize.camera import Camera, Light
from training.synthesize.jpeg import squeeze
from training.synthesize.marks import SEGMENTS, Marks
from training.synthesize.noise import hash_normal, make_texture
from training.synthesize.render import render_scenes
from training.synthesize.scene import Scene


def make_picture() -> torch.Tensor:
    y, x = torch.meshgrid(torch.arange(64.0), torch.arange(96.0), indexing="ij")
    wave = 128 + 60 * torch.sin(x / 5) * torch.cos(y / 7)
    return torch.stack([wave, wave.flip(0), 0.5 * wave + 60])[None].round()


@pytest.mark.parametrize("quality", [30, 60, 90])
def test_jpeg_is_close_to_a_real_encoder(quality):
    picture = make_picture()
    ours = squeeze(picture, torch.tensor([float(quality)]), torch.zeros(1, 2))[0]
    stored = io.BytesIO()
    Image.fromarray(picture[0].permute(1, 2, 0).byte().numpy()).save(stored, "JPEG", quality=quality)
    theirs = torch.from_numpy(np.array(Image.open(stored))).permute(2, 0, 1).float()
    own_error = (ours - picture[0]).abs().mean()
    real_error = (theirs - picture[0]).abs().mean()
    assert own_error == pytest.approx(real_error.item(), rel=0.25)
    assert (ours - theirs).abs().mean() < 0.5 * real_error


def test_quality_above_100_changes_nothing():
    picture = make_picture()
    assert torch.equal(squeeze(picture, torch.tensor([101.0]), torch.zeros(1, 2)), picture)


def test_grain_is_normal_and_differs_between_keys():
    noise = hash_normal(torch.tensor([1, 2]), (3, 128, 128))
    assert abs(noise.mean()) < 0.01
    assert noise.std().item() == pytest.approx(1.0, abs=0.01)
    assert abs(torch.corrcoef(noise.flatten(1))[0, 1]) < 0.02


def test_texture_has_zero_mean_unit_deviation_and_one_octave_a_channel():
    texture = make_texture(torch.device("cpu"))[:, :-1, :-1]
    assert texture.mean(dim=(1, 2)).abs().max() < 1e-4
    assert texture.std(dim=(1, 2)) == pytest.approx(np.ones(len(texture)), abs=1e-3)
    roughness = (texture[:, :, 1:] - texture[:, :, :-1]).std(dim=(1, 2))
    assert (roughness[4:] / roughness[3:-1]).tolist() == pytest.approx([2.0] * 4, rel=0.2)


def test_arrow_is_painted_and_not_in_the_truth():
    arrow = (10.0, 32.0, 50.0, 32.0, 2.0, 10.0) + (0.0,) * 6 * (SEGMENTS - 1)
    pictures, truths = render_scenes([Scene((64, 64), 0.5, marks=Marks(arrow, (1.0, 0.0, 0.0)))])
    assert pictures[0, :, 32, 30].tolist() == [255, 0, 0]
    assert len(truths[0].labels) == 0


def test_eyepiece_is_black_outside():
    light = Light(eyepiece=(32.0, 32.0, 20.0, 0.5))
    pictures, _ = render_scenes([Scene((64, 64), 0.5, light=light)])
    assert pictures[0, :, 0, 0].max() <= 2
    assert pictures[0, :, 32, 32].min() > 200


def test_sharpening_leaves_an_even_field_alone():
    pictures, _ = render_scenes([Scene((32, 32), 0.5, camera=Camera(blur_px=1.0, sharpen=1.5))])
    assert pictures.min() == pictures.max()
