"""Drawn rulings are found again; what is no ruling is refused."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from typer.testing import CliRunner

from service.cli import app
from training.synthesize.ruling import Ruling, draw_any_ruling, draw_ruling
from triage.errors import CalibrationError
from triage.images import open_picture
from triage.micrometer import RulingScale, calibrate_picture, scale_to_json
from triage.micrometer.lattice import Lattice, fit_lattice
from triage.micrometer.search import find_stripes, flatten_light

GLASS = (205, 200, 188)
N_DRAWN = 16


def write(path: Path, pixels: NDArray[np.uint8]) -> Path:
    Image.fromarray(pixels).save(path)
    return path


@pytest.fixture
def calibrate(tmp_path: Path) -> Callable[..., RulingScale]:
    """Calibrates pixels by way of a file, as a user would."""

    def from_pixels(pixels: NDArray[np.uint8], division_um: float = 10.0, **options: float) -> RulingScale:
        with open_picture(write(tmp_path / "picture.png", pixels)) as picture:
            return calibrate_picture(picture, division_um, **options)[0]

    return from_pixels


def draw_bars(
    period_px: float, angle_deg: float, shape_hw: tuple[int, int] = (400, 500)
) -> NDArray[np.uint8]:
    """Soft dark bars over the whole picture."""
    y, x = np.mgrid[0 : shape_hw[0], 0 : shape_hw[1]] + 0.5
    turn = math.radians(angle_deg)
    phase = (x * math.cos(turn) + y * math.sin(turn)) / period_px
    off_px = (phase - np.rint(phase)) * period_px
    ink = 0.6 * np.exp(-0.5 * (off_px / (0.12 * period_px)) ** 2)
    grey = 200 * (1 - ink) + np.random.default_rng(1).normal(0, 2, shape_hw)
    return np.repeat(grey.clip(0, 255).astype(np.uint8)[..., None], 3, axis=2)


@pytest.mark.parametrize("period_px", [4.0, 9.7, 25.3, 60.1])
@pytest.mark.parametrize("angle_deg", [0.0, 37.0, 90.0, 151.5])
def test_calibrate_picture_finds_the_period_of_plain_bars(
    calibrate: Callable[..., RulingScale], period_px: float, angle_deg: float
) -> None:
    scale = calibrate(draw_bars(period_px, angle_deg))
    assert scale.division_px == pytest.approx(period_px, rel=5e-4)
    off_deg = (scale.angle_deg - angle_deg + 90) % 180 - 90
    assert off_deg == pytest.approx(0, abs=0.1)


def test_calibrate_picture_meets_drawn_truth_within_its_own_uncertainty(
    calibrate: Callable[..., RulingScale],
) -> None:
    errors, sds = [], []
    for index in range(N_DRAWN):
        ruling = draw_any_ruling(7, index)
        found = calibrate(draw_ruling(ruling, index)).calibration
        errors.append(found.um_per_px / ruling.um_per_px - 1)
        sds.append(found.um_per_px_sd / ruling.um_per_px)
    z = np.array(errors) / np.array(sds)
    assert np.sum(np.abs(errors) <= 0.003) >= N_DRAWN - 1
    assert np.sum(np.abs(z) <= 1.96) >= N_DRAWN - 3
    # An uncertainty far too wide would cover everything.
    assert np.median(np.abs(z)) > 0.2


@pytest.mark.parametrize("is_centred", [True, False])
def test_calibrate_picture_is_not_misled_by_longer_fifth_and_tenth_marks(
    calibrate: Callable[..., RulingScale], is_centred: bool
) -> None:
    ruling = Ruling(um_per_px=1.0, lengths_um=(25.0, 60.0, 140.0), is_centred=is_centred, angle_deg=20.0)
    assert calibrate(draw_ruling(ruling, 0)).calibration.um_per_px == pytest.approx(1.0, rel=0.003)


def test_calibrate_picture_counts_the_divisions_of_a_ruling_in_full_view(
    calibrate: Callable[..., RulingScale],
) -> None:
    scale = calibrate(draw_ruling(Ruling(um_per_px=1.5, angle_deg=8.0, blur_px=0.6), 0))
    # 100 divisions of 6.7 px; at this spacing the end marks, lacking a neighbour, are left out.
    assert 96 <= scale.n_divisions <= 100
    assert scale.n_marks == scale.n_divisions + 1


@pytest.mark.parametrize(
    ("angle_deg", "axis", "told"),
    [(4.0, "x", "xy"), (176.0, "x", "xy"), (88.0, "y", "yx"), (45.0, "oblique", "")],
)
def test_scale_to_json_tells_only_the_axis_that_was_measured(
    calibrate: Callable[..., RulingScale], angle_deg: float, axis: str, told: str
) -> None:
    value = scale_to_json(calibrate(draw_ruling(Ruling(angle_deg=angle_deg), 0)))
    assert value["measured_axis"] == axis
    if told:
        assert value[f"um_per_px_{told[0]}"] == value["um_per_px"]
        assert value[f"um_per_px_{told[1]}"] is None and value[f"um_per_px_{told[1]}_sd"] is None
    else:
        assert value["um_per_px_x"] is None and value["um_per_px_y"] is None
    assert json.loads(json.dumps(value)) == value


def test_calibrate_picture_adds_the_tolerance_of_the_ruling(calibrate: Callable[..., RulingScale]) -> None:
    pixels = draw_ruling(Ruling(), 0)
    plain, wide = calibrate(pixels), calibrate(pixels, ruling_tolerance=0.01)
    # Rectangular: 1 % over the root of 3, in square (GUM 4.3.7).
    expected = math.hypot(plain.calibration.um_per_px_sd, 0.01 / math.sqrt(3) * plain.calibration.um_per_px)
    assert wide.calibration.um_per_px_sd == pytest.approx(expected)
    assert any("taken as exact" in note for note in plain.notes)
    assert not any("taken as exact" in note for note in wide.notes)


def test_calibrate_picture_scales_with_the_stated_division(calibrate: Callable[..., RulingScale]) -> None:
    pixels = draw_ruling(Ruling(), 0)
    coarse, fine = calibrate(pixels, 100.0), calibrate(pixels, 10.0)
    assert coarse.calibration.um_per_px == pytest.approx(10 * fine.calibration.um_per_px)


def test_calibrate_picture_reads_a_reduced_copy_of_a_picture_beyond_its_limit(
    calibrate: Callable[..., RulingScale], monkeypatch: pytest.MonkeyPatch
) -> None:
    pixels = draw_ruling(Ruling(um_per_px=0.5, angle_deg=30.0), 0)
    monkeypatch.setattr("triage.micrometer.scale._MEASURED_PIXELS", 200_000)
    monkeypatch.setattr("triage.micrometer.ruling._SEARCHED_PIXELS", 100_000)
    assert calibrate(pixels).calibration.um_per_px == pytest.approx(0.5, rel=1e-3)


def test_calibrate_picture_finds_marks_that_melt_into_grey_in_the_reduced_copy(
    calibrate: Callable[..., RulingScale], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("triage.micrometer.ruling._SEARCHED_PIXELS", 20_000)
    assert calibrate(draw_bars(4.0, 37.0)).division_px == pytest.approx(4.0, rel=5e-4)


@pytest.mark.parametrize("most_px", [None, 12.0])
def test_find_stripes_sees_none_in_grain(most_px: float | None) -> None:
    # Each that it saw would be followed over the whole picture, which takes long in a large one.
    grain = np.random.default_rng(2).normal(0, 0.03, (500, 700))
    assert find_stripes(grain, *([most_px] if most_px else [])) == []


def test_find_stripes_looks_only_for_those_that_are_asked_for() -> None:
    flat = flatten_light(draw_bars(25.3, 0.0).mean(axis=2), 40.0)
    assert find_stripes(flat, 30.0)[0].spacing_px == pytest.approx(25.3, rel=0.01)
    assert all(one.spacing_px < 15 for one in find_stripes(flat, 12.0))


def draw_plain(noise: float) -> NDArray[np.uint8]:
    pixels = np.random.default_rng(0).normal(GLASS, noise, (300, 400, 3)).clip(0, 255).astype(np.uint8)
    # Hard JPEG leaves edges every 8 px: evenly spaced, but no marks.
    return np.asarray(cv2.imdecode(cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, 20])[1], 1))


def draw_writing(size: int, angle_deg: float) -> NDArray[np.uint8]:
    random = np.random.default_rng(size)
    page = Image.new("RGB", (700, 500), GLASS)
    pen, font = ImageDraw.Draw(page), ImageFont.load_default(size=size)
    for y in range(5, 500, round(1.4 * size)):
        words = ["".join(random.choice(list("abcdefilmnorstu"), random.integers(2, 9))) for _ in range(30)]
        pen.text((5, y), " ".join(words), fill=(40, 40, 40), font=font)
    return np.asarray(page.rotate(angle_deg, fillcolor=GLASS))


def draw_fibres(seed: int, *, parallel: bool) -> NDArray[np.uint8]:
    random = np.random.default_rng(seed)
    page = Image.new("RGB", (700, 500), GLASS)
    pen, direction = ImageDraw.Draw(page), random.uniform(0, math.pi)
    for _ in range(40):
        turn = direction if parallel else random.uniform(0, math.pi)
        half = np.array([math.cos(turn), math.sin(turn)]) * random.uniform(80, 400)
        middle = random.uniform(0, 700, 2)
        pen.line(
            [tuple(middle - half), tuple(middle + half)], fill=(90, 80, 60), width=int(random.integers(2, 7))
        )
    return np.asarray(page)


def draw_rings() -> NDArray[np.uint8]:
    page = Image.new("RGB", (500, 400), GLASS)
    pen = ImageDraw.Draw(page)
    for x, y, reach in [(100, 100, 30), (220, 150, 42), (330, 280, 25), (420, 90, 38)]:
        pen.ellipse(
            (x - reach, y - reach, x + reach, y + reach), fill=(120, 100, 70), outline=(40, 30, 20), width=4
        )
    return np.asarray(page)


@pytest.mark.parametrize(
    "pixels",
    [
        pytest.param(np.full((200, 300, 3), 200, np.uint8), id="grey"),
        pytest.param(np.zeros((1, 1, 3), np.uint8), id="one pixel"),
        pytest.param(np.zeros((200, 300, 3), np.uint8), id="black"),
        pytest.param(draw_plain(4.0), id="noise"),
        pytest.param(draw_rings(), id="round bodies"),
        *(pytest.param(draw_writing(size, 7.0 * size), id=f"writing {size}") for size in (14, 28, 50)),
        *(pytest.param(draw_fibres(seed, parallel=seed % 2 == 0), id=f"fibres {seed}") for seed in range(6)),
    ],
)
def test_calibrate_picture_refuses_what_has_no_ruling(
    calibrate: Callable[..., RulingScale], pixels: NDArray[np.uint8]
) -> None:
    with pytest.raises(CalibrationError, match="No ruling was found: at least 6 dark, evenly spaced"):
        calibrate(pixels)


@pytest.mark.parametrize("seed", range(4))
def test_calibrate_picture_refuses_drawn_slides(calibrate: Callable[..., RulingScale], seed: int) -> None:
    from training.synthesize.stream import draw_batch

    tiles, _ = draw_batch(seed, n=1, tile_px=384)
    with pytest.raises(CalibrationError, match="No ruling was found"):
        calibrate(tiles[0].permute(1, 2, 0).numpy())


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"division_um": 0.0}, r"A division of 0\.0 µm"),
        ({"division_um": math.nan}, "A division of nan µm"),
        ({"ruling_tolerance": -0.1}, r"A tolerance of -0\.1"),
        ({"ruling_tolerance": 1.0}, r"A tolerance of 1\.0"),
    ],
)
def test_calibrate_picture_refuses_impossible_numbers(
    calibrate: Callable[..., RulingScale], options: dict[str, float], message: str
) -> None:
    with pytest.raises(CalibrationError, match=message):
        calibrate(np.full((64, 64, 3), 200, np.uint8), **options)


def test_lattice_places_a_mark_where_it_counts_it() -> None:
    lattice = Lattice(np.array([3.2, 40.0, -25.0, 0.02, -0.03]), 800, 600)
    marks, levels = np.array([-10.0, 0.0, 17.0]), np.array([-50.0, 0.0, 120.0])
    places = lattice.place(marks, levels)
    assert lattice.count(places) == pytest.approx(marks)
    assert lattice.level(places) == pytest.approx(levels)


def test_fit_lattice_states_the_spread_that_repeated_fits_show() -> None:
    true = Lattice(np.array([0.0, 30.0, 10.0, 0.003, -0.002]), 800, 600)
    random = np.random.default_rng(5)
    marks = np.repeat(np.arange(-20, 21), 5)
    places = true.place(marks.astype(float), np.tile(np.linspace(-60, 60, 5), 41))
    errors, sds = [], []
    for _ in range(200):
        # Each mark misplaced as a whole, and each sighting on its own.
        off_px = np.repeat(random.normal(0, 0.1, 41), 5) + random.normal(0, 0.1, len(marks))
        fit = fit_lattice(true, places + off_px[:, None] * true.axis_xy, marks)
        errors.append(fit.lattice.division_px / true.division_px - 1)
        sds.append(fit.relative_sd)
    assert np.std(errors) == pytest.approx(np.mean(sds), rel=0.15)


def test_fit_lattice_leaves_out_a_mark_that_is_no_part_of_the_ruling() -> None:
    true = Lattice(np.array([0.0, 30.0, 10.0, 0.0, 0.0]), 800, 600)
    random = np.random.default_rng(5)
    marks = np.repeat(np.arange(-20, 21), 5)
    places = true.place(marks.astype(float), np.tile(np.linspace(-60, 60, 5), 41))
    places += random.normal(0, 0.05, places.shape)
    places[marks == 15] += 3.0 * true.axis_xy
    fit = fit_lattice(true, places, marks)
    assert not fit.kept[marks == 15].any()
    assert fit.lattice.division_px == pytest.approx(true.division_px, rel=3e-4)


def run(*arguments: object) -> Any:
    return CliRunner().invoke(app, ["calibrate", *map(str, arguments)])


def test_calibrate_prints_the_scale_and_draws_what_it_found(tmp_path: Path) -> None:
    pixels = draw_ruling(Ruling(um_per_px=0.5, has_numbers=False), 0)
    path, shown = write(tmp_path / "ruling.png", pixels), tmp_path / "shown.png"
    result = run(path, "--division-um", 10, "--picture", shown)
    assert (result.exit_code, result.stderr) == (0, "")
    value = json.loads(result.stdout)
    assert value["um_per_px"] == pytest.approx(0.5, rel=1e-3)
    assert value["source"] == "stage micrometer"
    assert (value["image"]["width"], value["image"]["height"]) == (800, 600)
    drawn = np.asarray(Image.open(shown)).astype(int)
    # The mark at the picture's centre is drawn over in a colour; the gap beside it is left as it was.
    middle = slice(290, 310)
    assert np.ptp(drawn[middle, 398:403], axis=2).max() > 150
    assert np.ptp(drawn[middle, 407:413], axis=2).max() < 40
    assert drawn.shape[0] > 600


def test_calibrate_writes_to_a_file_what_it_would_print(tmp_path: Path) -> None:
    path = write(tmp_path / "ruling.png", draw_bars(12.0, 30.0))
    result = run(path, "--division-um", 10, "--out", tmp_path / "out.json")
    assert (result.exit_code, result.stdout) == (0, "")
    assert (tmp_path / "out.json").read_text(encoding="utf-8") == run(path, "--division-um", 10).stdout


@pytest.mark.parametrize("arguments", [(), ("--division-um", 0), ("--division-um", 10)])
def test_calibrate_refuses_with_one_line(tmp_path: Path, arguments: tuple[object, ...]) -> None:
    result = run(write(tmp_path / "grey.png", np.full((64, 64, 3), 200, np.uint8)), *arguments)
    if arguments:
        assert (result.exit_code, result.stdout, result.stderr.count("\n")) == (1, "", 1)
    else:
        assert result.exit_code == 2 and "--division-um" in result.stderr


@pytest.mark.parametrize("blur_px", [1.2, 1.6, 2.5])
def test_calibrate_picture_refuses_when_only_the_longer_marks_are_sharp_enough(
    calibrate: Callable[..., RulingScale], blur_px: float
) -> None:
    # Divisions of 3.4 px melt into grey; each tenth mark, 34 px apart, can still be seen.
    far = Ruling(um_per_px=2.94, contrast=0.8, blur_px=blur_px, has_numbers=False, mark_um=1.7)
    with pytest.raises(CalibrationError, match="No ruling was found"):
        calibrate(draw_ruling(far, 0))
