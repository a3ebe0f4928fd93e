from __future__ import annotations

import errno
import io
import json
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from triage.coco_import import ImportReport
from triage.coco_zip import import_coco_zip
from triage.errors import RecordError, StorageError
from triage.labelled_set import LabelledSet

CONTENT = {
    "images": [{"id": 5, "file_name": "a.png", "width": 80, "height": 60, "um_per_px": 0.5}],
    "annotations": [
        {"id": 1, "image_id": 5, "category_id": 1, "bbox": [5, 5, 20, 20]},
        {"id": 2, "image_id": 5, "category_id": 2, "bbox": [40, 10, 20, 12.5]},
    ],
    "categories": [{"id": 1, "name": "Oocyst"}, {"id": 2, "name": "Whip"}],
}


def draw() -> bytes:
    pixels = np.random.default_rng(1).integers(0, 255, (60, 80, 3), dtype=np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "PNG")
    return buffer.getvalue()


def write_zip(folder: Path, files: dict[str, Any]) -> Path:
    path = folder / "sent.zip"
    with zipfile.ZipFile(path, "w") as file:
        for name, content in files.items():
            file.writestr(name, json.dumps(content) if isinstance(content, dict) else content)
    return path


def take(zipped: Path, folder: Path, limit_bytes: int = 10**6) -> tuple[LabelledSet, ImportReport]:
    return import_coco_zip(
        zipped,
        folder / "work",
        folder / "set",
        key=b"k" * 32,
        groups={"Whip": "trichurid_egg"},
        um_per_px=None,
        limit_bytes=limit_bytes,
    )


@pytest.mark.parametrize("place", ["theirs/a.png", "theirs/images/a.png"])
def test_pictures_lie_beside_the_json_or_in_images(tmp_path: Path, place: str) -> None:
    labelled, report = take(write_zip(tmp_path, {"theirs/all.json": CONTENT, place: draw()}), tmp_path)
    assert [row["bbox"] for row in labelled.annotations["annotations"]] == [
        [5, 5, 20, 20],
        [40, 10, 20, 12.5],
    ]
    assert report.mapped == {"Oocyst": "oocyst", "Whip": "trichurid_egg"} and report.refused == []


@pytest.mark.parametrize(
    ("files", "limit_bytes", "sentence"),
    [
        ({"all.json": CONTENT, "../a.png": b"x"}, 10**6, "'../a.png', which lies outside it"),
        ({"all.json": CONTENT, "/a.png": b"x"}, 10**6, "lies outside it"),
        ({"all.json": CONTENT, "more.JSON": CONTENT}, 10**6, "holds 2 JSON files; it must hold one"),
        ({"a.png": b"x"}, 10**6, "holds 0 JSON files"),
        ({"all.json": CONTENT, "a.png": b"x" * 900}, 1000, "the limit here is 1000"),
        ({"all.json": {"images": 1}}, 10**6, "^all.json is no COCO file"),
        ({"all.json": CONTENT}, 10**6, "No picture of all.json can be imported"),
    ],
)
def test_other_zip_files_are_refused(
    tmp_path: Path, files: dict[str, Any], limit_bytes: int, sentence: str
) -> None:
    with pytest.raises(RecordError, match=sentence):
        take(write_zip(tmp_path, files), tmp_path, limit_bytes)
    assert not (tmp_path / "a.png").exists()


def test_what_is_no_zip_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "sent.zip"
    path.write_bytes(b"no zip")
    with pytest.raises(RecordError, match="no zip file that can be unpacked"):
        take(path, tmp_path)


def test_full_disk_is_no_fault_of_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def copy(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("triage.unzip.shutil.copyfileobj", copy)
    with pytest.raises(StorageError, match="no room on the service's disk for what the zip file holds"):
        take(write_zip(tmp_path, {"all.json": CONTENT, "a.png": draw()}), tmp_path)
