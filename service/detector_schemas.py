"""Request and response bodies of a hospital's own detectors."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import Field

from service.schemas import Answered, Body, Id, Person

Remark = Annotated[str, Field(max_length=1000)]
Share = Annotated[float, Field(ge=0, le=1)]


class TrainingIn(Body):
    """How long and on what to train; the defaults suit a few dozen pictures."""

    steps: Annotated[int, Field(ge=1, le=20_000, description="Steps at most.")] = 300
    batch: Annotated[int, Field(ge=2, le=256, description="Tiles in a step.")] = 16
    seed: Annotated[int, Field(ge=0, le=1_000_000)] = 1
    patience: Annotated[
        int,
        Field(ge=1, le=100, description="Checks on the held-out split without a gain that end the training."),
    ] = 4
    drawn_share: Annotated[
        Share, Field(description="Share of drawn tiles in each step, so that nothing is forgotten.")
    ] = 0.5
    drawn_tiles: Annotated[int, Field(ge=1, le=10_000, description="Drawn tiles shown in turn.")] = 256
    held_out: Annotated[
        int, Field(ge=1, le=64, description="Drawn batches on which it is judged beside the pictures.")
    ] = 4
    margin: Annotated[
        float, Field(ge=0, le=0.2, description="Greatest loss of recall with which it may take over.")
    ] = 0.02


class ComparisonIn(Body):
    """On whose locked split to compare a detector with the one in use."""

    set_id: Id
    margin: Annotated[float, Field(ge=0, le=0.2)] = 0.02


class UseIn(Body):
    """A signature under a comparison: `lost` is how many lost objects the signer has seen listed."""

    comparison_id: Id
    lost: Annotated[int, Field(ge=0)]
    remark: Remark | None = None


class GoBackIn(Body):
    """Back to the detector that was in use before."""

    remark: Remark | None = None


class TrainingOut(Answered):
    """A training on a labelled set, or the comparison of a detector, and how far it is."""

    id: int
    kind: Literal["train", "compare"]
    set_id: int
    state: Literal["waiting", "training", "exporting", "judging", "comparing", "ready", "failed", "stopped"]
    problem: str | None
    options: dict[str, Any]
    started_from: str
    detector_id: Annotated[int | None, Field(description="What was made, or compared.")]
    step: int | None
    progress: Annotated[float, Field(description="Share of the steps made, 0 to 1.")]
    seconds_left: Annotated[float | None, Field(description="Of the steps, at most; None: not known yet.")]
    curve: dict[str, Any] | None
    created_at: datetime
    created_by: Person
    ended_at: datetime | None


class DetectorBrief(Answered):
    """One detector; `id` None is the one that the service was started with."""

    id: int | None
    name: str
    weights_sha256: str
    is_in_use: bool
    set_id: int | None = None
    created_at: datetime | None = None
    recall: dict[str, Any] | None = None
    may_take_over: Annotated[
        bool | None,
        Field(description="As the newest comparison with the one in use says; None: there is none."),
    ] = None


class UseOut(Answered):
    """A signature that took a detector into use."""

    id: int
    detector: DetectorBrief
    before: DetectorBrief
    set_id: int | None
    manifest_sha256: str | None
    goes_back: bool
    remark: str | None
    created_at: datetime
    created_by: Person


class DetectorsOut(Answered):
    """All detectors that a hospital can use, and what was signed, newest first."""

    detectors: list[DetectorBrief]
    uses: list[UseOut]


class ComparisonOut(Answered):
    """A comparison on a locked split, everything that is lost listed."""

    id: int
    set_id: int
    old: DetectorBrief
    is_with_one_in_use: bool
    may_take_over: bool
    result: dict[str, Any]
    lost: Annotated[
        list[dict[str, Any]],
        Field(description="Each lost object; `image_id` and `candidate_id` where it is on record here."),
    ]
    created_at: datetime


class DetectorOut(Answered):
    """A hospital's own detector with its record, figures and comparisons."""

    brief: DetectorBrief
    training: TrainingOut
    manifest_sha256: str | None
    record: dict[str, Any]
    curve: dict[str, Any]
    figures: dict[str, Any] | None
    problem: str | None
    plots: list[str]
    comparisons: list[ComparisonOut]
