from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image

from triage.errors import ImageError
from triage.stitch.records import Stitching, stitching_to_json
from triage.stitch.scan import stitch

CutScans = Callable[..., Any]


def measure_off(stitching: Stitching, scan: Any) -> np.ndarray:
    """Distance of each placed field from where it was cut, the common shift taken out."""
    true_xy = {path.name: xy for path, xy in zip(scan.paths, scan.middle_xy, strict=True)}
    apart = np.array([(one.x, one.y) - true_xy[one.name] for one in stitching.placed])
    return np.hypot(*(apart - np.median(apart, axis=0)).T)


def shuffle(paths: list[Path], seed: int = 1) -> list[Path]:
    return [paths[number] for number in np.random.default_rng(seed).permutation(len(paths))]


@pytest.mark.parametrize("order", ["unknown", "as-taken"])
def test_fields_are_placed_where_they_were_cut(cut_scan: CutScans, tmp_path: Path, order: str) -> None:
    scan = cut_scan()
    paths = scan.paths if order == "as-taken" else shuffle(scan.paths)
    stitching = stitch(paths, tmp_path / "m.ome.tif", order=order)
    assert len(stitching.placed) == 9 and stitching.left_out == stitching.parts == ()
    assert measure_off(stitching, scan).max() < 0.5
    assert min(one.sureness for one in stitching.placed) > 0.99
    corner = [min(one.x for one in stitching.placed), min(one.y for one in stitching.placed)]
    assert corner == pytest.approx([0, 0], abs=1e-3)


def test_order_given_wrongly_costs_time_only(cut_scan: CutScans, tmp_path: Path) -> None:
    scan = cut_scan()
    stitching = stitch(shuffle(scan.paths), tmp_path / "m.tif", order="as-taken")
    assert len(stitching.placed) == 9
    assert measure_off(stitching, scan).max() < 0.5


def test_same_fields_give_the_same_places_and_bytes(cut_scan: CutScans, tmp_path: Path) -> None:
    scan = cut_scan(2, 2)
    first, second = (
        stitch(scan.paths, tmp_path / name / "m.tif") for name in make_folders(tmp_path, "a", "b")
    )
    assert first == second
    assert (tmp_path / "a" / "m.tif").read_bytes() == (tmp_path / "b" / "m.tif").read_bytes()


def make_folders(root: Path, *names: str) -> tuple[str, ...]:
    for name in names:
        (root / name).mkdir()
    return names


def test_turned_fields_are_placed_with_their_turn(cut_scan: CutScans, tmp_path: Path) -> None:
    turns = np.array([0.8, -0.9, 0.3, -0.5, 1.0, -0.2, 0.6, -0.8, 0.1])
    scan = cut_scan(turns_deg=turns.tolist())
    stitching = stitch(scan.paths, tmp_path / "m.tif")
    assert len(stitching.placed) == 9
    # What all fields are turned by is free, so it is taken out with the shift.
    found = np.array([one.turn_deg for one in stitching.placed])
    extra = np.deg2rad(np.median(found - turns))
    stiff = np.array([[np.cos(extra), np.sin(extra)], [-np.sin(extra), np.cos(extra)]])
    places = np.array([(one.x, one.y) for one in stitching.placed]) - scan.middle_xy @ stiff
    assert np.hypot(*(places - np.median(places, axis=0)).T).max() < 1
    assert np.abs(found - turns - np.rad2deg(extra)).max() < 0.3


def test_fields_that_are_not_turned_get_no_turn(cut_scan: CutScans, tmp_path: Path) -> None:
    stitching = stitch(cut_scan().paths, tmp_path / "m.tif")
    assert max(abs(one.turn_deg) for one in stitching.placed) < 1e-3


def test_blank_field_is_left_out_and_said_to_be_blank(cut_scan: CutScans, tmp_path: Path) -> None:
    scan = cut_scan(blank=[4])
    stitching = stitch(shuffle(scan.paths), tmp_path / "m.tif")
    assert [(one.name, one.reason) for one in stitching.left_out] == [
        ("field4.png", "It is blank: nothing stands out on it by which it could be placed.")
    ]
    assert len(stitching.placed) == 8
    assert measure_off(stitching, scan).max() < 0.5


def test_blank_field_is_placed_by_the_steps_when_asked_for(cut_scan: CutScans, tmp_path: Path) -> None:
    scan = cut_scan(blank=[4])
    stitching = stitch(scan.paths, tmp_path / "m.tif", order="as-taken", by_regularity=True)
    assert stitching.left_out == ()
    (by_steps,) = (one for one in stitching.placed if one.by == "regularity")
    assert (by_steps.name, by_steps.sureness, by_steps.neighbours) == ("field4.png", 0, 0)
    off = measure_off(stitching, scan)[4]
    assert 1 < by_steps.sd_px < 10 and off < 3 * by_steps.sd_px


def test_foreign_field_is_left_out_even_by_regularity(cut_scan: CutScans, tmp_path: Path) -> None:
    scan = cut_scan()
    shutil.copy(cut_scan(2, 2, seed=44, name="other").paths[0], scan.paths[5])
    stitching = stitch(scan.paths, tmp_path / "m.tif", order="as-taken", by_regularity=True)
    (left_out,) = stitching.left_out
    assert left_out.name == "field5.png" and "may be from another slide" in left_out.reason
    assert measure_off(stitching, scan).max() < 0.5


def test_smaller_part_that_hangs_together_is_left_out(cut_scan: CutScans, tmp_path: Path) -> None:
    scan, other = cut_scan(), cut_scan(1, 2, seed=45, name="other")
    strangers = [path.rename(path.with_name(f"other{path.name}")) for path in other.paths]
    stitching = stitch([*strangers, *scan.paths], tmp_path / "m.tif")
    assert [one.name for one in stitching.left_out] == ["otherfield0.png", "otherfield1.png"]
    assert stitching.left_out[0].reason.startswith("It overlaps with otherfield1.png, but none of these")
    (part,) = stitching_to_json(stitching)["parts"]
    first, second = part["placed"]
    assert (first["field"], second["field"]) == ("otherfield0.png", "otherfield1.png")
    step = np.array([second["x"] - first["x"], second["y"] - first["y"]])
    assert step == pytest.approx(other.middle_xy[1] - other.middle_xy[0], abs=0.5)
    assert part["width"] == pytest.approx(208 + abs(step[0]), abs=1)


def test_blurred_field_is_left_out(cut_scan: CutScans, tmp_path: Path) -> None:
    scan = cut_scan()
    soft = cv2.GaussianBlur(np.asarray(Image.open(scan.paths[8])), (0, 0), 5)
    Image.fromarray(soft).save(scan.paths[8])
    (left_out,) = stitch(scan.paths, tmp_path / "m.tif").left_out
    assert left_out.name == "field8.png" and left_out.reason.startswith("It is blurred: its sharpness is 0.")


def test_two_fields_that_overlap_are_enough(cut_scan: CutScans, tmp_path: Path) -> None:
    scan = cut_scan(1, 2)
    assert measure_off(stitch(scan.paths, tmp_path / "m.tif"), scan).max() < 0.5


def test_fields_of_a_folder_are_taken_by_number(cut_scan: CutScans, tmp_path: Path) -> None:
    scan = cut_scan(3, 4)
    (scan.paths[0].parent / "notes.txt").write_text("row 1")
    stitching = stitch([scan.paths[0].parent], tmp_path / "m.tif", order="as-taken")
    assert [one.name for one in stitching.placed] == [f"field{number}.png" for number in range(12)]


def test_json_names_what_was_placed_and_left_out(cut_scan: CutScans, tmp_path: Path) -> None:
    scan = cut_scan(blank=[4])
    stitching = stitch(scan.paths, tmp_path / "m.tif", um_per_px=0.5)
    value = stitching_to_json(stitching)
    assert value["mosaic"]["um_per_px"] == 0.5 and value["mosaic"]["width"] > 500
    assert [one["field"] for one in value["placed"]] == [f"field{n}.png" for n in range(9) if n != 4]
    assert set(value["placed"][0]) == {
        "field", "x", "y", "turn_deg", "sureness", "sd_px", "by", "neighbours", "sharpness"
    }  # fmt: skip
    assert value["left_out"][0]["field"] == "field4.png"
    # Pairs of far fields may agree by chance; that the rest contradicts them is no fault.
    assert value["overlaps"]["rejected"] == stitching.rejected_pairs < value["overlaps"]["used"]
    assert value["overlaps"]["used"] >= 8 and set(value["overlaps"]) == {
        "used", "rejected", "median_residual_px", "contradicting"
    }  # fmt: skip


def test_placed_fields_that_contradict_each_other_are_named(cut_scan: CutScans, tmp_path: Path) -> None:
    scan = cut_scan(2, 2, overlap=0.3)
    other = cut_scan(2, 2, overlap=0.3, seed=8, name="other")
    third, fourth = scan.paths[2:]
    altered = np.asarray(Image.open(third)).copy()
    # All that it shares with the fourth alone; what it shares with the second still places it.
    altered[50:, :80] = np.asarray(Image.open(other.paths[2]))[50:, :80]
    Image.fromarray(altered).save(third)
    stitching = stitch(scan.paths, tmp_path / "m.tif")
    assert len(stitching.placed) == 4
    assert stitching.contradicting == ((third.name, fourth.name),)
    assert stitching_to_json(stitching)["overlaps"]["contradicting"] == [[third.name, fourth.name]]
    assert stitch(other.paths, tmp_path / "n.tif").contradicting == ()


def test_one_field_is_refused(cut_scan: CutScans, tmp_path: Path) -> None:
    with pytest.raises(ImageError, match="1 picture was given; stitching needs 2 or more"):
        stitch(cut_scan(1, 2).paths[:1], tmp_path / "m.tif")


def test_fields_without_overlap_are_refused(cut_scan: CutScans, tmp_path: Path) -> None:
    paths = [cut_scan(1, 2, seed=seed, name=f"s{seed}").paths[0] for seed in (5, 6, 7)]
    with pytest.raises(ImageError, match="No two of the 3 pictures were found to overlap"):
        stitch(paths, tmp_path / "m.tif")
    assert not (tmp_path / "m.tif").exists()


def test_blank_fields_alone_are_refused(cut_scan: CutScans, tmp_path: Path) -> None:
    with pytest.raises(ImageError, match="No two of the 4 pictures were found to overlap"):
        stitch(cut_scan(2, 2, blank=range(4)).paths, tmp_path / "m.tif")


def test_unreadable_field_is_named(cut_scan: CutScans, tmp_path: Path) -> None:
    scan = cut_scan(2, 2)
    scan.paths[2].write_bytes(scan.paths[2].read_bytes()[:900])
    with pytest.raises(ImageError, match=r"^field2\.png is cut short or damaged"):
        stitch(scan.paths, tmp_path / "m.tif")


def test_field_of_another_size_is_named(cut_scan: CutScans, tmp_path: Path) -> None:
    scan = cut_scan(2, 2)
    Image.open(scan.paths[3]).crop((0, 0, 200, 160)).save(scan.paths[3])
    with pytest.raises(ImageError, match=r"field3\.png is 200 x 160 px, but field0\.png is 208 x 160 px"):
        stitch(scan.paths, tmp_path / "m.tif")


@pytest.mark.parametrize(
    ("out", "options", "message"),
    [
        ("m.png", {}, "The mosaic is named m.png; it is written as OME-TIFF"),
        ("none/m.tif", {}, "The folder of .* does not exist"),
        ("scan/field0.tif", {}, "is one of the fields"),
        ("m.tif", {"by_regularity": True}, "but the order is unknown. Give --order as-taken"),
    ],
)
def test_bad_request_is_refused(
    cut_scan: CutScans, tmp_path: Path, out: str, options: dict[str, Any], message: str
) -> None:
    paths = [path.rename(path.with_suffix(".tif")) for path in cut_scan(1, 2).paths]
    with pytest.raises(ImageError, match=message):
        stitch(paths, tmp_path / out, **options)
