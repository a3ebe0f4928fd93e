"""Pictures that come in parts, so that a lost connection costs only what was on its way.

`POST /api/preparations/{id}/uploads` with the field `Upload-Length` begins one and says where; `PATCH` there
adds a part from `Upload-Offset`; `HEAD` says how far it is; `DELETE` ends it; `GET` says in JSON what
became of it.
`Content-Digest` and `Repr-Digest` (RFC 9530, sha-256) are checked where they come.
"""

from __future__ import annotations

import base64
import binascii
import re
from typing import Annotated

from fastapi import APIRouter, Depends, Header, Query, Request, Response, status
from starlette.concurrency import run_in_threadpool

from service.dependencies import IdPath, Parts, PartsDep, UserDep
from service.errors import ServiceError
from service.scale import StatedScale
from service.schemas import MAX_ID, UploadOut
from service.store import specimens
from service.store.models import Upload
from service.uploads import Uploads, describe_upload

router = APIRouter(tags=["uploads"])
# Most bytes of one file that an engine's integer holds.
_MOST_BYTES = 2**63 - 1
_MEDIA_TYPES = ("application/partial-upload", "application/octet-stream")
# One item of a dictionary of RFC 8941: sha-256=:base64:
_SHA256 = re.compile(r"(?:^|,)\s*sha-256=:([A-Za-z0-9+/=]*):\s*(?=$|,)")


def _uploads(request: Request) -> Uploads:
    found: Uploads = request.app.state.uploads
    return found


UploadsDep = Annotated[Uploads, Depends(_uploads)]
OffsetHeader = Annotated[int, Header(alias="Upload-Offset", ge=0, le=_MOST_BYTES)]
LengthHeader = Annotated[int, Header(alias="Upload-Length", ge=0, le=_MOST_BYTES)]


@router.post("/preparations/{preparation_id}/uploads", status_code=status.HTTP_201_CREATED)
def begin_upload(
    preparation_id: IdPath,
    response: Response,
    user: UserDep,
    parts: PartsDep,
    uploads: UploadsDep,
    length: LengthHeader,
    file_name: Annotated[str, Query(min_length=1, max_length=255)],
    calibration_id: Annotated[int | None, Query(ge=1, le=MAX_ID)] = None,
    um_per_px: Annotated[float | None, Query(allow_inf_nan=False)] = None,
    um_per_px_sd: Annotated[float | None, Query(allow_inf_nan=False)] = None,
    repr_digest: Annotated[str | None, Header()] = None,
) -> UploadOut:
    """Begin an upload of `Upload-Length` bytes; send them with PATCH to its `Location`."""
    scale = StatedScale(calibration_id, um_per_px, um_per_px_sd)
    stated = _read_sha256(repr_digest, "Repr-Digest")
    upload = uploads.begin(
        user, preparation_id, file_name, length, scale, None if stated is None else stated.hex()
    )
    response.headers["Location"] = f"/api/uploads/{upload.id}"
    response.headers.update(_where_it_stands(upload, 0))
    response.headers["Upload-Limit"] = _limit(parts)
    return UploadOut.model_validate(describe_upload(uploads, upload))


@router.get("/preparations/{preparation_id}/uploads")
def list_uploads(
    preparation_id: IdPath, user: UserDep, parts: PartsDep, uploads: UploadsDep
) -> list[UploadOut]:
    """The uploads to a preparation that you began and that have not ended, oldest first."""
    with parts.database.read() as session:
        specimens.read_preparation(session, preparation_id)
    return [
        UploadOut.model_validate(describe_upload(uploads, one))
        for one in uploads.list_of(user, preparation_id)
    ]


@router.head("/uploads/{upload_id}", status_code=status.HTTP_204_NO_CONTENT, response_class=Response)
async def ask_upload(upload_id: IdPath, user: UserDep, parts: PartsDep, uploads: UploadsDep) -> Response:
    """Where an upload stands: go on from `Upload-Offset`. A request that still adds to it is made to stop."""
    upload, here = await uploads.settle(user, upload_id)
    headers = {**_where_it_stands(upload, here), "Upload-Limit": _limit(parts)}
    return Response(status_code=status.HTTP_204_NO_CONTENT, headers=headers)


@router.get("/uploads/{upload_id}")
def read_upload(upload_id: IdPath, user: UserDep, uploads: UploadsDep) -> UploadOut:
    """An upload and what became of it."""
    return UploadOut.model_validate(describe_upload(uploads, uploads.read(upload_id)))


@router.patch(
    "/uploads/{upload_id}",
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {_MEDIA_TYPES[0]: {"schema": {"type": "string", "format": "binary"}}},
        }
    },
)
async def add_part(
    upload_id: IdPath,
    request: Request,
    response: Response,
    user: UserDep,
    uploads: UploadsDep,
    offset: OffsetHeader,
    content_digest: Annotated[str | None, Header()] = None,
) -> UploadOut:
    """Add the body from byte `Upload-Offset` on; 202 once all bytes are here and are being checked."""
    _check_media_type(request)
    sha256 = _read_sha256(content_digest, "Content-Digest")
    upload, here = await uploads.add(user, upload_id, request.stream(), offset=offset, sha256=sha256)
    response.headers.update(_where_it_stands(upload, here))
    if here == upload.n_bytes:
        response.status_code = status.HTTP_202_ACCEPTED
    return UploadOut.model_validate(await run_in_threadpool(describe_upload, uploads, upload))


@router.delete("/uploads/{upload_id}", status_code=status.HTTP_204_NO_CONTENT)
def cancel_upload(upload_id: IdPath, user: UserDep, uploads: UploadsDep) -> None:
    """End an upload; its bytes are removed."""
    uploads.cancel(user, upload_id)


def _where_it_stands(upload: Upload, here: int) -> dict[str, str]:
    return {
        "Upload-Offset": str(here),
        "Upload-Length": str(upload.n_bytes),
        "Upload-Complete": "?1" if here == upload.n_bytes else "?0",
        "Cache-Control": "no-store",
    }


def _limit(parts: Parts) -> str:
    max_age_s = round(parts.settings.upload_keep_hours * 3600)
    return f"max-size={parts.settings.upload_limit_bytes()}, max-age={max_age_s}"


def _check_media_type(request: Request) -> None:
    received = request.headers.get("Content-Type", _MEDIA_TYPES[0]).split(";")[0].strip().lower()
    if received not in _MEDIA_TYPES:
        raise ServiceError(f"A part came as {received!r}. Send it as {_MEDIA_TYPES[0]}.")


def _read_sha256(field: str | None, name: str) -> bytes | None:
    """The SHA-256 of a digest field (RFC 9530); None where none came, other algorithms are passed over."""
    found = None if field is None else _SHA256.search(field)
    if found is None:
        return None
    try:
        digest = base64.b64decode(found[1], validate=True)
    except binascii.Error:
        digest = b""
    if len(digest) != 32:
        raise ServiceError(f"{name} gives {found[1]!r} for sha-256; it must be 32 bytes in base64.")
    return digest
