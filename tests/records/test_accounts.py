"""Accounts, log-ins, invitations, tokens and the audit log, on either engine."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest
from sqlalchemy import select

from evenfall.errors import RequestError
from evenfall.records import Archive, audit, persons
from evenfall.records.accounts import (
    INVITED_DAYS,
    LOGIN_DAYS,
    SHORTEST_PASSWORD,
    UNSEEN_HOURS,
    Account,
    Accounts,
    ThrottledError,
    check_password,
)
from evenfall.records.copying import copy
from evenfall.records.shared_lots import SharedLots
from evenfall.records.tables import ACCOUNT, INVITATION, LOGIN, PERSON, TOKEN
from light_passwords import hashed_in_earnest

PASSWORD = "four words of a test"  # noqa: S105
HERE = "192.0.2.7"  # RFC 5737: an address for documentation


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.at = datetime.fromisoformat("2026-05-04T08:00:00.000000+00:00")

    def __call__(self) -> str:
        return self.at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")

    def on(self, **by: float) -> None:
        self.at += timedelta(**by)


@pytest.fixture
def clock(archive: Archive) -> Clock:
    made = Clock()
    archive.clock = made
    return made


@pytest.fixture
def accounts(archive: Archive) -> Accounts:
    return Accounts(archive)


def joined(accounts: Accounts, name: str = "Q. Ulbrenq", role: str = "manager") -> Account:
    return accounts.join(accounts.invite(name, role), PASSWORD)


def test_the_first_account_names_itself(accounts: Accounts) -> None:
    assert not accounts.exist()
    code = accounts.invite("", "manager")
    with pytest.raises(RequestError, match="Say who you are"):
        accounts.join(code, PASSWORD)
    made = accounts.join(code, PASSWORD, "Q.  Ulbrenq\n")
    assert (made.name, made.role, made.open) == ("Q. Ulbrenq", "manager", True)
    assert accounts.exist()
    assert accounts.get(made.id) == made


def test_a_code_works_once_and_not_for_ever(accounts: Accounts, clock: Clock) -> None:
    code = accounts.invite("M. Tessquin", "bench")
    accounts.join(code, PASSWORD)
    with pytest.raises(RequestError, match="used already"):
        accounts.join(code, PASSWORD)
    late = accounts.invite("T. Quenlo", "bench")
    clock.on(days=INVITED_DAYS, seconds=1)
    with pytest.raises(RequestError, match="older than"):
        accounts.join(late, PASSWORD)


def test_only_the_newest_link_works_and_none_that_a_manager_left_behind(
    accounts: Accounts,
) -> None:
    owner, other = joined(accounts), joined(accounts, "U. Gorb")
    wrong = accounts.invite("T. Quenlo", "manager")
    right = accounts.invite("T. Quenlo", "bench")
    lost, sent = accounts.invite_again(owner.id), accounts.invite_again(owner.id)
    for code in (wrong, lost):
        with pytest.raises(RequestError, match="ask for another"):
            accounts.join(code, PASSWORD)
    assert accounts.join(right, PASSWORD).role == "bench"
    assert accounts.join(sent, PASSWORD).id == owner.id
    console = accounts.invite("", "manager")  # an owner's code, which no page makes
    leaving = joined(accounts, "E. Tessq")
    for leave in (
        lambda: accounts.change_role(other.id, "bench"),
        lambda: accounts.end(leaving.id),
    ):
        made = accounts.invite("A. Dremquil", "manager"), accounts.invite_again(owner.id)
        leave()
        for code in made:
            with pytest.raises(RequestError, match="was ended"):
                accounts.join(code, PASSWORD)
    assert accounts.join(console, PASSWORD, "O. Wexil").role == "manager"


def test_two_people_of_one_name_are_told_apart(accounts: Accounts) -> None:
    joined(accounts)
    with pytest.raises(RequestError, match="add an initial"):
        accounts.invite("q. ULBRENQ", "bench")
    joined(accounts, "Qu. Ulbrenq", "bench")


@pytest.mark.parametrize(
    ("password", "fault"),
    [
        ("x" * (SHORTEST_PASSWORD - 1), "characters"),
        ("abcd " * 100, "characters"),
        ("aaaaaaaaaaaaaaaaaaaa", "easily guessed"),
        ("I am q. ulbrenq, hello", "easily guessed"),
    ],
)
def test_a_weak_password_is_refused(password: str, fault: str) -> None:
    with pytest.raises(RequestError, match=fault):
        check_password(password, "Q. Ulbrenq")


def test_no_secret_is_kept(
    accounts: Accounts, archive: Archive, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("evenfall.records.accounts._hashed", hashed_in_earnest)
    made = joined(accounts)
    code = accounts.invite("T. Quenlo", "bench")
    _, key = accounts.log_in("q. ulbrenq", PASSWORD, HERE)
    _, secret = accounts.new_token(made.id, "export", ["look"], 30)
    with archive.reading() as connection:
        kept = repr(
            [
                connection.execute(select(table)).all()
                for table in (ACCOUNT, INVITATION, LOGIN, TOKEN)
            ]
        )
    assert "$argon2id$v=19$m=19456,t=2,p=1$" in kept
    for one in (PASSWORD, code, key, secret):
        assert one not in kept


def test_a_log_in_ends_by_log_out_by_time_and_unseen(accounts: Accounts, clock: Clock) -> None:
    made = joined(accounts)
    _, key = accounts.log_in("Q. Ulbrenq", PASSWORD, HERE)
    assert accounts.logged_in(key) == made
    assert accounts.logged_in(key[:-1]) is None
    accounts.log_out(key)
    assert accounts.logged_in(key) is None
    _, key = accounts.log_in("Q. Ulbrenq", PASSWORD, HERE)
    clock.on(hours=UNSEEN_HOURS, seconds=1)
    assert accounts.logged_in(key) is None
    _, key = accounts.log_in("Q. Ulbrenq", PASSWORD, HERE)
    for _ in range(LOGIN_DAYS * 24 // 8):
        clock.on(hours=8)
        assert accounts.logged_in(key) == made
    clock.on(hours=1)
    assert accounts.logged_in(key) is None
    _, key = accounts.log_in("Q. Ulbrenq", PASSWORD, HERE)
    for _ in range(2):  # a page that stands open with nobody before it
        clock.on(hours=UNSEEN_HOURS / 2)
        assert accounts.logged_in(key, seen=False) == made
    clock.on(seconds=1)
    assert accounts.logged_in(key, seen=False) is None


def test_another_role_or_password_ends_every_log_in(accounts: Accounts) -> None:
    joined(accounts)
    other = joined(accounts, "M. Tessquin", "bench")
    keys = [accounts.log_in("M. Tessquin", PASSWORD, HERE)[1] for _ in range(2)]
    assert accounts.change_role(other.id, "engineer").role == "engineer"
    assert [accounts.logged_in(key) for key in keys] == [None, None]
    _, key = accounts.log_in("M. Tessquin", PASSWORD, HERE)
    again = accounts.invite_again(other.id)
    accounts.join(again, "five words of another test")
    assert accounts.logged_in(key) is None
    with pytest.raises(RequestError, match="do not fit"):
        accounts.log_in("M. Tessquin", PASSWORD, HERE)
    assert accounts.log_in("M. Tessquin", "five words of another test", HERE)[0].id == other.id


def test_an_ended_account_is_out_at_once_and_the_last_manager_stays(accounts: Accounts) -> None:
    first = joined(accounts)
    with pytest.raises(RequestError, match="last manager"):
        accounts.end(first.id)
    with pytest.raises(RequestError, match="last manager"):
        accounts.change_role(first.id, "bench")
    second = joined(accounts, "M. Tessquin")
    _, key = accounts.log_in("M. Tessquin", PASSWORD, HERE)
    _, secret = accounts.new_token(second.id, "export", ["look"], 30)
    code = accounts.invite_again(second.id)
    assert accounts.end(second.id).ended
    assert accounts.logged_in(key) is None
    assert accounts.shown(secret) is None
    with pytest.raises(RequestError, match="used already"):
        accounts.join(code, PASSWORD)
    with pytest.raises(RequestError, match="do not fit"):
        accounts.log_in("M. Tessquin", PASSWORD, HERE)


def test_a_name_is_erased_once_its_account_is_ended(accounts: Accounts, archive: Archive) -> None:
    """Or the last manager's account could end that way, or by a file from elsewhere."""
    joined(accounts)
    made = joined(accounts, "M. Tessquin", "bench")
    _, key = accounts.log_in("M. Tessquin", PASSWORD, HERE)
    for name in ("Q. Ulbrenq", "M. Tessquin"):
        with pytest.raises(RequestError, match="can still log in; end the account"):
            archive.erase(name)
    with archive.reading() as connection:
        wanted = select(PERSON).where(PERSON.c.name == "M. Tessquin")
        (person,) = connection.execute(wanted).all()
    elsewhere = persons.Person(person.id, persons.pseudonym(person.id), "")
    with archive.writing() as connection:
        persons.absorb(connection, [elsewhere])
    assert accounts.logged_in(key) is not None
    accounts.end(made.id)
    with archive.writing() as connection:
        persons.absorb(connection, [elsewhere])
    assert "Tessquin" not in repr(accounts.listed())
    with pytest.raises(RequestError, match="No person of the name"):
        archive.erase("M. Tessquin")


@pytest.mark.slow
def test_who_is_erased_before_they_joined_is_invited_no_more(
    accounts: Accounts, archive: Archive
) -> None:
    """The link made an account under the pseudonym, by which nobody could log in."""
    code = accounts.invite("T. Quenlo", "manager")
    archive.erase("T. Quenlo")
    with pytest.raises(RequestError, match="was ended"):
        accounts.join(code, PASSWORD)
    assert not accounts.listed()


def test_guesses_are_slowed_by_name(accounts: Accounts, clock: Clock) -> None:
    joined(accounts)

    def wrong(number: int) -> None:
        accounts.log_in("Q. Ulbrenq", "wrong", f"198.51.100.{number}")

    for number in range(5):
        with pytest.raises(RequestError, match="do not fit"):
            wrong(number)
    for number, wait_s in enumerate((1, 2, 4, 8, 16, 32, 60, 60), start=5):
        with pytest.raises(ThrottledError) as slowed:
            wrong(number)
        assert slowed.value.wait_s == wait_s
        with pytest.raises(ThrottledError):  # the right one as well
            accounts.log_in("Q. Ulbrenq", PASSWORD, "203.0.113.9")
        clock.on(seconds=wait_s)
        with pytest.raises(RequestError, match="do not fit"):
            wrong(number)
    clock.on(seconds=60)
    accounts.log_in("Q. Ulbrenq", PASSWORD, HERE)
    accounts.log_in("Q. Ulbrenq", PASSWORD, HERE)


@pytest.mark.slow
def test_guesses_are_slowed_by_address_whatever_the_name(accounts: Accounts) -> None:
    for number in range(20):
        with pytest.raises(RequestError, match="do not fit"):
            accounts.log_in(f"nobody {number}", "wrong", HERE)
    with pytest.raises(ThrottledError):
        accounts.log_in("nobody 21", "wrong", HERE)
    with pytest.raises(RequestError, match="do not fit"):
        accounts.log_in("nobody 21", "wrong", "203.0.113.9")


def test_a_token_has_scopes_an_end_and_a_last_use(accounts: Accounts, clock: Clock) -> None:
    made = joined(accounts)
    token, secret = accounts.new_token(made.id, "export", ["plan", "look"], 30)
    assert token.scopes == ("look", "plan")
    assert accounts.tokens(made.id)[0].used == ""
    found = accounts.shown(secret)
    assert found is not None
    assert found[1].id == token.id
    assert accounts.tokens(made.id)[0].used == clock()
    assert accounts.shown(secret + "x") is None
    clock.on(days=30, seconds=1)
    assert accounts.shown(secret) is None
    token, secret = accounts.new_token(made.id, "another", ["look"], 30)
    accounts.end_token(token.id, made.id)
    assert accounts.shown(secret) is None
    with pytest.raises(RequestError, match="ended already"):
        accounts.end_token(token.id)
    with pytest.raises(RequestError, match="1 to 366 days"):
        accounts.new_token(made.id, "for ever", ["look"], 4000)


def test_roles_are_the_four(accounts: Accounts) -> None:
    with pytest.raises(RequestError, match="role is one of"):
        accounts.invite("T. Quenlo", "owner")
    with pytest.raises(RequestError, match="names the partner's firm"):
        accounts.invite("T. Quenlo", "partner")
    with pytest.raises(RequestError, match="names the partner's firm"):
        accounts.invite("T. Quenlo", "bench", partner="Quandlemere")


def test_lots_are_shared_and_withdrawn(archive: Archive) -> None:
    lots = SharedLots(archive)
    lots.share("lot 7", "Quandlemere", ["a" * 32, "b" * 32])
    lots.share("lot 8", "Tessquin", ["c" * 32])
    (seen,) = lots.of("Quandlemere")
    assert (seen.lot, seen.dossiers, seen.answer) == ("lot 7", ("a" * 32, "b" * 32), "")
    archive.file_together([], lambda connection: lots.answer(connection, seen, "accepted"))
    assert lots.of("Quandlemere")[0].answer == "accepted"
    lots.share("lot 7", "Quandlemere", ["a" * 32])  # another lot than the one that was accepted
    (seen,) = lots.of("Quandlemere")
    assert (seen.dossiers, seen.answer) == (("a" * 32,), "")
    assert {one.partner for one in lots.of()} == {"Quandlemere", "Tessquin"}
    lots.withdraw(seen.key)
    assert lots.of("Quandlemere") == []
    with pytest.raises(RequestError, match="instruments"):
        lots.share("lot 9", "Quandlemere", [])


def test_a_copy_holds_accounts_and_audit_log(
    accounts: Accounts, archive: Archive, tmp_path_factory: pytest.TempPathFactory
) -> None:
    made = joined(accounts)
    _, secret = accounts.new_token(made.id, "export", ["look"], 30)
    audit.note(archive, "joined", account=made.id)
    to = str(tmp_path_factory.mktemp("copies") / "copy")
    copy(archive, to)
    from evenfall.records import open_archive

    with open_archive(to) as copied:
        there = Accounts(copied)
        assert there.log_in("Q. Ulbrenq", PASSWORD, HERE)[0] == made
        assert there.shown(secret) is not None
        assert [line.what for line in audit.lines(copied)] == ["joined"]


def test_the_audit_log_is_read_from_the_newest_on(archive: Archive) -> None:
    for number in range(7):
        account = "a" if number % 2 else "b"
        audit.note(archive, "filed", about=f"POST /{number}", account=account, address=HERE)
    assert [line.number for line in audit.lines(archive, most=3)] == [7, 6, 5]
    assert [line.number for line in audit.lines(archive, before=5, account="b")] == [3, 1]
