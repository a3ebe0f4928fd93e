from __future__ import annotations

import time
from concurrent.futures import Future
from pathlib import Path

import cv2
import numpy as np
import onnxruntime
import pytest
import torch

from training import rim_drawings
from training.known_pictures import FOCUS_STRATA
from training.plain_forms import PlainShapes, draw_shapes
from training.rim_drawings import (
    SEARCHES,
    STOCKS_LEARNT,
    STYLE,
    Rims,
    _learnt_only,
    join_rims,
    known_outlines,
    search_frames,
)
from training.rim_frames import choose_frames, disturb, extents, frame_around, place, true_radii
from training.rim_lessons import Lesson, give_lesson, show_plain
from training.rim_network import RimNetwork, export, read_network
from training.rim_reading import Reader, mirror
from training.rim_settings import PlainForms, RimSettings, parse_settings
from training.rim_strata import KIND_NAMES, N_STRATA, PLAIN_STRATUM, Leanings, label_strata
from training.synthesize.scene import draw_scene
from training.synthesize.stock import Stock, draw_stock
from training.train_rim import _misjudge, learn
from triage.groups import candidate_groups
from triage.outline import measure_moments
from triage.rim import RIM_GRAPH
from triage.rim_frame import N_RAYS, RIM_RHO, place_in_frame

ELLIPSE = (220.0, 230.0, 120.0, 80.0, 0.3)
SMALLER = (220.0, 230.0, 111.6, 74.4, 0.3)


def outline_of(ellipse: tuple[float, ...], n: int = 96) -> np.ndarray:
    cx, cy, length, width, turn = ellipse
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    u, v = length / 2 * np.cos(angle), width / 2 * np.sin(angle)
    return np.stack(
        [cx + u * np.cos(turn) - v * np.sin(turn), cy + u * np.sin(turn) + v * np.cos(turn)], axis=1
    )


@pytest.fixture
def rims() -> Rims:
    """Four objects, each a dark disc in a picture of its own, in grain."""
    rng = np.random.default_rng(0)
    y, x = np.mgrid[0:448, 0:448] + 0.5
    cx, cy, length, width, turn = ELLIPSE
    u = (x - cx) * np.cos(turn) + (y - cy) * np.sin(turn)
    v = (y - cy) * np.cos(turn) - (x - cx) * np.sin(turn)
    disc = np.hypot(2 * u / length, 2 * v / width) <= 1
    pictures = np.clip(200 - 90 * disc + rng.normal(0, 4, (4, 448, 448)), 0, 255).astype(np.uint8)
    return Rims(
        pictures,
        np.arange(4),
        np.tile(outline_of(ELLIPSE), (4, 1, 1)).astype(np.float32),
        np.tile(ELLIPSE, (4, 1)).astype(np.float32),
        np.arange(4),
        np.arange(4) + 5,
        np.ones(4, np.float32),
        np.tile(SMALLER, (4, SEARCHES, 1)).astype(np.float32),
    )


def test_radii_of_an_outline_in_its_own_frame_are_one_and_grow_with_it() -> None:
    frame = torch.tensor([ELLIPSE])
    outline = torch.from_numpy(outline_of(ELLIPSE)).float()[None]
    assert torch.allclose(true_radii(frame, outline), torch.ones(1, N_RAYS), atol=1e-3)
    larger = torch.from_numpy(outline_of((*ELLIPSE[:2], 132.0, 88.0, ELLIPSE[4]))).float()[None]
    assert torch.allclose(true_radii(frame, larger), torch.full((1, N_RAYS), 1.1), atol=2e-3)


def test_radii_lead_back_to_the_outline_from_a_disturbed_frame() -> None:
    generator = torch.Generator().manual_seed(1)
    frames = disturb(torch.tensor([ELLIPSE]).repeat(16, 1), generator)
    outlines = torch.from_numpy(outline_of(ELLIPSE)).float().repeat(16, 1, 1)
    sides = extents(place(frames, true_radii(frames, outlines)))
    assert torch.allclose(sides, torch.tensor([120.0, 80.0]).expand(16, 2), rtol=5e-3)


def test_extents_and_frame_are_those_the_tool_measures() -> None:
    points = outline_of(ELLIPSE)
    points[:, 0] += 6 * np.cos(3 * np.linspace(0, 2 * np.pi, 96, endpoint=False))
    cx, cy, length, width, turn = measure_moments(points[None])[0]
    frame = frame_around(torch.from_numpy(points)[None])[0].numpy()
    np.testing.assert_allclose(frame, (cx, cy, length, width, turn), rtol=1e-6)
    np.testing.assert_allclose(extents(torch.from_numpy(points)[None])[0].numpy(), (length, width), rtol=1e-6)


def test_torch_places_points_where_the_tool_does() -> None:
    radii = np.random.default_rng(2).uniform(0.6, 1.4, N_RAYS)
    here = place(torch.tensor([ELLIPSE], dtype=torch.float64), torch.from_numpy(radii)[None])[0].numpy()
    np.testing.assert_allclose(here, place_in_frame(np.array(ELLIPSE), radii), atol=1e-9)


def test_a_halved_copy_is_read_as_if_it_had_been_resized(rims: Rims) -> None:
    reader = Reader(rims, torch.device("cpu"))
    rows, frames = torch.arange(4), torch.tensor([ELLIPSE]).repeat(4, 1)
    whole, halved = (reader.read(rows, frames, torch.full((4,), flag)) for flag in (False, True))
    points = place(frames, torch.as_tensor(RIM_RHO, dtype=torch.float32).expand(4, N_RAYS, len(RIM_RHO)))
    for row in range(4):
        picture = rims.pictures[row].astype(np.float32)
        half = picture.reshape(224, 2, 224, 2).mean(axis=(1, 3))
        for grey, seen, size in ((picture, whole, 1), (half, halved, 2)):
            at = points[row].numpy() / size - 0.5
            expected = cv2.remap(
                grey,
                np.ascontiguousarray(at[..., 0]),
                np.ascontiguousarray(at[..., 1]),
                cv2.INTER_LINEAR,
            )
            # The reference rounds places to 1/32 px.
            assert np.abs(expected - seen[row].numpy()).max() < 6


def test_mirrored_rims_lie_where_a_mirrored_picture_shows_them() -> None:
    frame = torch.tensor([(0.0, 0.0, 40.0, 20.0, 0.0)])
    rho = torch.as_tensor(RIM_RHO, dtype=torch.float32).expand(1, N_RAYS, len(RIM_RHO))
    at = place(frame, rho)[0]
    uneven = at[..., 0] + 3 * at[..., 1]
    radii = 1 + 0.01 * uneven[:, 48]
    found = mirror(uneven.expand(64, -1, -1), radii.expand(64, -1), torch.Generator().manual_seed(1))
    signs = [(along, across) for along in (1, -1) for across in (1, -1)]
    expected = [along * at[..., 0] + 3 * across * at[..., 1] for along, across in signs]
    which = [
        [row for row, each in enumerate(expected) if torch.allclose(each, seen, atol=1e-4)]
        for seen in found[0]
    ]
    assert sorted({row for (row,) in which}) == [0, 1, 2, 3]
    for (row,), read in zip(which, found[1], strict=True):
        assert torch.allclose(read, 1 + 0.01 * expected[row][:, 48], atol=1e-5)


def test_plain_discs_change_fastest_at_their_edge() -> None:
    generator = torch.Generator().manual_seed(3)
    forms = PlainForms(width_px=(80.0, 80.0), blur_of_width=0.02)
    shapes = draw_shapes(64, forms, generator)
    grey = shapes.read(shapes.ellipses, generator).mean(dim=(0, 1))
    steepest = float(RIM_RHO[int((grey[1:] - grey[:-1]).argmax())])
    assert steepest == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize(
    ("sides", "blur_px"), [((40.0, 32.0), 1.5), ((24.0, 20.0), 2.0), ((30.0, 16.0), 1.6)]
)
def test_plain_discs_are_blurred_as_drawn_ones_are(sides: tuple[float, float], blur_px: float) -> None:
    y, x = (np.mgrid[0 : 64 * 8, 0 : 64 * 8] + 0.5) / 8 - 32
    turn = ELLIPSE[4]
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    finer = (np.hypot(2 * u / sides[0], 2 * v / sides[1]) <= 1).astype(np.float32)
    inside = finer.reshape(64, 8, 64, 8).mean(axis=(1, 3))
    picture = 200 - 100 * cv2.GaussianBlur(inside, (0, 0), blur_px)
    frame = torch.tensor([(32.0, 32.0, *sides, turn)])
    rho = torch.as_tensor(RIM_RHO, dtype=torch.float32).expand(1, N_RAYS, len(RIM_RHO))
    at = place(frame, rho)[0].numpy() - 0.5
    expected = cv2.remap(picture, *np.ascontiguousarray(at.transpose(2, 0, 1)), cv2.INTER_LINEAR)
    one = torch.ones(1, 1, 1)
    shape = PlainShapes(frame, blur_px * one, 9 * one, 100 * one, 0 * one, 0 * one)
    seen = shape.read(frame, torch.Generator().manual_seed(1))[0].numpy()
    assert np.abs(seen - expected)[:, 40:56].mean() < 1.0
    assert np.abs(seen - expected).max() < 5


def test_plain_shapes_keep_to_what_is_asked() -> None:
    forms = PlainForms(width_px=(15.0, 60.0), most_aspect=1.5, blur_px=(0.5, 0.7), blur_of_width=0.2)
    shapes = draw_shapes(500, forms, torch.Generator().manual_seed(2))
    width, aspect = shapes.ellipses[:, 3], shapes.ellipses[:, 2] / shapes.ellipses[:, 3]
    most_blur = 0.7 + 0.2 * width
    assert 15 <= width.min() < 16 and 58 < width.max() <= 60.01
    assert aspect.min() >= 1 and 1.45 < aspect.max() <= 1.5
    assert shapes.blur.min() >= 0.5 and bool((shapes.blur[:, 0, 0] <= most_blur).all())
    assert (shapes.blur[:, 0, 0] > 0.8 * most_blur).any()


def test_plain_shapes_are_read_a_second_time_where_the_first_reading_found_them() -> None:
    torch.manual_seed(0)
    network, generator = RimNetwork(4), torch.Generator().manual_seed(5)
    network.delta.bias.data += 2.0  # a first reading that is 10 % too large
    settings = RimSettings(Path("unused"), read_twice_share=0.5)
    lesson = show_plain(network, 150, settings, generator)
    larger = lesson.frames[:, 2:4].prod(dim=1) / lesson.sides.prod(dim=1)
    once = show_plain(network, 150, RimSettings(Path("unused"), read_twice_share=0.0), generator)
    before = once.frames[:, 2:4].prod(dim=1) / once.sides.prod(dim=1)
    assert float(before.median()) == pytest.approx(1, abs=0.03)
    assert 0.35 < float((larger > 1.1).float().mean() - (before > 1.1).float().mean()) < 0.55
    # Whatever the frame, what is to be read is the same shape.
    found = extents(place(lesson.frames, lesson.radii))
    assert torch.allclose(found, lesson.sides, rtol=0.01)


def test_a_lesson_holds_the_share_of_plain_shapes(rims: Rims) -> None:
    reader, rows = Reader(rims, torch.device("cpu")), torch.arange(4)
    settings = RimSettings(Path("unused"), batch=16, plain=PlainForms(share=0.25, width_px=(20.0, 40.0)))
    lesson = give_lesson(RimNetwork(4), reader, rows, settings, torch.Generator().manual_seed(1))
    assert lesson.seen.shape == (16, N_RAYS, len(RIM_RHO))
    assert int((lesson.sides[:, 1] <= 40.01).sum()) == 4
    assert torch.allclose(lesson.sides[:12], torch.tensor(ELLIPSE[2:4]), rtol=0.01)


def test_the_command_that_is_recorded_gives_the_same_settings() -> None:
    given = RimSettings(
        Path("out"),
        scenes=50,
        rate=1e-3,
        start=Path("rim.onnx"),
        searched_share=0.5,
        plain=PlainForms(share=0.1, blur_px=(0.5, 2.0)),
    )
    assert parse_settings("", ["--out", "out", *given.write_command().split()[3:]]) == given


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("--plain-share 1.2", "--plain-share is 1.2; it must be from 0 to 1"),
        ("--plain-width-px 40 20", "--plain-width-px is 40 to 20; it must rise"),
        ("--minutes 0", "--minutes is 0.0; it must be above 0"),
    ],
)
def test_settings_that_can_not_be_are_refused(
    words: str, message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit):
        parse_settings("", ["--out", "out", *words.split()])
    assert message in capsys.readouterr().err


def test_learning_brings_the_radii_nearer_and_the_file_gives_the_same(tmp_path: Path, rims: Rims) -> None:
    torch.manual_seed(0)
    reader, network = Reader(rims, torch.device("cpu")), RimNetwork(4)
    rows, frames = torch.arange(4), torch.tensor([SMALLER]).repeat(4, 1)
    seen = reader.read(rows, frames, torch.zeros(4, dtype=torch.bool))
    wanted = true_radii(frames, reader.outlines)

    def error() -> float:
        with torch.no_grad():
            return float((network(seen, frames[:, 2:4])[0] - wanted).abs().mean())

    before = error()
    # The rate rises and falls within the steps: 30 of them still end where they began.
    settings = RimSettings(tmp_path, steps=80, batch=8, rate=1e-2, plain=PlainForms(share=0.125))
    assert learn(network, reader, rows, settings) == 80
    assert error() < 0.5 * before
    with torch.no_grad():
        radii, log_sd = network.eval()(seen[:1], frames[:1, 2:4])
    export(network, tmp_path / "rim.onnx")
    session = onnxruntime.InferenceSession(tmp_path / "rim.onnx", providers=["CPUExecutionProvider"])
    found = session.run(["radii", "log_sd"], {"rims": seen[:1].numpy(), "sides": frames[:1, 2:4].numpy()})
    np.testing.assert_allclose(found[0], radii.numpy(), atol=1e-4)
    np.testing.assert_allclose(found[1], log_sd.numpy(), atol=1e-4)


def test_learning_ends_when_its_time_is_over(tmp_path: Path, rims: Rims) -> None:
    reader, settings = Reader(rims, torch.device("cpu")), RimSettings(tmp_path, steps=10**9, batch=4)
    assert 1 <= learn(RimNetwork(4), reader, torch.arange(4), settings, limit_s=0.3) < 1000


def test_drawing_ends_when_its_time_is_over(monkeypatch: pytest.MonkeyPatch, rims: Rims) -> None:
    monkeypatch.setattr(rim_drawings, "draw_rims", lambda *given: rims)
    drawn = rim_drawings.draw_many(1, 10**6, 0, "cpu", 0.0)
    assert len(drawn.pictures) == len(rims.pictures)


def test_what_is_begun_when_the_time_is_over_is_taken() -> None:
    done, running, late = Future[int](), Future[int](), Future[int]()
    done.set_result(1)
    running.set_running_or_notify_cancel()
    running.set_result(2)
    assert list(rim_drawings._take_in_order([done, running, late], time.monotonic())) == [1, 2]  # type: ignore[arg-type]
    assert late.cancelled()


def test_stored_rims_are_read_again(tmp_path: Path, rims: Rims) -> None:
    rim_drawings.store_rims(rims, tmp_path / "rims.npz")
    again = rim_drawings.read_rims(tmp_path / "rims.npz")
    for name, array in vars(rims).items():
        np.testing.assert_array_equal(getattr(again, name), array)


def test_joined_parts_keep_each_object_in_its_own_picture(rims: Rims) -> None:
    both = join_rims([rims, rims])
    assert both.picture_of.tolist() == list(range(8))
    for name in ("pictures", "outlines", "ellipses", "groups", "kinds", "focus_depths", "searched"):
        np.testing.assert_array_equal(getattr(both, name)[4:], getattr(rims, name))


def test_search_leaves_frames_near_what_is_drawn_and_none_on_a_bare_picture(rims: Rims) -> None:
    rng = np.random.default_rng(4)
    bare = np.full((1, 448, 448), 200, np.uint8)
    found = search_frames(rims.pictures[:1], rims.picture_of[:1], rims.ellipses[:1], rng)
    np.testing.assert_allclose(found[0, :, :4], np.tile(ELLIPSE[:4], (SEARCHES, 1)), rtol=0.02)
    assert np.isnan(search_frames(bare, rims.picture_of[:1], rims.ellipses[:1], rng)).all()


def test_frames_of_the_search_are_chosen_where_it_found_something() -> None:
    truth = torch.tensor([ELLIPSE]).repeat(400, 1)
    searched = torch.full((400, 2, 5), 7.0)
    searched[:200] = torch.nan
    frames, is_searched = choose_frames(truth, searched, 0.75, torch.Generator().manual_seed(1))
    assert torch.equal(is_searched, (frames == 7).all(dim=1))
    assert frames.isfinite().all() and not is_searched[:200].any()
    assert 0.65 < is_searched[200:].float().mean() < 0.85


def test_learning_can_start_from_the_network_in_use(rims: Rims) -> None:
    reader, rows = Reader(rims, torch.device("cpu")), torch.arange(4)
    seen = reader.read(rows, reader.ellipses, torch.zeros(4, dtype=torch.bool))
    with torch.no_grad():
        here = read_network()(seen[:1], reader.ellipses[:1, 2:4])
    session = onnxruntime.InferenceSession(RIM_GRAPH, providers=["CPUExecutionProvider"])
    there = session.run(
        ["radii", "log_sd"], {"rims": seen[:1].numpy(), "sides": reader.ellipses[:1, 2:4].numpy()}
    )
    for one, other in zip(here, there, strict=True):
        np.testing.assert_allclose(one.numpy(), other, atol=1e-4)


def test_only_part_of_the_stock_is_learnt() -> None:
    asked: list[int] = []

    def source(kind: object, number: int) -> Stock:
        asked.append(number)
        return Stock({}, np.zeros((0, 96, 2), np.float32))

    for number in range(16):
        _learnt_only(source, None, number)  # type: ignore[arg-type]
    assert max(asked) < STOCKS_LEARNT


def test_strata_are_a_group_a_focus_both_and_a_kind_each() -> None:
    n = len(candidate_groups())
    groups, kinds = np.array([0, 3, n - 1, 0, 0]), np.array([0, 0, len(KIND_NAMES) - 1, 2, 2])
    strata = label_strata(groups, kinds, np.array([-2.0, 0.0, 5.0, -1.0, 0.5], np.float32))
    assert strata[:, 0].tolist() == groups.tolist()
    assert [FOCUS_STRATA[row - n][2] for row in strata[:, 1]] == [
        "blurred, below",
        "sharp",
        "blurred, above",
        "soft, below",
        "soft, above",
    ]
    assert (strata[:, 2] - n - 5).tolist() == [0, 17, 5 * n - 1, 1, 3]
    assert (strata[:, 3] - n - 5 - 5 * n).tolist() == kinds.tolist()
    assert PLAIN_STRATUM == strata.max() + 1 == N_STRATA - 1


def test_a_stratum_that_is_read_too_large_is_pushed_back_and_no_other() -> None:
    strata = torch.tensor([[0, 10], [0, 11], [1, 11], [1, 10]])
    error = torch.tensor([[0.5, 0.0], [1.5, 0.0], [0.0, 0.0], [9.0, 9.0]], requires_grad=True)
    leanings, counts = Leanings(torch.device("cpu")), torch.tensor([True, True, True, False])
    for _ in range(300):
        leanings.push(error, error, strata, counts)
    leanings.push(error, error, strata, counts).backward()
    assert error.grad is not None
    # Group 0 errs by 1.0 in length, focus 10 by 0.5, focus 11 by 0.75; three objects count.
    expected = torch.tensor([[1.5, 0.0], [1.75, 0.0], [0.75, 0.0], [0.0, 0.0]]) / 6
    assert torch.allclose(error.grad, expected, atol=0.01)


def test_stated_uncertainty_comes_to_hold_95_percent_of_skewed_errors() -> None:
    generator = torch.Generator().manual_seed(2)
    log_sd = torch.full((2,), -6.0, requires_grad=True)
    optimizer, misses = torch.optim.Adam([log_sd], lr=0.02), Leanings(torch.device("cpu"))
    strata, is_last, unused = torch.zeros(512, 2, dtype=torch.int64), torch.arange(512) < 400, torch.empty(0)
    lesson = Lesson(unused, unused, unused, unused, unused, strata, is_last)

    def draw(n: int) -> torch.Tensor:
        usual = 0.01 * torch.randn(n, 2, generator=generator)
        return torch.where(torch.rand(n, 2, generator=generator) < 0.1, 0.1 + usual, usual)

    for _ in range(500):
        optimizer.zero_grad()
        _misjudge(draw(512), log_sd.expand(512, 2), lesson, misses).backward()
        optimizer.step()
    covered = (draw(20000).abs() <= 1.96 * log_sd.exp()).float().mean(dim=0)
    assert torch.allclose(covered, torch.full((2,), 0.95), atol=0.015)


def test_known_outlines_span_the_true_ellipses() -> None:
    from training.synthesize.kinds import KINDS
    from training.synthesize.render import render_scenes

    named = KINDS["taeniid_egg"]
    kinds = {named.name: named}
    scene = draw_scene(5, 0, STYLE, (448, 448), kinds=kinds, stocks=lambda kind, number: draw_stock(kind, 0))
    _, truths = render_scenes([scene], kinds=kinds)
    known = list(known_outlines(scene, truths[0]))
    assert known
    for outline, ellipse, group, kind, depth in known:
        _, _, length, width, _ = measure_moments(outline[None])[0]
        assert length == pytest.approx(ellipse[2], rel=0.02) and width == pytest.approx(ellipse[3], rel=0.02)
        assert np.isfinite(depth)
        assert (candidate_groups()[group], KIND_NAMES[kind]) == (named.group, named.name)
