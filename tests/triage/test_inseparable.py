from __future__ import annotations

from triage.inseparable import read_inseparable_taxa, taxa_kept_with
from triage.morphometrics import read_published_sizes


def test_every_taxon_of_the_table_has_published_sizes() -> None:
    known = {row.taxon for row in read_published_sizes()}
    assert {taxon for together in read_inseparable_taxa() for taxon in together.taxa} <= known


def test_every_set_says_why_and_where_from() -> None:
    for together in read_inseparable_taxa():
        assert len(together.taxa) >= 2 and together.label and together.text, together
        assert together.strength in ("read", "memory", "practice"), together
        assert (together.source == "common practice, no source") == (together.strength == "practice")


def test_no_taxon_is_in_two_sets() -> None:
    taxa = [taxon for together in read_inseparable_taxa() for taxon in together.taxa]
    assert len(taxa) == len(set(taxa))


def test_toxocara_of_dog_and_cat_are_kept_together_both_ways() -> None:
    # Uga et al. 2000, Vet Parasitol 92:287-294 (abstract).
    assert "Toxocara cati" in taxa_kept_with("Toxocara canis")
    assert "Toxocara canis" in taxa_kept_with("Toxocara cati")


def test_what_stands_alone_is_kept_with_nothing() -> None:
    assert taxa_kept_with("Trichuris vulpis") == ()
