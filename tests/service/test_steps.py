from __future__ import annotations

from functools import partial
from pathlib import Path

import pytest
from blob_detector import BlobDetector
from service_slides import draw_slide

from service.steps import DetectorSource, Steps, Task
from triage.images import Limits, open_picture


def test_a_large_picture_is_measured_in_processes_that_end_with_its_proposal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "slide.png"
    path.write_bytes(draw_slide(994))
    task = Task(path, path.name, 0.5, 0.01, "stated", None)
    batch, part = tmp_path / "batch.json", tmp_path / "part.json"
    measured = []
    for threads, most in ((1, 10_000_000), (2, 100)):
        monkeypatch.setattr(
            "triage.images.open_picture", partial(open_picture, limits=Limits(max_memory_pixels=most))
        )
        steps = Steps(DetectorSource(threads=threads, given=BlobDetector()))
        batch.write_text(steps.detect(task, 0))
        part.write_text(steps.merge(task, [batch])[0])
        measured.append(steps.measure(task, part))
        measurers = steps._measurers
        steps.conclude(task)
        assert steps._measurers is None
        steps.close()
    assert '"length_um": ' in measured[0] and measured[0] == measured[1]
    assert measurers is not None and all(one.poll() is not None for one in measurers._processes)
