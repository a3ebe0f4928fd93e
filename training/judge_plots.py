"""Draws what `training.judge` found, one PNG a question."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from training.metrics import wilson_interval

INK, PALE = "#1f5a7a", "0.7"


def draw_all(folder: Path, figures: dict[str, Any]) -> None:
    """Write every plot that the figures allow to a folder."""
    import matplotlib

    matplotlib.use("Agg")
    draw_recall(folder / "recall.png", figures)
    if "pairs" in figures["length"]:
        draw_lengths(folder / "size.png", figures["length"])
    if "pairs" in figures["counts"]:
        draw_counts(folder / "counts.png", figures["counts"])
    draw_scores(folder / "scores.png", figures["calibration"])


def draw_recall(path: Path, figures: dict[str, Any]) -> None:
    """Recall against candidates for each coverslip, and for each mm² where scales are known."""
    from matplotlib import pyplot

    rows, cut = figures["free_response"], figures["cut"]
    kinds = [kind for kind in ("coverslip", "mm2") if f"false_per_{kind}" in rows]
    figure, axes = pyplot.subplots(1, len(kinds), figsize=(4.4 * len(kinds), 3.9), squeeze=False)
    shown = sum(score >= cut for score in rows["score"])
    for axis, kind in zip(axes[0], kinds, strict=True):
        for name, style in (("candidates", "-"), ("false", "--")):
            values = rows[f"{name}_per_{kind}"]
            label = "all candidates" if name == "candidates" else "on no object"
            axis.step([0.0, *values], [0.0, *rows["recall"]], style, where="post", color=INK, label=label)
            if shown:
                axis.plot(values[shown - 1], rows["recall"][shown - 1], "o", color=INK, markersize=5)
        axis.set(ylim=(0, 1.02), xlabel=f"for each {'mm²' if kind == 'mm2' else 'coverslip'}")
        axis.set_xlim(left=0)
        axis.legend(fontsize=8, loc="lower right")
    axes[0][0].set_ylabel("recall")
    figure.suptitle(f"{figures['recall']['of']} objects; dots: the cut of {cut:.3f}", fontsize=9)
    save_figure(figure, path)


def draw_lengths(path: Path, length: dict[str, Any]) -> None:
    """Difference of lengths said and marked against their mean, with bias and limits of agreement."""
    from matplotlib import pyplot

    said, marked = np.array(length["pairs"]).T
    figure, axis = pyplot.subplots(figsize=(4.6, 3.9))
    axis.plot((said + marked) / 2, said - marked, ".", color=INK, alpha=0.6)
    for value, name in ((length["bias"], "bias"), *zip(length["limits"], ("95 % limit",) * 2, strict=True)):
        axis.axhline(value, color="0.4", linewidth=1, linestyle="-" if name == "bias" else "--")
        axis.annotate(
            f"{name} {value:+.1f}",
            (0.99, value),
            xycoords=("axes fraction", "data"),
            ha="right",
            va="bottom",
            fontsize=8,
        )
    axis.set(xlabel="mean of length said and marked, µm", ylabel="said less marked, µm")
    axis.set_title(f"{length['n']} objects", fontsize=9)
    save_figure(figure, path)


def draw_counts(path: Path, counts: dict[str, Any]) -> None:
    """Candidates above the cut against objects of each coverslip."""
    from matplotlib import pyplot

    shown, objects = np.array(counts["pairs"]).T
    most = max(int(shown.max()), int(objects.max()), 1) * 1.05
    figure, axis = pyplot.subplots(figsize=(4.2, 3.9))
    axis.plot([0, most], [0, most], color=PALE, linewidth=1)
    axis.plot(objects, shown, "o", color=INK, alpha=0.6, markersize=4)
    said = counts["concordance"]
    axis.set(
        xlim=(-0.02 * most, most),
        ylim=(-0.02 * most, most),
        aspect="equal",
        xlabel="objects marked on the coverslip",
        ylabel="candidates above the cut",
    )
    axis.set_title(
        f"{counts['coverslips']} coverslips, concordance {'unknown' if said is None else f'{said:.3f}'}",
        fontsize=9,
    )
    save_figure(figure, path)


def draw_scores(path: Path, calibration: dict[str, Any]) -> None:
    """Share that is right against mean score, with Wilson's intervals."""
    from matplotlib import pyplot

    bins = [row for row in calibration["bins"] if row["n"]]
    figure, axis = pyplot.subplots(figsize=(4.2, 3.9))
    axis.plot([0, 1], [0, 1], color=PALE, linewidth=1)
    for row in bins:
        low, high = wilson_interval(round(row["share_right"] * row["n"]), row["n"])
        axis.plot([row["mean_score"]] * 2, [low, high], color=INK, linewidth=1)
    axis.plot([row["mean_score"] for row in bins], [row["share_right"] for row in bins], "o", color=INK)
    axis.set(xlim=(0, 1), ylim=(0, 1.02), xlabel="score", ylabel="share on an object", aspect="equal")
    axis.set_title(f"error {calibration['error']:.3f}, {calibration['n']} candidates", fontsize=9)
    save_figure(figure, path)


def save_figure(figure: Any, path: Path) -> None:
    """Write a figure to a PNG file that says nothing of the program, and close it."""
    from matplotlib import pyplot

    figure.tight_layout()
    figure.savefig(path, dpi=110, metadata={"Software": None})
    pyplot.close(figure)
