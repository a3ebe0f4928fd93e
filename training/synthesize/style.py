"""From which distributions a scene is drawn."""

from __future__ import annotations

from dataclasses import dataclass, replace

Span = tuple[float, float]


@dataclass(frozen=True)
class Style:
    """What a sort of picture looks like; a scene draws each value evenly or log-evenly from these spans.

    Attributes
    ----------
    name : str
    um_per_px : tuple of float
        Pixel size, log-even, where `object_px` does not decide it.
    object_px : tuple of float or None
        Length of the scene's main object in pixels, log-even; decides the pixel size.
    candidates_per_mpx, look_alikes_per_mpx : tuple of float
        Objects in a million pixels.
    least_candidates, least_look_alikes : int
        Objects that are there however small the picture.
    centred : bool
        The main object lies whole inside the picture.
    cluster_share : float
        Share of objects that touch or overlap the one before.
    overlap_share : float
        Share of objects that lie across another one, of any size.
    clutter : tuple of float
        Amount of debris, 0 to 1.
    softness : tuple of float
        Spread of the focus, in depths of field.
    resolved_px : tuple of float
        Abbe's resolved distance in pixels, log-even; decides the numerical aperture.
    eyepiece_share, marks_share, stain_share : float
        Share of pictures with a round eyepiece edge, printed marks, a stain.
    parts : tuple of (float, Style)
        A mixture: each scene takes one of these styles, by weight, instead.
    """

    name: str
    um_per_px: Span = (0.4, 1.0)
    object_px: Span | None = None
    candidates_per_mpx: Span = (1.0, 8.0)
    look_alikes_per_mpx: Span = (0.5, 6.0)
    least_candidates: int = 0
    least_look_alikes: int = 0
    centred: bool = False
    cluster_share: float = 0.12
    overlap_share: float = 0.0
    clutter: Span = (0.0, 0.7)
    softness: Span = (0.1, 1.3)
    resolved_px: Span = (0.7, 2.8)
    eyepiece_share: float = 0.12
    marks_share: float = 0.04
    stain_share: float = 0.25
    parts: tuple[tuple[float, Style], ...] = ()


FIELD = Style("field", marks_share=0.03)
CLOSE = Style(
    "close",
    object_px=(60.0, 300.0),
    candidates_per_mpx=(0.0, 8.0),
    look_alikes_per_mpx=(0.0, 6.0),
    least_candidates=1,
    centred=True,
    cluster_share=0.3,
    clutter=(0.05, 0.75),
    resolved_px=(0.7, 3.5),
    eyepiece_share=0.03,
    marks_share=0.08,
)
CLUTTERED = Style(
    "cluttered",
    candidates_per_mpx=(4.0, 25.0),
    look_alikes_per_mpx=(3.0, 20.0),
    cluster_share=0.3,
    clutter=(0.5, 1.0),
    softness=(0.5, 2.0),
    resolved_px=(1.0, 4.0),
)
BACKGROUND = Style(
    "background",
    um_per_px=(0.08, 1.6),
    candidates_per_mpx=(0.0, 0.0),
    look_alikes_per_mpx=(1.0, 16.0),
    clutter=(0.0, 1.0),
    marks_share=0.1,
)
LOOK_ALIKE = Style(
    "look-alike",
    object_px=(12.0, 560.0),
    candidates_per_mpx=(0.0, 0.0),
    look_alikes_per_mpx=(0.0, 16.0),
    least_look_alikes=1,
    cluster_share=0.3,
    clutter=(0.0, 0.9),
    resolved_px=(0.7, 6.0),
    eyepiece_share=0.03,
    marks_share=0.12,
)
_ALL_SIZES: Span = (12.0, 400.0)
_SMALL: Span = (10.0, 160.0)
"""In clutter nearly all objects wider than 40 px are found; smaller ones are what is to be learnt there."""
TRAINING = Style(
    "training",
    parts=(
        (0.08, BACKGROUND),
        (0.08, LOOK_ALIKE),
        (0.08, replace(LOOK_ALIKE, centred=True)),
        (
            0.25,
            replace(
                CLOSE,
                object_px=_ALL_SIZES,
                centred=False,
                look_alikes_per_mpx=(0.0, 16.0),
                clutter=(0.0, 0.8),
                resolved_px=(0.7, 6.0),
                overlap_share=0.12,
            ),
        ),
        (
            0.24,
            replace(
                FIELD,
                object_px=_ALL_SIZES,
                least_candidates=1,
                candidates_per_mpx=(0.0, 30.0),
                look_alikes_per_mpx=(0.0, 25.0),
                overlap_share=0.12,
            ),
        ),
        (
            0.27,
            replace(
                CLUTTERED,
                object_px=_SMALL,
                least_candidates=1,
                candidates_per_mpx=(0.0, 45.0),
                overlap_share=0.3,
            ),
        ),
    ),
)

STYLES: dict[str, Style] = {
    style.name: style for style in (FIELD, CLOSE, CLUTTERED, BACKGROUND, LOOK_ALIKE, TRAINING)
}
