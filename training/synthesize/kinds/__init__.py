"""The anatomy of every kind of object on a drawn slide.

Each module holds one family; `KINDS` names them all.
"""

from training.synthesize.kinds import (
    flukes,
    lifeless,
    nematodes,
    oddities,
    organisms,
    plants,
    pollen,
    protozoa,
    tapeworms,
    trichurids,
)
from training.synthesize.kinds.kind import Kind, Parameters

__all__ = ["KINDS", "Kind", "Parameters"]

_FAMILIES = (
    nematodes,
    trichurids,
    tapeworms,
    flukes,
    protozoa,
    oddities,
    pollen,
    lifeless,
    plants,
    organisms,
)

KINDS: dict[str, Kind] = {kind.name: kind for family in _FAMILIES for kind in family.KINDS}
