"""Runs our network inside a general-purpose sliced-inference package, as a yardstick for timing."""

from __future__ import annotations

from importlib.util import find_spec
from typing import Any

import numpy as np
from numpy.typing import NDArray

from triage.detector import Detector
from triage.pipeline import OVERLAP_PX
from triage.records import Detections

NAME = "sahi"
"""The package, from the extra `bench`."""


def has_package() -> bool:
    """Whether it is installed."""
    return find_spec(NAME) is not None


def look_sliced(pixels: NDArray[np.uint8], detector: Detector, *, batch: int) -> int:
    """Number of objects that the package, with its default merging, reports of a picture.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
    detector : Detector
        Runs as the package's model, on tiles of its own side with our overlap.
    batch : int
        Tiles given to the detector at once.
    """
    from sahi.predict import get_sliced_prediction

    share = OVERLAP_PX / detector.tile_px
    found = get_sliced_prediction(
        pixels,
        _as_model(detector),
        slice_height=detector.tile_px,
        slice_width=detector.tile_px,
        overlap_height_ratio=share,
        overlap_width_ratio=share,
        perform_standard_pred=False,
        verbose=0,
        batch_size=batch,
    )
    return len(found.object_prediction_list)


def _as_model(detector: Detector) -> Any:
    from sahi.models.base import DetectionModel
    from sahi.prediction import ObjectPrediction

    class OurNetwork(DetectionModel):  # type: ignore[misc]
        """The package's view of our detector."""

        def set_model(self, model: Any, **options: Any) -> None:
            self.model = model
            self.category_mapping = {"0": "candidate"}

        def set_device(self, device: str | None = None) -> None:
            self.device = device

        def perform_inference(self, image: NDArray[np.uint8]) -> None:
            self.perform_batch_inference([image])

        def perform_batch_inference(self, images: list[NDArray[np.uint8]]) -> None:
            self._batch_images = None
            self._found: list[Detections] = self.model.detect(
                np.stack([_fill(one, detector) for one in images]), [detector.um_per_px] * len(images)
            )
            self._original_predictions = self._found

        def _create_object_prediction_list_from_original_predictions(
            self, shift_amount_list: Any = None, full_shape_list: Any = None
        ) -> None:
            self._object_prediction_list_per_image = [
                [
                    ObjectPrediction(
                        bbox=box.tolist(),
                        category_id=0,
                        category_name="candidate",
                        score=float(score),
                        shift_amount=shift,
                        full_shape=shape,
                    )
                    for box, score in zip(one.boxes_xyxy, one.scores, strict=True)
                    if score >= self.confidence_threshold
                ]
                for one, shift, shape in zip(self._found, shift_amount_list, full_shape_list, strict=True)
            ]

    return OurNetwork(model=detector, confidence_threshold=detector.record.default_cut / 3)


def _fill(tile: NDArray[np.uint8], detector: Detector) -> NDArray[np.uint8]:
    side = detector.tile_px
    full = np.zeros((side, side, 3), dtype=np.uint8)
    full[: tile.shape[0], : tile.shape[1]] = tile
    return full
