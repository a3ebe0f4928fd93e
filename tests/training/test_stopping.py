"""A training that ends by its held-out split, and goes on after a kill to the same end."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import torch
from PIL import Image

from training import checkpoint
from training.settings import Settings, parse_settings
from training.train import train
from training.watch import Watch
from triage.weights import WEIGHTS_FILE, read_record

SIDE = 96


@pytest.fixture(scope="module")
def marked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two pictures to learn from and one that is held out, a dark egg in each."""
    folder = tmp_path_factory.mktemp("marked")
    (folder / "images").mkdir()
    content: dict[str, Any] = {"images": [], "annotations": [], "categories": []}
    content["categories"].append({"id": 1, "name": "ascarid_egg"})
    for number, split in enumerate(("train", "train", "held_out"), start=1):
        pixels = np.random.default_rng(number).normal(200, 5, (SIDE, SIDE, 3))
        pixels[20:60, 20:70] = 60
        Image.fromarray(pixels.clip(0, 255).astype(np.uint8)).save(folder / "images" / f"{number}.png")
        content["images"].append({"id": number, "file_name": f"{number}.png", "specimen": f"s{number}"})
        content["images"][-1] |= {"split": split, "um_per_px": 0.5}
        content["annotations"].append(
            {"id": number, "image_id": number, "category_id": 1, "bbox": [20, 20, 50, 40]}
        )
    (folder / "annotations.json").write_text(json.dumps(content))
    return folder


@pytest.fixture
def settings(tmp_path: Path, marked: Path) -> Settings:
    return Settings(
        out=tmp_path / "run",
        steps=12,
        batch=2,
        tile_px=64,
        start="none",
        data=marked,
        drawn_share=0.0,
        rate=2e-2,
        device="cpu",
        held_out=1,
        checkpoint_every=0.0,
        report_every=4,
        patience=1,
        check_every=2,
    )


def run(settings: Settings, draw: Any) -> Any:
    return train(settings, command="python -m training.train ...", draw=draw)


def test_a_training_ends_when_its_held_out_split_gains_nothing(settings: Settings, draw_shapes: Any) -> None:
    ending = run(settings, draw_shapes).recipe["ending"]
    checks = [
        line
        for line in map(json.loads, (settings.out / "curve.jsonl").read_text().splitlines())
        if "held_out_loss" in line
    ]
    losses = [line["held_out_loss"] for line in checks]
    best = int(np.argmin(losses))
    assert ending["stopped_at"] == checks[-1]["step"] < settings.steps and len(checks) == best + 2
    assert ending["weights_of_step"] == checks[best]["step"] and ending["held_out_loss"] == losses[best]
    assert f"lowest at step {checks[best]['step']}" in ending["why"]


def test_a_killed_and_resumed_training_ends_where_it_would_have(
    settings: Settings, draw_shapes: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    through = dataclasses.replace(settings, out=tmp_path / "through")
    whole = run(through, draw_shapes)
    write, written = checkpoint.write_checkpoint, []

    def write_and_die(*arguments: Any) -> Path:
        path = write(*arguments)
        written.append(path)
        if len(written) == 3:
            raise KeyboardInterrupt
        return path

    monkeypatch.setattr("training.parts.write_checkpoint", write_and_die)
    with pytest.raises(KeyboardInterrupt):
        run(settings, draw_shapes)
    again = run(dataclasses.replace(settings, resume=True), draw_shapes)
    assert again.recipe["ending"] == whole.recipe["ending"]
    assert (settings.out / WEIGHTS_FILE).read_bytes() == (through.out / WEIGHTS_FILE).read_bytes()


def test_a_training_killed_after_its_last_check_makes_no_more_steps(
    settings: Settings, draw_shapes: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patched, pytest.raises(KeyboardInterrupt):
        patched.setattr("training.train.save", lambda *_, **__: (_ for _ in ()).throw(KeyboardInterrupt))
        run(settings, draw_shapes)
    step = int(next(settings.out.glob("checkpoint-*")).name[-8:])
    again = run(dataclasses.replace(settings, resume=True), draw_shapes)
    assert again.recipe["ending"]["stopped_at"] == step < settings.steps


def test_without_held_out_pictures_all_steps_are_made(
    settings: Settings, draw_shapes: Any, marked: Path, tmp_path: Path
) -> None:
    content = json.loads((marked / "annotations.json").read_text())
    for row in content["images"]:
        row["split"] = "train"
    whole = tmp_path / "all"
    whole.mkdir()
    (whole / "annotations.json").write_text(json.dumps(content))
    (whole / "images").symlink_to(marked / "images")
    run(dataclasses.replace(settings, data=whole, steps=2), draw_shapes)
    ending = read_record(settings.out).recipe["ending"]
    assert (ending["stopped_at"], "no picture is held out" in ending["why"]) == (2, True)


def test_the_first_of_equal_checks_is_the_best() -> None:
    watch = Watch()
    for step, loss in ((5, 3.0), (10, 2.0), (15, 2.0), (20, 2.5)):
        watch.note(step, loss, {"weight": torch.tensor(float(step))})
    assert (watch.best_step, watch.n_checks, watch.n_since_best) == (10, 4, 2)
    assert watch.best["weight"] == 10


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--patience", "3"], "Name the set with --data"),
        (["--patience", "0", "--data", "set"], "--patience is 0; it must be 1 or more"),
        (["--adapt", "old"], "--from-shipped and --adapt adapt to a labelled set"),
        (["--adapt", "old", "--start", "none", "--data", "set"], "not allowed with argument"),
    ],
)
def test_command_refuses_what_makes_no_sense(
    arguments: list[str], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit, match="2"):
        parse_settings(["--out", "out", *arguments])
    assert sentence in capsys.readouterr().err


def test_adapting_a_folder_is_as_gentle_as_adapting_the_shipped_one() -> None:
    given = ["--out", "out", "--data", "set"]
    adapted = parse_settings([*given, "--adapt", "ours"])
    assert adapted == dataclasses.replace(parse_settings([*given, "--from-shipped"]), start="ours")
