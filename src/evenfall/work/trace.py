"""Reads a machine program back into moves, whoever wrote or edited it.

What is read is the common core of ISO 6983-1 words as RS274/NGC has them [1]_: straight moves and
arcs, absolute and incremental, in mm and inches, work offsets, feeds, spindle and tool changes,
comments and messages. What could hide a move from the reader (subprograms, loops, parameters,
canned cycles, shifts of the zero, cutter compensation, moves in machine coordinates) is refused in
one sentence with its line. Nothing here knows how a program is written by `evenfall.work.emit`.

.. [1] T. R. Kramer, F. M. Proctor, E. Messina, "The NIST RS274/NGC Interpreter - Version 3",
   NISTIR 6556 (2000): sections 3.3 to 3.8, modal groups in table 4, order of execution in table 8.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NoReturn

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, IntArray, shut
from evenfall.errors import At, Finding, ProgramError, Progress, silent
from evenfall.units import MM_PER_INCH, LengthUnit
from evenfall.wording import Sentence, Value, sentence

CHORD_MM = 0.0005
"""How far a chord may lie off the arc that it stands for [mm]."""

ARC_RADIUS_MM = 0.005
"""How far the two radii of an arc may differ [mm]."""

MOST_MOVES = 500_000
"""Some five times what all frets of a neck take in lanes; arcs count by their short moves."""

AT_WORK_MM = 0.5
"""From so far over the highest place down a cutter may touch [mm]."""

LONGEST_BLOCK = 255
"""Characters of a block at most, as the interpreter of [1] takes them."""

_STRAIGHT = re.compile(
    r"(?:N(\d{1,5}))?(?:G0?([01]))?(?:X(-?\d*\.?\d+))?(?:Y(-?\d*\.?\d+))?(?:Z(-?\d*\.?\d+))?"
    r"(?:F(\d*\.?\d+))?"
)
_AXES = re.compile(r"[^(;]*[XYZ]", re.IGNORECASE)
_END = re.compile(r"M0*(2|30)(?!\d)", re.IGNORECASE)
_WORD = re.compile(r"([A-Z])([+-]?(?:\d+\.?\d*|\.\d+))")
_COMMENT = re.compile(r"\(([^()]*)\)")
_REPEATED = "GM"

_MOTION = ("G0", "G1", "G2", "G3", "G80")
#: Modal group of each word that is read (NISTIR 6556, table 4).
_GROUPS: dict[str, str] = {
    **dict.fromkeys(_MOTION, "motion"),
    **dict.fromkeys(("G17", "G18", "G19"), "plane"),
    **dict.fromkeys(("G90", "G91"), "distance"),
    **dict.fromkeys(("G90.1", "G91.1"), "arc distance"),
    **dict.fromkeys(("G93", "G94", "G95"), "feed mode"),
    **dict.fromkeys(("G20", "G21"), "units"),
    "G40": "cutter radius",
    "G49": "tool length",
    **dict.fromkeys(("G54", "G55", "G56", "G57", "G58", "G59"), "work offset"),
    **dict.fromkeys(("G61", "G61.1", "G64"), "path control"),
    "G4": "dwell",
    **dict.fromkeys(("M0", "M1", "M2", "M30", "M60"), "stopping"),
    **dict.fromkeys(("M3", "M4", "M5"), "spindle"),
    "M6": "tool change",
    **dict.fromkeys(("M48", "M49"), "overrides"),
    **dict.fromkeys(("M7", "M8", "M9"), "coolant"),
}
_REFUSED: dict[str, Sentence] = {
    **dict.fromkeys(("G41", "G41.1", "G42", "G42.1"), sentence("cutter radius compensation")),
    **dict.fromkeys(("G10", "G52", "G92", "G92.1", "G92.2", "G92.3"), sentence("a shifted zero")),
    # a length in the controller's table would shift every height, and no one reading this knows it
    **dict.fromkeys(("G43", "G43.1", "G43.2"), sentence("a tool length offset")),
    **dict.fromkeys(("G28", "G30", "G53"), sentence("a move in machine coordinates")),
    **dict.fromkeys((f"G{n}" for n in (73, 76, *range(81, 90))), sentence("a canned cycle")),
    **dict.fromkeys(("G38.2", "G38.3", "G38.4", "G38.5"), sentence("probing")),
    **dict.fromkeys(("M98", "M99"), sentence("a subprogram")),
}
#: Groups that every program has to name, with the words to choose from.
_TO_STATE = (
    *("units", "distance", "feed mode", "plane", "path control"),
    *("cutter radius", "tool length", "work offset"),
)
_Point = tuple[float, float]  # in the plane of an arc [mm]
_PLANES = {"G17": (0, 1, 2, "IJ"), "G18": (2, 0, 1, "KI"), "G19": (1, 2, 0, "JK")}


@dataclass(frozen=True, slots=True)
class Event:
    """A word that moves no axis: M3 to M9, a dwell or a stop."""

    word: str
    line: int
    move: int  # how many moves stand before it
    wait_s: float = 0.0  # of a dwell


@dataclass(frozen=True, slots=True, eq=False)
class Traced:
    """The moves of a program in work coordinates, N of them; an arc is many short ones."""

    line: IntArray  # line of the program that each move stands on, counted from 1, shape (N,)
    rapid: BoolArray  # which moves are rapids, shape (N,)
    # where each begins and ends; a coordinate that no block has named yet begins where it ends,
    # shape (N, 3)
    start_mm: FloatArray
    end_mm: FloatArray
    feed_mm_per_s: FloatArray  # NaN for rapids, shape (N,)
    speed_hz: FloatArray  # of the spindle, 0 where it stands, shape (N,)
    tool: IntArray  # number of the cutter in the spindle, 0 before the first change, shape (N,)
    arc: BoolArray  # which moves belong to arcs, shape (N,)
    # how far the controller may stray to round a corner of each move: 0 for exact paths (G61),
    # infinite where no tolerance is named, NaN where the program says nothing of it, shape (N,)
    blend_mm: FloatArray
    # line of the first G64 that does not say (Q) how far short moves may be drawn together into
    # one, which is then its P; 0 where there is none
    drawn_line: int
    # modal groups that no block has named before the first move, or before the first arc by its
    # centre: what holds of them hangs on what ran before
    unstated: tuple[str, ...]
    # line of the first move along X or Y that begins at a height that no block has named; 0 where
    # there is none
    aside_line: int
    unit: LengthUnit  # unit of the program at its end
    # work offsets by their words, with the line that each was called on; empty if none was
    offsets: tuple[tuple[str, int], ...]
    tools: tuple[tuple[int, int], ...]  # tool changes: number and line
    messages: tuple[tuple[str, int], ...]  # messages to the operator, with the line of each
    comments: tuple[tuple[str, int], ...]  # comments, with the line of each
    # what is done between moves (spindle, coolant, dwells, stops), in the order of the program
    events: tuple[Event, ...]
    # line of the first words after the end, which are not run; 0 where there are none
    after_line: int
    end_line: int  # line of the end of the program; 0 where there is none
    line_count: int

    def __post_init__(self) -> None:
        shut(self)

    @property
    def step_mm(self) -> FloatArray:
        """From start to end of each move, shape (N, 3) [mm]."""
        return np.asarray(self.end_mm - self.start_mm)

    @property
    def length_mm(self) -> FloatArray:
        """Length of each move, shape (N,) [mm]."""
        return np.asarray(np.linalg.norm(self.step_mm, axis=1))

    @property
    def least_mm(self) -> FloatArray:
        """The lower end of each move on each axis, shape (N, 3) [mm]."""
        return np.minimum(self.start_mm, self.end_mm)

    @property
    def most_mm(self) -> FloatArray:
        """The upper end of each move on each axis, shape (N, 3) [mm]."""
        return np.maximum(self.start_mm, self.end_mm)

    def at_work(self, top_mm: float) -> BoolArray:
        """Return which moves are feeds that come so low that a cutter may touch, shape (N,)."""
        return np.asarray(~self.rapid & (self.least_mm[:, 2] < top_mm + AT_WORK_MM))


def trace(text: str, *, source: str = "", progress: Progress = silent) -> Traced:
    """Read a program into its moves.

    ProgramError with the first block that cannot be read, and its line.
    """
    lines = text.replace("\r\n", "\n").split("\n")
    if lines and not lines[-1]:
        lines.pop()
    reader = _Reader(source)
    reader.refuse_endless(lines)
    for number, line in enumerate(lines, start=1):
        if number % 2000 == 0:
            progress("Reading the program", number / len(lines))
        reader.block(line, number)
        if reader.end_line:
            break
    after = (n for n in range(reader.number + 1, len(lines) + 1) if _has_words(lines[n - 1]))
    return reader.traced(len(lines), next(after, 0))


def _has_words(line: str) -> bool:
    """Say whether a line is more than a comment, a mark of the tape or nothing."""
    return _COMMENT.sub("", line).partition(";")[0].strip() not in ("", "%")


def block_fault(block: str) -> Sentence | None:
    """Return why a single block would be refused, or None where it can be read."""
    try:
        _Reader("").block(block, 1)
    except ProgramError as error:
        return error.findings[0].said
    return None


def block_words(block: str) -> tuple[str, ...]:
    """Return the words of a block that can be read, such as `G80`."""
    reader = _Reader("")
    words = reader.words(reader.without_comments(block.strip()))
    return tuple(f"{letter}{value:g}" for letter, value in words)


class _Reader:
    """The state of a controller, block after block."""

    def __init__(self, source: str) -> None:
        self.source = source
        self.number = 0
        self.position = [0.0, 0.0, 0.0]
        self.known = [False, False, False]
        self.motion = ""
        self.plane = "G17"
        self.absolute = True
        self.arc_absolute = False
        self.feed_mode = "G94"
        self.per_unit_mm = 1.0
        self.feed = 0.0  # as written: a length per minute, per revolution, or one over minutes
        self.speed = 0.0  # as written, revolutions per minute
        self.turning = False
        self.selected = 0
        self.tool = 0
        self.percent_lines = 0
        self.end_line = 0
        self.offsets: list[tuple[str, int]] = []
        self.tools: list[tuple[int, int]] = []
        self.messages: list[tuple[str, int]] = []
        self.comments: list[tuple[str, int]] = []
        self.events: list[Event] = []
        self.moves: list[tuple[float, ...]] = []
        self.blend_mm = math.nan
        self.drawn_line = 0
        self.stated: set[str] = set()
        self.arcs_stated, self.arcs_open = False, False
        self.aside_line = 0

    def refuse(self, text: str, **values: Value) -> NoReturn:
        at = At(self.source, lines=(self.number,))
        raise ProgramError([Finding("program-block", text, at, "error", **values)])

    def refuse_endless(self, lines: list[str]) -> None:
        """Refuse a program of too many blocks with axis words before any of them is read."""
        moves = 0
        for number, line in enumerate(lines if len(lines) > MOST_MOVES else (), start=1):
            moves += _AXES.match(line) is not None
            if moves > MOST_MOVES:
                self.number = number
                self.refuse_moves()
            if "M" in line.upper() and _END.search(_COMMENT.sub("", line).replace(" ", "")):
                return
            if number > 1 and line.strip() == "%":
                return

    def refuse_moves(self) -> NoReturn:
        self.refuse("The program has over {most:g} moves; split it.", most=MOST_MOVES)

    # ---- one block ----------------------------------------------------------------------------

    def block(self, line: str, number: int) -> None:
        """Read one line."""
        self.number = number
        if len(line) > LONGEST_BLOCK:
            self.refuse("The block has over {most} characters; split it.", most=LONGEST_BLOCK)
        plain = _STRAIGHT.fullmatch(line.replace(" ", ""))
        if plain and line.strip():
            self.straight(plain)
        else:
            self.any_block(line)

    def straight(self, found: re.Match[str]) -> None:
        """Take a block of nothing but a straight move."""
        _, motion, *axes, feed = found.groups()
        if feed is not None:
            self.feed = float(feed)
        if motion is not None:
            self.motion = f"G{motion}"
        if any(axes):
            given = [None if a is None else float(a) for a in axes]
            self.move(given, {}, fed=feed is not None)

    def any_block(self, line: str) -> None:
        text = line.strip()
        if text == "%":
            self.percent_lines += 1
            if self.percent_lines > 1:
                self.end_line = self.number
            return
        words = self.words(self.without_comments(text))
        if words:
            self.carry_out(words)

    def without_comments(self, text: str) -> str:
        if not text.isascii():
            self.refuse(
                "{given:quoted} holds a letter that controllers do not take; use plain ASCII.",
                given=text,
            )
        if not text.replace("\t", " ").isprintable():
            self.refuse("The block holds a control character; remove it.")
        for comment in _COMMENT.findall(text):
            self.comment(comment)
        text = _COMMENT.sub("", text)
        code, semicolon, comment = text.partition(";")
        if semicolon:
            self.comment(comment)
        if "(" in code or ")" in code:
            self.refuse("A comment is not closed, or holds a bracket; correct it.")
        return "".join(code.split()).upper()

    def comment(self, comment: str) -> None:
        told = comment.strip()
        head, comma, message = told.partition(",")
        if comma and head.strip().upper() == "MSG":
            self.messages.append((message.strip(), self.number))
        elif comma and head.strip().upper() in ("DEBUG", "PRINT", "LOG", "LOGOPEN", "PY"):
            self.refuse("{given:quoted} is a command in a comment; remove it.", given=told)
        else:
            self.comments.append((told, self.number))

    def words(self, code: str) -> list[tuple[str, float]]:
        """Return the words of a block, or refuse what is none."""
        if not code:
            return []
        if code[0] == "/":
            self.refuse("The block may be skipped by a switch; remove the slash or the block.")
        if "#" in code or "[" in code or "=" in code:
            self.refuse(
                "Parameters and formulas are not read, since they could hide a move; write the "
                "number itself."
            )
        if code[0] == "O" or re.match(r"N\d+O", code):
            self.refuse("Subprograms and loops are not read; write their moves out.")
        found: list[tuple[str, float]] = []
        end = 0
        for word in _WORD.finditer(code):
            if word.start() != end:
                break
            found.append((word[1], float(word[2])))
            end = word.end()
        if end != len(code):
            self.refuse(
                "{given:quoted} is not a word with its number; correct it.", given=code[end:]
            )
        seen: set[str] = set()
        for place, (letter, value) in enumerate(found):
            if letter in seen and letter not in _REPEATED:
                self.refuse("The word {letter} stands twice; keep one.", letter=letter)
            seen.add(letter)
            if letter == "N" and (place or value < 0 or value != int(value) or value > 99_999):
                self.refuse("A line number (N) must be a whole number in front of the block.")
            if value < 0.0 and letter in "FSTPDHQ":
                self.refuse("{letter} must not be negative.", letter=letter)
            if letter in "TH" and value != int(value):
                self.refuse("{letter} must be a whole number.", letter=letter)
        return [word for word in found if word[0] != "N"]

    def carry_out(self, words: list[tuple[str, float]]) -> None:
        """Do what a block says, in the order of execution."""
        codes: dict[str, str] = {}
        for letter, value in words:
            if letter not in _REPEATED:
                continue
            code = f"{letter}{value:g}"
            if code in _REFUSED:
                what = _REFUSED[code]
                self.refuse("{word} ({what}) is not read; remove it.", word=code, what=what)
            group = _GROUPS.get(code)
            if group is None:
                self.refuse("{word} is not known; remove it or correct it.", word=code)
            if group in codes:
                text = "{one} and {other} cannot stand in one block; use two."
                self.refuse(text, one=codes[group], other=code)
            codes[group] = code
        given = {letter: value for letter, value in words if letter not in _REPEATED}
        self.unused(given, codes)
        mode = codes.get("feed mode", self.feed_mode)
        self.feed = given.get("F", self.feed if mode == self.feed_mode else 0.0)
        self.feed_mode = mode
        self.speed = given.get("S", self.speed)
        self.selected = int(given.get("T", self.selected))
        if not self.moves:
            self.stated |= codes.keys()
        if codes.keys() - {"motion"}:  # most blocks only move
            self.settle(codes, given)
        axes = [given.get(letter) for letter in "XYZ"]
        named = any(a is not None for a in axes)
        self.motion = codes.get("motion", self.motion)
        if named and self.motion in ("", "G80"):
            self.refuse("Axis words stand here without a motion word (G0, G1, G2 or G3); add it.")
        if named or ("motion" in codes and self.motion in ("G2", "G3")):
            self.move(axes, given, fed="F" in given)
        if codes.get("stopping") in ("M2", "M30"):
            self.end_line = self.number

    def settle(self, codes: dict[str, str], given: dict[str, float]) -> None:
        """Do what a block says besides moving, in the order of execution."""
        if "tool change" in codes:
            if not self.selected:
                self.refuse("M6 changes to no cutter; name it by its number (T) first.")
            self.tool, self.turning = self.selected, False
            self.tools.append((self.tool, self.number))
        if "spindle" in codes:
            self.turning = codes["spindle"] != "M5"
            if self.turning and not self.speed:
                text = "{word} starts the spindle without a speed (S); name one."
                self.refuse(text, word=codes["spindle"])
        if "dwell" in codes and "P" not in given:
            self.refuse("G4 waits for no time; name it in seconds (P).")
        self.note_events(codes, given.get("P", 0.0))
        self.plane = codes.get("plane", self.plane)
        if "units" in codes:
            before, self.per_unit_mm = (
                self.per_unit_mm,
                MM_PER_INCH if codes["units"] == "G20" else 1.0,
            )
            # a controller takes F before it changes the unit, and keeps the feed that it has
            if "F" in given or before != self.per_unit_mm:
                self.feed = 0.0
        if (word := codes.get("path control")) is not None:
            tolerance_mm = max(given.get("P", math.inf), given.get("Q", 0.0)) * self.per_unit_mm
            if word == "G64" and "Q" not in given and not self.drawn_line:
                self.drawn_line = self.number
            self.blend_mm = tolerance_mm if word == "G64" else 0.0
        if "work offset" in codes:
            self.offsets.append((codes["work offset"], self.number))
        self.absolute = codes.get("distance", "G90" if self.absolute else "G91") == "G90"
        if "arc distance" in codes:
            self.arc_absolute = codes["arc distance"] == "G90.1"
            self.arcs_stated = True

    def note_events(self, codes: dict[str, str], wait_s: float) -> None:
        """Note what a block does besides moving."""
        for group in ("tool change", "spindle", "coolant", "dwell", "overrides", "stopping"):
            if (word := codes.get(group)) is not None:
                waits = wait_s if group == "dwell" else 0.0
                self.events.append(Event(word, self.number, len(self.moves), waits))

    def unused(self, given: dict[str, float], codes: dict[str, str]) -> None:
        """Refuse words that nothing in the block uses."""
        motion = codes.get("motion", self.motion)
        allowed = set("FSTXYZ")
        if motion in ("G2", "G3"):
            allowed |= set("IJKRP")
        if "dwell" in codes:
            allowed.add("P")
        if codes.get("path control") == "G64":
            allowed |= set("PQ")
        for letter in given:
            if letter in "ABCUVW":
                self.refuse("{letter} is a fourth axis; only X, Y and Z are read.", letter=letter)
            if letter not in allowed:
                self.refuse("The word {letter} has no use in this block.", letter=letter)

    # ---- moves --------------------------------------------------------------------------------

    def move(self, axes: list[float | None], given: dict[str, float], *, fed: bool) -> None:
        motion = self.motion
        if motion in ("", "G80"):
            self.refuse("Axis words stand here without a motion word (G0, G1, G2 or G3); add it.")
        start, end = self.position, list(self.position)
        begins = list(start)
        aside = axes[0] is not None or axes[1] is not None
        if aside and not self.known[2] and not self.aside_line:
            self.aside_line = self.number
        for axis, value in enumerate(axes):
            if value is None:
                continue
            if not self.absolute and not self.known[axis]:
                self.refuse("An incremental move (G91) stands before the place it starts from.")
            there = value * self.per_unit_mm
            end[axis] = there if self.absolute else start[axis] + there
            if not self.known[axis]:
                begins[axis], self.known[axis] = end[axis], True
        rapid = motion == "G0"
        feed = math.nan
        if not rapid:
            feed = self.feed_mm_per_s(begins, end, fed=fed)
        speed = self.speed / 60.0 if self.turning else 0.0
        if motion in ("G2", "G3"):
            self.arc(begins, end, given, feed, speed)
        else:
            self.note(begins, end, feed, speed)
        self.position = end

    def note(self, start: list[float], end: list[float], feed: float, speed: float) -> None:
        if len(self.moves) == MOST_MOVES:
            self.refuse_moves()
        rapid, arc = self.motion == "G0", self.motion in ("G2", "G3")
        moved = (self.number, rapid, arc, *start, *end, feed, speed, self.tool, self.blend_mm)
        self.moves.append(moved)

    def feed_mm_per_s(self, start: list[float], end: list[float], *, fed: bool) -> float:
        """Return the feed of a move, refused where there is none."""
        if self.feed_mode == "G93" and not fed:
            self.refuse("With G93 every feed move needs its own F; add it.")
        if not self.feed:
            self.refuse("A feed move stands before any feed (F) in its unit; name one.")
        if self.feed_mode == "G93":
            return math.dist(start, end) * self.feed / 60.0
        if self.feed_mode == "G95":
            return self.feed * self.per_unit_mm * self.speed / 60.0
        return self.feed * self.per_unit_mm / 60.0

    def arc(
        self,
        start: list[float],
        end: list[float],
        given: dict[str, float],
        feed: float,
        speed: float,
    ) -> None:
        """Note an arc or helix as short moves on it."""
        first, second, along, letters = _PLANES[self.plane]
        wrong = set("IJK") - set(letters)
        if wrong & given.keys():
            text = "{letters:list} cannot stand in an arc of the plane {plane}."
            self.refuse(text, letters=sorted(wrong & given.keys()), plane=self.plane)
        if self.feed_mode == "G93":
            self.refuse("Arcs are not read with G93; give their feed a minute (G94).")
        if given.get("P", 1.0) != 1.0:
            self.refuse("Arcs of more than one turn are not read; write each turn.")
        a, b = (start[first], start[second]), (end[first], end[second])
        clockwise = self.motion == "G2"
        if "R" in given:
            if set(letters) & given.keys():
                self.refuse("An arc has either a radius (R) or a centre (I, J, K), not both.")
            centre = self.centre_by_radius(a, b, given["R"] * self.per_unit_mm, clockwise)
        elif set(letters) & given.keys():
            u, v = (given.get(letter, 0.0) * self.per_unit_mm for letter in letters)
            centre = (u, v) if self.arc_absolute else (a[0] + u, a[1] + v)
            self.arcs_open |= not self.arcs_stated
        else:
            self.refuse("The arc has neither a centre (I, J, K) nor a radius (R); add one.")
        radius, other = math.dist(a, centre), math.dist(b, centre)
        if radius < 1e-9 or abs(radius - other) > ARC_RADIUS_MM:
            text = "The arc begins {one:length} from its centre and ends {two:length} from it."
            self.refuse(text, one=radius, two=other)
        begin = math.atan2(a[1] - centre[1], a[0] - centre[0])
        sweep = math.atan2(b[1] - centre[1], b[0] - centre[0]) - begin
        whole = 2.0 * math.pi
        sweep = (sweep % whole) or whole
        if sweep > whole - 1e-9:
            sweep = whole
        sweep = sweep - whole if clockwise and sweep < whole else (-whole if clockwise else sweep)
        step = 2.0 * math.acos(max(0.0, 1.0 - CHORD_MM / radius))
        count = max(2, math.ceil(abs(sweep) / max(step, 1e-3)))
        before = start
        for n in range(1, count + 1):
            there = list(end)
            if n < count:
                angle = begin + sweep * n / count
                there[first] = centre[0] + radius * math.cos(angle)
                there[second] = centre[1] + radius * math.sin(angle)
                there[along] = start[along] + (end[along] - start[along]) * n / count
            self.note(before, there, feed, speed)
            before = there

    def centre_by_radius(
        self, start: _Point, end: _Point, radius_mm: float, clockwise: bool
    ) -> _Point:
        """Return the centre of an arc that is given by its radius, negative for the longer way."""
        x, y = end[0] - start[0], end[1] - start[1]
        half = 0.5 * math.hypot(x, y)
        if half < 1e-9:
            self.refuse("An arc by its radius must end elsewhere than it begins.")
        if half > abs(radius_mm) + ARC_RADIUS_MM:
            self.refuse("The radius of the arc is too small to reach its end.")
        height = math.sqrt(max(0.0, radius_mm**2 - half**2))
        aside = height / (-2.0 * half if clockwise == (radius_mm > 0.0) else 2.0 * half)
        return 0.5 * (start[0] + end[0]) - aside * y, 0.5 * (start[1] + end[1]) + aside * x

    # ---- what it came to ----------------------------------------------------------------------

    def traced(self, line_count: int, after_line: int) -> Traced:
        self.number = max(line_count, 1)
        if not self.end_line:
            self.refuse(
                "The program has no end (M2 or M30): it was cut short; write or copy it again."
            )
        table = np.array(self.moves, dtype=float).reshape(-1, 13)
        return Traced(
            line=table[:, 0].astype(np.int64),
            rapid=table[:, 1] > 0.0,
            start_mm=table[:, 3:6],
            end_mm=table[:, 6:9],
            feed_mm_per_s=table[:, 9],
            speed_hz=table[:, 10],
            tool=table[:, 11].astype(np.int64),
            arc=table[:, 2] > 0.0,
            blend_mm=table[:, 12],
            drawn_line=self.drawn_line,
            unstated=(
                *(one for one in _TO_STATE if one not in self.stated),
                *(("arc distance",) if self.arcs_open else ()),
            ),
            aside_line=self.aside_line,
            unit="in" if self.per_unit_mm > 1.0 else "mm",
            offsets=tuple(self.offsets),
            tools=tuple(self.tools),
            messages=tuple(self.messages),
            comments=tuple(self.comments),
            events=tuple(self.events),
            after_line=after_line,
            end_line=self.end_line,
            line_count=line_count,
        )


def noted(traced: Traced, word: str) -> Iterator[tuple[str, int]]:
    """Yield what comments such as `state: strung` say of a word, each with its line."""
    for comment, line in traced.comments:
        head, colon, told = comment.partition(":")
        if colon and head.strip().lower() == word:
            yield told.strip(), line
