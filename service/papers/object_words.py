"""What papers say of one object: how it is called, its size, and who said what it is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any

from service.present import View
from service.settle import is_unsettled
from service.store.reading import Spoken
from service.store.settling import settled_together


def name_objects(spoken: Sequence[Spoken], words: dict[str, Any]) -> dict[int, str]:
    """What each candidate is called, as on the page where its picture is read.

    A candidate goes by its rank; objects that readers added are counted in each picture.

    Parameters
    ----------
    spoken : sequence of Spoken
        As `service.store.reading.list_spoken` orders them.

    Returns
    -------
    names : dict
        By the id of the candidate.
    """
    said = words["record"]
    added: Counter[int] = Counter()
    names = {}
    for one in spoken:
        row = one.candidate
        if row.origin == "tool":
            names[row.id] = said["candidate"].format(rank=row.rank)
        else:
            added[row.image_id] += 1
            names[row.id] = said["added"].format(number=added[row.image_id])
    return names


def tell_who(view: View, spoken: Sequence[Spoken], words: dict[str, Any]) -> str:
    """Who marked an object, whether they differed, and who settled it.

    Parameters
    ----------
    spoken : sequence of Spoken
        Every candidate that stands for the object.
    """
    said = words["record"]
    readers = dict.fromkeys(mark.reader_id for one in spoken for mark in one.marks)
    last = [one.adjudications[-1] for one in spoken if one.adjudications]
    key = "by_differing" if any(map(is_unsettled, spoken)) else "by"
    if last:
        key = "by_settled" if len(readers) > 1 else "by_settled_alone"
    settlers = [
        reader for row in last for reader in settled_together(view.session, row.id) or [row.reader_id]
    ]
    return str(said[key].format(names=_names(view, readers), settled=_names(view, settlers)))


def _names(view: View, reader_ids: Iterable[int]) -> str:
    return ", ".join(view.names[reader] for reader in dict.fromkeys(reader_ids))


def tell_size(one: Spoken, words: dict[str, Any]) -> str:
    """Length and width with their uncertainties; without a scale the sides of the box, in pixels."""
    said = one.candidate.said
    values = {name: said.get(f"{name}_um") for name in ("length", "width")}
    spread = {f"{name}_sd": said.get(f"{name}_um_sd") for name in ("length", "width")}
    if None in values.values() or None in spread.values():
        _, _, width, height = said["bbox"]
        return str(words["record"]["size_px"].format(width=f"{width:.0f}", height=f"{height:.0f}"))
    figures = {name: f"{value:.1f}" for name, value in {**values, **spread}.items() if value is not None}
    return str(words["record"]["length_width"].format(**figures))
