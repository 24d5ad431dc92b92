"""Leeway before metal: the least movement of saddle and rod that makes every note hold, uncut.

A linear program of one move for each saddle and one for the rod, each within half of its tolerance.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import numpy as np

from evenfall.arrays import FloatArray, IntArray, numbered
from evenfall.instrument.specification import Limit
from evenfall.levelling.settings import (
    MOVED_MM,
    STEP_SHARE,
    Influence,
    SetUp,
    limits_mm,
    unsure_mm,
)
from evenfall.levelling.solver import Program
from evenfall.plan.ranges import LEAST_SHOWN_MM
from evenfall.requirement import ROUNDING_MM, State
from evenfall.strings.clearance import clearance_per_relief
from evenfall.wording import sentence

LEEWAY_SHARE = 0.5
"""Share of each tolerance that settings may use to spare metal; our judgement."""
_TIE = 1e-3
"""So much more a saddle's way down costs: of two equal sums, the one that lowers no string."""


def with_leeway(at: SetUp) -> SetUp | None:
    """Return the job with saddle and rod moved by the least that makes all hold, None if none does.

    The rod alone, then the saddles of strings that fall short, then both: whichever does without a
    move so small that no bench can set it, or the last that does at all. A position that falls
    short asks for its whole need; one that holds, for no more than it has. An open string that
    level frets would stop too asks only for what they would give.
    """
    moves, turn = _ranges_mm(at)
    failing = ~at.holds | at.problem.specification.target.one_piece_saddle
    fussy = None
    for saddle, rod in ((0.0 * moves, turn), (moves * failing, 0.0 * turn), (moves, turn)):
        if not (saddle.any() or rod.any()):
            continue
        rows = _program(at, saddle, rod)
        found = None if rows is None else _least_mm(at, saddle, rod, rows)
        if rows is not None and found is not None:
            there, settable = _settable(at, found, saddle, rod, rows)
            if settable:
                return there
            fussy = there
    return fussy


def _bands_mm(at: SetUp, *, saddle_stays: bool = False) -> list[tuple[Influence, FloatArray]]:
    """Return how far the gaps over the reference fret and fret 1 may move, each (2, K).

    Where the saddle stays as it was found, the action may go on by what no saddle would be moved
    for.
    """
    problem, target = at.problem, at.problem.specification.target
    bands = []
    for limits, limit, fret, gap, share in (
        (
            target.action,
            "action",
            problem.specification.scale.reference_fret,
            at.action_mm,
            LEEWAY_SHARE,
        ),
        (target.first_fret_gap, "first-fret-gap", 1, at.first_fret_gap_mm, 1.0),
    ):
        on = Influence.on(problem, fret)
        stays = (np.abs(at.saddle_change_mm) <= MOVED_MM) & saddle_stays & (limit == "action")
        spare = _least_step_mm(at)[:-1] * on.saddle_share * stays
        unsure = unsure_mm(at, limit)
        band = _band_mm(limits, unsure, gap, share, spare) - gap
        if limit == "action":  # with a low end at the nut as it is, and with that cured
            cured = at.cured_action_mm(at.low_ends)
            high = _band_mm(limits, unsure, cured, share, spare)[1] - cured
            band = np.stack([band[0], np.minimum(band[1], high)])
        bands.append((on, band))
    return bands


def _ranges_mm(at: SetUp) -> tuple[FloatArray, FloatArray]:
    """Return how far each saddle may go down and up, (2, K), and the relief, (2,)."""
    problem, change, relief = at.problem, at.saddle_change_mm, np.array([at.relief_mm])
    limits = (problem.specification.target.relief,)
    turn = _band_mm(limits, unsure_mm(at, "relief"), relief) - relief[0]
    turn = turn[:, 0] * problem.relief_free
    on, band = _bands_mm(at)[0]
    travel = np.array([-problem.saddle_travel_mm[0] - change, problem.saddle_travel_mm[1] - change])
    bent = np.sort(turn[:, None] * -on.relief_share, axis=0)
    most = np.stack([travel, (band + bent) / on.saddle_share])
    moves = np.stack([most[:, 0].max(axis=0), most[:, 1].min(axis=0)]) * problem.saddle_free
    return np.stack([np.minimum(moves[0], 0.0), np.maximum(moves[1], 0.0)]), turn


def _least_step_mm(at: SetUp) -> FloatArray:
    """Return the least move worth asking for, of each saddle and, last, of the rod, (K + 1,)."""
    allowed = at.problem.specification.judgement
    step = np.full(at.problem.strings + 1, STEP_SHARE * allowed.allowance_saddle_mm)
    step[-1] = STEP_SHARE * allowed.allowance_rod_mm
    return step


_Rows: TypeAlias = "tuple[FloatArray, FloatArray, FloatArray, int]"
"""Weights of rows, their lower and upper limits, and how many of them are of positions."""


def _program(at: SetUp, moves: FloatArray, turn: FloatArray) -> _Rows | None:
    """Return the rows of the program; None where no movement is enough."""
    problem, count = at.problem, at.problem.strings
    short, on_relief = _short_mm(at), clearance_per_relief(problem.lines, problem.bow.frets)
    reach = problem.share * moves[1][:, None, None]
    reach = reach + np.maximum(on_relief * turn[0], on_relief * turn[1])
    if (short > reach + ROUNDING_MM).any():
        return None
    worst = problem.share * moves[0][:, None, None]
    worst = worst + np.minimum(on_relief * turn[0], on_relief * turn[1])
    k, i, j = np.nonzero(short > worst)  # the others hold wherever saddle and rod go
    strings, bands = np.arange(count), _bands_mm(at, saddle_stays=not moves.any())
    rows = [_rows(count, k, problem.share[k, i, j], on_relief[k, i, j])]
    rows += [_rows(count, strings, on.saddle_share, on.relief_share) for on, _ in bands]
    low = [short[k, i, j], *(band[0] for _, band in bands)]
    high = [np.full(len(k), np.inf), *(band[1] for _, band in bands)]
    if problem.specification.target.one_piece_saddle and count > 2:
        bend = np.diff(np.eye(count), 2, axis=0)
        rows.append(np.hstack([bend, -bend, np.zeros((count - 2, 2))]))
        low.append(np.zeros(count - 2))
        high.append(np.zeros(count - 2))
    return np.concatenate(rows), np.concatenate(low), np.concatenate(high), len(k)


def _least_mm(at: SetUp, moves: FloatArray, turn: FloatArray, rows: _Rows) -> FloatArray | None:
    """Return the least move of each saddle and, last, of the rod that makes all hold."""
    count = at.problem.strings
    found = Program(
        cost=np.repeat([1.0, 1.0 + _TIE, 2.0 * count], [count, count, 2]),
        low_bound=np.zeros(2 * count + 2),
        high_bound=np.concatenate([moves[1], -moves[0], [turn[1], -turn[0]]]),
        row_weights=rows[0],
        row_low_bound=rows[1],
        row_high_bound=rows[2],
    ).solve()
    if found is None:
        return None
    up, down, rod = np.split(found.parameters, [count, 2 * count])
    return np.append(up - down, rod[0] - rod[1])


def _settable(
    at: SetUp, move: FloatArray, moves: FloatArray, turn: FloatArray, rows: _Rows
) -> tuple[SetUp, bool]:
    """Return the job moved by what a bench can set, and whether it can: else by what was found."""
    least = _least_step_mm(at)
    small = np.abs(move) < least - ROUNDING_MM
    if not small[np.abs(move) > MOVED_MM].any():
        return _moved(at, move), True
    matrix, low, high, positions = rows
    ends = [np.append(saddle, rod) for saddle, rod in zip(moves, turn, strict=True)]
    larger = np.where(np.abs(move) > MOVED_MM, np.sign(move) * least, 0.0)
    larger = np.where(small, larger, move)
    for tried in (np.where(small, 0.0, move), larger):
        if ((tried < ends[0] - MOVED_MM) | (tried > ends[1] + MOVED_MM)).any():
            continue
        columns = np.concatenate([tried[:-1], np.zeros(len(move) - 1), tried[-1:], [0.0]])
        gaps = (matrix @ columns)[positions:]
        kept = (gaps > low[positions:] - MOVED_MM) & (gaps < high[positions:] + MOVED_MM)
        if kept.all() and (there := _moved(at, tried)).holds.all():
            return there, True
    return _moved(at, move), False


def _moved(at: SetUp, move_mm: FloatArray) -> SetUp:
    """Return the job with its saddles and, last, its rod moved."""
    which = np.abs(move_mm) > MOVED_MM
    text = _WHAT[bool(which[:-1].any()), bool(which[-1])]
    why = sentence(text, on=numbered(which[:-1]))
    return at.moved(float(move_mm[-1]), np.zeros(len(move_mm) - 1), move_mm[:-1], why)


_AND = " by less than half of the tolerance, just so far that every note holds without a cut."
_WHAT = {
    (True, True): "Rod and saddle (at {on:strings}) move" + _AND,
    (True, False): "The saddle at {on:strings} moves" + _AND,
    (False, True): "The rod moves" + _AND,
    (False, False): "Every note holds.",
}
"""Why saddle and rod move, by whether each does."""


def _rows(
    count: int, string: IntArray, per_saddle: FloatArray, per_relief: FloatArray
) -> FloatArray:
    """Return rows of the program, one for each string given: columns up, down, rod up, rod down."""
    rows = np.zeros((len(string), 2 * count + 2))
    at = np.arange(len(string))
    rows[at, string], rows[at, count + string] = per_saddle, -per_saddle
    rows[:, -2], rows[:, -1] = per_relief, -per_relief
    return rows


def _short_mm(at: SetUp) -> FloatArray:
    """Return by how much each position falls short of what it asks for, -inf where it is none."""
    judged, clear = at.judged, at.clearance_mm
    ask = np.where(
        judged.state == State.HOLDS,
        np.minimum(clear, judged.need_mm - judged.tolerance_mm + LEAST_SHOWN_MM),
        judged.need_mm,
    )
    nut = at.open_strings_short
    ask[nut, 0] = np.fmin(ask[nut, 0], at.level_clearance_mm[nut, 0])
    return np.where(judged.state == State.UNKNOWN, -np.inf, ask - clear)


def _band_mm(
    limits: Sequence[Limit],
    unsure: FloatArray,
    gap_mm: FloatArray,
    share: float = LEEWAY_SHARE,
    spare_mm: FloatArray | float = 0.0,
) -> FloatArray:
    """Return where a setting may go, lower and upper: where it stands included, shape (2, K)."""
    value = np.array([limit.value_mm for limit in limits])
    drawn_low, drawn_high = limits_mm(limits, unsure)
    stated_low, stated_high = limits_mm(limits, 0.0)
    low = np.maximum(value - share * (value - stated_low) - spare_mm, drawn_low)
    high = np.minimum(value + share * (stated_high - value) + spare_mm, drawn_high)
    return np.stack([np.minimum(low, gap_mm), np.maximum(high, gap_mm)])
