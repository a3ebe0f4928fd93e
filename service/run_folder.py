"""Where a training's files lie on the machine that works on it, and what each started program is told."""

from __future__ import annotations

import json
import re
import shutil
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from triage.labelled_set import ANNOTATIONS_FILE, JUDGING, MANIFEST_FILE
from triage.weights import RECORD_FILE

MOST_REPORTS = 60
CHECKS = 12
CHECKPOINT_EVERY_S = 30
_CHECKPOINT = re.compile(r"checkpoint-\d{8}")


@dataclass(frozen=True)
class RunFolder:
    """The folder of one training, kept until it has ended well, so that it goes on at its last checkpoint."""

    root: Path

    @property
    def data(self) -> Path:
        """The labelled set."""
        return self.root / "set"

    @property
    def out(self) -> Path:
        """The weights that are made."""
        return self.root / "out"

    @property
    def judged(self) -> Path:
        """Figures and plots."""
        return self.root / "judged"

    @property
    def comparison(self) -> Path:
        """What the comparison said."""
        return self.root / "comparison.json"

    def unpack(self, zipped: Path) -> None:
        """Unpack the labelled set, whole or not at all, unless it is there."""
        if self.data.exists():
            return
        self.root.mkdir(parents=True, exist_ok=True)
        partial = self.root / "set.partial"
        shutil.rmtree(partial, ignore_errors=True)
        with zipfile.ZipFile(zipped) as file:
            file.extractall(partial)
        partial.rename(self.data)

    def has_pictures_to_judge(self) -> bool:
        """Whether the set's locked split holds any."""
        content = json.loads((self.data / ANNOTATIONS_FILE).read_text(encoding="utf-8"))
        return any(row.get("split") == JUDGING for row in content["images"])

    def read_originals(self) -> dict[str, str]:
        """SHA-256 of the original of each picture, by its name in the set."""
        manifest = json.loads((self.data / MANIFEST_FILE).read_text(encoding="utf-8"))
        return {row["file_name"]: row["original_sha256"] for row in manifest["images"]}

    def read_curve(self) -> dict[str, Any]:
        """The losses so far, `[step, loss]`, the checks, `[step, loss, recall]`, and the seconds left."""
        path = self.out / "curve.jsonl"
        curve: dict[str, Any] = {"losses": [], "checks": [], "seconds_left": None}
        for line in path.read_text(encoding="utf-8").splitlines() if path.is_file() else []:
            row = _read_line(line)
            if "held_out_loss" in row:
                curve["checks"].append([row["step"], row["held_out_loss"], row["held_out_recall"]])
            elif "total" in row:
                curve["losses"].append([row["step"], row["total"]])
                curve["seconds_left"] = row["seconds_left"]
        return curve

    def newest_checkpoint(self) -> str:
        """Name of the folder of the newest whole checkpoint in `out`; empty if there is none."""
        found = (path.name for path in self.out.glob("checkpoint-*") if _CHECKPOINT.fullmatch(path.name))
        return max(found, default="")

    def zip_checkpoint(self, name: str, zipped: Path) -> None:
        """Write a checkpoint and the curve so far into a zip file.

        Raises
        ------
        FileNotFoundError
            If the checkpoint is gone.
        """
        # Weights hardly become smaller.
        with zipfile.ZipFile(zipped, "w", zipfile.ZIP_STORED) as file:
            curve = self.out / "curve.jsonl"
            if curve.is_file():
                file.write(curve, curve.name)
            for part in sorted((self.out / name).iterdir()):
                file.write(part, f"{name}/{part.name}")

    def unpack_checkpoint(self, file: zipfile.ZipFile) -> None:
        """Unpack what `zip_checkpoint` wrote; the checkpoint appears last and whole, or not at all."""
        partial = self.root / "checkpoint.partial"
        shutil.rmtree(partial, ignore_errors=True)
        file.extractall(partial)
        self.out.mkdir(parents=True, exist_ok=True)
        for path in sorted(partial.iterdir(), key=lambda path: path.is_dir()):
            path.rename(self.out / path.name)
        partial.rmdir()

    def read_json(self, path: Path) -> dict[str, Any]:
        """A file of figures; what is no finite number becomes null."""
        text = path.read_text(encoding="utf-8")
        content: dict[str, Any] = json.loads(text, parse_constant=lambda _: None)
        return content

    def hide_folders(self, start: Path) -> None:
        """Take the folders of this machine out of the record of what was made; hashes say what they held."""
        path = self.out / RECORD_FILE
        text = path.read_text(encoding="utf-8").replace(f"{self.root}/", "").replace(str(start), "start")
        path.write_text(text, encoding="utf-8")

    def clear(self) -> None:
        """Remove everything."""
        shutil.rmtree(self.root, ignore_errors=True)


def _read_line(line: str) -> dict[str, Any]:
    try:
        row: dict[str, Any] = json.loads(line, parse_constant=lambda _: None)
    except ValueError:
        # The line that is being written.
        return {}
    return row


def train_arguments(
    folder: RunFolder, options: dict[str, Any], *, start: Path, name: str, device: str
) -> list[str]:
    """What `training.train` is told."""
    steps = options["steps"]
    told = {
        "--data": folder.data,
        "--adapt": start,
        "--out": folder.out,
        "--name": name,
        "--device": device,
        "--steps": steps,
        "--batch": options["batch"],
        "--seed": options["seed"],
        "--drawn-share": options["drawn_share"],
        "--drawn-tiles": options["drawn_tiles"],
        "--held-out": options["held_out"],
        "--patience": options["patience"],
        "--check-every": max(1, steps // CHECKS),
        "--report-every": max(1, steps // MOST_REPORTS),
        "--checkpoint-every": CHECKPOINT_EVERY_S,
    }
    return [*(str(part) for pair in told.items() for part in pair), "--resume"]


def judge_arguments(folder: RunFolder) -> list[str]:
    """What `training.judge` is told."""
    return [
        *("--data", str(folder.data), "--split", JUDGING),
        *("--weights", str(folder.out), "--out", str(folder.judged)),
    ]


def compare_arguments(folder: RunFolder, *, old: Path, new: Path, margin: float) -> list[str]:
    """What `training.compare` is told."""
    return [
        *("--data", str(folder.data), "--old", str(old), "--new", str(new)),
        *("--out", str(folder.comparison), "--margin", str(margin)),
    ]
