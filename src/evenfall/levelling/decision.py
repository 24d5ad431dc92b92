"""What the rules of judgement decide for one instrument and one method: data only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from evenfall.arrays import CodeArray, FloatArray, numbered, shut
from evenfall.requirement import Judged, State
from evenfall.strings.clearance import (
    PluckForce,
    buzz_force,
    open_gap_mm,
    rest_clearance_mm,
    touch_force,
)
from evenfall.wording import Sentence

if TYPE_CHECKING:
    from evenfall.levelling.least_metal import Solution
    from evenfall.levelling.problem import Problem
    from evenfall.neck.level_line import LevelLine
    from evenfall.plan.before_cut import LowFrets, ReadFirst
    from evenfall.plan.limits import LeftOut, Undecided
    from evenfall.plan.plan import Part

Conclusion = Literal[
    "nothing",  # every position is clear, or as good as level frets: nothing has to be done
    "settings",  # rod, saddle or nut move, and nothing is cut
    "cut",  # frets are cut
    "lift",  # low frets are to be lifted; what is then left to cut is a preview
    "new-wire",  # frets get new wire, or have too little crown for what would have to come off
    "read-first",  # all that would be cut hangs on crowns that were not read
    "misfit",  # level frets would fall short of the attack: targets and attack do not fit
    "short",  # this method leaves positions that fail
]


class Ask(NamedTuple):
    """Something that a second reading has to confirm before metal comes off."""

    said: Sentence
    frets: tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Decision:
    """What is to be done, for K strings over F frets; heights over the measurement's own datum."""

    method: str  # key of `evenfall.plan.METHODS`
    conclusion: Conclusion
    part: Part  # the settings first, the cuts being a preview; or the whole work
    problem: Problem  # the job, with new wire in place where frets are replaced
    line: LevelLine  # as found; with new wire in place where frets are replaced
    smallest_cut_mm: float  # of the method
    relief_change_mm: float  # by the rod
    saddle_height_change_mm: FloatArray  # up is positive, (K,)
    nut_height_change_mm: FloatArray  # of the floors of the slots, up is positive, (K,)
    removal_mm: FloatArray  # (K, F)
    lifted_mm: FloatArray  # by which low frets are to be lifted, (K, F)
    replaced: tuple[int, ...]  # frets that get new wire
    no_room: tuple[int, ...]  # frets left alone for want of crown height
    level_after_mm: FloatArray  # level line after settings and beam, (K, F)
    taken_after_mm: FloatArray  # crown tops, as they are taken, after settings and cut, (K, F)
    judged: Judged  # every position after the work
    level_margin_share: float  # of the attack up to which level frets stay clear, set up
    fitting_action_mm: FloatArray  # least action at which level frets would hold, (K,)
    reasons: tuple[Sentence, ...]  # rod, nut, saddle: why each moves, or stays
    left_out: tuple[LeftOut, ...]  # limits that kept or exhausted settings make impossible
    read_first: tuple[ReadFirst, ...]
    low_frets: LowFrets | None
    ask: tuple[Ask, ...]
    undecided: tuple[Undecided, ...]  # notes that hold by the readings, not for certain
    remark: Sentence | None = None  # what else there is to say of the method
    solution: Solution | None = None  # of the linear program, with its duals: least-metal only

    def __post_init__(self) -> None:
        shut(self)

    @property
    def holds(self) -> bool:
        """Whether it leaves no note that fails."""
        unfinished = self.conclusion in ("short", "read-first", "misfit") or self.no_room
        return not unfinished and self.judged.worst != State.FAILS

    @property
    def attack_n(self) -> FloatArray:
        """Attack that it is for [N], shape (K,); with a metal budget, what the budget buys."""
        return self.problem.attack_n

    @property
    def note_state(self) -> CodeArray:
        """`State` of each note after work, by stopped fret 0..F-1, shape (K, F)."""
        return self.judged.note_state

    @property
    def buzz_force(self) -> PluckForce:
        """The forces from which strings buzz after work."""
        return buzz_force(self.clearance_mm, self.problem.excursion)

    @property
    def touch_force(self) -> PluckForce:
        """The forces from which they touch."""
        return touch_force(self.clearance_mm, self.problem.excursion)

    @property
    def metal_mm(self) -> float:
        """Total removal [mm]."""
        return float(self.removal_mm.sum())

    @property
    def cut_frets(self) -> tuple[int, ...]:
        """Frets that lose metal."""
        return numbered((self.removal_mm > 0.0).any(axis=0))

    @property
    def nut_after_mm(self) -> FloatArray:
        """Nut slot floors after work, shape (K,) [mm]."""
        return np.asarray(self.problem.measurement.nut_mm + self.nut_height_change_mm)

    @property
    def saddle_after_mm(self) -> FloatArray:
        """Saddle tops after work, shape (K,) [mm]."""
        return np.asarray(self.problem.measurement.saddle_mm + self.saddle_height_change_mm)

    @property
    def crown_top_after_mm(self) -> FloatArray:
        """Crown tops after work, going by each reading, shape (K, F) [mm]."""
        change = self.relief_change_mm * self.problem.bow.frets + self.lifted_mm - self.removal_mm
        return np.asarray(self.problem.measurement.crown_top_mm + change)

    @property
    def crown_height_after_mm(self) -> FloatArray:
        """Crown heights after work, shape (K, F) [mm]."""
        return np.asarray(self.problem.measurement.crown_height_mm - self.removal_mm)

    @property
    def lowest_crown_mm(self) -> float:
        """Lowest crown after work [mm]."""
        return float(self.crown_height_after_mm.min())

    @property
    def relief_after_mm(self) -> float:
        """Relief after work, of the bow alone [mm]."""
        return self.line.relief_mm + self.relief_change_mm

    @property
    def clearance_mm(self) -> FloatArray:
        """Rest clearance of every position after work, shape (K, F + 1, F + 1) [mm]."""
        return self._clearance_mm(self.taken_after_mm)

    @property
    def level_clearance_mm(self) -> FloatArray:
        """What level frets would clear with the same settings, same shape [mm]."""
        return self._clearance_mm(self.level_after_mm)

    def level_gap_mm(self, fret: int) -> FloatArray:
        """Return the gap of each open string over the level line at a fret, shape (K,) [mm]."""
        return open_gap_mm(
            self.problem.lines,
            self.nut_after_mm,
            self.level_after_mm,
            self.saddle_after_mm,
            fret,
        )

    def _clearance_mm(self, crown_top_mm: FloatArray) -> FloatArray:
        return rest_clearance_mm(
            self.problem.lines,
            self.nut_after_mm,
            crown_top_mm,
            self.saddle_after_mm,
            self.problem.share,
        )
