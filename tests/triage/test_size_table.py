from __future__ import annotations

import pytest

from triage.errors import RecordError
from triage.groups import candidate_groups
from triage.morphometrics import find_references, read_published_sizes
from triage.size_table import read_size_table, search_sizes


def taxa(*arguments: str, **options: object) -> set[str]:
    return {row.taxon for row in search_sizes(*arguments, **options)}  # type: ignore[arg-type]


def test_table_leaves_out_no_published_row_but_the_one_of_no_taxon() -> None:
    shown = [figure for row in read_size_table() for figure in row.figures]
    left_out = [row for row in read_published_sizes() if row not in shown]
    assert [row.common_group for row in left_out] == ["all"]
    assert len(shown) == len(read_published_sizes()) - 1


@pytest.mark.parametrize("group", candidate_groups())
def test_table_has_the_ranges_that_the_size_check_takes(group: str) -> None:
    ranges = {(row.taxon, row.length_range_um, row.width_range_um) for row in read_size_table()}
    for reference in find_references(group):
        name = reference.taxon.split(" (packet)")[0].split(" (sporocyst)")[0]
        assert (name, reference.length_range_um, reference.width_range_um) in ranges


def test_search_takes_words_of_taxon_group_stage_and_source_in_any_order() -> None:
    assert taxa("vulpis trichuris") == {"Trichuris vulpis"}
    assert taxa("WHIPWORM") >= {"Trichuris vulpis", "Trichuris spp.", "Eucoleus boehmi"}
    assert taxa("traversa boehmi") == {"Eucoleus boehmi"}
    assert taxa("packet dipylidium") == {"Dipylidium caninum"}
    assert taxa("no such word") == set()


def test_search_is_narrowed_by_group_and_host() -> None:
    cats = taxa(group="strongylid_egg", host="cat")
    assert "Ancylostoma tubaeforme" in cats and "Ancylostoma caninum" not in cats
    assert "Trichuris vulpis" not in cats


def test_search_by_size_leaves_what_both_sides_fit() -> None:
    # Trichuris vulpis 72-90 x 32-40 (Czech atlas); Eucoleus boehmi 50-60 x 30-35 (Traversa 2010).
    found = taxa(length_um=75.0, width_um=36.0)
    assert "Trichuris vulpis" in found and "Eucoleus boehmi" not in found
    assert "Toxocara cati" not in found


def test_sources_that_decide_come_first() -> None:
    (row,) = [row for row in search_sizes("Uncinaria")]
    assert [figure.source.split()[0] for figure in row.figures] == ["Lublin", "Wikipedia"]
    (pearsonema,) = [row for row in search_sizes("Ancylostoma caninum") if row.taxon == "Ancylostoma caninum"]
    assert [figure.strength for figure in pearsonema.figures] == ["read", "memory"]


def test_taxa_that_size_cannot_part_say_so() -> None:
    (row,) = [row for row in search_sizes("Toxocara cati") if row.taxon == "Toxocara cati"]
    assert row.kept_with is not None and "Toxocara canis" in row.kept_with.taxa


def test_search_refuses_an_unknown_group_and_an_impossible_size() -> None:
    with pytest.raises(RecordError, match="no group named 'egg'"):
        search_sizes(group="egg")
    with pytest.raises(RecordError, match="length_um is 0; it must be above 0"):
        search_sizes(length_um=0)
