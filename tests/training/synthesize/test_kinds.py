"""Every kind keeps the contract that scenes and truth rely on."""

import csv
from functools import cache
from importlib import resources

import numpy as np
import pytest
import torch

from training.synthesize.kinds import KINDS, Kind, Parameters
from training.synthesize.kinds.light import confine
from training.synthesize.material import Material, Samples
from training.synthesize.noise import make_texture
from triage.groups import candidate_groups, look_alikes

TEXTURE = make_texture(torch.device("cpu"))
SIDE = 97
OFFSETS = torch.rand(64, 2, generator=torch.Generator().manual_seed(3))
each_kind = pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS.keys())


def draw(kind: Kind, n: int, seed: int = 7) -> Parameters:
    return kind.draw_parameters(np.random.default_rng(seed), n)


@cache
def draw_outlines(kind: Kind) -> tuple[Parameters, np.ndarray]:
    """Of forty objects, drawn once for all tests of outlines, which change nothing."""
    parameters = draw(kind, 40)
    return parameters, kind.outline(parameters)


@cache
def look_closely(kind: Kind) -> tuple[Parameters, Material]:
    """Four objects, each seen on `SIDE` x `SIDE` places over its reach."""
    parameters = draw(kind, 4)
    return parameters, look(kind, parameters, side=SIDE)


def look(
    kind: Kind,
    parameters: Parameters,
    *,
    times_reach: float = 1.0,
    side: int = 48,
    offset: torch.Tensor | None = None,
) -> Material:
    """Material of each object on a square grid that spans `times_reach` of its reach."""
    tensors = {key: torch.from_numpy(np.ascontiguousarray(value)) for key, value in parameters.items()}
    n = len(parameters["reach_um"])
    line = torch.linspace(-times_reach, times_reach, side)
    v, u = torch.meshgrid(line, line, indexing="ij")
    reach = tensors["reach_um"][:, None]
    samples = Samples(
        u_um=(u.reshape(1, -1) * reach).reshape(-1),
        v_um=(v.reshape(1, -1) * reach).reshape(-1),
        owner=torch.arange(n).repeat_interleave(side * side),
        n_objects=n,
        um_per_px=torch.full((n,), 0.5),
        texture=TEXTURE,
        offset=OFFSETS[:n] if offset is None else offset,
    )
    return kind.material(samples, tensors)


def row(parameters: Parameters, i: int) -> Parameters:
    return {key: value[i : i + 1] for key, value in parameters.items()}


def test_every_group_can_be_drawn() -> None:
    assert {kind.group for kind in KINDS.values()} == {*candidate_groups(), *look_alikes()}


def test_names_in_the_registry_are_the_kinds_own() -> None:
    assert all(name == kind.name and kind.weight > 0 for name, kind in KINDS.items())


@each_kind
def test_outline_spans_length_and_width(kind: Kind) -> None:
    parameters, outline = draw_outlines(kind)
    span = np.ptp(outline, axis=1)
    np.testing.assert_allclose(span[:, 0], parameters["length_um"], rtol=1e-3)
    np.testing.assert_allclose(span[:, 1], parameters["width_um"], rtol=1e-3)


@each_kind
def test_outline_is_centred_and_longest_along_u(kind: Kind) -> None:
    parameters, outline = draw_outlines(kind)
    middle = (outline.min(1) + outline.max(1)) / 2
    assert np.abs(middle).max() < 0.02 * parameters["length_um"].max()
    assert (parameters["length_um"] >= 0.9 * parameters["width_um"]).all()


@each_kind
def test_parameters_are_finite_float32_with_one_row_an_object(kind: Kind) -> None:
    for key, value in draw(kind, 5).items():
        assert value.dtype == np.float32, key
        assert len(value) == 5 and np.isfinite(value).all(), key


@each_kind
def test_outline_lies_within_reach(kind: Kind) -> None:
    parameters, outline = draw_outlines(kind)
    assert (np.abs(outline).max((1, 2)) <= parameters["reach_um"]).all()


@each_kind
def test_material_is_finite_and_takes_light_out_only(kind: Kind) -> None:
    material = look(kind, draw(kind, 8), side=24)
    assert torch.isfinite(material.density).all() and torch.isfinite(material.path_um).all()
    assert (material.density >= 0).all()


@each_kind
def test_nothing_is_drawn_beyond_reach(kind: Kind) -> None:
    material = look(kind, draw(kind, 4), times_reach=1.5, side=48)
    line = torch.linspace(-1.5, 1.5, 48).abs() > 1
    beyond = (line[:, None] | line[None]).reshape(-1).repeat(4)
    assert (material.density[beyond] == 0).all() and (material.path_um[beyond] == 0).all()


@pytest.mark.parametrize("place_um", [(6.0, 0.0), (-6.0, 0.0), (0.0, 6.0), (0.0, -6.0)])
def test_confine_takes_away_what_lies_beyond_reach(place_um: tuple[float, float]) -> None:
    u_um, v_um = torch.tensor([place_um, (4.0, -4.0)]).T
    samples = Samples(
        u_um, v_um, torch.tensor([0, 0]), 1, um_per_px=torch.ones(1), texture=TEXTURE, offset=OFFSETS[:1]
    )
    kept = confine(samples, {"reach_um": torch.tensor([5.0])}, Material(torch.ones(2, 3), torch.ones(2)))
    assert kept.density.tolist() == [[0, 0, 0], [1, 1, 1]] and kept.path_um.tolist() == [0, 1]


@each_kind
def test_hardly_anything_is_drawn_outside_the_outline(kind: Kind) -> None:
    parameters, material = look_closely(kind)
    amount = (material.density.sum(1) + material.path_um.abs()).reshape(4, -1).numpy()
    line = np.linspace(-1, 1, SIDE, dtype=np.float32)[None] * parameters["reach_um"][:, None]
    low, high = kind.outline(parameters).min(1) - 0.6, kind.outline(parameters).max(1) + 0.6
    inside_u = (line >= low[:, :1]) & (line <= high[:, :1])
    inside_v = (line >= low[:, 1:]) & (line <= high[:, 1:])
    inside = (inside_v[:, :, None] & inside_u[:, None]).reshape(4, -1)
    # Cilia and bristles stand out of the outline; they weigh little.
    assert ((amount * ~inside).sum(1) <= 0.05 * amount.sum(1)).all()


@each_kind
def test_material_fills_the_outline_from_end_to_end(kind: Kind) -> None:
    parameters, material = look_closely(kind)
    seen = (material.density.sum(1) + material.path_um.abs() > 1e-4).reshape(4, SIDE, SIDE).numpy()
    line = np.linspace(-1, 1, SIDE)[None] * parameters["reach_um"][:, None]
    low, high = kind.outline(parameters).min(1), kind.outline(parameters).max(1)
    cell = line[:, 1] - line[:, 0]
    for axis, marked in enumerate((seen.any(1), seen.any(2))):
        first = np.where(marked, line, np.inf).min(1)
        last = np.where(marked, line, -np.inf).max(1)
        slack = 0.08 * (high - low)[:, axis] + 2 * cell
        assert (first <= low[:, axis] + slack).all() and (last >= high[:, axis] - slack).all()


@each_kind
def test_every_object_can_be_seen(kind: Kind) -> None:
    material = look(kind, draw(kind, 16), side=41)
    dark = material.density.amax(1).reshape(16, -1).amax(1)
    bend = material.path_um.reshape(16, -1).abs().amax(1)
    assert (dark + bend > 0.02).all()


def test_bodies_to_be_boxed_apart_are_told_where_there_are_two() -> None:
    kind = KINDS["sporocyst_pair"]
    parameters = draw(kind, 64)
    assert kind.bodies is not None
    is_single = np.isnan(kind.bodies(parameters)).all(axis=(1, 2, 3))
    assert is_single.tolist() == (parameters["single"] > 0).tolist()
    assert set(is_single.tolist()) == {True, False}


@each_kind
def test_no_object_gives_no_rows(kind: Kind) -> None:
    parameters = draw(kind, 0)
    assert kind.outline(parameters).shape == (0, 96, 2)
    assert look(kind, parameters).density.shape == (0, 3)


@each_kind
def test_same_seed_draws_the_same_parameters(kind: Kind) -> None:
    first, again, other = draw(kind, 3, seed=1), draw(kind, 3, seed=1), draw(kind, 3, seed=2)
    for key in first:
        np.testing.assert_array_equal(first[key], again[key])
    assert not np.array_equal(first["length_um"], other["length_um"])


@each_kind
def test_objects_drawn_together_equal_each_alone(kind: Kind) -> None:
    parameters = draw(kind, 2)
    together = look(kind, parameters, side=24, offset=OFFSETS[:2])
    n = len(together.path_um) // 2
    for i in (0, 1):
        alone = look(kind, row(parameters, i), side=24, offset=OFFSETS[i : i + 1])
        mine = slice(i * n, (i + 1) * n)
        torch.testing.assert_close(together.density[mine], alone.density)
        torch.testing.assert_close(together.path_um[mine], alone.path_um)


# Kind, then the taxa (and stage) of the table of published sizes that it draws.
CITED = {
    "toxocara_canis_egg": [("Toxocara canis", "egg")],
    "toxocara_cati_egg": [("Toxocara cati", "egg")],
    "toxascaris_egg": [("Toxascaris leonina", "egg")],
    "baylisascaris_egg": [("Baylisascaris procyonis", "egg")],
    "ancylostoma_egg": [("Ancylostoma caninum", "egg"), ("Ancylostoma tubaeforme", "egg")],
    "uncinaria_egg": [("Uncinaria stenocephala", "egg")],
    "whipworm_egg": [("Trichuris vulpis", "egg"), ("Trichuris spp.", "egg")],
    "capillarid_egg": [
        ("Eucoleus aerophilus", "egg"),
        ("Eucoleus boehmi", "egg"),
        ("Aonchotheca putorii", "egg"),
        ("Pearsonema plica", "egg"),
        ("Pearsonema feliscati", "egg"),
    ],
    "taeniid_egg": [("Taenia spp.", "egg"), ("Echinococcus spp.", "egg")],
    "dipylidium_egg": [("Dipylidium caninum", "egg")],
    "dipylidium_packet": [("Dipylidium caninum", "packet")],
    "mesocestoides_egg": [("Mesocestoides spp.", "egg")],
    "pseudophyllid_egg": [("Spirometra spp.", "egg"), ("Dibothriocephalus latus", "egg")],
    "middle_fluke_egg": [("Paragonimus kellicotti", "egg"), ("Nanophyetus salmincola", "egg")],
    "physaloptera_egg": [("Physaloptera spp.", "egg")],
    "spirocerca_egg": [("Spirocerca lupi", "egg")],
    "strongyloides_egg": [("Strongyloides stercoralis", "egg")],
    "lungworm_egg": [("Oslerus osleri", "egg")],
    "mite_egg": [("Mite egg (any)", "egg")],
    "cystoisospora_large": [("Cystoisospora canis", "oocyst"), ("Cystoisospora felis", "oocyst")],
    "cystoisospora_small": [
        ("Cystoisospora ohioensis complex", "oocyst"),
        ("Cystoisospora spp. (smaller group)", "oocyst"),
    ],
    "toxoplasma_type_oocyst": [("Toxoplasma/Hammondia type", "oocyst"), ("Toxoplasma gondii", "oocyst")],
    "giardia_cyst": [("Giardia duodenalis", "cyst")],
}


def published_range_um(taxa: list[tuple[str, str]], side: str) -> tuple[float, float]:
    """Smallest and largest published figure of all rows of the taxa; sources stand in the table itself."""
    text = resources.files("triage").joinpath("data/morphometrics.csv").read_text(encoding="utf-8")
    rows = [each for each in csv.DictReader(text.splitlines()) if (each["taxon"], each["stage"]) in taxa]
    ends = [
        float(each[f"{side}_{end}_um"]) for each in rows for end in ("min", "max") if each[f"{side}_{end}_um"]
    ]
    return min(ends), max(ends)


@pytest.mark.parametrize("name", CITED)
def test_sizes_lie_within_15_percent_of_the_published_range(name: str) -> None:
    parameters = draw(KINDS[name], 300)
    # A sprung lid stands out of the egg; published sizes are those of closed eggs.
    shut = parameters.get("opened", np.zeros(300)) == 0
    for side in ("length", "width"):
        low, high = published_range_um(CITED[name], side)
        sizes = parameters[f"{side}_um"][shut]
        assert sizes.min() >= 0.85 * low and sizes.max() <= 1.15 * high, (
            side,
            sizes.min(),
            sizes.max(),
            low,
            high,
        )
