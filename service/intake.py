"""Takes in a picture whose bytes are all there: decodes it once, keeps it, files it, lets the work begin."""

from __future__ import annotations

from collections.abc import Callable

from service.dependencies import Parts
from service.errors import ConflictError
from service.files import Received
from service.present import present_image, view_for
from service.scale import StatedScale, choose_scale
from service.schemas import ImageOut
from service.store import calibrations, event_log, images, specimens
from service.store.database import Session
from service.store.models import Image, User


def plain_name(file_name: str) -> str:
    """What a person calls the file: no folders, no control characters; it is only ever shown."""
    last = file_name.replace("\\", "/").rsplit("/", 1)[-1]
    return "".join(character for character in last if character.isprintable()).strip() or "picture"


def check_before_upload(parts: Parts, user: User, preparation_id: int, scale: StatedScale) -> None:
    """Refuse what can be refused before a byte has come.

    Raises
    ------
    TriageError
        If there is no such preparation, it is signed off, or the scale is impossible.
    """
    with parts.database.read() as session:
        preparation = specimens.read_preparation(session, preparation_id)
        specimens.refuse_if_signed_off(session, specimens.read_specimen(session, preparation.specimen_id))
        choose_scale(session, scale, user=user)


def take_picture(
    parts: Parts,
    user: User,
    received: Received,
    preparation_id: int,
    file_name: str,
    scale: StatedScale,
    *,
    also: Callable[[Session, int], None] | None = None,
) -> ImageOut:
    """File one picture; the same bytes twice in one preparation are one image.

    Parameters
    ----------
    also : callable, optional
        Called with the session and the image's id, to be stored with the image or not at all.

    Raises
    ------
    ImageError
        If it is no picture that can be read.
    StorageError
        If there is no room on the disk.
    ConflictError
        If the picture is there already at another scale, or the specimen is signed off.
    """
    seen = parts.jobs.look(received, file_name)
    parts.files.keep(received)
    job, is_filed = None, False
    try:
        with parts.database.write() as session:
            event_log.note_actor(session, user.id)
            preparation = specimens.read_preparation(session, preparation_id)
            specimen = specimens.read_specimen(session, preparation.specimen_id, is_locked=True)
            specimens.refuse_if_signed_off(session, specimen)
            calibration = choose_scale(session, scale, user=user, width=seen.width, height=seen.height)
            image = images.find_image(session, preparation_id=preparation_id, sha256=received.sha256)
            if image is not None:
                _refuse_other_scale(session, image, calibration)
            else:
                image = images.add_image(
                    session,
                    preparation_id=preparation_id,
                    file_name=file_name,
                    sha256=received.sha256,
                    n_bytes=received.n_bytes,
                    width=seen.width,
                    height=seen.height,
                    created_by=user.id,
                )
                if seen.file_scale is not None:
                    calibrations.add_file_scale(session, image_id=image.id, **seen.file_scale)
                job = images.add_job(session, image_id=image.id, **calibration)
            if also is not None:
                also(session, image.id)
            answer = present_image(view_for(session, user), image.id)
        is_filed = job is not None
    finally:
        if not is_filed:
            # Nothing will be proposed, so nobody else removes the copy that proposing reads.
            parts.files.drop_pixels(received.sha256)
    if job is not None:
        parts.jobs.enqueue(job)
    return answer


def _refuse_other_scale(
    session: Session, image: Image, calibration: dict[str, float | str | int | None]
) -> None:
    if images.read_image_state(session, image.id).job.um_per_px != calibration["um_per_px"]:
        raise ConflictError(
            f"This picture is in this preparation already (image {image.id}), at another scale. "
            "Ask for new candidates at the right scale there.",
            image_id=image.id,
        )
