from __future__ import annotations

import json

import numpy as np
import pytest

from triage.errors import RecordError
from triage.groups import read_groups
from triage.merge import empty_detections
from triage.records import Detections
from triage.stored_detections import detections_from_json, detections_to_json

N_GROUPS = len(read_groups())


@pytest.mark.parametrize("n", [0, 1, 7])
def test_detections_come_back_to_the_last_bit(n: int) -> None:
    generator = np.random.default_rng(n)
    given = Detections(
        generator.random((n, 4)) * 1e4,
        generator.random(n),
        generator.random((n, N_GROUPS)),
        generator.random((n, 5)) / 3,
        generator.random(n) < 0.5,
        generator.random(n),
    )
    back = detections_from_json(detections_to_json(given))
    for name, array in vars(given).items():
        np.testing.assert_array_equal(getattr(back, name), array)
        assert getattr(back, name).dtype == array.dtype


@pytest.mark.parametrize(
    "text",
    ["", "{}", "[]", detections_to_json(empty_detections(N_GROUPS)).replace('"scores": []', '"scores": [1]')],
)
def test_detections_from_json_refuses_damaged_text(text: str) -> None:
    with pytest.raises(RecordError, match="Stored detections can't be read"):
        detections_from_json(text)


def test_detections_stored_without_their_scale_are_still_read() -> None:
    stored = json.loads(detections_to_json(empty_detections(N_GROUPS)))
    del stored["factors"]
    assert len(detections_from_json(json.dumps(stored)).factors) == 0
