"""Eggs of roundworms: ascarids, hookworm type, spirurids and some that fit no group."""

from __future__ import annotations

from training.synthesize.kinds.chance import BROWN, GOLD, GREY, OLIVE, RUST
from training.synthesize.kinds.contents import CELLS, EMPTY, LARVA, MASS
from training.synthesize.kinds.eggs import egg_kind

_DARK_CELL = {
    "stages": {MASS: 0.7, CELLS: 0.12, LARVA: 0.14, EMPTY: 0.04},
    "fill": (0.66, 0.9),
    "palette": (GREY, OLIVE, BROWN),
    "strength": (0.012, 0.035),
    "cell_counts": (2, 2, 4, 8, 16),
}

KINDS = (
    egg_kind(
        "toxocara_canis_egg",
        "ascarid_egg",
        ((75, 90, 65, 80),),
        shape={"power": (2.0, 2.15), "rough": (0.0, 0.012), "rough_count": (26, 42), "dented": 0.06},
        wall={
            "outer_um": (2.2, 4.0),
            "inner_um": (0.5, 1.2),
            "palette": (GOLD, BROWN, OLIVE),
            "strength": (0.006, 0.03),
            "pits": (0.08, 0.4),
            "pit_um": (2.0, 4.0),
        },
        contents=_DARK_CELL,
    ),
    egg_kind(
        "toxocara_cati_egg",
        "ascarid_egg",
        ((65, 77, 58, 68),),
        shape={"power": (2.0, 2.15), "rough": (0.0, 0.01), "rough_count": (26, 42), "dented": 0.06},
        wall={
            "outer_um": (2.0, 3.6),
            "inner_um": (0.5, 1.2),
            "palette": (GOLD, BROWN, OLIVE),
            "strength": (0.006, 0.03),
            "pits": (0.06, 0.32),
            "pit_um": (1.6, 3.0),
        },
        contents=_DARK_CELL,
    ),
    egg_kind(
        "toxascaris_egg",
        "ascarid_egg",
        ((75, 85, 60, 75),),
        shape={"power": (2.0, 2.1), "dented": 0.06},
        wall={
            "outer_um": (2.8, 5.0),
            "inner_um": (0.6, 1.4),
            "palette": (GREY, GOLD),
            "strength": (0.001, 0.008),
            "waves_um": (0.1, 0.9),
        },
        contents=_DARK_CELL | {"fill": (0.5, 0.78), "strength": (0.006, 0.018), "palette": (GREY, OLIVE)},
    ),
    egg_kind(
        "ascaris_fertilised_egg",
        "ascarid_egg",
        ((45, 75, 35, 55),),
        shape={"power": (2.0, 2.2), "rough": (0.015, 0.06), "rough_count": (18, 34), "dented": 0.04},
        wall={
            "coat_um": (1.5, 4.0),
            "coat_strength": (0.02, 0.08),
            "outer_um": (2.0, 3.6),
            "palette": (BROWN, GOLD, OLIVE),
            "strength": (0.01, 0.04),
            "pit_um": (3.0, 5.0),
        },
        contents=_DARK_CELL | {"fill": (0.5, 0.74), "strength": (0.012, 0.03)},
    ),
    egg_kind(
        "ascaris_unfertilised_egg",
        "ascarid_egg",
        ((75, 94, 38, 48),),
        shape={
            "power": (2.1, 2.9),
            "egg": (0, 0.12),
            "wave": 0.02,
            "rough": (0.0, 0.05),
            "rough_count": (16, 32),
            "dented": 0.15,
        },
        wall={
            "coat_um": (0.2, 2.2),
            "coat_strength": (0.02, 0.06),
            "outer_um": (0.7, 1.6),
            "inner_um": (0.2, 0.5),
            "palette": (BROWN, RUST, GOLD),
            "strength": (0.01, 0.05),
            "pit_um": (3.0, 5.0),
        },
        contents={
            "stages": {MASS: 1.0},
            "fill": (0.86, 0.95),
            "palette": (BROWN, RUST, OLIVE),
            "strength": (0.012, 0.04),
            "grain_um": (1.6, 3.6),
            "roughness": (0.6, 1.2),
        },
    ),
    egg_kind(
        "baylisascaris_egg",
        "ascarid_egg",
        ((63, 88, 50, 70),),
        shape={"power": (2.0, 2.15), "rough": (0.0, 0.006), "rough_count": (30, 44), "dented": 0.04},
        wall={
            "outer_um": (2.2, 3.6),
            "palette": (BROWN, GOLD),
            "strength": (0.02, 0.05),
            "pits": (0.05, 0.25),
            "pit_um": (1.0, 1.8),
        },
        contents=_DARK_CELL | {"fill": (0.7, 0.92)},
        weight=0.6,
    ),
    egg_kind(
        "ancylostoma_egg",
        "strongylid_egg",
        ((52, 79, 34, 52),),
        shape={"power": (2.0, 2.35), "egg": (0, 0.08), "dented": 0.08},
        wall={
            "outer_um": (0.5, 1.1),
            "inner_um": (0.2, 0.5),
            "index": (0.03, 0.1),
            "palette": (GREY, GOLD),
            "strength": (0.0005, 0.012),
        },
        contents={
            "stages": {CELLS: 0.72, MASS: 0.14, LARVA: 0.12, EMPTY: 0.02},
            "fill": (0.66, 0.9),
            "palette": (GREY, OLIVE, GOLD),
            "strength": (0.008, 0.03),
            "cell_counts": (2, 4, 4, 6, 8, 8, 12, 16, 24, 32),
            "roughness": (0.3, 0.8),
        },
    ),
    egg_kind(
        "uncinaria_egg",
        "strongylid_egg",
        ((67, 93, 36, 57),),
        shape={"power": (2.0, 2.5), "egg": (0, 0.06), "dented": 0.08},
        wall={
            "outer_um": (0.5, 1.1),
            "inner_um": (0.2, 0.5),
            "index": (0.03, 0.1),
            "palette": (GREY, GOLD),
            "strength": (0.0005, 0.01),
        },
        contents={
            "stages": {CELLS: 0.76, MASS: 0.1, LARVA: 0.12, EMPTY: 0.02},
            "fill": (0.62, 0.86),
            "palette": (GREY, OLIVE),
            "strength": (0.006, 0.024),
            "cell_counts": (4, 8, 8, 12, 16, 24, 32),
            "roughness": (0.3, 0.8),
        },
        weight=0.7,
    ),
)
