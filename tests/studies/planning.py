"""Plans of studies: made as any user of the package makes them, and done as a bench does them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from evenfall.levelling import make_plan
from evenfall.requirement import Judged, Requirement, State, judge
from evenfall.strings.clearance import rest_clearance_mm
from necks import bench
from necks.kinds import table
from necks.readings import Reader, read

if TYPE_CHECKING:
    from collections.abc import Sequence

    from evenfall.measurement import Measurement
    from evenfall.plan import Plan
    from necks.neck import Neck

LEVEL_MM = 0.015
"""A fret that is off by less than this under every string is level."""
BARELY_MM = 0.005
"""A note that is short by less has it from the errors of a good reading."""
MOST_READINGS = 8


def plan(
    neck: Neck,
    found: Measurement,
    method: str | None = None,
    *,
    settled: bool = False,
    worked: Sequence[Plan] = (),
) -> Plan:
    """Return the plan for readings of a neck, taken after its settings were made if `settled`."""
    made = neck.specification
    return make_plan(
        made, found, method=method, excursion=table(made), settled=settled, worked=worked
    )


def cut_frets(made: Plan) -> frozenset[int]:
    """Return the frets that lose metal, or would once the settings are made."""
    return frozenset((np.flatnonzero((made.removal_mm > 0.0).any(axis=0)) + 1).tolist())


def level_cut(neck: Neck, made: Plan) -> int:
    """Return how many of the frets that are cut are truly level."""
    return len(cut_frets(made) - neck.standing(LEVEL_MM))


def worked(
    neck: Neck,
    made: Plan,
    chance: np.random.Generator,
    misses: bench.Misses | None = None,
    *,
    filing: bool = True,
) -> Neck:
    """Return the neck after a plan was done: rod and saddle, then slots and frets if told."""
    done = bench.set_up(
        neck,
        chance,
        relief_mm=made.relief_change_mm,
        saddle_mm=made.saddle_height_change_mm,
        nut_mm=made.nut_height_change_mm if filing else 0.0,
        misses=misses,
    )
    return bench.cut(done, chance, made.removal_mm, misses) if filing else done


def judged(neck: Neck) -> Judged:
    """Return how every position of the true neck stands, against its true level frets.

    A crown that is off by less than the smallest cut counts as level, as it does in a plan.
    """
    made = neck.specification
    off = np.where(np.abs(neck.off_mm) < made.judgement.smallest_cut_file_mm, 0.0, neck.off_mm)
    heights = neck.nut_mm, neck.saddle_mm
    clear, level = (
        rest_clearance_mm(neck.lines, heights[0], crowns, heights[1])
        for crowns in (neck.level_mm + off, neck.level_mm)
    )
    return judge(
        Requirement.of(made, table(made)),
        np.array(made.player.attack_n),
        clear,
        level,
        smallest_cut_mm=made.judgement.smallest_cut_file_mm,
        attack_tolerance=made.judgement.attack_tolerance,
    )


def sound(neck: Neck) -> bool:
    """Whether no note of the true neck fails by more than `BARELY_MM`."""
    found = judged(neck)
    short = np.where(found.state == State.FAILS, found.bound_mm - found.tolerance_mm, -np.inf)
    clear = rest_clearance_mm(neck.lines, neck.nut_mm, neck.crown_top_mm, neck.saddle_mm)
    return not bool((short - clear > BARELY_MM).any())


def limits_broken(neck: Neck, left_out: frozenset[str] = frozenset()) -> list[str]:
    """Return the limits that the true settings break, apart from those that were left out."""
    target = neck.specification.target
    gone = []
    # a hump or a rough board has some bow in it: either may be called the relief
    of_bow, of_all = neck.relief_mm, neck.bow.relief_mm(neck.level_mm)
    if not any(target.relief.minimum_mm <= r <= target.relief.maximum_mm for r in (of_bow, of_all)):
        gone.append("relief")
    for name, values, limits in (
        ("action", neck.action_mm, target.action),
        ("first-fret-gap", neck.first_fret_gap_mm, target.first_fret_gap),
    ):
        level = values + neck.off_mm[:, _fret(neck, name) - 1]
        gone += [
            name
            for value, limit in zip(level, limits, strict=True)
            if not limit.minimum_mm <= value <= limit.maximum_mm
        ][:1]
    return [name for name in gone if name not in left_out]


def _fret(neck: Neck, name: str) -> int:
    return 1 if name == "first-fret-gap" else neck.specification.scale.reference_fret


@dataclass(frozen=True)
class Job:
    """A whole job: read, plan, work, until the plan has nothing more to do."""

    before: Neck
    after: Neck
    readings: int
    filings: int
    settled: bool  # whether a plan said that nothing is left to do
    stopped: str  # the status at which a person has to decide, if it came to that
    broken: tuple[str, ...]  # limits that the true neck breaks at the end
    sound: bool  # no note fails at the end

    @property
    def metal_mm(self) -> float:
        return float((self.before.crown_height_mm - self.after.crown_height_mm).sum())

    @property
    def level_cut(self) -> int:
        lost = self.before.crown_height_mm - self.after.crown_height_mm
        cut = (np.flatnonzero((lost > 1e-9).any(axis=0)) + 1).tolist()
        return len(frozenset(cut) - self.before.standing(LEVEL_MM))


def whole_job(neck: Neck, chance: np.random.Generator, reader: Reader) -> Job:
    """Do a neck as a technician would, with what a bench misses, until a plan is content.

    What has to be asked is confirmed (the next reading does it), low frets are lifted where that
    is recommended, a readings gate is answered by reading again, and by accepting it if it comes
    twice.
    """
    now, filings, left_out = neck, 0, frozenset[str]()
    settled, stopped, asked, readings = False, "", 0, 0
    filed: list[Plan] = []
    while readings < MOST_READINGS:
        readings += 1
        made = plan(now, read(now, chance, reader), settled=now is not neck, worked=filed)
        left_out = frozenset(one.limit for one in made.left_out)
        status = made.status
        if status == "nothing":
            settled = True
            break
        if status in ("misfit", "new-wire") or (status == "read-again" and asked):
            stopped = status
            break
        if status == "read-again":
            asked += 1
            continue
        if status == "lift" and made.low_frets is not None:
            now = _lifted(now, made.low_frets.frets, chance)
            continue
        filing = made.part == "whole"
        if filing and cut_frets(made):
            filings += 1
            filed.append(made)
        now = worked(now, made, chance, filing=filing)
    return Job(
        neck,
        now,
        readings,
        filings,
        settled,
        stopped,
        tuple(limits_broken(now, left_out)),
        sound(now),
    )


def _lifted(neck: Neck, frets: tuple[int, ...], chance: np.random.Generator) -> Neck:
    """Return the neck with low frets lifted to the level line, missed by what a press misses."""
    off = np.zeros_like(neck.off_mm)
    for fret in frets:
        miss = bench.Misses().file * chance.uniform(-1.0, 1.0)
        off[:, fret - 1] = miss - neck.off_mm[:, fret - 1]
    return replace(
        neck,
        crown_top_mm=neck.crown_top_mm + off,
        off_mm=neck.off_mm + off,
    )
