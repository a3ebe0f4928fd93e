"""The bench reference: searched, drawn to scale, worked out, by keyboard too."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect

from .conftest import Clinic


@pytest.fixture
def bench(reader: Page, clinic: Clinic) -> Page:
    """The bench page with its content."""
    reader.goto(f"{clinic.address}/bench")
    expect(reader.locator("#sizes-drawn li").first).to_be_visible()
    expect(reader.locator("#flotation-result h3").first).to_be_visible()
    return reader


def test_sizes_are_searched_while_typing(bench: Page) -> None:
    bench.get_by_label("Taxon, group, stage or source").fill("toxocara")
    expect(bench.locator("#sizes-count")).to_have_text("3 taxa. A size that fits is not an identification.")
    expect(bench.locator("#sizes-drawn")).to_contain_text("75–90 × 65–90 µm")
    bench.get_by_label("Taxon, group, stage or source").fill("no such worm")
    expect(bench.locator("#sizes-count")).to_contain_text("That says nothing of what is on the slide.")
    expect(bench.locator("#sizes-drawn li")).to_have_count(0)


def test_outlines_are_drawn_to_the_scale_of_the_ruler(bench: Page) -> None:
    bench.get_by_label("Taxon, group, stage or source").fill("Trichuris vulpis")
    expect(bench.locator("#sizes-drawn li")).to_have_count(1)
    # 72-90 x 32-40 µm (Czech atlas); the ruler has a mark every 10 µm over 200 µm.
    ruler = bench.locator("#sizes-ruler path").evaluate("(path) => path.getBBox().width")
    largest, smallest = bench.locator("#sizes-drawn ellipse").evaluate_all(
        "(all) => all.map((one) => [2 * one.rx.baseVal.value, 2 * one.ry.baseVal.value])"
    )
    assert [side * 200 / ruler for side in largest] == pytest.approx([90, 40], rel=0.01)
    assert [side * 200 / ruler for side in smallest] == pytest.approx([72, 32], rel=0.01)


def test_drawing_leads_to_its_sources_by_keyboard(bench: Page) -> None:
    bench.get_by_label("Taxon, group, stage or source").fill("caninum hookworm")
    drawing = bench.locator("#sizes-drawn a")
    expect(drawing).to_have_count(1)
    drawing.focus()
    bench.keyboard.press("Enter")
    row = bench.get_by_role("row").filter(has_text="Ancylostoma caninum")
    expect(row).to_be_in_viewport()
    row.locator("summary").focus()
    bench.keyboard.press("Enter")
    expect(row).to_contain_text("56-65 x 37-43 µm (range, used by the size check)")
    expect(row).to_contain_text("52-79 x 28-58 µm (range, shown only)")
    expect(row).to_contain_text("share size and look. common practice, no source")


def test_coverage_is_worked_out_anew_at_every_change(bench: Page) -> None:
    facts = bench.locator("#coverage-facts")
    expect(facts).to_contain_text("13 passes")
    bench.get_by_label("Field number of the eyepiece (FN), mm").fill("22")
    expect(facts).to_contain_text("12 passes")
    expect(facts).to_contain_text("225 fields")
    bench.get_by_label("Overlap of passes, %").fill("0")
    expect(facts).to_contain_text("10 passes")
    expect(bench.get_by_role("img", name="Coverslip with 10 passes")).to_be_visible()


def test_reading_of_the_hydrometer_says_what_floats(bench: Page) -> None:
    result = bench.locator("#flotation-result")
    heavy = result.locator(".part").filter(has_text="Heavier than the solution")
    expect(heavy).to_contain_text("Taenia spp.")
    expect(bench.locator("#cautions-list")).to_contain_text("Zinc sulfate. Can damage the eyes seriously")
    bench.get_by_label("Flotation solution").select_option("Sheather's sugar solution")
    expect(bench.get_by_label("Specific gravity, read from the hydrometer")).to_have_value("1.25")
    expect(heavy).to_have_count(0)
    bench.locator("#flotation-method").select_option("passive")
    expect(result).to_contain_text("Eight minutes at least. common practice, no source")
    expect(bench.locator("#cautions-list")).to_contain_text("formaldehyde")


def test_impossible_reading_is_told_and_the_last_answer_stays(bench: Page) -> None:
    bench.get_by_label("Specific gravity, read from the hydrometer").fill("1.7")
    expect(bench.locator("#flotation-problem")).to_contain_text("Specific gravity, read from the hydrometer")
    expect(bench.locator("#flotation-result h3").first).to_be_visible()
    bench.get_by_label("Specific gravity, read from the hydrometer").fill("1.2")
    expect(bench.locator("#flotation-problem")).to_be_empty()


def test_page_gives_no_verdict(bench: Page) -> None:
    words = bench.locator("main").inner_text().lower()
    assert not {"positive", "negative", "infected", "diagnosis"} & set(words.replace(".", " ").split())
