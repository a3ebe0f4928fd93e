"""The making of candidates: what was found so far, stopping it, trying again."""

from __future__ import annotations

from fastapi import APIRouter, status

from service.dependencies import DatabaseDep, IdPath, PartsDep, UserDep
from service.errors import ConflictError
from service.present import present_image, present_so_far, view_for
from service.schemas import ImageOut, SoFarOut
from service.store import event_log, images, reading, specimens

router = APIRouter(tags=["candidates"])


@router.get("/images/{image_id}/proposals/so-far")
def read_so_far(image_id: IdPath, user: UserDep, database: DatabaseDep) -> SoFarOut:
    """The best found so far, while the picture is looked through: not measured, and not to be marked."""
    with database.read() as session:
        state = images.read_image_state(session, image_id)
        is_withheld = reading.is_withheld(session, image_id=image_id, reader_id=user.id)
        answer = present_so_far(state.job, is_withheld=is_withheld)
        is_first = not reading.was_shown(session, image_id=image_id, reader_id=user.id)
    if is_first and answer.candidates:
        with database.write() as session:
            reading.note_showing(session, image_id=image_id, reader_id=user.id)
    return answer


@router.post("/images/{image_id}/proposals/stop")
def stop_proposing(image_id: IdPath, user: UserDep, database: DatabaseDep) -> ImageOut:
    """Stop looking for candidates; what was found so far is let go, and it can be tried again."""
    with database.write() as session:
        event_log.note_actor(session, user.id)
        newest = images.read_image_state(session, image_id).job
        job = images.read_job(session, newest.id, is_locked=True)
        if job.state not in images.OPEN_STATES:
            raise ConflictError(
                f"Nothing is being looked for in image {image_id}: it is {job.state}. "
                "Read the image again to see its state."
            )
        images.stop_job(
            session,
            job,
            f"{user.display_name} stopped the search for candidates. Try again to start it anew.",
        )
        return present_image(view_for(session, user), image_id)


@router.post("/images/{image_id}/proposals/again", status_code=status.HTTP_202_ACCEPTED)
def try_again(image_id: IdPath, user: UserDep, parts: PartsDep) -> ImageOut:
    """Look for candidates once more, at the same scale, after a failure or a stop."""
    with parts.database.write() as session:
        event_log.note_actor(session, user.id)
        specimen = specimens.specimen_of_image(session, image_id, is_locked=True)
        specimens.refuse_if_signed_off(session, specimen)
        state = images.read_image_state(session, image_id)
        if state.job.state not in images.UNDONE_STATES:
            raise ConflictError(
                f"Image {image_id} is {state.job.state}; only a failed or stopped search is tried again. "
                "State a scale to have new candidates of an image that is ready."
            )
        job = images.repeat_job(session, state.job, detector_id=state.job.detector_id)
        answer = present_image(view_for(session, user), image_id)
    parts.jobs.enqueue(job)
    parts.jobs.forget_batches(state.job)
    return answer
