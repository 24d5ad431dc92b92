"""What can be read on an instrument and written on a sheet, and what each reading can be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

#: The columns of a sheet, in the order of the template.
COLUMNS: dict[str, str] = {
    "quantity": "What was read; one of the quantities below.",
    "string": "String number, 1 = treble; `1-6` or `1 to 6` for several; `all` for every string.",
    "pitch": "The string's open pitch, against mistaken strings; it must fit the string number.",
    "fret": "Fret number, 1 at the nut's end.",
    "value": "The reading; in inches also a fraction, such as 5/64. An empty cell means not yet "
    "read; the row is skipped.",
    "unit": "mm, um, cm, in, thou …; empty means the unit of the specification.",
    "uncertainty": "Standard uncertainty (k = 1) of the tool, in the unit of the row.",
    "state": "`strung` (strings at pitch) or `unstrung`; humidity and temperature may follow: "
    "`strung 45% 21C`.",
    "measured_with": "Tool used, such as feeler or dial. Where several studied gauges are named, a "
    "row takes the uncertainty of the one whose name begins so; not used otherwise.",
    "note": "Anything else; not used in the calculation.",
}

UNCERTAINTY_LIMIT_MM = 1.0
"""A tool worse than this cannot serve; a larger number is a slip (often a split decimal comma)."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """One thing that can be read."""

    name: str  # word in the column `quantity`
    meaning: str  # what is read, in one sentence
    # whether the string must be named, may be, or has no meaning
    string: Literal["needed", "optional"]
    # what the fret cell holds: nothing, a fret, a fret or 0 for the nut, a fret under a line over
    # two others, or a fret that a short straightedge rocks on
    fret: Literal["none", "fret", "fret or nut", "line", "rock"]
    # what the reading can be [mm], anything outside is a slip; a datum may lie anywhere that a
    # height gauge reaches
    low_mm: float = -200.0
    high_mm: float = 200.0
    # whether it is a height over the common datum, so that only differences mean anything
    over_datum: bool = True
    clash_mm: float = 1.0  # readings of one thing further apart than this [mm] cannot both be right


# Ranges are wide on purpose: they catch slips of unit and decimal point, not bad instruments.
# Common practice, no source, unless another reason is given.
_ALL = (
    Quantity(
        "action",
        "Gap between the open string's underside and the crown of a fret.",
        string="needed",
        fret="fret",
        low_mm=0.0,
        high_mm=12.0,  # slide setups and neglected necks stay under 10 mm
        over_datum=False,
        clash_mm=1.0,
    ),
    Quantity(
        "relief",
        "Gap between a fret and a straight line over two others; below zero for a back-bow.",
        string="optional",
        fret="line",
        low_mm=-1.0,
        high_mm=2.5,  # a rod at the end of its travel
        over_datum=False,
        clash_mm=0.5,
    ),
    Quantity(
        "rocking",
        "Gap under one end, or the middle, of a short straightedge over three frets.",
        string="needed",
        fret="rock",
        low_mm=0.0,  # a gap is never negative
        high_mm=2.0,  # a fret fully out of its slot stands up by its tang at most
        over_datum=False,
        clash_mm=0.3,
    ),
    Quantity(
        "crown_top",
        "Height of the crown on the string's line over a straight datum common to all readings.",
        string="needed",
        fret="fret",
    ),
    Quantity(
        "crown_again",
        "The same crown read once more at the end: shows whether the datum moved.",
        string="needed",
        fret="fret",
    ),
    Quantity(
        "crown_height",
        "Height of the crown over the board beside it.",
        string="optional",
        fret="fret",
        low_mm=0.2,  # worn past use
        high_mm=2.5,  # over the tallest wire that a specification may name by the seating gap
        over_datum=False,
        clash_mm=0.5,
    ),
    Quantity(
        "nut_slot",
        "Height of the floor of the nut slot over the common datum.",
        string="needed",
        fret="none",
    ),
    Quantity(
        "saddle",
        "Height of the top of the saddle under the string over the common datum.",
        string="needed",
        fret="none",
    ),
    Quantity(
        "board",
        "Height of the board beside a fret over the common datum; no string: on the centre line.",
        string="optional",
        fret="fret",
    ),
    Quantity(
        "string_spacing",
        "Distance from a string's centre to the next one's; no string: between the outer strings.",
        string="optional",
        fret="fret or nut",
        low_mm=1.0,
        high_mm=300.0,  # the widest spread that a specification may name
        over_datum=False,
        clash_mm=2.0,
    ),
)

QUANTITIES: dict[str, Quantity] = {quantity.name: quantity for quantity in _ALL}

NUT_LINE_LIMIT_MM = 5.0
"""A slot floor lies within a few crown heights of the line of the crowns."""

SADDLE_LINE_LIMIT_MM = 30.0
"""At the saddle the string stands about twice its gap at the 12th fret over the crowns' line."""

CROWN_LINE_LIMIT_MM = 5.0
"""A crown further than this from its string's own straight line is a slip, not a fret."""
