"""The steps of proposing candidates, as run in a worker: the only place that calls the pipeline.

Everything that goes in and out is plain data, because a worker may be another process.
"""

from __future__ import annotations

import json
import secrets
import tempfile
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.stitching import StitchTask
    from triage.calibration import Calibration
    from triage.images import Picture
    from triage.looking import Looker
    from triage.measurers import Measurers
    from triage.pipeline import ProposalPlan
    from triage.records import Detector
    from triage.stitch.records import LeftOut, Placed, Stitching

# Thin lines stay sharp.
SHOWN_QUALITY = 90


@dataclass(frozen=True)
class DetectorSource:
    """Where a worker gets its detector: one handed over, or a folder of weights (None: the shipped ones)."""

    folder: Path | None = None
    threads: int = 1
    device: str = "auto"
    given: Detector | None = None

    def load(self, weights: Path | None = None) -> Detector:
        """The detector; that of another folder where one is named."""
        from triage.detector import load_detector

        if weights is None and self.given is not None:
            return self.given
        return load_detector(weights or self.folder, threads=self.threads, device=self.device)


@dataclass(frozen=True)
class Task:
    """One picture to propose candidates for, at one scale; `weights` names another detector's folder."""

    path: Path
    file_name: str
    um_per_px: float | None
    um_per_px_sd: float | None
    calibration_source: str | None
    host: str | None
    objective: str | None = None
    copy_path: Path | None = None
    weights: Path | None = None

    def calibration(self) -> Calibration | None:
        """The scale as the pipeline takes it."""
        from triage.calibration import state_calibration

        if self.um_per_px is None:
            return None
        return state_calibration(
            self.um_per_px, self.um_per_px_sd, source=self.calibration_source or "stated"
        )


class Steps:
    """The steps; keeps the detector, and the picture of the last step, open."""

    def __init__(self, source: DetectorSource) -> None:
        self._source = source
        self._picture: Picture | None = None
        self._task: Task | None = None
        self._plan: ProposalPlan | None = None
        self._detector: Detector | None = None
        self._weights: Path | None = None
        self._looker: Looker | None = None
        self._measurers: Measurers | None = None

    def write_viewer_copy(self, path: Path, file_name: str, target: Path) -> int:
        """Write the viewer's pyramid of a picture that no candidates are proposed for; count its levels."""
        from triage.images import open_picture

        with open_picture(path, file_name=file_name) as picture:
            return _write_whole(picture, target)

    def measure_ruling(
        self, path: Path, file_name: str, division_um: float, ruling_tolerance: float, shown_path: Path
    ) -> dict[str, Any]:
        """The scale of a photographed stage micrometer as JSON; what was found is drawn to `shown_path`.

        Raises
        ------
        CalibrationError
            If there is no ruling, or a number is impossible.
        """
        from PIL import Image

        from triage.images import open_picture
        from triage.micrometer import calibrate_picture, scale_to_json

        with open_picture(path, file_name=file_name) as picture:
            scale, shown = calibrate_picture(picture, division_um, ruling_tolerance=ruling_tolerance)
        Image.fromarray(shown).save(shown_path, format="JPEG", quality=SHOWN_QUALITY)
        return scale_to_json(scale)

    def stitch(self, task: StitchTask, out: Path) -> dict[str, Any]:
        """Write the mosaic of overlapping pictures; where each lies, what was left out, and the area shown.

        Raises
        ------
        ImageError
            If they don't overlap or can't be read.
        """
        from triage.stitch.scan import stitch

        return _report(
            task, stitch(task.paths, out, order=task.order, um_per_px=task.um_per_px, names=task.names)
        )

    def place_fields(self, task: StitchTask) -> dict[str, Any]:
        """The report of stitching without a mosaic: where overlapping pictures lie, and the area shown.

        Raises
        ------
        ImageError
            If they don't overlap or can't be read.
        """
        from triage.stitch.fields import open_fields
        from triage.stitch.scan import plan_mosaic

        with tempfile.TemporaryDirectory(prefix="coverslip-places-") as folder:
            fields = open_fields(task.paths, Path(folder), names=task.names)
            plan = plan_mosaic(fields, order=task.order, um_per_px=task.um_per_px)
        return _report(task, plan.stitching)

    def import_coco(
        self,
        zipped: Path,
        work: Path,
        out: Path,
        key: bytes,
        groups: dict[str, str],
        um_per_px: float | None,
        limit_bytes: int,
    ) -> dict[str, Any]:
        """Write a labelled set from a zip file of a COCO file and pictures; what was mapped and refused.

        Raises
        ------
        RecordError
            If nothing in it can be imported.
        """
        from triage.coco_zip import import_coco_zip

        _, report = import_coco_zip(
            zipped, work, out, key=key, groups=groups, um_per_px=um_per_px, limit_bytes=limit_bytes
        )
        return asdict(report)

    def write_pyramid(self, task: Task, target: Path) -> int:
        """Write the viewer's pyramid of a picture, whole or not at all, and count its levels."""
        return _write_whole(self._open(task), target)

    def plan(self, task: Task) -> dict[str, int]:
        """How many batches of tiles a picture takes, and how many tiles."""
        plan = self._planned(task)
        return {"batches": plan.n_batches, "tiles": len(plan.tiles)}

    def detect(self, task: Task, index: int) -> str:
        """The detections of one batch, as JSON."""
        from triage.pipeline import begin_looking, detections_to_json

        picture, plan = self._open(task), self._planned(task)
        if self._looker is None:
            self._looker = begin_looking(picture, plan, self._load_detector(task))
        # Started here, they are ready when they are needed.
        self._share_measuring(task)
        return detections_to_json(self._looker.look(index))

    def add_to_best(self, task: Task, best: dict[str, Any] | None, batch: Path) -> dict[str, Any]:
        """The best of what was found before and of one more batch; adding a batch again changes nothing."""
        from triage.pipeline import detections_from_json
        from triage.so_far import add_batch, best_from_json, best_to_json

        found = detections_from_json(batch.read_text(encoding="utf-8"))
        return best_to_json(add_batch(self._planned(task), best_from_json(best), found))

    def merge(self, task: Task, batches: list[Path]) -> list[str]:
        """What all batches found, merged and ranked, as JSON in parts to be measured one by one."""
        from triage.pipeline import detections_from_json, merge_batches, part_ranked
        from triage.stored_detections import ranked_to_json

        picture, plan = self._open(task), self._planned(task)
        # No name is given to what all batches found, so that merging needn't keep it.
        merged = merge_batches(
            picture, plan, [detections_from_json(path.read_text(encoding="utf-8")) for path in batches]
        )
        return [ranked_to_json(part) for part in part_ranked(plan, merged)]

    def measure(self, task: Task, part: Path) -> str:
        """The measured candidates of one part, as JSON."""
        from triage.pipeline import measure_part
        from triage.proposal import candidate_to_json
        from triage.stored_detections import ranked_from_json

        ranked = ranked_from_json(part.read_text(encoding="utf-8"))
        measured = measure_part(
            self._open(task),
            self._planned(task),
            ranked,
            threads=self._source.threads,
            measurers=self._share_measuring(task),
        )
        return json.dumps([candidate_to_json(one) for one in measured])

    def conclude(self, task: Task) -> dict[str, Any]:
        """The proposal's JSON without its candidates."""
        from triage.pipeline import conclude_measured
        from triage.proposal import proposal_to_json

        threads = self._source.threads
        concluded = conclude_measured(self._open(task), self._planned(task), (), threads=threads)
        self._end_measuring()
        head = proposal_to_json(concluded)
        del head["candidates"]
        return head

    def close(self) -> None:
        """Let go of the picture."""
        if self._looker is not None:
            self._looker.close()
        self._looker = None
        self._end_measuring()
        if self._picture is not None:
            self._picture.close()
        self._picture = self._task = self._plan = None

    def _open(self, task: Task) -> Picture:
        from triage.images import open_picture

        if self._picture is None or self._task != task:
            self.close()
            self._picture = open_picture(task.path, file_name=task.file_name, copy_path=task.copy_path)
            # What the file says of its scale counts only through the task, once a person has confirmed it.
            self._picture.um_per_px = None
            self._task = task
        return self._picture

    def _share_measuring(self, task: Task) -> Measurers | None:
        """Processes that measure, where the picture and the threads ask for them."""
        from triage.measurers import begin_measurers

        picture = self._open(task)
        if self._measurers is None:
            self._measurers = begin_measurers(picture, self._source.threads)
        return self._measurers

    def _end_measuring(self) -> None:
        if self._measurers is not None:
            self._measurers.close()
        self._measurers = None

    def _load_detector(self, task: Task) -> Detector:
        """The task's detector; only the last one stays in memory."""
        if self._detector is None or self._weights != task.weights:
            self._detector, self._weights = self._source.load(task.weights), task.weights
        return self._detector

    def _planned(self, task: Task) -> ProposalPlan:
        from triage.optics import read_objective
        from triage.pipeline import plan_proposal

        picture = self._open(task)
        if self._plan is None:
            self._plan = plan_proposal(
                picture,
                task.calibration(),
                self._load_detector(task),
                host=task.host,
                objective=read_objective(task.objective) if task.objective else None,
            )
        return self._plan


def _write_whole(picture: Picture, target: Path) -> int:
    from triage.pyramid import read_zoom_levels, write_pyramid

    if target.exists():
        return read_zoom_levels(target)
    unfinished = target.with_suffix(f".{secrets.token_hex(4)}.part.tif")
    n_levels = write_pyramid(picture, unfinished)
    unfinished.replace(target)
    return n_levels


def _report(task: StitchTask, stitching: Stitching) -> dict[str, Any]:
    """What was placed where and what left out, by the ids of the images, and the area shown."""
    from triage.stitch.records import stitching_to_json
    from triage.stitch.seen import describe_coverage

    report = stitching_to_json(stitching)
    _add_image_ids(report["placed"], stitching.placed, task)
    _add_image_ids(report["left_out"], stitching.left_out, task)
    report["field"] = {"width": stitching.field_hw[1], "height": stitching.field_hw[0]}
    report["coverage"] = describe_coverage(stitching, coverslip_mm=task.coverslip_mm)
    for said, part in zip(report["parts"], stitching.parts, strict=True):
        _add_image_ids(said["placed"], part.placed, task)
        alone = replace(stitching, placed=part.placed, shape_hw=part.shape_hw)
        said["coverage"] = describe_coverage(alone, coverslip_mm=task.coverslip_mm)
    return report


def _add_image_ids(
    said: Sequence[dict[str, Any]], fields: Sequence[Placed | LeftOut], task: StitchTask
) -> None:
    for value, one in zip(said, fields, strict=True):
        value["image_id"] = task.image_ids[one.field]
