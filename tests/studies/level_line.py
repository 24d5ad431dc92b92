"""Which frets stand out: found, overlooked, named wrongly."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from evenfall.measurement import Measurement
from evenfall.neck.level_line import LevelLine, level_line
from necks.neck import Neck
from necks.readings import read
from studies.sources import FIRST, GAUGES_MM, SECOND, SOURCES
from studies.study import Row, Study, Told, mean, share

SEEN_MM, PLAIN_MM = 0.03, 0.06
"""Frets that are off by so much are asked for: under the largest, and by any reading at hand."""
NOT_OFF_MM = 0.015
"""A fret that is off by less than this under every string should not be named."""


MOST_NAMED_PERCENT = {FIRST: 1.0, SECOND: 3.0}
LEAST_FOUND_PERCENT = {
    (FIRST, 0.002): 98.0,
    (FIRST, 0.005): 96.0,
    (FIRST, 0.02): 74.0,
    (SECOND, 0.002): 92.0,
    (SECOND, 0.005): 92.0,
    (SECOND, 0.02): 55.0,
}
"""Of the first generator, what the rules were made for; of the second, what they reached there."""


def line_of(neck: Neck, found: Measurement) -> LevelLine:
    """Return the level line that the program draws."""
    made = neck.specification
    return level_line(made, found, neck.lines, neck.bow, made.judgement.smallest_cut_file_mm)


def named(line: LevelLine) -> frozenset[int]:
    """Return the frets that stand out by name."""
    return frozenset(one.fret for one in line.standing)


def taken(line: LevelLine) -> frozenset[int]:
    """Return the frets that are taken as off, by name or as part of a rise past the joint."""
    off = (np.abs(line.off_mm) >= 0.02).any(axis=0)
    return named(line) | frozenset((np.flatnonzero(off) + 1).tolist())


def run(seed: int, count: int, told: Told) -> Iterator[Row]:
    total, done = len(SOURCES) * len(GAUGES_MM), 0
    for source in SOURCES:
        for u_mm in GAUGES_MM:
            told(f"{source.name}, u {u_mm}", done / total)
            done += 1
            opened = 0
            for neck, chance in source.necks(seed, count, 1, level=True):
                opened += bool(named(line_of(neck, read(neck, chance, source.reader(u_mm, neck)))))
            seen, of, plain, of_plain, wrong, errors = 0, 0, 0, 0, 0, []
            for neck, chance in source.necks(seed, count, 2):
                line = line_of(neck, read(neck, chance, source.reader(u_mm, neck)))
                names = named(line)
                seen += len(taken(line) & neck.standing(SEEN_MM))
                of += len(neck.standing(SEEN_MM))
                plain += len(taken(line) & neck.standing(PLAIN_MM))
                of_plain += len(neck.standing(PLAIN_MM))
                wrong += len(names - neck.standing(NOT_OFF_MM))
                for one in line.standing:
                    rows = np.array(one.strings) - 1
                    truth = float(neck.off_mm[rows, one.fret - 1].mean())
                    if one.fret in neck.standing(NOT_OFF_MM):
                        errors.append(abs(one.mean_mm - truth))
            yield Row(
                f"{source.name}, u {u_mm:.3f}",
                {
                    "level necks with a fret named": share(
                        opened, count, at_most=MOST_NAMED_PERCENT[source]
                    ),
                    f"found of {SEEN_MM:.2f} and more": share(seen, of),
                    f"found of {PLAIN_MM:.2f} and more": share(
                        plain, of_plain, at_least=LEAST_FOUND_PERCENT[source, u_mm]
                    ),
                    "wrong frets a neck": mean([wrong / count]),
                    "size off by, mm": mean(errors, 3),
                },
            )


STUDY = Study(
    "level-line",
    "which frets stand out?",
    """
Necks whose frets are truly off, some of them several at once, worn, tilted or low, are read with
three gauges, and the program names the frets that stand out from the level line. **Level necks
with a fret named**: of necks with no fret off at all. **Found**: of all frets that are off by so
much under some string. **Wrong frets a neck**: named, though off by less than 0.015 everywhere.
**Size off by**: mean error of what the program says such a fret stands out by. The second generator
reads with uneven uncertainty and with errors that a string or a fret has in common, and its boards
are random smooth shapes, which no line with a bow follows to the last hundredth. A fret that is
named is not cut for that: see the [study of level necks](level-necks.md). Lengths in mm.
""",
    300,
    15,
    run,
)
