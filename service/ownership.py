"""Which hospital owns what a path names; nobody is told of another hospital's things.

Every parameter of an API path that ends in `_id` stands in `service.store.owners.OWNERS`, or in `OWN` where
the route itself asks whose it is; `check_paths` refuses a route with any other.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from pydantic import TypeAdapter, ValidationError
from starlette.routing import BaseRoute

from service.errors import MissingError
from service.schemas import Id
from service.store.database import Session
from service.store.owners import OWNERS, find_owner

_ID: TypeAdapter[int] = TypeAdapter(Id)
OWN = ("token_id", "sign_in_id", "user_id", "invitation_id")


def refuse_others(session: Session, path_params: Mapping[str, Any], hospital_id: int) -> None:
    """Let nobody see what another hospital owns.

    Parameters
    ----------
    session : Session
        One that is kept to no hospital.
    path_params : mapping
        As they stand in the path; what is no number is refused elsewhere.

    Raises
    ------
    MissingError
        If another hospital owns it, in the words of what isn't there at all.
    """
    for name, received in path_params.items():
        number = _read_number(received)
        if name not in OWNERS or number is None:
            continue
        owner = find_owner(session, name, number)
        if owner is not None and owner != hospital_id:
            raise MissingError(f"There is no {OWNERS[name][0]} {number}.")


def _read_number(received: Any) -> int | None:
    """The id as the route itself reads it, which takes +5 and 5.0 for 5; None where it refuses it."""
    try:
        return _ID.validate_python(received)
    except ValidationError:
        return None


def check_paths(routes: Iterable[BaseRoute]) -> None:
    """Make sure that the owner of everything that an API path names is known.

    Raises
    ------
    ValueError
        If it isn't.
    """
    for route in routes:
        for name in getattr(route, "param_convertors", ()):
            if name.endswith("_id") and name not in OWNERS and name not in OWN:
                raise ValueError(
                    f"service/store/owners.py doesn't say which hospital owns the {name!r} of "
                    f"{getattr(route, 'path', route)}. Add it to OWNERS there."
                )
