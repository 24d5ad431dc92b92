"""Names of people: each stands in one row, and everything else names the row.

The number of a person is a hash of name and salt, so a changed name shows. Erasing a name puts a
pseudonym in its place and throws the salt away: the number stays, no chain breaks, and nobody can
try names against it.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, delete, select

from evenfall.records.entries import sha256
from evenfall.records.tables import ACCOUNT, INVITATION, PERSON

_REFERENCE = "person:"


@dataclass(frozen=True, slots=True)
class Person:
    """A person by number; without a salt the name is a pseudonym, or empty where it is withheld."""

    id: str
    name: str
    salt: str

    @property
    def shown(self) -> str:
        """The name, or what stands for it."""
        return self.name or pseudonym(self.id)

    @property
    def sound(self) -> bool:
        """Whether the name is the one that the number was made of, or its pseudonym."""
        if not self.salt:
            return self.name in ("", pseudonym(self.id))
        return self.id == _number(self.name, self.salt)


def pseudonym(number: str) -> str:
    """Return what stands in place of an erased name."""
    return f"person {number[:8]}"


def number_for(connection: Connection, name: str) -> str:
    """Return the number of the person of a name, kept from now on; "" for no name."""
    if not name:
        return ""
    known = select(PERSON.c.id).where(PERSON.c.name == name).order_by(PERSON.c.id)
    if found := connection.execute(known).scalars().first():
        return str(found)
    salt = secrets.token_hex(16)
    number = _number(name, salt)
    connection.execute(PERSON.insert().values(id=number, name=name, salt=salt))
    return number


def names_of(connection: Connection, numbers: Iterable[str]) -> dict[str, Person]:
    """Return persons by number."""
    wanted = sorted({number for number in numbers if number})
    rows = connection.execute(select(PERSON).where(PERSON.c.id.in_(wanted)))
    return {row.id: Person(row.id, row.name, row.salt) for row in rows}


def erase(connection: Connection, number: str) -> None:
    """Put the pseudonym in the place of a name; an invitation by that name ends."""
    connection.execute(delete(INVITATION).where(INVITATION.c.person == number))
    connection.execute(
        PERSON.update().where(PERSON.c.id == number).values(name=pseudonym(number), salt="")
    )


def log_in(connection: Connection, numbers: Iterable[str]) -> bool:
    """Say whether any of some persons has an account that goes on."""
    mine = select(ACCOUNT.c.id).where(ACCOUNT.c.person.in_(list(numbers)), ACCOUNT.c.ended == "")
    return connection.execute(mine.limit(1)).first() is not None


def absorb(connection: Connection, persons: Iterable[Person]) -> None:
    """Take persons over from a partner; a name that one side erased stays erased.

    Of somebody who logs in here the name stays until the account is ended: no file from elsewhere
    shuts anybody out.
    """
    for person in persons:
        known = names_of(connection, [person.id]).get(person.id)
        if known is None:
            row = {"id": person.id, "name": person.name, "salt": person.salt}
            connection.execute(PERSON.insert().values(row))
        elif known.salt and person.name and not person.salt:
            if not log_in(connection, [person.id]):
                erase(connection, person.id)
        elif not known.name and person.name:
            row = {"name": person.name, "salt": person.salt}
            connection.execute(PERSON.update().where(PERSON.c.id == person.id).values(row))


def without_names(values: Any, number: Callable[[str], str]) -> Any:
    """Return plain values of a document with every person's name replaced by their number."""
    return _persons(values, lambda name: f"{_REFERENCE}{number(name)}" if name else name)


def with_names(values: Any, persons: Mapping[str, Person]) -> Any:
    """Return plain values of a document with the names put back, or what stands for them."""

    def name(given: str) -> str:
        number = given.removeprefix(_REFERENCE)
        if number == given:
            return given
        return persons[number].shown if number in persons else pseudonym(number)

    return _persons(values, name)


def numbers_in(values: Any) -> set[str]:
    """Return the numbers of the persons that a kept document names."""
    found: set[str] = set()

    def note(given: str) -> str:
        if given.startswith(_REFERENCE):
            found.add(given.removeprefix(_REFERENCE))
        return given

    _persons(values, note)
    return found


def numbers_named(content: str) -> set[str]:
    """Return the numbers of the persons that the text of a kept document names."""
    if f'"person":"{_REFERENCE}' not in content:
        return set()
    return numbers_in(json.loads(content))


def _persons(values: Any, change: Callable[[str], str]) -> Any:
    """Return values with `change` applied to every text under the key `person`."""
    if isinstance(values, list):
        return [_persons(one, change) for one in values]
    if not isinstance(values, Mapping):
        return values
    return {
        key: change(inner)
        if key == "person" and isinstance(inner, str)
        else _persons(inner, change)
        for key, inner in values.items()
    }


def _number(name: str, salt: str) -> str:
    return sha256(f"{salt} {name}")[:32]
