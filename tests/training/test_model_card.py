from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path

import pytest

from training.model_card import main
from triage.weights import read_record, write_record

INTERVAL = [0.5, 0.9]


@pytest.fixture
def judged_weights(weights_folder: Path, tmp_path: Path) -> Path:
    """Weights whose record holds one judged set and one stratum."""
    folder = Path(shutil.copytree(weights_folder, tmp_path / "weights"))
    share = {"share": 0.625, "found": 5, "of": 8, "interval": INTERVAL}
    judged = {
        "pictures": 4,
        "objects": 8,
        "recall": dict.fromkeys(("0.1", "0.5", "1", "2"), share),
        "group_right": {"right": 3, "of": 5, "interval": INTERVAL},
        "object_free": {"pictures": 2, "candidates": 1, "per_picture": 0.5, "interval": INTERVAL},
        "default_cut": {
            "score": 0.4,
            "recall": 0.75,
            "interval": INTERVAL,
            "false_per_picture": 0.25,
            "false_per_mm2": {"rate": 1.375, "interval": INTERVAL},
        },
        "at_stated_recall": {"recall": 0.95, "score": None, "per_mm2": None},
    }
    row = {
        "factor": "sharpness",
        "low": 0.28,
        "high": 0.4,
        "group": "oocyst",
        "objects": 12,
        "found": 3,
        "recall": 0.25,
        "interval": INTERVAL,
        "group_right": 3,
        "group_right_interval": INTERVAL,
    }
    scores = {
        "judged": {"drawn fields": judged},
        "default_cut": {"score": 0.4, "recall": 0.75, "chosen_on": "drawn fields"},
        "strata": {"default_cut": 0.4, "sets": ["drawn fields"], "rows": [row]},
    }
    start = {"given": "runs/one", "name": "ours 0.1", "weights_sha256": "5f" * 32}
    recipe = {"trained_on": "drawn slides alone", "start": start, "weaknesses": ["coiled larvae"]}
    write_record(folder, dataclasses.replace(read_record(folder), scores=scores, recipe=recipe))
    return folder


def test_card_says_what_the_record_holds(judged_weights: Path) -> None:
    assert main(["--weights", str(judged_weights)]) == 0
    card = (judged_weights / "MODEL_CARD.md").read_text(encoding="utf-8")
    assert "| drawn fields | 4 | 8 | 0.62 (0.50 to 0.90) |" in card
    assert "1.38 (0.50 to 0.90) | not reached | not reached |" in card
    assert "| sharpness 0.28 to 0.4 oocyst | 12 | 0.25 (0.50 to 0.90) |" in card
    assert "no veterinary flotation slide" in card and "- Coiled larvae." in card
    assert "Started from: ours 0.1, weights 5f5f5f5f5f5f, in `runs/one`." in card
    assert "in tiles of 128 px. It is told the scale of a picture where it is known." in card
    assert "Before a hospital relies on it" in card


def test_card_shows_a_picture_only_where_there_is_one(judged_weights: Path) -> None:
    main(["--weights", str(judged_weights)])
    card = judged_weights / "MODEL_CARD.md"
    assert "failures.png" not in card.read_text(encoding="utf-8")
    (judged_weights / "failures.png").write_bytes(b"")
    main(["--weights", str(judged_weights)])
    assert "(failures.png)" in card.read_text(encoding="utf-8")


def test_card_of_weights_trained_on_photographs_does_not_deny_it(judged_weights: Path) -> None:
    record = read_record(judged_weights)
    recipe = {"trained_on": "drawn slides and a labelled set of 30 pictures"}
    write_record(judged_weights, dataclasses.replace(record, recipe=recipe))
    main(["--weights", str(judged_weights)])
    assert "No photograph was in it" not in (judged_weights / "MODEL_CARD.md").read_text(encoding="utf-8")


def test_weights_that_nobody_judged_have_no_card(
    weights_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["--weights", str(weights_folder)]) == 1
    assert "holds no judged set" in capsys.readouterr().err
