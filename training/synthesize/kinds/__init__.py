"""The anatomy of every kind of object on a drawn slide.

Each module holds one family; `KINDS` names them all.
"""

from training.synthesize.kinds import nematodes
from training.synthesize.kinds.kind import Kind, Parameters

__all__ = ["KINDS", "Kind", "Parameters"]

KINDS: dict[str, Kind] = {kind.name: kind for module in (nematodes,) for kind in module.KINDS}
