"""Does quickly what the programs of `training` do, with the same files at the end; tests start it instead.

A set of one of these files in its working folder changes what it does: `wait` (goes on when it is gone),
`refuse` (its sentence) and `lose` (so many objects are lost).
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from PIL import Image

from triage.weights import WEIGHTS_FILE, read_record, shipped_folder, write_record

PLOTS = ("recall", "scores")


def main() -> int:
    """Do what the module named first would do."""
    parser = argparse.ArgumentParser()
    for name in ("--data", "--out", "--adapt", "--weights", "--old", "--new", "--name"):
        parser.add_argument(name)
    parser.add_argument("--steps", type=int)
    options, _ = parser.parse_known_args(sys.argv[2:])
    folder = Path(options.out or options.weights).parent
    told = Path(os.environ["SMALL_TRAINING"])
    (told / f"{sys.argv[1]}.said").write_text(json.dumps(sys.argv[2:]))
    (told / f"{sys.argv[1]}.pid").write_text(str(os.getpid()))
    if (told / "refuse").exists():
        print((told / "refuse").read_text().format(folder=folder), file=sys.stderr)
        return 1
    {"train": train, "export": lambda *_: None, "judge": judge, "compare": compare}[
        sys.argv[1].removeprefix("training.")
    ](options, told)
    return 0


def train(options: Any, told: Path) -> None:
    """Half of the steps, a wait, the other half; the weights are the shipped ones with some bytes more."""
    out = Path(options.out)
    out.mkdir(parents=True, exist_ok=True)
    half = options.steps // 2
    begun = max((int(path.name.removeprefix("checkpoint-")) for path in out.glob("checkpoint-*")), default=0)
    with (out / "curve.jsonl").open("a") as curve:
        if not begun:
            print(json.dumps({"step": half, "seconds_left": 7.0, "total": 2.0}), file=curve, flush=True)
            (out / "checkpoint-unfinished").mkdir()
            (out / "checkpoint-unfinished" / "part-1.safetensors").write_bytes(b"some weights")
            (out / "checkpoint-unfinished").rename(out / f"checkpoint-{half:08d}")
        while (told / "wait").exists():
            time.sleep(0.05)
        print(json.dumps({"step": options.steps, "held_out_loss": 1.5, "held_out_recall": 0.5}), file=curve)
    for name in ("detector.onnx", WEIGHTS_FILE):
        shutil.copyfile(shipped_folder() / name, out / name)
    with (out / WEIGHTS_FILE).open("ab") as weights:
        weights.write(options.name.encode())
    record = read_record(shipped_folder())
    cut = {
        **{"score": 0.3, "found": 9, "of": 10, "before": {"score": 0.2}, "chosen_on": "1 held-out pictures"},
        "candidates_on_empty": {"pictures_and_tiles": 4, "before": 1, "after": 2},
    }
    few = "There are 3 true and 9 false candidates to calibrate on; at least 20 of each are needed."
    record = replace(
        record,
        scores={**record.scores, "default_cut": cut},
        score_calibration={"fitted_on": [], "not_fitted": few},
    )
    recipe = {"begun_at": begun, "ending": {"why": "All steps were made."}}
    write_record(out, replace(record, name=options.name, recipe=recipe))


def judge(options: Any, _: Path) -> None:
    """Figures in the form of the real ones, and two drawings."""
    out = Path(options.out)
    out.mkdir(exist_ok=True)
    share = {"share": 0.5, "n": 1, "of": 2, "wilson": [0.1, 0.9], "by_specimen": None}
    by_focus = {"pictures": 1, "recall": share, "group_right": share, "false_per_picture": 0.5}
    figures = {
        **{"pictures": 1, "specimens": 1, "cut": 0.25, "recall": share, "group_right": share},
        "average_precision": {"AP": 0.4, "AP50": 0.8, "AP_by_specimen": None},
        "length": {"n": 1, "unit": "µm", "not_a_number": float("nan")},
        "counts": {"coverslips": 1},
        "calibration": {"error": 0.1, "n": 3, "bins": []},
        "by": {"microscope": {}, "solution": {}, "focus": {"sharp": by_focus}},
        "by_reader": {},
    }
    (out / "figures.json").write_text(json.dumps(figures))
    for name in PLOTS:
        Image.new("RGB", (40, 30), (200, 220, 230)).save(out / f"{name}.png")


def compare(options: Any, told: Path) -> None:
    """May take over unless told otherwise."""
    lost = int((told / "lose").read_text()) if (told / "lose").exists() else 0
    file = json.loads((Path(options.data) / "manifest.json").read_text())["images"][0]["file_name"]
    row = {"file": file, "annotation": 1, "group": "oocyst", "box_xyxy": [0.0, 0.0, 1.0, 1.0]}
    names = {name: {"name": read_name(getattr(options, name))} for name in ("old", "new")}
    said = {"may_take_over": lost < 2, "sentence": f"{lost} lost.", "lost": [row] * lost, "gained": []}
    counts = {"pictures": 1, "specimens": 1, "objects": 2, "margin": 0.02}
    shares = {"recall": {"old": 1.0, "new": 0.5}, "false_per_picture": {"old": 1.0, "new": 1.5}}
    result = {**names, **said, **counts, **shares}
    Path(options.out).write_text(json.dumps(result))


def read_name(folder: str) -> str:
    """The name in a record."""
    name: str = json.loads((Path(folder) / "record.json").read_text())["name"]
    return name


if __name__ == "__main__":
    sys.exit(main())
