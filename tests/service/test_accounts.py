"""Signing in, tokens, roles."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from service_calls import ok, problem, specimen_body

from service import accounts
from service.accounts import ROLES, Accounts, hash_password, require_role
from service.admin import create_user
from service.errors import ConflictError, NotAllowedError, SignedOutError, TooManyTriesError
from service.settings import Settings
from service.store import people
from service.store.database import Database
from service.store.models import User
from triage.errors import RecordError


@pytest.fixture
def browser(server: str) -> Iterator[httpx.Client]:
    """Signed in with a cookie."""
    with httpx.Client(base_url=server, timeout=60) as client:
        body = {"user_name": "reader", "password": "reader-password"}
        client.csrf = ok(client.post("/api/session", json=body), 200)["csrf_token"]  # type: ignore[attr-defined]
        yield client


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    settings = Settings(data_folder=tmp_path)
    create_user(settings, "ann", "Ann", "reader", "ann's password")
    database = Database(settings.records_url())
    yield database
    database.close()


def _accounts(
    database: Database, *, session_hours: float = 1, tries: int = 3, secret: bytes = b"k" * 32
) -> Accounts:
    return Accounts(database, secret, session_hours=session_hours, tries_per_minute=tries)


def test_sign_in_sets_a_cookie_that_scripts_cannot_read(anybody: httpx.Client, server: str) -> None:
    with httpx.Client(base_url=server, timeout=60) as client:
        answer = client.post("/api/session", json={"user_name": "vet", "password": "vet-password"})
        assert answer.json()["user"]["role"] == "veterinarian"
        cookie = answer.headers["set-cookie"]
        assert "HttpOnly" in cookie and "SameSite=strict" in cookie
        assert client.get("/api/session").json() == answer.json()
    problem(anybody.get("/api/session"), 401)


@pytest.mark.parametrize("user_name", ["reader", "nobody"])
def test_sign_in_with_a_wrong_password_does_not_say_what_is_wrong(
    user_name: str, anybody: httpx.Client
) -> None:
    answer = anybody.post("/api/session", json={"user_name": user_name, "password": "wrong"})
    assert problem(answer, 401)["detail"] == "The user name or the password is wrong. Try again."


def test_cookie_alone_changes_nothing(browser: httpx.Client) -> None:
    assert "X-CSRF-Token" in problem(browser.post("/api/specimens", json=specimen_body()), 403)["detail"]
    wrong = {"X-CSRF-Token": "0" * 64}
    problem(browser.post("/api/specimens", json=specimen_body(), headers=wrong), 403)
    right = {"X-CSRF-Token": browser.csrf}  # type: ignore[attr-defined]
    ok(browser.post("/api/specimens", json=specimen_body(), headers=right), 201)


def test_sign_out_ends_the_session_on_the_server(browser: httpx.Client, server: str) -> None:
    cookies = dict(browser.cookies)
    answer = browser.delete("/api/session", headers={"X-CSRF-Token": browser.csrf})  # type: ignore[attr-defined]
    assert answer.status_code == 204
    with httpx.Client(base_url=server, cookies=cookies, timeout=60) as thief:
        assert "has ended" in problem(thief.get("/api/session"), 401)["detail"]


def _changing(browser: httpx.Client) -> dict[str, str]:
    return {"X-CSRF-Token": browser.csrf}  # type: ignore[attr-defined]


def test_token_works_until_it_is_revoked(browser: httpx.Client, server: str) -> None:
    made = ok(browser.post("/api/tokens", json={"name": "camera"}, headers=_changing(browser)), 201)
    listed = {one["id"]: one for one in ok(browser.get("/api/tokens"), 200)}
    assert listed[made["id"]] == {key: value for key, value in made.items() if key != "token"}
    headers = {"Authorization": f"Bearer {made['token']}"}
    with httpx.Client(base_url=server, headers=headers, timeout=60) as program:
        ok(program.get("/api/groups"), 200)
        problem(program.post("/api/tokens", json={"name": "child"}), 403)
        revoked = browser.delete(f"/api/tokens/{made['id']}", headers=_changing(browser))
        assert revoked.status_code == 204
        problem(program.get("/api/groups"), 401)
    problem(browser.delete(f"/api/tokens/{made['id']}", headers=_changing(browser)), 404)


def test_tokens_and_passwords_are_kept_as_hashes_only(browser: httpx.Client, settings: Settings) -> None:
    made = ok(browser.post("/api/tokens", json={"name": "hashed"}, headers=_changing(browser)), 201)
    kept = b"".join(path.read_bytes() for path in settings.data_folder.glob("records.sqlite*"))
    assert b"hashed" in kept
    assert made["token"].encode() not in kept and b"reader-password" not in kept


def test_too_many_failed_sign_ins_are_stopped_even_with_the_right_password(database: Database) -> None:
    accounts = _accounts(database, tries=3)
    for _ in range(3):
        with pytest.raises(SignedOutError, match="wrong"):
            accounts.sign_in("ann", "guess", address="a")
    with pytest.raises(TooManyTriesError, match="Wait a minute"):
        accounts.sign_in("ann", "ann's password", address="a")
    assert accounts.sign_in("ann", "ann's password", address="b").user.user_name == "ann"


def test_sign_in_ends_after_its_hours(database: Database) -> None:
    ended = _accounts(database, session_hours=-0.001)
    token = ended.sign_in("ann", "ann's password", address="a").token
    with pytest.raises(SignedOutError, match="has ended"):
        ended.user_of_cookie(token)


def test_another_secret_ends_every_sign_in(database: Database) -> None:
    token = _accounts(database).sign_in("ann", "ann's password", address="a").token
    assert _accounts(database).user_of_cookie(token).user_name == "ann"
    with pytest.raises(SignedOutError, match="has ended"):
        _accounts(database, secret=b"other" * 8).user_of_cookie(token)


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("needed", ROLES)
def test_role_may_do_what_those_before_it_may(role: str, needed: str) -> None:
    user = User(1, "ann", "Ann", role, 1)
    if ROLES.index(role) >= ROLES.index(needed):
        require_role(user, needed)
    else:
        with pytest.raises(NotAllowedError, match=f"needs the role '{needed}'"):
            require_role(user, needed)


def test_passwords_are_hashed_as_is_recommended() -> None:
    """RFC 9106, section 4, second option: Argon2id, three passes over 64 MiB in four lanes."""
    # The program's own hash, from before passwords of tests are hashed quickly.
    assert accounts._NOBODY.startswith("$argon2id$v=19$m=65536,t=3,p=4$")


def test_create_user_refuses_what_is_impossible(tmp_path: Path) -> None:
    settings = Settings(data_folder=tmp_path)
    with pytest.raises(RecordError, match="no role 'owner'"):
        create_user(settings, "bo", "Bo", "owner", "long enough password")
    with pytest.raises(RecordError, match="has 5 characters"):
        hash_password("short")
    with pytest.raises(RecordError, match="The user name is empty"):
        create_user(settings, " ", "Bo", "reader", "long enough password")
    with pytest.raises(RecordError, match="The display name is empty"):
        create_user(settings, "bo", "", "reader", "long enough password")
    create_user(settings, "bo", "Bo", "reader", "long enough password")
    with pytest.raises(ConflictError, match="named 'bo' already"):
        create_user(settings, "bo", "Bo", "reader", "long enough password")


def test_people_are_listed_by_name_in_whatever_case(tmp_path: Path) -> None:
    settings = Settings(data_folder=tmp_path)
    for user_name, name in (("a", "Zoe"), ("b", "anna"), ("c", "Éva"), ("d", "Bert")):
        hospital_id = create_user(settings, user_name, name, "reader", "long enough password").hospital_id
    database = Database(settings.records_url())
    with database.read() as session:
        names = [user.display_name for user in people.list_users(session, hospital_id)]
    database.close()
    assert names == ["anna", "Bert", "Zoe", "Éva"]


def test_users_are_listed_without_user_names(reader: httpx.Client, anybody: httpx.Client) -> None:
    listed = ok(reader.get("/api/users"), 200)
    assert {"The vet", "The reader"} <= {one["display_name"] for one in listed}
    assert {key for one in listed for key in one} == {"id", "display_name", "role"}
    problem(anybody.get("/api/users"), 401)
