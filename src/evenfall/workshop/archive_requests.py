"""What may be filed in an archive, as it is asked for: documents, and words with their facts."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from evenfall.errors import At, RequestError
from evenfall.names import check_line
from evenfall.records import Filing
from evenfall.records.entries import DAY
from evenfall.workshop.opening import Source

_LONGEST_WORDS = 20_000  # of a note
_MOST_USES = 1_000_000
LONGEST_STEP = 2000  # of what was done, or of the result of a calibration
SHOWN_AS = {
    "date": "calibrated",
    "valid_until": "valid-until",
    "standard": "check-standard",
    "person": "by",
    "done": "on",
}
"""Options of commands by the fields of a request, where they are called otherwise."""
_RECEIVED = ("amount", "material", "crown_height_mm", "crown_width_mm")


@dataclass(frozen=True, slots=True)
class AddRequest:
    """What to file, and where.

    Parameters
    ----------
    files
        Documents of this program, specifications, scans, programs, pages and photos.
    instrument
        Number or id of the dossier; by default the one of the serial in the files.
    new
        Whether to open a new dossier, though one of this serial may be there.
    serial, job
        A serial or job number that arrives now, or is corrected.
    maker
        Who made the instrument, for a new dossier.
    subject, name
        What a new dossier without documents is of: model, gauge, machine, wire batch or part. A
        specification alone goes into the dossier of its model.
    person
        Who files it.
    done
        When it was done or taken, if not now: a day, or a time, by ISO 8601.
    since
        Version of the dossier when it was looked at; where it has another one by now, nothing is
        filed.

    Examples
    --------
    >>> AddRequest(subject="gauge", name="dial 3").subject
    'gauge'
    """

    files: tuple[Source, ...] = ()
    instrument: str = ""
    new: bool = False
    serial: str = ""
    job: str = ""
    maker: str = ""
    subject: str = "instrument"
    name: str = ""
    person: str = ""
    done: str = ""
    since: str = ""

    @property
    def only_files(self) -> bool:
        """Whether nothing but the files says where they belong."""
        named = self.instrument or self.serial or self.job or self.name
        return not (named or self.new) and self.subject == "instrument"


@dataclass(frozen=True, slots=True)
class NoteRequest:
    """What to write into a dossier.

    Parameters
    ----------
    instrument
        Number or id of the dossier.
    words
        The note, or what was done.
    person
        Who writes it.
    photos
        Photos that go with it.
    facts
        Of a step of work: `station`, `gauge`, `cutter`, `cutter_uses` since it was changed,
        `started`, `ended`; of a calibration: `date`, `valid_until`; of a check standard:
        `standard`, `reference_mm`, `read_mm`; of what came in: `amount`, `material`,
        `crown_height_mm`, `crown_width_mm`; of what was fitted: `part`, the dossier it was taken
        from. Of any: `done`, when it was done.
    corrects
        Hash of the entry that this one corrects.
    since
        Version of the dossier when it was looked at; where it has another one by now, nothing is
        filed.

    Examples
    --------
    >>> NoteRequest("UY-0417", "Seated fret 7.", facts={"station": "2"}).kind
    'step'
    """

    instrument: str
    words: str
    person: str = ""
    photos: tuple[Source, ...] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)
    corrects: str = ""
    since: str = ""

    @property
    def kind(self) -> str:
        """What it is, by the facts that go with it."""
        if "date" in self.facts:
            return "calibration"
        if "standard" in self.facts:
            return "check"
        if "part" in self.facts:
            return "fitted"
        if any(name in self.facts for name in _RECEIVED):
            return "received"
        return "step" if set(self.facts) - {"done"} else "note"

    def filing(self) -> Filing:
        """Return it as it is filed."""
        named = {"calibration": "result", "step": "work", "check": None}.get(self.kind, "words")
        said = {named: self.words} if named else {}
        files = {one.name.rpartition("/")[2]: one.read(10**9) for one in self.photos}
        facts = {**said, **self.facts}
        return Filing(self.kind, facts, self.person, self.corrects, files=files)


def check_added(request: AddRequest) -> None:
    """Refuse a number or name that no list could show."""
    for field_name in ("serial", "job", "maker", "name", "person"):
        check_line(SHOWN_AS.get(field_name, field_name), getattr(request, field_name))
    read_day("done", request.done)


def check_note(request: NoteRequest) -> None:
    """Refuse words that no page could show, and days that are none or do not follow each other."""
    check_line("by", request.person)
    for name in ("station", "gauge", "cutter", "standard", "part", "amount", "material"):
        check_line(SHOWN_AS.get(name, name), str(request.facts.get(name, "")))
    said = request.words.strip() or request.photos
    if not said and request.kind in ("note", "step", "received", "fitted"):
        raise RequestError("There are no words to file; say what it is.", at=At(field="words"))
    most = _LONGEST_WORDS if request.kind == "note" else LONGEST_STEP
    check_words("words", request.words, most)
    if request.facts.get("valid_until") and not request.facts.get("date"):
        raise RequestError(
            "Only a calibration has a day until which it is valid; say when it was.",
            at=At(field=SHOWN_AS["valid_until"]),
        )
    read_day("done", str(request.facts.get("done", "")))
    _uses(request.facts.get("cutter_uses"))
    for earlier, later in (("date", "valid_until"), ("started", "ended")):
        first, last = (read_day(n, str(request.facts.get(n, ""))) for n in (earlier, later))
        if first and last and last[: len(first)] < first[: len(last)]:
            raise RequestError(
                "{last} is before {first}; correct one of them.",
                at=At(field=SHOWN_AS.get(later, later)),
                first=first,
                last=last,
            )


def check_words(field_name: str, words: str, most: int) -> None:
    """Refuse words that no page could show."""
    unseen = any(unicodedata.category(c) in ("Cc", "Cs") and c not in "\r\n" for c in words)
    if unseen or len(words) > most:
        raise RequestError(
            "Words are at most {most} characters, in lines without control characters; change "
            "them and file them again.",
            at=At(field=field_name),
            most=most,
        )


def _uses(given: object) -> None:
    if given is None:
        return
    if not isinstance(given, int | float) or not 0 <= given <= _MOST_USES or given % 1:
        raise RequestError(
            "A cutter was used a whole number of times, 0 to {most}, since it was changed.",
            at=At(field="cutter-uses"),
            most=_MOST_USES,
        )


def read_day(name: str, given: str) -> str:
    """Return a day or time as ISO 8601 without its zone; "" where none is given."""
    try:
        if given and (not re.fullmatch(DAY, given) or not datetime.fromisoformat(given)):
            raise ValueError
    except ValueError:
        raise RequestError(
            "{given:quoted} is not a day or time; write it as 2026-03-31 or 2026-03-31T14:05.",
            at=At(field=SHOWN_AS.get(name, name)),
            given=given,
        ) from None
    return given.rstrip("Z")
