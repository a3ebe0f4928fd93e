"""Judges a detector on whole drawn slides in few passes: quick, where only detectors are to be compared.

A proposal looks at a picture twice, in tiles, and measures what it finds; here the network sees each slide
once, at the slide's own scale, and what it says is matched as it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import torch

from training.cut import detect_tiles, mark_group_right
from training.dataset import MarkedPicture, MarkedPictures
from training.metrics import match_candidates
from training.trials import Counts, Trial, count_found
from triage.network_file import read_network
from triage.weights import read_record

PIXELS_FILE = "test-slides.pt"
_AT_A_TIME = 8


def find_slides(folder: Path, pictures: Sequence[MarkedPicture]) -> Path:
    """The file with the pixels of pictures of one size, written now where there is none."""
    path = folder / PIXELS_FILE
    if not path.is_file():
        slides = MarkedPictures(pictures)
        torch.save(torch.stack([slides[index][0] for index in range(len(slides))]), path)
    return path


def judge_slides(trial: Trial, folder: Path, device: torch.device, *, pixels: Path) -> Counts:
    """What the detector of a folder finds of a trial's one locked set, whose pixels a file holds in order."""
    record = read_record(folder)
    network = read_network(folder, record).to(device)
    slides = torch.load(pixels, weights_only=True, mmap=True)
    ((name, pictures),) = trial.judged.items()
    scales = [picture.um_per_px for picture in pictures]
    found = [
        one
        for start in range(0, len(slides), _AT_A_TIME)
        for one in detect_tiles(network, *(each[start : start + _AT_A_TIME] for each in (slides, scales)))
    ]
    matches, right = [], []
    for detections, picture in zip(found, pictures, strict=True):
        truth = picture.to_truth()
        matches.append(match_candidates(detections.boxes_xyxy, detections.scores, truth))
        right.append(mark_group_right(detections, matches[-1], truth))
    return {name: count_found(matches, right)}
