"""Readings that must be taken again: false alarms on sound readings, slips found."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from evenfall.gates import open_gates
from evenfall.gates.checks import crowns_to_read_again
from evenfall.gates.seen import Seen
from evenfall.measurement import Measurement
from necks.neck import Neck
from necks.readings import read, read_again
from necks.slips import SLIPS
from studies.level_line import line_of
from studies.sources import FIRST, GAUGES_MM, SOURCES
from studies.study import Row, Study, Told, share

SLIP_U_MM = 0.005
MOST_FALSE_PERCENT = 1.0
USUAL_PERCENT = 95.0
"""At least so many slips of a sort are found."""
FOUND_PERCENT = {
    "strings reversed": 90.0,  # a ukulele's strings stand alike, read from either side
    "one nut slot 0.40 up": 80.0,  # within what a classical guitar's or a bass's slots may be off
    "one saddle 1.0 up": 60.0,  # half of it is action: less than an actions' line of 2.2 mm allows
    "two neighbouring frets swapped": 0.0,  # most are harmless, see the words
}
"""Where fewer can be found."""


def stopped(
    neck: Neck,
    found: Measurement,
    chance: np.random.Generator,
    slip: Callable[[float], float] = float,
) -> bool:
    """Whether something has to be read again, the crowns that are asked for once more included."""
    line = line_of(neck, found)
    places = ((1, 1), *crowns_to_read_again(Seen(neck.specification, found, line)))
    found = read_again(neck, found, places, chance, slip)
    return bool(open_gates(neck.specification, found, line).unmet)


def run(seed: int, count: int, told: Told) -> Iterator[Row]:
    total, done = len(SOURCES) * len(GAUGES_MM) + len(SLIPS), 0
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
        found = 0
        slips = max(1, count // 3)
        for neck, chance in FIRST.necks(seed, slips, 4, number):
            wrong = slip(read(neck, chance, FIRST.reader(SLIP_U_MM, neck)), chance)
            found += stopped(neck, wrong, chance, slip.again)
        least = FOUND_PERCENT.get(name, USUAL_PERCENT)
        yield Row(f"slip: {name}", {"asked for again": share(found, slips, at_least=least)})


STUDY = Study(
    "gates",
    "are slips found, and sound readings left in peace?",
    """
**Sound**: necks with frets off, worn, humped, their settings adrift, read without a slip; none
should be asked for again. **Slips**: the same necks of the first generator, read with u 0.005 and
then put down wrongly, as people do. Action on the outer strings and relief were read by hand as
well, the first crown and the three that the program names once more, as every template asks. Two
level neighbours that are swapped read like two level frets: no gate can see it, and it does no
harm. One slot or saddle off is looked for by how it stands beside the others; where a kind's gaps
are wide, so is what they may differ by.
""",
    400,
    run,
)
