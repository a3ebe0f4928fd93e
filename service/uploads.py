"""Uploads that come in parts: begun, gone on with after a lost connection or a restart, checked, stored.

The semantics are those of the IETF draft "Resumable Uploads for HTTP" (draft-ietf-httpbis-resumable-upload;
its field names are written from memory): an upload is a resource; HEAD says where it stands, PATCH adds from
there, DELETE ends it. Its states:

receiving   bytes are missing; gone after `upload_keep_hours` without a byte
checking    all bytes are here and are decoded once, in the background
held        there was no room on the disk; the bytes wait, and an empty part at their end tries again
stored      the picture is an image of its preparation
refused     it is no picture that can be taken; `problem` says why; the bytes are gone
cancelled   its sender ended it; the bytes are gone
expired     nothing came for too long; the bytes are gone
"""

from __future__ import annotations

import logging
import os
import shutil
import threading
from collections.abc import AsyncIterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool

from service.decoding import DecoderClosedError
from service.dependencies import Parts
from service.errors import ConflictError, MissingError, NotAllowedError, ServiceError, TooLargeError
from service.files import Received
from service.intake import check_before_upload, plain_name, take_picture
from service.scale import StatedScale
from service.staging import Part, Staging
from service.store import images, people, specimens, uploads
from service.store.database import Session
from service.store.models import Image, Upload, User
from triage.errors import ImageError, StorageError, TriageError
from triage.first_bytes import HEADER_BYTES, check_first_bytes

LOG = logging.getLogger(__name__)
SWEEP_EVERY_S = 600.0
# A small picture isn't kept waiting by a large one.
_CHECKED_TOGETHER = 2


class Uploads:
    """The uploads of one service.

    Parameters
    ----------
    parts : Parts
    """

    def __init__(self, parts: Parts) -> None:
        self._parts = parts
        self.staging = Staging(parts.settings.data_folder.absolute() / "uploads")
        self._keep = timedelta(hours=parts.settings.upload_keep_hours)
        self._checks = ThreadPoolExecutor(_CHECKED_TOGETHER, thread_name_prefix="uploads")
        self._stopped = threading.Event()
        self._sweeper = threading.Thread(target=self._sweep_again, name="upload sweep", daemon=True)

    def start(self) -> None:
        """Go on with what a stop or a kill cut off, and remove what nobody waits for."""
        self.sweep()
        with self._parts.database.read() as session:
            waiting = [row.id for row in uploads.list_open_uploads(session) if row.state == "checking"]
        for upload_id in waiting:
            self._checks.submit(self._check, upload_id)
        self._sweeper.start()

    def stop(self) -> None:
        """End; the decoder must be closed before."""
        self._stopped.set()
        self._checks.shutdown(cancel_futures=True)
        if self._sweeper.is_alive():
            self._sweeper.join()

    def begin(
        self,
        user: User,
        preparation_id: int,
        file_name: str,
        n_bytes: int,
        scale: StatedScale,
        sha256: str | None = None,
    ) -> Upload:
        """A new upload, of which nothing has come yet.

        Raises
        ------
        TriageError
            If it would be refused at its end: no such preparation, an impossible scale, too large, no room.
        """
        check_before_upload(self._parts.within(user.hospital_id), user, preparation_id, scale)
        self._check_size(n_bytes)
        with self._parts.database.write() as session:
            return uploads.add_upload(
                session,
                preparation_id=preparation_id,
                file_name=plain_name(file_name),
                n_bytes=n_bytes,
                stated_scale={
                    "calibration_id": scale.calibration_id,
                    "um_per_px": scale.um_per_px,
                    "um_per_px_sd": scale.um_per_px_sd,
                },
                sha256=sha256,
                created_by=user.id,
            )

    def read(self, upload_id: int) -> Upload:
        """The upload as it stands."""
        with self._parts.database.read() as session:
            return uploads.read_upload(session, upload_id)

    def list_of(self, user: User, preparation_id: int) -> list[Upload]:
        """Uploads to a preparation that this person began and that have not ended."""
        with self._parts.database.read() as session:
            rows = uploads.list_open_uploads(session, preparation_id=preparation_id)
        return [row for row in rows if row.created_by == user.id]

    def expires_at(self, upload: Upload) -> datetime | None:
        """When it is removed if nothing more comes; None where it waits for nothing."""
        if upload.state not in ("receiving", "held"):
            return None
        return self._last_change(upload) + self._keep

    async def settle(self, user: User, upload_id: int) -> tuple[Upload, int]:
        """The upload and how many bytes of it are here, once no request adds to it any more."""
        upload = await run_in_threadpool(self._own, user, upload_id)
        if upload.state != "receiving":
            return upload, self.bytes_here(upload)
        return upload, await self.staging.settle(upload_id)

    def bytes_here(self, upload: Upload) -> int:
        """How many bytes have come."""
        if upload.state in ("receiving", "refused", "cancelled", "expired"):
            return self.staging.offset(upload.id)
        return upload.n_bytes

    async def add(
        self, user: User, upload_id: int, chunks: AsyncIterator[bytes], *, offset: int, sha256: bytes | None
    ) -> tuple[Upload, int]:
        """Add a part; once all bytes are here they are checked in the background.

        Raises
        ------
        ConflictError
            If the upload has ended, or the part doesn't begin where the bytes end.
        ImageError
            As soon as the first bytes show that it is no picture; the upload is then refused.
        StorageError
            If there is no room on the disk; what came before is kept.
        """
        upload = await run_in_threadpool(self._own, user, upload_id)
        if upload.state in ("held", "checking") and offset == upload.n_bytes:
            return await run_in_threadpool(self._finish, upload), upload.n_bytes
        _refuse_ended(upload)
        part = Part(offset, upload.n_bytes, sha256)
        try:
            here = await self.staging.append(upload_id, chunks, part, _HeaderCheck(upload.file_name))
        except ImageError as err:
            await run_in_threadpool(self._end, upload_id, "refused", str(err))
            raise
        if here == upload.n_bytes:
            upload = await run_in_threadpool(self._finish, upload)
        return upload, here

    def cancel(self, user: User, upload_id: int) -> None:
        """End an upload; an ended one stays as it is.

        Raises
        ------
        ConflictError
            If all bytes are here and are being checked.
        """
        self._own(user, upload_id)
        with self._parts.database.write() as session:
            upload = uploads.read_upload(session, upload_id)
            if upload.state == "checking":
                raise ConflictError(
                    f"{upload.file_name} is here and is being checked. Wait until that has ended."
                )
            if upload.state in uploads.OPEN_STATES:
                uploads.change_upload(session, upload_id, state="cancelled", problem=None)
        self.staging.drop(upload_id)

    def sweep(self) -> None:
        """Remove uploads that nothing came of for too long, and bytes that belong to none."""
        with self._parts.database.read() as session:
            rows = list(uploads.list_open_uploads(session))
        now = datetime.now(UTC)
        for row in rows:
            is_waiting = row.state != "checking" or not self.staging.path(row.id).exists()
            if is_waiting and now > self._last_change(row) + self._keep:
                hours = self._parts.settings.upload_keep_hours
                self._end(row.id, "expired", f"Nothing came for {hours:g} h, so {row.file_name} was removed.")
        for upload_id in set(self.staging.list_ids()) - {row.id for row in rows}:
            # Begun since the rows were read, or ended in between: only the row says.
            if self._has_ended(upload_id):
                self.staging.drop(upload_id)
        self._remove_unused_copies()

    def _remove_unused_copies(self) -> None:
        with self._parts.database.read() as session:
            wanted = {row.sha256 for row in uploads.list_open_uploads(session) if row.state == "checking"}
            for job in images.list_open_jobs(session):
                image = session.get(Image, job.image_id)
                wanted |= {image.sha256} if image is not None else set()
        self._parts.files.clear_pixels(keep=wanted, older_than_s=SWEEP_EVERY_S)

    def _has_ended(self, upload_id: int) -> bool:
        try:
            return self.read(upload_id).state not in uploads.OPEN_STATES
        except MissingError:
            return True

    def _sweep_again(self) -> None:
        while not self._stopped.wait(SWEEP_EVERY_S):
            try:
                self.sweep()
            except Exception:
                # The border of the thread: the next sweep may do.
                LOG.exception("Sweeping uploads")

    def _last_change(self, upload: Upload) -> datetime:
        try:
            touched = datetime.fromtimestamp(self.staging.path(upload.id).stat().st_mtime, UTC)
        except FileNotFoundError:
            return upload.changed_at
        return max(touched, upload.changed_at)

    def _check_size(self, n_bytes: int) -> None:
        limit = self._parts.settings.upload_limit_bytes()
        if n_bytes > limit:
            raise TooLargeError(
                f"The file has {n_bytes} bytes; at most {limit} are taken, the limit set here."
            )
        if n_bytes < 1:
            raise ServiceError(f"The file has {n_bytes} bytes; a picture is needed. Choose the file again.")
        free = shutil.disk_usage(self.staging.path(0).parent).free
        if n_bytes > free:
            raise StorageError(
                f"The file has {n_bytes} bytes, but {free} are free on the service's disk. Make room on the "
                "disk and try again."
            )

    def _own(self, user: User, upload_id: int) -> Upload:
        upload = self.read(upload_id)
        if upload.created_by != user.id:
            raise NotAllowedError(
                f"Upload {upload_id} was begun by somebody else; only they may go on with it."
            )
        return upload

    def _end(self, upload_id: int, state: str, problem: str | None) -> None:
        with self._parts.database.write() as session:
            uploads.change_upload(session, upload_id, state=state, problem=problem)
        self.staging.drop(upload_id)

    def _finish(self, upload: Upload) -> Upload:
        """Let the check begin; a second call while it runs changes nothing."""
        with self._parts.database.write() as session:
            stored = uploads.read_upload(session, upload.id)
            if stored.state not in ("receiving", "held"):
                return stored
            stored = uploads.change_upload(session, upload.id, state="checking", problem=None)
        self._checks.submit(self._check, upload.id)
        return stored

    def _check(self, upload_id: int) -> None:
        try:
            upload = self.read(upload_id)
            if self._has_bytes(upload):
                self._store(upload)
        except DecoderClosedError:
            # The next start goes on.
            return
        except StorageError as err:
            self._hold(upload_id, str(err))
        except TriageError as err:
            self._end(upload_id, "refused", str(err))
        except Exception:
            if self._stopped.is_set():
                return
            # The border of the thread: a fault of ours must end in a state that a person can see.
            LOG.exception("Upload %s", upload_id)
            self._hold(
                upload_id,
                "The program failed at this picture; the log of the service says why. Tell its keeper.",
            )

    def _hold(self, upload_id: int, problem: str) -> None:
        with self._parts.database.write() as session:
            uploads.change_upload(session, upload_id, state="held", problem=problem)

    def _has_bytes(self, upload: Upload) -> bool:
        """Whether all bytes lie here; those that were kept as an original right before a kill count."""
        path = self.staging.path(upload.id)
        if path.exists():
            return True
        if upload.sha256 is None:
            return False
        try:
            kept = self._parts.files.original(upload.sha256)
        except MissingError:
            return False
        _link_or_copy(kept, path)
        return True

    def _store(self, upload: Upload) -> None:
        sha256 = self.staging.complete(upload.id)
        if upload.sha256 not in (None, sha256):
            raise ImageError(
                f"{upload.file_name} came with other bytes than were stated: its SHA-256 is {sha256}, not "
                f"{upload.sha256}. Send it again."
            )
        with self._parts.database.write() as session:
            uploads.change_upload(session, upload.id, sha256=sha256)
            user = _sender(session, upload)

        def note(session: Session, image_id: int) -> None:
            uploads.change_upload(session, upload.id, state="stored", problem=None, image_id=image_id)

        take_picture(
            self._parts.within(user.hospital_id),
            user,
            Received(self.staging.path(upload.id), sha256, upload.n_bytes),
            upload.preparation_id,
            upload.file_name,
            StatedScale(**upload.stated_scale),
            also=note,
        )
        self.staging.drop(upload.id)


def _sender(session: Session, upload: Upload) -> User:
    """Who sent it, in the hospital of its preparation, even if that person has left in between."""
    preparation = specimens.read_preparation(session, upload.preparation_id)
    hospital_id = specimens.read_specimen(session, preparation.specimen_id).hospital_id
    sender = people.find_user(session, user_id=upload.created_by, hospital_id=hospital_id, even_ended=True)
    assert sender is not None
    return sender


class _HeaderCheck:
    """Looks at the first bytes until they say what the file is."""

    def __init__(self, file_name: str) -> None:
        self._file_name = file_name
        self._is_decided = False

    def __call__(self, path: Path) -> None:
        """Refuse what is no picture.

        Raises
        ------
        ImageError
            As soon as the first bytes show it.
        """
        if self._is_decided:
            return
        with path.open("rb") as file:
            head = file.read(HEADER_BYTES)
        self._is_decided = check_first_bytes(head, self._file_name)


def _refuse_ended(upload: Upload) -> None:
    if upload.state != "receiving":
        raise ConflictError(
            f"Nothing can be added to upload {upload.id}: its state is {upload.state!r}. Begin a new one if "
            "the picture is to be sent again.",
            state=upload.state,
        )


def _link_or_copy(source: Path, target: Path) -> None:
    """The same bytes under a second name, so that either may be removed."""
    try:
        os.link(source, target)
    except OSError:
        shutil.copyfile(source, target)


def describe_upload(uploads_here: Uploads, upload: Upload) -> dict[str, Any]:
    """An upload as its JSON says it."""
    return {
        "id": upload.id,
        "file_name": upload.file_name,
        "bytes": upload.n_bytes,
        "offset": uploads_here.bytes_here(upload),
        "state": upload.state,
        "problem": upload.problem,
        "upload_url": f"/api/uploads/{upload.id}",
        "image_id": upload.image_id,
        "image_url": None if upload.image_id is None else f"/api/images/{upload.image_id}",
        "created_at": upload.created_at,
        "expires_at": uploads_here.expires_at(upload),
    }
