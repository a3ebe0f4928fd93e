"""Several hospitals: who works where, and that nobody sees another hospital's things."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from backends import Backend

from service.accounts import Accounts
from service.admin import create_user
from service.errors import ConflictError, MissingError, NotAllowedError, SignedOutError, TooManyTriesError
from service.settings import Settings
from service.store import people, specimens
from service.store.database import Database
from service.store.models import Preparation, Specimen, User

pytestmark = pytest.mark.on_both
PASSWORD = "a long password"


@pytest.fixture
def settings(backend: Backend, tmp_path: Path) -> Settings:
    return Settings(data_folder=tmp_path, **backend.new_place())


@pytest.fixture
def admin(settings: Settings) -> User:
    return create_user(settings, "ada", "Ada", "administrator", PASSWORD, hospital="North")


@pytest.fixture
def database(settings: Settings, admin: User) -> Iterator[Database]:
    database = Database(settings.records_url())
    yield database
    database.close()


@pytest.fixture
def accounts(database: Database) -> Accounts:
    return Accounts(database, b"k" * 32, session_hours=1, tries_per_minute=3)


def _file(database: Database, user: User, code: str) -> int:
    with database.within(user.hospital_id).write() as session:
        specimen = Specimen(code=code, species="dog", animal_label="", remarks="", created_by=user.id)
        preparation = Preparation(method="passive", solution="zinc sulfate")
        return specimens.add_specimen(session, specimen, preparation).id


def test_two_hospitals_use_one_code_and_see_their_own(
    settings: Settings, admin: User, database: Database
) -> None:
    other = create_user(settings, "bo", "Bo", "reader", PASSWORD, hospital="South")
    ids = {user.hospital_id: _file(database, user, "S-1") for user in (admin, other)}
    with pytest.raises(ConflictError, match="specimen 'S-1' already"):
        _file(database, other, "S-1")
    for user in (admin, other):
        with database.within(user.hospital_id).read() as session:
            listed = specimens.list_specimens(session, limit=9, before=None)
            assert [one.id for one in listed] == [ids.pop(user.hospital_id)]
            for gone in ids.values():
                with pytest.raises(MissingError):
                    specimens.read_specimen(session, gone)
        ids[user.hospital_id] = listed[0].id


def test_invited_sets_a_password_once(accounts: Accounts, admin: User) -> None:
    _, secret = accounts.invite(admin, "Cy", "reader")
    seen = accounts.look_at_link(secret)
    assert (seen.kind, seen.hospital, seen.display_name, seen.role) == (
        "invitation",
        "North",
        "Cy",
        "reader",
    )
    with pytest.raises(ConflictError, match="named 'ada' already"):
        accounts.use_link(secret, PASSWORD, user_name="ada", has_account=False, address="a")
    assert accounts.use_link(secret, PASSWORD, user_name="cy", has_account=False, address="a") == "cy"
    user = accounts.sign_in("cy", PASSWORD, address="a").user
    assert (user.role, user.hospital_id) == ("reader", admin.hospital_id)
    with pytest.raises(MissingError, match="used already"):
        accounts.use_link(secret, PASSWORD, user_name="cy2", has_account=False, address="a")


def test_invited_with_an_account_takes_another_role_elsewhere(
    settings: Settings, accounts: Accounts, admin: User
) -> None:
    boss = create_user(settings, "bo", "Bo", "administrator", PASSWORD, hospital="South")
    _, secret = accounts.invite(boss, "Ada", "reader")
    with pytest.raises(SignedOutError):
        accounts.use_link(secret, "guess", user_name="ada", has_account=True, address="a")
    accounts.use_link(secret, PASSWORD, user_name="ada", has_account=True, address="a")
    signed_in = accounts.sign_in("ada", PASSWORD, address="a")
    assert (signed_in.user.role, signed_in.user.hospital_id) == ("administrator", admin.hospital_id)
    accounts.work_in(signed_in.token, boss.hospital_id)
    here = accounts.user_of_cookie(signed_in.token)
    assert (here.role, here.hospital_id) == ("reader", boss.hospital_id)


def test_nobody_goes_on_where_they_have_no_role(settings: Settings, accounts: Accounts, admin: User) -> None:
    other = create_user(settings, "bo", "Bo", "reader", PASSWORD, hospital="South")
    token = accounts.sign_in("ada", PASSWORD, address="a").token
    with pytest.raises(MissingError, match=f"no hospital {other.hospital_id}"):
        accounts.work_in(token, other.hospital_id)


def test_link_ends_after_its_hours(database: Database, admin: User) -> None:
    ended = Accounts(database, b"k" * 32, session_hours=1, tries_per_minute=3, link_hours=-1)
    _, secret = ended.invite(admin, "Cy", "reader")
    with pytest.raises(MissingError, match="has ended"):
        ended.look_at_link(secret)


def test_new_password_by_link_ends_every_sign_in_and_older_links(
    settings: Settings, accounts: Accounts, admin: User
) -> None:
    cy = create_user(settings, "cy", "Cy", "reader", PASSWORD, hospital="North")
    token = accounts.sign_in("cy", PASSWORD, address="a").token
    (_, older), (_, secret) = (accounts.offer_new_password(admin, cy.id) for _ in range(2))
    with pytest.raises(MissingError):
        accounts.look_at_link(older)
    assert accounts.use_link(secret, "another password", user_name=None, has_account=False, address="a")
    with pytest.raises(SignedOutError, match="has ended"):
        accounts.user_of_cookie(token)
    accounts.sign_in("cy", "another password", address="a")


def test_administrator_cannot_take_over_who_also_works_elsewhere(
    settings: Settings, accounts: Accounts, admin: User, database: Database
) -> None:
    vet = create_user(settings, "di", "Di", "veterinarian", PASSWORD, hospital="South")
    with pytest.raises(MissingError):
        accounts.offer_new_password(admin, vet.id)
    with database.write() as session:
        people.set_role(session, user_id=vet.id, hospital_id=admin.hospital_id, role="reader")
    with pytest.raises(NotAllowedError, match="also works where you are no administrator"):
        accounts.offer_new_password(admin, vet.id)


def test_changing_the_password_needs_the_old_one_and_signs_out_everywhere(
    accounts: Accounts, admin: User
) -> None:
    tokens = [accounts.sign_in("ada", PASSWORD, address="a").token for _ in range(2)]
    with pytest.raises(NotAllowedError, match="is another one"):
        accounts.change_password(admin, "guess", "a new password", address="a")
    assert accounts.user_of_cookie(tokens[0]).id == admin.id
    accounts.change_password(admin, PASSWORD, "a new password", address="a")
    for token in tokens:
        with pytest.raises(SignedOutError):
            accounts.user_of_cookie(token)


def test_sign_in_ends_when_nothing_is_done(database: Database, accounts: Accounts, admin: User) -> None:
    token = accounts.sign_in("ada", PASSWORD, address="a").token
    idle = Accounts(database, b"k" * 32, session_hours=1, tries_per_minute=3, idle_minutes=1e-9)
    assert accounts.user_of_cookie(token).id == admin.id
    with pytest.raises(SignedOutError, match="has ended"):
        idle.user_of_cookie(token)


def test_token_may_do_at_most_what_its_person_may(
    accounts: Accounts, admin: User, database: Database, settings: Settings
) -> None:
    cy = create_user(settings, "cy", "Cy", "veterinarian", PASSWORD, hospital="North")
    with pytest.raises(NotAllowedError, match="needs the role 'administrator'"):
        accounts.add_token(cy, "camera", "administrator")
    _, token = accounts.add_token(cy, "camera", "reader")
    _, full = accounts.add_token(cy, "all")
    assert (accounts.user_of_bearer(token).role, accounts.user_of_bearer(full).role) == (
        "reader",
        "veterinarian",
    )
    with database.write() as session:
        people.set_role(session, user_id=cy.id, hospital_id=cy.hospital_id, role="assistant")
    assert accounts.user_of_bearer(full).role == "assistant"
    with database.read() as session:
        assert all(one.last_used_at for one in people.list_tokens(session, cy.id, cy.hospital_id))
    with database.write() as session:
        people.end_role(session, user_id=cy.id, hospital_id=cy.hospital_id)
    with pytest.raises(SignedOutError, match="unknown or revoked"):
        accounts.user_of_bearer(full)


def test_many_addresses_cannot_guess_one_password(accounts: Accounts, admin: User) -> None:
    for number in range(30):
        with pytest.raises(SignedOutError):
            accounts.sign_in("ada", "guess", address=f"address {number}")
    with pytest.raises(TooManyTriesError):
        accounts.sign_in("ada", PASSWORD, address="one more")
