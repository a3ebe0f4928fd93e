"""µm per pixel from a photographed stage micrometer, or read off by hand."""

from triage.micrometer.axis import name_axis
from triage.micrometer.by_hand import measure_ocular_division, measure_two_points
from triage.micrometer.scale import RulingScale, calibrate_picture, scale_to_json

__all__ = [
    "RulingScale",
    "calibrate_picture",
    "measure_ocular_division",
    "measure_two_points",
    "name_axis",
    "scale_to_json",
]
