"""Bytes of uploads that come in parts, each in a file of its own until all are there."""

from __future__ import annotations

import asyncio
import hashlib
import os
from collections import defaultdict
from collections.abc import AsyncIterator, Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect

from service.errors import ConflictError, ServiceError, TooLargeError
from triage.digests import file_sha256
from triage.disk import is_disk_full, say_disk_full

if TYPE_CHECKING:
    from hashlib import _Hash

# Written at a time; a connection hands over far smaller pieces.
_PIECE_BYTES = 1024 * 1024


@dataclass
class _Turn:
    """Who may write to one upload, and what is known of what lies there.

    `pending` are bytes that came and belong at `at`, to be written together. `digest` is of the first
    `n_hashed` bytes (None: not known, for instance after a start); from `unverified_from` on they belong to a
    part whose stated hash was not compared yet.
    """

    number: int = 0
    lock: asyncio.Lock = field(default_factory=asyncio.Lock)
    at: int = 0
    pending: bytearray = field(default_factory=bytearray)
    digest: _Hash | None = None
    n_hashed: int = 0
    unverified_from: int | None = None


@dataclass(frozen=True)
class Part:
    """What a request adds.

    Attributes
    ----------
    offset : int
        Where its first byte belongs.
    n_bytes : int
        Of the whole upload.
    sha256 : bytes or None
        Of the bytes of this part alone, as its sender states it.
    """

    offset: int
    n_bytes: int
    sha256: bytes | None = None


class Staging:
    """Appends to the files of uploads, one request at a time for each.

    Parameters
    ----------
    folder : Path
        Made when missing.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        self._turns: defaultdict[int, _Turn] = defaultdict(_Turn)

    def path(self, upload_id: int) -> Path:
        """Where the bytes lie."""
        return self._folder / f"{upload_id}.part"

    def offset(self, upload_id: int) -> int:
        """How many bytes lie there; 0 where nothing does."""
        try:
            return self.path(upload_id).stat().st_size
        except FileNotFoundError:
            return 0

    def list_ids(self) -> list[int]:
        """Ids of the uploads that bytes lie of."""
        return sorted(int(path.stem) for path in self._folder.glob("*.part") if path.stem.isdecimal())

    async def settle(self, upload_id: int) -> int:
        """How many bytes lie there, after a request that still adds some was made to stop.

        A sender asks when its connection was lost, which the service may not have seen yet.
        """
        turn = self._turns[upload_id]
        turn.number += 1
        async with turn.lock:
            await run_in_threadpool(self._close_part, upload_id, turn)
            return self.offset(upload_id)

    async def append(
        self, upload_id: int, chunks: AsyncIterator[bytes], part: Part, check: Callable[[Path], None]
    ) -> int:
        """Add what a request sends, also when its connection is lost on the way, and return the new offset.

        Parameters
        ----------
        chunks : async iterator of bytes
        part : Part
            What is added, and where.
        check : callable
            Called with the path after each piece; what it raises ends the request.

        Raises
        ------
        ConflictError
            If the part doesn't begin where the bytes end, or another request goes on with this upload.
        TooLargeError
            If more came than was stated; none of what is beyond is kept.
        ServiceError
            If the bytes don't have the hash that was stated; none of the part is kept.
        StorageError
            If there is no room on the disk; what was there before the piece is kept.
        """
        turn = self._turns[upload_id]
        turn.number += 1
        mine, hashed, is_whole = turn.number, hashlib.sha256(), False
        async with turn.lock:
            await run_in_threadpool(self._close_part, upload_id, turn)
            self._refuse_gap(upload_id, part)
            turn.at = part.offset
            turn.unverified_from = None if part.sha256 is None else part.offset
        try:
            async for chunk in chunks:
                _refuse_overtaken(turn, mine)
                if turn.at + len(turn.pending) + len(chunk) > part.n_bytes:
                    raise TooLargeError(
                        f"The upload was stated to have {part.n_bytes} bytes, but more came. Begin it again."
                    )
                turn.pending += chunk
                hashed.update(chunk)
                if len(turn.pending) >= _PIECE_BYTES:
                    await self._write_pending(upload_id, turn, mine, check)
            is_whole = True
        except ClientDisconnect:
            # What has come is kept, so that only what was on its way is sent again.
            pass
        await self._write_pending(upload_id, turn, mine, check)
        async with turn.lock:
            _refuse_overtaken(turn, mine)
            if is_whole and hashed.digest() == part.sha256:
                turn.unverified_from = None
            if turn.unverified_from is None:
                return turn.at
            await run_in_threadpool(self._cut_unverified, upload_id, turn)
        if is_whole:
            raise ServiceError(
                f"The bytes that came from offset {part.offset} don't have the SHA-256 stated for them, so "
                "they were dropped. Send them again."
            )
        return part.offset

    def complete(self, upload_id: int) -> str:
        """Bring all bytes to the disk and return their SHA-256, in hexadecimal."""
        path, turn = self.path(upload_id), self._turns[upload_id]
        with path.open("rb") as file:
            os.fsync(file.fileno())
        if turn.digest is not None and turn.n_hashed == path.stat().st_size:
            return turn.digest.hexdigest()
        return file_sha256(path)

    def drop(self, upload_id: int) -> None:
        """Remove the bytes."""
        turn = self._turns.pop(upload_id, None)
        if turn is not None:
            # A request that still adds to it must not write on.
            turn.number += 1
            turn.pending.clear()
        self.path(upload_id).unlink(missing_ok=True)

    def _refuse_gap(self, upload_id: int, part: Part) -> None:
        there = self.offset(upload_id)
        if part.offset != there:
            # The names of the extensions are those of the draft on resumable uploads.
            raise ConflictError(
                f"The part begins at byte {part.offset}, but {there} bytes are here. Go on from there.",
                **{"expected-offset": there, "provided-offset": part.offset},
            )

    async def _write_pending(
        self, upload_id: int, turn: _Turn, mine: int, check: Callable[[Path], None]
    ) -> None:
        async with turn.lock:
            _refuse_overtaken(turn, mine)
            if turn.pending:
                await run_in_threadpool(self._write, upload_id, turn)
                await run_in_threadpool(check, self.path(upload_id))

    def _close_part(self, upload_id: int, turn: _Turn) -> None:
        """Write what an earlier request had still in memory, as far as it may count."""
        if turn.pending:
            self._write(upload_id, turn)
        self._cut_unverified(upload_id, turn)

    def _write(self, upload_id: int, turn: _Turn) -> None:
        path, at, piece = self.path(upload_id), turn.at, bytes(turn.pending)
        turn.pending.clear()
        try:
            with path.open("ab") as file:
                file.write(piece)
        except OSError as err:
            with suppress(OSError):
                os.truncate(path, at)
            if is_disk_full(err, self._folder):
                raise say_disk_full("the rest of this upload, whose beginning is kept", err) from err
            raise
        if at == 0:
            turn.digest, turn.n_hashed = hashlib.sha256(), 0
        if turn.digest is not None and turn.n_hashed == at:
            turn.digest.update(piece)
            turn.n_hashed = at + len(piece)
        turn.at = at + len(piece)

    def _cut_unverified(self, upload_id: int, turn: _Turn) -> None:
        """Drop what came of a part whose hash was stated and can't be checked any more, or differs."""
        if turn.unverified_from is None:
            return
        with suppress(FileNotFoundError):
            os.truncate(self.path(upload_id), turn.unverified_from)
        turn.digest, turn.n_hashed, turn.unverified_from = None, 0, None


def _refuse_overtaken(turn: _Turn, mine: int) -> None:
    if turn.number != mine:
        raise ConflictError("Another request goes on with this upload. Ask where it stands.", overtaken=True)
