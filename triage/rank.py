"""Orders candidates for the reader; ties always break the same way."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from triage.records import Candidate


def rank_candidates(candidates: Iterable[Candidate]) -> tuple[Candidate, ...]:
    """Candidates by falling score, then from top to bottom, left to right, larger first; ranks from 1."""
    ordered = sorted(candidates, key=_rank_key)
    return tuple(replace(candidate, rank=rank) for rank, candidate in enumerate(ordered, start=1))


def _rank_key(candidate: Candidate) -> tuple[float, ...]:
    x, y, width, height = candidate.bbox_xywh
    return (-candidate.score, y, x, -width, -height)
