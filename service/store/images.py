"""Images, the jobs that propose candidates for them, and what the jobs said."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.errors import MissingError
from service.store import detectors
from service.store.models import CandidateRow, Image, Job, JobMeasurement, Preparation, ProposalRow, Specimen

OPEN_STATES = ("waiting", "proposing")
UNDONE_STATES = ("failed", "stopped")
_ROWS_AT_A_TIME = 500


@dataclass(frozen=True)
class ImageState:
    """An image with its newest job."""

    image: Image
    job: Job


def add_image(session: Session, **values: Any) -> Image:
    """A new image."""
    image = Image(**values)
    session.add(image)
    session.flush()
    return image


def find_image(session: Session, *, preparation_id: int, sha256: str) -> Image | None:
    """The image of a preparation that has these bytes."""
    wanted = (Image.preparation_id == preparation_id) & (Image.sha256 == sha256)
    return session.scalar(select(Image).where(wanted))


def list_image_ids(session: Session, preparation_id: int) -> list[int]:
    """The pictures of a preparation, the first first."""
    wanted = select(Image.id).where(Image.preparation_id == preparation_id).order_by(Image.id)
    return list(session.scalars(wanted))


def read_image_state(session: Session, image_id: int) -> ImageState:
    """The image with that id, and its newest job."""
    image = session.get(Image, image_id)
    if image is None:
        raise MissingError(f"There is no image {image_id}.")
    job = session.scalar(select(Job).where(Job.image_id == image_id).order_by(Job.id.desc()).limit(1))
    if job is None:
        raise MissingError(f"Image {image_id} has no job.")
    return ImageState(image, job)


def list_image_states(session: Session, specimen_ids: Sequence[int]) -> dict[int, list[ImageState]]:
    """The images of each specimen, oldest first."""
    newest = select(func.max(Job.id)).group_by(Job.image_id)
    wanted = (
        select(Preparation.specimen_id, Image, Job)
        .join(Image, Image.preparation_id == Preparation.id)
        .join(Job, Job.image_id == Image.id)
        .where(Preparation.specimen_id.in_(specimen_ids), Job.id.in_(newest))
        .order_by(Image.id)
    )
    states: dict[int, list[ImageState]] = {specimen_id: [] for specimen_id in specimen_ids}
    for specimen_id, image, job in session.execute(wanted):
        states[specimen_id].append(ImageState(image, job))
    return states


def specimens_with_bytes(session: Session, sha256: str) -> list[int]:
    """Ids of the specimens that hold an image of these bytes."""
    wanted = select(Specimen.id).join(Preparation).join(Image).where(Image.sha256 == sha256).distinct()
    return sorted(session.scalars(wanted))


def add_job(session: Session, *, image_id: int, **values: Any) -> Job:
    """A new job, waiting; unless `detector_id` says another, for the detector in use in the hospital."""
    if "detector_id" not in values:
        values["detector_id"] = _find_detector_in_use(session, image_id)
    job = Job(image_id=image_id, **values)
    session.add(job)
    session.flush()
    return job


def _find_detector_in_use(session: Session, image_id: int) -> int | None:
    wanted = select(Specimen.hospital_id).join(Preparation).join(Image).where(Image.id == image_id)
    hospital_id = session.scalar(wanted)
    use = None if hospital_id is None else detectors.find_use(session, hospital_id)
    return None if use is None else use.detector_id


def read_job(session: Session, job_id: int, *, is_locked: bool = False) -> Job:
    """The job with that id; `is_locked` keeps other writers out until the block ends."""
    job = session.get(Job, job_id, with_for_update=is_locked)
    if job is None:
        raise MissingError(f"There is no job {job_id}.")
    return job


def stop_job(session: Session, job: Job, problem: str) -> None:
    """End an open job; its work ends at the next step, and nothing of it is stored."""
    job.state, job.problem, job.so_far = "stopped", problem, None


def repeat_job(session: Session, job: Job, *, detector_id: int | None) -> Job:
    """A new job like one before, with the same scale."""
    again = add_job(
        session,
        image_id=job.image_id,
        um_per_px=job.um_per_px,
        um_per_px_sd=job.um_per_px_sd,
        calibration_source=job.calibration_source,
        calibration_id=job.calibration_id,
        detector_id=detector_id,
    )
    measured = session.scalar(select(JobMeasurement).where(JobMeasurement.job_id == job.id))
    if measured is not None:
        session.add(JobMeasurement(job_id=again.id, measurement_id=measured.measurement_id))
    return again


def list_open_jobs(session: Session) -> list[Job]:
    """Jobs that are neither ready nor failed, oldest first."""
    return list(session.scalars(select(Job).where(Job.state.in_(OPEN_STATES)).order_by(Job.id)))


def add_proposal(
    session: Session, job: Job, *, head: dict[str, Any], candidates: Iterable[dict[str, Any]]
) -> None:
    """Store what a job said, once: a second call for the same job changes nothing.

    Parameters
    ----------
    head : dict
        The proposal's JSON without its candidates.
    candidates : iterable of dict
        The JSON of each candidate, in rank order; `above_cut` says that a sign-off waits for its mark.
    """
    if session.scalar(select(ProposalRow.id).where(ProposalRow.job_id == job.id)) is not None:
        return
    proposal = ProposalRow(
        job_id=job.id,
        image_id=job.image_id,
        detector_name=head["detector"]["name"],
        detector_sha256=head["detector"]["weights_sha256"],
        default_cut=head["detector"]["default_cut"],
        head=head,
    )
    session.add(proposal)
    session.flush()
    rows = (_to_row(said, proposal) for said in candidates)
    while some := list(islice(rows, _ROWS_AT_A_TIME)):
        session.add_all(some)
        session.flush()
        # Thousands of rows would otherwise stay in memory until the end.
        for row in some:
            session.expunge(row)


def _to_row(said: dict[str, Any], proposal: ProposalRow) -> CandidateRow:
    return CandidateRow(
        image_id=proposal.image_id,
        proposal_id=proposal.id,
        origin="tool",
        rank=said["rank"],
        is_above_cut=said["above_cut"],
        group=said["group"],
        said=said,
    )


def newest_proposals(session: Session, image_ids: Sequence[int]) -> dict[int, ProposalRow]:
    """The newest proposal of each image that has one."""
    newest = select(func.max(ProposalRow.id)).where(ProposalRow.image_id.in_(image_ids))
    wanted = select(ProposalRow).where(ProposalRow.id.in_(newest.group_by(ProposalRow.image_id)))
    return {row.image_id: row for row in session.scalars(wanted)}
