"""Where a job stands: its five stops, what each says, and the one next step."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from evenfall.codec import parse_json
from evenfall.errors import RequestError
from evenfall.measurement import Measurement
from evenfall.plan import Plan
from evenfall.records.archive import version_of
from evenfall.records.entries import Entry, last_of, legible
from evenfall.wording import Sentence, sentence
from evenfall.workshop import NoteRequest
from evenfall.workshop.archive_views import Line, fact, line_of
from evenfall.workshop.opening import Source, lacking_heights, open_plan

if TYPE_CHECKING:
    from evenfall.workshop.archives import Dossiers

StopName = Literal["Readings", "Diagnosis", "Plan", "Work", "Proof"]
StopState = Literal["done", "now", "later"]
Step = Literal["measure", "plan", "work", "prove", "none"]
"""What a person does next: take readings, plan, work by the bench sheet, prove, nothing."""

Paper = TypeVar("Paper")

STOPS: tuple[StopName, ...] = ("Readings", "Diagnosis", "Plan", "Work", "Proof")
_MOST_BYTES = 100_000_000
_DONE = "Work of plan {code} done."


@dataclass(frozen=True, slots=True)
class Stop:
    """One stop of a job."""

    name: StopName
    state: StopState
    fact: Sentence  # what is known at it; empty where nothing is


@dataclass(frozen=True, slots=True)
class Story:
    """Where the job on one instrument stands."""

    line: Line
    stops: tuple[Stop, ...]
    step: Step
    headline: Sentence  # the next step in a few words
    said: Sentence  # why, and what to do
    specification: Source | None
    measurement: Source | None  # the newest readings; None where they lack heights of the strings
    plan: Source | None  # the newest plan
    made: Plan | None  # the same, read
    proved: bool  # whether a proof of the newest readings is filed
    judged: tuple[Entry, Entry] | None  # that proof and its plan, where both are kept here
    settled: bool  # whether the newest readings were taken after a plan's settings were made
    undecided: bool  # whether the newest proof leaves something undecided
    changed: bool  # whether the specification was changed after the newest readings
    worked: tuple[Source, ...]  # plans worked before the newest readings, oldest first
    second: Source | None  # a second reading of what the newest plan was made from, where it asks
    lacking: tuple[Sentence, ...]  # heights that the newest readings lack, as a scan alone does
    version: str  # of the dossier: what changes whenever something is filed into it


@dataclass(frozen=True, slots=True)
class _Papers:
    """The newest papers of a dossier, and in which order they were filed."""

    entries: Sequence[Entry]

    def newest(self, kind: str) -> Entry | None:
        """Return the newest standing entry of a kind that is shown."""
        return next(reversed(legible(self.entries, kind)), None)

    def place(self, entry: Entry | None) -> int:
        """Return how late an entry was filed; -1 for none."""
        return -1 if entry is None else list(self.entries).index(entry)

    def changed(self, measured: Entry | None) -> bool:
        """Say whether the newest specification is another than some readings were read by."""
        newest = self.newest("specification")
        if measured is None or newest is None:
            return False
        return fact(newest, "content_hash") != fact(measured, "specification")

    def read_for(
        self, plan: Plan, planned: Entry, newest: Measurement, measured: Entry | None
    ) -> bool:
        """Say whether readings are those that a plan was made from, read again or not.

        A corrected specification may read other heights from the same files: their entry names
        those that were read before.
        """
        if newest.heights == plan.measurement.heights:
            return True
        before = {
            fact(entry, "content_hash"): _follows(entry)
            for entry in self.entries
            if entry.kind == "measurement" and entry.facts is not None
        }
        (first,) = _follows(planned)[:1] or ("",)
        read = "" if measured is None else fact(measured, "content_hash")
        while read in before and read != first:
            (read,) = before.pop(read)[:1] or ("",)  # gone through once: a file may lie
        return bool(read) and read == first

    def done(self, code: str) -> bool:
        """Say whether the work of a plan was reported as done."""
        said = _DONE.format(code=code)
        return any(
            fact(entry, words) == said
            for kind, words in (("note", "words"), ("step", "work"))
            for entry in legible(self.entries, kind)
        )


def report_done(
    dossiers: Dossiers,
    name: str,
    code: str,
    *,
    at: str,
    person: str = "",
    since: str = "",
    done_with: Mapping[str, Any] | None = None,
) -> None:
    """File that the work of a plan is done, at a time (ISO 8601, UTC).

    `done_with` holds station, cutter and cutter_uses, where somebody says so.
    With `since` it is refused where the dossier no longer has that version.
    """
    plans = legible(dossiers.archive.entries(dossiers.named(name)), "plan")
    if all(code != one.code for one in plans):
        raise RequestError(
            "There is no plan {code:quoted} in this dossier; open the bench sheet again.", code=code
        )
    words = _DONE.format(code=code)
    facts = {**(done_with or {}), "done": at}
    dossiers.note(NoteRequest(name, words, person=person, facts=facts, since=since))


def story(dossiers: Dossiers, name: str) -> Story:
    """Return where the job on an instrument stands, by what its dossier holds."""
    dossier = dossiers.named(name)
    entries = dossiers.archive.entries(dossier)
    papers = _Papers(entries)
    line = line_of(dossier, entries)

    def source(kind: str) -> Source | None:
        return dossiers.latest(dossier, kind) if papers.newest(kind) is not None else None

    measured, planned, proved = map(papers.newest, ("measurement", "plan", "proof"))
    plan_source = source("plan")
    plan = None if plan_source is None else open_plan(plan_source)[1]
    read = source("measurement")
    newest = None if read is None else _measurement(read)
    unread = () if newest is None else lacking(newest)
    told = _Telling(papers, measured, planned, proved, plan, newest, unread)
    done_before = (
        (entry, dossiers.source_of(entry, line))
        for entry in legible(entries[: papers.place(measured) + 1], "plan")
        if papers.done(entry.code)
    )
    now, step, headline, said = told.next()
    return Story(
        line=line,
        stops=tuple(
            Stop(stop, "done" if n < now else "now" if n == now else "later", told.fact(stop, step))
            for n, stop in enumerate(STOPS)
        ),
        step=step,
        headline=headline,
        said=said,
        specification=specification_of(dossiers, dossier, entries),
        measurement=None if unread else read,
        plan=plan_source,
        made=plan,
        proved=told.proves,
        judged=told.judged,
        settled=told.settled,
        undecided=told.proves and fact(needed(proved, "proof"), "status") == "undecided",
        changed=papers.changed(measured),
        worked=() if newest is None else tuple(_worked(papers, done_before, newest, measured)),
        second=read if told.confirms and not unread else None,
        lacking=unread,
        version=version_of(last_of((entry.hash, entry.before) for entry in entries)),
    )


def _worked(
    papers: _Papers,
    done: Iterable[tuple[Entry, Source]],
    newest: Measurement,
    measured: Entry | None,
) -> Iterator[Source]:
    """Yield the plans whose work the newest readings show, of those done before these were filed.

    Readings filed again, as a corrected specification reads them, are not of after the work.
    """
    for entry, source in done:
        if not papers.read_for(open_plan(source)[1], entry, newest, measured):
            yield source


def lacking(read: Measurement) -> tuple[Sentence, ...]:
    """Return which heights some readings lack, without which nothing can be said of a string."""
    return lacking_heights(read.nut_mm, read.crown_top_mm, read.saddle_mm)


def _follows(entry: Entry) -> list[str]:
    """Return the documents that one was made from."""
    follows: list[str] = entry.values.get("follows", [])
    return follows


def _measurement(source: Source) -> Measurement:
    return Measurement.from_dict(parse_json(source.read(_MOST_BYTES)))


def specification_of(
    dossiers: Dossiers, dossier: str, entries: Sequence[Entry] = ()
) -> Source | None:
    """Return the newest specification in a dossier, as a source; None where there is none."""
    from evenfall.workshop.opening import Source

    papers = _Papers(entries or dossiers.archive.entries(dossier))
    entry = papers.newest("specification")
    if entry is None:
        return None
    return Source("specification.toml", dossiers.archive.document(entry.document).encode())


def readings_files(dossiers: Dossiers, dossier: str) -> tuple[Source, ...]:
    """Return the files that the newest readings in a dossier came in; none if one is not kept."""
    from evenfall.workshop.opening import Source

    papers = _Papers(dossiers.archive.entries(dossier))
    measured = papers.newest("measurement")
    if measured is None:
        return ()
    names: list[str] = json.loads(dossiers.archive.document(measured.document))["source"]
    files: dict[str, Source] = {}
    for entry in papers.entries[: papers.place(measured)]:
        for one in entry.attached if entry.kind in ("readings", "scan") else ():
            # readings filed once more were known by hashes in earlier versions
            source = Source(one["name"], path=dossiers.archive.files.path(one["sha256"]))
            files[one["name"]] = files[one["sha256"]] = source
    return tuple(files[name] for name in names) if files.keys() >= set(names) else ()


@dataclass(frozen=True, slots=True)
class _Telling:
    """What the newest papers say together."""

    papers: _Papers
    measured: Entry | None
    planned: Entry | None
    proved: Entry | None
    plan: Plan | None
    newest: Measurement | None
    lacking: tuple[Sentence, ...]

    @property
    def fresh(self) -> bool:
        """Whether the newest readings came after the newest plan."""
        return self.papers.place(self.measured) > self.papers.place(self.planned)

    @property
    def done(self) -> bool:
        """Whether the work of the newest plan was reported as done."""
        return self.plan is not None and self.papers.done(self.plan.code)

    @property
    def read_again(self) -> bool:
        """Whether the newest readings are those of the newest plan, filed once more after it."""
        if self.plan is None or self.planned is None or self.newest is None or not self.fresh:
            return False
        return self.papers.read_for(self.plan, self.planned, self.newest, self.measured)

    @property
    def other(self) -> bool:
        """Whether the newest readings were read by another specification than the newest plan's."""
        if self.plan is None or self.newest is None:
            return False
        return self.newest.specification_hash != self.plan.measurement.specification_hash

    @property
    def settled(self) -> bool:
        """Whether the newest readings were taken after the settings of a plan.

        Readings filed once more and a second reading stand as the first did: a plan for the whole
        work moved nothing more.
        """
        plan = self.plan
        if plan is None or not self.fresh:
            return False
        if self.read_again or self.confirms:
            return plan.part == "whole"
        return plan.part == "settings" and self.done

    @property
    def proves(self) -> bool:
        """Whether the newest proof is of the newest readings."""
        if self.proved is None or self.measured is None:
            return False
        # earlier plans come after
        return _follows(self.proved)[1:2] == [fact(self.measured, "content_hash")]

    @property
    def judged(self) -> tuple[Entry, Entry] | None:
        """The newest proof, where it is of the newest readings, and the plan that it judged."""
        if self.proved is None or not self.proves:
            return None
        plan = _follows(self.proved)[0]
        kept = [one for one in self.papers.entries if one.kind == "plan" and one.facts]
        found = [one for one in kept if fact(one, "content_hash") == plan]
        return (self.proved, found[-1]) if found else None

    @property
    def confirms(self) -> bool:
        """Whether the newest readings are the second reading that the newest plan asked for."""
        asked = bool(self.plan and self.fresh and self.plan.status == "ask")
        return asked and not (self.read_again or self.other)

    def next(  # noqa: PLR0911  (one answer for each place a job can stand at)
        self,
    ) -> tuple[int, Step, Sentence, Sentence]:
        """Return the present stop, the next step, its name and what to say of it."""
        if self.measured is None:
            return (
                0,
                "measure",
                sentence("Take the readings"),
                sentence("Nothing is known of this instrument yet. Type the readings, or upload."),
            )
        if self.lacking:
            text = (
                "The readings filed last lack {lacking:list}. Read them, and file them together "
                "with those; after a scan, a sheet with the action of each string over fret 1 and "
                "the reference fret will do."
            )
            said = sentence(text, lacking=self.lacking)
            return 0, "measure", sentence("Read what is missing"), said
        if self.papers.place(self.proved) > max(
            self.papers.place(self.measured), self.papers.place(self.planned)
        ):
            assert self.proved is not None  # noqa: S101 (it has a place)
            verdict = fact(self.proved, "status")
            return (
                4,
                "none" if verdict == "conforms" else "measure",
                sentence("The verdict: {verdict}", verdict=verdict),
                sentence("The certificate can be printed.")
                if verdict == "conforms"
                else sentence("See what to do next, then read the instrument again."),
            )
        if self.plan is None:
            return self._to_plan("Look at the diagnosis, then plan.")
        if not self.fresh or (self.read_again and self.done):
            return self._by_plan(self.plan)
        if self.confirms:
            return self._to_plan("The second reading is here. Plan again, so that it confirms.")
        if self.other:
            return self._to_plan("The specification was changed after the plan. Plan again by it.")
        if self.settled and not self.read_again:
            return self._to_plan("Rod and saddle are set. Plan from the new reading.")
        if self.done or self.plan.status == "nothing":
            text = "Readings after the work are here. See whether the instrument conforms."
            return 4, "prove", sentence("Prove the work"), sentence(text)
        return self._to_plan("There are newer readings than the plan. Plan again.")

    def _to_plan(self, text: str) -> tuple[int, Step, Sentence, Sentence]:
        return 2, "plan", sentence("Choose the plan"), sentence(text)

    def _by_plan(self, plan: Plan) -> tuple[int, Step, Sentence, Sentence]:
        """Return what the newest plan asks for."""
        if plan.status == "read-again":
            return 0, "measure", sentence("Take readings again"), plan.headline
        keeps = plan.status == "nothing" and not self.done
        if plan.status == "ask" or (keeps and not plan.limits_unmet):
            name = "Read a second time" if plan.status == "ask" else "Read again, to prove it"
            return 0 if plan.status == "ask" else 4, "measure", sentence(name), plan.headline
        lacks_wire = plan.status == "new-wire" and not plan.replaced_frets
        # with a limit unmet a proof would find what the plan says already
        if keeps or lacks_wire or plan.status in ("misfit", "short"):
            return 2, "plan", sentence("Choose another plan"), plan.headline
        if not self.done:
            return 3, "work", sentence("Do the work"), plan.headline
        text = "The work is done. Read the instrument again."
        return (
            0 if plan.part == "settings" else 4,
            "measure",
            sentence("Read again"),
            sentence(text),
        )

    def fact(self, stop: StopName, step: Step) -> Sentence:
        """Return what is known at a stop."""
        plan, text = self.plan, ""
        if stop == "Readings" and self.measured is not None:
            return sentence("{day}", day=self.measured.at[:10])
        if stop == "Plan" and plan is not None and step != "plan":
            text = "up to {deepest:length} off {frets:count fret}" if plan.metal_mm else "no metal"
            text = "settings first" if plan.part == "settings" else text
            frets = int((plan.removal_mm > 0.0).any(axis=0).sum())
            return sentence(text, deepest=float(plan.removal_mm.max()), frets=frets)
        if stop == "Work" and plan is not None and (self.done or not self.fresh):
            text = "done" if self.done else "not done yet"
            text = "settings made" if self.settled and plan.part == "settings" else text
        elif stop == "Proof" and self.proved is not None:
            text = fact(self.proved, "status")
        return sentence("{known}", known=text)


def needed(source: Paper | None, what: str) -> Paper:
    """Return a paper that a step works from; refuse where the dossier holds none."""
    if source is None:
        raise RequestError("This instrument has no {what} yet.", what=what)
    return source


def lately(dossiers: Dossiers, names: Sequence[str]) -> dict[str, Sentence]:
    """Return the newest thing known of each of some dossiers, by its id: quick, for a list."""
    kinds = ("measurement", "plan", "proof")
    newest: dict[str, Sentence] = {}
    for entry in dossiers.archive.entries_of_kinds(list(names), kinds):
        if entry.facts is not None:
            status = "" if entry.kind == "measurement" else fact(entry, "status")
            newest[entry.dossier] = sentence(
                _LATELY[entry.kind], status=_STATUS.get(status, status), day=entry.at[:10]
            )
    return newest


_LATELY = {
    "measurement": "read {day}",
    "plan": "planned {day}: {status}",
    "proof": "proved {day}: {status}",
}
_STATUS = {
    "nothing": "nothing to do",
    "settings": "settings first",
    "cut": "frets to cut",
    "lift": "low frets to lift",
    "new-wire": "new wire",
    "ask": "a second reading is asked for",
    "read-again": "readings to take again",
    "misfit": "attack and targets do not fit",
    "short": "notes would still fail",
}
