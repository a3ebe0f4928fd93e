"""Says in plain words why a candidate is shown and what speaks for or against a group."""

from __future__ import annotations

from triage.groups import find_group
from triage.records import Ellipse, SizeCheck, TaxonCheck
from triage.size_check import MeasuredSize

# Shares below this are noise to a reader.
_LEAST_SHARE = 0.1
# Eggs like none of the groups may have a spine.
_MAY_HAVE_SPINE = "other_egg"


def explain_candidate(
    *,
    group: str,
    shares: dict[str, float],
    ellipse: Ellipse | None,
    size: MeasuredSize | None,
    size_check: SizeCheck,
    is_cut_off: bool,
) -> tuple[str, ...]:
    """Short sentences for one candidate, most telling first.

    Parameters
    ----------
    group : str
        The group it is listed under.
    shares : dict of str to float
        Share of every group and look-alike.
    ellipse : Ellipse or None
    size : MeasuredSize or None
    size_check : SizeCheck
    is_cut_off : bool
        Whether the picture's edge cuts the object.
    """
    sentences = [
        _explain_group(group, shares),
        *_explain_look_alikes(shares),
        _explain_outline(ellipse, size, is_cut_off),
        *_explain_size(size, size_check),
        *_explain_spine(shares, ellipse, size),
    ]
    return tuple(sentences)


def _explain_group(group: str, shares: dict[str, float]) -> str:
    said = f"Resembles {_name(group)}, share {shares[group]:.2f}"
    others = {
        name: share
        for name, share in shares.items()
        if name != group and share >= _LEAST_SHARE and find_group(name).kind == "candidate"
    }
    if not others:
        return f"{said}."
    runner_up = max(others, key=lambda name: others[name])
    return f"{said}; next {_name(runner_up)}, share {others[runner_up]:.2f}."


def _explain_look_alikes(shares: dict[str, float]) -> list[str]:
    strong = {
        name: share
        for name, share in shares.items()
        if share >= _LEAST_SHARE and find_group(name).kind == "look_alike"
    }
    if not strong:
        return []
    name = max(strong, key=lambda name: strong[name])
    return [f"Also resembles {_name(name)}, share {strong[name]:.2f}."]


def _explain_outline(ellipse: Ellipse | None, size: MeasuredSize | None, is_cut_off: bool) -> str:
    estimate = ", so its size is only the detector's own estimate" if size else ""
    if is_cut_off:
        part = f"{estimate} of the part in sight" if size else ""
        return f"The edge of the picture cuts it{part}."
    if ellipse is None:
        return f"No closed outline was found{estimate}."
    return f"A closed outline was found, {ellipse.length_px / ellipse.width_px:.2f} times as long as wide."


def _explain_size(size: MeasuredSize | None, check: SizeCheck) -> list[str]:
    if size is None:
        return ["The scale is unknown, so its size was not measured."]
    length, width = (
        f"{value:.1f} ± {sd:.1f}"
        for value, sd in ((size.length_um, size.length_um_sd), (size.width_um, size.width_um_sd))
    )
    measured = f"Measures {length} x {width} µm (one standard uncertainty)."
    return [measured, _explain_part_check(check) if size.is_of_part else _explain_check(check)]


def _explain_spine(shares: dict[str, float], ellipse: Ellipse | None, size: MeasuredSize | None) -> list[str]:
    if size is None or ellipse is None or shares[_MAY_HAVE_SPINE] < _LEAST_SHARE:
        return []
    return ["A spine, if it has one, isn't counted in its length and width."]


def _explain_part_check(check: SizeCheck) -> str:
    if check.result == "does not fit":
        outside = next(taxon for taxon in check.taxa if taxon.result == "does not fit")
        return (
            "The part in sight is already larger than the published sizes of this group, for instance "
            f"{_describe(outside)}."
        )
    return "The whole may be larger, so the size check can't decide."


def _explain_check(check: SizeCheck) -> str:
    fitting = [taxon for taxon in check.taxa if taxon.result == "fits"]
    if fitting:
        return f"Fits the published size of {_describe(fitting[0])}.{_list_others(fitting)}"
    outside = [taxon for taxon in check.taxa if taxon.result == "does not fit"]
    if outside:
        return f"Lies outside the published sizes of this group, for instance {_describe(outside[0])}."
    return "No range from a source that was read is at hand for this group."


def _list_others(fitting: list[TaxonCheck]) -> str:
    """What else fits, and what size can't tell from the first: a size that fits is no name."""
    first, *rest = fitting
    also = [taxon.taxon for taxon in rest if taxon.taxon not in first.kept_with][:3]
    return "".join(
        f" {words} {', '.join(names)}."
        for words, names in (("Size can't tell it from", first.kept_with), ("Also fits", also))
        if names
    )


def _describe(taxon: TaxonCheck) -> str:
    ranges = " x ".join(
        f"{bounds[0]:g}-{bounds[1]:g}" for bounds in (taxon.length_range_um, taxon.width_range_um) if bounds
    )
    return f"{taxon.taxon} ({ranges} µm; {taxon.source})"


def _name(group: str) -> str:
    label = find_group(group).label
    return label[0].lower() + label[1:]
