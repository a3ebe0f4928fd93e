from __future__ import annotations

import pytest
import torch
from torch import Tensor

from training.losses import Objects, Total, cell_centres, centre_shares, detection_losses, gather_objects
from triage.head import BOX_UNIT_PX, ELLIPSE_UNIT_PX, HeadLayout

LAYOUT = HeadLayout(4)
N_CANDIDATE_GROUPS = 3
UNKNOWN = [float("nan")] * 5


def an_object(
    box: list[float], *, label: int = 0, ellipse: list[float] | None = None, visible: float = 1.0
) -> dict[str, Tensor]:
    return {
        "boxes": torch.tensor([box]),
        "labels": torch.tensor([label]),
        "ellipses": torch.tensor([ellipse or UNKNOWN]),
        "visible": torch.tensor([visible]),
    }


def nothing() -> dict[str, Tensor]:
    return {
        "boxes": torch.zeros(0, 4),
        "labels": torch.zeros(0, dtype=torch.int64),
        "ellipses": torch.zeros(0, 5),
        "visible": torch.zeros(0),
    }


def gather(*targets: dict[str, Tensor]) -> Objects:
    return gather_objects(targets, N_CANDIDATE_GROUPS)


def silent_head(n_tiles: int = 1) -> Tensor:
    head = torch.zeros(n_tiles, LAYOUT.n_channels, 16, 16)
    head[:, LAYOUT.heat] = -8.0
    return head


def perfect_head(box: list[float], ellipse: list[float], label: int) -> Tensor:
    """What a network should say of one object, at every cell."""
    head = silent_head()
    x, y = cell_centres((16, 16), head.device)
    edges = (x[None, :] - box[0], y[:, None] - box[1], box[2] - x[None, :], box[3] - y[:, None])
    for channel, distance in enumerate(edges):
        head[0, LAYOUT.box][channel] = torch.log(distance.clamp(min=1.0) / BOX_UNIT_PX)
    head[0, LAYOUT.groups][label] = 20.0
    double = torch.deg2rad(torch.tensor(ellipse[4])) * 2
    sides = torch.log(torch.tensor(ellipse[2:4]) / ELLIPSE_UNIT_PX)
    for channel, value in enumerate((*sides, torch.cos(double), torch.sin(double))):
        head[0, LAYOUT.ellipse][channel] = value
    head[0, LAYOUT.ellipse][4] = (ellipse[0] - x[None, :]) / ELLIPSE_UNIT_PX
    head[0, LAYOUT.ellipse][5] = (ellipse[1] - y[:, None]) / ELLIPSE_UNIT_PX
    objects = gather(an_object(box, label=label, ellipse=ellipse))
    share = centre_shares(objects, (1, 16, 16))[0]
    head[0, LAYOUT.heat][share >= 1.0] = 12.0
    return head


BOX = [20.0, 30.0, 100.0, 80.0]
ELLIPSE = [60.0, 55.0, 80.0, 50.0, 0.0]


def test_a_perfect_answer_costs_almost_nothing() -> None:
    losses = detection_losses(
        perfect_head(BOX, ELLIPSE, 1), gather(an_object(BOX, label=1, ellipse=ELLIPSE)), LAYOUT
    )
    assert losses["box"] < 1e-3 and losses["ellipse"] < 1e-3 and losses["heat"] < 0.02
    # Smoothing of labels leaves this much even of a right answer.
    assert losses["group"] < 0.35


@pytest.mark.parametrize(
    ("part", "change"),
    [
        ("box", {"box": [28.0, 30.0, 100.0, 80.0]}),
        ("ellipse", {"ellipse": [60.0, 55.0, 80.0, 50.0, 40.0]}),
        ("ellipse", {"ellipse": [60.0, 55.0, 100.0, 50.0, 0.0]}),
        ("ellipse", {"ellipse": [68.0, 55.0, 80.0, 50.0, 0.0]}),
        ("group", {"label": 2}),
    ],
)
def test_each_part_notices_its_own_error(part: str, change: dict[str, object]) -> None:
    said = {"box": BOX, "ellipse": ELLIPSE, "label": 1, **change}
    objects = gather(an_object(BOX, label=1, ellipse=ELLIPSE))
    wrong = detection_losses(perfect_head(**said), objects, LAYOUT)  # type: ignore[arg-type]
    right = detection_losses(perfect_head(BOX, ELLIPSE, 1), objects, LAYOUT)
    assert wrong[part] > right[part] + 0.03


def test_direction_of_a_circle_is_not_asked() -> None:
    circle = [60.0, 55.0, 50.0, 50.0, 0.0]
    objects = gather(an_object(BOX, ellipse=[*circle[:4], 70.0]))
    assert detection_losses(perfect_head(BOX, circle, 0), objects, LAYOUT)["ellipse"] < 1e-3


def test_an_angle_and_its_opposite_are_the_same() -> None:
    objects = gather(an_object(BOX, ellipse=[*ELLIPSE[:4], 180.0]))
    assert detection_losses(perfect_head(BOX, ELLIPSE, 0), objects, LAYOUT)["ellipse"] < 1e-3


def test_an_unknown_outline_costs_nothing() -> None:
    losses = detection_losses(silent_head(), gather(an_object(BOX)), LAYOUT)
    assert losses["ellipse"] == 0.0 and losses["box"] > 0


def test_tiles_without_objects_ask_for_silence() -> None:
    silent = detection_losses(silent_head(2), gather(nothing(), nothing()), LAYOUT)
    loud = silent_head(2)
    loud[:, LAYOUT.heat] = 2.0
    assert silent["total"] < 1e-3 < detection_losses(loud, gather(nothing(), nothing()), LAYOUT)["heat"]


def heat_at(logit: float, target: dict[str, Tensor], box: list[float]) -> float:
    """Heat loss of a head that speaks only in the middle of `box`."""
    head = silent_head()
    head[0, LAYOUT.heat, int((box[1] + box[3]) / 16), int((box[0] + box[2]) / 16)] = logit
    return float(detection_losses(head, gather(target), LAYOUT)["heat"])


def test_a_look_alike_is_forbidden_more_than_an_empty_place() -> None:
    at_look_alike = heat_at(2.0, an_object(BOX, label=3), BOX)
    elsewhere = heat_at(2.0, an_object([0.0, 90.0, 20.0, 110.0], label=3), BOX)
    assert at_look_alike > 3 * elsewhere > 0


def test_a_look_alike_learns_its_group_and_box() -> None:
    losses = detection_losses(silent_head(), gather(an_object(BOX, label=3)), LAYOUT)
    assert losses["group"] > 0.5 and losses["box"] > 0.1


def test_a_hardly_visible_object_is_neither_wanted_nor_forbidden() -> None:
    hidden = an_object(BOX, visible=0.2)
    assert heat_at(4.0, hidden, BOX) == pytest.approx(heat_at(-8.0, hidden, BOX), abs=1e-3)


def test_a_smaller_object_keeps_its_own_cells_inside_a_larger_one() -> None:
    small = [60.0, 50.0, 76.0, 66.0]
    both = {
        name: torch.cat((an_object(BOX, label=1)[name], an_object(small, label=2)[name]))
        for name in an_object(BOX)
    }
    head = silent_head()
    head[0, LAYOUT.groups][1] = 20.0
    head[0, LAYOUT.groups, 7, 8] = torch.tensor([0.0, 0.0, 20.0, 0.0])
    # Smoothing of labels leaves this much; a cell asked for both groups would cost more.
    assert detection_losses(head, gather(both), LAYOUT)["group"] < 0.35


def test_gradients_are_finite_with_and_without_objects() -> None:
    for target in (an_object(BOX, ellipse=ELLIPSE), nothing(), an_object(BOX, visible=0.0)):
        head = silent_head().requires_grad_()
        detection_losses(head, gather(target), LAYOUT)["total"].backward()
        assert head.grad is not None and bool(torch.isfinite(head.grad).all())


def test_a_faint_object_is_asked_for_less_than_a_plain_one() -> None:
    asked = [heat_at(-4.0, an_object(BOX, visible=visible), BOX) for visible in (0.3, 0.5, 0.65, 0.8, 1.0)]
    assert asked[0] < 0.01 < asked[1] < asked[2] < asked[3] == asked[4]


def test_a_faint_object_has_less_say_in_the_group_than_a_plain_one() -> None:
    other = [20.0, 90.0, 100.0, 120.0]
    both = {
        name: torch.cat((an_object(BOX, label=1)[name], an_object(other, label=2, visible=0.5)[name]))
        for name in an_object(BOX)
    }
    as_plain, as_faint = (silent_head() for _ in range(2))
    as_plain[0, LAYOUT.groups][1] = 5.0
    as_faint[0, LAYOUT.groups][2] = 5.0
    objects = gather(both)
    losses = [detection_losses(head, objects, LAYOUT)["group"] for head in (as_plain, as_faint)]
    assert losses[0] < 0.7 * losses[1]


def test_losses_of_shares_add_up_to_that_of_the_batch() -> None:
    targets = [
        an_object(BOX, label=1, ellipse=ELLIPSE),
        an_object([4.0, 4.0, 60.0, 40.0], label=2),
        nothing(),
    ]
    torch.manual_seed(0)
    head = torch.randn(3, LAYOUT.n_channels, 16, 16)
    whole = detection_losses(head, gather(*targets), LAYOUT)
    seen: list[list[Tensor]] = [[], []]

    def note(place: int) -> Total:
        return lambda number: seen[place].append(number) or number  # type: ignore[func-returns-value]

    shares = [(head[:1], targets[:1]), (head[1:], targets[1:])]
    for place, (part, some) in enumerate(shares):
        detection_losses(part, gather(*some), LAYOUT, total=note(place))
    sums = [sum(pair) for pair in zip(*seen, strict=True)]
    parts = []
    for part, some in shares:
        told = iter(sums)
        parts.append(detection_losses(part, gather(*some), LAYOUT, total=lambda _, told=told: next(told)))
    for name, value in whole.items():
        torch.testing.assert_close(parts[0][name] + parts[1][name], value)
