"""Checks how a coverslip was made against practice: advice with its source, never a block."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

from triage.errors import RecordError
from triage.flotation import check_flotation, is_near, require_possible_gravity
from triage.fluids import StandingTime, find_published_gravities, find_standing_times, recognise_fluid
from triage.records import CodedNote

COMMON_PRACTICE = "common practice, no source"
_CAPC = "CAPC microscopic fecal exam procedures"
_TROCCAP_PASSIVE = "TroCCAP SOP 1"
_METHODS = ("passive", "centrifuged")
# Least sample by consistency: CAPC.
LEAST_SAMPLE_G = {"formed": 1.0, "soft": 2.0, "slurry": 4.0, "liquid": 6.0}
# 22 mm: TroCCAP SOP 1. 18 and 24 mm: from memory.
_COVERSLIP_SIDES_MM = (18.0, 22.0, 24.0)
# Common practice, no source.
_VIAL_ML = (10.0, 20.0)
# NDSU fecal flotation test page: on ice, within one day.
_FRESH_HOURS = 24.0
# Common practice, no source.
_WARM_HOURS = 2.0
# Common practice, no source.
_WET_HOURS = 1.0
# Veterinary Laboratory and Field Manual, 3rd ed. pp. 117, 119: sugar of 1.32 bends delicate walls.
_WALLS_BEND_GRAVITY = (1.32, 1.6)
_HOSTS = ("dog", "cat", "both")


@dataclass(frozen=True)
class Preparation:
    """How a coverslip was made and read; None where nobody wrote it down.

    Attributes
    ----------
    method : str or None
        `passive` or `centrifuged`.
    solution : str or None
        As typed.
    specific_gravity : float or None
        As read from a hydrometer.
    standing_min : float or None
        Minutes with the coverslip on.
    sample_g : float or None
    consistency : str or None
        `formed`, `soft`, `slurry` or `liquid`.
    coverslip_mm : float or None
        Side of the coverslip.
    vial_ml, vial_mouth_mm : float or None
        Content and inner width of the vial or tube.
    hours_since_collection : float or None
        At the least, where only the day is known.
    hours_since_preparation : float or None
    objectives : tuple of float, or None
        Magnifications that the coverslip was looked at with.
    host : str or None
        `dog` or `cat` narrows the eggs that the solution is compared with.

    Raises
    ------
    RecordError
        If a value is impossible, or a method or consistency has no such name.
    """

    method: str | None = None
    solution: str | None = None
    specific_gravity: float | None = None
    standing_min: float | None = None
    sample_g: float | None = None
    consistency: str | None = None
    coverslip_mm: float | None = None
    vial_ml: float | None = None
    vial_mouth_mm: float | None = None
    hours_since_collection: float | None = None
    hours_since_preparation: float | None = None
    objectives: tuple[float, ...] | None = None
    host: str | None = None

    def __post_init__(self) -> None:
        _require_name("method", self.method, _METHODS)
        _require_name("consistency", self.consistency, tuple(LEAST_SAMPLE_G))
        if self.specific_gravity is not None:
            require_possible_gravity(self.specific_gravity)
        for name in ("standing_min", "hours_since_collection", "hours_since_preparation"):
            _require_number(name, getattr(self, name), is_zero_allowed=True)
        for name in ("sample_g", "coverslip_mm", "vial_ml", "vial_mouth_mm"):
            _require_number(name, getattr(self, name), is_zero_allowed=False)
        for magnification in self.objectives or ():
            _require_number("objective", magnification, is_zero_allowed=False)


@dataclass(frozen=True)
class Advice:
    """What one rule says; `source` is where it comes from, or `COMMON_PRACTICE`.

    Attributes
    ----------
    rule : str
    note : CodedNote
        The sentence, and the code and values that it can be worded by in another language.
    source : str
    level : str
    """

    rule: str
    note: CodedNote
    source: str
    level: Literal["consider", "fine"]

    @property
    def text(self) -> str:
        """The sentence."""
        return self.note.text


def check_preparation(preparation: Preparation) -> tuple[Advice, ...]:
    """What practice says of a preparation, always in the same order; a fact not written down gets no advice.

    The objectives are the exception: without them the way of reading is said, as what there is nothing
    against.
    """
    return tuple(advice for rule in _RULES for advice in rule(preparation))


def _check_method(made: Preparation) -> Iterator[Advice]:
    if made.method is None:
        return
    yield _advise(
        "method",
        made.method == "centrifuged",
        CodedNote(
            "method",
            "Centrifuging brings up more than standing on the bench, above all whipworm and Giardia.",
        ),
        f"{_CAPC}; Zajac et al. 2002 J Am Anim Hosp Assoc 38(3):221 (abstract)",
    )


def _check_usual_gravity(made: Preparation) -> Iterator[Advice]:
    fluid = recognise_fluid(made.solution or "")
    printed = find_published_gravities(fluid) if fluid else ()
    if made.specific_gravity is None or not printed:
        return
    near = [row for row in printed if is_near(made.specific_gravity, row.gravity_range)]
    figures = sorted({row.gravity_range for row in printed if row.gravity_range})
    usual = ", ".join(f"{low:g}" if low == high else f"{low:g}-{high:g}" for low, high in figures)
    yield _advise(
        "usual specific gravity",
        bool(near),
        CodedNote(
            "usual_gravity",
            f"Read {made.specific_gravity:g}; {made.solution} is printed with {usual}. "
            "Check with a hydrometer.",
            {"gravity": made.specific_gravity, "solution": made.solution or "", "usual": usual},
        ),
        "; ".join(dict.fromkeys(row.source for row in near or printed)),
    )


def _check_denser_than_eggs(made: Preparation) -> Iterator[Advice]:
    if made.specific_gravity is None:
        return
    fluid = recognise_fluid(made.solution or "")
    checks = check_flotation(made.specific_gravity, fluid=fluid, host=made.host)
    heavy = [
        one
        for one in checks
        if one.result in ("sinks", "borderline") and any(row.host in _HOSTS for row in one.densities)
    ]
    text = "The solution should be a little denser than the eggs."
    note = CodedNote("denser", text)
    if heavy:
        named = "; ".join(
            f"{one.taxon} {one.densities[0].gravity:g} ({one.densities[0].source})" for one in heavy
        )
        note = CodedNote(
            "denser_heavy",
            f"{text} At {made.specific_gravity:g} these can't be counted on to rise: {named}. A denser "
            "solution or sedimentation reaches them.",
            {"gravity": made.specific_gravity, "named": named},
        )
    yield _advise("denser than the eggs", not heavy, note, COMMON_PRACTICE)


def _check_thin_walls(made: Preparation) -> Iterator[Advice]:
    if made.specific_gravity is None or not is_near(made.specific_gravity, _WALLS_BEND_GRAVITY):
        return
    yield _advise(
        "thin walls",
        False,
        CodedNote(
            "thin_walls",
            f"At {made.specific_gravity:g} delicate walls lose their shape; read at once and measure "
            "with care.",
            {"gravity": made.specific_gravity},
        ),
        "Veterinary Laboratory and Field Manual 3rd ed. pp. 117, 119",
    )


def _check_standing(made: Preparation) -> Iterator[Advice]:
    if made.method is None or made.standing_min is None:
        return
    for one in find_standing_times(made.method, recognise_fluid(made.solution or "")):
        if one.strength == "weak":
            continue
        is_long_enough = one.least_min is None or made.standing_min >= one.least_min
        is_short_enough = one.most_min is None or made.standing_min <= one.most_min
        yield _advise(
            "standing time",
            is_long_enough and is_short_enough,
            _note_standing(one, made.standing_min),
            one.source,
        )


def _note_standing(said: StandingTime, minutes: float) -> CodedNote:
    """What a source says of the time; in another language its figures are enough."""
    given = {"least": said.least_min, "most": said.most_min}
    times = {name: value for name, value in given.items() if value is not None}
    return CodedNote(
        "_".join(("standing", *times)),
        f"{said.text} This one stood {minutes:g}.",
        {**times, "minutes": minutes},
    )


def _check_sample(made: Preparation) -> Iterator[Advice]:
    if made.sample_g is None:
        return
    # Without a consistency, only what is enough for all of them is surely enough.
    least = LEAST_SAMPLE_G.get(made.consistency or "liquid", 0.0)
    amounts = ", ".join(f"{grams:g} g {name}" for name, grams in LEAST_SAMPLE_G.items())
    yield _advise(
        "sample mass",
        made.sample_g >= least,
        CodedNote(
            "sample",
            f"At least {amounts}; a smaller sample may miss what is there. "
            f"This one weighed {made.sample_g:g} g.",
            {**LEAST_SAMPLE_G, "mass": made.sample_g},
        ),
        _CAPC,
    )


def _check_coverslip(made: Preparation) -> Iterator[Advice]:
    if made.coverslip_mm is None:
        return
    is_twenty_two = made.coverslip_mm == 22
    yield _advise(
        "coverslip",
        made.coverslip_mm in _COVERSLIP_SIDES_MM,
        CodedNote("coverslip_22", "22 x 22 mm is the usual coverslip.")
        if is_twenty_two
        else CodedNote("coverslip", "22 x 22 mm is the usual coverslip; 18 and 24 mm are common too."),
        _TROCCAP_PASSIVE if is_twenty_two else COMMON_PRACTICE,
    )


def _check_vial(made: Preparation) -> Iterator[Advice]:
    if made.vial_ml is not None:
        low, high = _VIAL_ML
        yield _advise(
            "vial",
            low <= made.vial_ml <= high,
            CodedNote(
                "vial",
                f"A vial of {low:g} to {high:g} ml. This one holds {made.vial_ml:g}.",
                {"low": low, "high": high, "volume": made.vial_ml},
            ),
            COMMON_PRACTICE,
        )
    if made.vial_mouth_mm is not None and made.coverslip_mm is not None:
        yield _advise(
            "vial mouth",
            made.vial_mouth_mm < made.coverslip_mm,
            CodedNote(
                "vial_mouth",
                f"The vial's mouth ({made.vial_mouth_mm:g} mm) is to be narrower than the coverslip "
                f"({made.coverslip_mm:g} mm), so that all that rises touches the glass.",
                {"mouth": made.vial_mouth_mm, "side": made.coverslip_mm},
            ),
            COMMON_PRACTICE,
        )


def _check_age(made: Preparation) -> Iterator[Advice]:
    hours = made.hours_since_collection
    if hours is None:
        return
    yield _advise(
        "age of the sample",
        hours <= _FRESH_HOURS,
        CodedNote(
            "age",
            "Read within one day, kept on ice: later trophozoites are gone, some eggs hatch and worms from "
            f"the soil move in. This one is at least {math.floor(hours)} h old.",
            {"hours": math.floor(hours)},
        ),
        "NDSU fecal flotation test page; Zajac, chapter on fecal examination (web copy)",
    )
    if _WARM_HOURS < hours <= _FRESH_HOURS:
        cold = CodedNote(
            "cold", f"Not read within {_WARM_HOURS:g} h: keep it in the cold.", {"hours": _WARM_HOURS}
        )
        yield _advise("kept cold", False, cold, COMMON_PRACTICE)


def _check_drying(made: Preparation) -> Iterator[Advice]:
    hours = made.hours_since_preparation
    if hours is not None and hours > _WET_HOURS:
        yield _advise(
            "drying",
            False,
            CodedNote(
                "drying",
                f"Prepared more than {_WET_HOURS:g} h before: look for crystals and for drying at the edge.",
                {"hours": _WET_HOURS},
            ),
            COMMON_PRACTICE,
        )


def _check_objectives(made: Preparation) -> Iterator[Advice]:
    text = "Focus at 4x, read at 10x, go to 40x for oocysts and cysts."
    note = CodedNote("objectives", text)
    if made.objectives:
        used = _list_objectives(made.objectives)
        note = CodedNote("objectives_used", f"{text} This one was read at {used}.", {"used": used})
    is_fine = made.objectives is None or {10.0, 40.0} <= set(made.objectives)
    yield _advise("objectives", is_fine, note, COMMON_PRACTICE)


_RULES: tuple[Callable[[Preparation], Iterator[Advice]], ...] = (
    _check_method,
    _check_usual_gravity,
    _check_denser_than_eggs,
    _check_thin_walls,
    _check_standing,
    _check_sample,
    _check_coverslip,
    _check_vial,
    _check_age,
    _check_drying,
    _check_objectives,
)


def _list_objectives(objectives: tuple[float, ...]) -> str:
    return ", ".join(f"{magnification:g}x" for magnification in sorted(set(objectives)))


def _advise(rule: str, is_fine: bool, note: CodedNote, source: str) -> Advice:
    return Advice(rule, note, source, "fine" if is_fine else "consider")


def _require_name(kind: str, name: str | None, allowed: tuple[str, ...]) -> None:
    if name is not None and name not in allowed:
        raise RecordError(f"There is no {kind} named {name!r}. Use one of: {', '.join(allowed)}.")


def _require_number(name: str, value: float | None, *, is_zero_allowed: bool) -> None:
    if value is None or (math.isfinite(value) and (value > 0 or (is_zero_allowed and value == 0))):
        return
    allowed = "0 or more" if is_zero_allowed else "above 0"
    raise RecordError(f"{name} is {value}; it must be a number {allowed}. Correct it or leave it out.")
