"""How many objects a coverslip holds, from what was marked on the part that was assessed.

A flotation slide gives no eggs per gram: how much feces went in, how much of it floated and how many eggs
stayed behind is not known from the glass (of eggs added to feces the best centrifuging brought up 62.6 %:
Egwang & Slocombe 1982, Can J Comp Med 46:133-137). Eggs per gram need a counting chamber or a full, weighed
recovery: counted x dilution volume / (grams x volume read) (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import gammaincinv

from triage.errors import RecordError

_LIMIT_LEVEL = 0.95


@dataclass(frozen=True)
class CoverslipLimit:
    """Upper limit of the objects under a coverslip.

    Attributes
    ----------
    n_marked : int
    area_share : float
        Share of the coverslip that was assessed, 0 to 1.
    sensitivity : float
        Share of the objects in that area that get marked, 0 to 1; a judgement, or measured beforehand.
    upper : float
        One-sided 95 % limit; infinite where nothing was assessed.
    """

    n_marked: int
    area_share: float
    sensitivity: float
    upper: float


def limit_objects(n_marked: int, *, area_share: float, sensitivity: float) -> CoverslipLimit:
    """Upper 95 % limit of the objects under the whole coverslip, also when none was marked.

    Parameters
    ----------
    n_marked : int
        Objects of one kind that a reader marked.
    area_share : float
        Share of the coverslip that was assessed, 0 to 1.
    sensitivity : float
        Share of the objects there that get marked, 0 to 1.

    Raises
    ------
    RecordError
        If a value is out of its range.

    Notes
    -----
    Marks are taken as Poisson with mean objects x area share x sensitivity, objects as spread evenly; the
    exact limit of a Poisson mean is divided by the two shares. For none marked it is -ln(0.05) = 2.996 over
    their product, the "rule of three". It limits the mean over coverslips made like this one; the number
    under this very glass is limited by it as well, with room to spare. It speaks of the glass, not of the
    animal.

    References
    ----------
    Exact Poisson limit: Garwood 1936, Biometrika 28:437-442 (from memory).
    """
    if n_marked < 0:
        raise RecordError(f"The number of marks is {n_marked}; it must be 0 or more.")
    _require_share("assessed share of the coverslip", area_share)
    _require_share("sensitivity", sensitivity)
    seen_share = area_share * sensitivity
    upper = float(gammaincinv(n_marked + 1, _LIMIT_LEVEL)) / seen_share if seen_share else math.inf
    return CoverslipLimit(n_marked, area_share, sensitivity, upper)


def describe_count(limit: CoverslipLimit) -> str:
    """What was marked where, and what may be there unseen, in a sentence or two for a person."""
    where = f"{100 * limit.area_share:.3g} % of the coverslip assessed"
    if math.isinf(limit.upper):
        return f"{limit.n_marked} marked, {where}: how many lie under the coverslip can't be said."
    share = f"{100 * limit.sensitivity:.3g} %"
    return (
        f"{limit.n_marked} marked, {where}. If {share} of the objects there get marked, the coverslip holds "
        f"at most {math.floor(limit.upper)} (95 % limit). This says nothing of how many are in the sample."
    )


def express_count(n_marked: int, *, area_share: float, unit: str = "coverslip") -> float:
    """Objects per coverslip, scaled up from the share that was assessed.

    Parameters
    ----------
    n_marked : int
    area_share : float
        Above 0, at most 1.
    unit : str
        Only `coverslip` can be had from a flotation slide.

    Raises
    ------
    RecordError
        If another unit is asked for, eggs per gram above all, or a value is out of its range.
    """
    if unit != "coverslip":
        raise RecordError(
            f"Objects per {unit} were asked for; a flotation slide gives objects per coverslip only, because "
            "what share of the sample came under the glass is not known. Use a counting chamber."
        )
    if n_marked < 0:
        raise RecordError(f"The number of marks is {n_marked}; it must be 0 or more.")
    _require_share("assessed share of the coverslip", area_share)
    if area_share == 0:
        raise RecordError("None of the coverslip was assessed, so no number per coverslip can be given.")
    return n_marked / area_share


def _require_share(name: str, share: float) -> None:
    if not 0 <= share <= 1:
        raise RecordError(f"The {name} is {share}; it must lie between 0 and 1. Give 80 % as 0.8.")
