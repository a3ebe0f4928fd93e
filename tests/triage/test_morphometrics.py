from __future__ import annotations

from triage.groups import candidate_groups, read_groups
from triage.morphometrics import find_references, read_published_sizes


def test_read_published_sizes_never_has_a_lower_bound_above_the_upper() -> None:
    for row in read_published_sizes():
        for low, high in (row.length_um, row.width_um):
            assert low is None or high is None or 0 < low <= high, row


def test_read_published_sizes_names_a_source_for_every_row_that_was_read() -> None:
    for row in read_published_sizes():
        assert row.source and row.strength in ("read", "weak", "memory")
        assert (row.strength == "memory") == (row.source_url_or_doi == ""), row


def test_every_common_group_of_the_table_belongs_to_a_group() -> None:
    known = {name for group in read_groups() for name in group.common_groups} | {"all"}
    assert {row.common_group for row in read_published_sizes()} <= known


def test_every_candidate_group_has_references() -> None:
    assert all(find_references(group) for group in candidate_groups())


def test_find_references_gives_the_widest_range_of_uncinaria() -> None:
    # 67-91 (measured, Lublin study of 500 dogs) and 71-93 (encyclopedia page).
    taxa = {one.taxon: one for one in find_references("strongylid_egg")}
    assert taxa["Uncinaria stenocephala"].length_range_um == (67, 93)


def test_find_references_keeps_oocyst_and_sporocyst_apart() -> None:
    assert "Sarcocystis spp. (sporocyst)" in {one.taxon for one in find_references("oocyst")}
