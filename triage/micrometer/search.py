"""The direction and spacing of a ruling somewhere in a picture, before its marks are looked at one by one."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfft2
from scipy.ndimage import gaussian_filter1d, uniform_filter1d

from triage.micrometer.lattice import Lattice

Floats = NDArray[np.float64]

# Closer marks melt into grey between two pixels (two samples a period is the least; our choice above it).
MIN_DIVISION_PX = 2.6
_ANGLE_BINS = 360
_N_DIRECTIONS = 4
# A later peak as high as this share of the highest is taken as the same spacing counted twice, and so on.
_SAME_PEAK = 0.65
_ROWS_TOGETHER = 9
# Rows that cross a ruling repeat by 0.5 of their variance and more, grain by up to 0.08 (on drawn pictures).
_LEAST_REPEATED = 0.12
# A Gaussian this wide, in pixels, is as smooth in pixels joined together.
_LEAST_SD_PX = 2.8
# The median over a ring of the spectrum is as good from so many places of the whole.
_MEDIAN_PLACES = 1_000_000
_ROW_CHUNK = 512


@dataclass(frozen=True)
class Stripes:
    """Evenly spaced stripes: direction across them in radians, spacing, and how much they stand out."""

    angle: float
    spacing_px: float
    strength: float


def flatten_light(grey: Floats, reach_px: float) -> Floats:
    """The picture as a share above or below its surroundings, so that uneven light is gone."""
    side = 2 * int(reach_px) + 1
    around = grey
    for _ in range(3):
        around = np.asarray(cv2.blur(around, (side, side), borderType=cv2.BORDER_REFLECT), np.float64)
    return np.asarray(grey / np.maximum(around, 1.0) - 1)


def find_stripes(flat: Floats, most_px: float = math.inf) -> list[Stripes]:
    """Stripes in a flattened picture, the ones that stand out most first; empty where nothing is striped.

    Those farther apart than `most_px` are not looked for.
    """
    found = [_measure_spacing(flat, angle, most_px) for angle in _list_directions(flat)]
    return sorted((one for one in found if one is not None), key=lambda one: -one.strength)


def _list_directions(flat: Floats) -> list[float]:
    """Directions in which the spectrum holds single strong frequencies, strongest first."""
    height, width = flat.shape
    window = np.hanning(height)[:, None] * np.hanning(width)
    # The window would hide a ruling at the rim; a root keeps most of it.
    power = np.abs(rfft2((flat * np.sqrt(window)).astype(np.float32))) ** 2
    fy, fx = np.meshgrid(np.fft.fftfreq(height), np.fft.rfftfreq(width), indexing="ij")
    radius = np.hypot(fx, fy)
    ring = (radius * 400).astype(int)
    inside = (radius > 4 / min(height, width)) & (radius < 1 / MIN_DIVISION_PX)
    some = slice(None, None, max(1, inside.sum() // _MEDIAN_PLACES))
    typical = _median_by_ring(power[inside][some], ring[inside][some], ring[inside].max() + 1)
    outstanding = np.minimum(power[inside] / typical[ring[inside]], 300) - 8
    angle = np.arctan2(fy[inside], fx[inside]) % math.pi
    bins = (angle / math.pi * _ANGLE_BINS).astype(int) % _ANGLE_BINS
    weight = np.bincount(bins, np.maximum(outstanding, 0), minlength=_ANGLE_BINS)
    weight = gaussian_filter1d(weight, 1.5, mode="wrap")
    peaks = np.flatnonzero((weight > np.roll(weight, 1)) & (weight >= np.roll(weight, -1)))
    strongest = peaks[np.argsort(-weight[peaks])][:_N_DIRECTIONS]
    return [(peak + 0.5) * math.pi / _ANGLE_BINS for peak in strongest]


def _median_by_ring(power: Floats, ring: NDArray[np.int_], n_rings: int) -> Floats:
    order = np.lexsort((power, ring))
    counts = np.bincount(ring, minlength=n_rings)
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]])
    middle = np.minimum(starts + counts // 2, len(power) - 1)
    return np.maximum(power[order][middle], 1e-12)


def rotate(flat: Floats, angle: float) -> tuple[Floats, Floats]:
    """The picture with `angle` turned onto the columns' axis, 0 outside, and the 2 x 3 matrix back to it."""
    height, width = flat.shape
    cos, sin = math.cos(angle), math.sin(angle)
    new_w = math.ceil(abs(width * cos) + abs(height * sin))
    new_h = math.ceil(abs(width * sin) + abs(height * cos))
    turn = np.array([[cos, -sin], [sin, cos]])
    shift = np.array([(width - 1) / 2, (height - 1) / 2]) - turn @ [(new_w - 1) / 2, (new_h - 1) / 2]
    back = np.hstack([turn, shift[:, None]])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    turned = cv2.warpAffine(flat.astype(np.float32), back, (new_w, new_h), flags=flags)
    return np.asarray(turned, dtype=np.float64), back


def _measure_spacing(flat: Floats, angle: float, most_px: float) -> Stripes | None:
    """The spacing that rows in this direction repeat with; each row is compared with itself alone."""
    turned, _ = rotate(flat, angle)
    repeats = _row_autocorrelation(turned, most_px)
    spacing, gain = _first_repeat(repeats)
    usable = gain > 0
    if not usable.any():
        return None
    chosen = _choose_spacing(spacing[usable], gain[usable])
    near = usable & (np.abs(np.log(np.maximum(spacing, 1) / chosen)) < 0.04)
    strength = float(gain[near].sum())
    if strength < _LEAST_REPEATED * float(repeats[near, 0].sum()):
        return None
    return Stripes(angle, float(np.average(spacing[near], weights=gain[near])), strength)


def _row_autocorrelation(turned: Floats, most_px: float) -> Floats:
    """Autocorrelation of each row for lags up to a quarter of it, averaged over neighbouring rows."""
    n_columns = turned.shape[1]
    # Wider stripes would be too few to be a ruling.
    n_lags = max(int(min(n_columns // 4, 1.2 * most_px)), 4)
    size = next_fast_len(n_columns + n_lags, real=True)
    parts = []
    for first in range(0, len(turned), _ROW_CHUNK):
        spectrum = rfft(turned[first : first + _ROW_CHUNK].astype(np.float32), size, axis=1)
        parts.append(irfft(np.abs(spectrum) ** 2, size, axis=1)[:, :n_lags])
    return np.asarray(uniform_filter1d(np.concatenate(parts), _ROWS_TOGETHER, axis=0))


def _first_repeat(repeats: Floats) -> tuple[Floats, Floats]:
    """For each row the first lag at which it repeats, and the rise from the deepest lag before it."""
    inner = repeats[:, 1:-1]
    is_peak = (inner > repeats[:, :-2]) & (inner >= repeats[:, 2:])
    is_peak[:, : int(MIN_DIVISION_PX) - 1] = False
    floor = np.minimum.accumulate(repeats, axis=1)[:, 1:-1]
    rise = np.where(is_peak, inner - floor, 0.0)
    first = np.argmax(rise >= _SAME_PEAK * np.maximum(rise.max(axis=1, keepdims=True), 1e-12), axis=1)
    rows = np.arange(len(rise))
    before, at, after = (repeats[rows, first + step] for step in (0, 1, 2))
    bend = before - 2 * at + after
    offset = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, 1.0), 0.0)
    return first + 1 + offset, rise[rows, first]


def _choose_spacing(spacing: Floats, gain: Floats) -> float:
    """The commonest spacing by weight, or a whole part of it that is well represented itself."""
    position = np.log(spacing) / 0.02
    bins = position.astype(int)
    weight = np.bincount(bins, gain)
    weight = uniform_filter1d(weight, 3, mode="constant")
    best = int(np.argmax(weight))
    chosen = best
    for part in range(2, 11):
        at = round(best - math.log(part) / 0.02)
        around = weight[max(at - 2, 0) : at + 3]
        if at > 2 and len(around) and around.max() > 0.25 * weight[best]:
            chosen = max(at - 2, 0) + int(np.argmax(around))
    near = np.abs(position - chosen - 0.5) < 2
    return float(np.exp(np.average(np.log(spacing[near]), weights=gain[near])))


@dataclass(frozen=True)
class Sight:
    """A lattice that follows the stripes over the picture, and where along the marks they are seen.

    `reach` has a row for each mark from `first_mark` on: the lowest and highest level in pixels, NaN where
    the mark isn't seen.
    """

    lattice: Lattice
    first_mark: int
    reach: Floats


def follow_stripes(flat: Floats, stripes: Stripes) -> Sight | None:
    """The lattice grown from the place where the stripes are clearest; None where they lead nowhere.

    Notes
    -----
    The rows are demodulated at the spacing; the phase of what is left tells the mark number but for whole
    numbers, which are settled by growing from one place outwards and fitting again at each step.
    """
    xy, phase, weight = _demodulate(flat, stripes)
    if len(xy) < 20:
        return None
    height, width = flat.shape
    seed = xy[np.argmax(weight)]
    lattice = _start_lattice(stripes, seed, float(phase[np.argmax(weight)]), width, height)
    distance = np.hypot(*(xy - seed).T)
    reach_px = 2.5 * stripes.spacing_px
    chosen = np.zeros(len(xy), bool)
    while True:
        near = distance < reach_px
        off = _wrap(phase - lattice.count(xy))
        chosen = near & (np.abs(off) < 0.25)
        if chosen.sum() < 10:
            return None
        lattice = _refit(lattice, xy[chosen], off[chosen], weight[chosen])
        if reach_px > distance.max():
            break
        reach_px *= 1.3
    chosen = np.abs(_wrap(phase - lattice.count(xy))) < 0.2
    return _sum_up(lattice, xy[chosen]) if chosen.sum() >= 10 else None


def _demodulate(flat: Floats, stripes: Stripes) -> tuple[Floats, Floats, Floats]:
    """Places where the stripes are clear, their phase in divisions, and how clear they are."""
    turned, back = rotate(flat, stripes.angle)
    columns = np.arange(turned.shape[1])
    wave = np.exp(-2j * math.pi * columns / stripes.spacing_px)
    tone = np.stack([turned * wave.real, turned * wave.imag], axis=-1, dtype=np.float32, casting="same_kind")
    smooth, per_px = _smooth(tone, 1.2 * stripes.spacing_px, max(1.0, 0.35 * stripes.spacing_px))
    step_u, step_v = (max(1, round(stripes.spacing_px / part / per_px)) for part in (2, 4))
    v, u = np.meshgrid(
        np.arange(0, smooth.shape[0], step_v), np.arange(0, smooth.shape[1], step_u), indexing="ij"
    )
    seen = smooth[v, u].astype(np.float64) @ [1, 1j]
    clear = np.asarray(cv2.medianBlur(np.abs(seen).astype(np.float32), 3), np.float64)
    kept = clear > 0.5 * np.percentile(clear, 100 * (1 - min(0.5, 30 / clear.size)))
    places = (np.stack([u[kept], v[kept]], 1) + 0.5) * per_px - 0.5
    xy = places @ back[:, :2].T + back[:, 2] + 0.5
    # Marks are darker than the glass: half a turn puts whole numbers onto them.
    phase = np.angle(-seen[kept]) / (2 * math.pi) + places[:, 0] / stripes.spacing_px
    return xy, phase, clear[kept]


def _smooth(tone: NDArray[np.float32], across: float, along: float) -> tuple[NDArray[np.float32], int]:
    """Real and imaginary part smoothed by a Gaussian, and how many pixels a side were joined before."""
    per_px = max(1, int(along / _LEAST_SD_PX))
    if per_px > 1:
        height, width = (side // per_px for side in tone.shape[:2])
        whole = tone[: height * per_px, : width * per_px]
        tone = np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), np.float32)
    across, along = across / per_px, along / per_px
    # Over four standard deviations to each side.
    size = 2 * int(4 * across + 0.5) + 1, 2 * int(4 * along + 0.5) + 1
    smoothed = cv2.GaussianBlur(tone, size, across, sigmaY=along, borderType=cv2.BORDER_REFLECT)
    return np.asarray(smoothed, np.float32), per_px


def _start_lattice(stripes: Stripes, seed: Floats, phase: float, width: int, height: int) -> Lattice:
    half = math.hypot(width, height) / 2
    slope = half / stripes.spacing_px * np.array([math.cos(stripes.angle), math.sin(stripes.angle)])
    offset = (seed - np.array([width / 2, height / 2])) / half
    return Lattice(np.array([phase - slope @ offset, *slope, 0.0, 0.0]), width, height)


def _wrap(turns: Floats) -> Floats:
    return turns - np.rint(turns)


def _refit(lattice: Lattice, xy: Floats, off: Floats, weight: Floats) -> Lattice:
    """One step of weighted least squares; tilt is held small, the more so the fewer places are seen."""
    design = lattice.derivatives(xy)
    weight = weight / weight.max()
    normal = design.T @ (weight[:, None] * design) + np.diag([1e-9, 1e-9, 1e-9, 30.0, 30.0])
    score = design.T @ (weight * off) - np.array([0, 0, 0, 30.0, 30.0]) * lattice.coefficients
    return Lattice(lattice.coefficients + np.linalg.solve(normal, score), lattice.width, lattice.height)


def _sum_up(lattice: Lattice, xy: Floats) -> Sight:
    """Level reached by each mark, among places where the stripes are clear."""
    marks = np.rint(lattice.count(xy)).astype(int)
    level = lattice.level(xy)
    first = int(marks.min())
    reach = np.full((int(marks.max()) - first + 1, 2), np.nan)
    for mark in np.unique(marks):
        reach[mark - first] = np.percentile(level[marks == mark], [3, 97])
    return Sight(lattice, first, reach)
