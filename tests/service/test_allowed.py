"""Every route, every role, both hospitals: who is let in and who is refused, from `access_table.py`."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from access_table import ROWS, Row
from access_world import OURS, Member, World, build_world
from fastapi import FastAPI
from fastapi.routing import iter_route_contexts
from starlette.routing import Mount

from service.accounts import ROLES

REFUSED = (401, 403, 404)
WHOLE_NAME = re.compile(r"\{(\w+)\}")


@pytest.fixture(scope="module")
def world(server: str, app: FastAPI) -> Iterator[World]:
    with httpx.Client(base_url=server, timeout=60) as client:
        yield build_world(app.state.parts.database, app.state.parts.files, client)


def list_routes(app: FastAPI) -> set[str]:
    """Method and path of every route; a folder of files is one."""
    routes = set()
    for one in iter_route_contexts(app.routes):
        if isinstance(one.original_route, Mount):
            routes.add(f"GET {one.path}/{{file}}")
        elif one.path is not None:
            # A route that answers GET and not in the schema answers HEAD with the same, without the body.
            methods = set(one.methods or ()) - ({"HEAD"} if "GET" in (one.methods or ()) else set())
            routes |= {f"{method} {one.path}" for method in methods}
    return routes


def test_table_has_one_row_for_each_route(app: FastAPI) -> None:
    routes, rows = list_routes(app), [row.route for row in ROWS]
    assert len(routes) > 100
    lacking = [f'Row("{one}", "<least role>", "404" or "same")' for one in sorted(routes - set(rows))]
    assert not lacking, "Add to tests/service/access_table.py, where it belongs: " + ", ".join(lacking)
    gone = sorted(one for one in rows if one not in routes or rows.count(one) > 1)
    assert not gone, f"There is no such route, or two rows have it; take it out of access_table.py: {gone}"


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.route)
def test_route_lets_in_whom_the_table_says(row: Row, world: World) -> None:
    may = ROLES if row.least == "nobody" else ROLES[ROLES.index(row.least) :]
    answer = ask(row, world.nobody)
    assert answer.status_code == (row.first if row.least == "nobody" else 401), tell("nobody", answer)
    for role in ROLES:
        if role not in may:
            assert (answer := ask(row, world.ours[role])).status_code == 403, tell(role, answer)
        check_elsewhere(row, world.theirs[role], may=role in may)
    for place, role in enumerate(may):
        answer = ask(row, world.ours[role])
        assert answer.status_code not in REFUSED and answer.status_code < 500, tell(role, answer)
        if place == 0:
            assert answer.status_code == row.first, tell(role, answer)


def check_elsewhere(row: Row, member: Member, *, may: bool) -> None:
    """Nobody of another hospital gets anything of ours, nor learns by the answer that it is there."""
    answer = ask(row, member)
    said = tell(f"{member.role} elsewhere", answer)
    assert row.elsewhere == "same" or answer.status_code in ((404,) if may else (403, 404)), said
    if row.elsewhere == "same":
        assert answer.status_code == 403 if not may else answer.status_code not in REFUSED, said
    # Where nobody need be signed in, whoever holds a link is told whose it is.
    assert row.least == "nobody" or OURS not in answer.text, said


def ask(row: Row, member: Member) -> httpx.Response:
    """The answer to one person who uses the route of a row."""
    method, path = row.route.split(" ")
    things = {**member.things, **{name: member.things[thing] for name, thing in row.names.items()}}
    sent: dict[str, Any] = {"params": row.query, "headers": row.headers}
    if row.body is not None:
        sent["json"] = fill(row.body, things)
    if row.content is not None:
        sent["content"] = row.content
    if row.fresh and member.signed_in:
        sent["headers"] = {**row.headers, **member.sign_in()}
    return member.ask(method, str(fill(path, things)), **sent)


def fill(value: Any, things: dict[str, Any]) -> Any:
    """The same with things instead of their names in braces; what is nothing but a name keeps its type."""
    if isinstance(value, dict):
        return {key: fill(item, things) for key, item in value.items()}
    if isinstance(value, list):
        return [fill(item, things) for item in value]
    if not isinstance(value, str):
        return value
    whole = WHOLE_NAME.fullmatch(value)
    return things[whole[1]] if whole else value.format_map(things)


def tell(who: str, answer: httpx.Response) -> str:
    return (
        f"{who} got {answer.status_code} at {answer.request.method} {answer.request.url}: {answer.text[:300]}"
    )
