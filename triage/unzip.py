"""What somebody sent as a zip file, looked through before a byte of it is unpacked."""

from __future__ import annotations

import shutil
import zipfile
import zlib
from collections.abc import Callable, Sequence
from pathlib import Path, PurePosixPath

from triage.disk import is_disk_full, say_disk_full
from triage.errors import RecordError


def unpack_zip(
    zipped: Path,
    folder: Path,
    *,
    check_names: Callable[[Sequence[str]], None],
    most_files: int,
    limit_bytes: int,
    wanted: str,
    smaller: str,
) -> list[str]:
    """Unpack a zip file into a folder; the names of its files.

    Parameters
    ----------
    zipped, folder : Path
    check_names : callable
        Raises RecordError where these names are not what was asked for.
    most_files, limit_bytes : int
        How many files are taken, and what all together may unpack to.
    wanted, smaller : str
        What to do where it is no zip file, and where it is too large: a sentence each.

    Raises
    ------
    RecordError
        If it is no zip file, names a place outside it, names one twice, is too large, or `check_names` says
        so; nothing was unpacked then, unless a file in it is damaged.
    StorageError
        If there is no room on the disk.
    """
    try:
        with zipfile.ZipFile(zipped) as file:
            members = [one for one in file.infolist() if not one.is_dir()]
            names = [one.filename for one in members]
            check_names(names)
            _check_places(names)
            _check_amount(members, most_files, limit_bytes, smaller)
            for one in members:
                path = folder / one.filename
                path.parent.mkdir(parents=True, exist_ok=True)
                with file.open(one) as source, path.open("xb") as target:
                    shutil.copyfileobj(source, target)
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, EOFError, RuntimeError, OSError) as err:
        if isinstance(err, OSError) and is_disk_full(err, folder):
            raise say_disk_full("what the zip file holds", err) from err
        raise RecordError(f"This is no zip file that can be unpacked ({err}). {wanted}") from err
    return names


def _check_places(names: Sequence[str]) -> None:
    for name in names:
        path = PurePosixPath(name)
        if path.is_absolute() or ".." in path.parts or "\\" in name or "\0" in name:
            raise RecordError(
                f"The zip file names {name!r}, which lies outside it. Make it anew from one folder."
            )


def _check_amount(
    members: Sequence[zipfile.ZipInfo], most_files: int, limit_bytes: int, smaller: str
) -> None:
    n_names = len({one.filename for one in members})
    if len(members) > most_files or n_names < len(members):
        raise RecordError(
            f"The zip file holds {len(members)} files, {n_names} of them by different names; at most "
            f"{most_files} are taken, each once. {smaller}"
        )
    n_bytes = sum(one.file_size for one in members)
    if n_bytes > limit_bytes:
        raise RecordError(
            f"The zip file unpacks to {n_bytes} bytes; the limit here is {limit_bytes}. {smaller}"
        )
