"""The use cases of an archive: one method for each verb.

Each takes plain values and returns data; nothing is printed, and files come back as bytes.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from evenfall.codec import FileContent
from evenfall.errors import At, BrokenFileError, ChangedError, Progress, RequestError, silent
from evenfall.files import read_start
from evenfall.names import normal, same_name
from evenfall.proof import Proof
from evenfall.records import Archive, Filing, open_archive
from evenfall.records.archive import (
    Absorbed,
    now,
    open_ends,
    refuse_open_ends,
    software,
    version_of,
)
from evenfall.records.copying import Copied, Saved, copy, labels_again, save
from evenfall.records.engines import Address
from evenfall.records.entries import Entry, in_order, last_of, legible, standing
from evenfall.records.exchange import Parcel, check, take_over
from evenfall.records.queue import Queue
from evenfall.records.signing import SigningKey, signing_key, trust, trusted_keys
from evenfall.records.upkeep import Contents, contents, note_done
from evenfall.records.verifying import Verified
from evenfall.records.verifying import verify as verified
from evenfall.wording import Sentence, sentence
from evenfall.workshop.archive_exports import write_parcel, write_tables
from evenfall.workshop.archive_filing import (
    DOCUMENTS,
    Papers,
    mark_of,
    marks_of,
    new_only,
    papers_of,
    papers_of_document,
    papers_of_file,
)
from evenfall.workshop.archive_places import labels_of_place, place_among
from evenfall.workshop.archive_requests import AddRequest, NoteRequest, check_added, check_note
from evenfall.workshop.archive_views import (
    Added,
    Coming,
    History,
    Imported,
    Line,
    Shown,
    Told,
    disagreements,
    fact,
    line_of,
    listed,
    point_of,
    said_of,
)
from evenfall.workshop.opening import Source, on_disk

if TYPE_CHECKING:
    from evenfall.records.extracts import Form
    from evenfall.workshop.kept_lots import KeptLots
    from evenfall.workshop.lot_judging import JudgeRequest
    from evenfall.workshop.lot_reports import KeptLotOutcome

_LISTED = 20
_FEW = 5
_MOST_FOUND = 2000
_SHORTEST_ID = 8  # digits
_MOST_LOOKED_THROUGH = 20_000  # names that share a word


class KeptFile(NamedTuple):
    """A file of a dossier: its name, its hash, and where it lies."""

    name: str
    sha256: str
    path: Path


class Dossiers:
    """The dossiers of an archive: one method for each verb.

    Parameters
    ----------
    archive
        The archive, open.

    Examples
    --------
    >>> import evenfall as ef
    >>> import tempfile
    >>> folder = tempfile.TemporaryDirectory()
    >>> with ef.archive(folder.name, make=True) as dossiers:
    ...     isinstance(dossiers, ef.Dossiers)
    ...     gauge = dossiers.add(ef.AddRequest(subject="gauge", name="dial 3"))
    ...     told = dossiers.note(ef.NoteRequest("dial 3", "Battery changed."))
    ...     dossiers.find("dial")[0].title, len(dossiers.show("dial 3").entries)
    True
    ('dial 3', 2)
    >>> folder.cleanup()
    """

    def __init__(self, address: str, *, make: bool = False, clock: Callable[[], str] = now) -> None:
        self._address, self._make, self.clock = address, make, clock
        if not make:
            self.archive  # noqa: B018 (what is not there is said at once)

    @cached_property
    def archive(self) -> Archive:
        """The archive; one that is to be made is not there before something goes into it."""
        return open_archive(self._address, make=self._make, clock=self.clock)

    def is_there(self) -> bool:
        """Say whether there is an archive to look in; one that is to be made holds nothing yet."""
        return "archive" in self.__dict__ or Address.read(self._address).exists()

    def __enter__(self) -> Dossiers:
        return self

    def __exit__(self, *_error: object) -> None:
        if "archive" in self.__dict__:
            self.archive.close()

    # ---- filing ----------------------------------------------------------------------------------

    def add(self, request: AddRequest, papers: Sequence[Papers] | None = None) -> Added:
        """File documents and files into the dossier of their instrument, opened if need be.

        `papers` are what `read` made of them, where that was looked at before.
        """
        return self._add(request, self.read(request) if papers is None else papers)

    def read(self, request: AddRequest) -> list[Papers]:
        """Read the files that are to be filed; nothing is filed yet."""
        return [papers_of(source, person=request.person) for source in request.files]

    def file(
        self,
        *made: FileContent,
        files: Iterable[Source] = (),
        programs: Iterable[Source] = (),
        instrument: str = "",
        person: str = "",
        done: str = "",
        since: str = "",
    ) -> Added:
        """File documents that were made just now, after the files that they were made from.

        With `since` they are refused where the dossier no longer has that version.
        """
        papers = [papers_of(source, person=person) for source in files]
        papers += [papers_of_document(one, person=person) for one in made]
        papers += [papers_of_file("program", source, person=person) for source in programs]
        asked = AddRequest(instrument=instrument, person=person, done=done, since=since)
        return self._add(asked, papers)

    def _add(self, request: AddRequest, papers: Sequence[Papers]) -> Added:
        check_added(request)
        request = replace(request, serial=request.serial.strip(), job=request.job.strip())
        serial = _one("serial", [p.serial for p in papers if p.serial]) or request.serial
        model = _one("model", [p.model for p in papers if p.model])
        filings = [_dated(filing, request.done) for one in papers for filing in one.filings]
        if request.only_files and model and all(f.kind == "specification" for f in filings):
            request = replace(request, subject="model")
        while True:
            labels = labels_of_place(request, serial, model, filings)
            there = self.is_there()
            looked = {label: self.archive.named(label) if there else () for label in labels}
            found = sorted({dossier for several in looked.values() for dossier in several})
            if request.instrument:
                dossier: str | None = self.named(request.instrument)
            else:
                lines = self.lines(found) if found else ()
                dossier = place_among(lines, request, serial, model)
            try:
                return self._filed(request, dossier, serial, model, filings, looked=looked)
            except ChangedError:
                if request.since:
                    raise
                # somebody opened the dossier of this number just now: it goes there

    def _filed(
        self,
        request: AddRequest,
        dossier: str | None,
        serial: str,
        model: str,
        filings: Sequence[Filing],
        *,
        looked: Mapping[str, Sequence[str]],
    ) -> Added:
        """File into a dossier; None for a new one."""
        known: set[str] = set()
        heading: list[Filing] = []
        if dossier is None:
            name = model or request.name
            if not name:
                raise RequestError(
                    "These files name no instrument; say which dossier they belong to, by number "
                    "or id, or give the new one a name."
                )
            facts = {"subject": request.subject, "name": name[:200], "maker": request.maker}
            heading = [Filing("opened", facts, request.person)]
            heading += self._numbers((), serial=serial, job=request.job, person=request.person)
        else:
            entries = self.archive.entries(dossier)
            filed = {mark for entry in entries for mark in marks_of(entry)}
            known = {mark_of(filing) for filing in filings} & filed
            heading = self._numbers(
                entries,
                serial=request.serial,
                job=request.job,
                person=request.person,
            )
        there = len(known)
        fresh = [*heading, *new_only(filings, known)]
        if dossier is None or fresh:
            new = {} if dossier is not None else looked
            key = signing_key() if any(filing.kind == "proof" for filing in fresh) else None
            dossier = self._file(dossier, fresh, request.since, new, key)[0].dossier
        return Added(self.lines([dossier])[0], tuple(f.kind for f in fresh), there)

    def _numbers(
        self, entries: Sequence[Entry], *, serial: str, job: str, person: str
    ) -> list[Filing]:
        """Return the entries for numbers that are new, each correcting the one that stands."""
        made = []
        for sort, value in (("serial", serial), ("job", job)):
            stands = [e for e in standing(entries, "alias") if fact(e, "sort") == sort]
            if value and not same_name(value, *(fact(e, "value") for e in stands)):
                corrects = stands[-1].hash if stands else ""
                facts = {"sort": sort, "value": value}
                made.append(Filing("alias", facts, person, corrects))
        return made

    def note(self, request: NoteRequest) -> Told:
        """Write a note, a step of work, a calibration or a check reading into a dossier."""
        check_note(request)
        dossier = self.named(request.instrument)
        if request.kind == "fitted":
            (part,) = self.lines([self.named(request.facts["part"])])
            facts = {**request.facts, "part": part.dossier, "name": part.title[:200]}
            request = replace(request, facts=facts)
        (entry,) = self._file(dossier, [request.filing()], request.since)
        return self.told([entry])[0]

    def _file(
        self,
        dossier: str | None,
        filings: Sequence[Filing],
        since: str,
        looked: Mapping[str, Sequence[str]] | None = None,
        key: SigningKey | None = None,
    ) -> tuple[Entry, ...]:
        """File entries, unless somebody else filed into the dossier since it was looked at."""
        try:
            return self.archive.file(dossier, filings, since=since, looked=looked, signed_by=key)
        except ChangedError as error:
            if not since:
                raise
            dossier = str(error.said.values["dossier"])
            meanwhile = self.since(dossier, since)
            lines = tuple(
                sentence("{kind} at {at} by {person}", kind=t.kind, at=t.shown_at, person=person)
                for t in meanwhile[-_FEW:]
                for person in [t.person or sentence("somebody without a name")]
            )
            raise ChangedError(
                "Somebody filed here since you looked: {lines:list}. Yours is not filed; look at "
                "what is new, then file yours again.",
                at=error.at,
                lines=lines,
                dossier=dossier,
                since=since,
            ) from None

    def since(self, name: str, version: str) -> tuple[Told, ...]:
        """Return what was filed into a dossier since a version; everything if it never had it."""
        entries = self.archive.entries(self.named(name))
        heads = [(entry.hash, entry.before) for entry in entries]
        known = [n for n in range(len(heads) + 1) if version_of(last_of(heads[:n])) == version]
        return self.told(entries[max(known, default=0) :])

    # ---- lots ------------------------------------------------------------------------------------

    def lots(self) -> tuple[KeptLots, ...]:
        """Return the lots that were judged, by supplier and model, and where inspection stands."""
        from evenfall.workshop.kept_lots import all_lots

        return tuple(all_lots(self.archive))

    def next_sample(self, request: JudgeRequest) -> KeptLotOutcome:
        """Say which sample the next lot needs; nothing is filed."""
        from evenfall.workshop.lot_judging import next_sample

        return next_sample(self, request)

    def judge(self, request: JudgeRequest) -> KeptLotOutcome:
        """Judge a lot by what was found of its sample, and keep it, signed."""
        from evenfall.workshop.lot_judging import judge_lot

        return judge_lot(self, request)

    # ---- looking ---------------------------------------------------------------------------------

    def find(self, words: str, limit: int = _LISTED) -> tuple[Line, ...]:
        """Return the dossiers in which every word begins a name, number or code of a paper.

        Without words, the dossiers in which something was filed last.
        """
        return self.lines(self.archive.find(words, limit)) if words.strip() else self.newest(limit)

    def listed(self, words: str, limit: int, after: str = "") -> tuple[tuple[Line, ...], str]:
        """Return part of the dossiers that words find, or of all, and what the next part is after.

        That is "" where nothing is left. Words find at most two thousand.
        """
        try:
            place = int(after or "0")
            if not 0 <= place < 10**15:
                raise ValueError
        except ValueError:
            raise RequestError(
                "This is not a place to go on from; use the one that the list before gave.",
                at=At(field="cursor"),
            ) from None
        if not words.strip():
            found, place = self.archive.newest_before(limit, place)
            return self.lines(found), str(place or "")
        place = min(place, _MOST_FOUND)
        every = self.archive.find(words, min(place + limit + 1, _MOST_FOUND))
        found = every[place : place + limit]
        return self.lines(found), str(place + limit) if len(every) > place + limit else ""

    def newest(self, limit: int = _LISTED) -> tuple[Line, ...]:
        """Return the dossiers in which something was filed last, the newest first."""
        return self.lines(self.archive.newest(limit))

    def named(self, name: str, *, near: bool = False) -> str:
        """Return the one dossier that goes by a number, name or id, given as a whole.

        With `near` a part will do, where it leads to one dossier alone.
        """
        if not self.is_there():
            open_archive(self._address)  # says that there is none, and makes none
        there = self.archive.named(name, most_looked_through=_MOST_LOOKED_THROUGH)
        lines = self.lines(there or self.archive.find(name))
        numbered = [line for line in lines if same_name(name, line.serial, line.job)]
        whole = numbered or [
            line
            for line in lines
            if same_name(name, line.name, f"{line.subject} {line.name}")
            or (len(name) >= _SHORTEST_ID and line.dossier.startswith(name))
        ]
        meant = whole or (lines if near else ())
        if len(meant) == 1:
            return meant[0].dossier
        told = tuple(listed(line) for line in (meant or lines)[:_LISTED])
        if len(meant) > _LISTED:
            raise RequestError(
                "More than {most} dossiers go by {name:quoted}; the first of them: {lines:list}. "
                "Name one by its id.",
                most=_LISTED,
                name=name,
                lines=told,
            )
        if meant:
            raise RequestError(
                "{count} dossiers go by {name:quoted}: {lines:list}. Name one by its id.",
                count=len(meant),
                name=name,
                lines=told,
            )
        if lines:
            raise RequestError(
                "No dossier goes by {name:quoted} as a whole; near it: {lines:list}. Give the "
                "whole number, or the id.",
                name=name,
                lines=told,
            )
        raise RequestError(
            "No dossier goes by {name:quoted}; look for it with a part of its number.",
            name=name,
        )

    def lines(self, dossiers: Sequence[str]) -> tuple[Line, ...]:
        """Return dossiers as lines of a list, in the order given."""
        entries: dict[str, list[Entry]] = {dossier: [] for dossier in dossiers}
        for entry in self.archive.entries_of_kinds(list(dossiers), ("opened", "alias")):
            entries[entry.dossier].append(entry)
        return tuple(line_of(dossier, entries[dossier]) for dossier in dossiers)

    def show(self, name: str) -> Shown:
        """Return a whole dossier, every entry in words."""
        dossier = self.named(name, near=True)
        entries = self.archive.entries(dossier)
        line = line_of(dossier, entries)
        told = self.told(entries)
        version = version_of(last_of((entry.hash, entry.before) for entry in entries))
        return Shown(line, told, disagreements(entries), _history(line, entries), version)

    def history(self, name: str) -> History:
        """Return relief, action, lowest crown and fret life over the years."""
        dossier = self.named(name, near=True)
        entries = self.archive.entries(dossier)
        return _history(line_of(dossier, entries), entries)

    def latest(self, name: str, kind: str, *, ahead: bool = False) -> Source:
        """Return the newest document of a kind in a dossier, as a source to work from.

        With `ahead` it is refused where the work that it is for has been done.
        """
        dossier = self.named(name)
        entries = self.archive.entries(dossier)
        kept = legible(entries, kind)
        if not kept:
            text = "The dossier {name:quoted} holds no {kind} yet."
            raise RequestError(text, name=name, kind=kind)
        if ahead:
            _refuse_done(name, kept[-1], entries)
        return self.source_of(kept[-1], line_of(dossier, entries))

    def source_of(self, entry: Entry, line: Line) -> Source:
        """Return the document of an entry, as a source to work from."""
        name = f"{line.serial or line.job or line.dossier[:8]}.{entry.kind}.json"
        return Source(name, json.dumps(self._made(entry).as_dict(), allow_nan=False).encode())

    def _made(self, entry: Entry) -> FileContent:
        """Return the measurement, plan or proof of an entry."""
        return DOCUMENTS[entry.kind].rehashed(self.archive.json_document(entry.document))

    def told(self, entries: Sequence[Entry]) -> tuple[Told, ...]:
        """Return entries in words."""
        people = self.archive.people(entry.person for entry in entries)
        signed = {one.entry for one in self.archive.signatures(e.hash for e in entries)}
        corrected = {entry.corrects for entry in entries if entry.corrects}
        return tuple(
            Told(
                entry.hash,
                entry.kind,
                entry.at,
                people[entry.person].shown if entry.person in people else "",
                said_of(entry),
                fact(entry, "done"),
                entry.hash in corrected,
                entry.hash in signed,
            )
            for entry in entries
        )

    def document(self, name: str, what: str) -> Source:
        """Return one document or file of a dossier.

        `what` is a kind, for the newest of it, a code as the dossier shows it, the name of a file,
        or the beginning of an entry.
        """
        entries = self.archive.entries(self.named(name))
        entry, one = self._meant(entries, what)
        if entry.kind in DOCUMENTS:
            return self.source_of(entry, line_of(entry.dossier, entries))
        if one["store"] == "file":
            return Source(one["name"], self.archive.files.read(one["sha256"]))
        return Source(one["name"], self.archive.document(one["sha256"]).encode())

    def kept_file(self, name: str, what: str) -> KeptFile | None:
        """Return where a file of a dossier lies, as it was filed; None for a document."""
        entry, one = self._meant(self.archive.entries(self.named(name)), what)
        if entry.kind in DOCUMENTS or one["store"] != "file":
            return None
        files = self.archive.files
        if fault := files.fault(one["sha256"]):
            raise fault
        return KeptFile(one["name"], one["sha256"], files.path(one["sha256"]))

    def _meant(self, entries: Sequence[Entry], what: str) -> tuple[Entry, Mapping[str, Any]]:
        """Return the one document or file that is meant, with its entry."""
        held = [
            (entry, one)
            for kind in dict.fromkeys(entry.kind for entry in entries)
            for entry in standing(entries, kind)
            for one in entry.attached
        ]
        if not held:
            raise RequestError("No document is filed in this dossier yet; add one first.")
        by_kind = [pair for pair in held if pair[0].kind == what][-1:]
        meant = by_kind or [
            (entry, one) for entry, one in held if one["name"] == what or _begins(what, entry)
        ]
        if len({one["sha256"] for _, one in meant}) != 1:
            raise RequestError(
                "{what:quoted} means {count:count document} of this dossier; name one of them: "
                "{names:quoted}.",
                what=what,
                count=len(meant),
                names=tuple(dict.fromkeys(o["name"] for _, o in meant or held)),
            )
        return meant[-1]

    # ---- exchange --------------------------------------------------------------------------------

    def export(
        self,
        names: Sequence[str],
        to: Path,
        *,
        shown: str = "all",
        progress: Progress = silent,
    ) -> tuple[int, int]:
        """Write dossiers (all, if none is named) into one signed file.

        Return how many entries it holds, and how many of them it shows in full.
        """
        return write_parcel(self.archive, self._chosen(names), to, shown, progress)

    def extract(
        self, names: Sequence[str], to: Path, form: Form, *, progress: Progress = silent
    ) -> dict[str, int]:
        """Write dossiers (all, if none is named) as tables with their dictionary into a new folder.

        Return how many rows each table has.
        """
        return write_tables(self.archive, self._chosen(names), to, form, progress)

    def results(self, names: Sequence[str], progress: Progress = silent) -> bytes:
        """Return the newest proofs of dossiers (all, if none is named) as a QIF document."""
        from evenfall.records.qif import Judged, qif_document

        judged = []
        dossiers = self._chosen(names)
        for number, dossier in enumerate(dossiers):
            progress("Gathering proofs", number / len(dossiers))
            entries = self.archive.entries(dossier)
            for entry in legible(entries, "proof")[-1:]:
                line, proof = line_of(dossier, entries), self._made(entry)
                assert isinstance(proof, Proof)  # noqa: S101 (by the kind of its entry)
                judged.append(
                    Judged(proof, fact(entry, "done") or entry.at, line.serial or line.job)
                )
        if not judged:
            raise RequestError("No proof is filed here yet; prove an instrument first.")
        return qif_document(judged, software())

    def _chosen(self, names: Sequence[str]) -> list[str]:
        return [self.named(name) for name in names] or list(self.archive.dossiers())

    def look(self, source: Source, *, progress: Progress = silent) -> Imported:
        """Say what a partner's file holds and what filing it would come to; nothing is filed."""
        with on_disk([source]) as (path,):
            read_start(path, 0)
            with path.open("rb") as stream:
                return self._imported(check(stream, source.name, progress), None)

    def import_(
        self, source: Source, *, trust_key: str = "", progress: Progress = silent
    ) -> Imported:
        """File what a partner sent, if their key is trusted; whatever is known stays as it is."""
        if trust_key:
            trust(trust_key)
        with on_disk([source]) as (path,):
            read_start(path, 0)
            with path.open("rb") as stream:
                if not self.is_there():  # none is made for a file that is refused
                    refuse_open_ends(open_ends(check(stream, source.name, progress).entries))
                parcel, absorbed = take_over(
                    self.archive,
                    stream,
                    trusted=trusted_keys(),
                    name=source.name,
                    progress=progress,
                )
        return self._imported(parcel, absorbed)

    def _imported(self, parcel: Parcel, absorbed: Absorbed | None) -> Imported:
        """Say what a partner's file holds, and what it came or would come to."""
        together: dict[str, dict[str, Entry]] = {name: {} for name in parcel.dossiers}
        here = self.archive.entries_of_kinds(parcel.dossiers, ("opened", "alias"))
        for entry in (*here, *parcel.entries):
            there = together[entry.dossier].get(entry.hash)
            if there is None or there.facts is None:
                together[entry.dossier][entry.hash] = entry
        known = {name: in_order(entries.values()) for name, entries in together.items()}
        lines = {name: line_of(name, entries) for name, entries in known.items()}
        coming: tuple[Coming, ...] = ()
        if absorbed is None:
            becomes = self.archive.compared(parcel.entries)
            counts = {name: Counter[str]() for name in lines}
            for entry in parcel.entries:
                counts[entry.dossier][becomes[entry.hash]] += 1
            coming = tuple(
                Coming(lines[name], count.total(), count["new"], count["completed"])
                for name, count in counts.items()
            )
        return Imported(
            parcel.key,
            parcel.shown,
            parcel.made_at,
            len(parcel.dossiers),
            len(parcel.entries),
            absorbed,
            tuple(line for line in lines.values() if line.conflict),
            self._collisions(lines, known),
            parcel.key in trusted_keys(),
            coming,
        )

    def _collisions(
        self, lines: Mapping[str, Line], entries: Mapping[str, Sequence[Entry]]
    ) -> tuple[Sentence, ...]:
        """Say which numbers sites disagree about, and which ones other dossiers go by too."""
        told = [
            sentence("{line}: {said}", line=listed(line), said=said)
            for line in lines.values()
            if line.conflict
            for said in disagreements(entries[line.dossier])
        ]
        numbered = [line for line in lines.values() if line.serial]
        others = {
            line.dossier: [d for d in self.archive.named(line.serial) if d != line.dossier]
            for line in numbered
        }
        wanted = sorted({dossier for named in others.values() for dossier in named})
        known = {one.dossier: one for one in self.lines(wanted)}
        for line in numbered:
            same = [
                known[d] for d in others[line.dossier] if same_name(line.serial, known[d].serial)
            ]
            if same:
                told.append(
                    sentence(
                        "{line}: its serial number is also that of {others:list}.",
                        line=listed(line),
                        others=tuple(map(listed, same)),
                    )
                )
        return tuple(told)

    # ---- keeping ---------------------------------------------------------------------------------

    def verify(self, *, sign: bool = False, progress: Progress = silent) -> Verified:
        """Look at every byte that was filed; with `sign`, sign what is sound and not signed yet."""
        seen = verified(self.archive, progress)
        if sign and seen.sound and seen.unsigned:
            key = signing_key()
            for dossier in self.archive.dossiers():
                self.archive.sign(dossier, key)
            seen = verified(self.archive, progress)
        note_done(self.archive, "verified", "sound" if seen.sound else "not sound")
        return seen

    def backup(self, to: str, progress: Progress = silent) -> Copied:
        """Copy the archive into a new folder, as it is at this moment."""
        if Address.read(to).folder is None:
            raise RequestError("A backup is a folder; name one.", at=At(file=to))
        copied = copy(self.archive, to, progress)
        note_done(self.archive, "backup", str(Path(to).absolute()))
        return copied

    def contents(self, *, waiting: bool = False, step: bool = False) -> Contents:
        """Count what the archive holds, and say when it was last verified and backed up.

        Of a large archive, only what takes no time while somebody is waiting, or a step more.
        """
        return contents(self.archive, waiting=waiting, step=step)

    def restore(self, source: str, progress: Progress = silent) -> Copied:
        """Copy a backup into this archive, which must be empty."""
        with open_archive(source) as backup:
            seen = verified(backup, progress)
            if not seen.sound:
                raise BrokenFileError(
                    "The backup is damaged: {fault} Take another one.",
                    at=backup.address.at,
                    fault=next(f.said for f in seen.findings if f.severity == "error"),
                )
            return copy(backup, self._address, progress)

    def move(self, to: str, progress: Progress = silent) -> Copied:
        """Carry the archive to another address, on either engine; this one stays as it is."""
        return copy(self.archive, to, progress)

    def doctor(self) -> tuple[Sentence, ...]:
        """Put right what follows from the entries, and remove what stopped programs left."""
        labels_again(self.archive)
        left = self.archive.files.left_over()
        for path in left:
            path.unlink(missing_ok=True)
        return (
            sentence("The labels that dossiers are found by were made again."),
            sentence("{count:count file} of stopped programs removed.", count=len(left)),
        )

    def erase(self, name: str) -> str:
        """Replace a person's name by a pseudonym in everything that is kept, and return that."""
        pseudonym = self.archive.erase(name)
        Queue(self.archive).erase(name)
        return pseudonym


def archive(address: str, *, make: bool = False, clock: Callable[[], str] = now) -> Dossiers:
    """Open an archive.

    Parameters
    ----------
    address
        A folder, or `postgresql://user@host/database?files=FOLDER`.
    make
        Whether to make one where there is none.
    clock
        Tells the time that an entry is filed at.

    Examples
    --------
    >>> import evenfall as ef
    >>> ef.archive("no-such-folder")
    Traceback (most recent call last):
    evenfall.errors.RequestError: no-such-folder: There is no archive here; check the address.
    """
    return Dossiers(address, make=make, clock=clock)


def saved_from(address: str, to: str, progress: Progress = silent) -> Saved:
    """File into a new archive what can still be read of a damaged one."""
    return save(address, to, progress)


def _begins(what: str, entry: Entry) -> bool:
    """Say whether a text begins the hash of an entry or, as codes do, that of its content."""
    hashes = (entry.hash, fact(entry, "content_hash"))
    return len(what) >= _SHORTEST_ID and any(one.startswith(what.lower()) for one in hashes)


def _history(line: Line, entries: Sequence[Entry]) -> History:
    proofs = legible(entries, "proof")
    judged = {named for entry in proofs for named in entry.values["follows"]}
    # readings that a proof judged stand there once, with their verdict
    shown = {e for e in legible(entries, "measurement") if fact(e, "content_hash") not in judged}
    shown.update(proofs)
    points = [point_of(entry) for entry in entries if entry in shown]
    points.sort(key=lambda point: point.at[:10])  # of one day: in the order of the chain
    return History(line, tuple(points))


def _refuse_done(name: str, newest: Entry, entries: Sequence[Entry]) -> None:
    """Refuse a plan that was proved, or a measurement older than work that was proved since."""
    content_hash = fact(newest, "content_hash")
    place = {fact(e, "content_hash"): n for n, e in enumerate(entries) if e.kind == "measurement"}
    proofs = legible(entries, "proof")
    for number, proof in enumerate(entries):
        if proof not in proofs:
            continue
        follows: list[str] = proof.values["follows"]
        plan, after = (*follows, "", "")[:2]
        if newest.kind == "plan" and content_hash == plan:
            raise RequestError(
                "The newest plan of {name:quoted} is done: proof {proof} judged its work. For more "
                "work make a new plan from the readings after it.",
                name=name,
                proof=proof.code,
            )
        if newest.kind == "measurement" and place[content_hash] < place.get(after, number):
            raise RequestError(
                "The newest measurement of {name:quoted} was taken before the work of proof "
                "{proof}; read the instrument again and file it.",
                name=name,
                proof=proof.code,
            )


def _dated(filing: Filing, done: str) -> Filing:
    """Return a filing that says when it was done."""
    return replace(filing, facts={**filing.facts, "done": done}) if done else filing


def _one(what: str, given: Sequence[str]) -> str:
    """Return the one value that several files agree on; "" where none has it."""
    if len({normal(one) for one in given}) > 1:
        raise RequestError(
            "The files are of several instruments ({what}: {given:list}); file each by itself.",
            what=what,
            given=tuple(sorted(set(given))),
        )
    return given[0] if given else ""
