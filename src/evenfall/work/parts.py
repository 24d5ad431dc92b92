"""What a bench sheet is made of: notes, steps, tables over the strings, readings; data only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from evenfall.plan.ranges import LEAST_SHOWN_MM
from evenfall.wording import Sentence
from evenfall.work.cautions import Caution
from evenfall.work.notes import Note

NOTHING_MM = LEAST_SHOWN_MM
"""Lengths under half a micrometre are nothing: no gauge at a bench shows them."""

Tone = Literal["nothing", "go", "relaxed", "stop"]


@dataclass(frozen=True, slots=True)
class Cell:
    """What a table says about one string."""

    length_mm: float | None  # None where there is nothing to do
    move: Literal["", "up", "down"] = ""  # where the length is a change
    limits_mm: tuple[float, float] | None = None  # where the length is a target
    halfway: bool = False  # whether to stop and measure at half of it

    @property
    def outside(self) -> bool:
        """Whether the length is a target outside its limits."""
        if self.length_mm is None or self.limits_mm is None:
            return False
        low, high = self.limits_mm
        return not low - NOTHING_MM <= self.length_mm <= high + NOTHING_MM


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a table over the strings."""

    label: Sentence
    cells: tuple[Cell, ...] = ()  # one for each column; none for a line to write in or a check
    kind: Literal["amounts", "write", "check"] = "amounts"  # figures, empty boxes, or `sentences`
    sentences: tuple[Sentence, ...] = ()  # what to check, over the full width


@dataclass(frozen=True, slots=True)
class Target:
    """One reading to take and write down: what and where, what it should be [mm], its limits."""

    name: Sentence
    length_mm: float
    limits: Sentence | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the work: what to do, how, and what to read before going on."""

    heading: Sentence
    sentences: tuple[Sentence, ...]
    rows: tuple[Row, ...] = ()  # a table over the strings
    targets: tuple[Target, ...] = ()


@dataclass(frozen=True, slots=True)
class Banner:
    """What this sheet asks for, in one look, and what it rests on."""

    tone: Tone
    headline: Sentence
    sentences: tuple[Sentence, ...]


@dataclass(frozen=True, slots=True)
class Column:
    """The head of a table column."""

    string: int  # its number
    name: str  # pitch
    gauge_mm: float  # diameter
    side: str  # "treble", "bass" or "bass side" for the outer strings, else empty


@dataclass(frozen=True, slots=True)
class BenchSheet:
    """Everything that the bench sheet says, in the order in which it says it.

    Parameters
    ----------
    serial, model, kind
        Which instrument.
    code
        The plan's code, which finds the job again.
    facts
        Pairs of label and value.
    banner
        What the sheet asks for.
    notes
        What has to be known before the first step.
    cautions
        What can hurt.
    columns
        Heads of every table, as the strings lie.
    steps
        The work in order; empty if there is nothing to do.
    after
        What to read when the work is done, or at once if there is none.
    preview
        Work that is planned so far and not to be done from this sheet.
    """

    serial: str
    model: str
    kind: str
    code: str
    facts: tuple[tuple[str, Sentence], ...]
    banner: Banner
    notes: tuple[Note, ...]
    cautions: tuple[Caution, ...]
    columns: tuple[Column, ...]
    steps: tuple[Step, ...]
    after: Step
    preview: tuple[Step, ...]
