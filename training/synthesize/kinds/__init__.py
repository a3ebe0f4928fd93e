"""The anatomy of every kind of object on a drawn slide.

Each module holds one family; `KINDS` names them all.
"""

from training.synthesize.kinds import (
    cells,
    flukes,
    heaps,
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

__all__ = ["KINDS", "LOOK_ALIKE_SHARES", "Kind", "Parameters"]

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
    cells,
    heaps,
)

KINDS: dict[str, Kind] = {kind.name: kind for family in _FAMILIES for kind in family.KINDS}

LOOK_ALIKE_SHARES = {
    "other_artefact": 5.0,
    "plant_debris": 2.0,
    "fat_or_crystal": 1.2,
    "air_bubble": 0.8,
    "pollen": 1.5,
    "mite": 0.6,
}
"""How often each group of look-alikes is met, relative to one another: cells, larvae and debris most."""
