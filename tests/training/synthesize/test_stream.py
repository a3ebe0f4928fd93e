"""Tiles depend on their seed and number alone."""

from dataclasses import replace

import numpy as np
import pytest
import torch

from training.synthesize.kinds import KINDS
from training.synthesize.kinds.kind import Kind
from training.synthesize.render import render_scenes
from training.synthesize.scene import draw_scene
from training.synthesize.stream import draw_batch
from training.synthesize.style import BACKGROUND, FIELD, LOOK_ALIKE, STYLES, TRAINING, Style
from triage.groups import candidate_groups, read_groups

SMALL = Style("small", object_px=(20.0, 60.0), least_candidates=1, candidates_per_mpx=(40.0, 80.0))


def draw_small(seed: int, n: int, dark_ellipse) -> tuple[torch.Tensor, list]:
    kinds = {"dark_ellipse": dark_ellipse}
    scenes = [draw_scene(seed, index, SMALL, (96, 96), kinds=kinds) for index in range(n)]
    return render_scenes(scenes, kinds=kinds)


def test_tile_is_the_same_whatever_the_batch(dark_ellipse):
    three, truths_of_three = draw_small(5, 3, dark_ellipse)
    one, truths_of_one = draw_small(5, 1, dark_ellipse)
    assert (three[0].int() - one[0].int()).abs().max() <= 1
    assert np.array_equal(truths_of_three[0].boxes_xyxy, truths_of_one[0].boxes_xyxy)


def count_crossing(style: Style, kind: Kind) -> int:
    """Pairs of drawn objects whose circles of mean radius overlap, in 20 scenes."""
    n_pairs = 0
    for index in range(20):
        scene = draw_scene(4, index, style, (768, 768), um_per_px=0.5, kinds={kind.name: kind})
        circles = [
            (*centre, np.ptp(outline, axis=0).mean() / 2 / scene.um_per_px)
            for things in scene.objects.values()
            for centre, outline in zip(things.centre_xy, things.outline_um, strict=True)
        ]
        n_pairs += sum(
            np.hypot(x - x0, y - y0) < 0.8 * (r + r0)
            for number, (x, y, r) in enumerate(circles)
            for x0, y0, r0 in circles[:number]
        )
    return n_pairs


def test_objects_lie_across_each_other_where_a_style_asks_for_it(dark_ellipse):
    plain = replace(FIELD, candidates_per_mpx=(5.0, 10.0), cluster_share=0.0)
    crossing = count_crossing(replace(plain, overlap_share=0.5), dark_ellipse)
    assert crossing > 10 and crossing > 3 * count_crossing(plain, dark_ellipse)


def test_tiles_of_a_batch_differ(dark_ellipse):
    tiles, _ = draw_small(5, 2, dark_ellipse)
    assert (tiles[0].int() - tiles[1].int()).abs().float().mean() > 5


def test_same_seed_gives_the_same_picture_again(dark_ellipse):
    first, _ = draw_small(6, 2, dark_ellipse)
    again, _ = draw_small(6, 2, dark_ellipse)
    other, _ = draw_small(7, 2, dark_ellipse)
    assert torch.equal(first, again)
    assert not torch.equal(first, other)


def test_draw_batch_gives_tiles_and_truths_of_the_agreed_form():
    tiles, truths = draw_batch(3, n=2, tile_px=64)
    assert (tiles.shape, tiles.dtype, len(truths)) == ((2, 3, 64, 64), torch.uint8, 2)
    for truth in truths:
        n = len(truth.labels)
        assert truth.boxes_xyxy.shape == (n, 4)
        assert truth.ellipses.shape == (n, 5)
        assert truth.visible.shape == truth.focus_um.shape == (n,)
        assert (truth.boxes_xyxy >= 0).all() and (truth.boxes_xyxy <= 64).all()
        assert ((truth.labels >= 0) & (truth.labels < len(read_groups()))).all()


@pytest.mark.parametrize("style", [BACKGROUND, LOOK_ALIKE], ids=lambda style: style.name)
def test_pictures_without_objects_hold_no_candidates(style):
    for index in range(20):
        scene = draw_scene(1, index, style, (384, 384))
        assert not {KINDS[name].group for name in scene.objects} & set(candidate_groups())


def test_a_close_look_alike_is_there_and_spans_many_sizes():
    scenes = [draw_scene(2, index, LOOK_ALIKE, (384, 384)) for index in range(40)]
    longest_px = np.array(
        [
            max((things.parameters["length_um"].max() for things in scene.objects.values()), default=0)
            / scene.um_per_px
            for scene in scenes
        ]
    )
    assert (longest_px > 0).mean() > 0.7
    assert longest_px.min() < 60 and longest_px.max() > 250


def test_a_quarter_of_the_training_pictures_hold_no_candidate():
    empty = [weight for weight, part in TRAINING.parts if part.candidates_per_mpx == (0.0, 0.0)]
    assert 0.2 <= sum(empty) / sum(weight for weight, _ in TRAINING.parts) <= 0.3


@pytest.mark.parametrize("style", sorted(STYLES))
def test_every_style_draws(style):
    tiles, _ = draw_batch(11, n=2, tile_px=128, style=STYLES[style])
    assert tiles.float().std() > 0.5


def test_main_object_spans_the_wanted_pixels(dark_ellipse):
    style = Style("one", object_px=(50.0, 50.0), least_candidates=1, candidates_per_mpx=(0.0, 0.0))
    scene = draw_scene(2, 0, style, (128, 128), kinds={"dark_ellipse": dark_ellipse})
    assert scene.um_per_px == pytest.approx(80.0 / 50.0)
