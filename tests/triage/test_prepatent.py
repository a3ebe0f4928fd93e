from __future__ import annotations

import re

import pytest

from triage.errors import RecordError
from triage.groups import candidate_groups
from triage.prepatent import find_prepatent_periods, read_slide_limits

DAYS_IN = {"days": 1, "weeks": 7, "months": 30}


def test_every_period_has_a_group_a_source_and_bounds_in_order() -> None:
    for one in find_prepatent_periods():
        assert one.group in candidate_groups() and one.host in ("dog", "cat", "both"), one
        assert one.source and one.strength in ("read", "weak"), one
        assert one.most_days is not None and 0 < (one.least_days or 1) <= one.most_days, one


def test_days_are_what_the_printed_words_say() -> None:
    for one in find_prepatent_periods():
        printed = one.printed.replace("three", "3")
        numbers = [float(number) for number in re.findall(r"\d+", printed)]
        unit = DAYS_IN[printed.split()[-1]]
        assert one.most_days == max(numbers) * unit, one
        assert one.least_days in (min(numbers) * unit, None), one


@pytest.mark.parametrize(
    ("taxon", "host", "printed"),
    [
        # Atlas of Livestock Parasites, Prague, against WikiVet.
        ("Toxascaris leonina", "cat", ["13 weeks", "10-11 weeks"]),
        ("Toxascaris leonina", "dog", ["8 weeks", "10-11 weeks"]),
        # The same atlas, by the way of taking it in.
        ("Toxocara canis", "dog", ["21 days", "27-35 days", "32-39 days"]),
    ],
)
def test_sources_that_differ_are_all_given(taxon: str, host: str, printed: list[str]) -> None:
    found = find_prepatent_periods("ascarid_egg", host)
    assert [one.printed for one in found if one.taxon == taxon] == printed


def test_an_unknown_host_keeps_all_rows() -> None:
    assert find_prepatent_periods(host="ferret") == find_prepatent_periods()
    assert len(find_prepatent_periods(host="cat")) < len(find_prepatent_periods())


def test_an_unknown_group_is_refused() -> None:
    with pytest.raises(RecordError, match="no group named 'worm'"):
        find_prepatent_periods("worm")


def test_slide_limits_each_name_a_source_and_no_verdict() -> None:
    limits = read_slide_limits()
    assert {"too early", "shedding pauses", "segments", "heavy eggs"} <= {one.reason for one in limits}
    for one in limits:
        assert one.text.endswith(".") and one.source and one.strength in ("read", "weak"), one
        assert not re.search(r"\b(positive|negative|infected|finding)\b", one.text.lower()), one
