"""Decodes what was uploaded in a child process with bounds on memory and time.

A file may make a decoder crash, hang or ask for all memory there is; then the child ends, the service
doesn't, and the file is refused in one sentence.
"""

from __future__ import annotations

import signal
import sys
import traceback
from dataclasses import asdict, dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from service.child import Child, ChildClosedError
from triage.errors import ImageError, StorageError, TriageError

_MIB = 1024 * 1024
# A child that decoded a large file keeps memory that it no longer needs, so the next file gets a new one.
_LARGE_BYTES = 32 * _MIB
# What libraries say where memory was refused to them.
_OUT_OF_MEMORY = ("memory", "creating thread", "no space for data buffer")
# What libvips says of any failure while it decodes into memory.
_SAID_EITHER_WAY = "unable to copy to memory"
_SAVE_ANEW = "Save it as an uncompressed or tiled TIFF and upload that."


@dataclass(frozen=True)
class Bounds:
    """What one picture may take.

    Attributes
    ----------
    memory_mib : int
        Private writable memory of the child, in MiB; kept where the system can (Linux), see Notes.
    seconds : float

    Notes
    -----
    The bound is `RLIMIT_DATA`, which counts what a process can write to and no file pages (getrlimit(2)).
    Other systems take it without keeping it, or have none; there the time alone is bounded.
    """

    memory_mib: int
    seconds: float


@dataclass(frozen=True)
class Seen:
    """What decoding a picture once has shown.

    Attributes
    ----------
    width, height : int
        In pixels, upright.
    file_scale : dict or None
        What its file says of its scale.
    """

    width: int
    height: int
    file_scale: dict[str, Any] | None


class DecoderGoneError(ImageError):
    """The child ended or was ended while the service goes on: the picture's fault, as far as can be seen."""


class DecoderClosedError(Exception):
    """The service stops, so nothing is said of the picture."""


class Decoder:
    """Looks at one picture at a time, in a child process.

    Parameters
    ----------
    bounds : Bounds or None
        None: in the calling process, without bounds.
    """

    def __init__(self, bounds: Bounds | None) -> None:
        self._bounds = bounds
        self._child = Child(_serve, bounds.memory_mib if bounds else 0)

    def look(self, path: Path, file_name: str, *, pyramid_path: Path, copy_path: Path) -> Seen:
        """Decode a picture once from beginning to end, and of a large one write what later work reads.

        Parameters
        ----------
        path : Path
            Its bytes.
        file_name : str
            For the message.
        pyramid_path : Path
            Where the viewer's pyramid of a large picture goes; nothing is there after a failure.
        copy_path : Path
            Where the tiled copy of a large picture goes that can't be read in place.

        Raises
        ------
        ImageError
            If it is no picture that can be read, or it made the decoder end, hang or ask for too much memory.
        StorageError
            If there is no room on the disk.
        DecoderClosedError
            If the service stops meanwhile.
        """
        arguments = (path, file_name, pyramid_path, copy_path)
        if self._bounds is None:
            return look_at(*arguments)
        with self._child.lock:
            error: Exception | None = None
            try:
                error, seen = self._ask(arguments, file_name)
            finally:
                # After a failure too: what the decoder holds then is not known.
                if error is not None or is_large(path):
                    self._child.end()
        if error is not None:
            raise error
        assert isinstance(seen, Seen)
        return seen

    def close(self) -> None:
        """End the child for good, in the middle of a picture too."""
        self._child.close()

    def _ask(self, arguments: tuple[Any, ...], file_name: str) -> tuple[Exception | None, Seen | None]:
        assert self._bounds is not None
        if self._child.has_died:
            self._child.end()
        try:
            connection, process = self._child.connect()
        except ChildClosedError as err:
            raise DecoderClosedError from err
        try:
            connection.send(arguments)
            if not connection.poll(self._bounds.seconds):
                self._child.end()
                raise DecoderGoneError(
                    f"{file_name} took longer than {self._bounds.seconds:g} s to decode, so it was not "
                    f"taken. {_SAVE_ANEW}"
                )
            answer: tuple[Exception | None, Seen | None] = connection.recv()
        except (EOFError, OSError) as err:
            process.join()
            ended = process.exitcode
            self._child.end()
            if self._child.is_closed:
                raise DecoderClosedError from err
            raise DecoderGoneError(
                f"{file_name} made the decoder fail ({_name_end(ended)}), so it was not taken. {_SAVE_ANEW}"
            ) from err
        return answer


def is_large(path: Path) -> bool:
    """Whether a file is large enough to be decoded apart from small ones, which then need not wait."""
    return path.stat().st_size > _LARGE_BYTES


def look_at(path: Path, file_name: str, pyramid_path: Path, copy_path: Path) -> Seen:
    """What `Decoder.look` does, in this process.

    Raises
    ------
    ImageError
        If it is no picture that can be read.
    StorageError
        If there is no room on the disk.
    """
    from triage.file_scale import find_file_scale
    from triage.images import open_picture
    from triage.limits import Limits
    from triage.pyramid import write_pyramid

    with open_picture(path, file_name=file_name, copy_path=copy_path) as picture:
        if picture.width * picture.height > Limits().max_memory_pixels and not pyramid_path.exists():
            write_pyramid(picture, pyramid_path)
        stated = find_file_scale(path)
        return Seen(picture.width, picture.height, None if stated is None else asdict(stated))


def _is_out_of_memory(err: Exception, memory_mib: int) -> bool:
    """Whether a failure came of the bound on memory, as far as the decoder's words or its memory tell."""
    if isinstance(err, MemoryError):
        return True
    if err.__cause__ is None:
        return False
    said = str(err).lower().replace(_SAID_EITHER_WAY, "")
    is_near = _most_held_kib() * 1024 > 0.75 * memory_mib * _MIB
    return is_near or any(words in said for words in _OUT_OF_MEMORY)


def _most_held_kib() -> int:
    """The most memory that this process has held; 0 where the system doesn't tell it so, nor keeps the bound.

    `getrusage` would begin with what the service held when it started this process (getrusage(2), Notes).
    """
    try:
        lines = Path("/proc/self/status").read_text().splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) for line in lines if line.startswith("VmHWM:")), 0)


def _say_too_much(file_name: str, memory_mib: int) -> ImageError:
    return ImageError(
        f"{file_name} needs more than {memory_mib} MiB of memory to decode, so it was not taken. {_SAVE_ANEW}"
    )


def _name_end(exit_code: int | None) -> str:
    if exit_code is not None and exit_code < 0:
        try:
            return f"signal {signal.Signals(-exit_code).name}"
        except ValueError:
            return f"signal {-exit_code}"
    return f"exit status {exit_code}"


def _serve(connection: Connection[Any, Any], memory_mib: int) -> None:
    """The child: answers until the pipe closes."""
    # Ctrl-C goes to the whole group; the parent decides when a child ends.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    _bound_memory(memory_mib)
    while True:
        try:
            connection.send(_answer(connection.recv(), memory_mib))
        except (EOFError, OSError):
            # The service is gone, so nobody waits for an answer.
            return


def _bound_memory(memory_mib: int) -> None:
    if sys.platform == "win32":
        return
    import resource

    resource.setrlimit(resource.RLIMIT_DATA, (memory_mib * _MIB, memory_mib * _MIB))
    # A crash is told in one sentence; a dump of a gigabyte helps nobody.
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _answer(arguments: tuple[Any, ...], memory_mib: int) -> tuple[Exception | None, Seen | None]:
    try:
        return None, look_at(*arguments)
    except StorageError as err:
        return err, None
    except (TriageError, MemoryError) as err:
        return (_say_too_much(arguments[1], memory_mib) if _is_out_of_memory(err, memory_mib) else err), None
    except Exception as err:
        # The border of the process: a traceback can't be sent, so its text is.
        return RuntimeError(f"{err}\n{traceback.format_exc()}"), None
