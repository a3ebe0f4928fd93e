"""Which fields are placed, how surely, and why the others are not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import breadth_first_order, minimum_spanning_tree

from triage.illumination import LEAST_CONTRAST, measure_contrast
from triage.sharpness import LEAST_SHARPNESS, measure_sharpness
from triage.stitch.fields import Fields
from triage.stitch.parting import MOST_SD_PX, part_places
from triage.stitch.place import Found
from triage.stitch.records import Pair

_JUDGED_PX = 640
# Beside its neighbours a picture out of focus stands out; our choice.
_BLURRED_SHARE = 0.5
# Dust on the sensor and what is left of the uneven light give an empty field up to this (drawn scans).
_BLANK_CONTRASTS = 2.0
_LEAST_CHANCE = 1e-12


def measure_focus(fields: Fields, even_small: NDArray[np.float32]) -> dict[int, float]:
    """How sharp each field is at most, by its number.

    Blank ones are not judged: dust on the sensor, the same on all fields, is no measure of focus.
    """
    values: dict[int, float] = {}
    for number, path in enumerate(fields.greys):
        if is_blank(even_small[number]):
            continue
        grey = np.fromfile(path, dtype=np.uint8).reshape(fields.shape_hw)
        shrink = min(1.0, _JUDGED_PX / max(fields.shape_hw))
        reduced = cv2.resize(grey, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        sharpness = measure_sharpness(reduced.astype(np.float64))
        if sharpness is not None:
            values[number] = sharpness.at_most
    return values


def find_blurred(values: Mapping[int, float]) -> dict[int, str]:
    """Fields that are much less sharp than the scan usually is, with the reason.

    Parameters
    ----------
    values : mapping of int to float
        From `measure_focus`.
    """
    usual = float(np.median(list(values.values()))) if values else 0.0
    limit = min(LEAST_SHARPNESS, _BLURRED_SHARE * usual)
    return {
        number: f"It is blurred: its sharpness is {value:.2f}, the scan's is {usual:.2f}. Take it again."
        for number, value in values.items()
        if value < limit
    }


def is_blank(even_small: NDArray[np.float32]) -> bool:
    """Whether nothing stands out on a field.

    Parameters
    ----------
    even_small : ndarray of shape (h, w, 3)
        Its reduced copy under even light.
    """
    calm = cv2.GaussianBlur(even_small.mean(axis=2), (0, 0), 1.0)
    return measure_contrast(calm.astype(np.float64)) < _BLANK_CONTRASTS * LEAST_CONTRAST


def choose_group(group: NDArray[np.int64], left_out: Sequence[int]) -> NDArray[np.bool_]:
    """Which fields are in the largest group, of two equal ones that with the first field."""
    allowed = np.ones(len(group), dtype=bool)
    allowed[list(left_out)] = False
    sizes = np.bincount(group[allowed]) if allowed.any() else np.zeros(1, np.int64)
    firsts = [int(np.argmax(group == number)) for number in range(len(sizes))]
    best = max(range(len(sizes)), key=lambda number: (sizes[number], -firsts[number]))
    is_in: NDArray[np.bool_] = (group == best) & allowed
    return is_in


def part_unsure(found: Found, left_out: Sequence[int]) -> tuple[Found, NDArray[np.bool_], dict[int, str]]:
    """Places in sure parts, which fields are in the largest of these, and which hang nowhere, and why.

    Parameters
    ----------
    found : Found
    left_out : sequence of int
        Fields that are in no group.
    """
    parted = part_places(found.places)
    places, cut_px = parted.places, parted.cut_px
    is_unsure = places.sd_px > MOST_SD_PX
    is_in = choose_group(places.group, [*left_out, *is_unsure.nonzero()[0].tolist()])
    is_alone = (np.bincount(places.group)[places.group] == 1) | is_unsure
    reasons = {
        number: f"Its place is uncertain by {cut_px[number]:.1f} px (standard uncertainty): it shares too "
        "little with its neighbours."
        for number in (is_alone & (cut_px > 0)).nonzero()[0].tolist()
    }
    return replace(found, places=places), is_in, reasons


def say_why_apart(number: int, found: Found, names: Sequence[str], sharpness: float | None) -> str:
    """Reason why a field that is as sharp as the scan usually is, is not in the mosaic."""
    group = found.places.group
    alike = (group == group[number]).nonzero()[0].tolist()
    fellows = [names[other] for other in alike if other != number]
    if fellows:
        shown = ", ".join(fellows[:3]) + (" and others" if len(fellows) > 3 else "")
        return f"It overlaps with {shown}, but none of these surely with the larger part of the scan."
    partners = sorted({other for pair in found.unconfirmed if number in pair for other in pair} - {number})
    if partners:
        return (
            f"Too little ties it to {names[partners[0]]} to be sure of its place: one spot, or one thing "
            "that others may look like (an air bubble, an egg)."
        )
    if is_blank(found.even_small[number]):
        return "It is blank: nothing stands out on it by which it could be placed."
    is_soft = sharpness is not None and sharpness < LEAST_SHARPNESS
    return (
        "It shows nothing that another field shows too; it may be from another slide, or its neighbours are "
        "missing or blank."
        + (f" It is out of focus, too: its sharpness is {sharpness:.2f}." if is_soft else "")
    )


def say_why_none(found: Found, blurred: Mapping[int, str], unsure: Mapping[int, str]) -> str:
    """Why not even two fields could be placed surely, and what to do; one sentence each."""
    n = len(found.places.group)
    if not found.places.kept:
        blank = sum(is_blank(small) for small in found.even_small)
        seen = f" ({blank} of them show nothing, {len(blurred)} are blurred)" if blank or blurred else ""
        return (
            f"No two of the {n} pictures were found to overlap{seen}. Give the sharp pictures of "
            "one scan, each showing at least a tenth of the next."
        )
    tried = len(found.places.kept) + len(found.places.rejected)
    counts = [
        f"{len(blurred)} are blurred" if blurred else "",
        f"the places of {len(unsure)} are uncertain by up to {max(found.places.sd_px[list(unsure)]):.1f} px "
        f"(at most {MOST_SD_PX:g} px is taken)"
        if unsure
        else "",
        f"{len(found.places.rejected)} overlaps contradict the others" if found.places.rejected else "",
    ]
    return (
        f"None of the {n} pictures could be placed surely: {tried} overlaps were found, but "
        f"{', '.join(filter(None, counts))}. Take the scan again with sharper pictures, more overlap "
        "(a fifth or more) and the same light for all."
    )


def rate_sureness(n: int, pairs: Sequence[Pair]) -> NDArray[np.float64]:
    """How sure each place is, shape (N,): 1 less the greatest chance on its best way to the best-tied field.

    Notes
    -----
    Only the surest way counts, so a field that several neighbours agree on is surer than this says.
    """
    sureness = np.zeros(n)
    if not pairs:
        return sureness
    ends = np.array([(pair.first, pair.second) for pair in pairs])
    chances = np.array([max(_LEAST_CHANCE, pair.chance) for pair in pairs])
    # Weights below zero would be lost in a sparse graph; the order alone matters for the tree.
    weights = np.log(chances / _LEAST_CHANCE) + 1
    links = csr_matrix((weights, (ends[:, 0], ends[:, 1])), shape=(n, n))
    tree = minimum_spanning_tree(links)
    tree = tree + tree.T
    is_reached = np.zeros(n, dtype=bool)
    by_ties = np.argsort(-np.bincount(ends.ravel(), minlength=n), kind="stable")
    for root in by_ties:
        if is_reached[root]:
            continue
        order, before = breadth_first_order(tree, int(root), directed=False)
        worst = {int(root): 0.0}
        for field in order[1:]:
            chance = _LEAST_CHANCE * np.exp(tree[before[field], field] - 1)
            worst[int(field)] = max(worst[int(before[field])], float(chance))
        is_reached[order] = True
        if len(order) > 1:
            worst[int(root)] = min(worst[int(field)] for field in order[1:])
            sureness[order] = [1 - worst[int(field)] for field in order]
    return sureness
