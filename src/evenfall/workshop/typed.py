"""Readings typed into a page: the same sheet as on paper, checked while it grows."""

from __future__ import annotations

import csv
import io
import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from evenfall.errors import At, EvenfallError, Finding, FindingsError, RequestError
from evenfall.instrument import Specification, string_lines
from evenfall.neck.bow import relief_point
from evenfall.sheets import SheetFile
from evenfall.sheets.hand import read_readings
from evenfall.sheets.plausibility import stray_crowns
from evenfall.sheets.quantities import QUANTITIES
from evenfall.sheets.reduction import HUMIDITY_STEP_PERCENT
from evenfall.units import LengthUnit, in_unit
from evenfall.wording import Sentence, sentence
from evenfall.workshop.measuring import MeasureOutcome, MeasureRequest, measure
from evenfall.workshop.opening import Source, open_specification

if TYPE_CHECKING:
    from evenfall.proof import Proof

TYPED = "typed-readings.csv"
"""What the file of a typed sheet is called."""
_COLUMNS = ("quantity", "string", "fret", "value", "unit", "uncertainty", "state")
_KEY = re.compile(r"[a-z_]{1,20}:[0-9]{0,2}:[0-9a-z ]{0,24}")
_ON_THE_SHEET = {
    *("nut_slot", "crown_top", "saddle", "action", "relief", "crown_again", "crown_height")
}
"""Quantities that the typed sheet has fields for."""
_MOST = 2000
_LARGEST_BYTES = 1_000_000
_LONGEST = 24
_NOT_YET = {"missing"}
"""Findings that a sheet that is still being filled in is not told of."""


@dataclass(frozen=True, slots=True)
class Place:
    """One field of the sheet."""

    quantity: str
    string: int  # 0 where the quantity belongs to no string
    fret: str  # as a sheet writes it; empty where the quantity belongs to no fret

    @property
    def key(self) -> str:
        """What a page names the field by."""
        return f"{self.quantity}:{self.string or ''}:{self.fret}"

    @property
    def gap(self) -> bool:
        """Whether it is read by itself, over no datum."""
        return not QUANTITIES[self.quantity].over_datum

    @property
    def said(self) -> Sentence:
        """What is read there, in words."""
        text = "{what}, string {string}, fret {fret}" if self.string else "{what}, fret {fret}"
        what = self.quantity.replace("_", " ")
        return sentence(text, what=what, string=self.string, fret=self.fret)


@dataclass(frozen=True, slots=True)
class TypedSheet:
    """Readings as they were typed, in any order, some not yet."""

    values: Mapping[str, str] = field(default_factory=dict)  # text by the key of its place
    unit: LengthUnit = "mm"
    uncertainty: str = ""  # standard uncertainty of the gauge, as typed, in that unit
    strung: bool = True
    # standard uncertainty of what was read with another gauge, as typed, by the key of its place
    finer: Mapping[str, str] = field(default_factory=dict)
    air: str = ""  # humidity and temperature as typed, "45% 21C"

    @property
    def rows(self) -> list[tuple[str, list[str]]]:
        """Every reading that was typed: the key of its place, and its row."""
        if len(self.values) > _MOST:
            raise RequestError("A sheet has at most {most} readings.", most=_MOST)
        made = []
        state = " ".join(("strung" if self.strung else "unstrung", self.air.strip()[:_LONGEST]))
        state = state.strip()
        for key, given in self.values.items():
            if not _KEY.fullmatch(key) or key.split(":")[0] not in QUANTITIES:
                raise RequestError("There is no such place on the sheet.", at=At(field=key[:40]))
            if text := given.strip():
                quantity, string, fret = key.split(":")
                if len(text) > _LONGEST:
                    text = text[:_LONGEST] + "…"
                sure = self.finer.get(key, self.uncertainty)[:_LONGEST]
                made.append((key, [quantity, string, fret, text, self.unit, sure, state]))
        return made

    def source(self) -> Source:
        """Return the sheet as a file, which is kept with the measurement."""
        stream = io.StringIO()
        writer = csv.writer(stream, lineterminator="\r\n")
        writer.writerow(_COLUMNS)
        writer.writerows(row for _, row in self.rows)
        return Source(TYPED, stream.getvalue().encode())

    @classmethod
    def of(cls, source: Source) -> TypedSheet | None:
        """Return a file of readings as it would be typed; None where the sheet has no place for it.

        So files with other quantities, several units or states, or ranges of strings stay files.
        """
        if not source.name.lower().endswith(".csv"):
            return None
        lines = [line for line in source.text().splitlines() if not line.startswith("#")]
        rows = [row for row in csv.DictReader(lines) if (row.get("value") or "").strip()]
        if not rows or not {"unit", "state", *_COLUMNS[:4]} <= rows[0].keys():
            return None
        named = [(f"{row['quantity']}:{row['string']}:{row['fret']}", row) for row in rows]
        settings = {(row["unit"], row["state"]) for row in rows}
        told = all(key.split(":")[0] in _ON_THE_SHEET and _KEY.fullmatch(key) for key, _ in named)
        if len(settings) > 1 or not told or len(dict(named)) < len(named):
            return None
        sure = {key: row.get("uncertainty") or "" for key, row in named}
        usual = Counter(sure.values()).most_common(1)[0][0]
        ((unit, noted),) = settings
        state, _, air = noted.partition(" ")
        if unit not in ("mm", "in") or state not in ("strung", "unstrung"):
            return None
        return cls(
            {key: row["value"] for key, row in named},
            "in" if unit == "in" else "mm",
            usual,
            state == "strung",
            {key: text for key, text in sure.items() if text != usual},
            air,
        )


def typed_of(files: Sequence[Source], specification: Specification) -> TypedSheet | None:
    """Return hand sheets as one that would be typed; None where that has no place for a reading.

    One sheet of the program's own form keeps every figure as it was written.
    """
    sheet = TypedSheet.of(files[0]) if len(files) == 1 else None
    if sheet is None and files and all(_hand_sheet(one) for one in files):
        sheet = _gathered(files, specification)
    return sheet


def _hand_sheet(file: Source) -> bool:
    return file.name.lower().endswith((".csv", ".xlsx"))


def _gathered(files: Sequence[Source], specification: Specification) -> TypedSheet | None:
    """Return the readings of several sheets as one; None where two read the same thing."""
    try:
        sheets = [SheetFile(one.name, one.read(_LARGEST_BYTES)) for one in files]
        readings, findings = read_readings(sheets, specification)
    except EvenfallError:  # a height map, say
        return None
    if any(one.severity == "error" for one in findings) or not readings:
        return None
    unit: LengthUnit = "in" if all(one.inch for one in readings) else "mm"
    states = {one.strung is not False for one in readings}
    humid = [one.humidity_percent for one in readings if not math.isnan(one.humidity_percent)]
    if humid and max(humid) - min(humid) > HUMIDITY_STEP_PERCENT:
        return None  # the sheet has one place for the air
    values: dict[str, str] = {}
    sure: dict[str, str] = {}
    whole = (1, specification.frets)
    for one in readings:
        fret, *line = one.frets or ("",)
        over = f" between {line[0]} and {line[-1]}" if line and tuple(line) != whole else ""
        key = Place(one.quantity, one.string, f"{fret}{over}").key
        if key in values or one.quantity not in _ON_THE_SHEET or len(line) == 1:
            return None
        digits = max(0, math.ceil(-math.log10(in_unit(one.step_mm, unit)) - 1e-6))
        values[key] = f"{in_unit(one.value_mm, unit):.{digits}f}"
        sure[key] = "" if math.isnan(one.u_mm) else f"{in_unit(one.u_mm, unit):.6g}"
    usual = Counter(sure.values()).most_common(1)[0][0]
    finer = {key: text for key, text in sure.items() if text != usual}
    warm = [one.temperature_celsius for one in readings if not math.isnan(one.temperature_celsius)]
    means = [
        f"{math.fsum(noted) / len(noted):.5g}{sign}"
        for noted, sign in ((humid, "%"), (warm, "C"))
        if noted
    ]
    if len(states) > 1:
        return None
    return TypedSheet(values, unit, usual, states.pop(), finer, " ".join(means))


@dataclass(frozen=True, slots=True)
class Checked:
    """What a sheet looks like so far."""

    findings: tuple[Finding, ...]  # slips and questions
    keys: tuple[tuple[str, ...], ...]  # the fields that each of them is about
    measured: MeasureOutcome | None  # the measurement, once nothing is missing
    lacking: tuple[Finding, ...]  # what is missing yet

    @property
    def wanted(self) -> dict[str, Finding]:
        """What is worth reading yet, by the field that it goes into."""
        found = () if self.measured is None else self.measured.next_readings
        return {
            f"crown_again:{one.at.strings[0]}:{one.at.frets[0]}": one
            for one in found
            if one.at.field == "crown_again" and one.at.strings and one.at.frets
        }

    def as_dict(self, told: Any) -> dict[str, Any]:
        """Return plain values for a page; `told` makes the words of a finding."""
        return {
            "complete": self.measured is not None,
            "wanted": [{"key": key, "said": told(one)} for key, one in self.wanted.items()],
            "lacking": [told(one) for one in self.lacking],
            "findings": [
                {"code": one.code, "severity": one.severity, "said": told(one), "keys": list(keys)}
                for one, keys in zip(self.findings, self.keys, strict=True)
            ],
        }


def places(specification: Specification) -> tuple[tuple[Place, ...], tuple[Place, ...]]:
    """Return the fields of the neck, string by string, and those beside it, in order of work."""
    strings = [one.number for one in specification.strings]
    frets = range(1, specification.frets + 1)
    neck = [
        place
        for k in strings
        for place in (
            Place("nut_slot", k, ""),
            *(Place("crown_top", k, str(j)) for j in frets),
            Place("saddle", k, ""),
        )
    ]
    reference = str(specification.scale.reference_fret)
    relief = str(relief_point(specification, string_lines(specification))[0])
    first, last = specification.target.relief_over
    if (first, last) != (1, specification.frets):
        relief = f"{relief} between {first} and {last}"
    beside = [
        *(Place("action", k, reference) for k in (strings[0], strings[-1])),
        Place("relief", 0, relief),
        Place("crown_again", 1, "1"),
        *(Place("crown_height", 0, str(j)) for j in frets),
    ]
    return tuple(neck), tuple(beside)


def undecided_places(proof: Proof, specification: Specification) -> tuple[Place, ...]:
    """Return what would have to be read again, by a finer gauge, to decide what a proof leaves.

    A gap is read itself; a clearance by the heights that lead its budget, and then the first crown
    too, which shows whether the datum still stands as it did.
    """
    relief = next(one for one in places(specification)[1] if one.quantity == "relief")
    reference = str(specification.scale.reference_fret)
    found: list[Place] = []
    for item in proof.items:
        if item.verdict != "undecided":
            continue
        k, over = item.string or 0, str(item.fret or "")
        if item.quantity == "relief":
            found.append(relief)
        elif item.quantity in ("action", "first-fret-gap"):
            found.append(Place("action", k, reference if item.quantity == "action" else "1"))
        elif item.quantity == "crown-height":
            found.append(Place("crown_height", k, over))
        else:
            stop = item.stopped_fret
            stopped = Place("crown_top", k, str(stop)) if stop else Place("nut_slot", k, "")
            found += [stopped, Place("crown_top", k, over), Place("saddle", k, "")]
    if any(QUANTITIES[one.quantity].over_datum for one in found):
        found.append(Place("crown_again", 1, "1"))
    return tuple(dict.fromkeys(found))


def check_typed(sheet: TypedSheet, specification: Source, *, serial: str = "") -> Checked:
    """Return what is to be said of a sheet so far: slips at once, gates when nothing is missing."""
    keys = [key for key, _ in sheet.rows]
    spec, _ = open_specification(specification)
    if not keys:
        return Checked((), (), None, ())
    measured: MeasureOutcome | None = None
    found: tuple[Finding, ...] = ()
    lacking: tuple[Finding, ...] = ()
    try:
        measured = measure(MeasureRequest((sheet.source(),), specification, serial=serial))
        found = tuple(f for f in measured.findings if f.severity != "note")
    except FindingsError as error:
        found = tuple(f for f in error.findings if f.code not in _NOT_YET)
        lacking = tuple(f for f in error.findings if f.code in _NOT_YET)
        # the gates ask when nothing is missing; a crown that cannot be is asked about at once
        file = SheetFile(TYPED, sheet.source().read(_LARGEST_BYTES))
        stray = stray_crowns(read_readings([file], spec)[0], string_lines(spec))
        known = [f for f in found if f.at.field or not f.at.frets] if stray else found
        found = (*known, *stray)
    return Checked(found, tuple(_keys(one, keys) for one in found), measured, lacking)


def _keys(finding: Finding, keys: list[str]) -> tuple[str, ...]:
    """Return the fields that a finding is about: by its rows, else by its strings and frets."""
    if finding.at.rows:
        return tuple(keys[row - 2] for row in finding.at.rows if 0 <= row - 2 < len(keys))
    strings, frets = finding.at.strings, finding.at.frets
    if not (strings and frets):
        return ()
    named = {f"crown_top:{k}:{j}" for k in strings for j in frets}
    return tuple(key for key in keys if key in named)
