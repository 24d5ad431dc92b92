"""Gates about settings, strings and the sheet as a whole.

Thresholds are our judgement, set on invented necks; no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from evenfall.arrays import FloatArray, numbered
from evenfall.errors import At, Finding
from evenfall.instrument.specification import Limit
from evenfall.instrument.unusual import unlikely_strings
from evenfall.measurement.scanned import unsettled_numbers
from evenfall.wording import span

if TYPE_CHECKING:
    from evenfall.gates.seen import Seen

LINE_ACTION_MM, USUAL_ACTION_MM = 0.40, 1.7
"""The action of one string is off the line through the others by this, at a usual action; more in
proportion where more is asked for."""
LINE_GAP_MM, USUAL_GAP_MM = 0.25, 0.40
"""The same of the first-fret gap."""
OUTER_FACTOR, OUTER_FACTOR_OF_FOUR = 1.3, 1.8
"""An outer string is compared with a line that does not reach it."""
DOUBTFUL_SHARE = 0.3
"""The action of a string that is off by so much of that is worth a reading by hand."""
LINE_COURSES, MANY_COURSES = 4, 5
COURSE_ACTION_MM, COURSE_GAP_MM = 0.30, 0.20
"""Strings of one course differ by this in action, and in first-fret gap, each measured from what is
asked of it: they share a saddle, so less than between courses, and whatever is asked for."""

ACTION_LEAST, ACTION_MOST, ACTION_MORE_MM = 0.35, 2.5, 0.3
"""Reasonable actions, as shares of what is asked for, and so much more."""
GAP_LEAST, GAP_MOST, GAP_MORE_MM = -1.0, 4.0, 0.3
RELIEF_LEAST_MM, RELIEF_MOST_MM, RELIEF_MOST = -0.10, 0.8, 3.0
"""Reasonable reliefs, and the largest as a share of its upper limit."""

ORDER_ASKED_MM = 0.15
"""The asked actions slope when they differ by more than this."""
ORDER_MM, ORDER_SHARE, ORDER_U = 0.10, 0.25, 3.0

COARSE_U_MM = 0.03
"""Readings coarser than this cannot tell a high fret from a level one."""


class _Gap(NamedTuple):
    """A gap that is asked for under every string."""

    text: str
    gap_mm: FloatArray
    asked: tuple[Limit, ...]
    fret: int
    tolerance_mm: float
    usual_mm: float
    course_mm: float
    reason: tuple[float, float, float]

    @property
    def asked_mm(self) -> FloatArray:
        """What is asked for, (K,)."""
        return np.array([limit.value_mm for limit in self.asked])


_ACTION, _FIRST = "action", "first-fret gap"


def _gaps(seen: Seen) -> tuple[_Gap, _Gap]:
    target, reference = seen.specification.target, seen.specification.scale.reference_fret
    return (
        _Gap(
            _ACTION,
            seen.gap_mm[:, reference - 1],
            target.action,
            reference,
            LINE_ACTION_MM,
            USUAL_ACTION_MM,
            COURSE_ACTION_MM,
            (ACTION_LEAST, ACTION_MOST, ACTION_MORE_MM),
        ),
        _Gap(
            _FIRST,
            seen.gap_mm[:, 0],
            target.first_fret_gap,
            1,
            LINE_GAP_MM,
            USUAL_GAP_MM,
            COURSE_GAP_MM,
            (GAP_LEAST, GAP_MOST, GAP_MORE_MM),
        ),
    )


def out_of_line(seen: Seen) -> Iterator[Finding]:
    """Yield the string whose action, or first-fret gap, is out of line with the others'.

    Where strings lie in courses: or those of one course that differ among themselves.
    """
    for gap in _gaps(seen):
        off, share = _off_line(seen, gap)
        worst = int(np.argmax(share))
        if share[worst] > 1.0:
            what = {
                _ACTION: "The action of string {string} at fret {fret} is {value:length}, "
                "{off:length} {side} the line through the other strings. Read that string's "
                "saddle, and its action by hand.",
                _FIRST: "The first-fret gap of string {string} is {value:length}, {off:length} "
                "{side} the line through the other strings. Read the {nut} under that string "
                "again.",
            }[gap.text]
            yield Finding(
                "out-of-line",
                what,
                At(frets=(gap.fret,), strings=(worst + 1,)),
                string=worst + 1,
                fret=gap.fret,
                value=float(gap.gap_mm[worst]),
                off=abs(float(off[worst])),
                side="over" if off[worst] > 0.0 else "under",
                nut=seen.specification.board.string_rest,
            )
            continue
        course, differ = _course_apart(seen, gap)
        if differ > gap.course_mm:
            what = {
                _ACTION: "Measured from what is asked of each, the actions of {on:strings}, which "
                "are one course, differ by {differ:length} at fret {fret}. Read the saddle under "
                "each of them, and each action by hand.",
                _FIRST: "Measured from what is asked of each, the first-fret gaps of {on:strings}, "
                "which are one course, differ by {differ:length}. Read the {nut} under each of "
                "them again.",
            }[gap.text]
            yield Finding(
                "out-of-line",
                what,
                At(frets=(gap.fret,), strings=course),
                on=course,
                fret=gap.fret,
                differ=differ,
                nut=seen.specification.board.string_rest,
            )


def action_in_doubt(seen: Seen) -> tuple[int, ...]:
    """Return the strings whose action stands so far out of line that a second look tells most.

    One, or a whole course whose strings differ: by the heights alone any of them may be the one.
    """
    gap = _gaps(seen)[0]
    share = _off_line(seen, gap)[1]
    worst = int(np.argmax(share))
    course, differ = _course_apart(seen, gap)
    if max(share[worst], differ / gap.course_mm) <= DOUBTFUL_SHARE:
        return ()
    return course if differ / gap.course_mm > share[worst] else (worst + 1,)


def _off_line(seen: Seen, gap: _Gap) -> tuple[FloatArray, FloatArray]:
    """Return how far each gap is off the line through the others [mm], and as a share of the most.

    Of strings in courses, the line through the other courses. Both (K,); 0 where a gap is not
    known, and where the others are too few for a line.
    """
    off = gap.gap_mm - gap.asked_mm
    per_course = seen.specification.strings_per_course
    courses = off.reshape(-1, per_course)
    if not np.isfinite(off).all() or len(courses) < LINE_COURSES:
        return np.zeros_like(off), np.zeros_like(off)
    mean = courses.mean(axis=1)
    own = (courses - mean[:, None]).ravel()
    tolerance = gap.tolerance_mm * np.maximum(1.0, gap.asked_mm / gap.usual_mm)
    misfit = own + np.repeat(_off_the_others(mean), per_course)
    return misfit, np.abs(misfit) / tolerance


def _course_apart(seen: Seen, gap: _Gap) -> tuple[tuple[int, ...], float]:
    """Return the strings of the course that differs most in itself, and by how much [mm]."""
    per_course = seen.specification.strings_per_course
    courses = (gap.gap_mm - gap.asked_mm).reshape(-1, per_course)
    if not np.isfinite(courses).all():
        return (), 0.0
    differ = np.ptp(courses, axis=1)
    worst = int(np.argmax(differ))
    first = worst * per_course + 1
    return tuple(range(first, first + per_course)), float(differ[worst])


def _off_the_others(value: FloatArray) -> FloatArray:
    """Return how far each value is off the line through the others, less for the outer two."""
    count = len(value)
    line = np.linalg.qr(np.stack([np.ones(count), np.arange(count)], axis=1))[0]
    # off the line through all, over the share of it that a value does not pull along itself
    off = np.asarray((value - line @ (value @ line)) / (1.0 - np.square(line).sum(axis=1)))
    off[[0, -1]] /= OUTER_FACTOR if count >= MANY_COURSES else OUTER_FACTOR_OF_FOUR
    return off


def out_of_reason(seen: Seen) -> Iterator[Finding]:
    """Yield settings so far from what is asked for that the reading must be checked."""
    texts = {
        _ACTION: "The action at fret {fret} comes out as {found} on {on:strings}, where {asked} "
        "is asked for. Read it by hand; check sign, unit and datum of nut and saddle.",
        _FIRST: "The first-fret gap comes out as {found} on {on:strings}, where {asked} is asked "
        "for. Read the {nut} under "
        "{on:plural it|each of them} again.",
    }
    for gap in _gaps(seen):
        low, high, more = gap.reason
        with np.errstate(invalid="ignore"):
            wrong = (gap.gap_mm < low * gap.asked_mm) | (gap.gap_mm > high * gap.asked_mm + more)
        if wrong.any():
            strings = numbered(wrong)
            yield Finding(
                "out-of-reason",
                texts[gap.text],
                At(frets=(gap.fret,), strings=strings),
                fret=gap.fret,
                on=strings,
                found=span(gap.gap_mm[wrong]),
                asked=span(gap.asked_mm[wrong]),
                nut=seen.specification.board.string_rest,
            )
    if seen.level is None or any(one.quantity == "relief" for one in seen.measurement.direct):
        return
    relief, limit = seen.level.relief_mm, seen.specification.target.relief
    if not RELIEF_LEAST_MM <= relief <= max(RELIEF_MOST_MM, RELIEF_MOST * limit.maximum_mm):
        yield Finding(
            "out-of-reason",
            "By the heights the relief is {relief:length+}, where {least:figure} to {most:length} "
            "is asked for. Lay a straightedge on the frets and add a row relief to the sheet.",
            relief=relief,
            least=limit.minimum_mm,
            most=limit.maximum_mm,
        )


def order(seen: Seen) -> Iterator[Finding]:
    """Yield a finding where the strings, or their actions, are in the opposite order."""
    first, last = seen.specification.strings[0], seen.specification.strings[-1]
    if first.frequency_hz < last.frequency_hz and not seen.specification.reentrant:
        yield Finding(
            "order",
            "String 1 is tuned under string {last}, as if the strings were numbered from the bass "
            "side. String 1 is the treble string: correct the specification, and the sheet if it "
            "is numbered so too.",
            last=last.number,
        )
    gap = _gaps(seen)[0]
    asked, found, count = gap.asked_mm, gap.gap_mm, len(gap.gap_mm)
    if abs(asked[0] - asked[-1]) <= ORDER_ASKED_MM or not np.isfinite(found).all():
        return
    place = np.linspace(-0.5, 0.5, count)
    weights = place / (place @ place)
    wanted, slope = float(weights @ asked), float(weights @ found)
    weighted = np.zeros_like(seen.measurement.heights.height_mm)
    for k, weight in enumerate(weights):
        weighted[k] = weight * seen.gap_weights[k, gap.fret - 1]
    u = float(seen.measurement.heights.u_mm(weighted))
    least = max(ORDER_MM, ORDER_SHARE * abs(wanted) + ORDER_U * u)
    if slope * wanted < 0.0 and abs(slope) > least:
        yield Finding(
            "order",
            "From string 1 to string {last} the action changes by {slope:length+}, where "
            "{wanted:length+} is asked for, as if the strings had been read in the opposite "
            "order. String 1 is the treble string; check a string by its pitch.",
            At(frets=(gap.fret,)),
            last=count,
            slope=slope,
            wanted=wanted,
        )


def tension(seen: Seen) -> Iterator[Finding]:
    """Yield strings as specified that would be at a tension that no such string has."""
    return unlikely_strings(seen.specification.strings, "tension")


def numbering(seen: Seen) -> Iterator[Finding]:
    """Yield that a scan leaves open which fret is the first."""
    scanned = seen.measurement.scanned
    if scanned is None or not scanned.numbering_open:
        return
    yield unsettled_numbers(scanned.scale_mm)


def coarse(seen: Seen) -> Iterator[Finding]:
    """Yield a finding where the readings cannot tell a high fret from a level one."""
    if seen.usual_u_mm > COARSE_U_MM:
        yield Finding(
            "coarse",
            "The crown tops have a standard uncertainty of {u:uncertainty} (median), too coarse "
            "to tell a high fret from a level one: over {most:length}, no metal comes off. Read "
            "with a finer gauge, or several times.",
            u=seen.usual_u_mm,
            most=COARSE_U_MM,
        )


def unstrung(seen: Seen) -> Iterator[Finding]:
    """Yield a finding where the strings were not at pitch."""
    if not seen.measurement.strung:
        yield Finding(
            "unstrung",
            "The readings were taken without string tension, and the strings bow the neck. Read "
            "again strung to pitch, or convert the readings to playing tension ({door_convert}).",
        )
