"""Tells a full disk from other failures of writing."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path

from triage.errors import StorageError

# A quota, and a limit on the size of files, leave as little room as a full disk.
_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
# A library doesn't always hand on why writing failed; below this much there is no room for anything.
_LEAST_FREE_BYTES = 1024 * 1024


def is_disk_full(err: Exception, folder: Path) -> bool:
    """Whether writing into `folder` failed because there is no room left.

    Parameters
    ----------
    err : Exception
        What was raised; an `OSError` says it by number, others in words.
    folder : Path
    """
    if isinstance(err, OSError):
        return err.errno in _FULL
    said = str(err)
    return (
        any(os.strerror(number) in said for number in _FULL)
        or shutil.disk_usage(folder).free < _LEAST_FREE_BYTES
    )


def say_disk_full(what: str, err: Exception) -> StorageError:
    """The error for a person; `what` is what could not be written."""
    said = _name_reason(err)
    return StorageError(
        f"There is no room on the service's disk for {what}{said}. Make room on the disk and try again."
    )


def _name_reason(err: Exception) -> str:
    """The system's own words, in brackets: a quota is mended elsewhere than a full disk."""
    said = str(err)
    named = [os.strerror(number) for number in _FULL]
    if isinstance(err, OSError) and err.errno:
        named, said = [os.strerror(err.errno)], os.strerror(err.errno)
    return "".join(f" ({reason})" for reason in named if reason in said)
