"""Practice slides: read blind, box by box; the answers come at the end."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response, status

from service.dependencies import DatabaseDep, IdPath, PartsDep, ReaderDep
from service.practice_answers import explain
from service.practice_schemas import FindIn, FindOut, PracticeReadOut, PracticeSlideOut
from service.routes.images import cached_jpeg, cut_tile, pyramid_of
from service.store import practice
from service.store.database import Session
from service.store.practice import PracticeFind, PracticeSlide, PracticeState
from triage.errors import BoxError
from triage.groups import find_group
from triage.pyramid import TILE_PX

router = APIRouter(tags=["practice"])


@router.get("/practice-slides/{slide_id}")
def read_slide(slide_id: IdPath, user: ReaderDep, database: DatabaseDep) -> PracticeSlideOut:
    """One slide with your newest read of it."""
    with database.read() as session:
        slide = practice.read_slide(session, slide_id)
        states = practice.list_states(session, reader_id=user.id, slide_id=slide_id)
        collections = {one.id: one.name for one in practice.list_collections(session)}
        return PracticeSlideOut(
            id=slide.id,
            number=slide.number,
            collection=collections[slide.collection_id],
            width=slide.width,
            height=slide.height,
            tile_size=TILE_PX,
            zoom_levels=slide.zoom_levels,
            tiles_path=f"/api/practice-slides/{slide.id}/tiles",
            um_per_px=slide.um_per_px,
            read=_present(states[-1]) if states else None,
            next_slide_id=_find_next(session, slide, user.id),
        )


@router.get("/practice-slides/{slide_id}/tiles/{level}/{column}/{row}.jpg", response_class=Response)
def read_tile(
    slide_id: IdPath, level: int, column: int, row: int, request: Request, user: ReaderDep, parts: PartsDep
) -> Response:
    """One viewer tile, as for images."""
    with parts.database.read() as session:
        sha256 = practice.read_slide(session, slide_id).sha256
    path = pyramid_of(parts, sha256)
    return cached_jpeg(
        request, f"{sha256}-{level}-{column}-{row}", lambda: cut_tile(path, level, column, row)
    )


@router.post("/practice-slides/{slide_id}/reads", status_code=status.HTTP_201_CREATED)
def begin_read(slide_id: IdPath, user: ReaderDep, database: DatabaseDep) -> PracticeReadOut:
    """Begin to read a slide, or go on; once you were shown its answers, another read counts no more."""
    with database.write() as session:
        practice.read_slide(session, slide_id)
        return _present(practice.begin_read(session, slide_id=slide_id, reader_id=user.id))


@router.post("/practice-reads/{practice_read_id}/finds", status_code=status.HTTP_201_CREATED)
def add_find(practice_read_id: IdPath, body: FindIn, user: ReaderDep, database: DatabaseDep) -> FindOut:
    """Box what you see, as a group or as a look-alike."""
    find_group(body.group)
    with database.write() as session:
        state = practice.open_read(session, practice_read_id, reader_id=user.id)
        _refuse_outside(body.bbox, practice.read_slide(session, state.read.slide_id))
        find = practice.add_find(session, read_id=state.read.id, bbox=body.bbox, group=body.group)
        return _present_find(find)


@router.delete("/practice-finds/{find_id}", status_code=status.HTTP_204_NO_CONTENT)
def take_back_find(find_id: IdPath, user: ReaderDep, database: DatabaseDep) -> None:
    """Take a box back, as long as the read has not ended."""
    with database.write() as session:
        practice.take_back(session, find_id, reader_id=user.id)


@router.post("/practice-reads/{practice_read_id}/end")
def end_read(practice_read_id: IdPath, user: ReaderDep, database: DatabaseDep) -> PracticeReadOut:
    """End your read; the answers come with their reasons, and nothing can be changed any more."""
    with database.write() as session:
        state = practice.open_read(session, practice_read_id, reader_id=user.id)
        return _present(practice.end_read(session, state))


def _find_next(session: Session, slide: PracticeSlide, reader_id: int) -> int | None:
    """The next slide without an ended read, in order and around."""
    ended = {
        state.read.slide_id
        for state in practice.list_states(session, reader_id=reader_id)
        if state.end is not None
    }
    ids = [one.id for one in practice.list_slides(session)]
    place = ids.index(slide.id)
    return next((one for one in (*ids[place + 1 :], *ids[:place]) if one not in ended), None)


def _refuse_outside(bbox: list[float], slide: PracticeSlide) -> None:
    x, y, width, height = bbox
    is_inside = x >= 0 and y >= 0 and x + width <= slide.width and y + height <= slide.height
    if width <= 0 or height <= 0 or not is_inside:
        raise BoxError(
            f"The box {bbox} must have a width and a height and lie inside the picture of "
            f"{slide.width} x {slide.height} px. Draw it again."
        )


def _present(state: PracticeState) -> PracticeReadOut:
    end = state.end
    return PracticeReadOut(
        id=state.read.id,
        is_again=state.read.is_again,
        ended_at=None if end is None else end.ended_at,
        finds=[_present_find(find) for find in state.finds],
        answers=[] if end is None else [explain(one) for one in practice.list_outcomes(end)],
    )


def _present_find(find: PracticeFind) -> FindOut:
    return FindOut(id=find.id, bbox=find.bbox, group=find.group, label=find_group(find.group).label)
