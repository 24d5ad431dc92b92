"""Level frets are left alone, whatever the readings say of them by chance."""

from __future__ import annotations

import math
from collections.abc import Iterator

from evenfall.levelling import Session
from necks.kinds import table
from necks.readings import read
from studies.sources import FIRST, GAUGES_MM, SECOND
from studies.study import STANDARD_ERRORS, Figure, Row, Study, Told, share

KINDS = ("electric", "bass", "ukulele", "fan")
UPPER_PERCENT = 1.0


def upper_limit(hits: int, of: int) -> float:
    """Return the upper 95 % limit of a share (Clopper and Pearson, Biometrika 26 (1934) 404)."""
    low, high = hits / of, 1.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        up_to = sum(
            math.comb(of, k) * middle**k * (1.0 - middle) ** (of - k) for k in range(hits + 1)
        )
        low, high = (middle, high) if up_to > 0.05 else (low, middle)
    return high


def by_chance(of: int) -> int:
    """Return how many may be cut in a small run: more at the limit itself once in 200 runs."""
    at, more = -1, 1.0
    while more > 0.005:
        at += 1
        share_of_all = 0.01 * UPPER_PERCENT
        more -= math.comb(of, at) * share_of_all**at * (1.0 - share_of_all) ** (of - at)
    return at


def row(about: str, cut: int, of: int) -> Row:
    """Return a row; in a small run it fails by how many are cut, from 2 of 8 and 7 of 192 on.

    That sees a true share of 30 % in three rows of four; one of 5 % in 85 runs of 100, by the sum.
    """
    upper = 100.0 * upper_limit(cut, of)
    room = max(100.0 * upper_limit(by_chance(of), of) - UPPER_PERCENT, 0.0)
    limit = Figure(upper, room / STANDARD_ERRORS, f"{upper:.2f} %", at_most=UPPER_PERCENT)
    return Row(about, {"level necks cut": share(cut, of), "upper 95 % limit": limit})


def run(seed: int, count: int, told: Told) -> Iterator[Row]:
    rows = [(FIRST, kind) for kind in KINDS] + [(SECOND, kind) for kind in SECOND.kinds]
    done, every, cut = 0, 0, 0
    for source, kind in rows:
        for u_mm in GAUGES_MM:
            told(f"{kind}, u {u_mm}", done / (len(rows) * len(GAUGES_MM)))
            done += 1
            opened = 0
            one_kind = source.only(kind)
            for neck, chance in one_kind.necks(seed, count, 5, level=True):
                found = read(neck, chance, source.reader(u_mm, neck))
                made = neck.specification
                # the preview: what would be cut, whatever gate stands before it
                opened += bool(Session(made, found, excursion=table(made)).preview().metal_mm)
            every, cut = every + count, cut + opened
            yield row(f"{source.name}, {kind}, u {u_mm:.3f}", opened, count)
    yield row("all together", cut, every)


STUDY = Study(
    "level-necks",
    "is a level neck ever cut?",
    """
Necks whose frets are all level, their settings anywhere in and somewhat outside the limits, are
read with three gauges and planned. None should lose metal. Of each kind and gauge the upper 95 %
limit of the share is given (Clopper and Pearson): what the true share could still be, by what these
necks show.
""",
    300,
    8,
    run,
)
