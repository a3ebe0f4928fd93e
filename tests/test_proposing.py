"""`coverslip propose` with the detector that comes with the package, on a drawn slide."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from typer.testing import CliRunner

from service.cli import app
from training.synthesize.folder import Order, draw_slides
from triage.groups import candidate_groups, look_alikes

TOP_KEYS = {"image", "calibration", "detector", "adequacy", "candidates", "caution"}
CANDIDATE_KEYS = {
    "rank",
    "bbox",
    "score",
    "group",
    "group_scores",
    "length_um",
    "width_um",
    "length_um_sd",
    "width_um_sd",
    "ellipse",
    "size_check",
    "reasons",
}
ADDED_KEYS = {"look_alike_scores", "above_cut", "cut_off", "outline", "outline_missing"}
SHAPE_WH = (900, 700)


@pytest.fixture(scope="module")
def slide(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One drawn field of 0.5 µm per pixel."""
    folder = tmp_path_factory.mktemp("drawn")
    width, height = SHAPE_WH
    draw_slides(Order(folder, 1, "field", 7, width, height, um_per_px=0.5, suffix="png", workers=1))
    return next((folder / "images").iterdir())


def propose(*arguments: object) -> str:
    result = CliRunner().invoke(app, ["propose", *map(str, arguments)])
    assert (result.exit_code, result.stderr) == (0, "")
    return result.stdout


@pytest.fixture(scope="module")
def printed(slide: Path) -> str:
    return propose(slide, "--um-per-px", "0.5")


@pytest.fixture
def proposal(printed: str) -> dict[str, Any]:
    return json.loads(printed)


def test_proposal_has_exactly_the_agreed_keys(proposal: dict[str, Any]) -> None:
    assert set(proposal) == TOP_KEYS
    assert set(proposal["image"]) == {"file_name", "sha256", "width", "height"}
    assert set(proposal["calibration"]) == {"um_per_px", "um_per_px_sd", "source"}
    assert set(proposal["detector"]) == {"name", "weights_sha256", "um_per_px", "default_cut"}
    agreed = {"assessed_fraction", "notes", "groups_not_resolvable"}
    added = {"coded_notes", "groups", "focus", "light", "objective", "area"}
    assert set(proposal["adequacy"]) == agreed | added


def test_candidates_have_exactly_the_agreed_keys(proposal: dict[str, Any]) -> None:
    assert proposal["candidates"]
    for one in proposal["candidates"]:
        assert set(one) == CANDIDATE_KEYS | ADDED_KEYS
        assert set(one["group_scores"]) == set(candidate_groups()) and one["group"] in candidate_groups()
        assert set(one["look_alike_scores"]) == set(look_alikes())
        assert set(one["size_check"]) == {"result", "taxa", "kept_together"}


def test_ranks_count_from_1_and_scores_never_rise(proposal: dict[str, Any]) -> None:
    ranks = [one["rank"] for one in proposal["candidates"]]
    scores = [one["score"] for one in proposal["candidates"]]
    assert ranks == list(range(1, len(ranks) + 1))
    assert scores == sorted(scores, reverse=True) and 0 < scores[-1] <= scores[0] <= 1


def test_boxes_lie_inside_the_picture(proposal: dict[str, Any]) -> None:
    width, height = SHAPE_WH
    assert (proposal["image"]["width"], proposal["image"]["height"]) == SHAPE_WH
    for x, y, w, h in (one["bbox"] for one in proposal["candidates"]):
        assert x >= 0 and y >= 0 and w > 0 and h > 0
        assert x + w <= width + 0.01 and y + h <= height + 0.01


def test_proposing_twice_gives_the_same_bytes(slide: Path, printed: str) -> None:
    assert propose(slide, "--um-per-px", "0.5") == printed


@pytest.mark.parametrize("batch_tiles", [1, 7])
def test_proposal_does_not_depend_on_how_tiles_are_batched(
    slide: Path, printed: str, batch_tiles: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("triage.pipeline.BATCH_TILES", batch_tiles)
    assert propose(slide, "--um-per-px", "0.5") == printed


def test_picture_of_one_pixel_gets_an_honest_answer(tmp_path: Path) -> None:
    Image.new("RGB", (1, 1), (200, 190, 180)).save(tmp_path / "dot.png")
    value = json.loads(propose(tmp_path / "dot.png"))
    assert set(value) == TOP_KEYS and value["candidates"] == []
    assert (value["image"]["width"], value["image"]["height"]) == (1, 1)
    assert value["adequacy"]["notes"]


def test_text_renamed_to_a_picture_is_refused_with_one_sentence(tmp_path: Path) -> None:
    path = tmp_path / "notes.jpg"
    path.write_text("Seen at 10x: nothing to note.")
    result = CliRunner().invoke(app, ["propose", str(path)])
    assert (result.exit_code, result.stdout) == (1, "")
    assert "notes.jpg is no picture that can be read" in result.stderr and result.stderr.count("\n") == 1
