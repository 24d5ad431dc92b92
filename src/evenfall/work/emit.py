"""Writes tool paths as a program in the words of ISO 6983-1, as RS274/NGC controllers take them.

The bytes follow from the tool paths alone: no date, no name of a computer. Coordinates stand with
the digits that the controller takes; the tool paths are whole digits already, so nothing is rounded
here. Every program says in its header what it is for, and ends with a message of its own, so that
whoever waits for its end knows this one from another that stopped.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

from evenfall.errors import Progress, RequestError, silent
from evenfall.units import MINUS, MM_PER_INCH
from evenfall.wording import Sentence, Value, plain_line, say, sentence
from evenfall.work.toolpath import Pass, seconds

if TYPE_CHECKING:
    from evenfall.work.crown_lines import StringState
    from evenfall.work.descriptions import Cutter, Fixture, Machine

LONGEST_COMMENT = 90
_PLAIN = {
    "µ": "u",
    "±": "+-",
    MINUS: "-",
    "–": "-",
    "…": "...",
    "°": " degrees",
    "·": ".",
    "×": "x",
}


@dataclass(frozen=True, slots=True)
class Header:
    """What a program says of itself."""

    instrument: str
    plan_code: str  # code of the plan that it carries out
    state: StringState  # state of the strings that its heights are for
    material: str  # what the frets are made of
    heights: Sentence  # how its heights came about
    # where X, Y and Z have to read when the cutter's tip stands at three named places: what, X, Y,
    # Z [mm]
    places_mm: tuple[tuple[Sentence, float, float, float], ...]
    cautions: tuple[tuple[str, Sentence], ...]  # what can hurt: topic and what to do
    safe_z_mm: float  # where rapids go over the instrument
    lift_mm: float = 0.0  # of the whole program, for a dry run; 0 for the cut
    cuts: tuple[str, ...] = ("frets",)  # what is cut: frets, fret ends, nut, saddle


def emit(
    passes: Sequence[Pass],
    header: Header,
    machine: Machine,
    fixture: Fixture | None = None,
    progress: Progress = silent,
) -> str:
    """Return a program for a machine, with its tool paths in the order given."""
    writer = _Writer(machine, header)
    for line in _head(passes, header, machine, fixture):
        writer.comment(line)
    writer.block(
        f"{'G20' if machine.unit == 'in' else 'G21'} G17 G90 G94 {machine.work_offset} G40 G49 "
        f"{writer.rounding}"
    )
    if machine.start:
        writer.block(machine.start)
    writer.safe()
    done = 0
    for cutter, group in groupby(passes, key=lambda one: one.cutter):
        writer.tool(cutter, machine)
        for one in group:
            progress("Writing the program", done / len(passes))
            done += 1
            writer.cut(one)
        writer.block("M5")
        for word in dict.fromkeys(w for w in (machine.dust_off, machine.coolant_off) if w):
            writer.block(word)
    if machine.end:
        writer.block(machine.end)
    writer.block(f"(MSG, end of program {header.plan_code}: all passes done)")
    writer.block("M2")
    text = writer.text()
    lines = text.count("\n")
    if machine.most_lines is not None and lines > machine.most_lines:
        raise RequestError(
            "The program has {lines} lines, and the controller takes {most}; cut fewer frets at a "
            "time, or take a wheel.",
            lines=lines,
            most=machine.most_lines,
        )
    return text


class _Writer:
    """A program, line after line, in the unit and digits of its machine."""

    def __init__(self, machine: Machine, header: Header) -> None:
        self.machine = machine
        self.lines: list[str] = ["%"]
        self.per_mm = 1.0 / MM_PER_INCH if machine.unit == "in" else 1.0
        digit = machine.digit_mm
        self.lift_mm = math.ceil(header.lift_mm / digit - 1e-9) * digit
        self.safe_mm = math.ceil(header.safe_z_mm / digit - 1e-9) * digit + self.lift_mm
        # Q0: short moves along a crown are not to be drawn together, or chords would cut deeper
        self.rounding = f"G64 P{self.number_text(machine.path_tolerance_mm)} Q0"
        self.numbered = 0
        self.feed = ""
        self.speed_hz = 0.0

    def text(self) -> str:
        return "\n".join([*self.lines, "%", ""])

    def block(self, words: str) -> None:
        if self.machine.line_numbers:
            self.numbered = self.numbered % 99_990 + 10
            words = f"N{self.numbered} {words}"
        self.lines.append(words)

    def comment(self, said: str) -> None:
        self.lines.append(f"({plain_ascii(said)})" if said else "()")

    def number_text(self, length_mm: float) -> str:
        """Return a length in the unit of the machine, whole digits, without a negative zero."""
        places = self.machine.decimals
        whole = round(length_mm * self.per_mm * 10**places)
        return f"{whole / 10**places:.{places}f}"

    def feed_text(self, feed_mm_per_s: float) -> str:
        """Return a feed a minute, rounded down to its digits."""
        places = 1 if self.machine.unit == "mm" else 2
        whole = math.floor(60.0 * feed_mm_per_s * self.per_mm * 10**places + 1e-6)
        return f"{max(whole, 1) / 10**places:.{places}f}"

    def safe(self) -> None:
        """Go up to the safe height."""
        self.block(f"G0 Z{self.number_text(self.safe_mm)}")

    def tool(self, cutter: Cutter, machine: Machine) -> None:
        self.comment(f"cutter T{cutter.number}: {cutter.name}")
        if machine.tool_change == "by hand":
            self.block("M5")
            self.block(f"(MSG, change to cutter T{cutter.number}, {plain_ascii(cutter.name)})")
        self.block(f"T{cutter.number} M6")
        self.feed, self.speed_hz = "", 0.0

    def feed_move(self, words: str, feed_mm_per_s: float) -> None:
        feed = self.feed_text(feed_mm_per_s)
        self.block(f"G1 {words}" + (f" F{feed}" if feed != self.feed else ""))
        self.feed = feed

    def cut(self, one: Pass) -> None:
        x, y, z = self.number_text, self.number_text, self.lifted
        first = one.points_mm[0]
        self.comment(say(one.said))
        self.spin(one)
        # it comes down, and goes up, exactly where it is meant to; along the crown it may round
        self.block("G61")
        self.block(f"G0 X{x(first[0])} Y{y(first[1])}")
        self.feed_move(f"Z{z(one.approach_z_mm)}", self.machine.most_feed_mm_per_s)
        self.feed_move(f"Z{z(first[2])}", self.machine.plunge_feed_mm_per_s)
        self.block(self.rounding)
        before = (x(first[0]), y(first[1]), z(first[2]))
        last = len(one.points_mm) - 1
        for number, point in enumerate(one.points_mm[1:], start=1):
            if number == last:
                self.block("G61")
            here = (x(point[0]), y(point[1]), z(point[2]))
            words = " ".join(
                f"{axis}{new}"
                for axis, new, old in zip("XYZ", here, before, strict=True)
                if new != old
            )
            if words:
                self.feed_move(words, one.feed_mm_per_s)
            before = here
        self.feed_move(f"Z{z(one.approach_z_mm)}", self.machine.most_feed_mm_per_s)
        self.safe()

    def spin(self, one: Pass) -> None:
        """Start the spindle, or bring it to another speed; extraction first."""
        if one.speed_hz == self.speed_hz:
            return
        if not self.speed_hz:
            for word in (self.machine.dust_on, self.machine.coolant_on):
                if word:
                    self.block(word)
        self.speed_hz = one.speed_hz
        self.block(f"S{60.0 * one.speed_hz:.0f} M3")
        self.block(f"G4 P{self.machine.spin_up_s:.1f}")

    def lifted(self, z_mm: float) -> str:
        return self.number_text(z_mm + self.lift_mm)


def _head(
    passes: Sequence[Pass], header: Header, machine: Machine, fixture: Fixture | None
) -> Iterator[str]:
    """Yield what the header says, a line each."""
    unit = machine.unit

    def words(text: str, **values: Value) -> Iterable[str]:
        return _lines(say(sentence(text, **values), unit))

    yield from _lines(f"instrument: {header.instrument}")
    yield f"plan: {header.plan_code}"
    yield f"state: {header.state}"
    yield f"material: {header.material}"
    yield f"cuts: {', '.join(header.cuts)}"
    yield from _lines(f"machine: {machine.name}")
    yield f"unit: {unit}"
    yield f"work offset: {machine.work_offset}"
    if fixture is not None:
        yield from _lines(f"fixture: {fixture.name}")
    if header.lift_mm > 0.0:
        text = "lift: {lift:length} over the work, a dry run that cuts nothing"
        yield from words(text, lift=header.lift_mm)
    for cutter in dict.fromkeys(one.cutter for one in passes):
        text = "cutter T{n}: {name}, {shape}, diameter {diameter:length}"
        named: dict[str, Value] = {"n": cutter.number, "name": cutter.name, "shape": cutter.shape}
        yield from words(text, **named, diameter=cutter.diameter_mm)
    minutes = seconds(passes, machine) / 60.0
    text = "passes: {count}, about {minutes:.0f} min by the machine's acceleration"
    yield from words(text, count=len(passes), minutes=math.ceil(minutes))
    yield from _lines(say(header.heights, unit))
    yield "Z is that of the cutter's lowest place; of a wheel, of the bottom of its groove"
    for what, x, y, z in header.places_mm:
        text = "{what}: X {x:figure}, Y {y:figure}, Z {z:length}"
        yield from words(text, what=what, x=x, y=y, z=z)
    yield "CAUTIONS"
    for topic, said in header.cautions:
        yield from _lines(f"{topic}. {say(said, unit)}")


def _lines(told: str) -> Iterator[str]:
    """Yield a sentence as comments of a bounded length.

    A line that goes on begins with a dash, so that no word in it is taken for a label.
    """
    line = ""
    for word in plain_line(told).split():
        if line and len(line) + 1 + len(word) > LONGEST_COMMENT:
            yield line
            line = "-"
        line = f"{line} {word}" if line else word[:LONGEST_COMMENT]
    if line:
        yield line


def plain_ascii(said: str) -> str:
    """Return text as a comment may hold it: ASCII, on one line, no brackets or semicolons."""
    for letter, plain in _PLAIN.items():
        said = said.replace(letter, plain)
    flat = unicodedata.normalize("NFKD", plain_line(said)).encode("ascii", "ignore").decode()
    for letter, plain in (("(", "- "), (")", " -"), (";", ","), ("%", "percent"), ("#", "no. ")):
        flat = flat.replace(letter, plain)
    return " ".join(flat.split())
