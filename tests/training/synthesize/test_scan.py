from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from training.synthesize.kinds import KINDS
from training.synthesize.scan import Scan, ScanPlan, draw_scan, draw_slide

FEW = {name: KINDS[name] for name in ("toxocara_canis_egg", "pine_pollen", "fat_droplet")}
PLAIN = ScanPlan(
    rows=2,
    columns=3,
    field_hw=(120, 160),
    overlap=0.4,
    jitter_px=5,
    tilt_deg=1.0,
    vignette=0.0,
    slope_xy=(0.0, 0.0),
    exposure_sd=0.0,
    noise=0.0,
    seed=6,
)


@pytest.fixture(scope="module")
def scan() -> Scan:
    return draw_scan(PLAIN, kinds=FEW)


def compare(scan: Scan, first: int, second: int) -> float:
    """Likeness of what two fields both show, the second moved to where the truth puts it."""
    shift = scan.middle_xy[second] - scan.middle_xy[first]
    moved = cv2.warpAffine(
        scan.fields[second].astype(np.float32),
        np.array([[1, 0, shift[0]], [0, 1, shift[1]]]),
        (160, 120),
        borderValue=(-1, -1, -1),
    )
    # The specks of dust on the sensor stay where they are.
    shown = (moved >= 0).all(axis=2)
    return float(np.corrcoef(moved[shown].ravel(), scan.fields[first][shown].ravel())[0, 1])


def test_fields_show_the_same_where_the_truth_lays_them_over_each_other(scan: Scan) -> None:
    moved = replace(scan, middle_xy=scan.middle_xy + np.array([[0, 0], [8, 0], *[[0, 0]] * 4]))
    assert compare(scan, 0, 1) > 0.9 > compare(moved, 0, 1)
    assert compare(scan, 0, 5) > 0.9


def test_rows_go_there_and_back(scan: Scan) -> None:
    x, y = np.rint(scan.middle_xy - scan.middle_xy[0]).T
    assert (np.diff(x)[:2] > 80).all() and (np.diff(x)[3:] < -80).all()
    assert (np.abs(y[:3]) < 14).all() and (y[3:] > 55).all()


def test_same_plan_gives_the_same_scan(scan: Scan) -> None:
    again = draw_scan(PLAIN, kinds=FEW)
    assert all(np.array_equal(*both) for both in zip(scan.fields, again.fields, strict=True))
    other = draw_scan(replace(PLAIN, seed=7), kinds=FEW)
    assert not np.array_equal(scan.fields[0], other.fields[0])


def test_blank_share_leaves_empty_glass() -> None:
    scan = draw_scan(replace(PLAIN, blank_share=0.34), kinds=FEW)
    assert scan.is_blank.sum() == 2
    # What is left on them is dust on the sensor.
    spread = np.array([float(np.percentile(field, 90) - np.percentile(field, 10)) for field in scan.fields])
    assert spread[scan.is_blank].max() < 5 < spread[~scan.is_blank].max()


def test_light_falls_off_and_grain_is_added() -> None:
    lit = (
        draw_scan(replace(PLAIN, blank_share=1.0, vignette=0.5, noise=4.0), kinds=FEW).fields[0].mean(axis=2)
    )
    assert lit[:8, :8].mean() < 0.7 * lit[56:64, 76:84].mean()
    assert np.diff(lit, axis=1).std() > 2


def test_slide_is_put_together_without_gaps(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("training.synthesize.scan._BLOCK_PX", 128)
    slide = draw_slide((200, 300), 1, 1.0, kinds=FEW)
    assert slide.shape == (200, 300, 3) and np.isfinite(slide).all() and slide.min() >= 0
    assert slide[:, 250:].mean() > 100


@pytest.mark.parametrize("wrong", [{"rows": 0}, {"overlap": 0.95}, {"overlap": -0.1}])
def test_impossible_plan_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"an overlap of 0 to 0\.9, received ScanPlan"):
        draw_scan(replace(PLAIN, **wrong), kinds=FEW)
