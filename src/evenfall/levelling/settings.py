"""Where rod, nut and saddle go: what conforms is left, what does not goes to its target.

Gaps are taken to the level line, so that a crown that stands out moves neither slot nor saddle. A
slot is lowered only where its gap is too high, never to save metal. What kept or exhausted settings
make impossible is reported; nothing else makes up for it. So with an end at the nut, slot or zero
fret, that is too low: its saddle goes down by no more than the action as found asks, and up by no
more than it asks with that end at its target.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, numbered
from evenfall.instrument.geometry import fret_distance_mm
from evenfall.instrument.specification import Limit, Tool
from evenfall.neck.drawn_line import LEAST_U_MM
from evenfall.neck.level_line import LevelLine
from evenfall.plan.limits import LeftOut
from evenfall.requirement import ROUNDING_MM, Judged, State, judge
from evenfall.strings.clearance import (
    open_gap_mm,
    open_gap_weights,
    open_share,
    rest_clearance_mm,
)
from evenfall.wording import Sentence, sentence, span

if TYPE_CHECKING:
    from evenfall.levelling.problem import Problem

MOST_DRAWN_SHARE = 0.25
"""Limits are drawn in by at most this share of their width; our judgement."""
EVEN_SHARE = 1.0 / 3.0
"""From this share of the saddles on all go to their target; common practice, no source."""
SHIM_BASE_MM = 50.0
"""Length of a shim that a neck angle is put in terms of [mm]."""
ROUNDS = 16
"""In which nut and saddle are brought into agreement: each divides what is left by five or more."""
LEAST_MOVE_MM = 0.02
"""A setting that need not move is not moved by less: no bench sets it so closely; our judgement."""
STEP_SHARE = 0.5
"""Of what the bench may miss: what need not move by more than this share of it is not asked to,
unless nothing else cures; our judgement."""
SETTLED_MM = 1e-12
"""They agree once a round moves the saddle by less [mm]."""
MOVED_MM = 1e-6
"""What moves by less stays where it is [mm]."""
_MOST_KNOWN = 32
"""Uncertainties of gaps that a job keeps: two for each set of wires that was thought of."""


@dataclass(frozen=True, eq=False)
class SetUp:
    """A job with its rod, nut and saddle somewhere, K strings over F frets."""

    problem: Problem
    line: LevelLine  # as found
    smallest_cut_mm: float
    relief_change_mm: float
    nut_change_mm: FloatArray  # up is positive, (K,)
    saddle_change_mm: FloatArray  # up is positive, (K,)
    reasons: tuple[Sentence, ...] = ()  # why what moves does
    tool: Tool = "file"  # that metal comes off with

    @cached_property
    def nut_mm(self) -> FloatArray:
        """Nut slot floors, shape (K,) [mm]."""
        return np.asarray(self.problem.measurement.nut_mm + self.nut_change_mm)

    @cached_property
    def saddle_mm(self) -> FloatArray:
        """Saddle tops, shape (K,) [mm]."""
        return np.asarray(self.problem.measurement.saddle_mm + self.saddle_change_mm)

    @cached_property
    def level_mm(self) -> FloatArray:
        """Level line, shape (K, F) [mm]."""
        return np.asarray(self.line.level_mm + self.relief_change_mm * self.problem.bow.frets)

    @cached_property
    def taken_mm(self) -> FloatArray:
        """Crown tops as they are taken, shape (K, F) [mm]."""
        return np.asarray(self.line.taken_mm + self.relief_change_mm * self.problem.bow.frets)

    @cached_property
    def clearance_mm(self) -> FloatArray:
        """Rest clearance of every position, NaN where a crown was not read [mm]."""
        clear = self._clear_mm(self.taken_mm)
        if self.line.read.all():
            return clear
        known = np.pad(self.line.read, ((0, 0), (1, 0)), constant_values=True)
        return np.where(known[:, :, None] & known[:, None, :], clear, np.nan)

    @cached_property
    def level_clearance_mm(self) -> FloatArray:
        """What level frets would clear, same shape [mm]."""
        return self._clear_mm(self.level_mm)

    def _clear_mm(self, crown_top_mm: FloatArray) -> FloatArray:
        problem = self.problem
        return rest_clearance_mm(
            problem.lines, self.nut_mm, crown_top_mm, self.saddle_mm, problem.share
        )

    @cached_property
    def judged(self) -> Judged:
        """How every position stands at the job's attack."""
        return judge(
            self.problem.requirement,
            self.problem.attack_n,
            self.clearance_mm,
            self.level_clearance_mm,
            smallest_cut_mm=self.smallest_cut_mm,
            attack_tolerance=self.problem.specification.judgement.attack_tolerance,
        )

    @cached_property
    def action_mm(self) -> FloatArray:
        """Gap of each open string over the level line at the reference fret, shape (K,) [mm]."""
        return self._gap_mm(self.problem.specification.scale.reference_fret)

    @cached_property
    def first_fret_gap_mm(self) -> FloatArray:
        """The same at fret 1 [mm]."""
        return self._gap_mm(1)

    @cached_property
    def low_ends(self) -> BoolArray:
        """Strings whose end at the nut, slot or zero fret, is too low by their gap, shape (K,)."""
        low, _ = limits_mm(self.problem.specification.target.first_fret_gap, 0.0)
        return np.asarray(self.first_fret_gap_mm < low - MOVED_MM)

    def cured_action_mm(self, ends: BoolArray) -> FloatArray:
        """Return the action with the low ends of these strings at their target, shape (K,) [mm]."""
        gaps = _Gaps.of(self.problem)
        lack = np.where(ends, np.maximum(gaps.first_mm - self.first_fret_gap_mm, 0.0), 0.0)
        on_first, on_action = gaps.on_first, gaps.on_action
        return np.asarray(self.action_mm + on_action.nut_share * lack / on_first.nut_share)

    @property
    def relief_mm(self) -> float:
        """Relief of the bow alone [mm]."""
        return self.line.relief_mm + self.relief_change_mm

    def gap_u_mm(self, fret: int) -> FloatArray:
        """Return the standard uncertainty of gaps over the level line at a fret, (K,) [mm]."""
        # a line with other crowns, or moved by the rod, leaves no more and no less open
        known_u_mm, opened = self.problem.known_u_mm, self.line.level_open_u_mm
        u_mm, of = known_u_mm.get((id(opened), fret), (None, None))
        if u_mm is None or of is not opened:  # a copied job has other objects than its copy knows
            if len(known_u_mm) >= _MOST_KNOWN:
                known_u_mm.clear()
            weights = open_gap_weights(self.problem.lines, fret)
            u_mm = self.line.sum_u_mm(self.problem.measurement.heights, weights)
            known_u_mm[id(opened), fret] = u_mm, opened
        return u_mm

    def _gap_mm(self, fret: int) -> FloatArray:
        return open_gap_mm(self.problem.lines, self.nut_mm, self.level_mm, self.saddle_mm, fret)

    @cached_property
    def level_margin_share(self) -> float:
        """Share of the attack up to which stopped notes meet the requirement on level frets."""
        required = self.problem.requirement
        swing = self.problem.attack_n[:, None, None] * required.swing_mm_per_n
        room = self.level_clearance_mm - required.extra_clearance_mm
        share = np.divide(room, swing, out=np.full_like(room, math.inf), where=swing > 0.0)
        return float(share[:, 1:].min())

    @property
    def fitting_action_mm(self) -> FloatArray:
        """Least action at which stopped notes would hold on level frets, shape (K,) [mm]."""
        with np.errstate(invalid="ignore", divide="ignore"):
            short = (self.judged.need_mm - self.level_clearance_mm) / self.problem.share
        reference = self.problem.specification.scale.reference_fret
        raised = open_share(self.problem.lines, reference) * np.nanmax(short[:, 1:-1], axis=(1, 2))
        return np.asarray(self.action_mm + raised)

    def moved(
        self, relief_mm: float, nut_mm: FloatArray, saddle_mm: FloatArray, *reasons: Sentence
    ) -> SetUp:
        """Return the job with its settings moved on by so much, and why [mm]."""
        return replace(
            self,
            relief_change_mm=self.relief_change_mm + relief_mm,
            nut_change_mm=self.nut_change_mm + nut_mm,
            saddle_change_mm=self.saddle_change_mm + saddle_mm,
            reasons=(*self.reasons, *reasons),
        )

    @cached_property
    def open_strings_short(self) -> BoolArray:
        """Open strings that level frets would stop too: the nut's, not the frets', shape (K,)."""
        need, tolerance = self.judged.need_mm[:, 0], self.judged.tolerance_mm[:, 0]
        return np.asarray((need - self.level_clearance_mm[:, 0] > tolerance).any(axis=1))

    @cached_property
    def holds(self) -> BoolArray:
        """Which strings hold everywhere, but for what is the nut's to cure, shape (K,)."""
        worse = self.judged.state > State.HOLDS
        worse[self.open_strings_short, 0] = False
        return np.asarray(~worse.any(axis=(1, 2)))


@dataclass(frozen=True, eq=False)
class Influence:
    """What each setting does to the gaps of K open strings over one fret, per millimetre."""

    nut_share: FloatArray  # (K,)
    saddle_share: FloatArray
    relief_share: FloatArray

    @staticmethod
    def on(problem: Problem, fret: int) -> Influence:
        """Return the influences on the gaps over a fret."""
        share = open_share(problem.lines, fret)
        return Influence(1.0 - share, share, -problem.bow.frets[:, fret - 1])


@dataclass(frozen=True, eq=False)
class _Gaps:
    """The gaps of K open strings that nut and saddle set: their targets, and what moves them."""

    first_mm: FloatArray  # target over fret 1, (K,)
    action_mm: FloatArray  # target over the reference fret, (K,)
    on_first: Influence
    on_action: Influence

    @staticmethod
    def of(problem: Problem) -> _Gaps:
        """Return those of a job."""
        target = problem.specification.target
        return _Gaps(
            np.array([limit.value_mm for limit in target.first_fret_gap]),
            np.array([limit.value_mm for limit in target.action]),
            Influence.on(problem, 1),
            Influence.on(problem, problem.specification.scale.reference_fret),
        )


def as_found(problem: Problem, line: LevelLine, smallest_cut_mm: float) -> SetUp:
    """Return the job as it was found."""
    still = np.zeros(problem.strings)
    return SetUp(problem, line, smallest_cut_mm, 0.0, still, still)


def limits_mm(
    limits: Sequence[Limit], drawn_mm: FloatArray | float
) -> tuple[FloatArray, FloatArray]:
    """Return lower and upper limits drawn in, by a quarter of their width at most."""
    low = np.array([limit.minimum_mm for limit in limits])
    high = np.array([limit.maximum_mm for limit in limits])
    drawn = np.minimum(drawn_mm, MOST_DRAWN_SHARE * (high - low))
    return low + drawn, high - drawn


def unsure_mm(at: SetUp, limit: str) -> FloatArray:
    """Return what the readings leave open of a limit at the specification's coverage [mm]."""
    # settings go by the level line, so what the line leaves open is open of them too
    if limit == "relief":
        u = np.array([at.line.relief_u_mm])
    else:
        reference = at.problem.specification.scale.reference_fret
        fret = 1 if limit == "first-fret-gap" else reference
        u = at.gap_u_mm(fret)
    return np.asarray(at.problem.coverage_factor * np.maximum(u, LEAST_U_MM))


def settle(found: SetUp, short: BoolArray | None = None) -> SetUp:
    """Return the job with its settings made, from as it was found.

    Strings in `short`, shape (K,), stand under their target and fail: their saddles go to it
    though they conform, and so does the rod where level frets would not hold either. Of a string
    whose end at the nut is too low no slot is filed, and no saddle makes up for that end.
    """
    problem, gaps = found.problem, _Gaps.of(found.problem)
    set_rod = _set_rod(found, to_target=short is not None)
    nuts = np.zeros(problem.strings, dtype=bool)
    # an end that a saddle at its target brings inside its limits is not low
    to_nut, to_saddle = _moves(set_rod, nuts, ~nuts & problem.saddle_free, nuts)
    ends = set_rod.low_ends & set_rod.moved(0.0, to_nut, to_saddle).low_ends
    forced = nuts if short is None else short
    saddles = forced
    even = False
    while True:
        to_nut, to_saddle = _moves(set_rod, nuts, saddles, ends)
        now = set_rod.moved(0.0, to_nut, to_saddle)
        more_nuts = nuts | (problem.nut_free & ~ends & _too_high(found, now, gaps, saddles))
        off = _action_off(found, now, gaps, nuts, ends)
        more_saddles = saddles | (problem.saddle_free & off)
        if problem.specification.target.one_piece_saddle and more_saddles.any():
            more_saddles = np.ones_like(more_saddles)
        elif more_saddles.sum() >= EVEN_SHARE * problem.strings:
            far = np.abs(gaps.action_mm - now.action_mm) >= (
                LEAST_MOVE_MM * gaps.on_action.saddle_share
            )
            far &= ~ends  # even only once that end is cured
            even = even or bool((far & ~more_saddles).any())
            more_saddles = more_saddles | far
        if (more_nuts == nuts).all() and (more_saddles == saddles).all():
            why = _why(set_rod, now, forced, ends, even=even)
            return replace(now, reasons=(*now.reasons, *why))
        nuts, saddles = more_nuts, more_saddles


def _too_high(found: SetUp, now: SetUp, gaps: _Gaps, saddles: BoolArray) -> BoolArray:
    """Return the slots that are too high, with what moved rod and saddles may miss, shape (K,)."""
    target, allowed = found.problem.specification.target, found.problem.specification.judgement
    turned, on = now.relief_change_mm != 0.0, gaps.on_first
    missed = turned * np.abs(on.relief_share) * allowed.allowance_rod_mm
    missed = missed + saddles * on.saddle_share * allowed.allowance_saddle_mm
    unsure = unsure_mm(found, "first-fret-gap")
    _, high = limits_mm(target.first_fret_gap, unsure + missed)
    # what others may miss is known before any slot is filed: less than a file can set is left
    _, most = limits_mm(target.first_fret_gap, unsure)
    most = np.minimum(most, high + STEP_SHARE * allowed.allowance_nut_mm)
    return np.asarray(now.first_fret_gap_mm > most + ROUNDING_MM)


def _action_off(
    found: SetUp, now: SetUp, gaps: _Gaps, nuts: BoolArray, ends: BoolArray
) -> BoolArray:
    """Return the actions that are off, with what moved rod and slots may miss, shape (K,)."""
    target, allowed = found.problem.specification.target, found.problem.specification.judgement
    turned, on = now.relief_change_mm != 0.0, gaps.on_action
    missed = turned * np.abs(on.relief_share) * allowed.allowance_rod_mm
    missed = missed + nuts * on.nut_share * allowed.allowance_nut_mm
    low, high = limits_mm(target.action, unsure_mm(found, "action") + missed)
    too_low = now.cured_action_mm(ends) < low - ROUNDING_MM
    return np.asarray(too_low | (now.action_mm > high + ROUNDING_MM))


def _set_rod(found: SetUp, *, to_target: bool) -> SetUp:
    """Return the job with the rod set: where the relief is off, or for notes that do not hold."""
    problem, limit = found.problem, found.problem.specification.target.relief
    relief, wanted = found.relief_mm, limit.value_mm
    (low,), (high,) = limits_mm((limit,), unsure_mm(found, "relief"))
    off = not low - ROUNDING_MM <= relief <= high + ROUNDING_MM
    more = to_target and wanted - relief >= LEAST_MOVE_MM and found.level_margin_share < 1.0
    if not (problem.relief_free and (off or more)) or abs(wanted - relief) < MOVED_MM:
        return found
    if not off:
        text = "Relief is {found:length}: level frets hold better at its target, {to:length}."
    elif limit.minimum_mm <= relief <= limit.maximum_mm:
        text = (
            "Relief is {found:length}, too near a limit ({low:figure} to {high:length}) for the "
            "readings to be sure: set it to {to:length}."
        )
    else:
        text = (
            "Relief is {found:length}, outside its limits ({low:figure} to {high:length}): set it "
            "to {to:length}."
        )
    why = sentence(
        text, found=relief, low=limit.minimum_mm, high=limit.maximum_mm, to=limit.value_mm
    )
    still = np.zeros(problem.strings)
    return found.moved(wanted - relief, still, still, why)


def _moves(
    at: SetUp, nuts: BoolArray, saddles: BoolArray, ends: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Return how nut slots and saddles move so that the gaps of those that move come to target.

    Within their travel, slots never upwards. Each moves the other's gap a little, so both are
    found together; where one reaches the end of its travel, the other goes by that. A saddle over
    a low end, `ends`, goes up by what the action lacks with that at its target, down by what it is
    too high as found.
    """
    problem, gaps = at.problem, _Gaps.of(at.problem)
    on_first, on_action = gaps.on_first, gaps.on_action
    low_first = gaps.first_mm - at.first_fret_gap_mm
    low_action = gaps.action_mm - at.action_mm
    down, up = problem.saddle_travel_mm
    to_nut: FloatArray = np.zeros(problem.strings)
    to_saddle: FloatArray = np.zeros(problem.strings)
    for _ in range(ROUNDS):
        to_nut = (low_first - on_first.saddle_share * to_saddle) / on_first.nut_share
        raised = np.where(ends, np.maximum(to_nut, 0.0), 0.0)
        to_nut = np.where(nuts, np.clip(to_nut, -problem.nut_travel_mm[0], 0.0), raised)
        wanted = (low_action - on_action.nut_share * to_nut) / on_action.saddle_share
        as_found = low_action / on_action.saddle_share
        wanted = np.where(ends, np.clip(0.0, wanted, np.maximum(as_found, wanted)), wanted)
        before = to_saddle
        to_saddle = np.where(saddles, np.clip(_saddle(at, wanted), -down, up), 0.0)
        if np.abs(to_saddle - before).max() < SETTLED_MM:
            break
    return np.where(ends, 0.0, to_nut), to_saddle


def _saddle(at: SetUp, wanted_mm: FloatArray) -> FloatArray:
    """Return how far the saddle moves at each string: as wanted, or one height and a slope."""
    if not at.problem.specification.target.one_piece_saddle or len(wanted_mm) < 3:
        return wanted_mm
    place = np.linspace(-1.0, 1.0, len(wanted_mm))
    return np.asarray(np.polyval(np.polyfit(place, wanted_mm, 1), place))


def _why(
    before: SetUp, now: SetUp, short: BoolArray, ends: BoolArray, *, even: bool
) -> list[Sentence]:
    """Return why slots and saddles move from as they were before, the rod being set."""
    reasons = []
    filed = np.abs(now.nut_change_mm - before.nut_change_mm) > MOVED_MM
    if filed.any():
        # as it would be with rod and saddle set
        gap = replace(now, nut_change_mm=before.nut_change_mm).first_fret_gap_mm[filed]
        others = (
            abs(now.relief_change_mm) > MOVED_MM or np.abs(now.saddle_change_mm).max() > MOVED_MM
        )
        text = (
            "With the rest set, the first-fret gap of {on:strings} would be up to {gap:length}: "
            if others
            else "First-fret gap of {on:strings} is up to {gap:length}: "
        ) + "file {on:plural the slot|the slots} to target."
        reasons.append(sentence(text, on=numbered(filed), gap=gap.max()))
    moved = np.abs(now.saddle_change_mm) > MOVED_MM
    raised = moved & short
    turned = abs(now.relief_change_mm) > MOVED_MM
    one_piece = now.problem.specification.target.one_piece_saddle
    texts = (
        (moved & ~raised, _EVEN if even else _OFF_ONE if one_piece else _OFF),
        (raised, _UNDER),
    )
    reasons += [
        sentence(
            text,
            action=sentence("With the rod set, the action" if turned else "Action"),
            on=numbered(which),
            gap=span(before.action_mm[which]),
        )
        for which, text in texts
        if which.any()
    ]
    if (by_end := moved & ends).any():
        reasons.append(sentence(_OVER_LOW_END, on=numbered(by_end), end=_end(now)))
    return reasons


def _end(at: SetUp) -> Sentence:
    """Return what a string rests on at the nut, for a sentence."""
    return sentence("zero fret" if at.problem.specification.board.zero_fret else "nut slot")


_AT = "{action} of {on:strings} is {gap}, "
_OFF = (
    _AT + "outside its limits or too near them to be sure: {on:plural its saddle is|their saddles "
    "are} set to target."
)
_OFF_ONE = _AT + "outside its limits or too near them to be sure: the saddle is set to target."
_UNDER = _AT + "under its target, and notes fail: it is raised to target before anything is cut."
_OVER_LOW_END = (
    "With the {end} of {on:strings} too low, the saddle there goes up by no more than it will need "
    "with that cured, and down by no more than it needs now."
)
_EVEN = (
    "At least a third of the saddles have to move. So all are set to target, and the action is "
    "even from string to string."
)


def too_near_to_tell(at: SetUp) -> tuple[Sentence, ...]:
    """Return the limits that settings come to keep, too near them for such readings to prove it.

    What may still move was taken further in: these are kept, or a slot that no file can raise.
    """
    problem, target = at.problem, at.problem.specification.target
    found = []
    for limit, what, limits, gap in (
        ("relief", "Relief", (target.relief,), np.array([at.relief_mm])),
        ("action", "Action of {on:strings}", target.action, at.action_mm),
        (
            "first-fret-gap",
            "First-fret gap of {on:strings}",
            target.first_fret_gap,
            at.first_fret_gap_mm,
        ),
    ):
        low, high = limits_mm(limits, 0.0)
        inside, unsure = np.minimum(gap - low, high - gap), unsure_mm(at, limit)
        near = (inside > MOVED_MM) & (inside < unsure - ROUNDING_MM)
        on_it = inside < problem.coverage_factor * LEAST_U_MM  # no reading is surer
        raised = limit == "first-fret-gap" and not problem.specification.board.zero_fret
        for which, text in ((near & ~on_it, _NEAR), (near & on_it, _ON)):
            if not which.any():
                continue
            low_slot = which & (gap - low < high - gap) & raised
            fill = sentence(_FILL, on=numbered(low_slot))
            cure = sentence("; or {fill}", fill=fill) if low_slot.any() else sentence("")
            if text is _ON:
                cure = fill if (low_slot == which).all() else sentence("let it be set to target")
            found.append(
                sentence(
                    text,
                    what=sentence(what, on=numbered(which)),
                    inside=span(inside[which]),
                    u=float(inside[which].min()) / problem.coverage_factor,
                    cure=cure,
                )
            )
    return tuple(found)


_NEAR = (
    "{what} comes to within {inside} of a limit: a proof with readings as uncertain as these would "
    "leave that undecided. Before you sign, have it read to {u:uncertainty} or better{cure}."
)
_ON = (
    "{what} comes so near a limit that no reading tells on which side it is: a proof would leave "
    "that undecided. Before you sign, {cure}, or agree on another limit."
)
_FILL = "fill {on:plural the slot|the slots} of {on:strings} and cut to target: no file raises one"


def left_out(at: SetUp) -> tuple[LeftOut, ...]:
    """Return the limits that kept settings, or those at the end of their travel, cannot meet."""
    problem, target = at.problem, at.problem.specification.target
    found: list[LeftOut] = []
    low, high = (float(one[0]) for one in limits_mm((target.relief,), 0.0))
    if not low - MOVED_MM <= at.relief_mm <= high + MOVED_MM:
        text = (
            "Relief is {found:length}, outside its limits ({low:figure} to {high:length}), and the "
            "rod is kept."
            if problem.specification.neck.truss_rod
            else "Relief is {found:length}, outside its limits ({low:figure} to {high:length}), "
            "and the neck has no truss rod."
        )
        found.append(LeftOut("relief", (), sentence(text, found=at.relief_mm, low=low, high=high)))
    low_gap, high_gap = limits_mm(target.first_fret_gap, 0.0)
    gap = at.first_fret_gap_mm
    too_low = "First-fret gap of {on:strings} is too low: fill the slot, or cut a new nut."
    too_high = "First-fret gap of {on:strings} stays too high: the nut is kept."
    if problem.nut_free:
        too_high = "First-fret gap of {on:strings} stays too high: the slots have no more travel."
    if problem.specification.board.zero_fret:
        too_low = "First-fret gap of {on:strings} is too low: the zero fret needs higher wire."
        too_high = "First-fret gap of {on:strings} is too high: the zero fret stands too high."
    for off, text in ((gap < low_gap - MOVED_MM, too_low), (gap > high_gap + MOVED_MM, too_high)):
        if off.any():
            found.append(LeftOut("first-fret-gap", numbered(off), sentence(text, on=numbered(off))))
    found += _action_left_out(at)
    if at.open_strings_short.any():
        on = numbered(at.open_strings_short)
        text = "Open {on:strings} would touch even level frets: only a higher {end} cures that."
        end = sentence("zero fret" if problem.specification.board.zero_fret else "slot")
        found.append(LeftOut("clearance", on, sentence(text, on=on, end=end)))
    return tuple(found)


def _action_left_out(at: SetUp) -> list[LeftOut]:
    """Return actions that stay off their limits, with the neck angle that would bring them back.

    Tilted about the joint by an angle, the neck takes the saddle up or down, as it sees it, by the
    angle times the distance from joint to saddle.
    """
    problem, lines = at.problem, at.problem.lines
    target = problem.specification.target.action
    low, high = limits_mm(target, 0.0)
    off = (at.action_mm < low - MOVED_MM) | (at.action_mm > high + MOVED_MM)
    cured = at.cured_action_mm(at.low_ends)
    by_end = off & (at.action_mm < low) & (cured >= low - MOVED_MM)
    found = []
    if by_end.any():
        text = (
            "Action of {on:strings} is too low only because the {end} is: with that cured it is "
            "{cured}."
        )
        on = numbered(by_end)
        cured_to = span(cured[by_end])
        found = [LeftOut("action", on, sentence(text, on=on, end=_end(at), cured=cured_to))]
        off &= ~by_end
    if not off.any():
        return found
    on = numbered(off)
    if not problem.saddle_free:
        text = "Action of {on:strings} stays outside its limits: the saddle is kept."
        return [*found, LeftOut("action", on, sentence(text, on=on))]
    scale = np.array([one.scale_mm for one in problem.specification.strings])
    joint = fret_distance_mm(1.0, problem.specification.board.joint_fret) * scale
    wanted = np.array([limit.value_mm for limit in target])
    share = open_share(lines, problem.specification.scale.reference_fret)
    # as settings go: up for the action with low ends cured, down for the action as it is
    lack = np.where(at.action_mm > high, wanted - at.action_mm, wanted - cured)
    lack = np.where(off, lack / share, 0.0)
    worst = int(np.abs(lack).argmax())
    angle = lack[worst] / (lines.saddle_station_mm[worst] - joint[worst])
    text = (
        "Action of {on:strings} stays too low: the saddle lacks {lack:length} of travel. "
        if angle > 0.0
        else "Action of {on:strings} stays too high: the saddle lacks {lack:length} of travel. "
    ) + (
        "A neck reset by {angle:.2f}° would bring it back; on a bolted neck, a shim of "
        "{shim:length} over {base:size} of length."
    )
    said = sentence(
        text,
        on=on,
        lack=abs(lack[worst]),
        angle=abs(math.degrees(angle)),
        shim=SHIM_BASE_MM * abs(angle),
        base=SHIM_BASE_MM,
    )
    return [*found, LeftOut("action", on, said)]
