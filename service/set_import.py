"""Marked pictures from elsewhere, in COCO's form, as one more labelled set."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from service.dependencies import Parts
from service.files import Received
from service.set_report import Source, describe_set
from service.settings import read_labelled_set_key
from service.store import set_versions, specimens
from service.store.models import LabelledSetRow, User
from triage.digests import file_sha256
from triage.errors import RecordError
from triage.labelled_set import MANIFEST_FILE, read_labelled_set
from triage.zipped_set import zip_set

MOST_REFUSED = 500


def import_set(
    parts: Parts, user: User, received: Received, *, groups: Mapping[str, str], um_per_px: float | None
) -> LabelledSetRow:
    """File what a zip file of a COCO file and its pictures holds, with the report of what was refused.

    Raises
    ------
    RecordError
        If nothing in it can be imported.
    """
    with parts.files.new_folder() as folder:
        out = Path(folder, "set")
        said = parts.jobs.measure(
            "import_coco",
            received.path,
            Path(folder, "sent"),
            out,
            read_labelled_set_key(parts.settings),
            dict(groups),
            um_per_px,
            parts.settings.upload_limit_bytes(),
        )
        labelled = read_labelled_set(out)
        rows = labelled.annotations["images"]
        refused = said.pop("refused")
        report = describe_set(labelled, [Source(None, ()) for _ in rows], [])
        report["import"] = {**said, "refused": refused[:MOST_REFUSED], "refused_in_all": len(refused)}
        zipped = zip_set(out, Path(folder, "set.zip"))
        with parts.database.write() as session:
            row = specimens.add_labelled_set(
                session,
                n_images=len(rows),
                n_annotations=len(labelled.annotations["annotations"]),
                left_out=[],
                created_by=user.id,
            )
            set_versions.add_version(
                session,
                set_id=row.id,
                rule=labelled.manifest["rule"],
                report=report,
                manifest_sha256=file_sha256(out / MANIFEST_FILE),
                zip_sha256=file_sha256(zipped),
            )
            parts.files.keep_labelled_set(row.id, zipped)
    return row


def read_groups_table(given: Sequence[str]) -> dict[str, str]:
    """The table of `THEIRS=ours`.

    Raises
    ------
    RecordError
        If one has no equals sign.
    """
    pairs = [one.rpartition("=") for one in given]
    for (theirs, sign, ours), one in zip(pairs, given, strict=True):
        if not (sign and theirs.strip() and ours.strip()):
            raise RecordError(f"The line {one!r} must be THEIRS=ours, for instance Whipworm=trichurid_egg.")
    return {theirs.strip(): ours.strip() for theirs, _, ours in pairs}
