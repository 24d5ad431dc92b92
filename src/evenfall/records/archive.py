"""The archive: dossiers of entries that are only ever added to, on either engine.

The contract, which one suite of tests holds both engines to:

- **One writer at a time.** What one call files becomes visible whole, or not at all. When the call
  has returned it is on the disk. Another writer waits its turn, and after 20 s is refused with a
  `RequestError`; nothing was filed then.
- **A reader sees one state**, that after some writer had finished, for as long as the call lasts.
- **Nothing is changed.** A correction is a new entry that names the old one. Two things alone are
  ever updated: a person's name, when it is erased, and facts that a partner had withheld.
- **Ownership.** An archive belongs to a site, which its entries name. Files belong to the archive:
  they lie under their hash and are flushed to the disk before the entry that names them.
- **What is raised.** `RequestError`: the call does not fit, or the address cannot be used now.
  `BrokenFileError`: the database, a file or an entry is damaged. `UnsupportedError`: a newer
  schema, or an address that this engine cannot serve. Any of them: nothing was filed.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any, Literal

from sqlalchemy import Connection, Engine, Row, func, inspect, select
from sqlalchemy.dialects import postgresql, sqlite

from evenfall.codec import plain
from evenfall.errors import BrokenFileError, ChangedError, RequestError
from evenfall.names import check_line
from evenfall.records import finding, persons
from evenfall.records.engines import Address, engine_of, glancing, reading, writing
from evenfall.records.entries import KINDS, Attached, Entry, canonical, in_order, last_of, sha256
from evenfall.records.figures import again, figures_again, follow, with_cutters
from evenfall.records.kept import KeptFiles
from evenfall.records.labels import key_of, labels_of, span_of, words_of
from evenfall.records.persons import Person
from evenfall.records.schema import NAMES_CUTTERS, refuse_other, schema_of, upgrade
from evenfall.records.signing import Signature, SigningKey
from evenfall.records.tables import (
    ARCHIVE,
    DOCUMENT,
    ENTRY,
    FIGURE,
    KEPT_FILE,
    LABEL,
    MOST_AT_ONCE,
    PERSON,
    SIGNATURE,
    some_of,
)

_MOST_NAMED = 100


@dataclass(frozen=True, slots=True)
class Filing:
    """Something to be filed: its kind, its facts as plain values, and what belongs to it."""

    kind: str
    facts: Mapping[str, Any]
    person: str = ""  # name of who files it
    corrects: str = ""
    documents: Mapping[str, Mapping[str, Any] | str] = field(default_factory=dict)
    """By name: the plain values of JSON documents, and texts."""
    files: Mapping[str, bytes | Path] = field(default_factory=dict)

    def __post_init__(self) -> None:
        check_line("by", self.person)


@dataclass(frozen=True, slots=True)
class Into:
    """What goes into one dossier, and what must hold of it then."""

    dossier: str | None  # None opens a new one
    filings: Sequence[Filing]
    since: str = ""
    """Version of the dossier when it was looked at; with another one nothing is filed."""
    looked: Mapping[str, Collection[str]] = field(default_factory=dict)
    """By label, the dossiers that bore it when a new one was decided on; where one more does by
    now, somebody opened it first, and nothing is filed."""
    signed_by: SigningKey | None = None
    """What signs the last entry, in one with it."""


@dataclass(frozen=True, slots=True)
class Absorbed:
    """What taking entries over came to."""

    new: int
    known: int
    completed: int  # entries that were known, but whose facts had been withheld until now


def now() -> str:
    """Return the time by the clock of this machine, as entries hold it."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


class Archive:
    """An archive that is open; see the module for its contract.

    Parameters
    ----------
    address
        Where it is.
    engine
        What answers there.
    clock
        Tells the time of an entry.

    Examples
    --------
    >>> import tempfile
    >>> folder = tempfile.TemporaryDirectory()
    >>> with open_archive(folder.name, make=True) as archive:
    ...     opened = Filing("opened", {"subject": "instrument", "name": "Tesquil"})
    ...     serial = Filing("alias", {"sort": "serial", "value": "UY-0417"})
    ...     dossier = archive.file(None, [opened, serial])[0].dossier
    ...     note = Filing("note", {"words": "nut worn"}, person="Q. Ulbrenq")
    ...     archive.file(dossier, [note])[0].kind
    ...     isinstance(archive, Archive), archive.find("0417") == (dossier,)
    'note'
    (True, True)
    >>> folder.cleanup()
    """

    def __init__(self, address: Address, engine: Engine, clock: Callable[[], str] = now) -> None:
        self.address = address
        self.engine = engine
        self.clock = clock
        self.files = KeptFiles(address.files)
        with self.reading() as connection:
            row = connection.execute(select(ARCHIVE)).one_or_none()
        if row is None or not site_is_sound(row.site):
            raise BrokenFileError(
                "The name of the site in this archive is damaged; restore it from a backup.",
                at=address.at,
            )
        self.site: str = row.site

    def __enter__(self) -> Archive:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def reading(self) -> Any:
        """Return a context whose connection sees one state."""
        return reading(self.engine, self.address)

    def glancing(self) -> Any:
        """Return a context whose connection is for one statement."""
        return glancing(self.engine, self.address)

    def writing(self) -> Any:
        """Return a context whose connection is the only writer."""
        return writing(self.engine, self.address)

    # ---- filing ----------------------------------------------------------------------------------

    def file(
        self,
        dossier: str | None,
        filings: Sequence[Filing],
        *,
        since: str = "",
        looked: Mapping[str, Collection[str]] | None = None,
        signed_by: SigningKey | None = None,
    ) -> tuple[Entry, ...]:
        """File entries into a dossier one after another, all or none; see `Into`."""
        return self.file_together([Into(dossier, filings, since, looked or {}, signed_by)])[0]

    def file_together(
        self, several: Sequence[Into], along: Callable[[Connection], object] | None = None
    ) -> list[tuple[Entry, ...]]:
        """File into several dossiers, all or none; what `along` looks at or changes belongs to it.

        `RequestError` where a dossier, or an entry to correct, is not there; `ChangedError` where
        somebody was first, see `Into`.
        """
        kept = [
            [{name: self.files.keep(one) for name, one in f.files.items()} for f in into.filings]
            for into in several
        ]
        made = []
        with self.writing() as connection:
            number = self._next_number(connection, sum(len(into.filings) for into in several))
            if along is not None:
                along(connection)
            for into, files in zip(several, kept, strict=True):
                entries = self._entries(connection, into, files)
                self._insert(connection, number, {entry.hash: entry for entry in entries})
                if entries and into.signed_by is not None:
                    self._sign(connection, entries[-1].dossier, into.signed_by)
                number += len(entries)
                made.append(entries)
        return made

    def _entries(
        self, connection: Connection, into: Into, files: Sequence[Mapping[str, tuple[str, int]]]
    ) -> tuple[Entry, ...]:
        """Return the entries that are to be inserted into a dossier, by what it holds now."""
        name = into.dossier or secrets.token_hex(16)
        heads = _heads(connection, name)
        if into.dossier is not None and not heads:
            raise RequestError(
                "There is no dossier {dossier:quoted} in the archive.", dossier=into.dossier
            )
        for label, seen in into.looked.items():
            for other in _labelled(connection, label):
                if other not in seen:
                    raise ChangedError(
                        "Somebody opened a dossier of {label:quoted} meanwhile, {dossier}; look at "
                        "it first.",
                        label=label,
                        dossier=other,
                        since=into.since,
                    )
        last = last_of(heads)
        if into.since and version_of(last) != into.since:
            raise ChangedError(
                "Somebody filed into this dossier meanwhile; look at it first.",
                dossier=name,
                since=into.since,
            )
        known = {hashed for hashed, _ in heads}
        made: list[Entry] = []
        for filing, own in zip(into.filings, files, strict=True):
            if filing.corrects and filing.corrects not in known:
                raise RequestError(
                    "The entry to correct, {entry:quoted}, is not in this dossier.",
                    entry=filing.corrects,
                )
            entry = self._entry(connection, name, filing, own, last)
            made.append(entry)
            last = (entry.hash,)
            known.add(entry.hash)
        return tuple(made)

    def _next_number(self, connection: Connection, count: int = 0) -> int:
        """Return the number of the next entry, this writer being the only one from here on.

        So many entries are counted as there; if fewer come about, the call has to say so.
        """
        counted = ARCHIVE.update().values(entries=ARCHIVE.c.entries + count)
        there = connection.execute(counted.returning(ARCHIVE.c.entries)).scalar_one()
        return int(there) - count + 1

    def _entry(
        self,
        connection: Connection,
        dossier: str,
        filing: Filing,
        files: Mapping[str, tuple[str, int]],
        last: tuple[str, ...],
    ) -> Entry:
        attached = [self._document(connection, *one) for one in filing.documents.items()]
        for name, (digest, size) in files.items():
            _insert_new(connection, KEPT_FILE, {"sha256": digest, "bytes_count": size})
            attached.append(Attached("file", name, digest, size))
        values = {**filing.facts, "salt": secrets.token_hex(16), "attached": plain(attached)}
        facts = canonical(plain(KINDS[filing.kind].from_dict(values)))
        return Entry(
            dossier=dossier,
            kind=filing.kind,
            at=self.clock(),
            site=self.site,
            person=persons.number_for(connection, filing.person),
            software=software(),
            before=last,
            corrects=filing.corrects,
            facts_hash=sha256(facts),
            facts=facts,
        )

    def _document(
        self, connection: Connection, name: str, given: Mapping[str, Any] | str
    ) -> Attached:
        if isinstance(given, str):
            content = given
        else:
            content = canonical(
                persons.without_names(given, lambda who: persons.number_for(connection, who))
            )
        digest = sha256(content)
        _insert_new(connection, DOCUMENT, {"sha256": digest, "content": content})
        return Attached("document", name, digest, len(content.encode()))

    def _insert(self, connection: Connection, number: int, entries: Mapping[str, Entry]) -> None:
        """Insert entries, each under its hash, from a number on."""
        rows = [
            {
                **entry.head(),
                "number": number + place,
                "hash": name,
                "facts": entry.facts,
                "before": " ".join(entry.before),
            }
            for place, (name, entry) in enumerate(entries.items())
        ]
        for some in some_of(rows):
            connection.execute(ENTRY.insert(), some)
        insert_labels(connection, entries)
        follow(connection, entries)

    def sign(self, dossier: str, key: SigningKey) -> tuple[Signature, ...]:
        """Put signatures under the last entries of a dossier that this key has not signed yet."""
        with self.writing() as connection:
            self._next_number(connection)
            return self._sign(connection, dossier, key)

    def _sign(self, connection: Connection, dossier: str, key: SigningKey) -> tuple[Signature, ...]:
        made = []
        for hashed in last_of(_heads(connection, dossier)):
            there = select(SIGNATURE).filter_by(entry=hashed, key=key.public)
            if connection.execute(there).first() is None:
                made.append(key.sign(hashed, self.clock()))
        self._insert_signatures(connection, made)
        return tuple(made)

    def _insert_signatures(self, connection: Connection, made: Iterable[Signature]) -> None:
        _insert_new(connection, SIGNATURE, *map(asdict, made))

    def erase(self, name: str) -> str:
        """Replace a person's name by a pseudonym wherever it shows, and return that."""
        with self.writing() as connection:
            self._next_number(connection)
            known = select(PERSON.c.id).where(PERSON.c.name == name, PERSON.c.salt != "")
            numbers = list(connection.execute(known).scalars())
            if not numbers:
                raise RequestError("No person of the name {name:quoted} is kept here.", name=name)
            if persons.log_in(connection, numbers):
                raise RequestError(
                    "{name:quoted} can still log in; end the account, then erase the name.",
                    name=name,
                )
            for number in numbers:
                persons.erase(connection, number)
        return persons.pseudonym(numbers[0])

    def erased(self) -> int:
        """Return how many persons' names were erased: who keeps any at hand compares it."""
        with self.glancing() as connection:
            wanted = select(func.count()).select_from(PERSON).where(PERSON.c.salt == "")
            return int(connection.execute(wanted).scalar_one())

    def absorb(
        self,
        entries: Iterable[Entry],
        *,
        documents: Mapping[str, str],
        files: Mapping[str, int],
        people: Iterable[Person] = (),
        signatures: Iterable[Signature] = (),
    ) -> Absorbed:
        """Take over entries of another site, all or none; what is known already is left alone.

        The hashes must have been checked, and the files kept. `RequestError` where an entry follows
        one that is neither here nor among them.
        """
        named = {entry.hash: entry for entry in in_order(entries)}
        with self.writing() as connection:
            number = self._next_number(connection)
            persons.absorb(connection, people)
            texts = [{"sha256": digest, "content": text} for digest, text in documents.items()]
            _insert_new(connection, DOCUMENT, *texts)
            sizes = [{"sha256": digest, "bytes_count": size} for digest, size in files.items()]
            _insert_new(connection, KEPT_FILE, *sizes)
            held = self._held(connection, named)
            fresh = {name: entry for name, entry in named.items() if name not in held}
            self._check_before(connection, fresh)
            self._insert(connection, number, fresh)
            completed = [n for n, there in held.items() if not there and named[n].facts is not None]
            for name in completed:
                row = ENTRY.update().where(ENTRY.c.hash == name).values(facts=named[name].facts)
                connection.execute(row)
            insert_labels(connection, {name: named[name] for name in completed})
            again(connection, sorted({named[name].dossier for name in completed}))
            self._insert_signatures(connection, signatures)
            connection.execute(ARCHIVE.update().values(entries=number - 1 + len(fresh)))
        return Absorbed(len(fresh), len(held) - len(completed), len(completed))

    def compared(self, entries: Iterable[Entry]) -> dict[str, Literal["new", "known", "completed"]]:
        """Return by hash what taking entries over would make of each."""
        named = {entry.hash: entry for entry in entries}
        with self.reading() as connection:
            held = self._held(connection, named)
        return {
            name: "new"
            if name not in held
            else "completed"
            if entry.facts is not None and not held[name]
            else "known"
            for name, entry in named.items()
        }

    def check_before(self, entries: Iterable[Entry]) -> None:
        """Refuse entries that `absorb` would refuse for what they follow."""
        named = {entry.hash: entry for entry in entries}
        with self.reading() as connection:
            held = self._held(connection, named)
            fresh = {name: entry for name, entry in named.items() if name not in held}
            self._check_before(connection, fresh)

    def _held(self, connection: Connection, names: Iterable[str]) -> dict[str, bool]:
        """Return which entries of some names are here, and whether with their facts."""
        held = {}
        for some in some_of(list(names)):
            wanted = select(ENTRY.c.hash, ENTRY.c.facts.is_not(None)).where(ENTRY.c.hash.in_(some))
            held.update({name: bool(whole) for name, whole in connection.execute(wanted)})
        return held

    def _check_before(self, connection: Connection, fresh: Mapping[str, Entry]) -> None:
        """Refuse entries that follow one that is neither among them nor here in their dossier."""
        wanted = open_ends(fresh.values())
        there = set()
        for some in some_of(sorted({name for name, _ in wanted})):
            known = select(ENTRY.c.hash, ENTRY.c.dossier).where(ENTRY.c.hash.in_(some))
            there |= {(row.hash, row.dossier) for row in connection.execute(known)}
        refuse_open_ends(wanted - there)

    # ---- looking ---------------------------------------------------------------------------------

    def version(self, dossier: str) -> str:
        """Return what changes whenever something is filed into a dossier."""
        with self.glancing() as connection:
            return version_of(last_of(_heads(connection, dossier)))

    def entries(self, dossier: str) -> tuple[Entry, ...]:
        """Return the entries of a dossier as they follow each other; empty if there is none."""
        with self.glancing() as connection:
            rows = connection.execute(select(ENTRY).where(ENTRY.c.dossier == dossier))
            return in_order(map(entry_of, rows))

    def entries_of_kinds(self, dossiers: Sequence[str], kinds: Sequence[str]) -> list[Entry]:
        """Return the entries of some kinds in several dossiers, each dossier's in its order."""
        found: list[Entry] = []
        look = self.glancing if len(dossiers) <= MOST_AT_ONCE else self.reading
        with look() as connection:
            for some in some_of(dossiers):
                wanted = select(ENTRY).where(ENTRY.c.dossier.in_(some), ENTRY.c.kind.in_(kinds))
                rows = connection.execute(wanted.order_by(ENTRY.c.number))
                found += map(entry_of, rows)
        return found

    def lately(self, kind: str, within: int = 500) -> list[Entry]:
        """Return the entries of a kind among the last so many that were filed, the newest first."""
        with self.reading() as connection:
            last = connection.execute(select(func.max(ENTRY.c.number))).scalar_one() or 0
            wanted = select(ENTRY).where(ENTRY.c.kind == kind, ENTRY.c.number > last - within)
            return [entry_of(row) for row in connection.execute(wanted.order_by(-ENTRY.c.number))]

    def dossiers(self) -> Iterator[str]:
        """Yield every dossier, in the order they were opened here."""
        after = 0
        while True:
            first = select(ENTRY.c.number, ENTRY.c.dossier).where(
                ENTRY.c.kind == "opened", ENTRY.c.number > after
            )
            with self.reading() as connection:
                rows = connection.execute(first.order_by(ENTRY.c.number).limit(MOST_AT_ONCE)).all()
            if not rows:
                return
            yield from (row.dossier for row in rows)
            after = rows[-1].number

    def documents(self, digests: Sequence[str]) -> Iterator[tuple[str, str]]:
        """Yield kept documents by their hash; `BrokenFileError` where one was changed."""
        for some in some_of(digests):
            wanted = select(DOCUMENT).where(DOCUMENT.c.sha256.in_(some))
            with self.glancing() as connection:
                found = {row.sha256: row.content for row in connection.execute(wanted)}
            for digest in some:
                yield digest, self._sound(digest, found.get(digest))

    def document(self, digest: str) -> str:
        """Return a kept document as it lies there; `BrokenFileError` where it was changed."""
        with self.glancing() as connection:
            return self._text(connection, digest)

    def json_document(self, digest: str) -> dict[str, Any]:
        """Return the plain values of a kept JSON document, with the names of people put back.

        Where a name was erased since, a pseudonym stands there and the content hash is made again.
        """
        with self.reading() as connection:
            kept = json.loads(self._text(connection, digest))
            people = persons.names_of(connection, persons.numbers_in(kept))
        values: dict[str, Any] = persons.with_names(kept, people)
        return values

    def _text(self, connection: Connection, digest: str) -> str:
        found = connection.execute(select(DOCUMENT.c.content).filter_by(sha256=digest)).scalar()
        return self._sound(digest, found)

    def _sound(self, digest: str, found: str | None) -> str:
        if found is None or sha256(found) != digest:
            raise BrokenFileError(
                "A document of the archive is {how}; {door_archive_verify} names it. Restore it "
                "from a backup.",
                at=self.address.at,
                how="missing" if found is None else "not as it was filed",
            )
        return found

    def signatures(self, entries: Iterable[str]) -> tuple[Signature, ...]:
        """Return the signatures under entries."""
        rows: list[Row[Any]] = []
        with self.reading() as connection:
            for some in some_of(list(entries)):
                wanted = select(SIGNATURE).where(SIGNATURE.c.entry.in_(some))
                in_order = wanted.order_by(SIGNATURE.c.at, SIGNATURE.c.key)
                rows += connection.execute(in_order)
        return tuple(Signature(row.entry, row.key, row.at, row.signature) for row in rows)

    def people(self, numbers: Iterable[str]) -> dict[str, Person]:
        """Return persons by number."""
        with self.glancing() as connection:
            return persons.names_of(connection, numbers)

    def find(self, words: str, limit: int = 20) -> tuple[str, ...]:
        """Return the dossiers in which every word begins a label, the nearest to it first."""
        with self.reading() as connection:
            return finding.find(connection, words_of(words), limit)

    def beginning(self, text: str) -> tuple[str, ...]:
        """Return all dossiers with a label that begins with a text, in the order of the labels."""
        with self.reading() as connection:
            return finding.beginning(connection, text)

    def newest(self, limit: int = 20) -> tuple[str, ...]:
        """Return the dossiers in which something was filed last, the newest first."""
        return self.newest_before(limit)[0]

    def newest_before(self, limit: int, before: int = 0) -> tuple[tuple[str, ...], int]:
        """Return the dossiers whose last entry has a number under `before`, the newest first.

        With them comes the number to go on before; 0 where nothing is left.
        """
        found: dict[str, int] = {}
        rows = select(ENTRY.c.dossier, ENTRY.c.number).order_by(ENTRY.c.number.desc())
        if before:
            later = ENTRY.alias()
            shown = select(later.c.number).where(
                later.c.dossier == ENTRY.c.dossier, later.c.number >= before
            )
            rows = rows.where(ENTRY.c.number < before, ~shown.exists())
        with self.reading() as connection:
            for row in connection.execution_options(yield_per=MOST_AT_ONCE).execute(rows):
                if row.dossier not in found and len(found) == limit:
                    return tuple(found), min(found.values())
                found.setdefault(row.dossier, int(row.number))
        return tuple(found), 0

    def named(self, name: str, *, most_looked_through: int | None = None) -> tuple[str, ...]:
        """Return the dossiers of a number or id: a label as a whole, or the beginning of an id.

        Of a name that a hundred share come the first hundred; of a word, those that it is the
        whole name or number of, if there are any. `RequestError` where more names hold the word
        than are to be looked through for that.
        """
        low, high = span_of(name)
        with self.reading() as connection:
            found = set(_labelled(connection, name, most_looked_through))
            if len(name) >= 8 and not found:
                by_id = select(ENTRY.c.dossier).where(
                    ENTRY.c.dossier >= low, ENTRY.c.dossier < high
                )
                found = set(connection.execute(by_id.distinct().limit(20)).scalars())
        return tuple(sorted(found))


def open_archive(
    address: str | Address, *, make: bool = False, clock: Callable[[], str] = now
) -> Archive:
    """Return the archive at an address.

    Parameters
    ----------
    address
        A folder, or `postgresql://user@host/database?files=FOLDER`.
    make
        Whether to make an archive where there is none.
    clock
        Tells the time of an entry.

    Raises
    ------
    RequestError
        There is no archive, or it cannot be reached.
    BrokenFileError
        What is there is damaged, or no archive.
    UnsupportedError
        A newer schema, or a folder on a network share.

    Examples
    --------
    >>> open_archive("no-such-folder")
    Traceback (most recent call last):
    evenfall.errors.RequestError: no-such-folder: There is no archive here; check the address.
    """
    place = address if isinstance(address, Address) else Address.read(address)
    if not place.exists() and not make:
        raise RequestError("There is no archive here; check the address.", at=place.at)
    if place.folder is not None and make:
        _make_folder(place.folder)
    engine = engine_of(place)
    try:
        with reading(engine, place) as connection:
            found = schema_of(connection)
            empty = make and not found
            older = not empty and refuse_other(connection, place)
            unfigured = older and not inspect(connection).has_table(FIGURE.name)
        if empty or older:
            with writing(engine, place) as connection:
                upgrade(connection)
                if unfigured:
                    figures_again(connection)
                elif older and found < NAMES_CUTTERS:
                    again(connection, with_cutters(connection))
                if connection.execute(select(ARCHIVE)).first() is None:
                    connection.execute(ARCHIVE.insert().values(id=1, site=_new_site(), entries=0))
        return Archive(place, engine, clock)
    except BaseException:
        engine.dispose()
        raise


def version_of(last: Sequence[str]) -> str:
    """Return the version of a dossier by its last entries."""
    return sha256(" ".join(sorted(last)))[:32]


NOTHING = version_of(())
"""Version of a dossier that is not there yet."""


def entry_of(row: Row[Any]) -> Entry:
    """Return the entry that a row holds."""
    return Entry(
        dossier=row.dossier,
        kind=row.kind,
        at=row.at,
        site=row.site,
        person=row.person,
        software=row.software,
        before=tuple(row.before.split()),
        corrects=row.corrects,
        facts_hash=row.facts_hash,
        facts=row.facts,
    )


def whole_row(row: Row[Any]) -> bool:
    """Say whether a row holds what it must; one of a page of zeros does not."""
    if None not in row:
        return True
    return all(value is not None for name, value in row._mapping.items() if name != "facts")


def site_is_sound(site: str) -> bool:
    """Say whether the name of a site is one: its last digits check the others."""
    return len(site) == 32 and sha256(site[:24])[:8] == site[24:]


@cache
def software() -> str:
    """Return this program and its version, as entries name it."""
    return f"evenfall {version('evenfall')}"


def _new_site() -> str:
    chance = secrets.token_hex(12)
    return chance + sha256(chance)[:8]


def open_ends(entries: Iterable[Entry]) -> set[tuple[str, str]]:
    """Return what entries follow that is not among those before them: hash and dossier of each."""
    earlier: set[tuple[str, str]] = set()
    wanted: set[tuple[str, str]] = set()
    for entry in in_order(entries):
        wanted |= {(one, entry.dossier) for one in (*entry.before, entry.corrects) if one} - earlier
        earlier.add((entry.hash, entry.dossier))
    return wanted


def refuse_open_ends(unknown: set[tuple[str, str]]) -> None:
    """Refuse entries that follow what nobody here knows."""
    if unknown:
        raise RequestError(
            "An entry follows one that is neither in the file nor in this archive; ask for the "
            "whole dossier."
        )


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RequestError(
            "The folder of the archive cannot be made ({reason}); choose another.",
            reason=(error.strerror or str(error)).lower(),
        ) from None


def _heads(connection: Connection, dossier: str) -> list[tuple[str, tuple[str, ...]]]:
    wanted = select(ENTRY.c.hash, ENTRY.c.before).where(ENTRY.c.dossier == dossier)
    return [(row.hash, tuple(row.before.split())) for row in connection.execute(wanted)]


def _labelled(connection: Connection, label: str, most: int | None = None) -> list[str]:
    """Return the first hundred dossiers with a label.

    Where it is one word of many names, those come alone that have it as a whole number or name: the
    serial number 9, not the models that are called "... 9". Each name has to be looked at for that:
    where more than `most` hold the word, `RequestError`, even of one that was seen, as another may
    be among the rest.
    """
    key = key_of(label)
    labelled = select(LABEL.c.dossier, LABEL.c.entry).where(LABEL.c.key == key)
    labelled = labelled.order_by(LABEL.c.dossier, LABEL.c.entry)
    among = labelled.limit(None if most is None else most + 1).subquery()
    in_order = select(among.c.dossier).distinct().order_by(among.c.dossier).limit(_MOST_NAMED)
    found = list(connection.execute(in_order).scalars())
    if len(found) < _MOST_NAMED:
        return found
    longer = LABEL.alias()  # of the same entry: then the label is but a word of it
    word = select(longer.c.key).where(
        longer.c.dossier == among.c.dossier,
        longer.c.entry == among.c.entry,
        func.length(longer.c.key) > len(key),
    )
    whole = list(connection.execute(in_order.where(~word.exists())).scalars())
    if len(whole) < _MOST_NAMED and most is not None:
        looked = select(func.count()).select_from(among)
        if connection.execute(looked).scalar_one() > most:
            raise RequestError(
                "Too many names hold {label:quoted} to find the one that is nothing else; write "
                "more of it, or the id of its dossier.",
                label=label,
            )
    return whole or found


def insert_labels(connection: Connection, entries: Mapping[str, Entry]) -> None:
    """Insert what dossiers are found by in entries, each under its hash."""
    rows = [
        {"key": key, "dossier": entry.dossier, "entry": name}
        for name, entry in entries.items()
        for key in sorted(labels_of(entry))
    ]
    for some in some_of(rows):
        connection.execute(LABEL.insert(), some)


def insert_new(connection: Connection, table: Any) -> Any:
    """Return the statement that inserts rows, those that are there already left out."""
    insert: Any = {"sqlite": sqlite.insert, "postgresql": postgresql.insert}
    return insert[connection.dialect.name](table).on_conflict_do_nothing()


def _insert_new(connection: Connection, table: Any, *rows: Mapping[str, Any]) -> None:
    for some in some_of(rows):
        connection.execute(insert_new(connection, table), list(some))
