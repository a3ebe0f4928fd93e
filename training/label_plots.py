"""Draws what labels bring: a share against how many slides were labelled, with intervals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from textwrap import fill

from training.judge_plots import INK, save_figure

_COLOURS = (INK, "#b5651d", "0.45")
_TITLE_LETTERS = 55
"""Letters of the title above each panel."""
_APART = 0.012
"""Series stand beside each other by so much of the axis, so that their intervals can be told apart."""


@dataclass(frozen=True)
class Series:
    """One line: numbers of labels, and at each a share with the low and high end of its interval."""

    name: str
    labels: Sequence[int]
    shares: Sequence[float]
    intervals: Sequence[tuple[float, float]]


def draw_labels(path: Path, panels: Mapping[str, Sequence[Series]], *, y_label: str, title: str) -> None:
    """A PNG with a panel for each name; 0 labels is the detector that training started from."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(
        1, len(panels), figsize=(3.7 * len(panels) + 0.6, 3.7), squeeze=False, sharey=True
    )
    most = max(count for panel in panels.values() for one in panel for count in one.labels)
    for axis, (name, panel) in zip(axes[0], panels.items(), strict=True):
        for number, one in enumerate(panel):
            places = [count + number * _APART * most for count in one.labels]
            errors = [
                # An interval without width may miss its own mean by a rounding.
                [max(share - low, 0.0) for share, (low, _) in zip(one.shares, one.intervals, strict=True)],
                [max(high - share, 0.0) for share, (_, high) in zip(one.shares, one.intervals, strict=True)],
            ]
            colour = _COLOURS[number % len(_COLOURS)]
            axis.errorbar(places, one.shares, errors, fmt="o-", color=colour, capsize=2, label=one.name)
        axis.set(ylim=(0, 1.02), xlabel="slides labelled")
        axis.set_title(name, fontsize=9)
    axes[0][0].set_ylabel(y_label)
    axes[0][0].legend(fontsize=8, loc="lower right")
    figure.suptitle(fill(title, _TITLE_LETTERS * len(panels)), fontsize=9)
    save_figure(figure, path)
