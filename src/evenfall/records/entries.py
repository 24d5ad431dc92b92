"""Entries of a dossier: what was filed, when, by whom and after what; hashed, and never changed.

An entry is a short head and its facts. The head names the entries that were the last of the dossier
when it was filed, and holds the hash of the facts; its own hash is the name of the entry. So nobody
can alter, drop or insert an entry without changing every hash after it, and a partner who may not
see the facts of an entry can still follow the chain.

Two sites that file into one dossier without knowing of each other leave two last entries; the next
one names both.
"""

from __future__ import annotations

import hashlib
import heapq
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, get_args

from evenfall.arrays import FloatArray
from evenfall.codec import Content
from evenfall.codec.forms import (
    NAN,
    choice,
    content_dataclass,
    hash_text,
    number,
    part,
    text,
    whole,
)
from evenfall.errors import At, BrokenFileError

Subject = Literal["instrument", "model", "gauge", "machine", "wire batch", "part", "chart", "lots"]
"""What a dossier can be of."""

Store = Literal["document", "file"]
"""Where what belongs to an entry lies: text in the database, anything else as a file beside it."""

MARK = re.compile(r"[0-9a-f]{32}")
HASH = re.compile(r"[0-9a-f]{64}")
TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z")
DAY = r"(\d{4}-\d\d-\d\d(T\d\d:\d\d(:\d\d)?Z?)?)?"

_LENGTH = (-1000.0, 1000.0)


def _optional_text(meaning: str, **more: Any) -> Any:
    """Return the field of a text that entries filed before it was thought of lack."""
    return text(meaning, default="", later=True, **more)


def _optional_number(low: float, high: float, meaning: str) -> Any:
    """Return the field of a number that is not always known, nor held by every entry."""
    return number(low, high, meaning, default=NAN, null=NAN, later=True)


@content_dataclass()
class Attached(Content):
    """Something that belongs to an entry and is named by the hash of its bytes."""

    store: Store = choice(get_args(Store), "where it lies")
    name: str = text("name that it was given with", longest=200)
    sha256: str = hash_text("hash of its bytes")
    bytes_count: int = whole(0, 10**12, "how many bytes it has")


@content_dataclass(kw_only=True)
class Facts(Content):
    """What every entry holds: a salt, so that a hash gives nothing away, and what is attached."""

    salt: str = text("random", longest=32, pattern="[0-9a-f]{32}")
    done: str = _optional_text(
        "when it was done or taken, if not when it was filed; ISO 8601", longest=20, pattern=DAY
    )
    attached: tuple[Attached, ...] = part(
        Attached, "what belongs to the entry", "*", later=True, default=()
    )


@content_dataclass(kw_only=True)
class Opened(Facts):
    """The first entry of a dossier."""

    subject: Subject = choice(get_args(Subject), "what the dossier is of")
    name: str = text("model of an instrument, name of anything else", longest=200)
    maker: str = _optional_text("who made it; may be empty", longest=200)


@content_dataclass(kw_only=True)
class Alias(Facts):
    """A number that the subject goes by; two makers may use the same."""

    sort: str = choice(("serial", "job"), "what kind of number")
    value: str = text("the number; empty where one is withdrawn", longest=200)


@content_dataclass(kw_only=True)
class Filed(Facts):
    """A measurement, plan or proof, with what the story of the instrument shows of it."""

    content_hash: str = hash_text("content hash of the document")
    schema: str = text("its schema", longest=60)
    specification: str = text("content hash of the specification that it was made by", longest=64)
    follows: tuple[str, ...] = text(
        "content hashes of the documents that it was made from; of readings, of those before "
        "them that were read from the same files",
        "*",
        later=True,
        default=(),
    )
    status: str = _optional_text("status of a plan, verdict", longest=60)
    relief_mm: float = _optional_number(*_LENGTH, "relief")
    action_bass_mm: float = _optional_number(*_LENGTH, "action of the lowest string")
    action_treble_mm: float = _optional_number(*_LENGTH, "action of string 1")
    lowest_crown_mm: float = _optional_number(*_LENGTH, "lowest crown over the board")
    fret_life_mm: float = _optional_number(*_LENGTH, "lowest crown over the least crown height")
    metal_mm: float = _optional_number(0.0, 1e6, "removal, summed over all crossings")
    crown_spread_mm: float = _optional_number(
        0.0, 1000.0, "lowest to highest crown over the level line"
    )
    margin_percent: float = _optional_number(
        -1e9, 1e9, "lowest of buzz force after the work over the player's attack"
    )
    humidity_percent: float = _optional_number(0.0, 100.0, "relative humidity of the air")
    temperature_celsius: float = _optional_number(-50.0, 100.0, "temperature of the air")


@content_dataclass(kw_only=True)
class Kept(Facts):
    """A specification revision, scan, program, page or photo: what is attached, and its title."""

    title: str = _optional_text("what it is", longest=200)
    content_hash: str = _optional_text("content hash of a specification", longest=64)


@content_dataclass(kw_only=True)
class Step(Facts):
    """A step of work; who did it stands in the head."""

    work: str = text("what was done", longest=2000)
    station: str = _optional_text("where", longest=200)
    gauge: str = _optional_text("what it was measured with", longest=200)
    cutter: str = _optional_text("what it was cut with", longest=200)
    cutter_uses: float = _optional_number(
        0.0, 1e6, "uses of the cutter since it was changed or sharpened"
    )
    started: str = _optional_text("ISO 8601", longest=20, pattern=DAY)
    ended: str = _optional_text("ISO 8601", longest=20, pattern=DAY)


@content_dataclass(kw_only=True)
class Note(Facts):
    """Words about the subject."""

    words: str = text("the note", longest=20_000)


@content_dataclass(kw_only=True)
class AcceptedGate(Facts):
    """A reading that a gate asks for again, accepted as it is; who did so stands in the head."""

    document: str = hash_text("content hash of the plan or proof that counts on it")
    code: str = text("code of the gate", longest=60)
    place: str = text("fret, or fret:string; empty for every place", longest=5)
    reason: str = text("why the reading is right", longest=2000)


@content_dataclass(kw_only=True)
class Received(Facts):
    """What came in under one name: a batch of wire, or parts."""

    words: str = text("what came in: what its papers say", longest=2000)
    amount: str = _optional_text("how much", longest=200)
    material: str = _optional_text("material", longest=200)
    crown_height_mm: float = _optional_number(0.0, 10.0, "crown height of wire")
    crown_width_mm: float = _optional_number(0.0, 20.0, "crown width of wire")


@content_dataclass(kw_only=True)
class Fitted(Facts):
    """A part, or wire of a batch, that went into the subject."""

    part: str = text("dossier of the part or batch", longest=32, pattern="[0-9a-f]{32}")
    name: str = text("what it goes by", longest=200)
    words: str = text("where it went", longest=2000)


@content_dataclass(kw_only=True)
class Calibration(Facts):
    """A calibration of a gauge or machine."""

    date: str = text("ISO 8601", longest=20, pattern=DAY)
    valid_until: str = _optional_text("ISO 8601", longest=20, pattern=DAY)
    result: str = _optional_text("result, or number of its paper", longest=2000)


@content_dataclass(kw_only=True)
class Studied(Facts):
    """What a study of a gauge found; its sheet is attached."""

    quantity: str = text("what was read; empty for anything", longest=200)
    method: str = text("how it was worked out", longest=60)
    u_mm: float = number(*_LENGTH, "standard uncertainty of one reading")
    parts_count: int = whole(1, 1_000_000, "parts that were read")
    persons_count: int = whole(1, 1_000_000, "persons who read")
    trials_count: int = whole(1, 1_000_000, "readings of each part by each")


@content_dataclass(kw_only=True)
class CheckReading(Facts):
    """A reading of a check standard."""

    standard: str = text("name of the check standard", longest=200)
    reference_mm: float = number(*_LENGTH, "its length")
    read_mm: float = number(*_LENGTH, "what was read")


ChartAct = Literal["frozen", "begun", "left out"]
"""What a person can do to a chart."""


@content_dataclass(kw_only=True)
class OnChart(Facts):
    """What a person did to a control chart, and why; who stands in the head."""

    act: ChartAct = choice(get_args(ChartAct), "what was done")
    point: str = text("name of the point", longest=400)
    at: str = text("time of its first reading", longest=27, pattern=TIME.pattern)
    reason: str = text("why", longest=2000)
    asked: str = _optional_text("which readings the chart is of, as JSON", longest=4000)
    centre_level: float = _optional_number(-1e12, 1e12, "centre that was frozen")
    sigma_level: float = _optional_number(
        0.0, 1e12, "standard deviation of a reading that was frozen"
    )
    points: int = whole(0, 10**7, "points that the frozen limits came from", later=True, default=0)


MOST_SKIPPED = 5
"""Of qualified lots at least one in so many is inspected."""
LotMethod = Literal["single", "double", "multiple", "s", "sigma"]
"""How a lot is judged: its sample sorted in one stage or several, or measured."""
LotState = Literal["normal", "tightened", "reduced", "skipped"]
"""How a lot was inspected; skipped: not at all, as lots of a qualified supplier may be."""
LotDecision = Literal["accepted", "not accepted"]
LotAnswer = Literal["accepted", "read again", "sent back"]
"""What the other side says of a lot: accepted, to be read again, or sent back as a whole."""


@content_dataclass(kw_only=True)
class LotsAgreed(Facts):
    """How the lots of a supplier and model are inspected; another one begins the count again."""

    supplier: str = text("who made the lots", longest=200)
    model: str = text("what they are lots of", longest=200)
    receiver: str = text("who takes them over; may be empty", longest=200)
    method: LotMethod = choice(get_args(LotMethod), "how a lot is judged")
    aql_percent: float = number(0.0, 1000.0, "acceptance quality limit")
    level: str = text("inspection level", longest=3)
    quantity: str = text("what is measured; empty where pieces are sorted")
    lower_mm: float = number(*_LENGTH, "lower limit", null=NAN)
    upper_mm: float = number(*_LENGTH, "upper limit", null=NAN)
    sigma_mm: float = number(0.0, 1000.0, "standard deviation, where it is known", null=NAN)
    one_in: int = whole(
        1, MOST_SKIPPED, "of qualified lots one in so many is inspected; 1: every lot"
    )
    reason: str = text("why it was agreed, or begun again", longest=2000)


@content_dataclass(kw_only=True)
class LotJudged(Facts):
    """A lot, what was found of its sample, and the decision; who decided stands in the head."""

    name: str = text("name of the lot", longest=100)
    pieces: int = whole(2, 10**9, "pieces in the lot")
    found: tuple[int, ...] = whole(0, 10**9, "nonconforming, by stage", "*")
    measured_mm: FloatArray = number(*_LENGTH, "what was measured", "*")
    instruments: tuple[str, ...] = text(
        "dossiers of the instruments of the sample", "*", longest=32
    )
    state: LotState = choice(get_args(LotState), "how it was inspected")
    decision: LotDecision = choice(get_args(LotDecision), "what was decided")
    reason: str = text("why; may be empty", longest=2000)
    edition: int = whole(
        -1, 10**6, "edition of the plans; -1 where it is not said", later=True, default=-1
    )


@content_dataclass(kw_only=True)
class LotAnswered(Facts):
    """What the other side says of a lot; who said it stands in the head."""

    lot: str = hash_text("entry of the lot")
    party: str = text("whose answer it is", longest=200)
    answer: LotAnswer = choice(get_args(LotAnswer), "what is answered")
    reason: str = text("why; may be empty where it is accepted", longest=2000)


KINDS: Mapping[str, type[Facts]] = {
    "opened": Opened,
    "alias": Alias,
    "specification": Kept,
    "measurement": Filed,
    "plan": Filed,
    "proof": Filed,
    "readings": Kept,
    "scan": Kept,
    "program": Kept,
    "page": Kept,
    "photo": Kept,
    "accepted": AcceptedGate,
    "step": Step,
    "note": Note,
    "received": Received,
    "fitted": Fitted,
    "calibration": Calibration,
    "check": CheckReading,
    "study": Studied,
    "on chart": OnChart,
    "lots agreed": LotsAgreed,
    "lot": LotJudged,
    "lot answered": LotAnswered,
}
"""What can be filed, and the facts of each."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a dossier; `facts` is None where a partner may not see them."""

    dossier: str
    kind: str
    at: str  # when it was filed, by the clock of the machine: ISO 8601, UTC, to the microsecond
    site: str
    person: str  # who filed it, by number; may be empty
    software: str
    before: tuple[str, ...]  # hashes of the entries that were the last of the dossier, sorted
    corrects: str  # hash of the entry that this one corrects; may be empty
    facts_hash: str
    facts: str | None  # the facts as canonical JSON
    _read: Mapping[str, Any] | None = field(default=None, init=False, repr=False, compare=False)

    def head(self) -> dict[str, Any]:
        """Return what is hashed, as plain values."""
        return {
            "dossier": self.dossier,
            "kind": self.kind,
            "at": self.at,
            "site": self.site,
            "person": self.person,
            "software": self.software,
            "before": list(self.before),
            "corrects": self.corrects,
            "facts_hash": self.facts_hash,
        }

    @property
    def hash(self) -> str:
        """The name of the entry: SHA-256 of its head."""
        return sha256(canonical(self.head()))

    @property
    def values(self) -> Mapping[str, Any]:
        """The facts as plain values, read once; nothing where they were withheld."""
        read = self._read
        if read is None:
            read = {} if self.facts is None else values_of(self)
            object.__setattr__(self, "_read", read)
        return read

    @property
    def attached(self) -> Sequence[Mapping[str, Any]]:
        """What the facts name as attached, as plain values."""
        if self.facts is None or '"attached":' not in self.facts:
            return ()  # as nearly always, and a look at a whole archive asks it of every entry
        listed: list[dict[str, Any]] = self.values["attached"]
        return listed

    @property
    def document(self) -> str:
        """The hash of the one document that is attached."""
        (found,) = (str(one["sha256"]) for one in self.attached if one["store"] == "document")
        return found

    @property
    def code(self) -> str:
        """How a person names the measurement, plan or proof."""
        return str(self.values.get("content_hash", ""))[:10].upper()

    def read(self) -> Facts:
        """Return the facts; `BrokenFileError` where they are not those that were filed."""
        if self.facts is None:
            raise BrokenFileError("The facts of this entry were withheld.", at=At(field=self.hash))
        return KINDS[self.kind].from_dict(self.values)


_CANONICAL = json.JSONEncoder(
    sort_keys=True, separators=(",", ":"), allow_nan=False, ensure_ascii=False
)


def canonical(values: object) -> str:
    """Return plain values as the one JSON text that is hashed."""
    return _CANONICAL.encode(values)


def sha256(content: str | bytes) -> str:
    """Return the SHA-256 of bytes, or of text as UTF-8, in hexadecimal."""
    return hashlib.sha256(content.encode() if isinstance(content, str) else content).hexdigest()


def values_of(entry: Any) -> dict[str, Any]:
    """Return the facts of an entry, or of its row; `BrokenFileError` where they are no JSON."""
    try:
        values = json.loads(entry.facts)
    except (ValueError, RecursionError):
        values = None
    if not isinstance(values, dict):
        raise BrokenFileError(
            "What an entry says is damaged. To file what can be saved of the archive into a new "
            "one, use {door_archive_save}.",
            at=At(field=f"entry {entry.hash[:12]}"),
        )
    return values


def stored(entries: Iterable[Entry]) -> dict[Store, set[str]]:
    """Return the hashes of all that entries name as attached, by where it lies."""
    found: dict[Store, set[str]] = {"document": set(), "file": set()}
    for entry in entries:
        for one in entry.attached:
            found[one["store"]].add(one["sha256"])
    return found


def last_of(heads: Iterable[tuple[str, Sequence[str]]]) -> tuple[str, ...]:
    """Return which of some entries, each with those before it, no other one follows; sorted."""
    known: set[str] = set()
    followed: set[str] = set()
    for name, before in heads:
        known.add(name)
        followed.update(before)
    return tuple(sorted(known - followed))


def in_order(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """Return entries as they follow each other; where several could be next, by time and hash.

    The order is the same at every site, and a clock that went back does not change it.
    """
    by_hash = {entry.hash: entry for entry in entries}
    waits = {name: sum(b in by_hash for b in entry.before) for name, entry in by_hash.items()}
    after: dict[str, list[str]] = {}
    for name, entry in by_hash.items():
        for earlier in entry.before:
            after.setdefault(earlier, []).append(name)
    ready = [(entry.at, name) for name, entry in by_hash.items() if not waits[name]]
    heapq.heapify(ready)
    ordered = []
    while ready:
        _, name = heapq.heappop(ready)
        ordered.append(by_hash[name])
        for later in after.get(name, ()):
            waits[later] -= 1
            if not waits[later]:
                heapq.heappush(ready, (by_hash[later].at, later))
    return tuple(ordered)


def standing(entries: Sequence[Entry], kind: str) -> tuple[Entry, ...]:
    """Return the entries of a kind that no later one corrects; more than one is a conflict."""
    corrected = {entry.corrects for entry in entries if entry.corrects}
    return tuple(e for e in entries if e.kind == kind and e.hash not in corrected)


def legible(entries: Sequence[Entry], kind: str) -> tuple[Entry, ...]:
    """Return the standing entries of a kind, those left out whose facts were withheld."""
    return tuple(entry for entry in standing(entries, kind) if entry.facts is not None)


def conflicts(entries: Sequence[Entry]) -> tuple[tuple[Entry, ...], ...]:
    """Return the groups of standing entries that correct one and the same entry, each in its way.

    That comes about where two sites correct it without knowing of each other. A correction of one
    of them, with nothing in it, settles it.
    """
    if not any(entry.corrects for entry in entries):
        return ()  # as nearly always, and a list asks it of every line
    by_hash = {entry.hash: entry for entry in entries}
    groups: dict[str, list[Entry]] = {}
    for entry in standing(entries, "alias"):
        if not entry.values.get("value"):
            continue
        first = entry
        while first.corrects in by_hash:
            first = by_hash[first.corrects]
        groups.setdefault(first.hash, []).append(entry)
    return tuple(tuple(group) for group in groups.values() if len(group) > 1)
