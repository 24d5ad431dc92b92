"""Touch force and buzz force against notes that are played with contact."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from necks.kinds import table
from oracles.play_against_touch_force import Agreement, Case, agreement
from studies.sources import FIRST, SECOND, Source
from studies.study import Figure, Row, Study, Told, number, share

POSITIONS = 8
"""Stopped positions played of each neck."""

RATTLES_FROM = 1.04
"""The buzz force times this sorts rattling notes from the others."""

MOST_WRONG_PERCENT = 6.0


def cases(source: Source, kind: str, seed: int, count: int) -> Iterator[Case]:
    """Yield necks as they may come in, true heights; nothing was ever fitted to them."""
    for neck, chance in source.only(kind).necks(seed, count, 11):
        made = neck.specification
        heights = neck.nut_mm, neck.crown_top_mm, neck.saddle_mm
        yield Case(kind, made, neck.lines, heights, table(made), chance)


def figures(found: Agreement, *, most_wrong: float = np.inf) -> dict[str, Figure]:
    over, rattles = np.array(found.over_buzz) > RATTLES_FROM, np.array(found.rattles)
    wrong = len(found.contradictions())
    return {
        "notes at the touch force": number(len(found.near), 0),
        "contradictions": number(wrong, 0, at_most=0.0),
        "notes sorted wrongly": share(
            int((over != rattles).sum()), len(rattles), at_most=most_wrong
        ),
        "rattle, though under": share(int((rattles & ~over).sum()), len(rattles)),
        "do not, though over": share(int((~rattles & over).sum()), len(rattles)),
        "wrongly by touch force": share(
            round(found.sorting_mistakes_by_touch() * len(rattles)), len(rattles)
        ),
    }


def run(seed: int, count: int, told: Told) -> Iterator[Row]:
    rows = [(source, kind) for source in (FIRST, SECOND) for kind in source.kinds]
    every = Agreement()
    for done, (source, kind) in enumerate(rows):
        told(kind, done / len(rows))
        found = agreement(cases(source, kind, seed, count), POSITIONS)
        every.add(found)
        yield Row(f"{source.name}, {kind}", figures(found))
    yield Row("all together", figures(every, most_wrong=MOST_WRONG_PERCENT))


STUDY = Study(
    "play",
    "do touch force and buzz force come true when the notes are played?",
    f"""
Notes of invented necks are played by the play test, which computes every contact; nothing is left
out because a table calls it clean. Eight positions are drawn of each neck.

Contradictions: at 0.997 times its touch force a note must touch nothing, ever, and at 1.003 times
it must touch, pulled away from the board and pressed towards it. Sorted wrongly: under a pluck of
0.6 to 2 times the touch force a note should rattle if and only if that is over {RATTLES_FROM} times
its buzz force. The multiple was set on other necks. A note rattles if one strike has 1 % of the
pluck's impulse, our choice. The last column is what the best multiple of the touch force, chosen
afterwards on these very notes, would make of the same question.
""",
    25,
    1,
    run,
)
