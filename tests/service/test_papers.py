"""The reading record and the owner's sheet: what they hold, in which words, as page and as PDF."""

from __future__ import annotations

import ast
import itertools
import re
import socket
import sys
import zlib
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import httpx
import pytest
import pyvips
from service_calls import list_candidates, mark, next_number, ok, problem, upload_slide
from service_slides import draw_slide

import triage
from service.errors import NoPdfError
from service.papers import render, words
from service.papers.limit_words import tell_advice, tell_limits, tell_notes
from triage.adequacy import assess_adequacy
from triage.errors import RecordError
from triage.groups import candidate_groups, look_alikes
from triage.illumination import Light, remark_on_light
from triage.images import Picture
from triage.optics import Objective, usual_objective
from triage.preparation import COMMON_PRACTICE, Preparation, check_preparation
from triage.proposal import proposal_to_json
from triage.records import Adequacy, Proposal
from triage.strata import warn_of_weak_groups
from triage.visibility import judge_visibility

FOLDER = Path(render.__file__).parent
FORBIDDEN = re.compile(r"\b(negative|positive|infected|infection|nothing found|diagnosed)\b", re.IGNORECASE)
KINDS = ("reading-record", "owner-sheet")


@pytest.fixture(scope="module")
def read_specimen(people: dict[str, httpx.Client]) -> dict[str, Any]:
    """A signed specimen: one object confirmed, one rejected, one unsure."""
    image = upload_slide(
        people["assistant"], draw_slide(next_number()), facts={"coverslip_mm": 22}, um_per_px=1.0
    )
    first, second, third = list_candidates(people["reader"], image)["candidates"]
    mark(people["reader"], first, group="ascarid_egg")
    mark(people["reader"], second, answer="reject", reason="pollen")
    mark(people["reader"], third, answer="unsure")
    sign_off = {"remark": "read at 10x <b>twice</b>"}
    ok(people["reader"].post(f"/api/specimens/{image['specimen_id']}/sign-off", json=sign_off), 201)
    return image


def _page(client: httpx.Client, image: dict[str, Any], kind: str) -> str:
    answer = client.get(f"/api/specimens/{image['specimen_id']}/papers/{kind}.html")
    assert answer.status_code == 200, answer.text
    return answer.text


def test_reading_record_holds_what_was_read_how_and_by_whom(
    reader: httpx.Client, read_specimen: dict[str, Any]
) -> None:
    page = _page(reader, read_specimen, "reading-record")
    for said in (
        "Signed off by The reader",
        "as version 1",
        "read at 10x &lt;b&gt;twice&lt;/b&gt;",
        "Ascarid egg</strong>, confirmed",
        ", left unsure",
        "<strong>Resembles ",
        "Rejected as look-alikes: Pollen 1.",
        "1 µm per pixel, standard uncertainty",
        "None marked on",
        "Giardia cyst: can&#39;t be assessed in this picture",
        "with proposals from the beginning",
        read_specimen["sha256"],
        "detector ",
        "The veterinarian&#39;s words",
        "This is not a diagnosis.",
        "of the log, SHA-256",
        # Without one a browser asks for /favicon.ico, which isn't there.
        '<link rel="icon" href="/static/icon.svg"',
    ):
        assert said in page, said
    assert page.count('src="data:image/jpeg;base64,') == 2


def test_reading_record_tells_rule_changes_and_tail(
    reader: httpx.Client, vet: httpx.Client, image: dict[str, Any]
) -> None:
    rule = {"rule": "unaided_first", "reason": "a control"}
    ok(vet.post(f"/api/specimens/{image['specimen_id']}/reading-rules", json=rule), 201)
    read = ok(reader.post(f"/api/images/{image['id']}/reads", json={"mode": "unaided"}), 201)
    ok(reader.post(f"/api/reads/{read['id']}/lock"), 200)
    first = list_candidates(reader, image)["candidates"][0]
    mark(reader, first)
    sheet = ok(reader.post(f"/api/images/{image['id']}/contact-sheets", json={"from_rank": 2}), 201)
    seen = {"candidate_ids": sheet["candidate_ids"]}
    ok(reader.post(f"/api/contact-sheets/{sheet['id']}/views", json=seen), 200)
    ok(reader.post(f"/api/contact-sheets/{sheet['id']}/rejection", json={"reason": "pollen"}), 201)
    page = _page(reader, image, "reading-record")
    for said in (
        "Reading rule: unaided first. The vet, 20",
        ", because: a control",
        f"Candidate {first['rank']} of slide.png: from not found to ",
        ", toward the tool. The reader, 20",
        "2 candidates of slide.png as Pollen, after each had been on the screen. The reader, 20",
    ):
        assert said in page, said
    assert "Taken back" not in page
    ok(reader.post(f"/api/contact-sheets/{sheet['id']}/withdrawal"), 200)
    assert "Taken back: 2." in _page(reader, image, "reading-record")


def test_reading_record_tells_who_differed_who_settled_and_calls_objects_as_the_page_does(
    reader: httpx.Client, vet: httpx.Client, image: dict[str, Any]
) -> None:
    first = list_candidates(reader, image)["candidates"][0]
    drawn = {"bbox": [300.0, 20.0, 30.0, 20.0], "group": "oocyst"}
    for _ in range(2):
        ok(reader.post(f"/api/images/{image['id']}/objects", json=drawn), 201)
        drawn = {"bbox": [340.0, 60.0, 30.0, 20.0], "group": "oocyst"}
    mark(reader, first, group="ascarid_egg")
    mark(vet, first, group="trichurid_egg")
    assert "by The reader, The vet, who differ; nothing settles it yet" in _page(
        reader, image, "reading-record"
    )
    settled = {"answer": "confirm", "group": "ascarid_egg"}
    ok(vet.post(f"/api/candidates/{first['id']}/adjudications", json=settled), 201)
    page = _page(reader, image, "reading-record")
    assert "Candidate 1 of slide.png, marked by The reader, The vet, who differed; settled by The vet" in page
    assert "Added object 1 of slide.png, by The reader<" in page and "Added object 2 of slide.png" in page


def test_owner_sheet_explains_what_a_flotation_can_and_cannot_show(
    reader: httpx.Client, read_specimen: dict[str, Any]
) -> None:
    page = _page(reader, read_specimen, "owner-sheet")
    for said in (
        "Tapeworm segments",
        "Toxocara canis (with the milk): 27-35 days",
        "Repeat samples",
        "Hygiene",
    ):
        assert said in page, said
    assert "Giardia cyst: can&#39;t be assessed in this picture" in page
    assert "Ascarid egg" not in page


@pytest.mark.parametrize("kind", KINDS)
def test_papers_state_no_diagnosis(kind: str, reader: httpx.Client, read_specimen: dict[str, Any]) -> None:
    assert FORBIDDEN.findall(re.sub(r"<cite>.*?</cite>", "", _page(reader, read_specimen, kind))) == []


@pytest.mark.parametrize("kind", KINDS)
def test_paper_is_made_as_pdf(kind: str, reader: httpx.Client, read_specimen: dict[str, Any]) -> None:
    pytest.importorskip("weasyprint", exc_type=OSError)
    answer = reader.get(f"/api/specimens/{read_specimen['specimen_id']}/papers/{kind}.pdf", timeout=120)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "application/pdf" and answer.content.startswith(b"%PDF-")
    n_pages = _count_pages(answer.content)
    # What an owner takes home is one sheet; the veterinarian's words don't stand on a page of their own.
    assert n_pages in ((1, 2) if kind == "owner-sheet" else (1, 2, 3))


def _count_pages(pdf: bytes) -> int:
    """What the root of a PDF's tree of pages counts (ISO 32000-1, table 29)."""
    streams = re.findall(rb"stream\r?\n(.*?)endstream", pdf, re.DOTALL)
    texts = [zlib.decompress(one) for one in streams if one[:1] == b"x"]
    (root,) = [found for one in texts for found in re.findall(rb"<<[^<>]*/Type /Pages[^<>]*>>", one)]
    (counted,) = re.findall(rb"/Count (\d+)", root)
    return int(counted)


def test_pdf_without_its_library_answers_with_one_sentence(
    reader: httpx.Client, read_specimen: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    url = f"/api/specimens/{read_specimen['specimen_id']}/papers/owner-sheet"
    assert "Print the page in your browser instead." in problem(reader.get(f"{url}.pdf"), 501)["detail"]
    assert reader.get(f"{url}.html").status_code == 200
    with pytest.raises(NoPdfError, match="Pango is missing"):
        render.render_pdf("<p>x</p>")


def test_pdf_fetches_no_address(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("weasyprint", exc_type=OSError)
    asked: list[str] = []
    monkeypatch.setattr(socket.socket, "connect", lambda _, address: asked.append(address))
    pdf = render.render_pdf(
        '<img src="http://192.0.2.1/x.png"><img src="file:///etc/hostname"><p>still here</p>'
    )
    assert pdf.startswith(b"%PDF-") and asked == []


def test_draft_says_that_it_is_one(reader: httpx.Client, image: dict[str, Any]) -> None:
    page = _page(reader, image, "reading-record")
    assert "Draft: not signed off." in page and "3 candidates are not marked yet." in page


def test_paper_is_kept_from_a_reader_whose_unaided_read_is_open(
    second: httpx.Client, image: dict[str, Any]
) -> None:
    ok(second.post(f"/api/images/{image['id']}/reads", json={"mode": "unaided"}), 201)
    for path in ("papers/reading-record.html", "numbers", "versions"):
        refused = second.get(f"/api/specimens/{image['specimen_id']}/{path}")
        assert "unaided read" in problem(refused, 409)["detail"]


def test_limits_of_a_picture_are_told_in_the_words_of_the_paper() -> None:
    said = words.read_words()
    head = assess_head(um_per_px=1.0, objective=usual_objective(10))
    assert tell_limits(said, {**head, "groups_not_resolvable": ["oocyst", "giardia_cyst"]}) == (
        "Coccidian oocyst: can't be assessed in this picture: the smallest is only 10 px wide, 12 are "
        "needed. Go to 40x.",
        "Giardia cyst: can't be assessed in this picture: the smallest is only 7 px wide and the objective "
        "fills only 11.9 px of its width with detail, 12 are needed. Go to 40x.",
    )
    other = {
        **said,
        "groups": {"giardia_cyst": "Giardia-Zyste"},
        "limits": {**said["limits"], "plain": "zu klein"},
    }
    assert tell_limits(other, {"groups_not_resolvable": ["giardia_cyst"]}) == ("Giardia-Zyste: zu klein",)
    assert tell_limits(said, {"groups_not_resolvable": []}) == ()


def test_every_remark_on_a_picture_has_its_words() -> None:
    codes = {f"weak_{factor}" for factor in ("sharpness", "contrast", "evenness", "anyway")}
    for path in Path(triage.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            is_note = isinstance(node, ast.Call) and getattr(node.func, "id", None) == "CodedNote"
            if is_note and isinstance(code := node.args[0], ast.Constant):
                codes.add(str(code.value))
    said = words.read_words()
    of_advice = {code for code in said["advice"] if not code.startswith(("standing_", "common_"))}
    assert codes == set(said["notes"]) | of_advice


def test_remarks_on_a_picture_are_told_in_the_words_of_the_paper() -> None:
    tiny = assess_adequacy(open_pixels(1, 1), None, None, objective=usual_objective(10))
    light = (*remark_on_light(Light(0.21, 0.5, 1.0, 0.3)), *remark_on_light(Light(1.0, 0.0, 0.0, 1.0)))
    strata = {"group": "oocyst", "low": 0.0, "high": 1.0, "found": 8, "objects": 20, "interval": [0.22, 0.61]}
    factors = [("sharpness", "focus"), ("contrast", "light"), ("evenness", "light")]
    rows = {factor: [{**strata, "factor": factor}] for factor, _ in factors}
    better = {factor: [*some, {**some[0], "low": 1.0, "found": 20}] for factor, some in rows.items()}
    weak = [
        warn_of_weak_groups({"strata": {"rows": of[factor]}}, Adequacy(1.0, **{where: {factor: 0.354}}))
        for of, chosen in ((better, factors), (rows, factors[:1]))
        for factor, where in chosen
    ]
    notes = Adequacy(1.0, (*tiny.coded_notes, *light, *itertools.chain(*weak)))
    head = proposal_to_json(Proposal("a.png", "0" * 64, 1, 1, None, {}, notes))["adequacy"]
    assert len(head["notes"]) == 12
    assert tell_notes(words.read_words(), head) == tuple(head["notes"])
    in_no_language = tell_notes(invent_words(words.read_words()), head)
    assert [re.findall(r"[A-Za-z]", sentence.replace("10x", "")) for sentence in in_no_language] == [[]] * 12
    assert "8 ħħ 20" in " ".join(in_no_language)
    assert tell_notes({}, {"notes": ["Of an older proposal."]}) == ("Of an older proposal.",)


def test_advice_on_a_preparation_is_told_in_the_words_of_the_paper() -> None:
    said, invented = words.read_words(), invent_words(words.read_words())
    given = [one for made in all_sorts_of_preparations() for one in check_preparation(made)]
    assert {one.note.code for one in given} == set(said["advice"]) - {"common_practice"}
    for one in given:
        text, source = tell_advice(said, one)
        # Of the standing time only the figures are told: each source says it in its own words.
        assert source == one.source and (text == one.text or one.rule == "standing time")
        told, of_whom = tell_advice(invented, one)
        names = "|".join(re.escape(str(value)) for value in one.note.values.values())
        assert not re.search("[A-Za-z]", re.sub(names, "", told) if names else told)
        assert (of_whom == one.source) != (one.source == COMMON_PRACTICE)


def all_sorts_of_preparations() -> list[Preparation]:
    """Preparations that between them bring up every rule in each of its forms."""
    facts: dict[str, Any] = {
        "solution": "Zinc sulfate", "specific_gravity": 1.05, "standing_min": 3.0, "sample_g": 0.5,
        "coverslip_mm": 22.0, "vial_ml": 5.0, "vial_mouth_mm": 25.0, "hours_since_collection": 5.0,
        "hours_since_preparation": 2.0,
    }  # fmt: skip
    return [
        Preparation(method="passive", **facts),
        Preparation(method="centrifuged", **facts),
        Preparation(specific_gravity=1.4, coverslip_mm=18.0, objectives=(10.0,)),
    ]


def invent_words(said: Any) -> Any:
    """The same texts in a language whose only letter is no English one."""
    if isinstance(said, str):
        return re.sub(r"(\{[^}]*\})|[A-Za-z]", lambda found: found[1] or "ħ", said)
    if isinstance(said, list):
        return [invent_words(one) for one in said]
    return {name: invent_words(one) for name, one in said.items()}


def open_pixels(width: int, height: int) -> Picture:
    """A grey picture."""
    return Picture(pyvips.Image.black(width, height, bands=3) + 128, file_name="grey.png", sha256="0" * 64)


def assess_head(*, um_per_px: float, objective: Objective) -> dict[str, Any]:
    """The part of a proposal that says what the picture can show."""
    judged = judge_visibility(um_per_px, objective)
    return {
        "groups": [{**asdict(one), "width_px": one.width_px and round(one.width_px, 2)} for one in judged],
        "objective": asdict(objective),
    }


def test_templates_hold_no_words_of_their_own() -> None:
    for path in (FOLDER / "templates").glob("*.html"):
        text = re.sub(
            r"\{%.*?%\}|\{\{.*?\}\}|<[^>]*>", " ", path.read_text(encoding="utf-8"), flags=re.DOTALL
        )
        assert re.findall(r"[A-Za-z]{2,}", text.replace("SHA-256", "")) == [], path.name


def test_texts_name_every_group_and_look_alike() -> None:
    said = words.read_words()
    assert set(said["groups"]) >= set(candidate_groups())
    assert set(said["look_alikes"]) >= set(look_alikes())


@pytest.fixture
def half_translated(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    english = (words.FOLDER / "en.toml").read_text(encoding="utf-8")
    (tmp_path / "en.toml").write_text(english, encoding="utf-8")
    (tmp_path / "de.toml").write_text('language = "Deutsch"\n[owner]\nhygiene_heading = "Hygiene zu Hause"\n')
    monkeypatch.setattr(words, "FOLDER", tmp_path)
    words.read_words.cache_clear()
    yield
    words.read_words.cache_clear()


def test_translation_fills_its_gaps_with_english(half_translated: None) -> None:
    assert words.list_languages() == {"de": "Deutsch", "en": "English"}
    said = words.read_words("de")
    assert said["owner"]["hygiene_heading"] == "Hygiene zu Hause"
    assert said["owner"]["title"] == words.read_words()["owner"]["title"]
    with pytest.raises(RecordError, match=r"There are no texts in 'fr'\. Use one of: de, en\."):
        words.read_words("fr")
