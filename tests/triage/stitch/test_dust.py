"""Dust on the sensor lies still while the slide moves: it is told from what lies on the slide."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from triage.stitch.fields import estimate_dust, open_fields

SPECKS_XY = ((50, 40), (150, 110))


def darken(path: Path) -> None:
    """Two specks of one look, each taking a fifth of the light."""
    field = np.asarray(Image.open(path)).astype(np.float64)
    y, x = np.mgrid[: field.shape[0], : field.shape[1]]
    for at_x, at_y in SPECKS_XY:
        field *= (1 - 0.2 * np.exp(-0.5 * ((x - at_x) ** 2 + (y - at_y) ** 2) / 9))[..., None]
    Image.fromarray(field.round().astype(np.uint8)).save(path)


def test_dust_is_found_where_it_lies(cut_scan: Callable[..., Any], tmp_path: Path) -> None:
    scan = cut_scan(3, 4)
    for path in scan.paths:
        darken(path)
    fields = open_fields(scan.paths, tmp_path)
    dust = estimate_dust(fields, scan.lamp.astype(np.float32))
    for x, y in SPECKS_XY:
        assert 0.78 < dust[y, x] < 0.9
    assert dust[80:85, 100:105].mean() > 0.94


def test_few_fields_say_nothing_of_dust(cut_scan: Callable[..., Any], tmp_path: Path) -> None:
    fields = open_fields(cut_scan(2, 2).paths, tmp_path)
    assert (estimate_dust(fields, np.ones(fields.shape_hw, np.float32)) == 1).all()
