"""Reads where the shell ends around an outline, and how sure that is.

An outline follows the place where brightness changes fastest, and that is seldom where the shell ends. A thin
rim is drawn by the optics as a line that lies on the shell's edge, half of what is seen of it being blur;
defocus turns the edge of a clear shell into a dark and a bright line side by side, and which of them lies
outside depends on the side that the focus is on (N. Streibl, Opt. Commun. 49 (1984) 6-10, from memory); plugs
and lids are paler than the shell beside them; in a small cyst the blurred sides pull each other inward. All
of it shows in the grey values around the outline, so a small network reads them: it was trained on drawn
objects whose outlines are known (`training.train_rim`) and on plain discs and rings, never on photographs.
It knows neither the group nor the scale.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from triage.outline import Outline
from triage.rim_frame import place_in_frame

Floats = NDArray[np.float64]

_GRAPH = Path(__file__).parent / "data" / "rim" / "rim.onnx"


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


def find_shell_edge(outline: Outline) -> ShellEdge:
    """Where the shell ends, read from the grey values in the outline's frame."""
    rim = outline.rim
    radii, log_sd = _open_graph().run(
        ["radii", "log_sd"],
        {
            # One object a call: sums over a batch could round a row by what stands beside it.
            "rims": rim.grey[None].astype(np.float32),
            "sides": rim.ellipse[None, 2:4].astype(np.float32),
        },
    )
    low, high = rim.reach
    points = place_in_frame(rim.ellipse, np.clip(radii[0].astype(np.float64), low, high))
    length_sd, width_sd = (float(value) for value in np.exp(log_sd[0]))
    return ShellEdge((points + rim.origin) * rim.per_px, length_sd, width_sd)


@cache
def _open_graph() -> Any:
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.inter_op_num_threads = 1
    options.use_deterministic_compute = True
    return onnxruntime.InferenceSession(_GRAPH, options, providers=["CPUExecutionProvider"])
