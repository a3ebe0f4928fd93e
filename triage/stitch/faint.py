"""Two fields laid edge on edge: measured by all that both show there, and how well all of it agrees."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from triage.stitch.cells import cut_shared, take_off_broad
from triage.stitch.contradiction import compare_shared
from triage.stitch.elsewhere import Agreement, rate_agreement
from triage.stitch.fields import GreyReader
from triage.stitch.measure import measure_shared
from triage.stitch.records import Pair
from triage.stitch.stiff import fit_stiff, tells_turn
from triage.stitch.strips import Laid

_LEAST_CELLS = 4
# Along the edge, as shares of a field's side.
_ALONG = np.array([-0.3, -0.15, 0.0, 0.15, 0.3])


@dataclass(frozen=True, eq=False)
class Tie:
    """Two fields measured against each other edge on edge.

    Attributes
    ----------
    pair : Pair
    agreement : Agreement
        Over all that both show.
    sides : tuple of (int, int, bool)
        The two edges: number of the field, 0 right and left or 1 below and above, whether right or below.
    """

    pair: Pair
    agreement: Agreement
    sides: tuple[tuple[int, int, bool], tuple[int, int, bool]]


def measure_faint(laid: Laid, greys: GreyReader, tries: int) -> Tie | None:
    """The tie of two fields laid so; None where too little tells it, or what stands out contradicts.

    Parameters
    ----------
    laid : Laid
    greys : GreyReader
    tries : int
        Ways of laying these two that were tried.
    """
    height, width = greys.read(laid.first).shape
    half = np.array([width, height]) / 2
    along = np.array([laid.axis == 1, laid.axis == 0]) * 2 * half
    theirs_xy = np.array(laid.middle_xy) + np.outer(_ALONG, along)
    seen = {laid.first: laid.lay(theirs_xy), laid.second: theirs_xy}
    first, second = sorted(seen)
    ours, theirs = greys.read(first), greys.read(second)
    grain = max(greys.measure_grain(first), greys.measure_grain(second))
    rough = Pair(first, second, seen[first], seen[second], np.ones(len(_ALONG)), 1.0)
    measured = measure_shared(rough, ours, theirs, grain, is_faint=True)
    if measured is None or len(measured.first_xy) < _LEAST_CELLS or not tells_turn(measured.first_xy):
        return None
    xy = measured.first_xy, measured.second_xy
    if compare_shared(ours, theirs, *xy, has_turn=True, grain=grain).is_contradicted:
        return None
    to_ours = fit_stiff(xy[1] + half, xy[0] + half, has_turn=True)
    agreement = rate_agreement(*cut_shared(take_off_broad(ours), take_off_broad(theirs), to_ours)[:3])
    chance = min(1.0, tries * float(norm.sf(agreement.whole)))
    pair = Pair(first, second, *xy, np.ones(len(xy[0])), chance, measured)
    return Tie(pair, agreement, ((laid.first, laid.axis, True), (laid.second, laid.axis, False)))
