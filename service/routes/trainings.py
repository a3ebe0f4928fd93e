"""Trainings of a hospital's own detector on a frozen labelled set."""

from __future__ import annotations

from fastapi import APIRouter, Response, status

from service.dependencies import DatabaseDep, IdPath, Parts, PartsDep, UserDep, VeterinarianDep
from service.detector_schemas import TrainingIn, TrainingOut
from service.errors import ConflictError
from service.own_detectors import find_in_use, present_training
from service.present import view_for
from service.started import check_training_packages
from service.store import detectors, event_log, set_versions, specimens
from service.store.database import Session
from service.store.detectors import DetectorRun
from service.store.models import utc_now

router = APIRouter(tags=["detectors"])


@router.post("/labelled-sets/{set_id}/trainings", status_code=status.HTTP_202_ACCEPTED)
def add_training(
    set_id: IdPath, body: TrainingIn, user: VeterinarianDep, parts: PartsDep, response: Response
) -> TrainingOut:
    """Begin to train on a set, from the detector in use; it is judged and compared afterwards."""
    check_here(parts)
    with parts.database.write() as session:
        specimens.read_labelled_set_row(session, set_id)
        _refuse_without_pictures(session, set_id)
        row = detectors.add_row(
            session,
            DetectorRun(
                kind="train",
                set_id=set_id,
                started_from=find_in_use(session, parts.jobs, user.hospital_id).weights_sha256,
                options=body.model_dump(),
                created_by=user.id,
            ),
        )
        answer = present_training(view_for(session, user), row)
    parts.jobs.enqueue_run(row)
    response.headers["Location"] = f"/api/trainings/{row.id}"
    return answer


def check_here(parts: Parts) -> None:
    """Say at once what is missing, where this process itself takes work; else the machine that does says it.

    Raises
    ------
    NoTrainingError
        If packages are missing.
    """
    if parts.settings.workers > 0:
        check_training_packages()


def _refuse_without_pictures(session: Session, set_id: int) -> None:
    version = set_versions.find_version(session, set_id)
    if version is not None and not version.report["splits"]["train"]["pictures"]:
        raise ConflictError(
            f"Labelled set {set_id} holds no picture to learn from: all fell into the other splits. "
            "Sign off more specimens and make a new set."
        )


@router.get("/labelled-sets/{set_id}/trainings")
def list_trainings(set_id: IdPath, user: UserDep, database: DatabaseDep) -> list[TrainingOut]:
    """Trainings and comparisons on a set, newest first."""
    with database.read() as session:
        specimens.read_labelled_set_row(session, set_id)
        view = view_for(session, user)
        return [present_training(view, row) for row in detectors.list_runs(session, set_id)]


@router.get("/trainings/{run_id}")
def read_training(run_id: IdPath, user: UserDep, database: DatabaseDep) -> TrainingOut:
    """One training: its state, how far it is, and its curve."""
    with database.read() as session:
        return present_training(view_for(session, user), detectors.read_run(session, run_id))


@router.post("/trainings/{run_id}/stop")
def stop_training(run_id: IdPath, user: VeterinarianDep, database: DatabaseDep) -> TrainingOut:
    """Stop a training; it can be gone on with at its last checkpoint."""
    with database.write() as session:
        event_log.note_actor(session, user.id)
        row = detectors.read_run(session, run_id, is_locked=True)
        if row.state not in detectors.OPEN_STATES:
            raise ConflictError(f"Training {run_id} is {row.state}; there is nothing to stop.")
        row.state, row.ended_at = "stopped", utc_now()
        row.problem = f"{user.display_name} stopped it. Go on with it at its last checkpoint, or leave it."
        return present_training(view_for(session, user), row)


@router.post("/trainings/{run_id}/again", status_code=status.HTTP_202_ACCEPTED)
def go_on(run_id: IdPath, user: VeterinarianDep, parts: PartsDep) -> TrainingOut:
    """Go on with a stopped or failed training, at its last checkpoint where the same machine takes it."""
    check_here(parts)
    with parts.database.write() as session:
        event_log.note_actor(session, user.id)
        row = detectors.read_run(session, run_id, is_locked=True)
        if row.state not in detectors.UNDONE_STATES:
            raise ConflictError(f"Training {run_id} is {row.state}; only a stopped or failed one goes on.")
        row.state, row.problem, row.ended_at, row.attempt = "waiting", None, None, row.attempt + 1
        answer = present_training(view_for(session, user), row)
    parts.jobs.enqueue_run(row)
    return answer
