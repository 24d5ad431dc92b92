"""The linear program of a levelling job, built once, re-solved warm.

Columns: removal r[k, j]; relief change, saddle moves and nut moves, each as an up and a down
part; the attack F[k] = A[k] alpha; the largest share of fret life `life`; and one relaxation per
limit, fixed at zero unless asked for. Everything is linear (theory.md, section 3), so a slider
move is a change of bounds or of K coefficients, and the last basis is a warm start.
"""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import highspy
import numpy as np

from evenfall.errors import SolverError
from evenfall.levelling.solver import QuietHighs
from evenfall.strings.clearance import open_gap_mm, open_share

if TYPE_CHECKING:
    from evenfall.arrays import BoolArray, FloatArray, IntArray
    from evenfall.levelling.problem import Problem

LENGTH_LIMITS = ("action", "first-fret-gap", "relief", "crown-height", "travel")
"""Limits that can be relaxed by a length; the attack is relaxed through alpha."""

SLIPS = (1e-10, 1e-8, 1e-7)
"""How far an earlier answer may slip while a later one is sought [mm, or a share]: the least, and
what is tried in turn where rounding leaves nothing within it."""

MOST_ATTACK_N = 500.0
"""No search for the largest attack looks beyond this [N]."""

_INF = highspy.kHighsInf
_TOLERANCE, _NOTHING = 1e-10, 1e-8
"""What a limit may be missed by [mm], and what is still no more than rounding."""
_DUAL, _PRIMAL = 1, 4  # values of the optimiser's option simplex_strategy
_TRIES = (("off", _DUAL), ("off", _PRIMAL), ("on", _PRIMAL), ("on", _DUAL))


@dataclass(frozen=True, slots=True)
class Solution:
    """One answer of the linear program.

    Parameters
    ----------
    removal_mm
        Shape (K, F) [mm].
    relief_change_mm
        Change of relief [mm].
    saddle_height_change_mm, nut_height_change_mm
        Positive up, shape (K,) [mm].
    attack_share
        Attack that every limit holds at, as a multiple of the problem's.
    life_used
        Largest share of fret life used.
    relaxed_mm
        By how much each limit is relaxed [mm].
    metal_mm, dual_mm
        Total removal and the dual bound that proves it least [mm].
    row_dual
        Dual values of the metal objective by row.
    """

    removal_mm: FloatArray
    relief_change_mm: float
    saddle_height_change_mm: FloatArray
    nut_height_change_mm: FloatArray
    attack_share: float
    life_used: float
    relaxed_mm: dict[str, float]
    metal_mm: float
    dual_mm: float
    row_dual: FloatArray


class _Rows:
    """Rows of a sparse matrix, gathered block by block."""

    def __init__(self) -> None:
        self.starts: list[IntArray] = []
        self.columns: list[IntArray] = []
        self.values: list[FloatArray] = []
        self.low: list[FloatArray] = []
        self.high: list[FloatArray] = []
        self.count = 0

    def add(
        self, columns: IntArray, values: FloatArray, low: FloatArray, high: FloatArray
    ) -> slice:
        """Add a block of rows, each with the same number of entries; return where it is."""
        rows, width = columns.shape
        self.starts.append(np.full(rows, width))
        self.columns.append(columns.ravel())
        self.values.append(np.broadcast_to(values, columns.shape).ravel())
        self.low.append(np.broadcast_to(low, (rows,)))
        self.high.append(np.broadcast_to(high, (rows,)))
        block = slice(self.count, self.count + rows)
        self.count += rows
        return block


class LevellingModel:
    """The linear program of one job.

    Parameters
    ----------
    problem
        The job.
    limits
        Whether action, first-fret and relief limits bind (a bare clearance problem otherwise).
    beam
        Whether all cutting is done by one straight beam; see `touch_with_beam`.
    """

    def __init__(self, problem: Problem, *, limits: bool = True, beam: bool = False) -> None:
        self.problem = problem
        self.limits = limits
        self._columns()
        rows = _Rows()
        self._clearance_rows(rows)
        self._limit_rows(rows)
        self._life_rows(rows)
        self._form_rows(rows)
        if beam:
            self._beam_rows(rows)
        self.budget = rows.add(
            np.arange(self.r.size)[None, :], np.ones(1), np.array([-_INF]), np.array([_INF])
        ).start
        self._load(rows)

    # ---- building -----------------------------------------------------------------------

    def _columns(self) -> None:
        problem = self.problem
        strings, frets = problem.strings, problem.frets
        self.r = np.arange(strings * frets).reshape(strings, frets)
        at = self.r.size

        def take(count: int) -> IntArray:
            nonlocal at
            at += count
            return np.arange(at - count, at)

        self.relief_up, self.relief_down = int(take(1)[0]), int(take(1)[0])
        self.saddle_up, self.saddle_down = take(strings), take(strings)
        self.nut_up, self.nut_down = take(strings), take(strings)
        self.force = take(strings)
        self.alpha, self.life = int(take(1)[0]), int(take(1)[0])
        self.relax = dict(zip(LENGTH_LIMITS, take(len(LENGTH_LIMITS)).tolist(), strict=True))
        self.beam = take(4)
        self.column_count = at
        self.column_low = np.zeros(at)
        self.column_high = np.full(at, _INF)
        self.column_low[self.beam[:3]] = -_INF
        self.column_low[self.force] = -_INF  # tied to alpha, which may be negative in a diagnosis
        if problem.specification.target.fall_away_from_fret is None:
            self.column_high[self.beam[3]] = 0.0
        for free, moves in self._moves():
            self.column_high[moves] = _INF if free else 0.0
        for limit in LENGTH_LIMITS:
            self.column_high[self.relax[limit]] = 0.0
        self.column_low[self.alpha] = self.column_high[self.alpha] = 1.0
        self.column_high[self.life] = 1.0
        self.closed = np.zeros(frets, dtype=bool)

    def _moves(self) -> tuple[tuple[bool, list[int]], ...]:
        """Return what may move, and its columns; what is kept stays, whatever limit is relaxed."""
        problem = self.problem
        return (
            (problem.relief_free, [self.relief_up, self.relief_down]),
            (problem.saddle_free, [*self.saddle_up, *self.saddle_down]),
            (problem.nut_free, [*self.nut_up, *self.nut_down]),
        )

    def _clearance_rows(self, rows: _Rows) -> None:
        """Build c0 + (1-a)(z change at i) + a (saddle move) - (z change at j) >= m + F e."""
        problem = self.problem
        strings, frets = problem.strings, problem.frets
        found = problem.measurement
        height = np.concatenate([found.nut_mm[:, None], found.crown_top_mm], axis=1)
        bow = np.concatenate([np.zeros((strings, 1)), problem.bow.frets], axis=1)
        stop, fret = np.triu_indices(frets + 1, k=1)
        pairs = len(stop)
        k = np.repeat(np.arange(strings), pairs)
        i, j = np.tile(stop, strings), np.tile(fret, strings)
        a = problem.share[k, i, j]
        excursion = problem.requirement.swing_mm_per_n[k, i, j]
        rest = (1.0 - a) * height[k, i] + a * found.saddle_mm[k] - height[k, j]
        tilt = (1.0 - a) * bow[k, i] - bow[k, j]
        # at the nut the two entries of the stop are nut moves, else one is a removal
        at_nut = i == 0
        stop_down = np.where(at_nut, self.nut_down[k], self.r[k, np.maximum(i, 1) - 1])
        stop_up = np.where(at_nut, self.nut_up[k], self.saddle_up[k])
        columns = np.column_stack(
            [
                self.r[k, j - 1],
                stop_down,
                stop_up,
                self.saddle_up[k],
                self.saddle_down[k],
                np.full(k.shape, self.relief_up),
                np.full(k.shape, self.relief_down),
                self.force[k],
            ]
        )
        values = np.column_stack(
            [
                np.ones_like(a),
                -(1.0 - a),
                np.where(at_nut, 1.0 - a, 0.0),
                a,
                -a,
                tilt,
                -tilt,
                -excursion,
            ]
        )
        self.clear = rows.add(
            columns, values, problem.margin_mm[k, i, j] - rest, np.full(k.shape, _INF)
        )
        self.clear_index = np.column_stack([k, i, j])
        self.attack_rows = rows.add(
            np.column_stack([self.force, np.full(strings, self.alpha)]),
            np.column_stack([np.ones(strings), -problem.attack_n]),
            np.zeros(strings),
            np.zeros(strings),
        )

    def _limit_rows(self, rows: _Rows) -> None:
        problem = self.problem
        reference = problem.specification.scale.reference_fret
        self.action = self._gap_rows(rows, reference, problem.action_mm, "action")
        self.first_fret_gap = self._gap_rows(rows, 1, problem.first_fret_gap_mm, "first-fret-gap")
        relief = np.concatenate([self.r.ravel(), [self.relief_up, self.relief_down]])
        weights = np.concatenate([-problem.bow.weights.ravel(), [1.0, -1.0]])
        relax = self.relax["relief"]
        low, high = self._relief_change_limits()
        self.relief = (
            rows.add(
                np.append(relief, relax)[None, :],
                np.append(weights, 1.0),
                np.array([low]),
                np.array([_INF]),
            ),
            rows.add(
                np.append(relief, relax)[None, :],
                np.append(weights, -1.0),
                np.array([-_INF]),
                np.array([high]),
            ),
        )
        relax = self.relax["travel"]
        self.travel_rows: list[slice] = []  # saddle down, saddle up, nut down, nut up
        for columns, travel in (
            (self.saddle_down, problem.saddle_travel_mm[0]),
            (self.saddle_up, problem.saddle_travel_mm[1]),
            (self.nut_down, problem.nut_travel_mm[0]),
            (self.nut_up, problem.nut_travel_mm[1]),
        ):
            self.travel_rows.append(
                rows.add(
                    np.column_stack([columns, np.full(columns.shape, relax)]),
                    np.array([1.0, -1.0]),
                    np.full(columns.shape, -_INF),
                    np.full(columns.shape, travel),
                )
            )

    def _relief_change_limits(self) -> tuple[float, float]:
        """Return between what the relief may change [mm]."""
        problem = self.problem
        if not (self.limits and problem.relief_free):
            return -_INF, _INF  # nothing in reach moves it: diagnosis reports it instead
        low, high = problem.relief_mm - problem.relief_found_mm
        return float(low), float(high)

    def _gap_rows(
        self, rows: _Rows, fret: int, limits_mm: FloatArray, limit: str
    ) -> tuple[slice, slice]:
        """Rows for the gap of the open string over a fret: at least and at most."""
        problem = self.problem
        k = np.arange(problem.strings)
        a = open_share(problem.lines, fret)
        rest = self._open_gap_found_mm(fret)
        bow = problem.bow.frets[:, fret - 1]
        columns = np.column_stack(
            [
                self.r[:, fret - 1],
                self.nut_up,
                self.nut_down,
                self.saddle_up,
                self.saddle_down,
                np.full(k.shape, self.relief_up),
                np.full(k.shape, self.relief_down),
                np.full(k.shape, self.relax[limit]),
            ]
        )
        one = np.ones_like(a)
        values = np.column_stack([one, 1.0 - a, a - 1.0, a, -a, -bow, bow, one])
        infinite = np.full(k.shape, _INF)
        low = limits_mm[:, 0] - rest if self.limits else -infinite
        high = limits_mm[:, 1] - rest if self.limits else infinite
        at_least = rows.add(columns, values, low, infinite)
        values = values.copy()
        values[:, -1] = -1.0
        return at_least, rows.add(columns, values, -infinite, high)

    def _life_rows(self, rows: _Rows) -> None:
        """Build r - room * life - relaxation <= 0, or <= minus what a worn crown already lacks."""
        count = self.r.size
        self.life_rows = rows.add(
            np.column_stack(
                [
                    self.r.ravel(),
                    np.full(count, self.life),
                    np.full(count, self.relax["crown-height"]),
                ]
            ),
            np.column_stack([np.ones(count), -self.problem.room_mm.ravel(), -np.ones(count)]),
            np.full(count, -_INF),
            -self.problem.lacking_mm.ravel(),
        )

    def _form_rows(self, rows: _Rows) -> None:
        """Build what keeps a cut fret one smooth curve, and neighbours alike, if asked for.

        Heights are taken about each string's own straight line, so that neither the datum nor
        the board's radius enters.
        """
        problem = self.problem
        target = problem.specification.target
        self.across = self.along = slice(rows.count, rows.count)
        if target.across_mm is not None:
            offset = about_straight_line(
                problem.lines.station_mm[:, 1:], problem.measurement.crown_top_mm
            )
            left, middle, right = self.r[:-2], self.r[1:-1], self.r[2:]
            bend = (offset[:-2] - 2.0 * offset[1:-1] + offset[2:]).ravel()
            # a crossing that is rough as found may stay as rough, but not become rougher
            bound = np.maximum(target.across_mm, np.abs(bend))
            self.across = rows.add(
                np.column_stack([left.ravel(), middle.ravel(), right.ravel()]),
                np.array([-1.0, 2.0, -1.0]),
                -bound - bend,
                bound - bend,
            )
        if target.along_mm is not None:
            self.along = rows.add(
                np.column_stack([self.r[:, :-1].ravel(), self.r[:, 1:].ravel()]),
                np.array([1.0, -1.0]),
                np.full(self.r[:, 1:].size, -target.along_mm),
                np.full(self.r[:, 1:].size, target.along_mm),
            )

    def _beam_rows(self, rows: _Rows) -> None:
        """Build r + beam >= height, the beam as level, slope, cant and fall-away.

        Heights are taken about each string's own straight line with the relief taken out: that
        line carries the board's radius and the datum, the beam what is straight for all strings.
        """
        problem = self.problem
        lines = problem.lines
        straightened = problem.measurement.crown_top_mm - (
            problem.relief_found_mm * problem.bow.frets
        )
        self.beam_height = about_straight_line(lines.station_mm[:, 1:], straightened)
        x = lines.x_mm[:, 1:]
        along = 2.0 * x / x.max() - 1.0
        across = lines.y_mm[:, 1:] / np.abs(lines.y_mm).max()
        fall_from = problem.specification.target.fall_away_from_fret or problem.frets
        fall = np.maximum(0.0, along - along[:, fall_from - 1 : fall_from])
        count = self.r.size
        self.beam_shape = np.stack([np.ones_like(along), along, across, -fall], axis=-1)
        self.beam_rows = rows.add(
            np.column_stack([self.r.ravel(), np.tile(self.beam, (count, 1))]),
            np.column_stack([np.ones(count), self.beam_shape.reshape(count, -1)]),
            self.beam_height.ravel(),
            np.full(count, _INF),
        )

    def over_beam_mm(self) -> FloatArray:
        """Return how far each crown stands over the beam of the last answer, shape (K, F) [mm]."""
        return np.asarray(self.beam_height - self.beam_shape @ self.values()[self.beam])

    def touch_with_beam(self, touching: BoolArray) -> None:
        """Set which crossings, shape (K, F), the beam cuts; the others it must clear."""
        self.bound_columns(self.r, 0.0, np.where(touching, _INF, 0.0).ravel())
        height = self.beam_height.ravel()
        rows = np.arange(self.beam_rows.start, self.beam_rows.stop)
        self.bound_rows(rows, height, np.where(touching.ravel(), height, _INF))

    def _load(self, rows: _Rows) -> None:
        self.row_low = np.concatenate(rows.low)
        self.row_high = np.concatenate(rows.high)
        self.start = np.concatenate([[0], np.cumsum(np.concatenate(rows.starts))])
        self.index = np.concatenate(rows.columns)
        self.value = np.concatenate(rows.values)
        # an attack of nothing keeps its place: a slider may raise it
        keep = (self.value != 0.0) | (self.index == self.alpha)
        row_of = np.repeat(np.arange(rows.count), np.diff(self.start))[keep]
        self.index, self.value = self.index[keep], self.value[keep]
        self.start = np.concatenate([[0], np.cumsum(np.bincount(row_of, minlength=rows.count))])
        self.row_of = row_of
        self.cost = np.zeros(self.column_count)
        self._found_at: dict[str, Any] = {}
        self._highs = QuietHighs()
        for name, option in (
            ("presolve", "off"),
            ("primal_feasibility_tolerance", _TOLERANCE),
            ("dual_feasibility_tolerance", _TOLERANCE),
        ):
            self._highs.setOptionValue(name, option)
        if self._highs.passModel(self.as_lp()) == highspy.HighsStatus.kError:
            raise SolverError("The optimiser did not accept the levelling problem.")

    def as_lp(self) -> Any:
        """Return the program as it stands for another solver run (highspy.HighsLp)."""
        lp = highspy.HighsLp()
        lp.num_col_ = self.column_count
        lp.num_row_ = len(self.row_low)
        lp.col_cost_ = self.cost
        lp.col_lower_ = self.column_low
        lp.col_upper_ = self.column_high
        lp.row_lower_ = self.row_low
        lp.row_upper_ = self.row_high
        lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        lp.a_matrix_.start_ = self.start.astype(np.int32)
        lp.a_matrix_.index_ = self.index.astype(np.int32)
        lp.a_matrix_.value_ = self.value
        return lp

    # ---- changing -----------------------------------------------------------------------

    def bound_columns(self, columns: Any, low: Any, high: Any) -> None:
        """Set bounds of columns."""
        at = np.atleast_1d(np.asarray(columns)).ravel()
        self.column_low[at] = np.broadcast_to(low, at.shape)
        self.column_high[at] = np.broadcast_to(high, at.shape)
        self._highs.changeColsBounds(
            len(at), at.astype(np.int32), self.column_low[at], self.column_high[at]
        )

    def close_frets(self, closed: BoolArray) -> None:
        """Let no metal come off some frets, shape (F,)."""
        self.closed = closed
        high = np.broadcast_to(np.where(closed, 0.0, _INF), self.r.shape)
        self.bound_columns(self.r, self.column_low[self.r.ravel()], high.ravel())

    def forgive_worn(self) -> None:
        """Accept crowns under the least height as they are."""
        self.bound_columns(self.relax["crown-height"], 0.0, _INF)

    def bound_row(self, row: int, low_bound: float, high_bound: float) -> None:
        """Set the bounds of one row, in its own unit."""
        self.row_low[row], self.row_high[row] = low_bound, high_bound
        self._highs.changeRowBounds(row, low_bound, high_bound)

    def bound_rows(self, rows: IntArray, low_bounds: Any, high_bounds: Any) -> None:
        """Set the bounds of several rows."""
        self.row_low[rows] = low_bounds
        self.row_high[rows] = high_bounds
        self._highs.changeRowsBounds(  # type: ignore[attr-defined]  # left out of highspy's stubs
            len(rows), rows.astype(np.int32), self.row_low[rows], self.row_high[rows]
        )

    def adopt(self, problem: Problem) -> None:
        """Go over to a job that differs in attack, limits and what is kept, and in nothing else."""
        was = self._moves()
        before, self.problem = self.problem, problem
        if not np.array_equal(before.attack_n, problem.attack_n):
            self._set_attack(problem.attack_n)
        if not np.array_equal(before.action_mm, problem.action_mm):
            self.set_action_limits(problem.action_mm)
        for (was_free, _), (free, moves) in zip(was, self._moves(), strict=True):
            if was_free != free:
                self.bound_columns(moves, 0.0, _INF if free else 0.0)
        low, high = self._relief_change_limits()
        self.bound_row(self.relief[0].start, low, _INF)
        self.bound_row(self.relief[1].start, -_INF, high)

    def _set_attack(self, attack_n: FloatArray) -> None:
        for k, row in enumerate(range(self.attack_rows.start, self.attack_rows.stop)):
            begin, end = self.start[row], self.start[row + 1]
            entry = begin + int(np.flatnonzero(self.index[begin:end] == self.alpha)[0])
            self.value[entry] = -attack_n[k]
            self._highs.changeCoeff(row, self.alpha, -float(attack_n[k]))

    def set_action_limits(self, limits_mm: FloatArray) -> None:
        """Change the lower and upper action limits, shape (K, 2) [mm]."""
        rest = self._open_gap_found_mm(self.problem.specification.scale.reference_fret)
        at_least, at_most = self.action
        for k in range(self.problem.strings):
            self.bound_row(at_least.start + k, limits_mm[k, 0] - rest[k], _INF)
            self.bound_row(at_most.start + k, -_INF, limits_mm[k, 1] - rest[k])

    def _open_gap_found_mm(self, fret: int) -> FloatArray:
        found = self.problem.measurement
        return open_gap_mm(
            self.problem.lines, found.nut_mm, found.crown_top_mm, found.saddle_mm, fret
        )

    # ---- solving ------------------------------------------------------------------------

    def minimise(self, cost: FloatArray, *, strategy: int = _DUAL, goal: str = "") -> float | None:
        """Return the least value of a linear objective, or None if nothing fits the limits.

        `_PRIMAL` is the quicker strategy where the last answer still fits every limit. A `goal`
        that was sought before starts from where it was found then.
        """
        if goal in self._found_at:
            self._highs.setBasis(self._found_at[goal])
        self.cost = cost
        self._highs.changeColsCost(
            self.column_count, np.arange(self.column_count, dtype=np.int32), cost
        )
        status = self._run(strategy)
        if status == highspy.HighsModelStatus.kOptimal:
            if goal:
                self._found_at[goal] = self._highs.getBasis()
            return float(self._highs.getInfo().objective_function_value)
        if status in (
            highspy.HighsModelStatus.kInfeasible,
            highspy.HighsModelStatus.kUnboundedOrInfeasible,
        ):
            return None
        raise SolverError("The optimiser stopped early ({status}).", status=status.name)

    def _run(self, first: int) -> Any:
        """Run; from scratch if a warm start led nowhere; by the other methods if that did too."""
        try:
            for presolve, strategy in (("off", first), *_TRIES):
                self._highs.setOptionValue("presolve", presolve)
                self._highs.setOptionValue("simplex_strategy", strategy)
                outcome = self._highs.run()
                status = self._highs.getModelStatus()
                done = status in (
                    highspy.HighsModelStatus.kOptimal,
                    highspy.HighsModelStatus.kInfeasible,
                )
                if outcome != highspy.HighsStatus.kError and done:
                    break
                self._highs.clearSolver()
            missed = self._highs.getInfo().max_primal_infeasibility
            if status == highspy.HighsModelStatus.kInfeasible and 0.0 < missed < _NOTHING:
                # a neck that was planned before may stand a rounding outside its limits
                self._highs.setOptionValue("primal_feasibility_tolerance", _NOTHING)
                self._highs.run()
                status = self._highs.getModelStatus()
        finally:
            self._highs.setOptionValue("presolve", "off")
            self._highs.setOptionValue("simplex_strategy", _DUAL)
            self._highs.setOptionValue("primal_feasibility_tolerance", _TOLERANCE)
        return status

    def cost_of(self, columns: Any, weight: Any = 1.0) -> FloatArray:
        """Return an objective with `weight`, one or one for each, on some columns."""
        cost = np.zeros(self.column_count)
        cost[np.asarray(columns)] = weight
        return cost

    @property
    def adjustments(self) -> IntArray:
        """Columns that are adjustments."""
        return np.concatenate(
            [
                [self.relief_up, self.relief_down],
                self.saddle_up,
                self.saddle_down,
                self.nut_up,
                self.nut_down,
            ]
        )

    def least_metal(self, strategy: int = _DUAL) -> Solution | None:
        """Solve in order: least metal, then least share of fret life, then least adjustment.

        Returns None if the limits cannot all hold.
        """
        metal = self.minimise(self.cost_of(self.r.ravel()), strategy=strategy)
        if metal is None:
            return None
        dual_mm, row_dual = self.dual_bound()
        x = self.values()
        budget = float(self.row_high[self.budget])
        life_high = float(self.column_high[self.life])
        # the nut is the hardest to put back, so its moves weigh most
        moves = self.cost_of(self.adjustments)
        moves[self.nut_up] = moves[self.nut_down] = 4.0
        try:
            for slip in SLIPS:
                self.bound_row(self.budget, -_INF, min(metal + slip, budget))
                with suppress(SolverError):  # so near the bound that rounding may be in the way
                    life = self.minimise(self.cost_of(self.life), strategy=_PRIMAL)
                    if life is None:
                        continue
                    x = self.values()
                    self.bound_columns(self.life, 0.0, min(life + slip, life_high))
                    if self.minimise(moves, strategy=_PRIMAL) is not None:
                        x = self.values()
                        break
                self.bound_columns(self.life, 0.0, life_high)
        finally:
            self.bound_columns(self.life, 0.0, life_high)
            self.bound_row(self.budget, -_INF, budget)
        # where rounding leaves no room at all, the answer to the earlier question stands
        return self._solution(x, metal, dual_mm, row_dual)

    def most_attack(
        self,
        budget_mm: float | None = None,
        *,
        at_most_share: float = math.inf,
        even_touching: bool = False,
    ) -> Solution | None:
        """Meet the largest multiple of the attack within a metal budget [mm], then cut the least.

        With `even_touching`, strings may touch at rest: the multiple may be negative.
        """
        budget_before = float(self.row_high[self.budget])
        try:
            if budget_mm is not None:
                self.bound_row(self.budget, -_INF, budget_mm)
            most = MOST_ATTACK_N / max(float(self.problem.attack_n.max()), 1e-6)
            most = min(most, at_most_share)
            lowest = -most if even_touching else 0.0
            self.bound_columns(self.alpha, lowest, most)
            best = self.minimise(self.cost_of(self.alpha, -1.0), goal="attack")
            if best is None:
                return None
            for slip in SLIPS:
                self.bound_columns(self.alpha, max(lowest, -best - slip), most)
                solution = self.least_metal(_PRIMAL)
                if solution is not None:
                    return solution
        finally:
            self.bound_columns(self.alpha, 1.0, 1.0)
            self.bound_row(self.budget, -_INF, budget_before)
        raise SolverError("The optimiser lost the plan it had found; please report this.")

    def untouched(self) -> Solution:
        """Return that nothing is cut or moved, for no attack at all."""
        nothing = np.zeros(self.column_count)
        return self._solution(nothing, 0.0, 0.0, np.zeros(len(self.row_low)))

    def values(self) -> FloatArray:
        """Return the column values of the last answer."""
        return np.array(self._highs.getSolution().col_value)

    def dual_bound(self) -> tuple[float, FloatArray]:
        """Return the bound that the last answer's dual values prove, and those values."""
        return self.bound_by(np.array(self._highs.getSolution().row_dual))

    def bound_by(self, row_dual: FloatArray) -> tuple[float, FloatArray]:
        """Return the bound on the objective that some row duals prove, and those that count.

        Computed here from the program's own data, not taken from the optimiser: for row duals y
        and reduced costs d = c - A'y, the bound is the sum of each y and d times the bound it
        leans on (LP duality). A dual that leans on no bound proves nothing and is set to zero,
        which loosens the bound by what its column could still move. So any values give a true
        bound, and the right ones the best.
        """
        leaning = np.where(row_dual > 0.0, self.row_low, self.row_high)
        y = np.where(np.abs(leaning) < _INF, row_dual, 0.0)
        reduced = self.cost - np.bincount(
            self.index, weights=self.value * y[self.row_of], minlength=self.column_count
        )
        bound = np.where(reduced > 0.0, self.column_low, self.column_high)
        free = ~(np.abs(bound) < _INF)
        reach = np.where(free, 100.0, np.abs(bound))  # no height on an instrument is over 100 mm
        column_part = np.where(free, -np.abs(reduced) * reach, reduced * np.where(free, 0.0, bound))
        row_part = y * np.where(y == 0.0, 0.0, np.where(y > 0.0, self.row_low, self.row_high))
        return float(row_part.sum() + column_part.sum()), y

    def _solution(
        self, x: FloatArray, metal_mm: float, dual_mm: float, row_dual: FloatArray
    ) -> Solution:
        removal = np.maximum(0.0, x[self.r])
        removal[removal < 1e-9] = 0.0
        return Solution(
            removal_mm=removal,
            relief_change_mm=float(x[self.relief_up] - x[self.relief_down]) + 0.0,
            saddle_height_change_mm=x[self.saddle_up] - x[self.saddle_down],
            nut_height_change_mm=x[self.nut_up] - x[self.nut_down],
            attack_share=float(x[self.alpha]),
            life_used=float(x[self.life]),
            relaxed_mm={limit: float(x[column]) for limit, column in self.relax.items()},
            metal_mm=metal_mm,
            dual_mm=dual_mm,
            row_dual=row_dual,
        )


def about_straight_line(station_mm: FloatArray, height_mm: FloatArray) -> FloatArray:
    """Return heights about each string's own least-squares line, shape (K, F) [mm]."""
    centred = station_mm - station_mm.mean(axis=1, keepdims=True)
    level = height_mm - height_mm.mean(axis=1, keepdims=True)
    slope = (centred * level).sum(axis=1) / (centred**2).sum(axis=1)
    return np.asarray(level - slope[:, None] * centred)
