"""Numbers of a specimen, and its papers as a page to print or as PDF."""

from __future__ import annotations

from dataclasses import asdict
from functools import partial
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Response
from fastapi.responses import HTMLResponse
from pydantic import Field

from service.dependencies import DatabaseDep, IdPath, PartsDep, UserDep
from service.errors import MissingError
from service.hiding import refuse_if_hidden
from service.numbers import count_specimen
from service.papers.count_words import tell_area, tell_group, tell_not_assessed, tell_remarks
from service.papers.owner_sheet import gather_owner_sheet
from service.papers.record import gather_record
from service.papers.render import render_html, render_pdf
from service.papers.words import DEFAULT, list_languages, read_words
from service.present import view_for
from service.routes.preparation_advice import advise_on
from service.schemas import Answered
from service.store import images, specimens
from service.store.models import User
from service.store.reading import Spoken
from triage.pyramid import cut_crop

router = APIRouter(tags=["papers"])
Language = Annotated[str, Query(pattern="^[a-z]{2,3}$", description="See `/api/papers/languages`.")]
Paper = Literal["reading-record", "owner-sheet"]
_CROP_PX = 220


class GroupNumbersOut(Answered):
    """One group on one coverslip; limits are one-sided at 95 %."""

    group: str
    label: str
    n_marked: int
    area_mm2: float | None
    area_share: float | None
    per_coverslip: float | None
    upper_limit: float | None
    sensitivity: Annotated[
        dict[str, Any] | None,
        Field(description="As measured in this hospital; null: not measured, 1 was assumed."),
    ]
    sentence: str


class NumbersOut(Answered):
    """The numbers of one preparation; never eggs per gram."""

    preparation_id: int
    coverslip_mm: float | None
    n_pictures: int
    area_mm2: float | None
    area_share: float | None
    area_sentence: str
    groups: list[GroupNumbersOut]
    not_assessed: list[dict[str, Any]]
    not_assessed_sentences: list[str]
    unsure: int
    remarks: list[str]


@router.get("/specimens/{specimen_id}/numbers")
def read_numbers(
    specimen_id: IdPath, user: UserDep, database: DatabaseDep, language: Language = DEFAULT
) -> list[NumbersOut]:
    """Objects per coverslip by group, the area assessed, and how many may lie there unseen."""
    words = read_words(language)
    with database.read() as session:
        specimens.read_specimen(session, specimen_id)
        refuse_if_hidden(view_for(session, user), specimen_id)
        counted = count_specimen(session, specimen_id)
    return [
        NumbersOut(
            preparation_id=one.preparation_id,
            coverslip_mm=one.coverslip_mm,
            n_pictures=one.n_pictures,
            area_mm2=one.area_mm2,
            area_share=one.area_share,
            area_sentence=tell_area(words, one),
            groups=[
                GroupNumbersOut.model_validate(
                    {
                        **asdict(group),
                        "label": words["groups"][group.group],
                        "sentence": tell_group(words, group, one),
                    }
                )
                for group in one.groups
            ],
            not_assessed=[asdict(group) for group in one.not_assessed],
            not_assessed_sentences=tell_not_assessed(words, one),
            unsure=one.unsure,
            remarks=tell_remarks(words, one),
        )
        for one in counted
    ]


@router.get("/papers/languages")
def read_languages(user: UserDep) -> dict[str, str]:
    """The languages that papers are written in, by code."""
    return list_languages()


@router.get("/specimens/{specimen_id}/papers/{paper}.html", response_class=HTMLResponse)
def read_page(
    specimen_id: IdPath, paper: Paper, user: UserDep, parts: PartsDep, language: Language = DEFAULT
) -> HTMLResponse:
    """A paper as a page to print."""
    return HTMLResponse(_render(parts, user, specimen_id, paper, language))


@router.get(
    "/specimens/{specimen_id}/papers/{paper}.pdf",
    response_class=Response,
    responses={200: {"content": {"application/pdf": {}}}},
)
def read_pdf(
    specimen_id: IdPath, paper: Paper, user: UserDep, parts: PartsDep, language: Language = DEFAULT
) -> Response:
    """A paper as PDF; 501 where this machine can't make one."""
    pdf = render_pdf(_render(parts, user, specimen_id, paper, language, is_page=False))
    headers = {"Content-Disposition": f'inline; filename="specimen-{specimen_id}-{paper}.pdf"'}
    return Response(pdf, media_type="application/pdf", headers=headers)


def _render(
    parts: PartsDep, user: User, specimen_id: int, paper: Paper, language: str, *, is_page: bool = True
) -> str:
    words = read_words(language)
    with parts.database.read() as session:
        specimen = specimens.read_specimen(session, specimen_id)
        view = view_for(session, user)
        refuse_if_hidden(view, specimen_id)
        if paper == "owner-sheet":
            content = gather_owner_sheet(view, specimen, words)
            return render_html(paper, language, content, is_page=is_page)
        states = images.list_image_states(session, [specimen_id])[specimen_id]
        content = gather_record(
            view,
            specimen,
            words,
            crop=partial(_cut, parts, {state.image.id: state.image.sha256 for state in states}),
            advise=advise_on,
            reminder_days=parts.settings.calibration_reminder_days,
        )
        return render_html(paper, language, content, is_page=is_page)


def _cut(parts: PartsDep, sha256_of: dict[int, str], one: Spoken) -> bytes | None:
    x, y, width, height = one.candidate.said["bbox"]
    try:
        path = parts.files.pyramid(sha256_of[one.candidate.image_id])
    except MissingError:
        return None
    return cut_crop(path, (x, y, width, height), _CROP_PX)
