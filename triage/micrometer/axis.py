"""Along which axis of the picture a length was measured."""

from __future__ import annotations

# Within this of a picture axis, pixels that are 1 % from square shift the scale by less than 0.03 %.
_ALONG_AXIS_DEG = 10.0


def name_axis(angle_deg: float) -> str:
    """`x` or `y` where a direction lies within 10 degrees of that axis, else `oblique`.

    Parameters
    ----------
    angle_deg : float
        From the picture's x axis, 0 up to 180.
    """
    from_x = min(angle_deg, 180 - angle_deg)
    if from_x <= _ALONG_AXIS_DEG:
        return "x"
    return "y" if from_x >= 90 - _ALONG_AXIS_DEG else "oblique"
