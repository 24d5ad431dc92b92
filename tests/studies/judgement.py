"""What plans ask for: frets cut, level ones among them, metal, and what is left afterwards."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from necks import bench
from necks.readings import read
from studies.planning import cut_frets, level_cut, plan, sound, worked
from studies.sources import GAUGES_MM, SOURCES
from studies.study import Figure, Row, Study, Told, mean, share

if TYPE_CHECKING:
    from evenfall.plan import Plan
    from necks.neck import Neck

DONE_AS_IT_STANDS = ("cut", "ask", "settings", "nothing")
"""Statuses of plans that can be done as they stand, once confirmed."""


def figures(done: list[tuple[Neck, Plan, Neck]], **limits: float) -> dict[str, Figure]:
    """Return the figures of plans: the neck as found, its plan, the neck with the plan done."""
    cut = [len(cut_frets(made)) for _, made, _ in done]
    whole = [after for _, made, after in done if made.status in DONE_AS_IT_STANDS]
    level = [level_cut(neck, made) for neck, made, _ in done]
    return {
        "frets cut": mean(cut, 1, at_most=limits.get("cut", np.inf)),
        "of them level": mean(level, 2, at_most=limits.get("level", np.inf)),
        "metal, mm": mean(
            [made.metal_mm for _, made, _ in done], at_most=limits.get("metal", np.inf)
        ),
        "margin after": mean([float(after.margin().min()) for after in whole]),
        "no note fails after": share(sum(sound(after) for after in whole), len(whole)),
        "to be asked": share(sum(made.status == "ask" for _, made, _ in done), len(done)),
        "stopped": share(
            sum(made.status not in (*DONE_AS_IT_STANDS, "lift") for _, made, _ in done), len(done)
        ),
    }


def run(seed: int, count: int, told: Told) -> Iterator[Row]:
    total, number = len(SOURCES) * len(GAUGES_MM), 0
    for source in SOURCES:
        for u_mm in GAUGES_MM:
            done = []
            for index, (neck, chance) in enumerate(source.necks(seed, count, 6)):
                told(f"{source.name}, u {u_mm}", (number + index / count) / total)
                made = plan(neck, read(neck, chance, source.reader(u_mm, neck)))
                done.append((neck, made, worked(neck, made, chance, bench.NONE)))
            number += 1
            yield Row(f"{source.name}, u {u_mm:.3f}", figures(done, cut=4.0, level=1.0, metal=1.0))


STUDY = Study(
    "judgement",
    "what do plans ask for?",
    """
One plan for each neck as it came in, from one reading. **Frets cut** and **metal**: on average, a
neck without a cut counts as none; cuts that wait for a second reading are counted too. **Of them
level**: frets that are off by less than 0.015 under every string, cut all the same. **Margin
after**: the lowest buzz force over the attack on the true neck, on average, once the plan is done
without a miss; **no note fails after**: by the true heights of that neck. **To be asked**: plans
that want a second reading before metal comes off. **Stopped**: plans that end in a gate, in new
wire, or in an attack that does not fit the targets.

Notes that still fail are those of one reading: a fret is opened only if the notes over it fail by
its crowns as read and by the line as well, and two neighbouring crowns count as low no more easily
than one. That spares level necks (see [level-necks](level-necks.md)). Notes that are
left short are few on a neck and short by little (of 193 necks at u 0.005, 13 had one to six, by up
to 0.03, at commit 5cbb455); later readings find most: see [whole-job](whole-job.md).
""",
    200,
    10,
    run,
)
