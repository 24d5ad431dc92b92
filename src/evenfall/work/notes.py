"""What has to be known before the first step: readings to check, what is not certain, what is left.

A sheet that only gives figures hides what they rest on. Notes come in the order in which they can
stop the work; `waits` marks those that do.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from evenfall.gates import unmet
from evenfall.instrument import Specification
from evenfall.measurement import Measurement
from evenfall.measurement.heights import Origin
from evenfall.neck.drawn_line import LEAST_U_MM
from evenfall.plan import Plan
from evenfall.plan.limits import Miss, Setting
from evenfall.plan.ranges import LEAST_SHOWN_MM
from evenfall.sheets.readings import GAUGE_ROUTE
from evenfall.wording import Sentence, sentence

COARSE_U_MM = 0.01
"""Over this uncertainty of a crown a feeler leaves some necks buzzing over the next fret [mm]."""

OFF_MM = 0.05
"""A crown further off the level line leads a gap read over it astray; our judgement [mm]."""

_MOST_PLACES = 5
_FAR = 20.0
"""Times what the bench may miss by: further off, a requirement is no concern of a step."""
_SETTINGS: dict[Setting, tuple[str, str, str]] = {
    "rod": ("relief", "less", "more"),
    "saddle": ("saddle at {strings:strings}", "lower", "higher"),
    "nut": ("nut slot of {strings:strings}", "lower", "higher"),
    "file": ("crown of {frets:frets}", "lower", "higher"),
}


@dataclass(frozen=True, slots=True)
class Note:
    """One thing to know before step 1."""

    topic: str  # in a word or two
    sentences: tuple[Sentence, ...]
    waits: bool = False  # whether no metal comes off until it is settled


def notes(specification: Specification, plan: Plan) -> tuple[Note, ...]:
    """Return what has to be known before the work of a plan, what stops it first."""
    stands = plan.status != "read-again"  # what rests on readings to be taken again is not told
    gates = unmet(plan.gates, plan.accepted)
    limits = "If the readings stand" if gates else "Limits not met"
    said: Iterator[tuple[str, Iterable[Sentence], bool]] = iter(
        (
            ("Read again", (gate.said for gate in gates), True),
            ("Read twice", _asked(plan), not confirmed(plan)),
            ("Attack and targets", _attack(plan), False),
            ("Kept readings", (accepted.said for accepted in plan.accepted), False),
            ("Not read", (*_not_read(plan), *(one.said for one in plan.read_first)), False),
            ("Too low to cut", _no_room(plan), False),
            ("Low frets", [plan.low_frets.said] if plan.low_frets else (), False),
            (limits, () if plan.misread else (one.said for one in plan.left_out), False),
            ("Gaps", _off_line(specification, plan) if stands else (), False),
            ("Not certain", _undecided(plan) if stands else (), False),
            ("Set with care", _little_room(plan) if stands else (), False),
            ("Checks by hand", (check.said for check in plan.checks if check.agrees), False),
            ("Gauges", gauges_of(plan.measurement), False),
            ("Reasons", plan.reasons if stands else (), False),
        )
    )
    made = (Note(topic, tuple(sentences), waits) for topic, sentences, waits in said)
    return tuple(note for note in made if note.sentences)


def gauges_of(measurement: Measurement) -> tuple[Sentence, ...]:
    """Return which gauges the readings were taken with, as far as their study was counted on."""
    return tuple(route for route in measurement.routes if route.text == GAUGE_ROUTE)


def confirmed(plan: Plan) -> bool:
    """Say whether a second reading confirms the plan, or none is asked for."""
    return not plan.ask or (plan.confirmation is not None and plan.confirmation.agrees)


def room(misses: Iterable[Miss], setting: Setting) -> tuple[Sentence, ...]:
    """Return how far a setting may miss the plan at the place where that is least."""
    of_it = [m for m in misses if m.setting == setting and m.room_mm < _FAR * m.allowance_mm]
    return tuple(_may_miss(miss) for miss in sorted(of_it, key=lambda miss: miss.room_mm)[:1])


def _may_miss(miss: Miss) -> Sentence:
    _, less, more = _SETTINGS[miss.setting]
    ways = [
        (by_mm, way)
        for by_mm, way in ((miss.less_mm, less), (miss.more_mm, more))
        if by_mm < _FAR * miss.allowance_mm
    ]
    none = [sentence("{way}", way=way) for by_mm, way in ways if by_mm < LEAST_SHOWN_MM]
    broken = sentence("a requirement is not met")
    if miss.breaks is not None:
        broken = sentence("the {noun} is out of limits", noun=miss.breaks.noun)
    # what breaks is known of the nearer end alone
    apart = len(ways) > 1 and abs(miss.less_mm - miss.more_mm) >= LEAST_SHOWN_MM
    until = "; beyond the nearer of the two {broken}" if apart else " before {broken}"
    text = "The {what} may come out {ends:or} than planned{until}."
    if none:
        text = (
            "The {what} must not come out {none:or} than planned, or {broken}. Work at the bench "
            "is usually good to {allowance:length}: read it back."
        )
    elif miss.under_allowance:
        text = (
            "The {what} may come out only {ends:or} than planned{until}. Work at the "
            "bench is usually good to {allowance:length}: read it back."
        )
    return sentence(
        text,
        what=_what(miss),
        ends=[sentence("{by:length} {way}", by=by_mm, way=way) for by_mm, way in ways],
        none=none,
        broken=broken,
        until=sentence(until, broken=broken),
        allowance=miss.allowance_mm,
    )


def _asked(plan: Plan) -> tuple[Sentence, ...]:
    if not plan.ask:
        return ()
    if plan.confirmation is not None:
        return (*plan.ask, plan.confirmation.said)
    return (*plan.ask, sentence("No metal comes off until a second reading agrees."))


def _attack(plan: Plan) -> tuple[Sentence, ...]:
    """Say up to where level frets stay clear, where that is less than the design attack."""
    clear = plan.level_clear_percent
    if plan.misfit is not None or not clear < 99.5:  # a misfit is the headline
        return ()
    text = (
        "Level frets stay clear up to {clear:share} of the design attack at these settings. Work "
        "on the frets gives no more: more action, more relief or a lighter attack does."
    )
    return (sentence(text, clear=0.01 * clear),)


def _not_read(plan: Plan) -> tuple[Sentence, ...]:
    """Name the crowns that no reading stands for; frets with the same strings together."""
    heights = plan.measurement.heights
    known = np.isin(heights.origin[:, 1:-1], (Origin.READ, Origin.DERIVED))
    places: dict[tuple[int, ...], list[int]] = defaultdict(list)
    for fret, under in enumerate(known.T, start=1):
        if not under.all():
            places[tuple(int(k) + 1 for k in np.flatnonzero(~under))].append(fret)
    told = [
        sentence("{frets:frets} under {strings:strings}", frets=frets, strings=strings)
        for strings, frets in places.items()
    ]
    if not told:
        return ()
    if len(told) > _MOST_PLACES:
        short = sorted(fret for frets in places.values() for fret in frets)
        told = [sentence("{frets:frets} under some strings", frets=short)]
    text = "Crowns without a reading: {told:list}. They ask for no cut and get none."
    return (sentence(text, told=told),)


def _no_room(plan: Plan) -> tuple[Sentence, ...]:
    """Name the frets whose crowns are too low for what should go."""
    text = "{frets:frets}: less crown is left than should come off and stay; new wire there."
    return (sentence(text, frets=plan.no_room_frets),) if plan.no_room_frets else ()


def _off_line(specification: Specification, plan: Plan) -> Iterator[Sentence]:
    """Say where a gap read over a crown is not the gap that slot or saddle is judged by."""
    slots = np.abs(plan.nut_height_change_mm) >= LEAST_SHOWN_MM
    off_limits = {k for one in plan.left_out if one.limit == "first-fret-gap" for k in one.strings}
    for fret in dict.fromkeys((1, specification.scale.reference_fret)):
        off_mm = plan.stands_out_read_mm[:, fret - 1]
        for text, which in ((_LOW, off_mm < -OFF_MM), (_HIGH, off_mm > OFF_MM)):
            if not which.any():
                continue
            on = tuple(int(k) + 1 for k in np.flatnonzero(which))
            then = _BY_LINE
            if fret == 1 and text is _LOW:
                filed = slots[which].any() or off_limits.intersection(on)
                then = _BY_LINE if filed else _LEAVE_NUT
            by_mm = float(np.abs(off_mm[which]).max())
            yield sentence(text, fret=fret, by=by_mm, on=on, then=sentence(then))


_LOW = (
    "Fret {fret} lies up to {by:length} under the level line at {on:strings}: worn or low. The gap "
    "read there is larger by as much; {then}"
)
_HIGH = (
    "Fret {fret} stands up to {by:length} over the level line at {on:strings}. The gap read there "
    "is smaller by as much; {then}"
)
_LEAVE_NUT = "the nut is right: do not file it. Limits go by the level line."
_BY_LINE = "limits go by the level line."


def _undecided(plan: Plan) -> tuple[Sentence, ...]:
    nuts = {k for one in plan.left_out if one.limit == "clearance" for k in one.strings}
    found = [one for one in plan.undecided if one.stopped_fret or one.string not in nuts]
    if not found:
        return ()
    shown = found[:_MOST_PLACES]
    places = [
        sentence("{at:stopped} over fret {fret}", at=(one.string, one.stopped_fret), fret=one.fret)
        for one in shown
    ]
    if len(found) > len(shown):
        places.append(sentence("{n} more", n=len(found) - len(shown)))
    u_mm = min(one.deciding_u_mm for one in found)
    return (
        sentence(
            "{n:count position} {n:plural is|are} too close to call by these readings: "
            "{places:list}. {more}",
            n=len(found),
            places=places,
            more=sentence(
                "Crown readings with a standard uncertainty of {u:fine} would decide."
                if u_mm >= LEAST_U_MM
                else "No bench gauge is fine enough to decide: play {n:plural it|them}.",
                u=u_mm,
                n=len(found),
            ),
        ),
    )


def _little_room(plan: Plan) -> tuple[Sentence, ...]:
    """Name each setting that has less room in the plan than work at the bench is good to."""
    close = sorted((m for m in plan.misses if m.under_allowance), key=lambda miss: miss.room_mm)
    least = {miss.setting: miss for miss in reversed(close)}
    places = [
        sentence(
            "{what} ({room:length})" if miss.room_mm >= LEAST_SHOWN_MM else "{what} (no room)",
            what=_what(miss),
            room=miss.room_mm,
        )
        for setting in _SETTINGS
        if (miss := least.get(setting))
    ]
    text = (
        "Here the plan leaves less room than bench work usually needs: {places:list}. Read these "
        "back."
    )
    return (sentence(text, places=places),) if places else ()


def _what(miss: Miss) -> Sentence:
    return sentence(_SETTINGS[miss.setting][0], strings=miss.strings, frets=miss.frets)
