"""The truth is what is seen: sizes measured off the picture, not off the code that drew it."""

import json
from dataclasses import replace

import numpy as np
import pytest

from training.synthesize.camera import Light
from training.synthesize.coco import write_coco
from training.synthesize.debris import Debris
from training.synthesize.kinds import KINDS
from training.synthesize.material import Material
from training.synthesize.render import render_scenes
from training.synthesize.scene import Scene
from triage.boxes import box_iou


def measure(picture: np.ndarray, um_per_px: float) -> tuple[float, float, float, np.ndarray]:
    """Length, width (µm), angle (degrees) and centre of the one dark object, from its half-dark edge."""
    darkness = -np.log(np.maximum(picture.astype(float).mean(0), 1) / np.median(picture))
    inside = np.clip((darkness / np.percentile(darkness, 99) - 0.5) * 2 + 0.5, 0, 1)
    y, x = np.mgrid[: inside.shape[0], : inside.shape[1]] + 0.5
    centre = np.array([np.average(x, weights=inside), np.average(y, weights=inside)])
    spread = np.cov(np.stack([x.ravel(), y.ravel()]), aweights=inside.ravel(), bias=True)
    variances, axes = np.linalg.eigh(spread)
    width, length = 4 * np.sqrt(variances) * um_per_px
    return length, width, float(np.degrees(np.arctan2(axes[1, 1], axes[0, 1]))), centre


@pytest.mark.parametrize("um_per_px", [0.4, 0.73, 1.1])
@pytest.mark.parametrize("angle_deg", [0.0, 37.0, 90.0, 151.0])
def test_ellipse_drawn_at_80_um_measures_80_um(dark_ellipse, lay_one, um_per_px, angle_deg):
    scene = lay_one(dark_ellipse, um_per_px=um_per_px, angle_deg=angle_deg, centre_xy=(120.3, 131.8))
    pictures, truths = render_scenes([scene], kinds={"dark_ellipse": dark_ellipse})
    length, width, angle, centre = measure(pictures[0].numpy(), um_per_px)
    assert length == pytest.approx(80.0, abs=0.25 * um_per_px)
    assert width == pytest.approx(50.0, abs=0.25 * um_per_px)
    assert abs((angle - truths[0].ellipses[0, 4] + 90) % 180 - 90) < 0.3
    assert np.allclose(centre, truths[0].ellipses[0, :2], atol=0.05)


@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 90.0, 200.0])
def test_truth_gives_exact_sizes_and_the_box_of_the_tilted_ellipse(dark_ellipse, lay_one, angle_deg):
    scene = lay_one(dark_ellipse, um_per_px=0.5, angle_deg=angle_deg)
    truth = render_scenes([scene], kinds={"dark_ellipse": dark_ellipse})[1][0]
    assert truth.sizes_um[0] == pytest.approx([80.0, 50.0], abs=1e-3)
    assert truth.ellipses[0, 2:4] * 0.5 == pytest.approx([80.0, 50.0], abs=1e-3)
    # Half-sides of a tilted ellipse's box: sqrt(a²cos² + b²sin²), sqrt(a²sin² + b²cos²) (textbook geometry).
    cosine, sine = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    half = np.hypot([80 * cosine, 80 * sine], [50 * sine, 50 * cosine])
    expected = [128 - half[0], 128 - half[1], 128 + half[0], 128 + half[1]]
    assert truth.boxes_xyxy[0] == pytest.approx(expected, abs=0.05)
    assert -90 < truth.ellipses[0, 4] <= 90


@pytest.mark.parametrize("angle_deg", [0.0, 60.0])
def test_bodies_that_may_be_boxed_apart_span_the_pair(lay_one, angle_deg):
    kind = KINDS["sporocyst_pair"]
    scene = lay_one(kind, um_per_px=0.25, angle_deg=angle_deg)
    is_single = scene.objects[kind.name].parameters["single"][0] > 0
    truth = render_scenes([scene])[1][0]
    bodies, box = truth.bodies_xyxy[0], truth.boxes_xyxy[0]
    assert np.isnan(bodies).all() == is_single
    assert not is_single
    assert bodies[:, :2].min(axis=0) == pytest.approx(box[:2], abs=0.6)
    assert bodies[:, 2:].max(axis=0) == pytest.approx(box[2:], abs=0.6)
    assert (box_iou(bodies, box[None]) < 0.85).all()


def test_bodies_are_written_as_alternative_boxes(dark_ellipse, lay_one, tmp_path):
    kinds = {**KINDS, "dark_ellipse": dark_ellipse}
    scenes = [lay_one(KINDS["sporocyst_pair"]), lay_one(dark_ellipse)]
    truths = render_scenes(scenes, kinds=kinds)[1]
    write_coco(tmp_path / "annotations.json", ["a.jpg", "b.jpg"], (256, 256), truths)
    pair, one = json.loads((tmp_path / "annotations.json").read_text(encoding="utf-8"))["annotations"]
    x, y, width, height = pair["alternative_boxes"][1]
    assert [x, y, x + width, y + height] == pytest.approx(truths[0].bodies_xyxy[0, 1].tolist())
    assert one["alternative_boxes"] == []


def test_what_is_one_body_has_no_other_boxes(dark_ellipse, lay_one):
    truth = render_scenes([lay_one(dark_ellipse)], kinds={"dark_ellipse": dark_ellipse})[1][0]
    assert np.isnan(truth.bodies_xyxy).all()


def test_object_cut_by_the_edge_is_clipped_and_flagged(dark_ellipse, lay_one):
    scene = lay_one(dark_ellipse, centre_xy=(0.0, 128.0), angle_deg=90.0)
    truth = render_scenes([scene], kinds={"dark_ellipse": dark_ellipse})[1][0]
    assert truth.is_truncated.tolist() == [True]
    assert truth.boxes_xyxy[0, 0] == 0
    assert truth.visible[0] == pytest.approx(0.5, abs=0.03)
    assert truth.ellipses[0, 2] * 0.5 == pytest.approx(80.0, abs=1e-3)


def test_whole_object_is_not_flagged(dark_ellipse, lay_one):
    truth = render_scenes([lay_one(dark_ellipse)], kinds={"dark_ellipse": dark_ellipse})[1][0]
    assert (truth.is_truncated.tolist(), truth.visible.tolist()) == ([False], [1.0])


def test_object_outside_the_picture_is_left_out(dark_ellipse, lay_one):
    scene = lay_one(dark_ellipse, centre_xy=(-90.0, 128.0))
    assert len(render_scenes([scene], kinds={"dark_ellipse": dark_ellipse})[1][0].labels) == 0


def test_half_an_object_behind_the_eyepiece_edge_is_half_visible(dark_ellipse, lay_one):
    light = Light(eyepiece=(-872.0, 128.0, 1000.0, 1.0))
    truth = render_scenes([lay_one(dark_ellipse, light=light)], kinds={"dark_ellipse": dark_ellipse})[1][0]
    assert truth.visible[0] == pytest.approx(0.5, abs=0.05)
    assert truth.inside[0] == 1.0


def test_object_under_dense_debris_is_not_visible(dark_ellipse, lay_one):
    dense = Debris(cover=(0.999, 0.0, 0.0), haze_density=(20.0, 0.0, 0.0), edge=(0.01,) * 3)
    thin = Debris(cover=(0.999, 0.0, 0.0), haze_density=(0.1, 0.0, 0.0), edge=(0.01,) * 3)
    scenes = [lay_one(dark_ellipse, debris=debris) for debris in (dense, thin)]
    truths = render_scenes(scenes, kinds={"dark_ellipse": dark_ellipse})[1]
    assert truths[0].visible[0] < 0.2
    assert truths[0].inside[0] == truths[1].visible[0] == 1.0


@pytest.fixture
def see_pair(dark_ellipse, lay_one):
    """How well a small ellipse is seen that lies on the one of 80 x 50 µm, which is of another group."""

    def see(length_um, width_um, *, group, marks=1.0):
        def draw(rng, n):
            sizes = {"length_um": length_um, "width_um": width_um}
            full = {name: np.full(n, size, np.float32) for name, size in sizes.items()}
            return dark_ellipse.draw_parameters(rng, n) | full

        def mark(samples, parameters):
            filled = dark_ellipse.material(samples, parameters)
            return Material(marks * filled.density, marks * filled.path_um)

        small = replace(dark_ellipse, name="small", draw_parameters=draw, material=mark)
        large = replace(dark_ellipse, name="large", group=group)
        objects = lay_one(small).objects | lay_one(large).objects
        scene = replace(lay_one(small), objects=objects)
        truth = render_scenes([scene], kinds={"small": small, "large": large})[1][0]
        return truth.visible[truth.kinds.index("small")]

    return see


def test_a_small_egg_on_a_much_larger_one_is_not_visible(see_pair):
    assert see_pair(30.0, 20.0, group="ascarid_egg") == 0.0


def test_an_egg_on_one_hardly_larger_is_visible(see_pair):
    assert see_pair(60.0, 40.0, group="ascarid_egg") == 1.0


def test_an_egg_without_a_mark_of_its_own_is_not_seen_by_that_of_a_look_alike(see_pair):
    assert see_pair(60.0, 40.0, group="plant_debris", marks=0.0) < 0.05


def test_empty_scene_is_plain_and_has_no_objects():
    pictures, truths = render_scenes([Scene((64, 96), 0.5)])
    assert pictures.shape == (1, 3, 64, 96)
    assert pictures.min() == pictures.max() == round(0.85 * 255)
    assert truths[0].boxes_xyxy.shape == (0, 4)
