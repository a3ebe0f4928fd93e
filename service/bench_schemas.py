"""Response bodies of the bench reference: what is published, each row with its source."""

from __future__ import annotations

from typing import Literal

from service.schemas import Answered

Strength = Literal["read", "weak", "memory", "practice"]
Bounds = tuple[float | None, float | None]


class PublishedSizeOut(Answered):
    """What one source prints of one taxon; `decides` says that the size check takes it."""

    length_um: Bounds
    width_um: Bounds
    printed: str
    figure: str
    strength: Strength
    decides: bool
    source: str
    source_url_or_doi: str


class TaxonSizeOut(Answered):
    """One taxon at one stage: the widest range that was read, and every source."""

    taxon: str
    stage: str
    hosts: list[str]
    group: str
    group_label: str
    length_range_um: tuple[float, float] | None
    width_range_um: tuple[float, float] | None
    kept_with: list[str]
    kept_with_why: str | None
    kept_with_source: str | None
    figures: list[PublishedSizeOut]


class CoverageOut(Answered):
    """How much looking a square coverslip takes, with how it was worked out."""

    field_mm: float
    area_ratio: float
    n_passes: int
    n_gap_free_fields: int
    rayleigh_um: float | None
    largest_useful_um_per_px: float | None
    notes: list[str]


class EggDensityOut(Answered):
    """The specific gravity of one stage in one source."""

    gravity: float | None
    gravity_range: Bounds
    host: str
    notes: str
    strength: Strength
    source: str
    source_url_or_doi: str


class FluidReportOut(Answered):
    """What one source says of one fluid."""

    solution: str
    gravity_range: tuple[float, float] | None
    recipe: str
    notes: str
    strength: Strength
    source: str
    source_url_or_doi: str


class FloatCheckOut(Answered):
    """One taxon at the specific gravity that was asked for."""

    taxon: str
    group: str
    group_label: str
    stage: str
    result: Literal["floats", "borderline", "sinks", "no reference"]
    is_contradicted: bool
    densities: list[EggDensityOut]
    other_densities: list[EggDensityOut]
    reports: list[FluidReportOut]


class StandingTimeOut(Answered):
    """How long one source lets a preparation stand."""

    least_min: float | None
    most_min: float | None
    text: str
    strength: Strength
    source: str
    source_url_or_doi: str


class CautionOut(Answered):
    """What to beware of; `fluid` is `any` where it isn't of one fluid alone."""

    fluid: str
    text: str
    strength: Strength
    source: str


class FlotationOut(Answered):
    """Which stages a solution floats, what is printed of it, how long it stands, what to beware of."""

    specific_gravity: float
    borderline_gravity: float
    fluid: str | None
    checks: list[FloatCheckOut]
    printed: list[FluidReportOut]
    standing: list[StandingTimeOut]
    cautions: list[CautionOut]
    caution: str


class PrepatentPeriodOut(Answered):
    """Days from taking a parasite in until it sheds, as one source prints them."""

    taxon: str
    host: str
    way: str
    printed: str
    strength: Strength
    source: str
    source_url_or_doi: str


class SlideLimitOut(Answered):
    """Why what is not seen on a slide may still be there."""

    reason: str
    text: str
    strength: Strength
    source: str
    source_url_or_doi: str


class LimitsOut(Answered):
    """What no slide can tell."""

    limits: list[SlideLimitOut]
    prepatent_periods: list[PrepatentPeriodOut]
