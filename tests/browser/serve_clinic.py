"""Runs the service for the browser tests; the folder of the blob detector must be on the module path."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Literal

from blob_detector import BlobDetector

USERS = (
    ("reader", "reader"),
    ("vet", "veterinarian"),
    ("assistant", "assistant"),
    ("admin", "administrator"),
)


def main(data_folder: Path, port: int, detector: Literal["blobs", "shipped"]) -> None:
    """Serve an empty clinic with one person for each role."""
    # Not above: every child of the service loads this module again, and then the whole service with it.
    import small_training
    from quick_passwords import hash_quickly

    from service import started
    from service.admin import create_user
    from service.run import serve
    from service.settings import Settings

    hash_quickly()
    settings = Settings(data_folder=data_folder, port=port, separate_processes=False)
    # A training takes minutes; what is seen of one takes seconds.
    started.RUN_MODULE = (sys.executable, small_training.__file__)
    os.environ["SMALL_TRAINING"] = str(data_folder)
    for user_name, role in USERS:
        create_user(settings, user_name, f"Try {user_name}", role, f"{user_name}-password")
    serve(settings, detector=BlobDetector() if detector == "blobs" else None)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3])  # type: ignore[arg-type]
