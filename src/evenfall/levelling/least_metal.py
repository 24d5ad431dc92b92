"""The least metal with every limit used to the full: one linear program, and what proves it.

Rod, saddle, nut slots and every crown move at once, all limits drawn in by what readings and bench
may miss. It is the named alternative to the rules: exact, and it stands on the edge of its limits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from evenfall.arrays import FloatArray, IntArray
from evenfall.errors import SolverError
from evenfall.instrument.specification import Limit
from evenfall.levelling.cut import form_rows
from evenfall.levelling.problem import Problem
from evenfall.levelling.solver import Program
from evenfall.strings.clearance import (
    clearance_per_relief,
    open_gap_mm,
    open_share,
    rest_clearance_mm,
)

SLIPS_MM = (1e-10, 1e-8, 1e-7)
"""How far the metal may slip while the least movement is sought: the first that rounding allows."""
_NUT_WEIGHT = 4.0  # the nut is the hardest to put back, so its moves weigh most


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """The least metal for K strings over F frets; positive is up."""

    removal_mm: FloatArray  # (K, F)
    relief_change_mm: float
    saddle_height_change_mm: FloatArray  # (K,)
    nut_height_change_mm: FloatArray  # (K,)
    metal_mm: float
    dual_mm: float  # the dual bound that proves it least


def least_metal_mm(problem: Problem) -> float:
    """Return the least metal alone, NaN if the limits cannot hold: half the work."""
    if (problem.lacking_mm > 0.0).any():
        return np.nan
    answer = levelling_program(problem).solve()
    return np.nan if answer is None else float(answer.parameters[: problem.room_mm.size].sum())


def least_metal(problem: Problem) -> Solution | None:
    """Return the least metal and, with that, the least movement; None if the limits cannot hold."""
    if (problem.lacking_mm > 0.0).any():
        return None
    program = levelling_program(problem)
    count, crowns = problem.strings, problem.room_mm.size
    answer = program.solve()
    if answer is None:
        return None
    metal, columns = float(answer.parameters[:crowns].sum()), answer.parameters
    moves = np.zeros(len(columns))
    moves[crowns : crowns + 2 + 2 * count], moves[crowns + 2 + 2 * count :] = 1.0, _NUT_WEIGHT
    for slip in SLIPS_MM:
        kept = replace(program.with_row(program.cost, metal + slip), cost=moves)
        try:
            still = kept.solve()
        except SolverError:  # so near the bound that rounding may be in the way
            continue
        if still is not None:
            columns = still.parameters
            break
    removal = np.maximum(0.0, columns[:crowns]).reshape(problem.room_mm.shape)
    removal[removal < 1e-9] = 0.0  # no more than rounding
    relief, saddle, nut = np.split(columns[crowns:], [2, 2 + 2 * count])
    return Solution(
        removal_mm=removal,
        relief_change_mm=float(relief[0] - relief[1]),
        saddle_height_change_mm=saddle[:count] - saddle[count:],
        nut_height_change_mm=nut[:count] - nut[count:],
        metal_mm=metal,
        dual_mm=program.bound_by(answer.row_dual),
    )


def levelling_program(problem: Problem) -> Program:
    """Return the linear program of a job.

    Columns: removal (K F), relief up and down, saddles up (K) and down, nut slots up and down.
    """
    count, frets = problem.room_mm.shape
    found, lines, bow = problem.measurement, problem.lines, problem.bow
    clear = rest_clearance_mm(lines, found.nut_mm, found.crown_top_mm, found.saddle_mm)
    asked = problem.margin_mm + problem.requirement.need_mm(problem.attack_n)
    asked = asked - problem.requirement.extra_clearance_mm  # the margin has it
    k, i, j = np.nonzero(np.isfinite(clear))
    share = problem.share[k, i, j]
    each, stopped = np.arange(len(k)), i > 0
    cut = np.zeros((len(k), count * frets))
    cut[each, k * frets + j - 1] = 1.0
    cut[each[stopped], (k * frets + i - 1)[stopped]] = share[stopped] - 1.0
    on_nut = np.where(stopped, 0.0, 1.0 - share)
    bent = clearance_per_relief(lines, bow.frets)[k, i, j]
    blocks = [_rows(count, k, cut, bent, share, on_nut)]
    low, high = [(asked - clear)[k, i, j]], [np.full(len(k), np.inf)]
    strings, target = np.arange(count), problem.specification.target
    reference = problem.specification.scale.reference_fret
    for name, fret, stated in (
        ("action", reference, target.action),
        ("first-fret-gap", 1, target.first_fret_gap),
    ):
        gap = open_gap_mm(lines, found.nut_mm, found.crown_top_mm, found.saddle_mm, fret)
        cut = np.zeros((count, count * frets))
        cut[strings, strings * frets + fret - 1] = 1.0
        on_saddle = open_share(lines, fret)
        bent = -bow.frets[:, fret - 1]
        blocks.append(_rows(count, strings, cut, bent, on_saddle, 1.0 - on_saddle))
        least, most = _guarded_mm(problem, name, stated)
        low.append(least - gap)
        high.append(most - gap)
    if problem.relief_free:
        none, cut = np.zeros(1), -bow.weights.reshape(1, -1)
        blocks.append(_rows(count, strings[:1], cut, np.ones(1), none, none))
        least, most = _guarded_mm(problem, "relief", (target.relief,))
        low.append(least - problem.relief_found_mm)
        high.append(most - problem.relief_found_mm)
    offset = about_straight_line(lines.station_mm[:, 1:], found.crown_top_mm)
    form, form_low, form_high = form_rows(target, offset)
    blocks.append(np.hstack([form, np.zeros((len(form), 2 + 4 * count))]))
    saddle, nut = problem.saddle_travel_mm, problem.nut_travel_mm
    reach = np.concatenate(
        [
            problem.room_mm.ravel(),
            np.full(2, np.inf if problem.relief_free else 0.0),
            np.repeat(saddle[::-1] * problem.saddle_free, count),
            np.repeat(nut[::-1] * problem.nut_free, count),
        ]
    )
    return Program(
        cost=np.repeat([1.0, 0.0], [count * frets, 2 + 4 * count]),
        low_bound=np.zeros(len(reach)),
        high_bound=reach,
        row_weights=np.concatenate(blocks),
        row_low_bound=np.concatenate([*low, form_low]),
        row_high_bound=np.concatenate([*high, form_high]),
    )


def _guarded_mm(
    problem: Problem, name: str, stated: Sequence[Limit]
) -> tuple[FloatArray, FloatArray]:
    """Return limits drawn in, so that the result can be proved; at most to the middle."""
    low = np.array([limit.minimum_mm for limit in stated])
    high = np.array([limit.maximum_mm for limit in stated])
    unsure = problem.coverage_factor * problem.limit_u_mm[name]
    guard = problem.specification.rule.working_allowance_mm + unsure
    drawn = np.minimum(guard, 0.5 * (high - low))
    return low + drawn, high - drawn


def _rows(  # noqa: PLR0917  (one for each kind of column)
    count: int,
    string: IntArray,
    removal: FloatArray,
    relief: FloatArray,
    saddle: FloatArray,
    nut: FloatArray,
) -> FloatArray:
    """Return rows over all columns: what each does to the room, by the string that each is of."""
    each = np.arange(len(string))
    saddles, nuts = np.zeros((2, len(string), count))
    saddles[each, string], nuts[each, string] = saddle, nut
    rod = np.column_stack([relief, -relief])
    return np.hstack([removal, rod, saddles, -saddles, nuts, -nuts])


def about_straight_line(station_mm: FloatArray, height_mm: FloatArray) -> FloatArray:
    """Return heights about each string's own least-squares line, shape (K, F) [mm]."""
    centred = station_mm - station_mm.mean(axis=1, keepdims=True)
    level = height_mm - height_mm.mean(axis=1, keepdims=True)
    slope = (centred * level).sum(axis=1) / (centred**2).sum(axis=1)
    return np.asarray(level - slope[:, None] * centred)
