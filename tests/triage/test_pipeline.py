from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pyvips
from numpy.typing import NDArray

from triage.boxes import box_iou
from triage.calibration import Calibration
from triage.errors import RecordError
from triage.groups import candidate_groups, look_alikes, read_groups
from triage.images import Picture, open_picture
from triage.outline import Outline, find_outlines
from triage.pipeline import (
    conclude_proposal,
    detect_batch,
    detections_from_json,
    detections_to_json,
    measure_part,
    merge_batches,
    part_ranked,
    plan_proposal,
    propose_candidates,
)
from triage.proposal import proposal_to_json
from triage.records import Candidate, Detections, Ellipse, Proposal
from triage.stored_detections import ranked_from_json, ranked_to_json

Draw = Callable[..., NDArray[np.uint8]]
Open = Callable[[NDArray[np.uint8]], Picture]

KNOWN = Calibration(1.0, 0.01, "stage micrometer")
# Centre, length, width (px), tilt (degrees): apart, side by side, and at 512 and 416 px, where tiles meet.
EGGS = [
    (130.0, 140.0, 80.0, 36.0, 30.0),
    (512.0, 300.0, 85.0, 76.0, 0.0),
    (464.0, 512.0, 60.0, 40.0, 90.0),
    (800.0, 700.0, 60.0, 40.0, 90.0),
    (843.0, 700.0, 60.0, 40.0, 90.0),
    (900.0, 200.0, 35.0, 35.0, 0.0),
]


@pytest.fixture
def picture(draw: Draw, open_array: Open) -> Picture:
    return open_array(draw((900, 1100), EGGS))


def to_bytes(proposal: Proposal) -> str:
    return json.dumps(proposal_to_json(proposal))


def find(proposal: Proposal, cx: float, cy: float) -> Candidate:
    hits = [
        one
        for one in proposal.candidates
        if abs(one.bbox_xywh[0] + one.bbox_xywh[2] / 2 - cx) < 6
        and abs(one.bbox_xywh[1] + one.bbox_xywh[3] / 2 - cy) < 6
    ]
    assert len(hits) == 1, (cx, cy, hits)
    return hits[0]


@pytest.mark.parametrize("calibration", [KNOWN, None])
def test_propose_candidates_finds_each_drawn_egg_once(
    picture: Picture, blob_detector: Any, calibration: Calibration | None
) -> None:
    proposal = propose_candidates(picture, calibration, blob_detector)
    for egg in EGGS:
        find(proposal, *egg[:2])
    assert len(proposal.candidates) == len(EGGS)


def test_propose_candidates_measures_in_um(picture: Picture, blob_detector: Any) -> None:
    calibration = Calibration(1.25, 0.025, "stage micrometer")
    proposal = propose_candidates(picture, calibration, blob_detector)
    unsure = propose_candidates(picture, Calibration(1.25, 0.05, "stage micrometer"), blob_detector)
    for cx, cy, length, width, _ in EGGS[:3]:
        candidate = find(proposal, cx, cy)
        assert candidate.length_um == pytest.approx(length * 1.25, abs=0.8)
        assert candidate.width_um == pytest.approx(width * 1.25, abs=0.8)
        # Scale 2 % of the length against 4 %; the edge's part is the same in both.
        sds_um = (candidate.length_um_sd, find(unsure, cx, cy).length_um_sd)
        assert sds_um[1] ** 2 - sds_um[0] ** 2 == pytest.approx(3 * (0.02 * candidate.length_um) ** 2)
        assert 0.02 * candidate.length_um < sds_um[0] < 0.12 * candidate.length_um


def test_each_candidate_has_an_outline_or_says_why_not(picture: Picture, blob_detector: Any) -> None:
    for candidate in propose_candidates(picture, KNOWN, blob_detector).candidates:
        assert (candidate.outline is None) == (candidate.ellipse is None)
        assert (candidate.outline is None) == bool(candidate.outline_missing)
        if candidate.outline is not None and candidate.ellipse is not None:
            ratio = candidate.ellipse.length_px / candidate.ellipse.width_px
            assert candidate.outline.aspect == pytest.approx(ratio)


def test_outlines_are_sought_above_the_cut_and_for_the_best_below(
    picture: Picture, blob_detector: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("triage.describe._LEAST_SOUGHT_BELOW_CUT", 0)
    blob_detector.record.default_cut = 0.99
    monkeypatch.setattr("triage.pipeline._LISTED_SHARE_OF_CUT", 0.0)
    try:
        found = propose_candidates(picture, KNOWN, blob_detector).candidates
    finally:
        blob_detector.record.default_cut = 0.5
    unsought = [one.rank for one in found if one.outline_missing and "wasn't sought" in one.outline_missing]
    assert unsought and all(one.ellipse is None for one in found if one.rank in unsought)
    assert all(not one.is_above_cut for one in found if one.rank in unsought)


def test_propose_candidates_without_scale_guesses_no_size(picture: Picture, blob_detector: Any) -> None:
    for candidate in propose_candidates(picture, None, blob_detector).candidates:
        assert candidate.length_um is candidate.width_um is candidate.length_um_sd is None
        assert candidate.size_check.result == "no calibration"
        assert candidate.ellipse is not None


@pytest.mark.parametrize("um_per_px", [0.25, 0.5, 1.0, 2.0])
def test_propose_candidates_gives_original_pixels_at_any_scale(
    picture: Picture, blob_detector: Any, um_per_px: float
) -> None:
    proposal = propose_candidates(picture, Calibration(um_per_px, 0.0, "x"), blob_detector)
    box = find(proposal, 512, 300).bbox_xywh
    found = np.array([[box[0], box[1], box[0] + box[2], box[1] + box[3]]])
    truth = np.array([[469.5, 262.0, 554.5, 338.0]])
    assert box_iou(found, truth)[0, 0] > 0.85


def test_propose_candidates_is_the_same_byte_for_byte(picture: Picture, blob_detector: Any) -> None:
    first = to_bytes(propose_candidates(picture, KNOWN, blob_detector))
    assert to_bytes(propose_candidates(picture, KNOWN, blob_detector)) == first


@pytest.mark.parametrize("batch_tiles", [1, 5, 1000])
def test_propose_candidates_does_not_depend_on_batch_size(
    picture: Picture, blob_detector: Any, batch_tiles: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = to_bytes(propose_candidates(picture, None, blob_detector))
    for module in ("pipeline", "looking"):
        monkeypatch.setattr(f"triage.{module}.BATCH_TILES", batch_tiles)
    done: list[tuple[int, int]] = []
    again = propose_candidates(picture, None, blob_detector, on_progress=lambda *n: done.append(n))
    n_batches = -(-len(plan_proposal(picture, None, blob_detector).tiles) // batch_tiles)
    assert to_bytes(again) == expected and done == [(n + 1, n_batches) for n in range(n_batches)]


def test_conclude_proposal_does_not_depend_on_the_order_of_batches(
    picture: Picture, blob_detector: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("triage.pipeline.BATCH_TILES", 2)
    plan = plan_proposal(picture, None, blob_detector)
    assert plan.n_batches > 4
    batches = [detect_batch(picture, plan, index, blob_detector) for index in range(plan.n_batches)]
    expected = to_bytes(conclude_proposal(picture, plan, batches))
    assert to_bytes(conclude_proposal(picture, plan, batches[::-1])) == expected
    stored = [detections_from_json(detections_to_json(batch)) for batch in batches]
    assert to_bytes(conclude_proposal(picture, plan, stored)) == expected


def test_propose_candidates_reports_progress(picture: Picture, blob_detector: Any) -> None:
    seen: list[tuple[int, int]] = []
    propose_candidates(picture, None, blob_detector, on_progress=lambda done, n: seen.append((done, n)))
    n = plan_proposal(picture, None, blob_detector).n_batches
    assert seen == [(done, n) for done in range(1, n + 1)]


@pytest.mark.parametrize("calibration", [KNOWN, None])
@pytest.mark.parametrize("shape_hw", [(1, 1), (1, 600), (700, 3), (40, 40), (600, 600)])
def test_propose_candidates_on_an_empty_picture(
    draw: Draw,
    open_array: Open,
    blob_detector: Any,
    shape_hw: tuple[int, int],
    calibration: Calibration | None,
) -> None:
    with open_array(draw(shape_hw, [])) as picture:
        proposal = propose_candidates(picture, calibration, blob_detector)
    assert proposal.candidates == ()
    assert "An empty list proves nothing" in proposal.caution


def test_propose_candidates_on_a_picture_of_40000_px_width(tmp_path: Path, blob_detector: Any) -> None:
    path = tmp_path / "wide.png"
    canvas = pyvips.Image.black(40_000, 30, bands=3).linear(1, [214, 208, 190])
    canvas = (
        canvas.cast("uchar").copy(interpretation="srgb").draw_circle([90, 80, 60], 39_000, 15, 12, fill=True)
    )
    canvas.pngsave(str(path))
    with open_picture(path) as picture:
        proposal = propose_candidates(picture, KNOWN, blob_detector)
    assert (proposal.width, proposal.height) == (40_000, 30)
    assert find(proposal, 39_000.5, 15.5).is_cut_off is False


def test_propose_candidates_does_not_measure_what_the_picture_cuts(
    draw: Draw, open_array: Open, blob_detector: Any
) -> None:
    with open_array(draw((300, 300), [(10, 150, 80, 50, 0)])) as picture:
        (candidate,) = propose_candidates(picture, KNOWN, blob_detector).candidates
    assert candidate.is_cut_off and candidate.ellipse is None
    assert candidate.length_um_sd > 0.2 * candidate.length_um
    assert "The edge of the picture cuts it" in " ".join(candidate.reasons)


def test_propose_candidates_says_of_no_cut_off_object_that_its_size_fits(
    draw: Draw, open_array: Open, blob_detector: Any
) -> None:
    egg = (85, 76)
    with open_array(draw((300, 300), [(150, 150, *egg, 0)])) as picture:
        (whole,) = propose_candidates(picture, KNOWN, blob_detector).candidates
    with open_array(draw((300, 300), [(40, 150, *egg, 0)])) as picture:
        (cut,) = propose_candidates(picture, KNOWN, blob_detector).candidates
    assert whole.size_check.result == "fits" and cut.is_cut_off
    assert cut.size_check.result == "no reference"
    assert cut.reasons[-1] == "The whole may be larger, so the size check can't decide."


def test_propose_candidates_does_not_measure_what_may_go_on_beyond_the_edge(
    draw: Draw, open_array: Open, blob_detector: Any
) -> None:
    with open_array(draw((300, 300), [(9, 150, 16, 16, 0)], blur_px=0)) as picture:
        (candidate,) = propose_candidates(picture, None, blob_detector).candidates
        assert isinstance(find_outlines(picture, [Ellipse(9, 150, 16, 16, 0)])[0], Outline)
    assert candidate.is_cut_off and candidate.ellipse is None


def test_plan_proposal_looks_at_the_scale_of_the_detector_and_at_half_of_it(
    picture: Picture, blob_detector: Any
) -> None:
    blob_detector.um_per_px = KNOWN.um_per_px
    assert plan_proposal(picture, KNOWN, blob_detector).frames_hw == ((900, 1100), (450, 550))


def test_plan_proposal_looks_closer_where_a_small_picture_is_finer_than_the_detector(
    picture: Picture, blob_detector: Any
) -> None:
    plan = plan_proposal(picture, Calibration(0.25 * blob_detector.um_per_px, 0.0, "x"), blob_detector)
    assert [hw[1] for hw in plan.frames_hw] == [1100, 550, 275, 138]


def test_plan_proposal_looks_no_closer_at_a_large_picture(
    picture: Picture, blob_detector: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("triage.pipeline._FINE_PASS_PIXELS", 900 * 1100 - 1)
    plan = plan_proposal(picture, Calibration(0.25 * blob_detector.um_per_px, 0.0, "x"), blob_detector)
    assert [hw[1] for hw in plan.frames_hw] == [550, 275, 138]


@pytest.mark.parametrize(
    ("times_coarser", "has_scale", "widths"),
    [(2.0, True, [1100]), (1.0, True, [1100, 550]), (4.0, True, [2200]), (2.0, False, [1100, 550, 275, 138])],
)
def test_plan_proposal_looks_at_a_large_picture_of_twice_the_pixel_size_as_it_is_alone(
    picture: Picture,
    blob_detector: Any,
    monkeypatch: pytest.MonkeyPatch,
    times_coarser: float,
    has_scale: bool,
    widths: list[int],
) -> None:
    monkeypatch.setattr("triage.pipeline._ONE_PASS_PIXELS", 900 * 1100 - 1)
    monkeypatch.setattr("triage.pipeline._FINE_PASS_PIXELS", 0)
    calibration = Calibration(times_coarser * blob_detector.um_per_px, 0.0, "x") if has_scale else None
    plan = plan_proposal(picture, calibration, blob_detector)
    assert [hw[1] for hw in plan.frames_hw] == widths
    notes = conclude_proposal(picture, plan, []).adequacy.notes
    assert any("its own scale alone" in note for note in notes) == (widths == [1100])


def test_plan_proposal_enlarges_a_coarse_picture_twice_at_most(picture: Picture, blob_detector: Any) -> None:
    assert plan_proposal(picture, Calibration(5.0, 0.0, "x"), blob_detector).frames_hw == ((1800, 2200),)


@pytest.mark.parametrize(
    ("shape_hw", "widths"),
    [
        ((300, 300), [600, 300, 150]),
        ((20, 40), [80]),
        ((1000, 900), [1800, 900, 450, 225]),
        ((1001, 900), [900, 450, 225, 112]),
    ],
)
def test_plan_proposal_without_scale_halves_step_by_step(
    draw: Draw, open_array: Open, blob_detector: Any, shape_hw: tuple[int, int], widths: list[int]
) -> None:
    with open_array(draw(shape_hw, [])) as picture:
        assert [hw[1] for hw in plan_proposal(picture, None, blob_detector).frames_hw] == widths


def test_plan_proposal_takes_the_scale_of_the_file(picture: Picture, blob_detector: Any) -> None:
    picture.um_per_px = 0.5
    plan = plan_proposal(picture, None, blob_detector)
    assert plan.calibration == Calibration(0.5, 0.01, "file metadata")
    assert plan_proposal(picture, KNOWN, blob_detector).calibration == KNOWN


def assert_is_contract(value: dict[str, Any]) -> None:
    """The keys and kinds of what `propose` and the service return."""
    assert list(value) == ["image", "calibration", "detector", "adequacy", "candidates", "caution"]
    assert set(value["image"]) == {"file_name", "sha256", "width", "height"}
    assert {"name", "weights_sha256", "um_per_px"} <= set(value["detector"])
    assert {"assessed_fraction", "notes", "groups_not_resolvable"} <= set(value["adequacy"])
    scores = [candidate["score"] for candidate in value["candidates"]]
    assert scores == sorted(scores, reverse=True)
    assert [candidate["rank"] for candidate in value["candidates"]] == list(range(1, len(scores) + 1))
    for candidate in value["candidates"]:
        assert len(candidate["bbox"]) == 4 and 0 <= candidate["score"] <= 1
        assert set(candidate["group_scores"]) == set(candidate_groups())
        assert set(candidate["look_alike_scores"]) == set(look_alikes())
        assert candidate["group"] == max(candidate["group_scores"], key=candidate["group_scores"].get)
        assert candidate["size_check"]["result"] in ("fits", "does not fit", "no reference", "no calibration")
        for taxon in candidate["size_check"]["taxa"]:
            assert {"taxon", "result", "length_range_um", "width_range_um", "source"} <= set(taxon)
        if candidate["ellipse"] is not None:
            assert set(candidate["ellipse"]) == {"cx", "cy", "length_px", "width_px", "angle_deg"}
            assert -90 < candidate["ellipse"]["angle_deg"] <= 90
        assert candidate["reasons"] and all(isinstance(reason, str) for reason in candidate["reasons"])


@pytest.mark.parametrize("calibration", [KNOWN, None])
def test_proposal_to_json_keeps_the_contract(
    picture: Picture, blob_detector: Any, calibration: Calibration | None
) -> None:
    value = json.loads(to_bytes(propose_candidates(picture, calibration, blob_detector)))
    assert_is_contract(value)
    expected = {"um_per_px": 1.0, "um_per_px_sd": 0.01, "source": "stage micrometer"}
    assert value["calibration"] == (expected if calibration else None)
    sizes = {
        key: value["candidates"][0][key] for key in ("length_um", "width_um", "length_um_sd", "width_um_sd")
    }
    assert all((size is not None) == (calibration is not None) for size in sizes.values())


def test_proposal_keeps_candidates_below_the_cut_within_reach(picture: Picture, blob_detector: Any) -> None:
    blob_detector.record.default_cut = 0.75
    value = proposal_to_json(propose_candidates(picture, KNOWN, blob_detector))
    assert value["detector"]["default_cut"] == 0.75
    flags = [candidate["above_cut"] for candidate in value["candidates"]]
    assert flags == sorted(flags, reverse=True) and len(set(flags)) == 2


FORBIDDEN = ("positive", "negative", "nothing found", "infected", "finding", "confidence", "diagnosed")


@pytest.mark.parametrize("calibration", [KNOWN, None])
def test_proposal_uses_no_word_of_a_diagnosis(
    picture: Picture, blob_detector: Any, calibration: Calibration | None
) -> None:
    text = to_bytes(propose_candidates(picture, calibration, blob_detector)).lower()
    assert [word for word in FORBIDDEN if word in text] == []
    assert "never a diagnosis" in text and "veterinarian decides" in text


def test_reasons_name_the_published_range_and_its_source(picture: Picture, blob_detector: Any) -> None:
    proposal = propose_candidates(picture, Calibration(1.0, 0.01, "x"), blob_detector)
    reasons = " ".join(find(proposal, 512, 300).reasons)
    assert "Fits the published size of Toxocara canis (75-90 x 65-90 µm; Pugh" in reasons
    assert float(reasons.split("Measures ")[1].split()[0]) == pytest.approx(85.0, abs=0.5)


class PollenDetector:
    """Says of everything that another detector finds that it may be pollen or a taeniid egg."""

    def __init__(self, inner: Any) -> None:
        self._inner = inner

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)

    def detect(self, tiles: NDArray[np.uint8], um_per_px: object = None) -> list[Detections]:
        names = [*candidate_groups(), *look_alikes()]
        shares = np.zeros(len(names))
        shares[[names.index("taeniid_egg"), names.index("oocyst"), names.index("pollen")]] = 0.5, 0.2, 0.3
        return [
            Detections(one.boxes_xyxy, one.scores, np.tile(shares, (len(one.scores), 1)), one.ellipses)
            for one in self._inner.detect(tiles)
        ]


def test_reasons_name_the_runner_up_and_the_look_alike(picture: Picture, blob_detector: Any) -> None:
    candidate = propose_candidates(picture, None, PollenDetector(blob_detector)).candidates[0]
    assert candidate.group == "taeniid_egg"
    assert candidate.reasons[0] == "Resembles taeniid egg, share 0.50; next coccidian oocyst, share 0.20."
    assert candidate.reasons[1] == "Also resembles pollen, share 0.30."


@pytest.mark.parametrize(
    ("n_above", "n_listed_below"),
    [(1, 4), (9, 3), (20, 2)],
    ids=["few stand out", "the list is filled up", "enough stand out"],
)
def test_candidates_far_below_the_default_cut_are_listed_where_little_stands_out(
    picture: Picture, blob_detector: Any, n_above: int, n_listed_below: int
) -> None:
    plan = plan_proposal(picture, KNOWN, blob_detector)
    cut = float(plan.detector["default_cut"])
    shares = np.array([1.0] * n_above + [0.36, 0.34, 0.32, 0.13, 0.12])
    corners = np.array([(10.0 + 60 * (i % 12), 10.0 + 60 * (i // 12)) for i in range(len(shares))])
    middles = corners + 25
    n_groups = len(read_groups())
    found = Detections(
        np.hstack([corners, corners + 50]),
        shares * cut,
        np.full((len(shares), n_groups), 1 / n_groups),
        np.hstack([middles, np.tile([50.0, 50.0, 0.0], (len(shares), 1))]),
    )
    listed = conclude_proposal(picture, plan, [found]).candidates
    assert [candidate.is_above_cut for candidate in listed] == [True] * n_above + [False] * n_listed_below


def test_detect_batch_says_at_which_scale_each_detection_was_made(
    picture: Picture, blob_detector: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("triage.pipeline.BATCH_TILES", 1000)
    plan = plan_proposal(picture, None, blob_detector)
    found = detect_batch(picture, plan, 0, blob_detector)
    assert set(found.factors.tolist()) <= {columns / picture.width for _, columns in plan.frames_hw}
    assert len(set(found.factors.tolist())) > 1


@pytest.mark.parametrize(("calibration", "is_lowered"), [(None, True), (KNOWN, False)])
def test_propose_candidates_doubts_what_only_the_enlarged_picture_shows(
    draw: Draw, open_array: Open, blob_detector: Any, calibration: Calibration | None, is_lowered: bool
) -> None:
    n_groups = len(read_groups())
    with open_array(draw((300, 300), [])) as small:
        plan = plan_proposal(small, calibration, blob_detector)
        assert max(columns for _, columns in plan.frames_hw) > 300 or calibration
        found = Detections(
            np.array([[10.0, 10, 60, 60]]),
            np.array([0.9]),
            np.full((1, n_groups), 1 / n_groups),
            np.array([[35.0, 35, 50, 50, 0]]),
            factors=np.array([2.0]),
        )
        (candidate,) = conclude_proposal(small, plan, [found]).candidates
    assert (candidate.score < 0.9) == is_lowered


def test_measured_parts_are_the_same_whatever_their_size(
    picture: Picture, blob_detector: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    blob_detector.record.default_cut = 0.75
    expected = to_bytes(propose_candidates(picture, KNOWN, blob_detector))
    for size in (1, 2, 4):
        monkeypatch.setattr("triage.pipeline.PART_CANDIDATES", size)
        assert to_bytes(propose_candidates(picture, KNOWN, blob_detector)) == expected


def test_measured_parts_are_the_same_whatever_the_threads(
    picture: Picture, blob_detector: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("triage.pipeline._PIECE_CANDIDATES", 2)
    expected = to_bytes(propose_candidates(picture, KNOWN, blob_detector))
    blob_detector.threads = 3
    assert len(json.loads(expected)["candidates"]) > 4
    assert to_bytes(propose_candidates(picture, KNOWN, blob_detector)) == expected


def test_large_pictures_are_looked_at_in_larger_tiles(
    picture: Picture, blob_detector: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    small = plan_proposal(picture, KNOWN, blob_detector)
    blob_detector.large_tile_px, blob_detector.largest_tile_px = 640, 800
    assert plan_proposal(picture, KNOWN, blob_detector) == small
    before = propose_candidates(picture, KNOWN, blob_detector).candidates
    monkeypatch.setattr("triage.pipeline._ONE_PASS_PIXELS", picture.width * picture.height - 1)
    coarser = Calibration(2.0, 0.01, "stage micrometer")
    assert plan_proposal(picture, coarser, blob_detector).tile_px == 640
    plan = plan_proposal(picture, KNOWN, blob_detector)
    assert (small.tile_px, plan.tile_px) == (512, 800) and len(plan.tiles) < len(small.tiles)
    assert {tile.finer_hw for tile in plan.tiles} == {None, plan.frames_hw[0]}
    after = propose_candidates(picture, KNOWN, blob_detector).candidates
    assert len(after) == len(before) > 4
    for one, other in zip(
        *(sorted(some, key=lambda one: one.bbox_xywh) for some in (before, after)), strict=True
    ):
        assert one.bbox_xywh == pytest.approx(other.bbox_xywh, abs=2)


def test_specks_of_too_few_pixels_are_not_listed(picture: Picture, blob_detector: Any) -> None:
    plan = plan_proposal(picture, KNOWN, blob_detector)
    n_groups = len(read_groups())
    found = Detections(
        np.array([[10.0, 10, 19, 19], [200, 200, 210, 206]]),
        np.array([0.9, 0.8]),
        np.full((2, n_groups), 1 / n_groups),
        np.array([[14.5, 14.5, 9, 9, 0], [205, 203, 10, 6, 0]]),
    )
    listed = conclude_proposal(picture, plan, [found]).candidates
    assert [candidate.bbox_xywh[0] for candidate in listed] == [200.0]


def test_parts_kept_as_text_give_the_same_candidates_in_the_order_of_rank(
    picture: Picture, blob_detector: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("triage.pipeline.PART_CANDIDATES", 2)
    plan = plan_proposal(picture, KNOWN, blob_detector)
    batches = [detect_batch(picture, plan, index, blob_detector) for index in range(plan.n_batches)]
    parts = part_ranked(plan, merge_batches(picture, plan, batches))
    kept = [ranked_from_json(ranked_to_json(part)) for part in parts]
    measured = [one for part in kept for one in measure_part(picture, plan, part)]
    assert len(parts) == 3 and [one.rank for one in measured] == [1, 2, 3, 4, 5, 6]
    assert tuple(measured) == conclude_proposal(picture, plan, batches).candidates


def test_ranked_from_json_refuses_detections_without_ranks(picture: Picture, blob_detector: Any) -> None:
    plan = plan_proposal(picture, KNOWN, blob_detector)
    text = detections_to_json(detect_batch(picture, plan, 0, blob_detector))
    with pytest.raises(RecordError, match="Stored ranks can't be read"):
        ranked_from_json(text)
