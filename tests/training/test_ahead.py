from __future__ import annotations

from collections.abc import Iterator

import pytest
import torch

from training.ahead import bring_ahead
from training.targets import Batch

CPU = torch.device("cpu")


def number_batches(n: int, closed: list[int] | None = None) -> Iterator[Batch]:
    try:
        for number in range(n):
            yield torch.full((1, 3, 4, 4), number, dtype=torch.uint8), []
    finally:
        if closed is not None:
            closed.append(n)


@pytest.mark.parametrize("n", [0, 1, 7])
def test_batches_brought_ahead_come_in_order_and_end(n: int) -> None:
    assert [int(tiles[0, 0, 0, 0]) for tiles, _ in bring_ahead(number_batches(n), CPU)] == list(range(n))


def test_closing_early_closes_what_the_batches_come_from() -> None:
    closed: list[int] = []
    batches = bring_ahead(number_batches(50, closed), CPU)
    next(batches)
    batches.close()  # type: ignore[attr-defined]
    del batches
    assert closed == [50]


def test_error_of_a_source_arrives_at_its_place() -> None:
    def broken() -> Iterator[Batch]:
        yield from number_batches(1)
        raise ValueError("a damaged picture")

    batches = bring_ahead(broken(), CPU)
    assert int(next(batches)[0].max()) == 0
    with pytest.raises(ValueError, match="a damaged picture"):
        next(batches)
