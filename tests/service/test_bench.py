"""The bench reference: sizes, coverage, flotation, limits; what is refused, and from whom."""

from __future__ import annotations

from typing import Any

import httpx
import pytest
from service_calls import ok, problem

from triage.fluids import read_published_fluids
from triage.morphometrics import read_published_sizes

PATHS = (
    "/api/bench/sizes",
    "/api/bench/coverage",
    "/api/bench/flotation?specific_gravity=1.2",
    "/api/bench/limits",
)


def ask(client: httpx.Client, path: str, **parameters: Any) -> Any:
    return ok(client.get(f"/api/bench/{path}", params=parameters), 200)


def test_sizes_show_every_published_row_with_its_source(reader: httpx.Client) -> None:
    figures = [figure for row in ask(reader, "sizes") for figure in row["figures"]]
    assert len(figures) == len(read_published_sizes()) - 1
    assert all(figure["source"] and figure["printed"].endswith("µm") for figure in figures)
    assert {figure["decides"] for figure in figures if figure["strength"] != "read"} == {False}


def test_sizes_are_searched_and_name_no_toxocara_species(reader: httpx.Client) -> None:
    rows = {row["taxon"]: row for row in ask(reader, "sizes", search="toxocara", host="cat")}
    assert "Toxocara canis" not in rows
    assert "Toxocara canis" in rows["Toxocara cati"]["kept_with"]
    assert "Uga" in rows["Toxocara cati"]["kept_with_source"]
    assert rows["Toxocara cati"]["length_range_um"] is None


def test_sizes_that_fit_nothing_are_an_empty_list(reader: httpx.Client) -> None:
    assert ask(reader, "sizes", length_um=5000) == []


# Worked out in the project's table of optics: FN, side in mm, area ratio, passes, with 10 % overlap, fields.
@pytest.mark.parametrize(
    ("field_number", "side", "ratio", "passes", "overlapping", "fields"),
    [
        (18, 18, 127.3, 10, 12, 225),
        (18, 22, 190.2, 13, 14, 324),
        (18, 24, 226.4, 14, 15, 361),
        (20, 18, 103.1, 9, 10, 169),
        (20, 22, 154.1, 11, 13, 256),
        (20, 24, 183.3, 12, 14, 289),
        (22, 18, 85.2, 9, 10, 144),
        (22, 22, 127.3, 10, 12, 225),
        (22, 24, 151.5, 11, 13, 256),
    ],
)
def test_coverage_is_that_of_the_table(
    reader: httpx.Client,
    field_number: float,
    side: float,
    ratio: float,
    passes: int,
    overlapping: int,
    fields: int,
) -> None:
    plain = ask(reader, "coverage", field_number_mm=field_number, coverslip_mm=side, magnification=10)
    assert (round(plain["area_ratio"], 1), plain["n_passes"], plain["n_gap_free_fields"]) == (
        ratio,
        passes,
        fields,
    )
    some = ask(reader, "coverage", field_number_mm=field_number, coverslip_mm=side, overlap=0.1)
    assert some["n_passes"] == overlapping


def test_coverage_says_what_the_objective_resolves_where_its_aperture_is_given(reader: httpx.Client) -> None:
    assert ask(reader, "coverage")["rayleigh_um"] is None
    # 0.61 x 0.55 / 0.25, and that / 2.3.
    resolved = ask(reader, "coverage", numerical_aperture=0.25)
    assert resolved["rayleigh_um"] == pytest.approx(1.342, abs=0.001)
    assert resolved["largest_useful_um_per_px"] == pytest.approx(0.583, abs=0.001)


@pytest.mark.parametrize(
    ("gravity", "taenia", "hookworm"),
    [(1.18, "sinks", "floats"), (1.27, "floats", "floats"), (1.06, "sinks", "borderline")],
)
def test_flotation_compares_the_reading_with_measured_eggs(
    reader: httpx.Client, gravity: float, taenia: str, hookworm: str
) -> None:
    # Taenia 1.2251, Ancylostoma caninum 1.0559: David & Lindquist 1982.
    answer = ask(reader, "flotation", specific_gravity=gravity, host="dog")
    results = {one["taxon"]: one["result"] for one in answer["checks"]}
    assert (results["Taenia spp."], results["Ancylostoma caninum"]) == (taenia, hookworm)
    assert "can't be said to be absent" in answer["caution"]


def test_flotation_of_zinc_sulfate_warns_of_the_eyes_and_shows_what_is_printed(reader: httpx.Client) -> None:
    answer = ask(reader, "flotation", specific_gravity=1.18, solution="Zinc sulfate", method="passive")
    assert answer["fluid"] == "zinc_sulfate"
    assert any("eyes" in one["text"] for one in answer["cautions"])
    assert any("your local rules go first" in one["text"] for one in answer["cautions"])
    assert any(one["source"] == "common practice, no source" for one in answer["standing"])
    expected = [row for row in read_published_fluids() if row.fluid in ("zinc_sulfate", "any")]
    assert len(answer["printed"]) == len(expected)


def test_flotation_of_an_unknown_solution_still_answers(reader: httpx.Client) -> None:
    answer = ask(reader, "flotation", specific_gravity=1.2, solution="house mix")
    assert answer["fluid"] is None and answer["checks"]


def test_limits_say_why_nothing_seen_proves_nothing(reader: httpx.Client) -> None:
    answer = ask(reader, "limits", host="cat")
    assert all(one["source"] for one in answer["limits"] + answer["prepatent_periods"])
    assert {one["host"] for one in answer["prepatent_periods"]} <= {"cat", "both"}


@pytest.mark.parametrize(
    ("path", "parameters", "sentence"),
    [
        ("sizes", {"group": "egg"}, "There is no group named 'egg'."),
        ("sizes", {"host": "horse"}, "host: Input should be 'dog' or 'cat'; received 'horse'."),
        ("sizes", {"length_um": 0}, "length_um: Input should be greater than 0"),
        ("sizes", {"search": "x" * 101}, "search: "),
        (
            "coverage",
            {"coverslip_mm": 0},
            "The side of the coverslip is 0.0 mm; it must be a number above 0.",
        ),
        ("coverage", {"overlap": 1}, "The overlap is 1.0; it must be 0 or more and below 1."),
        ("coverage", {"field_number_mm": "nan"}, "field_number_mm: Input should be a finite number"),
        ("coverage", {"numerical_aperture": 2}, "The numerical aperture is 2.0; it must be above 0"),
        ("flotation", {}, "specific_gravity: "),
        (
            "flotation",
            {"specific_gravity": 12},
            "The specific gravity is 12.0; it must lie between 1.0 and 1.6.",
        ),
        ("flotation", {"specific_gravity": 1.2, "method": "shaken"}, "method: "),
        ("limits", {"host": "horse"}, "host: "),
    ],
)
def test_what_is_impossible_is_refused_in_a_sentence(
    reader: httpx.Client, path: str, parameters: dict[str, Any], sentence: str
) -> None:
    refused = problem(reader.get(f"/api/bench/{path}", params=parameters), 422)
    assert refused["detail"].startswith(sentence)


@pytest.mark.parametrize("path", PATHS)
def test_nobody_looks_up_who_is_not_signed_in(anybody: httpx.Client, path: str) -> None:
    problem(anybody.get(path), 401)


@pytest.mark.parametrize("path", PATHS)
def test_the_reference_can_only_be_read(reader: httpx.Client, path: str) -> None:
    assert reader.post(path, json={}).status_code == 405


def test_there_is_no_other_table(reader: httpx.Client) -> None:
    problem(reader.get("/api/bench/doses"), 404)


def test_bench_page_is_served(anybody: httpx.Client) -> None:
    assert "Fields and passes over a coverslip" in anybody.get("/bench").text
