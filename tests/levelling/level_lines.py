"""Level lines of invented necks that are known exactly, so that rules are tested on their own."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.levelling.problem import Problem, build_problem
from evenfall.levelling.rules import decide, smallest_cut_mm
from evenfall.neck import default_bow
from evenfall.neck.level_line import LevelLine, StandsOut
from necks.kinds import table
from necks.readings import exact

if TYPE_CHECKING:
    from evenfall.levelling.decision import Decision
    from necks.neck import Neck


def known_line(
    truth: Neck, smallest_mm: float = 0.02, unread: Collection[tuple[int, int]] = ()
) -> LevelLine:
    """Return the true level line of a neck; crowns (string, fret) that were not read are level."""
    off = np.where(np.abs(truth.off_mm) >= smallest_mm - 1e-9, truth.off_mm, 0.0)
    read = np.ones(off.shape, dtype=bool)
    for string, fret in unread:
        read[string - 1, fret - 1], off[string - 1, fret - 1] = False, 0.0
    standing = []
    for j in np.flatnonzero(off.any(axis=0)):
        size = off[np.abs(off[:, j]).argmax(), j]
        strings = tuple(int(k) + 1 for k in np.flatnonzero(off[:, j]))
        standing.append(StandsOut(int(j) + 1, strings, float(size), float(off[:, j].mean()), 0.0))
    each = np.eye(off.size)
    return LevelLine(
        level_mm=truth.level_mm,
        smooth_mm=truth.level_mm,
        taken_mm=truth.level_mm + off,
        off_mm=off,
        lower_mm=np.zeros_like(off),
        higher_mm=np.zeros_like(off),
        read=read,
        u_mm=np.full(off.shape, 0.002),
        standing=tuple(standing),
        hump_mm=0.0,
        fall_away_mm=0.0,
        relief_mm=truth.relief_mm,
        relief_weights=default_bow(truth.specification, truth.lines).weights,
        relief_u_mm=0.0,
        relief_open_u_mm=0.0,
        level_open_u_mm=np.zeros_like(off),
        pulls_mm_per_mm=(each.reshape(*off.shape, -1), each.reshape(-1, *off.shape)),
        scatter_mm=0.002,
        follows_arch=False,
    )


@dataclass(frozen=True)
class Job:
    """A true neck, the job made of exact readings of it, and its true level line."""

    truth: Neck
    problem: Problem
    unread: Collection[tuple[int, int]] = ()

    def decided(self, method: str = "spot", **asked: bool) -> Decision:
        smallest = smallest_cut_mm(self.problem, method)
        line = known_line(self.truth, smallest, self.unread)
        return decide(self.problem, line, method, **asked)


def job(
    truth: Neck,
    *,
    attack: float = 1.0,
    keep: Collection[str] = (),
    unread: Collection[tuple[int, int]] = (),
) -> Job:
    """Return the job of a neck at a share of the player's attack."""
    made = truth.specification
    problem = build_problem(made, exact(truth), excursion=table(made), keep=keep)
    return Job(truth, problem.with_attack(attack * problem.player_n), unread)


def worked(truth: Neck, decision: Decision) -> Neck:
    """Return the neck after exactly what was decided."""
    return truth.moved(
        relief_mm=decision.relief_change_mm,
        nut_mm=decision.nut_height_change_mm,
        saddle_mm=decision.saddle_height_change_mm,
        off_mm=decision.lifted_mm - decision.removal_mm,
    )
