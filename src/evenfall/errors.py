"""What can go wrong, in the user's words.

What is wrong with a *call* or a *file* is an exception, raised; what is wrong with an
*instrument* or a *set of readings* is a `Finding`, collected and shown together.

    EvenfallError
    ├── RequestError          the call cannot be carried out as asked
    ├── SpecificationError    a specification with one or more faults
    ├── ReadingsError         readings that cannot be used
    ├── FormatMismatchError   the file is not of this format
    ├── BrokenFileError       the right format, but the file is damaged
    ├── UnsupportedError      a valid file that uses a feature evenfall does not read
    └── SolverError           the optimiser stopped without an answer that passes its own check
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Severity = Literal["error", "warning", "note"]

#: Every code an error can carry, with its meaning. Shown in the reference; checked by a test.
ERROR_CODES: dict[str, str] = {
    "request": "An option or argument does not fit the command or the data.",
    "specification": "A specification file has one or more faults.",
    "readings": "The readings cannot be used as they stand.",
    "format-mismatch": "The file is not of the format it was taken for.",
    "broken-file": "The file is of the right format but damaged or cut short.",
    "unsupported": "The file is valid but uses a feature that evenfall does not read.",
    "solver": "The optimiser gave no answer that passed the program's own check.",
}

#: Every code a finding can carry, with its meaning. Shown in the reference; checked by a test.
FINDING_CODES: dict[str, str] = {
    "spec-value": "A value in the specification is missing, of the wrong type or out of range.",
    "spec-unknown": "A table or key in the specification is not known.",
    "spec-unusual": "A value in the specification is possible but unusual.",
    "row": "A row of a sheet cannot be read.",
    "implausible": "A reading lies outside what the quantity can be.",
    "unit-slip": "Two readings of one quantity differ as if the unit were mistaken.",
    "disagree": "Readings of one quantity differ by more than their uncertainty allows.",
    "missing": "A reading that the method needs is missing.",
    "interpolated": "A missing reading was filled in from its neighbours.",
    "route": "How the crown tops, the nut or the saddle were obtained.",
    "no-uncertainty": "No uncertainty was stated or could be worked out for some readings.",
    "state": "The state of the instrument during the readings matters for the result.",
    "unused": "A reading was given that the chosen route does not need.",
    "touches": "A position touches a fret below the player's attack.",
    "high-fret": "A fret stands above what its neighbours allow.",
    "low-fret": "A fret lies so low that the positions before it lose room.",
    "worn": "A crown is near or under the least height to leave.",
    "relief": "The relief lies outside its limits.",
    "action": "The action lies outside its limits.",
    "first-fret": "The clearance over the first fret lies outside its limits.",
    "off-plan": "A height after the work differs from the plan by more than its uncertainty.",
    "plan-eased": "The plan could not keep every limit that the verdict goes by.",
    "other-attack": "The plan was made for another attack than the one that is judged.",
    "neck": "What the neck does under its strings and its rod, or what was assumed about it.",
    "holds": "How far the neck may move before a plan no longer holds.",
    "season": "What a change of the air's humidity does to the neck.",
    "pitch": "How far stopped notes stand from equal temperament.",
    "motion": "What the play test finds when the strings move over the frets.",
    "cure": "What adjusting alone can or cannot cure.",
    "recognised": "What a scan's file was taken for, by what, and how much it holds.",
    "scan": "A scan cannot be used, or not all of it.",
    "circle": "Points do not determine a circle.",
    "orientation": "How a scan was found to lie: unit, axes, centre line.",
    "ambiguous": "The readings fit more than one way; which one was taken is said.",
    "scale": "The frets stand on another scale than specified, or on none.",
    "slots-only": "The board shows fret slots and no crowns.",
    "missing-fret": "No crown stands where the scale has a fret.",
    "extra-bump": "Something stands on the board where no fret belongs.",
    "worn-flat": "A crown is worn flat.",
    "lifted-end": "The end of a fret stands up from the board.",
    "tang-gap": "A stretch of a fret stands higher over the board than its wire: not seated.",
    "shadow": "Crowns that a string or a hole in the scan hides.",
    "facets": "The facets of a mesh limit what can be claimed.",
    "board-shape": "The board rises, drops or humps along the neck.",
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing worth knowing about a specification, a measurement or an instrument.

    Parameters
    ----------
    code
        One of `FINDING_CODES`.
    sentence
        One sentence for the person at the bench.
    where
        File, line, row, fret or string that the sentence is about; may be empty.
    severity
        "error" stops the job, "warning" deserves a look, "note" is for the record.
    """

    code: str
    sentence: str
    where: str = ""
    severity: Severity = "warning"

    def __post_init__(self) -> None:
        if self.code not in FINDING_CODES:
            raise ValueError(f"finding code {self.code!r} is not in FINDING_CODES")

    def as_dict(self) -> dict[str, str]:
        """Return the finding as plain strings for JSON."""
        return {
            "code": self.code,
            "severity": self.severity,
            "sentence": self.sentence,
            "where": self.where,
        }


class EvenfallError(Exception):
    """Base of every error that evenfall raises on purpose.

    Parameters
    ----------
    sentence
        What is wrong, and how to mend it, in one sentence.
    where
        File, line, row or option that the sentence is about.
    """

    code = "request"

    def __init__(self, sentence: str, *, where: str = "") -> None:
        super().__init__(sentence)
        self.sentence = sentence
        self.where = where

    def __str__(self) -> str:
        return f"{self.where}: {self.sentence}" if self.where else self.sentence


class RequestError(EvenfallError):
    """The call cannot be carried out as asked."""

    code = "request"


class FindingsError(EvenfallError):
    """An error made of several findings, all shown at once.

    Parameters
    ----------
    findings
        The faults; at least one.
    where
        File that they are in.
    """

    def __init__(self, findings: Iterable[Finding], *, where: str = "") -> None:
        self.findings = tuple(findings)
        super().__init__(" ".join(f.sentence for f in self.findings), where=where)

    def __str__(self) -> str:
        return "\n".join(
            ": ".join(part for part in (self.where, f.where, f.sentence) if part)
            for f in self.findings
        )


class SpecificationError(FindingsError):
    """A specification with one or more faults."""

    code = "specification"


class ReadingsError(FindingsError):
    """Readings that cannot be used as they stand."""

    code = "readings"


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
