"""Take marked pictures in COCO's form from elsewhere into a labelled set.

    python -m training.import_coco --coco FILE --images DIR --out SET --key-file FILE [--group "THEIRS=ours"]

Categories of the same name as one of our groups are taken as they are; for others say `--group "Whipworm
egg=trichurid_egg"`, or `--group "Debris=ignore"`, each as often as needed. Prints what was mapped and what
was refused, and writes the same to `SET-import.json` beside the set. The key names specimens: with the same
one a specimen has the same name and split in every set. A key file that doesn't exist is made.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import os
import secrets
import sys
from pathlib import Path

from triage.coco_import import import_coco
from triage.errors import RecordError, TriageError


def read_key(path: Path) -> bytes:
    """The key in a file, made if there is none, readable by the owner alone.

    Raises
    ------
    RecordError
        If it can't be read or written, or is shorter than 32 characters.
    """
    try:
        if not path.exists():
            with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
                file.write(secrets.token_hex(32).encode())
        key = path.read_bytes()
    except OSError as err:
        raise RecordError(f"The key file {path} can't be used ({err.strerror}). Name another one.") from err
    if len(key) < 32:
        raise RecordError(f"The key in {path} has {len(key)} characters; it must have 32 or more.")
    return key


def parse_groups(given: list[str]) -> dict[str, str]:
    """The table of `THEIRS=ours` as given on the command line.

    Raises
    ------
    RecordError
        If one has no equals sign.
    """
    pairs = [one.rpartition("=") for one in given]
    for (theirs, sign, ours), one in zip(pairs, given, strict=True):
        if not (sign and theirs and ours):
            raise RecordError(
                f"--group is {one!r}; it must be THEIRS=ours, for instance Whipworm=trichurid_egg."
            )
    return {theirs.strip(): ours.strip() for theirs, _, ours in pairs}


def main(arguments: list[str] | None = None) -> int:
    """Import as the command line says; 0, or 1 after one sentence on what was wrong."""
    parser = argparse.ArgumentParser(
        prog="python -m training.import_coco", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--coco", type=Path, required=True, help="COCO file of the annotations")
    parser.add_argument("--images", type=Path, required=True, help="folder of the pictures")
    parser.add_argument("--out", type=Path, required=True, help="new folder for the labelled set")
    parser.add_argument("--key-file", type=Path, required=True, help="secret that names specimens")
    parser.add_argument(
        "--group", action="append", default=[], metavar="THEIRS=ours", help="our group, or ignore"
    )
    parser.add_argument("--specimen-key", default="specimen", help="key of images that names their specimen")
    parser.add_argument("--um-per-px", type=float, help="scale of pictures that state none")
    options = parser.parse_args(arguments)
    try:
        _, report = import_coco(
            options.coco,
            options.images,
            options.out,
            key=read_key(options.key_file),
            groups=parse_groups(options.group),
            specimen_key=options.specimen_key,
            um_per_px=options.um_per_px,
        )
    except TriageError as err:
        print(err, file=sys.stderr)
        return 1
    print("\n".join(report.to_lines()))
    text = json.dumps(dataclasses.asdict(report), indent=1, ensure_ascii=False)
    options.out.with_name(options.out.name + "-import.json").write_text(text + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
