"""Whether an archive is as it was filed: chains, signatures, documents, files, names and labels."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import Connection, Row, Table, select

from evenfall.errors import At, EvenfallError, Finding, Progress, silent
from evenfall.records.archive import Archive, entry_of, whole_row
from evenfall.records.audit import altered
from evenfall.records.entries import KINDS, MARK, TIME, sha256
from evenfall.records.figures import figures_differ
from evenfall.records.labels import labels_of
from evenfall.records.persons import Person, numbers_named
from evenfall.records.signing import Signature
from evenfall.records.tables import ARCHIVE, DOCUMENT, ENTRY, KEPT_FILE, LABEL, PERSON, SIGNATURE

_BATCH = 2000
_MOST = 1000
"""Findings listed; an archive with more of them is restored, not corrected."""


@dataclass(frozen=True, slots=True)
class Verified:
    """What was looked at, and what is not as it was filed."""

    entries: int
    dossiers: int
    documents: int
    files: int
    signatures: int
    unsigned: int  # dossiers with an entry that no signature covers yet
    findings: tuple[Finding, ...]

    @property
    def sound(self) -> bool:
        """Whether everything is as it was filed."""
        return not any(finding.severity == "error" for finding in self.findings)


class _Looked:
    """What one look at an archive has seen so far."""

    def __init__(self) -> None:
        self.dossier_of: dict[str, str] = {}
        self.last: set[str] = set()
        self.documents: dict[str, int] = {}
        self.files: dict[str, int] = {}
        self.persons: set[str] = set()
        self.labels = 0
        self.latest: dict[tuple[str, str], str] = {}
        self.findings: list[Finding] = []

    def altered(self, text: str, **values: Any) -> None:
        if len(self.findings) < _MOST:
            at = values.pop("at", At())
            self.findings.append(Finding("altered", text, at, "error", **values))


def verify(archive: Archive, progress: Progress = silent) -> Verified:
    """Look at every byte that was filed, and say what is not as it was."""
    looked = _Looked()
    with archive.reading() as connection:
        count = int(connection.execute(select(ARCHIVE.c.entries)).scalar_one())
        entries = _entries(connection, looked, count, progress)
        sound = not looked.findings  # what follows from damaged entries says nothing more
        _labels(connection, looked)
        if sound and figures_differ(connection):
            looked.altered(
                "The figures that charts are made of do not follow from the entries; "
                "{door_archive_doctor} makes them again."
            )
        documents = _documents(connection, looked, progress)
        files = _files(connection, archive, looked, progress)
        signatures, signed = _signatures(connection, looked)
        _persons(connection, looked)
        for number in altered(connection):
            text = "Line {number} of the audit log is not as it was written, or is missing."
            looked.altered(text, number=number)
    dossiers = set(looked.dossier_of.values())
    unsigned = {looked.dossier_of[name] for name in looked.last - signed}
    found = (*looked.findings,)
    return Verified(entries, len(dossiers), documents, files, signatures, len(unsigned), found)


def _rows(connection: Connection, table: Table, looked: _Looked) -> Iterator[Row[Any]]:
    """Yield the rows of a table in the order of its key, without holding all of them."""
    streaming = connection.execution_options(yield_per=_BATCH)
    wanted = select(table)
    if table is not LABEL:  # labels are summed up, in whatever order they lie
        wanted = wanted.order_by(*table.primary_key)
    for row in streaming.execute(wanted):
        if whole_row(row):
            yield row
        else:
            looked.altered("A row of the table {table} is empty.", table=table.name)


def _entries(connection: Connection, looked: _Looked, count: int, progress: Progress) -> int:
    expected = 0
    for row in _rows(connection, ENTRY, looked):
        expected += 1
        if expected % _BATCH == 0:
            progress("Verifying entries", expected / max(count, expected))
        if row.number != expected:
            looked.altered(
                "Entry {expected} is missing: the next one has the number {number}.",
                expected=expected,
                number=row.number,
            )
            expected = row.number
        _entry(row, looked)
    if expected != count:
        looked.altered(
            "{count} {count:plural entry|entries} should be there, and the last number is {last}.",
            count=count,
            last=expected,
        )
    return len(looked.dossier_of)


def _entry(row: Any, looked: _Looked) -> None:
    entry = entry_of(row)
    name = entry.hash
    if name != row.hash:
        looked.altered(
            "Entry {number} ({kind:quoted}, dossier {dossier:quoted}, {filed:quoted}) does not "
            "match its hash.",
            number=row.number,
            kind=row.kind,
            dossier=row.dossier,
            filed=row.at,
        )
        name = row.hash  # so that those after it are judged by what they name
    elif not (entry.kind in KINDS and MARK.fullmatch(entry.dossier) and TIME.fullmatch(entry.at)):
        looked.altered("Entry {number} holds what no entry can hold.", number=row.number)
    if entry.facts is not None and sha256(entry.facts) != entry.facts_hash:
        looked.altered(
            "The facts of entry {number} ({kind:quoted}, dossier {dossier:quoted}) do not match "
            "their hash.",
            number=row.number,
            kind=row.kind,
            dossier=row.dossier,
        )
        entry = replace(entry, facts=None)
    for before in (*entry.before, *([entry.corrects] if entry.corrects else [])):
        if looked.dossier_of.get(before) != entry.dossier:
            looked.altered(
                "Entry {number} follows {before:quoted}, which is not before it in its dossier.",
                number=row.number,
                before=before,
            )
    here = (entry.dossier, entry.site)
    if (latest := looked.latest.get(here, "")) > entry.at:
        looked.findings.append(
            Finding(
                "clock",
                "The clock stood back at entry {number}: {told} after {latest}. The order of the "
                "entries does not go by it.",
                severity="note",
                number=row.number,
                told=entry.at,
                latest=latest,
            )
        )
    looked.latest[here] = max(latest, entry.at)
    looked.last.difference_update(entry.before)
    looked.last.add(name)
    looked.dossier_of[name] = entry.dossier
    if entry.person:
        looked.persons.add(entry.person)
    for one in entry.attached:
        where = looked.documents if one["store"] == "document" else looked.files
        where[one["sha256"]] = row.number
    for key in labels_of(entry):
        looked.labels ^= _label(key, entry.dossier, name)


def _label(key: str, dossier: str, entry: str) -> int:
    return int.from_bytes(hashlib.sha256(f"{key}\n{dossier}\n{entry}".encode()).digest())


def _labels(connection: Connection, looked: _Looked) -> None:
    found = 0
    for row in _rows(connection, LABEL, looked):
        found ^= _label(row.key, row.dossier, row.entry)
    if found != looked.labels and looked.dossier_of:
        looked.altered(
            "The labels that dossiers are found by do not follow from the entries; "
            "{door_archive_doctor} makes them again."
        )


def _documents(connection: Connection, looked: _Looked, progress: Progress) -> int:
    progress("Verifying documents", 0.0)
    seen = set()
    for row in _rows(connection, DOCUMENT, looked):
        seen.add(row.sha256)
        if sha256(row.content) != row.sha256:
            looked.altered(
                "The document of entry {entry} ({digest}) does not match its hash.",
                entry=looked.documents.get(row.sha256),
                digest=row.sha256[:12],
            )
        elif row.sha256 not in looked.documents:
            looked.altered("A document ({digest}) belongs to no entry.", digest=row.sha256[:12])
        with suppress(ValueError):  # a damaged one was told of just now
            looked.persons.update(numbers_named(row.content))
    for digest in sorted(looked.documents.keys() - seen):
        looked.altered(
            "The document of entry {entry} ({digest}) is missing.",
            entry=looked.documents[digest],
            digest=digest[:12],
        )
    return len(seen)


def _files(connection: Connection, archive: Archive, looked: _Looked, progress: Progress) -> int:
    rows = {row.sha256: row.bytes_count for row in _rows(connection, KEPT_FILE, looked)}
    for digest in sorted(rows.keys() ^ looked.files.keys()):
        looked.altered(
            "The list of files and the entries do not agree about {digest}.", digest=digest[:12]
        )
    for number, (digest, size) in enumerate(sorted(rows.items())):
        progress("Verifying files", number / len(rows))
        try:
            fault: EvenfallError | None = archive.files.fault(digest)
            right = fault is not None or archive.files.path(digest).stat().st_size == size
        except EvenfallError as error:
            fault, right = error, True
        if fault is not None:
            looked.altered("{fault}", at=fault.at, fault=fault.said)
        elif not right:
            looked.altered(
                "The size of the file {digest} is not the one that was noted.", digest=digest[:12]
            )
    for left in archive.files.left_over():
        looked.findings.append(
            Finding(
                "left-over",
                "A program that was stopped left this file; {door_archive_doctor} removes it.",
                At(file=str(left)),
                "note",
            )
        )
    return len(rows)


def _signatures(connection: Connection, looked: _Looked) -> tuple[int, set[str]]:
    count, signed = 0, set()
    for row in _rows(connection, SIGNATURE, looked):
        count += 1
        one = Signature(row.entry, row.key, row.at, row.signature)
        if one.entry in looked.dossier_of and one.holds():
            signed.add(one.entry)
        else:
            looked.altered(
                "A signature of the key {key} under entry {entry} does not hold.",
                key=row.key[:12],
                entry=row.entry[:12],
            )
    return count, signed


def _persons(connection: Connection, looked: _Looked) -> None:
    seen = set()
    for row in _rows(connection, PERSON, looked):
        seen.add(row.id)
        if not Person(row.id, row.name, row.salt).sound:
            looked.altered(
                "The name of person {number} is not the one that was filed.", number=row.id[:8]
            )
    for number in sorted(looked.persons - seen):
        looked.altered("Person {number} is missing.", number=number[:8])
