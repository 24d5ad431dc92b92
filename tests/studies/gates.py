"""Readings that must be taken again: false alarms on sound readings, slips found."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from evenfall.gates import open_gates
from evenfall.gates.checks import crowns_to_read_again
from evenfall.gates.seen import Seen
from evenfall.gates.settings import action_in_doubt
from evenfall.measurement import Measurement
from necks.neck import Neck
from necks.readings import action_by_hand, read, read_again
from necks.slips import SLIPS, saddle_up
from studies.level_line import SEEN_MM, line_of
from studies.sources import FIRST, GAUGES_MM, SECOND, SOURCES
from studies.study import Row, Study, Told, share

SLIP_U_MM = 0.005
MOST_FALSE_PERCENT = 1.0
USUAL_PERCENT = 95.0
"""At least so many slips of a sort are found."""
FOUND_PERCENT = {
    "strings reversed": 90.0,  # a ukulele's strings stand alike, read from either side
    "one nut slot 0.40 up": 80.0,  # within what a classical guitar's or a bass's slots may be off
    "two neighbouring frets swapped": 42.0,  # see the words
}
"""Where fewer can be found."""
IN_COURSES = (FIRST.only("mandolin"), SECOND.only("twelve-string"))
OF_A_COURSE_MM = (0.5, 0.7, 1.0)
"""By so much a saddle was read too high under one string of a course."""


def stopped(
    neck: Neck,
    found: Measurement,
    chance: np.random.Generator,
    slip: Callable[[float], float] = float,
) -> bool:
    """Whether something has to be read again, the crowns that are asked for once more included."""
    line = line_of(neck, found)
    seen = Seen(neck.specification, found, line)
    found = read_again(neck, found, ((1, 1), *crowns_to_read_again(seen)), chance, slip)
    by_hand = [action_by_hand(neck, string, chance) for string in action_in_doubt(seen)]
    found = replace(found, direct=(*found.direct, *by_hand))
    return bool(open_gates(neck.specification, found, line).unmet)


def run(seed: int, count: int, told: Told) -> Iterator[Row]:
    total = len(SOURCES) * len(GAUGES_MM) + len(SLIPS) + len(IN_COURSES) * len(OF_A_COURSE_MM)
    done = 0
    for source in SOURCES:
        for u_mm in GAUGES_MM:
            told(f"sound readings, {source.name}, u {u_mm}", done / total)
            done += 1
            alarms = sum(
                stopped(neck, read(neck, chance, source.reader(u_mm, neck)), chance)
                for neck, chance in source.necks(seed, count, 3)
            )
            false = share(alarms, count, at_most=MOST_FALSE_PERCENT)
            yield Row(f"sound: {source.name}, u {u_mm:.3f}", {"asked for again": false})
    for number, (name, slip) in enumerate(SLIPS.items()):
        told(name, done / total)
        done += 1
        found, slips = [], max(1, count // 3)
        for neck, chance in FIRST.necks(seed, slips, 4, number):
            right = read(neck, chance, FIRST.reader(SLIP_U_MM, neck))
            wrong = slip(right, chance)
            moved_mm = np.abs(wrong.heights.height_mm - right.heights.height_mm).max()
            found.append((moved_mm >= SEEN_MM, stopped(neck, wrong, chance, slip.again)))
        least = FOUND_PERCENT.get(name, USUAL_PERCENT)
        seen = [stop for matters, stop in found if matters]
        columns = {"asked for again": share(sum(seen), len(seen), at_least=least)}
        if len(seen) < slips:
            columns["harmless ones too"] = share(sum(stop for _, stop in found), slips)
        yield Row(f"slip: {name}", columns)
    for source in IN_COURSES:
        (kind,) = source.kinds
        for by_mm in OF_A_COURSE_MM:
            told(f"one saddle of a course up, {kind}, {by_mm}", done / total)
            done += 1
            slips, hits, slip = max(1, count // 3), 0, saddle_up(by_mm)
            for neck, chance in source.necks(seed, slips, 5):
                right = read(neck, chance, source.reader(SLIP_U_MM, neck))
                hits += stopped(neck, slip(right, chance), chance)
            found_of = share(hits, slips, at_least=USUAL_PERCENT)
            yield Row(f"slip: one saddle {by_mm} up, {kind}", {"asked for again": found_of})


STUDY = Study(
    "gates",
    "are slips found, and sound readings left in peace?",
    """
**Sound**: necks with frets off, worn, humped, their settings adrift, read without a slip; none
should be asked for again. **Slips**: the same necks of the first generator, read with u 0.005 and
then put down wrongly, as people do. Action on the outer strings and relief were read by hand as
well, the first crown and the three that the program names once more, as every template asks, and
the action of one string more by hand, or of both of a course, where the heights put it out of line
with the others by three tenths of what stops a plan. One slot off is looked for by how it stands
beside the others; where a kind's gaps are wide, so is what they may differ by.

A slip that moves no crown by 0.03 or more does no harm, and is counted in the last column alone.
Swapped neighbours are such a slip on most necks: two level frets read alike. Of the others the
crowns read again show those on or beside the fret that rocks most; where a fret elsewhere is
further off, only the rocker before filing shows them.

The last rows are of instruments whose strings lie in pairs: the saddle was read too high under one
string of a pair, so that the action is off by half as much.
""",
    400,
    20,
    run,
)
