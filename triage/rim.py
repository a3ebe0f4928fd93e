"""Reads where the shell ends around an outline, and how sure that is.

An outline follows the place where brightness changes fastest, and that is seldom where the shell ends. A thin
rim is drawn by the optics as a line that lies on the shell's edge, half of what is seen of it being blur;
defocus turns the edge of a clear shell into a dark and a bright line side by side, and which of them lies
outside depends on the side that the focus is on (N. Streibl, Opt. Commun. 49 (1984) 6-10, from memory); plugs
and lids are paler than the shell beside them; in a small cyst the blurred sides pull each other inward. All
of it shows in the grey values around the outline, so a small network reads them: it was trained on drawn
objects whose outlines are known (`training.train_rim`) and on plain discs and rings, never on photographs.
It knows neither the group nor the scale. Where the outline lies on a halo far outside the shell, one reading
goes only part of the way, so that the rim is read again in the frame of what was found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from triage.outline import Outline, RimView, measure_moments
from triage.polar import sample
from triage.rim_frame import N_RAYS, RIM_RHO, place_in_frame, unroll_points

Floats = NDArray[np.float64]

# The network learnt to be right after the second reading; what one reading leaves, it says in its own
# uncertainty (`training.train_rim`).
_READINGS = 2
RIM_GRAPH = Path(__file__).parent / "data" / "rim" / "rim.onnx"


@dataclass(frozen=True)
class ShellEdge:
    """Where the shell ends.

    Attributes
    ----------
    points : ndarray of shape (N_RAYS, 2)
        x, y in original pixels.
    length_relative_sd, width_relative_sd : float
        What the network says of its own error, as shares of length and width; not yet calibrated.
    """

    points: Floats
    length_relative_sd: float
    width_relative_sd: float


def find_shell_edges(outlines: Sequence[Outline], graph: Path = RIM_GRAPH) -> list[ShellEdge]:
    """Where each shell ends, read from the grey values in the outline's frame and then in its own.

    Parameters
    ----------
    outlines : sequence of Outline
    graph : Path, optional
        The network that reads; the one in use if left out.
    """
    rims = [outline.rim for outline in outlines]
    read = [_read(graph, rim, rim.ellipse) for rim in rims]
    for _ in range(_READINGS - 1):
        ellipses = measure_moments(np.array([points for points, _ in read]).reshape(-1, N_RAYS, 2))
        read = [_read(graph, rim, ellipse) for rim, ellipse in zip(rims, ellipses, strict=True)]
    return [
        ShellEdge((points + rim.origin) * rim.per_px, *np.exp(log_sd).tolist())
        for rim, (points, log_sd) in zip(rims, read, strict=True)
    ]


def find_shell_edge(outline: Outline, graph: Path = RIM_GRAPH) -> ShellEdge:
    """The same of one outline."""
    return find_shell_edges([outline], graph)[0]


def _read(graph: Path, rim: RimView, ellipse: Floats) -> tuple[Floats, Floats]:
    """Points of the shell's edge in pixels of the patch, and logarithms of the relative uncertainties."""
    grey = sample(rim.patch, *unroll_points(ellipse))
    radii, log_sd = _open_graph(graph).run(
        ["radii", "log_sd"],
        # One object a call: sums over a batch could round a row by what stands beside it.
        {"rims": grey[None], "sides": ellipse[None, 2:4].astype(np.float32)},
    )
    inside_view = np.clip(radii[0].astype(np.float64), RIM_RHO[0], RIM_RHO[-1])
    return place_in_frame(ellipse, inside_view), log_sd[0].astype(np.float64)


@cache
def _open_graph(graph: Path) -> Any:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.inter_op_num_threads = 1
    options.use_deterministic_compute = True
    return onnxruntime.InferenceSession(graph, options, providers=["CPUExecutionProvider"])
