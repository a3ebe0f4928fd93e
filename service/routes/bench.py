"""The bench reference: published sizes, fields over a coverslip, what floats, what no slide can tell."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Query

from service.bench_schemas import (
    CautionOut,
    CoverageOut,
    EggDensityOut,
    FloatCheckOut,
    FlotationOut,
    FluidReportOut,
    LimitsOut,
    PrepatentPeriodOut,
    PublishedSizeOut,
    SlideLimitOut,
    StandingTimeOut,
    TaxonSizeOut,
)
from service.dependencies import UserDep
from triage.flotation import BORDERLINE_GRAVITY, CAUTION, FloatCheck, check_flotation
from triage.fluids import (
    ANY_FLUID,
    PublishedFluid,
    find_cautions,
    find_standing_times,
    read_published_fluids,
    recognise_fluid,
)
from triage.groups import find_group
from triage.morphometrics import PublishedSize, describe_size, is_deciding
from triage.optics import (
    Objective,
    field_diameter_mm,
    largest_useful_um_per_px,
    plan_coverage,
    rayleigh_um,
)
from triage.prepatent import find_prepatent_periods, read_slide_limits
from triage.size_table import SizeRow, search_sizes

router = APIRouter(prefix="/bench", tags=["bench"])
Host = Literal["dog", "cat"]
COVERAGE_NOTES = (
    "Worked out: field of view = field number / magnification (Edmund Optics glossary); passes = side / "
    "(field x (1 - overlap)), rounded up.",
    "Passes show all of the coverslip only while the stage moves without a stop. Still pictures leave gaps "
    "between round fields: the gap-free number is side x √2 / field, rounded up, squared.",
    "A coverslip that was looked over whole still shows only what floated up to it.",
)
RESOLUTION_NOTE = (
    "Resolved distance after Rayleigh, 0.61 x wavelength / NA at 0.55 µm; coarsest useful pixel = that / 2.3 "
    "(studylib text Microscope basics; Univ. of Arizona imaging table, citing Inoue 1986)."
)


@router.get("/sizes")
def list_sizes(
    user: UserDep,
    search: Annotated[str, Query(max_length=100, description="Words of the taxon, group or stage.")] = "",
    group: Annotated[str | None, Query(max_length=80)] = None,
    host: Host | None = None,
    length_um: Annotated[
        float | None, Query(gt=0, le=10_000, description="Only what this length fits.")
    ] = None,
    width_um: Annotated[float | None, Query(gt=0, le=10_000)] = None,
) -> list[TaxonSizeOut]:
    """Published sizes by taxon; a size that fits names no species."""
    rows = search_sizes(search, group=group, host=host, length_um=length_um, width_um=width_um)
    return [_to_taxon(row) for row in rows]


@router.get("/coverage")
def plan_looking(
    user: UserDep,
    coverslip_mm: Annotated[float, Query(allow_inf_nan=False)] = 22,
    field_number_mm: Annotated[float, Query(allow_inf_nan=False)] = 20,
    magnification: Annotated[float, Query(allow_inf_nan=False)] = 10,
    tube_factor: Annotated[float, Query(allow_inf_nan=False)] = 1,
    overlap: Annotated[float, Query(allow_inf_nan=False)] = 0,
    numerical_aperture: Annotated[float | None, Query(allow_inf_nan=False)] = None,
) -> CoverageOut:
    """Fields and passes over a square coverslip, and what the objective resolves where its NA is given."""
    field_mm = field_diameter_mm(field_number_mm, magnification, tube_factor=tube_factor)
    coverage = plan_coverage(coverslip_mm, field_mm, overlap=overlap)
    objective = None if numerical_aperture is None else Objective(magnification, numerical_aperture)
    return CoverageOut(
        field_mm=coverage.field_mm,
        area_ratio=coverage.area_ratio,
        n_passes=coverage.n_passes,
        n_gap_free_fields=coverage.n_gap_free_fields,
        rayleigh_um=None if objective is None else rayleigh_um(objective),
        largest_useful_um_per_px=None if objective is None else largest_useful_um_per_px(objective),
        notes=[*COVERAGE_NOTES, *([] if objective is None else [RESOLUTION_NOTE])],
    )


@router.get("/flotation")
def check_solution(
    user: UserDep,
    specific_gravity: Annotated[float, Query(allow_inf_nan=False)],
    solution: Annotated[str, Query(max_length=200)] = "",
    method: Literal["passive", "centrifuged"] = "centrifuged",
    host: Host | None = None,
) -> FlotationOut:
    """Which stages are lighter than a solution, with every figure's source; see `caution`."""
    fluid = recognise_fluid(solution)
    checks = check_flotation(specific_gravity, fluid=fluid, host=host)
    return FlotationOut(
        specific_gravity=specific_gravity,
        borderline_gravity=BORDERLINE_GRAVITY,
        fluid=fluid,
        checks=[_to_check(one) for one in checks],
        printed=[_to_report(row) for row in read_published_fluids() if row.fluid in (fluid, ANY_FLUID)],
        standing=[StandingTimeOut.model_validate(one) for one in find_standing_times(method, fluid)],
        cautions=[CautionOut.model_validate(one) for one in find_cautions(fluid)],
        caution=CAUTION,
    )


@router.get("/limits")
def list_limits(user: UserDep, host: Host | None = None) -> LimitsOut:
    """Why a slide on which nobody saw anything proves nothing."""
    return LimitsOut(
        limits=[SlideLimitOut.model_validate(one) for one in read_slide_limits()],
        prepatent_periods=[
            PrepatentPeriodOut.model_validate(one) for one in find_prepatent_periods(host=host)
        ],
    )


def _to_taxon(row: SizeRow) -> TaxonSizeOut:
    return TaxonSizeOut(
        taxon=row.taxon,
        stage=row.stage,
        hosts=list(row.hosts),
        group=row.group,
        group_label=find_group(row.group).label,
        length_range_um=row.length_range_um,
        width_range_um=row.width_range_um,
        kept_with=list(row.kept_with.taxa) if row.kept_with else [],
        kept_with_why=row.kept_with.text if row.kept_with else None,
        kept_with_source=row.kept_with.source if row.kept_with else None,
        figures=[_to_figure(one) for one in row.figures],
    )


def _to_figure(row: PublishedSize) -> PublishedSizeOut:
    return PublishedSizeOut(
        length_um=row.length_um,
        width_um=row.width_um,
        printed=describe_size(row),
        figure=row.figure,
        strength=row.strength,  # type: ignore[arg-type]
        decides=is_deciding(row),
        source=row.source,
        source_url_or_doi=row.source_url_or_doi,
    )


def _to_check(one: FloatCheck) -> FloatCheckOut:
    return FloatCheckOut(
        taxon=one.taxon,
        group=one.group,
        group_label=find_group(one.group).label,
        stage=one.stage,
        result=one.result,  # type: ignore[arg-type]
        is_contradicted=one.is_contradicted,
        densities=[EggDensityOut.model_validate(row) for row in one.densities],
        other_densities=[EggDensityOut.model_validate(row) for row in one.other_densities],
        reports=[_to_report(row) for row in one.reports],
    )


def _to_report(row: PublishedFluid) -> FluidReportOut:
    return FluidReportOut.model_validate(row)
