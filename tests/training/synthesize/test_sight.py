"""`visible` follows what can be seen: stacks of known defocus, contrast, debris and cover."""

import json
from dataclasses import replace

import numpy as np
import pytest

from training.synthesize.camera import Camera, Light
from training.synthesize.coco import write_coco
from training.synthesize.debris import Debris
from training.synthesize.optics import Optics
from training.synthesize.render import render_scenes
from training.synthesize.sight import LEAST_VISIBLE, Sight, count_grains, measure_contrast


def truths_of(kind, scenes):
    return render_scenes(scenes, kinds={kind.name: kind})[1]


def stack(lay_one, kind, depths_um, **changes):
    optics = [Optics(na=0.25, condenser_na=0.2, slab_z_um=(z, 0.0, 0.0)) for z in depths_um]
    return truths_of(kind, [lay_one(kind, optics=one, **changes) for one in optics])


def test_visibility_falls_with_defocus_until_nothing_is_seen(dark_ellipse, lay_one):
    truths = stack(lay_one, dark_ellipse, [0, 30, 60, 90, 120, 180, 260])
    visible = [float(truth.visible[0]) for truth in truths]
    assert visible == sorted(visible, reverse=True)
    assert visible[0] == 1.0 and visible[-1] < LEAST_VISIBLE
    assert [truth.shown[0] for truth in truths] == [1.0] * len(truths)


def test_same_blur_hides_a_small_object_first(dark_ellipse, lay_one):
    # 0.2 / 2 x 60 µm is a deviation of 6 µm, of a width of 50 µm: 0.12; and of 12.5 µm: 0.48.
    def quarter(scene):
        things = scene.objects["dark_ellipse"]
        small = {name: values / 4 for name, values in things.parameters.items()}
        return {"dark_ellipse": replace(things, parameters=small, outline_um=things.outline_um / 4)}

    optics = Optics(na=0.25, condenser_na=0.2, slab_z_um=(60.0, 0.0, 0.0))
    large = lay_one(dark_ellipse, optics=optics)
    truths = truths_of(dark_ellipse, [large, replace(large, objects=quarter(large))])
    assert truths[0].visible[0] > LEAST_VISIBLE > truths[1].visible[0]
    assert truths[0].definition[0] == pytest.approx(4 * truths[1].definition[0])


def test_visibility_falls_with_contrast(dark_ellipse, lay_one):
    lights = [Light(contrast=share) for share in (1.0, 0.2, 0.05, 0.01)]
    truths = truths_of(dark_ellipse, [lay_one(dark_ellipse, light=light) for light in lights])
    contrasts = [float(truth.contrast[0]) for truth in truths]
    assert contrasts[0] / contrasts[3] == pytest.approx(100, rel=0.02)
    assert truths[0].visible[0] == 1.0 and truths[3].visible[0] < LEAST_VISIBLE


def test_grain_in_little_light_hides_more(dark_ellipse, lay_one):
    grainy = Camera(grain=0.05)
    bright, dim = (
        lay_one(dark_ellipse, camera=grainy, light=Light(colour=(level,) * 3, contrast=0.1))
        for level in (0.8, 0.1)
    )
    truths = truths_of(dark_ellipse, [bright, dim])
    assert truths[0].contrast[0] > 2 * truths[1].contrast[0]
    assert truths[0].light_level > 7 * truths[1].light_level


def test_texture_around_an_object_hides_it(dark_ellipse, lay_one):
    grains = Debris(cover=(0.9, 0.0, 0.0), grain_density=(0.8, 0.0, 0.0), grain_um=(6.0,) * 3)
    faint = Light(contrast=0.3)
    truths = truths_of(
        dark_ellipse,
        [lay_one(dark_ellipse, light=faint), lay_one(dark_ellipse, light=faint, debris=grains)],
    )
    assert truths[1].contrast[0] < truths[0].contrast[0]
    assert truths[1].debris_cover[0] > truths[0].debris_cover[0] == 0.0


def test_unevenness_is_the_lamps_brightest_over_its_darkest(dark_ellipse, lay_one):
    # A slope of 0.2 across the half-side: from 0.8 to 1.2.
    truth = truths_of(dark_ellipse, [lay_one(dark_ellipse, light=Light(slope_xy=(0.2, 0.0)))])[0]
    assert truth.light_unevenness == pytest.approx(1.2 / 0.8 - 1)


def test_focus_is_told_in_depths_of_field(dark_ellipse, lay_one):
    (truth,) = stack(lay_one, dark_ellipse, [-17.28])
    # Wavelength over NA²: 0.54 / 0.25² = 8.64 µm.
    assert (truth.focus_depths[0], truth.focus_um[0]) == (pytest.approx(2.0), -17.28)


def test_file_says_how_well_each_object_is_seen(dark_ellipse, lay_one, tmp_path):
    truths = stack(lay_one, dark_ellipse, [0, 260])
    write_coco(tmp_path / "a.json", ["1.png", "2.png"], (256, 256), truths)
    content = json.loads((tmp_path / "a.json").read_text())
    assert [row["visible"] for row in content["annotations"]] == [float(truth.visible[0]) for truth in truths]
    assert [row["occluded"] for row in content["annotations"]] == [0.0, 0.0]
    assert np.isfinite([row["light_level"] for row in content["images"]]).all()
    assert {"contrast", "definition", "debris_cover", "focus_depths"} <= set(content["annotations"][0])


def test_texture_hides_an_outline_of_few_grains_more():
    rng = np.random.default_rng(3)
    level = np.exp(rng.normal(0, 0.3, (60, 60))).astype(np.float32)
    marks = np.zeros((3, 60, 60), np.float32)
    marks[:, 20:40, 20:40] = 0.4
    sight = Sight(marks, level, np.zeros((60, 60), np.float32))
    inside, around = rng.uniform(42, 78, (1, 200, 2)), rng.uniform(84, 118, (1, 200, 2))
    shows = np.ones((1, 200), bool)
    few, many = (
        measure_contrast(sight, inside, around, shows, shows, 0.0, np.array([n_grains]))[0]
        for n_grains in (4.0, 64.0)
    )
    # The root of the number of independent samples, where texture outweighs all else (textbook statistics).
    assert many / few == pytest.approx(4.0, rel=0.05)


def test_grains_are_counted_along_the_outline_in_what_the_camera_parts_or_in_um():
    square = np.array([[[0.0, 0], [40, 0], [40, 40], [0, 40]]])
    assert count_grains(square, 1.0).tolist() == [40.0]
    assert count_grains(square, 0.1).tolist() == [8.0]
