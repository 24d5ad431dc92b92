"""What an archive shows: lists, whole dossiers, the story of an instrument; entries in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from evenfall.codec import plain
from evenfall.records.archive import Absorbed
from evenfall.records.entries import Entry, Filed, conflicts, standing
from evenfall.units import LengthUnit
from evenfall.wording import Sentence, plain_line, say, sentence

if TYPE_CHECKING:
    from evenfall.pictures.inks import Theme


class _Plain:
    """What programs get as JSON."""

    __slots__ = ()

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        made: dict[str, Any] = plain(self)
        return made


@dataclass(frozen=True, slots=True)
class Line:
    """A dossier in a list."""

    dossier: str
    subject: str
    name: str
    maker: str
    serial: str
    job: str
    conflict: bool  # whether two sites gave it different numbers

    @property
    def title(self) -> str:
        """Number and name, as a person says them."""
        number = self.serial or self.job
        return plain_line(", ".join(part for part in (number, self.name, self.maker) if part))


@dataclass(frozen=True, slots=True)
class Told:
    """An entry in words."""

    entry: str
    kind: str
    at: str
    person: str
    said: Sentence
    done: str  # when it was done, where that is not when it was filed
    corrected: bool  # whether a later entry corrects it
    signed: bool  # whether a signature stands under this very entry

    @property
    def shown_at(self) -> str:
        """When it was done, as a person reads it; else when it was filed."""
        return (self.done or self.at)[:16].replace("T", " ").rstrip("Z")


@dataclass(frozen=True, slots=True)
class Shown(_Plain):
    """A whole dossier."""

    line: Line
    entries: tuple[Told, ...]
    conflicts: tuple[Sentence, ...]
    history: History
    version: str = ""  # what changes whenever something is filed into it

    def page(self, kind: str, *, unit: LengthUnit = "mm") -> bytes:
        """Return the dossier as one page, "pdf" or "html"."""
        from evenfall.pages.dossier import Row, dossier_page
        from evenfall.pictures.inks import PAGE, PRINT

        line = self.line
        rows = [
            Row(
                told.shown_at[:10],
                called(told.kind),
                "\n".join(shown_lines(told.said, unit)),
                plain_line(told.person),
                ", ".join(["corrected later"] * told.corrected + ["signed"] * told.signed),
                told.entry[:10],
            )
            for told in self.entries
        ]
        facts = [("Job", line.job), ("Maker", line.maker), ("Entries", str(len(rows)))]
        page = dossier_page(
            serial=plain_line(line.serial or line.job or line.name),
            model=plain_line(line.name),
            facts=[(name, plain_line(value)) for name, value in facts if value],
            code=line.dossier[:10].upper(),
            rows=rows,
            remarks=[say(one, unit) for one in self.conflicts],
            unit=unit,
        )
        pictures = {}
        if self.history.points:
            theme = PRINT if kind == "pdf" else PAGE
            pictures["History"] = self.history.drawing(unit, theme)
        return page.file(kind, pictures)


@dataclass(frozen=True, slots=True)
class Point:
    """What one document says of an instrument at one time."""

    at: str  # when it was measured or judged, where that was said, else when it was filed
    kind: str
    code: str
    status: str
    relief_mm: float
    action_bass_mm: float
    action_treble_mm: float
    lowest_crown_mm: float
    fret_life_mm: float


@dataclass(frozen=True, slots=True)
class History(_Plain):
    """The story of an instrument: a point for each measurement and proof."""

    line: Line
    points: tuple[Point, ...]

    def drawing(self, unit: LengthUnit = "mm", theme: Theme | None = None) -> str:
        """Return the story as SVG."""
        from evenfall.pictures.inks import LIGHT
        from evenfall.pictures.story import Visit, story

        visits = [
            Visit(
                _moment(point.at),
                f"{point.kind} {point.code}",
                point.kind == "proof",
                {
                    "Relief": (point.relief_mm,),
                    "Action": (point.action_bass_mm, point.action_treble_mm),
                    "Lowest crown": (point.lowest_crown_mm,),
                    "Fret life": (point.fret_life_mm,),
                },
            )
            for point in self.points
        ]
        return story(self.line.title, visits, unit=unit, theme=theme or LIGHT)


@dataclass(frozen=True, slots=True)
class Added(_Plain):
    """What filing came to."""

    line: Line
    new: tuple[str, ...]  # kinds of the entries that were filed
    known: int  # documents that were in the dossier already


@dataclass(frozen=True, slots=True)
class Coming:
    """What a partner's file holds for one dossier, before any of it is filed."""

    line: Line
    entries: int
    new: int  # entries that are not here yet
    completed: int  # entries that are here, but whose facts had been withheld until now


@dataclass(frozen=True, slots=True)
class Imported(_Plain):
    """What a partner's file holds, and what taking it over came to."""

    key: str  # key that signed it
    shown: str  # what the partner shows: certificates, measurements or all
    made_at: str
    dossiers: int
    entries: int
    absorbed: Absorbed | None  # what was new and what was known; None where nothing was filed
    conflicts: tuple[Line, ...]  # dossiers in which two sites disagree
    collisions: tuple[Sentence, ...] = ()
    """Which numbers two sites disagree about, and which ones other dossiers go by as well."""
    trusted: bool = False  # whether the key is trusted here
    coming: tuple[Coming, ...] = ()  # what there is for each dossier, where nothing was filed


def shown_lines(said: Sentence, unit: LengthUnit = "mm") -> list[str]:
    """Return an entry in words, line by line as it can be printed; what was filed may hold more."""
    return [plain_line(line) for line in say(said, unit).splitlines()] or [""]


def said_of(entry: Entry) -> Sentence:
    """Return an entry in words."""
    if entry.facts is None:
        return sentence("Withheld by the site that filed it.")
    facts = dict(entry.values)
    if entry.kind == "step":
        if facts.get("cutter_uses") is not None:
            uses = f"{facts['cutter_uses']:g}"
            facts["cutter"] = " ".join((facts.get("cutter", ""), f"({uses} uses)")).strip()
        details = _details(facts, "station", "gauge", "cutter", "started", "ended")
        return sentence("{work} {details:phrases}", work=facts["work"], details=details)
    if entry.kind == "received":
        details = _details(facts, "amount", "material") + tuple(
            sentence("{what} {value:length}", what=name, value=facts[f"crown_{part}_mm"])
            for name, part in (("crown height", "height"), ("crown width", "width"))
            if facts.get(f"crown_{part}_mm") is not None
        )
        return sentence(
            "Received: {words} {details:phrases}", words=facts["words"], details=details
        )
    if entry.kind == "alias":
        what = {"serial": "Serial number", "job": "Job number"}[facts["sort"]]
        if not facts["value"]:
            return sentence("{what} withdrawn.", what=what)
        return sentence("{what}: {value}.", what=what, value=facts["value"])
    for name in ("content_hash", "document"):
        if name in facts:
            facts[name] = facts[name][:10].upper()
    if entry.kind == "accepted":
        fret, _, string = facts["place"].partition(":")
        facts["place"] = f"@{fret}" * bool(fret) + f":{string}" * bool(string)
    text, names = _SAID[entry.kind] if entry.kind in _SAID else _ON_CHART[facts["act"]]
    if facts.get("valid_until"):
        text, names = (
            "Calibrated {date}, valid until {valid_until}: {result}",
            f"{names} valid_until",
        )
    return sentence(text, **{name: _said(facts.get(name, "")) for name in names.split()})


def _details(facts: dict[str, Any], *names: str) -> tuple[Sentence, ...]:
    return tuple(
        sentence("{what} {value}", what=name, value=str(facts[name]))
        for name in names
        if facts.get(name)
    )


def _said(value: Any) -> Any:
    return value if isinstance(value, int | float) else str(value)


_SAID: dict[str, tuple[str, str]] = {
    "opened": ("Dossier of the {subject} {name} opened.", "subject name"),
    "specification": ("Specification {title}, {content_hash}.", "title content_hash"),
    "measurement": ("Measurement {content_hash}.", "content_hash"),
    "plan": ("Plan {content_hash}: {status}.", "content_hash status"),
    "proof": ("Proof {content_hash}: {status}.", "content_hash status"),
    "readings": ("Readings {title}.", "title"),
    "scan": ("Scan {title}.", "title"),
    "program": ("Program {title}.", "title"),
    "page": ("Page {title}.", "title"),
    "photo": ("Photo {title}.", "title"),
    "accepted": (
        "Accepted for {document}: {code}{place}. Reason: {reason}",
        "document code place reason",
    ),
    "note": ("{words}", "words"),
    "fitted": ("Fitted {name}: {words}", "name words"),
    "calibration": ("Calibrated {date}: {result}", "date result"),
    "check": (
        "Check standard {standard}: {read_mm:length} read, {reference_mm:length} stated.",
        "standard read_mm reference_mm",
    ),
    "study": (
        "Gauge studied on {quantity} ({method}): standard uncertainty of one reading "
        "{u_mm:uncertainty}, {parts_count:count part}, {persons_count:count person}.",
        "quantity method u_mm parts_count persons_count",
    ),
    "lots agreed": (
        "Lots of {model} from {supplier}: {method} sampling, acceptance quality limit "
        "{aql_percent:g} %, level {level}. {reason}",
        "model supplier method aql_percent level reason",
    ),
    "lot": (
        "Lot {name} of {pieces:count piece}, {state} inspection: {decision}. {reason}",
        "name pieces state decision reason",
    ),
    "lot answered": ("{party} answers on a lot: {answer}. {reason}", "party answer reason"),
}
"""How each kind of entry reads, and which facts stand in it."""

_ON_CHART: dict[str, tuple[str, str]] = {
    "frozen": (
        "Limits frozen at {point}, from {points:count point}: {reason}",
        "point points reason",
    ),
    "begun": ("New limits from {point} on: {reason}", "point reason"),
    "left out": ("{point} left out: {reason}", "point reason"),
}
"""How what a person did to a chart reads."""


def called(kind: str) -> str:
    """Return what people call a kind of entry."""
    return "number" if kind == "alias" else kind


_SEVERAL = {
    "opened": ("new dossier", "new dossiers"),
    "readings": ("file of readings", "files of readings"),
    "accepted": ("reading accepted", "readings accepted"),
    "received": ("receipt", "receipts"),
    "fitted": ("fitting", "fittings"),
    "study": ("study", "studies"),
    "on chart": ("change of a chart", "changes of a chart"),
    "lots agreed": ("agreement on lots", "agreements on lots"),
    "lot answered": ("answer to a lot", "answers to a lot"),
}
"""One entry and several, of the kinds that do not take an s."""


def filed_words(kinds: Iterable[str]) -> str:
    """Return kinds of entries that were filed as a person counts them, in their order."""
    counts = Counter(kinds)
    listed = []
    for kind, count in counts.items():
        one, more = _SEVERAL.get(kind, (called(kind), f"{called(kind)}s"))
        listed.append(f"{count} {one if count == 1 else more}")
    return ", ".join(listed) or "nothing new"


def line_of(dossier: str, entries: Iterable[Entry]) -> Line:
    """Return a dossier as a line of a list."""
    listed = [entry for entry in entries if entry.facts is not None]
    opened = next((entry.values for entry in listed if entry.kind == "opened"), {})
    numbers = {"serial": "", "job": ""}
    for entry in standing(listed, "alias"):
        if value := fact(entry, "value"):
            numbers[fact(entry, "sort")] = value
    return Line(
        dossier=dossier,
        subject=opened.get("subject", ""),
        name=opened.get("name", ""),
        maker=opened.get("maker", ""),
        serial=numbers["serial"],
        job=numbers["job"],
        conflict=bool(conflicts(listed)),
    )


def disagreements(entries: Sequence[Entry]) -> tuple[Sentence, ...]:
    """Return in words which numbers of a dossier two sites corrected in different ways."""
    return tuple(
        sentence(
            "Two sites corrected one number: {values:list}. Correct the wrong one to settle it.",
            values=tuple(fact(entry, "value") for entry in group),
        )
        for group in conflicts(entries)
    )


def listed(line: Line) -> Sentence:
    """Return a dossier as one of several to choose from."""
    return sentence("{title} ({id})", title=line.title, id=line.dossier[:12])


def fact(entry: Entry, name: str) -> str:
    """Return one of the facts of an entry; "" where it says nothing, or they are withheld."""
    return str(entry.values.get(name, ""))


def point_of(entry: Entry) -> Point:
    """Return what a measurement or proof says of its instrument."""
    facts = entry.read()
    assert isinstance(facts, Filed)  # noqa: S101 (measurements and proofs are)
    return Point(
        at=facts.done or entry.at,
        kind=entry.kind,
        code=entry.code,
        status=facts.status,
        relief_mm=facts.relief_mm,
        action_bass_mm=facts.action_bass_mm,
        action_treble_mm=facts.action_treble_mm,
        lowest_crown_mm=facts.lowest_crown_mm,
        fret_life_mm=facts.fret_life_mm,
    )


def _moment(at: str) -> datetime:
    """Return a day or time; in UTC, where it names no zone."""
    read = datetime.fromisoformat(at)
    return read if read.tzinfo else read.replace(tzinfo=UTC)
