"""Detectors of a hospital: how they were judged, which is in use, and signatures that change it."""

from __future__ import annotations

from fastapi import APIRouter, Response, status
from fastapi.responses import FileResponse

from service.accounts import require_role
from service.dependencies import IdPath, Parts, PartsDep, PersonDep, UserDep, VeterinarianDep
from service.detector_schemas import (
    ComparisonIn,
    DetectorOut,
    DetectorsOut,
    GoBackIn,
    TrainingOut,
    UseIn,
    UseOut,
)
from service.errors import ConflictError, MissingError
from service.own_detectors import (
    brief_of,
    find_in_use,
    go_back,
    present_comparison,
    present_training,
    present_use,
    take_into_use,
)
from service.present import view_for
from service.routes.images import UNCHANGING
from service.routes.trainings import check_here
from service.set_names import name_in_figures
from service.settings import read_labelled_set_key
from service.store import detectors, people, specimens
from service.store.detectors import DetectorRun
from triage.weights import RECORD_FILE

router = APIRouter(tags=["detectors"])
PLOTS = ("recall", "size", "counts", "scores")


@router.get("/detectors")
def list_detectors(user: UserDep, parts: PartsDep) -> DetectorsOut:
    """The detector that the service was started with and your hospital's own, and every signature."""
    with parts.database.read() as session:
        view, jobs = view_for(session, user), parts.jobs
        ids = [*(row.id for row in detectors.list_detectors(session)), None]
        return DetectorsOut(
            detectors=[brief_of(session, jobs, user.hospital_id, one) for one in ids],
            uses=[present_use(view, jobs, user.hospital_id, row) for row in detectors.list_uses(session)],
        )


@router.post("/detectors/go-back", status_code=status.HTTP_201_CREATED)
def return_to_former(body: GoBackIn, user: PersonDep, parts: PartsDep) -> UseOut:
    """Take the detector that was in use before into use again; what was proposed stays."""
    require_role(user, "veterinarian")
    with parts.database.write() as session:
        people.lock_hospital(session, user.hospital_id)
        row = go_back(
            session, parts.jobs, hospital_id=user.hospital_id, created_by=user.id, remark=body.remark
        )
        return present_use(view_for(session, user), parts.jobs, user.hospital_id, row)


@router.get("/detectors/{detector_id}")
def read_detector(detector_id: IdPath, user: UserDep, parts: PartsDep) -> DetectorOut:
    """One of your hospital's own detectors: its record, its figures on the locked split, its comparisons."""
    key = read_labelled_set_key(parts.settings)
    with parts.database.read() as session:
        row = detectors.read_detector(session, detector_id)
        run = detectors.read_run(session, row.run_id)
        return DetectorOut(
            brief=brief_of(session, parts.jobs, user.hospital_id, row.id),
            training=present_training(view_for(session, user), run),
            manifest_sha256=row.manifest_sha256,
            record=row.record,
            curve=row.curve,
            figures=None if row.figures is None else name_in_figures(session, row.figures, key=key),
            problem=row.problem,
            plots=[name for name in PLOTS if _has_plot(parts, row.run_id, name)],
            comparisons=[
                present_comparison(session, parts.jobs, user.hospital_id, one)
                for one in detectors.list_comparisons(session, row.id)
            ],
        )


def _has_plot(parts: Parts, run_id: int, name: str) -> bool:
    try:
        parts.files.plot(run_id, f"{name}.png")
    except MissingError:
        return False
    return True


@router.get("/detectors/{detector_id}/plots/{name}.png", response_class=FileResponse)
def read_plot(detector_id: IdPath, name: str, user: UserDep, parts: PartsDep) -> FileResponse:
    """One drawing of what `training.judge` found."""
    if name not in PLOTS:
        raise MissingError(f"There is no plot {name!r}. There are: {', '.join(PLOTS)}.")
    with parts.database.read() as session:
        run_id = detectors.read_detector(session, detector_id).run_id
    path = parts.files.plot(run_id, f"{name}.png")
    return FileResponse(path, media_type="image/png", headers={"Cache-Control": UNCHANGING})


@router.get("/detectors/{detector_id}/record.json", response_class=FileResponse)
def read_record_file(detector_id: IdPath, user: UserDep, parts: PartsDep) -> FileResponse:
    """The record that lies beside the weights: data, code, seed, settings and scores, by their hashes."""
    with parts.database.read() as session:
        weights_sha256 = detectors.read_detector(session, detector_id).weights_sha256
    path = parts.files.detector(weights_sha256) / RECORD_FILE
    return FileResponse(path, media_type="application/json", filename=f"detector-{detector_id}.json")


@router.post("/detectors/{detector_id}/comparisons", status_code=status.HTTP_202_ACCEPTED)
def add_comparison(
    detector_id: IdPath, body: ComparisonIn, user: VeterinarianDep, parts: PartsDep, response: Response
) -> TrainingOut:
    """Compare a detector with the one in use, on the locked split of a set."""
    check_here(parts)
    with parts.database.write() as session:
        row = detectors.read_detector(session, detector_id)
        specimens.read_labelled_set_row(session, body.set_id)
        in_use = find_in_use(session, parts.jobs, user.hospital_id)
        if in_use.weights_sha256 == row.weights_sha256:
            raise ConflictError(f"{row.name} is in use itself, so there is nothing to compare it with.")
        run = detectors.add_row(
            session,
            DetectorRun(
                kind="compare",
                set_id=body.set_id,
                detector_id=row.id,
                started_from=in_use.weights_sha256,
                options={"margin": body.margin},
                created_by=user.id,
            ),
        )
        answer = present_training(view_for(session, user), run)
    parts.jobs.enqueue_run(run)
    response.headers["Location"] = f"/api/trainings/{run.id}"
    return answer


@router.post("/detectors/{detector_id}/use", status_code=status.HTTP_201_CREATED)
def use_detector(detector_id: IdPath, body: UseIn, user: PersonDep, parts: PartsDep) -> UseOut:
    """Sign a detector into use: new pictures are then proposed by it, and old ones keep their candidates."""
    require_role(user, "veterinarian")
    with parts.database.write() as session:
        people.lock_hospital(session, user.hospital_id)
        row = take_into_use(
            session,
            parts.jobs,
            detector_id=detector_id,
            comparison_id=body.comparison_id,
            lost=body.lost,
            hospital_id=user.hospital_id,
            created_by=user.id,
            remark=body.remark,
        )
        return present_use(view_for(session, user), parts.jobs, user.hospital_id, row)
