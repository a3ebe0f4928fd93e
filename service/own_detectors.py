"""A hospital's detectors as responses, and the rule by which one may be taken into use."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from service.detector_schemas import ComparisonOut, DetectorBrief, TrainingOut, UseOut
from service.errors import ConflictError
from service.jobs import Jobs
from service.present import View
from service.store import detectors, set_versions
from service.store.database import Session
from service.store.detectors import DetectorComparison, DetectorRow, DetectorRun, DetectorUse


@dataclass(frozen=True)
class InUse:
    """The detector in use in a hospital; `id` None is the one that the service was started with."""

    id: int | None
    weights_sha256: str


def find_in_use(session: Session, jobs: Jobs, hospital_id: int) -> InUse:
    """The detector that new pictures of a hospital are proposed by."""
    use = detectors.find_use(session, hospital_id)
    if use is None or use.detector_id is None:
        return InUse(None, jobs.weights_sha256)
    return InUse(use.detector_id, use.weights_sha256)


def take_into_use(
    session: Session, jobs: Jobs, *, detector_id: int, comparison_id: int, lost: int, **signed: Any
) -> DetectorUse:
    """Sign a detector in, where its comparison with the one in use allows it.

    Parameters
    ----------
    lost : int
        Lost objects that the signer has seen listed.
    **signed
        `hospital_id`, `created_by` and `remark`.

    Raises
    ------
    ConflictError
        If it is in use, was compared with another one, may not take over, or loses other objects.
    """
    row = detectors.read_detector(session, detector_id)
    in_use = find_in_use(session, jobs, signed["hospital_id"])
    said = {one.id: one for one in detectors.list_comparisons(session, detector_id)}.get(comparison_id)
    if in_use.weights_sha256 == row.weights_sha256:
        raise ConflictError(f"{row.name} is in use already.")
    if said is None:
        raise ConflictError(f"{row.name} has no comparison {comparison_id}. Read its page again.")
    _refuse_unfit(said, row, in_use, lost)
    version = set_versions.find_version(session, said.set_id)
    return detectors.add_row(
        session,
        DetectorUse(
            detector_id=row.id,
            weights_sha256=row.weights_sha256,
            before_id=in_use.id,
            before_sha256=in_use.weights_sha256,
            comparison_id=said.id,
            set_id=said.set_id,
            manifest_sha256=None if version is None else version.manifest_sha256,
            goes_back=False,
            **signed,
        ),
    )


def _refuse_unfit(said: DetectorComparison, row: DetectorRow, in_use: InUse, lost: int) -> None:
    if said.old_sha256 != in_use.weights_sha256:
        raise ConflictError(
            f"Comparison {said.id} is with another detector than the one in use now. "
            f"Compare {row.name} again."
        )
    if not said.may_take_over:
        raise ConflictError(f"{row.name} may not take over: {said.result['sentence']}")
    listed = len(said.result["lost"])
    if lost != listed:
        raise ConflictError(
            f"The list holds {listed} objects that {row.name} loses; {lost} were said to be seen. "
            "Look through the list again before you sign."
        )


def go_back(session: Session, jobs: Jobs, **signed: Any) -> DetectorUse:
    """Take the detector that was in use before into use again.

    Raises
    ------
    ConflictError
        If there was none before.
    """
    last = detectors.find_use(session, signed["hospital_id"])
    if last is None:
        raise ConflictError("No other detector was in use before, so there is nothing to go back to.")
    now = find_in_use(session, jobs, signed["hospital_id"])
    before = jobs.weights_sha256 if last.before_id is None else last.before_sha256
    return detectors.add_row(
        session,
        DetectorUse(
            detector_id=last.before_id,
            weights_sha256=before,
            before_id=now.id,
            before_sha256=now.weights_sha256,
            goes_back=True,
            **signed,
        ),
    )


def find_by_weights(session: Session, jobs: Jobs, weights_sha256: str) -> int | None:
    """The id of the detector with these weights, None for the one that the service was started with.

    Raises
    ------
    ConflictError
        If there is no such detector here.
    """
    if weights_sha256 == jobs.weights_sha256:
        return None
    row = detectors.find_by_weights(session, weights_sha256)
    if row is None:
        raise ConflictError(f"There is no detector with the weights {weights_sha256[:12]}… here.")
    return row.id


def present_training(view: View, row: DetectorRun) -> TrainingOut:
    """A training as a response."""
    steps: int | None = row.options.get("steps")
    is_past = row.state in ("exporting", "judging", "comparing", "ready")
    return TrainingOut(
        **{name: getattr(row, name) for name in TrainingOut.model_fields if hasattr(row, name)}
        | {"created_by": view.person(row.created_by)},
        progress=1.0 if is_past or steps is None else min(1.0, (row.step or 0) / steps),
    )


def brief_of(session: Session, jobs: Jobs, hospital_id: int, detector_id: int | None) -> DetectorBrief:
    """A detector in a few words; None is the one that the service was started with."""
    in_use = find_in_use(session, jobs, hospital_id)
    if detector_id is None:
        return DetectorBrief(
            id=None,
            name=jobs.detector_name,
            weights_sha256=jobs.weights_sha256,
            is_in_use=in_use.id is None,
        )
    row = detectors.read_detector(session, detector_id)
    said = next(
        (
            one
            for one in detectors.list_comparisons(session, row.id)
            if one.old_sha256 == in_use.weights_sha256
        ),
        None,
    )
    return DetectorBrief(
        id=row.id,
        name=row.name,
        weights_sha256=row.weights_sha256,
        is_in_use=in_use.id == row.id,
        set_id=row.set_id,
        created_at=row.created_at,
        recall=None if row.figures is None else row.figures["recall"],
        may_take_over=None if said is None else said.may_take_over,
    )


def present_use(view: View, jobs: Jobs, hospital_id: int, row: DetectorUse) -> UseOut:
    """A signature as a response."""

    def brief(detector_id: int | None, weights_sha256: str) -> DetectorBrief:
        # A service that was started with other weights since then says so by the hash.
        said = brief_of(view.session, jobs, hospital_id, detector_id)
        return said.model_copy(update={"weights_sha256": weights_sha256})

    return UseOut(
        id=row.id,
        detector=brief(row.detector_id, row.weights_sha256),
        before=brief(row.before_id, row.before_sha256),
        set_id=row.set_id,
        manifest_sha256=row.manifest_sha256,
        goes_back=row.goes_back,
        remark=row.remark,
        created_at=row.created_at,
        created_by=view.person(row.created_by),
    )


def present_comparison(
    session: Session, jobs: Jobs, hospital_id: int, row: DetectorComparison
) -> ComparisonOut:
    """A comparison as a response."""
    old = (
        None if row.old_sha256 == jobs.weights_sha256 else detectors.find_by_weights(session, row.old_sha256)
    )
    brief = brief_of(session, jobs, hospital_id, None if old is None else old.id)
    return ComparisonOut(
        id=row.id,
        set_id=row.set_id,
        old=brief.model_copy(update={"weights_sha256": row.old_sha256, "name": row.result["old"]["name"]}),
        is_with_one_in_use=row.old_sha256 == find_in_use(session, jobs, hospital_id).weights_sha256,
        may_take_over=row.may_take_over,
        result={name: value for name, value in row.result.items() if name not in ("lost", "gained")}
        | {"gained": len(row.result["gained"])},
        lost=row.result["lost"],
        created_at=row.created_at,
    )
