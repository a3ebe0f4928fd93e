"""Exports of signed-off specimens, and marked pictures from elsewhere."""

from __future__ import annotations

from functools import partial
from typing import Annotated

from fastapi import APIRouter, Query, Request, status
from fastapi.responses import FileResponse
from starlette.concurrency import run_in_threadpool

from service.dependencies import DatabaseDep, IdPath, Parts, PartsDep, ReaderDep, UserDep, VeterinarianDep
from service.export import export_labelled_set
from service.present import View, view_for
from service.schemas import LabelledSetOut
from service.set_import import import_set, read_groups_table
from service.set_schemas import SetRuleIn, SetVersionOut
from service.settings import read_labelled_set_key
from service.store import set_versions, specimens
from service.store.models import LabelledSetRow, User

router = APIRouter(tags=["labelled sets"])


@router.post("/labelled-sets", status_code=status.HTTP_201_CREATED)
def add_labelled_set(body: SetRuleIn, user: ReaderDep, parts: PartsDep) -> LabelledSetOut:
    """Export the marks of signed-off specimens, without animal, owner, reader or chosen file names."""
    key = read_labelled_set_key(parts.settings)
    row = export_labelled_set(parts.database, parts.files, body.to_rule(), user, key=key)
    return _read_set(parts, user, row)


@router.post(
    "/labelled-sets/imports",
    status_code=status.HTTP_201_CREATED,
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
        }
    },
)
async def import_labelled_set(
    request: Request,
    user: VeterinarianDep,
    parts: PartsDep,
    group: Annotated[
        list[str] | None,
        Query(description="THEIRS=ours: our group, a look-alike or `ignore` for one of their categories."),
    ] = None,
    um_per_px: Annotated[
        float | None, Query(gt=0, allow_inf_nan=False, description="Scale of pictures that state none.")
    ] = None,
) -> LabelledSetOut:
    """Take marked pictures from elsewhere: a zip of one COCO file and its pictures, its bytes as the body."""
    groups = read_groups_table(group or [])
    received = await parts.files.receive(request.stream(), limit_bytes=parts.settings.upload_limit_bytes())
    try:
        row = await run_in_threadpool(
            partial(import_set, parts, user, received, groups=groups, um_per_px=um_per_px)
        )
    finally:
        parts.files.drop(received)
    return await run_in_threadpool(_read_set, parts, user, row)


def _read_set(parts: Parts, user: User, row: LabelledSetRow) -> LabelledSetOut:
    with parts.database.read() as session:
        return _present(view_for(session, user), row)


@router.get("/labelled-sets")
def list_labelled_sets(user: UserDep, database: DatabaseDep) -> list[LabelledSetOut]:
    """All exports, newest first."""
    with database.read() as session:
        view = view_for(session, user)
        return [_present(view, row) for row in specimens.list_labelled_sets(session)]


@router.get("/labelled-sets/{set_id}.zip", response_class=FileResponse)
def read_labelled_set(set_id: IdPath, user: UserDep, parts: PartsDep) -> FileResponse:
    """One export as a zip file."""
    with parts.database.read() as session:
        row = specimens.read_labelled_set_row(session, set_id)
    return FileResponse(
        parts.files.labelled_set(row.id),
        media_type="application/zip",
        filename=f"labelled-set-{row.id}.zip",
    )


@router.get("/labelled-sets/{set_id}")
def show_labelled_set(set_id: IdPath, user: UserDep, database: DatabaseDep) -> SetVersionOut:
    """One export: its rule, its hashes, and what it holds."""
    with database.read() as session:
        row = specimens.read_labelled_set_row(session, set_id)
        version = set_versions.find_version(session, set_id)
        return SetVersionOut(
            set=_present(view_for(session, user), row),
            rule=None if version is None else version.rule,
            manifest_sha256=None if version is None else version.manifest_sha256,
            zip_sha256=None if version is None else version.zip_sha256,
            report=None if version is None else version.report,
        )


def _present(view: View, row: LabelledSetRow) -> LabelledSetOut:
    return LabelledSetOut(
        id=row.id,
        images=row.n_images,
        annotations=row.n_annotations,
        left_out=row.left_out,
        created_at=row.created_at,
        created_by=view.person(row.created_by),
        download_url=f"/api/labelled-sets/{row.id}.zip",
    )
