"""Readings that must be taken again: false alarms on sound readings, slips found."""

from __future__ import annotations

from collections.abc import Iterator

from evenfall.gates import open_gates
from evenfall.measurement import Measurement
from necks.neck import Neck
from necks.readings import read
from necks.slips import SLIPS
from studies.sources import FIRST, GAUGES_MM, SOURCES
from studies.study import Row, Study, Told, share

SLIP_U_MM = 0.005
MOST_FALSE_PERCENT = 1.0
FOUND_PERCENT = {"datum moved 0.10 on the way": 78.0, "two neighbouring frets swapped": 30.0}
"""At least so many are found; all others `USUAL_PERCENT`."""
USUAL_PERCENT = 95.0


def stopped(neck: Neck, found: Measurement) -> bool:
    """Whether the program asks for something to be read again."""
    return bool(open_gates(neck.specification, found).unmet)


def run(seed: int, count: int, told: Told) -> Iterator[Row]:
    total, done = len(SOURCES) * len(GAUGES_MM) + len(SLIPS), 0
    for source in SOURCES:
        for u_mm in GAUGES_MM:
            told(f"sound readings, {source.name}, u {u_mm}", done / total)
            done += 1
            alarms = sum(
                stopped(neck, read(neck, chance, source.reader(u_mm, neck)))
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
            found += stopped(neck, wrong)
        least = FOUND_PERCENT.get(name, USUAL_PERCENT)
        yield Row(f"slip: {name}", {"asked for again": share(found, slips, at_least=least)})


STUDY = Study(
    "gates",
    "are slips found, and sound readings left in peace?",
    """
**Sound**: necks with frets off, worn, humped, their settings adrift, read without a slip; none
should be asked for again. **Slips**: the same necks of the first generator, read with u 0.005 and
then put down wrongly, as people do; action on the outer strings and relief were read by hand as
well, as every template asks. A share of swapped neighbours is harmless or invisible: two level
frets that are swapped read like two level frets.
""",
    400,
    run,
)
