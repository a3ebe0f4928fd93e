"""How far off measured sizes are, by group, by focus and by both, and whether that is what is wanted."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from training.known_pictures import KnownObject
from training.metrics import wilson_interval
from triage.outline import Outline
from triage.rim import ShellEdge
from triage.shell import ShellSize

Floats = NDArray[np.float64]
Figures = dict[str, float | int | str | None]

COVERAGE_FACTOR = 1.96
WANTED_BIAS, WANTED_COVERAGE = 0.01, (0.93, 0.97)
_SIDES = ("length", "width")


@dataclass(frozen=True)
class Measured:
    """A known object and what came of measuring it; all but it None where nothing was found."""

    known: KnownObject
    outline: Outline | None
    size: ShellSize | None
    edge: ShellEdge | None = None


def describe(measured: Sequence[Measured]) -> Figures:
    """Figures of some objects: count, share without outline, bias, scatter, coverage; None without any.

    Lengths are relative to the true ones. `bias_margin` is half the bias's 95 % interval: objects of one
    picture share its light and focus, so that pictures are counted, not objects. `coverage_low` and
    `coverage_high` are Wilson's. `bias_is` and `coverage_is` say by these intervals whether `WANTED_BIAS` and
    `WANTED_COVERAGE` are met, missed, or open.
    """
    found = [(one.known, one.size) for one in measured if one.size is not None]
    figures: Figures = {
        "n": len(measured),
        "no_outline": round(1 - len(found) / len(measured), 3) if measured else None,
    }
    if not found:
        return figures
    pictures = [known.picture for known, _ in found]
    for side in _SIDES:
        truths = np.array([getattr(known.truth, f"{side}_px") for known, _ in found])
        sizes = np.array([getattr(size.ellipse, f"{side}_px") for _, size in found])
        sds = np.array([getattr(size, f"{side}_px_sd") for _, size in found])
        own = _describe_side(sizes / truths - 1, sds / truths, pictures)
        figures |= {f"{side}_{name}": value for name, value in own.items()}
    return figures


def _describe_side(error: Floats, sd: Floats, pictures: Sequence[str]) -> Figures:
    n_covered = int((np.abs(error / sd) <= COVERAGE_FACTOR).sum())
    low, high = wilson_interval(n_covered, len(error))
    bias, margin = float(error.mean()), find_margin(error, pictures)
    reach = (-math.inf, math.inf) if margin is None else (bias - margin, bias + margin)
    return {
        "bias": round(bias, 4),
        "bias_margin": None if margin is None else round(margin, 4),
        "bias_is": judge_interval(reach, (-WANTED_BIAS, WANTED_BIAS)),
        "median": round(float(np.median(error)), 4),
        "median_abs": round(float(np.median(np.abs(error))), 4),
        "median_sd": round(float(np.median(sd)), 4),
        "within_8_percent": round(float((np.abs(error) <= 0.08).mean()), 3),
        "coverage_95": round(n_covered / len(error), 3),
        "coverage_low": round(low, 3),
        "coverage_high": round(high, 3),
        "coverage_is": judge_interval((low, high), WANTED_COVERAGE),
    }


def find_margin(error: Floats, pictures: Sequence[str]) -> float | None:
    """Half the 95 % interval of mean errors, those of one picture going together; None if all are of one.

    References
    ----------
    Variance of a mean over clusters of unequal size: W. G. Cochran, Sampling Techniques, 3rd ed.
    1977, section 9A (from memory).
    """
    names, of = np.unique(np.asarray(pictures), return_inverse=True)
    if len(names) < 2:
        return None
    sums = np.bincount(of, error - error.mean())
    spread = np.sqrt((sums**2).sum() * len(names) / (len(names) - 1)) / len(error)
    return float(stdtrit(len(names) - 1, 0.975) * spread)


def judge_interval(interval: tuple[float, float], wanted: tuple[float, float]) -> str:
    """`met` where all of an interval lies within the wanted one, `missed` where none does, else `open`."""
    if wanted[0] <= interval[0] and interval[1] <= wanted[1]:
        return "met"
    return "missed" if interval[1] < wanted[0] or wanted[1] < interval[0] else "open"


def print_table(measured: Sequence[Measured]) -> None:
    """One line a group, one a kind where its group has several, one a stratum of focus, one for group and
    focus where there is more than one, and one for all.

    Errors are in % of the true side.
    """
    print(f"{'':<37}{'n':>6}{'no outline':>12}", end="")
    for side in _SIDES:
        print(f" | {side + ' bias %':>15}{'':>8}{'mid':>7}{'median':>8}{'stated sd':>11}", end="")
        print(f"{'within 8 %':>12}{'covered':>22}{'':>8}", end="")
    print()
    for name, belongs in _list_strata(measured):
        print(_write_line(name, describe([one for one in measured if belongs(one.known)])))


def _list_strata(measured: Sequence[Measured]) -> list[tuple[str, Callable[[KnownObject], bool]]]:
    groups = list(dict.fromkeys(one.known.group for one in measured))
    focuses = list(dict.fromkeys(one.known.focus for one in measured))
    strata: list[tuple[str, Callable[[KnownObject], bool]]] = []
    for group in groups:
        strata.append((group, lambda known, group=group: known.group == group))  # type: ignore[misc]
    for kind in _list_kinds(measured):
        strata.append((kind, lambda known, kind=kind: known.kind == kind))  # type: ignore[misc]
    for focus in focuses:
        strata.append((focus, lambda known, focus=focus: known.focus == focus))  # type: ignore[misc]
    both = {(one.known.group, one.known.focus) for one in measured}
    for group in groups if len(groups) > 1 and len(focuses) > 1 else ():
        for focus in focuses:
            if (group, focus) in both:
                key = (group, focus)
                strata.append((f"{group}, {focus}", lambda known, key=key: (known.group, known.focus) == key))  # type: ignore[misc]
    return [*strata, ("all", lambda known: True)]


def _list_kinds(measured: Sequence[Measured]) -> list[str]:
    """Kinds of groups that more than one kind was drawn of."""
    pairs = list(dict.fromkeys((one.known.group, one.known.kind) for one in measured if one.known.kind))
    counts = Counter(group for group, _ in pairs)
    return [kind for group, kind in sorted(pairs) if counts[group] > 1]


def _write_line(name: str, figures: Figures) -> str:
    line = f"{name:<37}{figures['n']:>6}{figures['no_outline']!s:>12}"
    if "length_bias" not in figures:
        return line
    for side in _SIDES:
        line += f" | {_percent(figures, f'{side}_bias', '+7.1f')} ±"
        line += f"{_percent(figures, f'{side}_bias_margin', '5.1f')} {figures[f'{side}_bias_is']:<8}"
        line += _percent(figures, f"{side}_median", "+7.1f") + _percent(figures, f"{side}_median_abs", "8.1f")
        line += _percent(figures, f"{side}_median_sd", "11.1f")
        line += _percent(figures, f"{side}_within_8_percent", "12.1f")
        line += _percent(figures, f"{side}_coverage_95", "8.1f")
        line += f" ({_percent(figures, f'{side}_coverage_low', '4.1f')} to "
        line += f"{_percent(figures, f'{side}_coverage_high', '5.1f')}) {figures[f'{side}_coverage_is']:<7}"
    return line.rstrip()


def _percent(figures: Figures, name: str, form: str) -> str:
    value = figures[name]
    return "-".rjust(int(form.lstrip("+").split(".")[0])) if value is None else f"{100 * float(value):{form}}"
