"""What can go wrong, as data.

What is wrong with a *call* or a *file* is an exception, raised; what is wrong with an
*instrument* or a *set of readings* is a `Finding`, collected and shown together. Both carry a
code, a place and values; `evenfall.wording` makes the sentence.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Literal

from evenfall.units import LengthUnit
from evenfall.wording import LIBRARY_WORDS, Sentence, Value, numbers, plain_line, say, sentence

Severity = Literal["error", "warning", "note"]

Progress = Callable[[str, float], None]
"""Told what is being done and how far it is, 0 to 1; it stops the work by raising `Cancelled`."""


def silent(_doing: str, _share: float) -> None:
    """Take note of nothing: the progress of work that nobody watches."""


#: Every code an error can carry, with its meaning. Shown in the reference; checked by a test.
ERROR_CODES: dict[str, str] = {
    "request": "An option or argument does not fit the command or the data.",
    "changed": "Somebody else filed into the dossier after you looked at it.",
    "specification": "A specification file has one or more faults.",
    "readings": "The readings cannot be used as they stand.",
    "description": "A description of a machine, its cutters or a fixture has one or more faults.",
    "program": "A machine program cannot be read, or is not written because a fault was found.",
    "format-mismatch": "The file is not of the format it was taken for.",
    "broken-file": "The file is of the right format but damaged or cut short.",
    "unsupported": "The file is valid but uses a feature that evenfall does not read.",
    "cancelled": "A long step was asked to stop, and did; nothing was written.",
    "solver": "The optimiser gave no answer that passed the program's own check.",
}

#: Every reason to read again before metal comes off, with its meaning; see `evenfall.gates`.
GATE_CODES: dict[str, str] = {
    "string-through-crown": "By the readings an open string runs through a crown.",
    "copied-figures": "Figures repeat more often than chance allows, as if they were copied.",
    "scatter": "The crowns scatter about the neck's line as no neck's do.",
    "lone-crown": "One crown stands off the other strings' crowns of its own fret.",
    "not-seated": "A fret stands so far off the line that it is not seated, or the reading is a "
    "slip.",
    "over-new-wire": "A crown was read higher than the wire is when new.",
    "arch": "The crowns do not arch across the strings as the board does.",
    "out-of-line": "The action or first-fret gap of a string, or of a course, is out of line.",
    "out-of-reason": "A setting is so far from what is asked for that the reading must be checked.",
    "order": "The strings or their actions are in the opposite order to the specification's.",
    "hand-check": "A check by hand disagrees with the heights.",
    "step": "All frets from one on are higher or lower by one amount, as if the datum had moved.",
    "tension": "A string as specified would be at a tension that no such string has.",
    "coarse": "The readings are too coarse to tell a high fret from a level one.",
    "unstrung": "The readings were taken without string tension and were not converted.",
    "numbering": "A scan leaves open which fret is the first, and so which scale the frets fit.",
    "drift": "The first crown, read again at the end, stands elsewhere: the datum moved.",
}

#: Every code a finding can carry, with its meaning. Shown in the reference; checked by a test.
FINDING_CODES: dict[str, str] = {
    **GATE_CODES,
    "spec-value": "A value in the specification is missing, of the wrong type or out of range.",
    "spec-unknown": "A table or key in the specification is not known.",
    "spec-unusual": "A value in the specification is possible but unusual.",
    "description-value": "A value that describes a machine, a cutter or a fixture is missing, of "
    "the wrong type or out of range.",
    "description-unknown": "A table or key in such a description is not known.",
    "program-block": "A block of a machine program cannot be read, or uses words that are refused.",
    "program-state": "A program is for another state, offset, unit or plan than it is used with.",
    "program-limit": "A program leaves the travel, feed, speed or other limits of its machine.",
    "program-rapid": "A rapid move goes below the safe height over the instrument.",
    "program-tool": "A program cuts without the right cutter in a turning spindle.",
    "program-cut": "The simulated cut differs from the plan, or touches what has to stay.",
    "program-conduct": "A program runs without extraction, spin-up or a free path where it stops.",
    "program-lift": "A dry run: the program is lifted over the work, which is not judged.",
    "program-place": "A cutter comes into a clamp or a place to stay out of.",
    "program-life": "A cutter is worn out before the program ends.",
    "program": "What a machine program does: passes, time, and what it was made for.",
    "row": "A row of a sheet cannot be read.",
    "implausible": "A reading lies outside what the quantity can be.",
    "unit-slip": "Two readings of one quantity differ as if the unit were mistaken.",
    "disagree": "Readings of one quantity differ by more than their uncertainty allows.",
    "missing": "A reading that the method needs is missing.",
    "interpolated": "A missing reading was interpolated from its neighbours.",
    "route": "How the crown tops, the nut or the saddle were obtained.",
    "no-uncertainty": "No uncertainty was stated or could be worked out for some readings.",
    "state": "The state of the instrument during the readings matters for the result.",
    "next-reading": "A reading that is still worth taking, so that slips show.",
    "unused": "A reading was given that the chosen route does not need.",
    "buzzes": "Notes of a string fail: they buzz at the player's attack, worse than level frets.",
    "level-frets": "Notes buzz at the player's attack, and would with level frets too.",
    "high-fret": "A fret stands over the level line.",
    "low-fret": "A fret lies so far under the level line that notes stopped there lose room.",
    "tilted-fret": "One end of a fret stands higher over the level line than the other.",
    "worn": "A crown is near or under the least height to leave.",
    "relief": "The relief lies outside its limits.",
    "action": "The action lies outside its limits.",
    "first-fret-gap": "The first-fret gap lies outside its limits.",
    "off-plan": "A height after the work differs from the plan by more than its uncertainty.",
    "misfit": "The attack asks for more than level frets would give at these settings.",
    "plan-not-ready": "The plan that the work followed was not ready to be carried out.",
    "other-attack": "The plan was made for another attack than the one that is judged.",
    "neck": "What the neck does under its strings and its rod, or what was assumed about it.",
    "holds": "How far the neck may move before a plan no longer holds.",
    "season": "What a change of the air's humidity does to the neck.",
    "pitch": "How far stopped notes are from equal temperament.",
    "motion": "What the play test finds when the strings move over the frets.",
    "cure": "What adjusting alone can or cannot cure.",
    "recognised": "What a scan's file was taken for, by what, and how much it holds.",
    "scan": "A scan cannot be used, or not all of it.",
    "circle": "Points do not determine a circle.",
    "orientation": "How a scan was found to lie: unit, axes, centre line.",
    "ambiguous": "The readings fit in more than one sense; the finding names the one taken.",
    "scale": "The frets fit another scale than specified, or none.",
    "slots-only": "The board shows fret slots and no crowns.",
    "covered": "Something lies over the board of a scan; what it hides was left out.",
    "missing-fret": "No crown stands where the scale has a fret.",
    "extra-bump": "Something stands on the board where no fret belongs.",
    "crown-kind": "Crowns are not round; the finding says how their tops are taken.",
    "fret-place": "A fret stands off its place on the scale.",
    "fret-end": "Frets reach past the board's edge.",
    "wire": "The wire of a whole neck is of another height or width than specified.",
    "board-width": "The board is of another width than specified.",
    "worn-flat": "A crown is worn flat.",
    "lifted-end": "The end of a fret stands up from the board.",
    "tang-gap": "A stretch of a fret stands higher over the board than its wire: not seated.",
    "strings-seen": "A scan shows strings, which were left out of the crowns; their action.",
    "nut-place": "The nut's edge stands off the start of the scale.",
    "string-line": "A string in a scan is not straight, is seen too little, or runs off its line.",
    "left-aside": "Parts of a scan that are not seen from above the board, or lie beside it.",
    "shadow": "Crowns that a string or a hole in the scan hides.",
    "facets": "How coarse a mesh's facets are, and which would be fine enough.",
    "board-shape": "The board rises, drops or humps along the neck.",
    "altered": "Something in an archive is not as it was filed: changed, removed or cut short.",
    "conflict": "Entries of different sites cannot both hold.",
    "clock": "The clock had been set back when an entry was filed.",
    "capability": "What a process is capable of, and how surely.",
    "causes": "Which recorded factors move a quantity, by how much, and how far to trust it.",
    "together": "Recorded factors go together, so what one does cannot be told from the other.",
    "gauge": "What a gauge study found: what of a reading is the gauge, and what it can judge.",
    "lot": "Which sample to take from a lot, what was decided, and how the next one is inspected.",
    "chart": "What a control chart says: whether the process is stable, and by which limits.",
    "left-over": "A program that was stopped left something in an archive that nothing refers to.",
}


@dataclass(frozen=True, slots=True)
class At:
    """What a finding or an error is about, so that a page can light it up.

    Parameters
    ----------
    file
        Name of the file, with the sheet in it where it has several.
    rows
        Rows in that file, counted from 1.
    field
        Column, key, option or table: `[fretwire] crown_height`, `attack`.
    strings, frets
        String and fret numbers.
    stopped_fret
        Where a finger is, 0 for the open string; None where that does not matter.
    lines
        Lines in that file, where it is one of text, counted from 1.
    """

    file: str = ""
    rows: tuple[int, ...] = ()
    field: str = ""
    strings: tuple[int, ...] = ()
    frets: tuple[int, ...] = ()
    stopped_fret: int | None = None
    lines: tuple[int, ...] = ()

    def __str__(self) -> str:
        """Return file, rows or lines, and field; the sentence itself names strings and frets."""
        counted = (("row", self.rows), ("line", self.lines))
        places = [f"{word}{'s' * (len(n) > 1)} {numbers(n, 7)}" for word, n in counted if n]
        file = plain_line(self.file)
        if len(file) > _LONGEST_PATH:
            file = f"{file[: _LONGEST_PATH // 2]}…{file[-_LONGEST_PATH // 2 :]}"
        return ", ".join(part for part in (file, *places, self.field) if part)

    def in_file(self, name: str) -> At:
        """Return the same place, in a file, unless it names one already."""
        return self if self.file else replace(self, file=name)

    def as_dict(self) -> dict[str, object]:
        """Return what is set, as plain values for JSON."""
        return {key: value for key, value in asdict(self).items() if value not in ("", (), None)}


_LONGEST_PATH = 300
_MOST_SHOWN = 50  # faults: more than are read at once
NOWHERE = At()


class Finding:
    """One thing worth knowing about a specification, a measurement or an instrument.

    Parameters
    ----------
    code
        One of `FINDING_CODES`.
    text
        A constant sentence with places for the values, see `evenfall.wording`.
    at
        What it is about.
    severity
        "error" stops the job, "warning" deserves a look, "note" is for the record.
    **values
        What stands at the places in the text, in mm, N, cent and counts.
    """

    __slots__ = ("at", "code", "said", "severity")

    def __init__(
        self,
        code: str,
        text: str,
        at: At = NOWHERE,
        severity: Severity = "warning",
        **values: Value,
    ) -> None:
        if code not in FINDING_CODES:
            raise ValueError(f"finding code {code!r} is not in FINDING_CODES")
        self.code = code
        self.said = Sentence(text, values)
        self.at = at
        self.severity: Severity = severity

    def __repr__(self) -> str:
        return f"Finding({self.code!r}, {self.sentence!r}, {self.at!r}, {self.severity!r})"

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Finding):
            return NotImplemented
        mine = (self.code, self.said, self.at, self.severity)
        return mine == (other.code, other.said, other.at, other.severity)

    def __hash__(self) -> int:
        return hash((self.code, self.said, self.at, self.severity))

    @property
    def sentence(self) -> str:
        """The sentence in mm and in the library's words."""
        return say(self.said)

    @property
    def where(self) -> str:
        """File, rows and field that it is about, in words; may be empty."""
        return str(self.at)

    def placed(self, at: At) -> Finding:
        """Return the same finding about another place."""
        return Finding(self.code, self.said.text, at, self.severity, **self.said.values)

    def as_dict(
        self, unit: LengthUnit = "mm", door: Mapping[str, str] = LIBRARY_WORDS
    ) -> dict[str, object]:
        """Return code, severity, place, values and the sentence, as plain values for JSON."""
        return {
            "code": self.code,
            "severity": self.severity,
            "at": self.at.as_dict(),
            **self.said.as_dict(),
            "sentence": say(self.said, unit, door),
        }


class EvenfallError(Exception):
    """Base of every error that evenfall raises on purpose.

    Parameters
    ----------
    text
        What is wrong, and how to correct it: a constant sentence with places for the values, see
        `evenfall.wording`, or a `Sentence` that holds its values.
    at
        What it is about.
    **values
        What stands at the places in the text.
    """

    code = "request"

    def __init__(self, text: str | Sentence, *, at: At = NOWHERE, **values: Value) -> None:
        self.said = text if isinstance(text, Sentence) else Sentence(text, values)
        super().__init__(self.said.text)
        self.at = at

    def __str__(self) -> str:
        return self.words()

    @property
    def sentence(self) -> str:
        """The sentence in mm and in the library's words."""
        return say(self.said)

    @property
    def where(self) -> str:
        """File, rows and field that it is about, in words; may be empty."""
        return str(self.at)

    def words(self, unit: LengthUnit = "mm", door: Mapping[str, str] = LIBRARY_WORDS) -> str:
        """Return place and sentence, in a unit and in the words of a door."""
        return _placed(str(self.at), say(self.said, unit, door))

    def as_dict(
        self, unit: LengthUnit = "mm", door: Mapping[str, str] = LIBRARY_WORDS
    ) -> dict[str, object]:
        """Return code, place, text, values, sentence and findings, as plain values for JSON."""
        return {
            "code": self.code,
            "at": self.at.as_dict(),
            **self.said.as_dict(),
            "sentence": say(self.said, unit, door),
            "findings": [],
        }


def _placed(place: str, told: str) -> str:
    """Return a sentence after its place, unless it begins with that itself."""
    return told if told.lstrip("-").startswith(place.replace("_", "-")) else f"{place}: {told}"


class FindingsError(EvenfallError):
    """An error made of several findings, all shown at once.

    Parameters
    ----------
    findings
        The faults; at least one.
    at
        File that they are in.
    """

    def __init__(self, findings: Iterable[Finding], *, at: At = NOWHERE) -> None:
        self.findings = tuple(findings)
        parts = tuple(f.said for f in self.findings)
        super().__init__("{faults:sentences}", at=at, faults=parts)

    def words(self, unit: LengthUnit = "mm", door: Mapping[str, str] = LIBRARY_WORDS) -> str:
        """Return a line for each fault, in a unit and in the words of a door; the first alone."""
        lines = []
        for finding in self.findings[:_MOST_SHOWN]:
            told = _placed(str(finding.at), say(finding.said, unit, door))
            lines.append(told if finding.at.file else _placed(str(self.at), told))
        if (left := len(self.findings) - _MOST_SHOWN) > 0:
            lines.append(say(sentence("{left:count more fault}; correct these first.", left=left)))
        return "\n".join(lines)

    def as_dict(
        self, unit: LengthUnit = "mm", door: Mapping[str, str] = LIBRARY_WORDS
    ) -> dict[str, object]:
        """Return the error and each of its findings, as plain values for JSON."""
        findings = [finding.as_dict(unit, door) for finding in self.findings]
        return {**super().as_dict(unit, door), "findings": findings}


class RequestError(EvenfallError):
    """The call cannot be carried out as asked."""

    code = "request"


class ChangedError(RequestError):
    """Somebody else filed into a dossier since whoever asks looked at it; nothing was filed.

    Its values name the `dossier`, and the version that was looked at, `since`.
    """

    code = "changed"


class SpecificationError(FindingsError):
    """A specification with one or more faults."""

    code = "specification"


class ReadingsError(FindingsError):
    """Readings that cannot be used as they stand."""

    code = "readings"


class DescriptionError(FindingsError):
    """A description of a machine, its cutters or a fixture with one or more faults."""

    code = "description"


class ProgramError(FindingsError):
    """A machine program that cannot be read, or that must not be written."""

    code = "program"


class FormatMismatchError(EvenfallError):
    """The file is not of the format it was taken for."""

    code = "format-mismatch"


class BrokenFileError(EvenfallError):
    """The right format, but the file is damaged or cut short."""

    code = "broken-file"


class UnsupportedError(EvenfallError):
    """A valid file that uses a feature evenfall does not read."""

    code = "unsupported"


class SolverError(EvenfallError):
    """The optimiser gave no answer that passed the program's own check."""

    code = "solver"


class Cancelled(EvenfallError):  # noqa: N818  (nothing went wrong)
    """Somebody asked a long step to stop; nothing was written."""

    code = "cancelled"

    def __init__(self) -> None:
        super().__init__("Stopped as asked; nothing was written.")
