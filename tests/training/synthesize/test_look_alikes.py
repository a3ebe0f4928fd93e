"""Look-alikes are as large as they are said to be, belong to no group of candidates, and vary."""

import numpy as np
import pytest
import torch

from training.synthesize.kinds import KINDS, LOOK_ALIKE_SHARES
from triage.groups import look_alikes

# Kind, then the group it must belong to and the span of its longest extent in µm.
SPANS_UM = {
    "granule": ("other_artefact", 2.5, 18.0),
    "round_spore": ("other_artefact", 3.0, 30.0),
    "white_cell": ("other_artefact", 7.0, 22.0),
    "amoeba": ("other_artefact", 9.0, 60.0),
    "lining_cell": ("other_artefact", 20.0, 85.0),
    "ciliate": ("other_artefact", 30.0, 150.0),
    "flagellate": ("other_artefact", 6.0, 26.0),
    "muscle_fibre": ("other_artefact", 35.0, 220.0),
    "fibre_bundle": ("plant_debris", 50.0, 400.0),
    "air_bubble": ("air_bubble", 4.0, 260.0),
    "fat_droplet": ("fat_or_crystal", 2.5, 90.0),
}
N = 300


def draw(name, n=N):
    return KINDS[name].draw_parameters(np.random.default_rng(11), n)


@pytest.mark.parametrize("name", SPANS_UM)
def test_lengths_fill_the_stated_span(name):
    group, shortest, longest = SPANS_UM[name]
    length_um = draw(name)["length_um"]
    assert KINDS[name].group == group
    assert length_um.min() >= 0.999 * shortest and length_um.max() <= 1.001 * longest
    assert length_um.min() < 1.4 * shortest and length_um.max() > 0.7 * longest


def test_shares_name_every_group_of_look_alikes():
    assert set(LOOK_ALIKE_SHARES) == set(look_alikes())
    assert min(LOOK_ALIKE_SHARES.values()) > 0


def test_larvae_are_stretched_bowed_and_folded():
    p = draw("larva")
    slender = p["width_um"] / p["length_um"]
    assert (slender < 0.2).mean() > 0.1 and (slender > 0.6).mean() > 0.13


def test_coils_turn_round_and_some_let_their_tail_out():
    p = draw("coiled_larva")
    step = np.diff(p["points"].astype(float), axis=1)
    heading = np.unwrap(np.arctan2(step[..., 1], step[..., 0]), axis=1)
    turns = np.abs(heading[:, -1] - heading[:, 0]) / (2 * np.pi)
    assert turns.min() > 0.2 and turns.max() > 2.3
    last = np.abs(np.diff(heading, axis=1))
    is_straight = last[:, -1] < 0.3 * last[:, : last.shape[1] // 2].mean(1)
    assert 0.15 < is_straight.mean() < 0.7


def test_globules_of_a_heap_touch_one_another():
    balls = draw("granule_heap")["balls"].astype(float)
    live = balls[..., 3] > 0
    assert live[:, :2].all() and live.all(1).any()
    away = np.linalg.norm(balls[:, :, None, :2] - balls[:, None, :, :2], axis=-1)
    gap = away - balls[:, :, None, 3] - balls[:, None, :, 3]
    gap[:, np.arange(24), np.arange(24)] = np.inf
    gap[~live[:, :, None] | ~live[:, None]] = np.inf
    assert (gap.min(2)[live] <= 1e-3).all()


def test_cells_of_all_sorts_share_one_form_so_that_they_are_drawn_together():
    names = ["granule", "round_spore", "white_cell", "amoeba", "lining_cell", "ciliate", "flagellate"]
    forms = {tuple(sorted((key, value.shape[1:]) for key, value in draw(name, 2).items())) for name in names}
    assert len(forms) == 1
    assert len({KINDS[name].material for name in names}) == 1


def test_a_ringed_nucleus_is_darker_at_its_spot_than_around_it():
    p = draw("amoeba", 40)
    nucleus, spot = p["balls"][:, 0], p["balls"][:, 1]
    assert (spot[:, 2] < nucleus[:, 2]).all() and (spot[:, 3] > nucleus[:, 3]).all()
    assert (torch.from_numpy(nucleus[:, 5]) >= 0.3).all()
