"""Second looks: another reader reads the same specimen."""

from __future__ import annotations

from fastapi import APIRouter, status

from service.accounts import has_role, require_role
from service.dependencies import DatabaseDep, IdPath, ReaderDep, UserDep
from service.present import view_for
from service.schemas import SecondLookIn, SecondLookOut
from service.store import people, specimens
from service.store.second_look_returns import return_second_look
from service.store.specimens import SecondLookState

router = APIRouter(tags=["second looks"])


@router.post("/specimens/{specimen_id}/second-looks", status_code=status.HTTP_201_CREATED)
def ask_second_look(
    specimen_id: IdPath, body: SecondLookIn, user: UserDep, database: DatabaseDep
) -> SecondLookOut:
    """Ask a named reader, or anybody, to read a specimen again."""
    with database.write() as session:
        specimen = specimens.read_specimen(session, specimen_id, is_locked=True)
        specimens.refuse_if_signed_off(session, specimen)
        if body.reader_id is not None:
            require_role(people.read_user(session, body.reader_id), "reader")
        look = specimens.add_second_look(
            session,
            specimen_id=specimen_id,
            asked_by=user.id,
            reader_id=body.reader_id,
            is_blind=body.blind,
        )
        return view_for(session, user).second_look(SecondLookState(look, None), specimen)


@router.get("/second-looks")
def list_second_looks(user: UserDep, database: DatabaseDep) -> list[SecondLookOut]:
    """Second looks that wait for you."""
    with database.read() as session:
        view = view_for(session, user)
        return [
            view.second_look(state, specimens.read_specimen(session, state.look.specimen_id))
            for state in specimens.list_second_looks(session)
            if state.closing is None and has_role(user, "reader") and state.may_be_of(user.id)
        ]


@router.post("/second-looks/{look_id}/claim", status_code=status.HTTP_201_CREATED)
def claim_second_look(look_id: IdPath, user: ReaderDep, database: DatabaseDep) -> SecondLookOut:
    """Take a second look that was asked of anybody; 409 where somebody else was first."""
    with database.write() as session:
        state = specimens.claim_second_look(session, look_id=look_id, reader_id=user.id)
        specimen = specimens.read_specimen(session, state.look.specimen_id)
        return view_for(session, user).second_look(state, specimen)


@router.post("/second-looks/{look_id}/return")
def give_second_look_back(look_id: IdPath, user: ReaderDep, database: DatabaseDep) -> SecondLookOut:
    """Give back a second look that you took, or as a veterinarian anybody's; 409 once it was answered in."""
    with database.write() as session:
        may_return_any = has_role(user, "veterinarian")
        state = return_second_look(
            session, look_id=look_id, returned_by=user.id, may_return_any=may_return_any
        )
        specimen = specimens.read_specimen(session, state.look.specimen_id)
        return view_for(session, user).second_look(state, specimen)


@router.post("/second-looks/{look_id}/close")
def close_second_look(look_id: IdPath, user: ReaderDep, database: DatabaseDep) -> SecondLookOut:
    """Say that a second look is done, or no longer wanted."""
    with database.write() as session:
        state = specimens.close_second_look(session, look_id=look_id, reader_id=user.id)
        specimen = specimens.read_specimen(session, state.look.specimen_id)
        return view_for(session, user).second_look(state, specimen)
