"""Which stages are lighter than a solution, by the densities that were measured."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from triage.errors import RecordError
from triage.fluids import ANY_FLUID, PublishedFluid, read_published_fluids
from triage.groups import candidate_groups
from triage.morphometrics import find_references
from triage.tables import read_rows, to_number

# From water to the densest solution in the table (1.40), with some room (our choice).
LEAST_GRAVITY, MOST_GRAVITY = 1.0, 1.6
# How much denser than an egg a solution must be before we say that it floats, and lighter before we say that
# it sinks: more than two divisions of a hydrometer, and eggs of one taxon differ too. Our choice, no source.
BORDERLINE_GRAVITY = 0.02
# Mites, larvae and what fits no group: not what a solution is chosen for.
_NOT_FLOATED_FOR = "other_egg"

CAUTION = (
    "Density says what may rise, not what is there. A stage that isn't seen can't be said to be absent: eggs "
    "stay in debris and on the strainer (spiked cattle feces, best recovery 62.6 %: Egwang & Slocombe 1982 "
    "Can J Comp Med 46:133-137)."
)


@dataclass(frozen=True)
class EggDensity:
    """One row: the specific gravity of one stage in one source.

    Attributes
    ----------
    taxon, group, host, stage : str
        `host` is `dog`, `cat`, `both` or another animal.
    gravity : float or None
        Mean or only figure.
    gravity_range : tuple of (float or None, float or None)
        Lower and upper figure where the source gives them.
    notes : str
    strength : str
        `read`, `weak` (a source of poor standing) or `memory` (recalled, unchecked).
    source, source_url_or_doi : str
    """

    taxon: str
    group: str
    host: str
    stage: str
    gravity: float | None
    gravity_range: tuple[float | None, float | None]
    notes: str
    strength: str
    source: str
    source_url_or_doi: str


@dataclass(frozen=True)
class FloatCheck:
    """One taxon at one specific gravity.

    Attributes
    ----------
    taxon, group, stage : str
    result : str
        `floats`, `borderline`, `sinks` or `no reference`.
    densities : tuple of EggDensity
        What decides: figures that were read.
    other_densities : tuple of EggDensity
        Shown beside them, but deciding nothing: weak sources and figures from memory.
    reports : tuple of PublishedFluid
        What sources say of this taxon or its group in this fluid.
    is_contradicted : bool
        Whether by density it floats, yet a source that was read says that it didn't.
    """

    taxon: str
    group: str
    stage: str
    result: str
    densities: tuple[EggDensity, ...]
    other_densities: tuple[EggDensity, ...]
    reports: tuple[PublishedFluid, ...]
    is_contradicted: bool


@cache
def read_egg_densities() -> tuple[EggDensity, ...]:
    """All rows of the table of densities."""
    return tuple(_to_density(row) for row in read_rows("egg_density.csv"))


def check_flotation(
    specific_gravity: float, *, fluid: str | None = None, host: str | None = None
) -> tuple[FloatCheck, ...]:
    """Which stages a solution floats: lightest first, those without a measured density last.

    Parameters
    ----------
    specific_gravity : float
        Of the solution, as read from a hydrometer.
    fluid : str, optional
        Key of the fluid (`triage.fluids.recognise_fluid`); None shows what is said of any.
    host : str, optional
        `dog` or `cat` leaves out stages of other animals.

    Raises
    ------
    RecordError
        If the specific gravity is impossible.

    Notes
    -----
    Borderline lies within 0.02 of a measured figure, or where sources fall on both sides, or where a source
    says of this fluid that the stage didn't float though it is lighter. See `CAUTION`.
    """
    require_possible_gravity(specific_gravity)
    by_stage: dict[tuple[str, str], list[EggDensity]] = {}
    for row in read_egg_densities():
        if row.group and (host not in ("dog", "cat") or row.host in (host, "both")):
            by_stage.setdefault((row.taxon, row.stage), []).append(row)
    checks = [_check_stage(rows, specific_gravity, fluid) for rows in by_stage.values()]
    measured = sorted((one for one in checks if one.densities), key=lambda one: _span(one.densities))
    unmeasured = [one for one in checks if not one.densities]
    named = {one.taxon for one in checks}
    return (*measured, *unmeasured, *_list_unmeasured(named, specific_gravity, fluid, host))


def require_possible_gravity(specific_gravity: float) -> None:
    """Refuses what no flotation solution weighs.

    Raises
    ------
    RecordError
        If it lies outside 1.0 to 1.6.
    """
    if not LEAST_GRAVITY <= specific_gravity <= MOST_GRAVITY:
        raise RecordError(
            f"The specific gravity is {specific_gravity}; it must lie between {LEAST_GRAVITY} and "
            f"{MOST_GRAVITY}. Read the hydrometer again, at the temperature that it is made for."
        )


def _check_stage(rows: list[EggDensity], gravity: float, fluid: str | None) -> FloatCheck:
    first = rows[0]
    deciding = tuple(row for row in rows if row.strength == "read")
    reports = _find_reports(first.taxon, first.group, gravity, fluid)
    result = _compare(gravity, *_span(deciding)) if deciding else "no reference"
    is_contradicted = result == "floats" and any(
        report.strength == "read" and {first.taxon, first.group} & set(report.floats_poorly)
        for report in reports
    )
    return FloatCheck(
        taxon=first.taxon,
        group=first.group,
        stage=first.stage,
        result="borderline" if is_contradicted else result,
        densities=deciding,
        other_densities=tuple(row for row in rows if row.strength != "read"),
        reports=reports,
        is_contradicted=is_contradicted,
    )


def _compare(gravity: float, lightest: float, densest: float) -> str:
    if gravity >= densest + BORDERLINE_GRAVITY:
        return "floats"
    return "sinks" if gravity <= lightest - BORDERLINE_GRAVITY else "borderline"


def _span(rows: tuple[EggDensity, ...]) -> tuple[float, float]:
    """Lightest and densest figure of some rows."""
    figures = [figure for row in rows for figure in (row.gravity, *row.gravity_range) if figure is not None]
    return min(figures), max(figures)


def _find_reports(taxon: str, group: str, gravity: float, fluid: str | None) -> tuple[PublishedFluid, ...]:
    return tuple(
        row
        for row in read_published_fluids()
        if {taxon, group} & set(row.speaks_of)
        and (fluid is None or row.fluid in (fluid, ANY_FLUID))
        and is_near(gravity, row.gravity_range)
    )


def is_near(gravity: float, gravity_range: tuple[float, float] | None) -> bool:
    """Whether a specific gravity lies within 0.02 of a printed range; any is near where none is printed."""
    if gravity_range is None:
        return True
    low, high = gravity_range
    return low - BORDERLINE_GRAVITY <= gravity <= high + BORDERLINE_GRAVITY


def _list_unmeasured(
    measured: set[str], gravity: float, fluid: str | None, host: str | None
) -> tuple[FloatCheck, ...]:
    """Taxa of the table of sizes whose density nobody in the other table measured."""
    return tuple(
        FloatCheck(
            taxon=reference.taxon,
            group=group,
            stage="",
            result="no reference",
            densities=(),
            other_densities=(),
            reports=_find_reports(reference.taxon, group, gravity, fluid),
            is_contradicted=False,
        )
        for group in candidate_groups()
        if group != _NOT_FLOATED_FOR
        for reference in find_references(group, host)
        if reference.taxon not in measured
    )


def _to_density(row: dict[str, str]) -> EggDensity:
    return EggDensity(
        taxon=row["taxon"],
        group=row["group"],
        host=row["host"],
        stage=row["stage"],
        gravity=to_number(row["sg"]),
        gravity_range=(to_number(row["sg_low"]), to_number(row["sg_high"])),
        notes=row["notes"],
        strength=row["strength"],
        source=row["source"],
        source_url_or_doi=row["source_url_or_doi"],
    )
