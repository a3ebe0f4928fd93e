"""Where a reader is in a picture, and what of it has been on that reader's screen."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from service.dependencies import DatabaseDep, IdPath, ReaderDep
from service.reading_schemas import PlaceOut, SightIn, SightOut, SizedGroupOut
from service.store import images, reading_places, specimens
from service.store.database import Session
from service.store.images import ImageState
from service.store.models import User
from triage.errors import RecordError
from triage.groups import Group
from triage.on_screen import (
    Grid,
    add_view,
    least_screen_scale,
    plan_grid,
    shown_rows,
    sized_groups,
    start_finest,
)

router = APIRouter(tags=["reading places"])
# Without a scale no group's width in the picture is known: its own pixels, one to one, are asked for.
FULL_SIZE = 1.0
GroupQuery = Annotated[str | None, Query(max_length=80)]


@router.get("/images/{image_id}/reading-place")
def read_place(
    image_id: IdPath, user: ReaderDep, database: DatabaseDep, group: GroupQuery = None
) -> SightOut:
    """Where you were in this picture, and what was on your screen at a zoom that could show `group`."""
    with database.read() as session:
        specimens.specimen_of_image(session, image_id)
        return _present(session, images.read_image_state(session, image_id), user, group)


@router.post("/images/{image_id}/reading-place")
def note_place(
    image_id: IdPath, body: SightIn, user: ReaderDep, database: DatabaseDep, group: GroupQuery = None
) -> SightOut:
    """Note what was on your screen, and where you are."""
    with database.write() as session:
        # Other pages of the same reader wait until this one is stored.
        specimens.specimen_of_image(session, image_id, is_locked=True)
        state = images.read_image_state(session, image_id)
        grid = plan_grid(state.image.width, state.image.height)
        row = reading_places.find_place(session, image_id=image_id, reader_id=user.id)
        finest = start_finest(grid) if row is None else row.finest
        for view in body.views:
            x, y, width, height = view.bbox
            finest = add_view(finest, grid, (x, y, width, height), view.screen_per_px)
        place = None if body.place is None else body.place.model_dump()
        reading_places.keep_place(session, image_id=image_id, reader_id=user.id, finest=finest, place=place)
        return _present(session, state, user, group)


def _present(session: Session, state: ImageState, user: User, group_name: str | None) -> SightOut:
    grid = plan_grid(state.image.width, state.image.height)
    row = reading_places.find_place(session, image_id=state.image.id, reader_id=user.id)
    finest = start_finest(grid) if row is None else row.finest
    scales = {one.name: _least_scale(one, state) for one in sized_groups()}
    group = _choose(group_name, scales)
    least = FULL_SIZE if group is None else scales[group] or FULL_SIZE
    return SightOut(
        cell_px=grid.cell_px,
        columns=grid.columns,
        rows=grid.rows,
        group=group,
        least_screen_per_px=least,
        shown=shown_rows(finest, grid, least),
        groups=[_present_group(one, scales[one.name], finest, grid) for one in sized_groups()],
        place=None if row is None or row.place is None else PlaceOut.model_validate(row.place),
        changed_at=None if row is None else row.changed_at,
    )


def _least_scale(group: Group, state: ImageState) -> float | None:
    um_per_px = state.job.um_per_px
    return None if um_per_px is None else least_screen_scale(group, um_per_px)


def _choose(name: str | None, scales: dict[str, float | None]) -> str | None:
    """The group asked for, or the smallest that the picture can show; None without a scale."""
    if name is not None and name not in scales:
        raise RecordError(f"There is no group {name!r} of known size. Use one of: {', '.join(scales)}.")
    shown = {one: scale for one, scale in scales.items() if scale is not None}
    if name is not None:
        return name if name in shown else None
    return max(shown, key=lambda one: shown[one], default=None)


def _present_group(group: Group, scale: float | None, finest: str, grid: Grid) -> SizedGroupOut:
    share = None
    if scale is not None:
        share = sum(row.count("1") for row in shown_rows(finest, grid, scale)) / (grid.columns * grid.rows)
    return SizedGroupOut(
        name=group.name,
        label=group.label,
        smallest_width_um=group.smallest_width_um or 0.0,
        least_screen_per_px=scale,
        shown_fraction=share,
    )
