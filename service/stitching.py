"""The work of stitching pictures of one preparation into a new one, as the durable workflow runs it.

Doing it again after a kill gives the same bytes, hence the same image: nothing is stored twice.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.decoding import Seen
from service.errors import ConflictError, UnreachableError
from service.files import Files, Received
from service.store import calibrations, images, specimens, stitchings
from service.store.database import Database, Session
from service.store.models import Image, Job, Stitching
from service.workers import WorkerDiedError
from triage.digests import file_sha256
from triage.errors import TriageError

LOG = logging.getLogger(__name__)
LEAST_FIELDS = 2


@dataclass(frozen=True)
class StitchTask:
    """What a worker needs to stitch: the pictures, how they are called, and their scale."""

    paths: tuple[Path, ...]
    names: tuple[str, ...]
    image_ids: tuple[int, ...]
    order: str
    um_per_px: float | None
    coverslip_mm: float | None


class StitchWork:
    """Stitches and files the result.

    Parameters
    ----------
    call : callable
        Runs a worker's step: its name and arguments.
    look : callable
        Decodes the mosaic once, as every upload is.
    """

    def __init__(
        self,
        database: Database,
        files: Files,
        *,
        call: Callable[..., Any],
        look: Callable[[Received, str], Seen],
    ) -> None:
        self._database = database
        self._files = files
        self._call = call
        self._look = look

    def run(self, stitching_id: int) -> int | None:
        """Stitch, or note why not; the job of the mosaic that is to be enqueued."""
        try:
            return self._stitch(stitching_id)
        except (UnreachableError, WorkerDiedError):
            # No fault of the pictures, or not surely: whoever runs the work decides.
            raise
        except TriageError as err:
            sentence = str(err)
        except Exception:
            # The border of the work: a fault here must end in a state that a person can see.
            LOG.exception("Stitching %s", stitching_id)
            sentence = (
                "The program failed at these pictures; the log of the service says why. Tell its keeper."
            )
        self.fail(stitching_id, sentence)
        return None

    def fail(self, stitching_id: int, sentence: str) -> None:
        """End a stitching with the reason."""
        with self._database.write() as session:
            row = stitchings.read_stitching(session, stitching_id, is_locked=True)
            row.state, row.problem = "failed", sentence

    def _stitch(self, stitching_id: int) -> int | None:
        with self._database.write() as session:
            row = stitchings.read_stitching(session, stitching_id, is_locked=True)
            if row.state not in stitchings.OPEN_STATES:
                return _find_open_job(session, row)
            row.state = "stitching"
            task, writes_mosaic = self._prepare(session, row), row.writes_mosaic
        if not writes_mosaic:
            self._file_places(stitching_id, self._call("place_fields", task))
            return None
        with self._files.new_folder() as folder:
            out = Path(folder) / "mosaic.ome.tif"
            report = self._call("stitch", task, out)
            file_name = f"mosaic-{stitching_id}.ome.tif"
            received = Received(out, file_sha256(out), out.stat().st_size)
            seen = self._look(received, file_name)
            self._files.keep(received)
        job_id = self._file(stitching_id, received, file_name, seen, report)
        if job_id is None:
            self._files.drop_pixels(received.sha256)
        return job_id

    def _file_places(self, stitching_id: int, report: dict[str, Any]) -> None:
        with self._database.write() as session:
            row = stitchings.read_stitching(session, stitching_id, is_locked=True)
            row.state, row.report = "ready", report

    def _prepare(self, session: Session, row: Stitching) -> StitchTask:
        fields = [images.read_image_state(session, image_id) for image_id in row.image_ids]
        preparation = specimens.read_preparation(session, row.preparation_id)
        return StitchTask(
            paths=tuple(self._files.original(one.image.sha256) for one in fields),
            names=tuple(one.image.file_name for one in fields),
            image_ids=tuple(row.image_ids),
            order=row.field_order,
            um_per_px=agree_on_scale([one.job for one in fields]),
            coverslip_mm=preparation.coverslip_mm,
        )

    def _file(
        self, stitching_id: int, received: Received, file_name: str, seen: Seen, report: dict[str, Any]
    ) -> int | None:
        """File the mosaic as an image of the preparation, once; the id of its job if that is open."""
        with self._database.write() as session:
            row = stitchings.read_stitching(session, stitching_id, is_locked=True)
            preparation = specimens.read_preparation(session, row.preparation_id)
            specimen = specimens.read_specimen(session, preparation.specimen_id, is_locked=True)
            specimens.refuse_if_signed_off(session, specimen)
            image = images.find_image(session, preparation_id=preparation.id, sha256=received.sha256)
            if image is None:
                image = images.add_image(
                    session,
                    preparation_id=preparation.id,
                    file_name=file_name,
                    sha256=received.sha256,
                    n_bytes=received.n_bytes,
                    width=seen.width,
                    height=seen.height,
                    created_by=row.created_by,
                )
                images.add_job(session, image_id=image.id, **self._scale_of(session, row, seen, image))
            row.state, row.report, row.image_id = "ready", report, image.id
            return _find_open_job(session, row)

    def _scale_of(self, session: Session, row: Stitching, seen: Seen, image: Image) -> dict[str, Any]:
        """The scale of the fields, which stitching does not change."""
        first = images.read_image_state(session, row.image_ids[0]).job
        if first.um_per_px is None:
            if seen.file_scale is not None:
                calibrations.add_file_scale(session, image_id=image.id, **seen.file_scale)
            return {}
        return {
            "um_per_px": first.um_per_px,
            "um_per_px_sd": first.um_per_px_sd,
            "calibration_source": first.calibration_source,
            "calibration_id": first.calibration_id,
        }


def _find_open_job(session: Session, row: Stitching) -> int | None:
    if row.image_id is None:
        return None
    job = images.read_image_state(session, row.image_id).job
    return job.id if job.state in images.OPEN_STATES else None


def agree_on_scale(jobs: list[Job]) -> float | None:
    """The one scale of all fields; None where it is unknown for all.

    Raises
    ------
    ConflictError
        If they differ.
    """
    scales = {job.um_per_px for job in jobs}
    if len(scales) > 1:
        said = ", ".join(sorted("unknown" if one is None else f"{one:g}" for one in scales))
        raise ConflictError(
            f"The pictures have different scales ({said} µm per pixel); a mosaic needs one. Ask for new "
            "candidates at the right scale first, or leave out what belongs to another scan."
        )
    return scales.pop()
