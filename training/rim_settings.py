"""What a training of the network that reads rims is asked for."""

from __future__ import annotations

import argparse
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

Range = tuple[float, float]

DRAWING_SHARE = 0.6
"""Of the minutes, where scenes are drawn in the same run."""
_RECORDED = (
    "scenes",
    "steps",
    "batch",
    "rate",
    "seed",
    "searched_share",
    "read_twice_share",
    "even_weight",
    "side_weight",
)


@dataclass(frozen=True)
class PlainForms:
    """Plain discs and rings among what is learnt: they keep the reading honest where nothing misleads it.

    Attributes
    ----------
    share : float
        Of each batch.
    width_px : tuple of float
        Least and greatest width.
    most_aspect : float
        Greatest length over width.
    blur_px : tuple of float
        Standard deviation of the blur where there is least of it.
    blur_of_width : float
        What is added to that at most, as a share of the width.
    """

    share: float = 0.2
    width_px: Range = (12.0, 190.0)
    most_aspect: float = 2.2
    blur_px: Range = (0.6, 1.0)
    blur_of_width: float = 0.12


@dataclass(frozen=True)
class RimSettings:
    """What the command line asks for.

    `start` is a graph whose weights are where learning begins. `even_weight` is how hard each stratum's mean
    error is pushed to nought (`training.rim_strata`), `side_weight` what length and width count beside the
    radii.
    `searched_share` of the objects are read in a frame that the search left, the others in a disturbed true
    one; `read_twice_share` of all, plain forms too, in the frame of a first reading.
    """

    out: Path
    scenes: int = 24000
    steps: int = 6000
    batch: int = 512
    rate: float = 2e-3
    seed: int = 1
    start: Path | None = None
    searched_share: float = 0.75
    read_twice_share: float = 0.5
    even_weight: float = 4.0
    side_weight: float = 1.0
    plain: PlainForms = field(default_factory=PlainForms)
    device: str = "auto"
    workers: int = 0
    minutes: float | None = None
    drawn: Path | None = None

    def write_command(self) -> str:
        """The command line that makes the same again, without where it ran and where it wrote."""
        words = ["python -m training.train_rim"]
        for name in _RECORDED:
            words.append(f"{_option(name)} {getattr(self, name)}")
        for name, value in asdict(self.plain).items():
            numbers = value if isinstance(value, tuple) else (value,)
            words.append(f"{_option('plain_' + name)} {' '.join(str(number) for number in numbers)}")
        return " ".join(words if self.start is None else [*words, f"--start {self.start.name}"])


def _option(name: str) -> str:
    return "--" + name.replace("_", "-")


def parse_settings(description: str, arguments: list[str] | None = None) -> RimSettings:
    """The settings of a command line."""
    parser = argparse.ArgumentParser(
        prog="python -m training.train_rim", description=description, argument_default=argparse.SUPPRESS
    )
    parser.add_argument("--out", type=Path, required=True, help="folder for rim.onnx and rim.json")
    parser.add_argument("--scenes", type=int, help="pictures to draw")
    parser.add_argument("--steps", type=int)
    parser.add_argument("--batch", type=int)
    parser.add_argument("--rate", type=float, help="highest learning rate")
    parser.add_argument("--seed", type=int)
    parser.add_argument("--start", type=Path, help="a rim.onnx to begin from, not from nothing")
    parser.add_argument("--searched-share", type=float, help="objects read in a frame that the search left")
    parser.add_argument("--read-twice-share", type=float, help="read in the frame of a first reading")
    for each in fields(PlainForms):
        count: dict[str, Any] = {"nargs": 2} if isinstance(each.default, tuple) else {}
        parser.add_argument(_option("plain_" + each.name), type=float, help="plain discs and rings", **count)
    parser.add_argument("--even-weight", type=float, help="how hard no group or focus may be read too large")
    parser.add_argument("--side-weight", type=float, help="what length and width count beside the radii")
    parser.add_argument("--device", help="auto, cpu, cuda or cuda:0")
    parser.add_argument("--workers", type=int, help="processes that draw")
    parser.add_argument("--minutes", type=float, help="end the learning after this time at the latest")
    parser.add_argument("--drawn", type=Path, help="scenes that training.rim_drawings stored, not new ones")
    given = vars(parser.parse_args(arguments))
    plain = {each.name: given.pop(f"plain_{each.name}", each.default) for each in fields(PlainForms)}
    settings = RimSettings(**given, plain=PlainForms(**{key: _freeze(value) for key, value in plain.items()}))
    _check(parser, settings)
    return settings


def _freeze(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def _check(parser: argparse.ArgumentParser, settings: RimSettings) -> None:
    for name, share in (
        ("plain_share", settings.plain.share),
        ("searched_share", settings.searched_share),
        ("read_twice_share", settings.read_twice_share),
    ):
        if not 0 <= share <= 1:
            parser.error(f"{_option(name)} is {share}; it must be from 0 to 1.")
    low, high = settings.plain.width_px
    if not 6 <= low <= high:
        parser.error(f"--plain-width-px is {low:g} to {high:g}; it must rise, from 6 px on.")
    if settings.minutes is not None and settings.minutes <= 0:
        parser.error(f"--minutes is {settings.minutes}; it must be above 0.")
