"""Who may come in: accounts with roles, invitations, log-ins, tokens for programs.

Every secret (the code of an invitation, the key of a log-in, a token) is 32 random bytes that its
holder alone has; the archive keeps its SHA-256. A password is kept as an Argon2id hash. A person's
name stands in `records.persons`: who is erased there cannot log in any more.
"""

from __future__ import annotations

import secrets
import threading
import unicodedata
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal, get_args

from sqlalchemy import Connection, Row, Select, delete, or_, select, update

from evenfall.errors import RequestError
from evenfall.records import persons
from evenfall.records.archive import Archive
from evenfall.records.entries import sha256
from evenfall.records.tables import ACCOUNT, ARCHIVE, ATTEMPT, INVITATION, LOGIN, PERSON, TOKEN
from evenfall.wording import plain_line

Role = Literal["bench", "engineer", "manager", "partner"]
ROLES: tuple[Role, ...] = get_args(Role)

SHORTEST_PASSWORD = 15
"""Characters of a password that stands alone: NIST SP 800-63B-4, section 3.1.1.2 (from memory)."""
LONGEST_PASSWORD = 200
LONGEST_NAME = 100
INVITED_DAYS = 7
LOGIN_DAYS = 7
UNSEEN_HOURS = 12
"""A log-in ends after so many days, and sooner where nothing was asked for so many hours."""
LONGEST_TOKEN_DAYS = 366
_SEEN_MINUTES = 5
_FREE_TRIES = {"name": 5, "address": 20}
_LONGEST_WAIT_S = {"name": 60.0, "address": 900.0}
"""A minute by name, or whoever fails on purpose would keep the right person out."""
_FORGOTTEN_S = 3600.0
_AT_ONCE = threading.Semaphore(4)
"""So that a flood of guesses takes no more memory than this many hashes."""
_UNKNOWN = "$argon2id$v=19$m=19456,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$" + "A" * 43
"""What the password of nobody is compared with: it takes as long, and no password fits."""


class ThrottledError(RequestError):
    """Too many log-ins failed; `wait_s` says after how many seconds one may try again."""

    def __init__(self, wait_s: float) -> None:
        self.wait_s = max(1, round(wait_s))
        text = "Too many log-ins failed; try again in {wait_s:count second}."
        super().__init__(text, wait_s=self.wait_s)


@dataclass(frozen=True, slots=True)
class Account:
    """Somebody who may log in."""

    id: str
    name: str  # what entries are filed under; a pseudonym once it was erased
    role: Role
    partner: str  # name of the partner's firm; "" for the other roles
    since: str
    ended: str  # when it ended; "" while it goes on
    erased: bool

    @property
    def open(self) -> bool:
        """Whether one can log in with it."""
        return not self.ended and not self.erased


@dataclass(frozen=True, slots=True)
class Invitation:
    """A way to an account, for whoever has its code."""

    account: str  # whose password it sets again; "" where it makes an account
    name: str  # "" where who comes says it
    role: Role
    partner: str
    until: str


@dataclass(frozen=True, slots=True)
class Token:
    """What a program shows instead of a password."""

    id: str
    account: str
    name: str  # what it is for
    scopes: tuple[str, ...]
    at: str
    until: str
    used: str  # when last, to the minute or so; "" for never
    ended: str


class Accounts:
    """The accounts of an archive."""

    def __init__(self, archive: Archive) -> None:
        self._archive = archive

    # ---- accounts --------------------------------------------------------------------------------

    def exist(self) -> bool:
        """Say whether anybody can log in."""
        with self._archive.reading() as connection:
            wanted = _with_names().where(ACCOUNT.c.ended == "", PERSON.c.salt != "").limit(1)
            return connection.execute(wanted).first() is not None

    def listed(self) -> Sequence[Account]:
        """Return all accounts, ended ones too, the oldest first."""
        with self._archive.reading() as connection:
            rows = connection.execute(_with_names().order_by(ACCOUNT.c.since, ACCOUNT.c.id))
            return [_account(row) for row in rows]

    def get(self, account: str) -> Account:
        """Return an account; `RequestError` where it is not there."""
        with self._archive.reading() as connection:
            return _get(connection, account)

    def invite(self, name: str, role: str, *, partner: str = "") -> str:
        """Return the code that makes an account; of an owner's first one, the name is left open."""
        name, partner = _checked(name, role, partner)
        with self._archive.writing() as connection:
            _refuse_twin(connection, name)
            person = persons.number_for(connection, name)
            return self._invite(connection, account="", person=person, role=role, partner=partner)

    def invite_again(self, account: str) -> str:
        """Return a code that sets the password of an account again."""
        with self._archive.writing() as connection:
            one = _get(connection, account)
            if not one.open:
                raise RequestError("This account has ended; invite the person again.")
            return self._invite(
                connection, account=account, person="", role=one.role, partner=one.partner
            )

    def _invite(self, connection: Connection, **values: str) -> str:
        code = secrets.token_urlsafe(32)
        until = self._later(days=INVITED_DAYS)
        older = delete(INVITATION).filter_by(person=values["person"], account=values["account"])
        connection.execute(older)  # only the newest works, with the role that was meant last
        made = INVITATION.insert().values(key=sha256(code), until=until, **values)
        connection.execute(made)
        connection.execute(delete(INVITATION).where(INVITATION.c.until < self._archive.clock()))
        return code

    def invitation(self, code: str) -> Invitation:
        """Return what a code invites to."""
        with self._archive.reading() as connection:
            return self._invitation(connection, code)

    def _invitation(self, connection: Connection, code: str) -> Invitation:
        row = connection.execute(
            select(INVITATION).where(INVITATION.c.key == sha256(code))
        ).one_or_none()
        if row is None or row.until < self._archive.clock():
            raise RequestError(
                "This link was used already, was ended, or is older than {days} days; ask for "
                "another one.",
                days=INVITED_DAYS,
            )
        if row.account:
            name = _get(connection, row.account).name
        else:
            known = persons.names_of(connection, [row.person])
            name = known[row.person].name if row.person in known else ""
        return Invitation(row.account, name, row.role, row.partner, row.until)

    def join(self, code: str, password: str, name: str = "") -> Account:
        """Use a code: make the account, or set its password again; all its log-ins end."""
        invited = self.invitation(code)
        name = invited.name or _checked(name, invited.role, invited.partner)[0]
        if not name:
            raise RequestError("Say who you are; what you file is filed under this name.")
        hashed = _hashed(check_password(password, name))
        with self._archive.writing() as connection:
            self._invitation(connection, code)
            used = delete(INVITATION).where(INVITATION.c.key == sha256(code))
            if not connection.execute(used).rowcount:
                raise RequestError("This link was used already; ask for another one.")
            if invited.account:
                account = invited.account
                changed = update(ACCOUNT).where(ACCOUNT.c.id == account, ACCOUNT.c.ended == "")
                connection.execute(changed.values(password=hashed))
                _log_out_all(connection, account)
            else:
                _refuse_twin(connection, name)
                account = secrets.token_hex(8)
                values = {
                    "id": account,
                    "person": persons.number_for(connection, name),
                    "role": invited.role,
                    "partner": invited.partner,
                    "password": hashed,
                    "since": self._archive.clock(),
                    "ended": "",
                }
                connection.execute(ACCOUNT.insert().values(values))
            return _get(connection, account)

    def change_role(self, account: str, role: str, *, partner: str = "") -> Account:
        """Give somebody another role; their log-ins end."""
        _, partner = _checked("", role, partner)
        with self._archive.writing() as connection:
            self._keep_a_manager(connection, account, role)
            if role != "manager":
                _end_links(connection, account)
            changed = update(ACCOUNT).where(ACCOUNT.c.id == account)
            connection.execute(changed.values(role=role, partner=partner))
            _log_out_all(connection, account)
            return _get(connection, account)

    def end(self, account: str) -> Account:
        """End an account with its log-ins and tokens; what was filed under the name stays."""
        now = self._archive.clock()
        with self._archive.writing() as connection:
            self._keep_a_manager(connection, account, "")
            _end_links(connection, account)
            connection.execute(update(ACCOUNT).where(ACCOUNT.c.id == account).values(ended=now))
            _log_out_all(connection, account)
            tokens = update(TOKEN).where(TOKEN.c.account == account, TOKEN.c.ended == "")
            connection.execute(tokens.values(ended=now))
            return _get(connection, account)

    def _keep_a_manager(self, connection: Connection, account: str, role: str) -> None:
        # other writers wait here, so that two managers cannot end each other
        connection.execute(select(ARCHIVE).with_for_update())
        changed = _get(connection, account)
        others = (one for one in _all(connection) if one.id != account)
        if not changed.open:
            raise RequestError("This account has ended; invite the person again.")
        stays = role == "manager" or any(one.open and one.role == "manager" for one in others)
        if changed.role == "manager" and not stays:
            raise RequestError("This is the last manager; make somebody else one first.")

    # ---- log-ins ---------------------------------------------------------------------------------

    def log_in(self, name: str, password: str, address: str) -> tuple[Account, str]:
        """Return the account and the key of a new log-in; `RequestError` where they do not fit.

        An attempt is counted before it is looked at: many at a time are throttled as one after
        another. `ThrottledError` where too many failed.
        """
        from cryptography.exceptions import InvalidKey
        from cryptography.hazmat.primitives.kdf.argon2 import Argon2id

        misfit = RequestError("Name and password do not fit; try again.")
        keys = {"name": sha256(f"name {_folded(name)}"), "address": sha256(f"from {address}")}
        with self._archive.writing() as connection:
            connection.execute(select(ARCHIVE).with_for_update())
            for sort, key in keys.items():
                self._count(connection, key, _FREE_TRIES[sort], _LONGEST_WAIT_S[sort])
            found = _of_name(connection, name)
            wanted = select(ACCOUNT.c.password).where(ACCOUNT.c.id == (found.id if found else ""))
            hashed = connection.execute(wanted).scalar() or _UNKNOWN
        try:
            with _AT_ONCE:
                Argon2id.verify_phc_encoded(_prepared(password), hashed)
        except InvalidKey:
            raise misfit from None
        if found is None:
            raise misfit
        with self._archive.writing() as connection:
            account = _get(connection, found.id)
            if not account.open:
                raise misfit
            connection.execute(delete(ATTEMPT).where(ATTEMPT.c.key == keys["name"]))
            fewer = update(ATTEMPT).where(ATTEMPT.c.key == keys["address"])
            connection.execute(fewer.values(count=ATTEMPT.c.count - 1))
            return account, self._log_in(connection, account.id)

    def _count(self, connection: Connection, key: str, free: int, most_s: float) -> None:
        now = self._archive.clock()
        row = connection.execute(select(ATTEMPT).where(ATTEMPT.c.key == key)).one_or_none()
        since_s = _seconds(row.at, now) if row else 0.0
        count = int(row._mapping["count"]) if row else 0
        if row is None or since_s > _FORGOTTEN_S:
            connection.execute(delete(ATTEMPT).where(ATTEMPT.c.key == key))
            connection.execute(ATTEMPT.insert().values(key=key, count=1, at=now))
            old = self._later(seconds=-_FORGOTTEN_S)
            connection.execute(delete(ATTEMPT).where(ATTEMPT.c.at < old))
            return
        wait_s = min(2.0 ** min(count - free, 20), most_s) if count >= free else 0.0
        if since_s < wait_s:
            raise ThrottledError(wait_s - since_s)
        changed = update(ATTEMPT).where(ATTEMPT.c.key == key)
        connection.execute(changed.values(count=count + 1, at=now))

    def log_in_as(self, account: str) -> str:
        """Return the key of a new log-in of somebody who has just set a password."""
        with self._archive.writing() as connection:
            return self._log_in(connection, account)

    def _log_in(self, connection: Connection, account: str) -> str:
        key, now = secrets.token_urlsafe(32), self._archive.clock()
        connection.execute(
            LOGIN.insert().values(key=sha256(key), account=account, at=now, seen=now)
        )
        old = self._later(days=-LOGIN_DAYS)
        connection.execute(delete(LOGIN).where(LOGIN.c.at < old))
        return key

    def logged_in(self, key: str, *, seen: bool = True) -> Account | None:
        """Return whose log-in a key is; None for a key that is unknown, ended or too old.

        `seen` says whether somebody came: a page that only stands open lets a log-in grow old.
        """
        now = self._archive.clock()
        wanted = (
            _with_names()
            .join(LOGIN, LOGIN.c.account == ACCOUNT.c.id)
            .add_columns(LOGIN.c.at, LOGIN.c.seen)
            .where(LOGIN.c.key == sha256(key))
        )
        with self._archive.reading() as connection:
            row = connection.execute(wanted).one_or_none()
        if row is None:
            return None
        unseen_s = _seconds(row.seen, now)
        over = _seconds(row.at, now) > LOGIN_DAYS * 86_400 or unseen_s > UNSEEN_HOURS * 3600
        account = _account(row)
        if over or not account.open:
            return None
        if seen and unseen_s > _SEEN_MINUTES * 60:
            with self._archive.writing() as connection:
                connection.execute(update(LOGIN).where(LOGIN.c.key == sha256(key)).values(seen=now))
        return account

    def log_out(self, key: str) -> None:
        """End a log-in."""
        with self._archive.writing() as connection:
            connection.execute(delete(LOGIN).where(LOGIN.c.key == sha256(key)))

    # ---- tokens ----------------------------------------------------------------------------------

    def new_token(
        self, account: str, name: str, scopes: Collection[str], days: int
    ) -> tuple[Token, str]:
        """Return a token and the secret, which is shown this once."""
        name = plain_line(name)[:LONGEST_NAME]
        if not name or not scopes:
            raise RequestError("Say what the token is for, and choose what it may do.")
        if not 1 <= days <= LONGEST_TOKEN_DAYS:
            text = "A token is valid for 1 to {most} days, not for {days}."
            raise RequestError(text, most=LONGEST_TOKEN_DAYS, days=days)
        secret = secrets.token_urlsafe(32)
        values = {
            "id": secrets.token_hex(8),
            "account": account,
            "name": name,
            "at": self._archive.clock(),
            "until": self._later(days=days),
            "used": "",
            "ended": "",
        }
        with self._archive.writing() as connection:
            if not _get(connection, account).open:
                raise RequestError("This account has ended; invite the person again.")
            row = {**values, "key": sha256(secret), "scopes": " ".join(sorted(scopes))}
            connection.execute(TOKEN.insert().values(row))
        return Token(**values, scopes=tuple(sorted(scopes))), secret

    def tokens(self, account: str = "") -> Sequence[Token]:
        """Return the tokens of an account, or of all, the newest first."""
        wanted = select(TOKEN).order_by(TOKEN.c.at.desc())
        if account:
            wanted = wanted.where(TOKEN.c.account == account)
        with self._archive.reading() as connection:
            return [_token(row) for row in connection.execute(wanted)]

    def shown(self, secret: str, *, seen: bool = True) -> tuple[Account, Token] | None:
        """Return whose token a secret is; None for one that is unknown, ended or expired.

        `seen` says whether a program asked just now: looking again whether it still may is no use.
        """
        now = self._archive.clock()
        with self._archive.reading() as connection:
            row = connection.execute(
                select(TOKEN).where(TOKEN.c.key == sha256(secret))
            ).one_or_none()
            if row is None or row.ended or row.until < now:
                return None
            account = _get(connection, row.account)
        if not account.open:
            return None
        if seen and (not row.used or _seconds(row.used, now) > 60):
            with self._archive.writing() as connection:
                connection.execute(update(TOKEN).where(TOKEN.c.id == row.id).values(used=now))
        return account, _token(row)

    def end_token(self, token: str, account: str = "") -> None:
        """End a token; with `account`, only one of that account."""
        wanted = update(TOKEN).where(TOKEN.c.id == token, TOKEN.c.ended == "")
        if account:
            wanted = wanted.where(TOKEN.c.account == account)
        with self._archive.writing() as connection:
            ended = connection.execute(wanted.values(ended=self._archive.clock()))
            if not ended.rowcount:
                raise RequestError("This token has ended already; load the page again.")

    def _later(self, **by: float) -> str:
        made = datetime.fromisoformat(self._archive.clock()) + timedelta(**by)
        return made.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def check_password(password: str, name: str) -> str:
    """Return a password that may be used; `RequestError` says what it lacks."""
    count = len(unicodedata.normalize("NFC", password))
    if not SHORTEST_PASSWORD <= count <= LONGEST_PASSWORD:
        raise RequestError(
            "A password has {least} to {most} characters, and this one has {count}; four words "
            "with spaces between them do well.",
            least=SHORTEST_PASSWORD,
            most=LONGEST_PASSWORD,
            count=count,
        )
    if len(set(password)) < 5 or _folded(name) in _folded(password):
        raise RequestError(
            "This password is easily guessed; take one without your name and with more than a few "
            "different characters."
        )
    return password


def _checked(name: str, role: str, partner: str) -> tuple[str, str]:
    """Return a name and a partner as they are kept."""
    name, partner = plain_line(name), plain_line(partner)
    if role not in ROLES:
        raise RequestError("The role is one of {roles:or}.", roles=ROLES)
    if (role == "partner") != bool(partner):
        text = "An account of the role partner names the partner's firm, and no other account does."
        raise RequestError(text)
    if max(len(name), len(partner)) > LONGEST_NAME:
        raise RequestError("A name has {most} characters at most.", most=LONGEST_NAME)
    return name, partner


def _prepared(password: str) -> bytes:
    return unicodedata.normalize("NFC", password[: 2 * LONGEST_PASSWORD]).encode(errors="replace")


def _hashed(password: str) -> str:
    from cryptography.hazmat.primitives.kdf.argon2 import Argon2id

    with _AT_ONCE:
        # OWASP's Password Storage Cheat Sheet: Argon2id, 19 MiB, 2 iterations, 1 lane
        made = Argon2id(
            salt=secrets.token_bytes(16), length=32, iterations=2, lanes=1, memory_cost=19_456
        )
        return made.derive_phc_encoded(_prepared(password))


def _folded(name: str) -> str:
    return unicodedata.normalize("NFKC", plain_line(name[: 2 * LONGEST_NAME])).casefold()


def _same(one: str, other: str) -> bool:
    return _folded(one) == _folded(other)


def _seconds(since: str, now: str) -> float:
    return (datetime.fromisoformat(now) - datetime.fromisoformat(since)).total_seconds()


def _with_names() -> Select[Any]:
    return select(
        *(ACCOUNT.c[name] for name in ("id", "role", "partner", "since", "ended")),
        *(PERSON.c.name, PERSON.c.salt),
    ).join(PERSON, PERSON.c.id == ACCOUNT.c.person)


def _all(connection: Connection) -> Sequence[Account]:
    return [_account(row) for row in connection.execute(_with_names())]


def _of_name(connection: Connection, name: str) -> Account | None:
    """Return the account that somebody of a name can log in with."""
    return next((one for one in _all(connection) if one.open and _same(one.name, name)), None)


def _refuse_twin(connection: Connection, name: str) -> None:
    """Refuse a name by which somebody logs in already, or is just about to."""
    connection.execute(select(ARCHIVE).with_for_update())  # of two who join, one waits
    if name and _of_name(connection, name):
        raise RequestError(
            "There is an account of the name {name:quoted}; add an initial, so that the two can be "
            "told apart.",
            name=name,
        )


def _get(connection: Connection, account: str) -> Account:
    row = connection.execute(_with_names().where(ACCOUNT.c.id == account)).one_or_none()
    if row is None:
        raise RequestError("There is no such account; see who is there.")
    return _account(row)


def _account(row: Row[Any]) -> Account:
    return Account(row.id, row.name, row.role, row.partner, row.since, row.ended, not row.salt)


def _token(row: Row[Any]) -> Token:
    scopes = tuple(row.scopes.split())
    own = (row.id, row.account, row.name)
    return Token(*own, scopes, row.at, row.until, row.used, row.ended)


def _log_out_all(connection: Connection, account: str) -> None:
    connection.execute(delete(LOGIN).where(LOGIN.c.account == account))


def _end_links(connection: Connection, account: str) -> None:
    """End the links to an account; of a manager, all, or one made in advance would lead back in."""
    links = delete(INVITATION).where(INVITATION.c.account == account)
    if _get(connection, account).role == "manager":  # which are theirs is not kept
        links = delete(INVITATION).where(or_(INVITATION.c.person != "", INVITATION.c.account != ""))
    connection.execute(links)
