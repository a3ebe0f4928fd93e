"""Practice collections: labelled sets, sent or one's own, that people learn on."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request, status
from starlette.concurrency import run_in_threadpool

from service.accounts import require_role
from service.dependencies import DatabaseDep, PartsDep, ReaderDep, UserDep
from service.practice_intake import take_collection
from service.practice_schemas import CollectionOut, OwnSetIn, SlideStateOut
from service.present import View, view_for
from service.schemas import FilledLine
from service.store import practice, specimens
from service.store.models import User
from service.store.practice import PracticeCollection, PracticeSlide, PracticeState

router = APIRouter(tags=["practice"])


def _teacher(user: UserDep) -> User:
    require_role(user, "veterinarian")
    return user


TeacherDep = Annotated[User, Depends(_teacher)]


@router.get("/practice-collections")
def list_collections(user: ReaderDep, database: DatabaseDep) -> list[CollectionOut]:
    """All collections, with how far you are with each slide; what a slide holds is told at the end alone."""
    with database.read() as session:
        view = view_for(session, user)
        slides = practice.list_slides(session)
        states = practice.list_states(session, reader_id=user.id)
        return [_present(view, one, slides, states) for one in practice.list_collections(session)]


@router.post(
    "/practice-collections",
    status_code=status.HTTP_201_CREATED,
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
        }
    },
)
async def send_collection(
    request: Request, user: TeacherDep, parts: PartsDep, name: Annotated[FilledLine, Query()]
) -> CollectionOut:
    """Send a labelled set as a zip file, its bytes as the body; a veterinarian may."""
    received = await parts.files.receive(request.stream(), limit_bytes=parts.settings.upload_limit_bytes())
    try:
        made = await run_in_threadpool(take_collection, parts, user, received.path, name=name)
    finally:
        parts.files.drop(received)
    return await run_in_threadpool(_read, parts.database, user, made)


@router.post("/practice-collections/own", status_code=status.HTTP_201_CREATED)
def make_collection(body: OwnSetIn, user: TeacherDep, parts: PartsDep) -> CollectionOut:
    """Practise on one of the hospital's own labelled sets, which names no animal, owner or reader."""
    with parts.database.read() as session:
        row = specimens.read_labelled_set_row(session, body.set_id)
    zipped = parts.files.labelled_set(row.id)
    return _read(parts.database, user, take_collection(parts, user, zipped, name=body.name, set_id=row.id))


def _read(database: DatabaseDep, user: User, made: PracticeCollection) -> CollectionOut:
    with database.read() as session:
        return _present(view_for(session, user), made, practice.list_slides(session), [])


def _present(
    view: View, one: PracticeCollection, slides: list[PracticeSlide], states: list[PracticeState]
) -> CollectionOut:
    return CollectionOut(
        id=one.id,
        name=one.name,
        is_own=one.set_id is not None,
        created_at=one.created_at,
        created_by=view.person(one.created_by),
        slides=[
            _present_state(slide, [state for state in states if state.read.slide_id == slide.id])
            for slide in slides
            if slide.collection_id == one.id
        ],
    )


def _present_state(slide: PracticeSlide, states: list[PracticeState]) -> SlideStateOut:
    first = states[0].end if states else None
    wanted = [] if first is None else [one for one in practice.list_outcomes(first) if one.is_wanted]
    return SlideStateOut(
        id=slide.id,
        number=slide.number,
        state="new" if not states else "begun" if states[-1].end is None else "done",
        n_right=None if first is None else sum(one.is_right for one in wanted),
        n_known=None if first is None else len(wanted),
    )
