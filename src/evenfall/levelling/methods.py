"""The methods: the same limits, reached by different means.

Each function returns an `Outcome`, or None where the method does not meet every limit. Those that
search take a `progress`, which may stop them by raising `Cancelled`.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import count
from typing import TYPE_CHECKING

import highspy
import numpy as np

from evenfall.errors import Progress, SolverError, silent
from evenfall.levelling.model import LevellingModel, Solution
from evenfall.levelling.problem import removable_mm
from evenfall.levelling.solver import QuietHighs
from evenfall.measurement import Origin
from evenfall.plan import LEAST_SHOWN_MM
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from evenfall.arrays import BoolArray, FloatArray
    from evenfall.levelling.problem import Problem

MOST_NODES = 50
"""Nodes the search for the fewest frets may visit; a count, so that every run ends alike."""

BEAM_DROPS_MM = (0.0, 0.01, 0.02, 0.04, 0.08, 0.16, 0.24, 0.32)
"""How far a beam that would nearly do is lowered, in turn, to find one that does [mm]."""

SAME_METAL_MM = 1.5e-6
"""Metal that differs by less than this may count as the same [mm]: it is compared to 1e-6 mm."""

METAL_WEIGHT_PER_MM = 1e-3
"""Weight of metal against one fret [1/mm]: it settles which of equally few frets are worked on."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a method does to an instrument.

    Parameters
    ----------
    method
        Key of `evenfall.plan.METHODS`.
    problem
        The job the solution is for; with new wire in place where frets are replaced.
    solution
        What is cut and moved.
    replaced
        Frets that get new wire.
    proven
        Whether the program has proved that this method needs no less.
    remark
        What else there is to say; None for nothing.
    """

    method: str
    problem: Problem
    solution: Solution
    replaced: tuple[int, ...] = ()
    proven: bool = True
    remark: Sentence | None = None

    @property
    def crown_top_after_mm(self) -> FloatArray:
        """Crown tops after work, shape (K, F) [mm]."""
        return np.asarray(
            self.problem.measurement.crown_top_mm
            + self.solution.relief_change_mm * self.problem.bow.frets
            - self.solution.removal_mm
        )

    @property
    def crown_height_after_mm(self) -> FloatArray:
        """Crown heights after work, shape (K, F) [mm]."""
        return np.asarray(self.problem.measurement.crown_height_mm - self.solution.removal_mm)

    @property
    def nut_after_mm(self) -> FloatArray:
        """Nut slot floors after work, shape (K,) [mm]."""
        return np.asarray(self.problem.measurement.nut_mm + self.solution.nut_height_change_mm)

    @property
    def saddle_after_mm(self) -> FloatArray:
        """Saddle tops after work, shape (K,) [mm]."""
        return np.asarray(
            self.problem.measurement.saddle_mm + self.solution.saddle_height_change_mm
        )

    @property
    def touched(self) -> tuple[int, ...]:
        """Frets that lose metal that a gauge could show."""
        shown = (self.solution.removal_mm >= LEAST_SHOWN_MM).any(axis=0)
        return tuple(int(j) + 1 for j in np.flatnonzero(shown))


@contextmanager
def frets_closed(model: LevellingModel, closed: BoolArray) -> Iterator[None]:
    """Let no metal come off some frets for a while."""
    before = model.closed
    model.close_frets(before | closed)
    try:
        yield
    finally:
        model.close_frets(before)


def adjust_only(model: LevellingModel) -> Outcome | None:
    """Move rod, saddle and nut; cut nothing."""
    with frets_closed(model, np.ones(model.problem.frets, dtype=bool)):
        solution = model.least_metal()
    return None if solution is None else Outcome("adjust", model.problem, solution)


def every_crossing(model: LevellingModel) -> Outcome | None:
    """Cut each crossing to its computed height: the least metal there is."""
    solution = model.least_metal()
    return None if solution is None else Outcome("profile", model.problem, solution)


def spot_may_win(model: LevellingModel, each: Outcome, progress: Progress = silent) -> bool:
    """Return whether cutting the fewest frets might take no more metal than `each` does.

    It does not where the least metal takes every fret that it is on, while fewer frets would do.
    Some fewer are looked for; where none are found they may still exist, and the search has to say.
    """
    opened = each.solution.removal_mm.sum(axis=0) > 0.0
    enough = each.solution.metal_mm + SAME_METAL_MM
    metal, nothing = model.cost_of(model.r.ravel()), np.zeros(model.column_count)
    fewer_do = False
    for done, j in enumerate(np.flatnonzero(opened)):
        progress("Looking whether fewer frets do", done / opened.sum())
        closed = np.zeros_like(opened)
        closed[j] = True
        with frets_closed(model, closed):
            value = model.minimise(metal)
            if value is None:  # nothing holds without this fret
                continue
            if value <= enough:
                return True
            cut = (model.values()[model.r] > 0.0).any(axis=0)
        with frets_closed(model, closed | ~opened):
            fewer_do = fewer_do or cut.sum() < opened.sum() or model.minimise(nothing) is not None
    return not fewer_do


def fewest_frets(model: LevellingModel, each: Outcome, progress: Progress = silent) -> Outcome:
    """Cut on as few frets as can be; `each` is the model's answer by `every_crossing`."""

    def feasible(opened: BoolArray) -> bool:
        with frets_closed(model, ~opened):
            return model.minimise(np.zeros(model.column_count)) is not None

    columns = model.r.ravel()
    opened, proven = _fewest(
        each.solution.removal_mm.sum(axis=0),
        feasible,
        progress,
        lambda needed, enough: _integer_program(
            model,
            needed,
            enough,
            progress,
            gate_rows=[
                # r[k, j] <= room[k, j] where fret j is opened, 0 where it is not
                (int(column), int(column) % model.problem.frets, 1.0, -float(room), 0.0)
                for column, room in zip(columns, model.problem.room_mm.ravel(), strict=True)
            ],
        ),
    )
    with frets_closed(model, ~opened):
        solution = _solved(model)
    remark = None if proven else sentence("Found by search; fewer frets may do.")
    return Outcome("spot", model.problem, solution, proven=proven, remark=remark)


def _new_wire(
    model: LevellingModel,
) -> tuple[FloatArray, FloatArray, Callable[[BoolArray], bool]]:
    """Return what new wire gains at each crossing [mm], how much of it may not stay, and a test.

    New wire raises a crossing by what wear has taken: a removal that may be negative down to that
    amount. The test says whether new wire in some frets, shape (F,), meets every limit.
    """
    problem = model.problem
    gain = np.maximum(
        0.0,
        problem.specification.fretwire.crown_height_mm - problem.measurement.crown_height_mm,
    )
    everything = np.ones(problem.frets, dtype=bool)
    # new wire in place of a worn crown has to leave the least height too
    short = np.maximum(0.0, gain - with_new_wire(problem, everything, gain).room_mm)
    high = model.column_high[model.r.ravel()].copy()

    def feasible(opened: BoolArray) -> bool:
        low = -np.where(opened[None, :], gain, 0.0)
        most = np.where((opened & (short > 0.0)).ravel(), -short.ravel(), high)
        model.bound_columns(model.r, low.ravel(), most)
        try:
            return model.minimise(np.zeros(model.column_count)) is not None
        finally:
            model.bound_columns(model.r, 0.0, high)

    return gain, short, feasible


def new_wire_helps(model: LevellingModel) -> bool:
    """Return whether new wire meets every limit, in however many frets."""
    _, _, feasible = _new_wire(model)
    return feasible(np.ones(model.problem.frets, dtype=bool))


def replace_frets(model: LevellingModel, progress: Progress = silent) -> Outcome | None:
    """Replace as few frets as can be with new wire, then cut the least."""
    problem = model.problem
    gain, short, feasible = _new_wire(model)
    if not feasible(np.ones(problem.frets, dtype=bool)):
        return None
    opened, proven = _fewest(
        gain.sum(axis=0) + 1.0,
        feasible,
        progress,
        lambda needed, enough: _integer_program(
            model,
            needed,
            enough,
            progress,
            low=-gain.ravel(),
            gate_rows=[
                # r[k, j] >= -gain[k, j] where fret j is replaced, 0 where it is not
                (int(column), int(column) % problem.frets, 1.0, float(most), None)
                for column, most in zip(model.r.ravel(), gain.ravel(), strict=True)
            ]
            + [
                # r[k, j] <= -short[k, j] where fret j is replaced, 0 where it is not
                (int(column), int(column) % problem.frets, 1.0, float(lacks), 0.0)
                for column, lacks in zip(model.r.ravel(), short.ravel(), strict=True)
                if lacks > 0.0
            ],
        ),
    )
    fresh = with_new_wire(problem, opened, gain)
    solution = LevellingModel(fresh).least_metal()
    if solution is None:
        return None
    frets = tuple(int(j) + 1 for j in np.flatnonzero(opened))
    remark = None if proven else sentence("Found by search; fewer new frets may do.")
    return Outcome("partial-refret", fresh, solution, frets, proven, remark)


def with_new_wire(problem: Problem, replaced: BoolArray, gain_mm: FloatArray) -> Problem:
    """Return the job with new wire in some frets."""
    wire = problem.specification.fretwire
    found = problem.measurement
    height = np.where(replaced, wire.crown_height_mm, found.crown_height_mm)
    measurement = replace(
        found,
        heights=found.heights.at(
            crown_top_mm=found.heights.crown_top_mm + np.where(replaced, gain_mm, 0.0)
        ),
        crown_height_mm=height,
        crown_height_origin=np.where(
            replaced, np.int8(Origin.NOMINAL), found.crown_height_origin
        ).astype(np.int8),
    )
    return replace(
        problem,
        measurement=measurement,
        room_mm=removable_mm(problem.specification, measurement),
        relief_found_mm=problem.bow.relief_mm(measurement.crown_top_mm),
    )


def full_refret(problem: Problem) -> Outcome | None:
    """Plane the board straight, fit new wire everywhere, then cut the least."""
    fresh, wood_mm = refretted(problem)
    solution = LevellingModel(fresh).least_metal()
    if solution is None:
        return None
    remark = sentence("Planing takes up to {wood:length} off the board.", wood=wood_mm)
    return Outcome("refret", fresh, solution, tuple(range(1, problem.frets + 1)), True, remark)


def refretted(problem: Problem) -> tuple[Problem, float]:
    """Return the job with the board planed and new wire everywhere, and the most wood taken [mm].

    The board is planed with the relief taken out, to the highest straight line under it at each
    string, so that the least wood goes.
    """
    wire = problem.specification.fretwire
    found = problem.measurement
    board = found.crown_top_mm - found.crown_height_mm - problem.relief_found_mm * problem.bow.frets
    plane = np.array(
        [
            highest_line_under(x, z)
            for x, z in zip(problem.lines.station_mm[:, 1:], board, strict=True)
        ]
    )
    everywhere = np.ones(problem.frets, dtype=bool)
    fresh = with_new_wire(problem, everywhere, plane + wire.crown_height_mm - found.crown_top_mm)
    return fresh, float((board - plane).max())


def highest_line_under(x_mm: FloatArray, z_mm: FloatArray) -> FloatArray:
    """Return the straight line that lies under all points with the least total gap.

    It runs along the edge of the points' lower hull that spans their mean x (the dual of the
    two-variable linear program).
    """
    hull: list[int] = []
    for point in range(len(x_mm)):
        while len(hull) > 1:
            a, b = hull[-2], hull[-1]
            turn = (x_mm[b] - x_mm[a]) * (z_mm[point] - z_mm[a]) - (z_mm[b] - z_mm[a]) * (
                x_mm[point] - x_mm[a]
            )
            if turn > 0.0:
                break
            hull.pop()
        hull.append(point)
    middle = float(x_mm.mean())
    edge = max(i for i in range(len(hull) - 1) if i == 0 or x_mm[hull[i]] <= middle)
    a, b = hull[edge], hull[edge + 1]
    return np.asarray(z_mm[a] + (z_mm[b] - z_mm[a]) / (x_mm[b] - x_mm[a]) * (x_mm - x_mm[a]))


def levelling_beam(problem: Problem, progress: Progress = silent) -> Outcome | None:
    """Level with a straight beam of the board's radius, the relief taken out first.

    What the beam leaves is min(crown, beam). For a given set of crossings it touches this is a
    linear program; which set is best is searched for, from two beams: one that touches
    everything, and the one that would do if single crossings might be cut deeper than the beam,
    lowered until it does alone. From each the crossings that are only just reached are let go
    of, half of them at a time, then fewer, until that saves nothing more.
    """
    model = LevellingModel(problem, beam=True)
    metal = model.cost_of(model.r.ravel())
    least = model.minimise(metal)
    if least is None:
        return None
    over = model.over_beam_mm()

    tried = count(1)

    def cut(touching: BoolArray) -> tuple[float, BoolArray, FloatArray] | None:
        progress(
            "Placing a levelling beam", 1.0 - 0.98 ** next(tried)
        )  # how many it takes is not known
        model.touch_with_beam(touching)
        value = model.minimise(metal)
        return None if value is None else (value, touching, model.values()[model.r])

    everything = np.ones(model.r.shape, dtype=bool)
    untouched = cut(~everything) if least < 1e-9 else None
    if untouched is not None:
        reached = [untouched]
    else:
        lowered = (cut(over + drop > 1e-9) for drop in BEAM_DROPS_MM)
        starts = [cut(everything), next((found for found in lowered if found is not None), None)]
        reached = [_let_go(start, cut) for start in starts if start is not None]
    for value, touching, _ in sorted(reached, key=lambda found: found[0]):
        model.touch_with_beam(touching)
        solution = model.least_metal()
        if solution is not None:
            proven = value <= least + 1e-6
            remark = None if proven else sentence("Found by search; not proved minimal.")
            return Outcome("beam", problem, solution, proven=proven, remark=remark)
    return None


def _solved(model: LevellingModel) -> Solution:
    """Return the least metal of a model that is known to have an answer."""
    solution = model.least_metal()
    if solution is None:
        raise SolverError("The optimiser lost the plan it had found; please report this.")
    return solution


def _let_go(
    found: tuple[float, BoolArray, FloatArray],
    cut: Callable[[BoolArray], tuple[float, BoolArray, FloatArray] | None],
) -> tuple[float, BoolArray, FloatArray]:
    """Let go of the crossings that a beam only just reaches, as long as that saves metal.

    `cut` gives metal, crossings touched and removal for a set of crossings to touch.
    """
    share = 0.5
    while found[1].any():
        value, touching, removal = found
        cutoff = max(1e-7, float(np.quantile(removal[touching], share)))
        fewer = cut(touching & (removal > cutoff))
        if fewer is not None and fewer[0] < value - 1e-6:
            found = fewer
        elif share == 0.0 or cutoff <= 1e-7:
            break
        else:
            share = 0.25 * share if share > 0.01 else 0.0
    return found


def _fewest(
    weight: FloatArray,
    feasible: Callable[[BoolArray], bool],
    progress: Progress,
    search: Callable[[BoolArray, int], tuple[BoolArray, bool] | None],
) -> tuple[BoolArray, bool]:
    """Return the fewest frets with which `feasible` holds, and whether that is proved.

    A fret without which nothing holds, however many others are open, belongs to every answer. If
    the frets left after dropping what can be dropped are all of that kind, they are the fewest;
    else `search` (an integer program) is asked, with what every answer holds and how many do.
    """
    everything = np.ones(len(weight), dtype=bool)
    opened = weight > 0.0
    if not feasible(opened):  # a cut so small that rounding took it for none was needed
        opened = everything.copy()
    steps = 2 * int(opened.sum()) + 1
    for done, j in enumerate(np.flatnonzero(opened)[np.argsort(weight[opened], kind="stable")]):
        progress("Looking for the fewest frets", done / steps)
        trial = opened.copy()
        trial[j] = False
        if feasible(trial):
            opened = trial
    needed = np.zeros(len(weight), dtype=bool)
    for done, j in enumerate(np.flatnonzero(opened), start=steps // 2):
        progress("Looking for the fewest frets", done / steps)
        without = everything.copy()
        without[j] = False
        needed[j] = not feasible(without)
    enough = int(opened.sum())
    if enough in (int(needed.sum()), 1):  # one fret is the fewest, as none was tried first
        return opened, True
    found = search(needed, enough)
    if found is None:
        return opened, False
    fewer, proven = found
    reached = int(fewer.sum())
    if reached > enough or not feasible(fewer):  # the search is looser by a rounding than the proof
        return opened, proven and reached == enough
    return fewer, proven


def _integer_program(
    model: LevellingModel,
    needed: BoolArray,
    enough: int,
    progress: Progress,
    *,
    gate_rows: list[tuple[int, int, float, float, float | None]],
    low: FloatArray | None = None,
) -> tuple[BoolArray, bool] | None:
    """Minimise the number of open frets; return which, and whether that is proved.

    The frets `needed` are open in every answer, and no more than `enough` need be. Each gate row
    is (column, fret index, column weight, gate weight, upper bound), a row
    weight * r + gate * open <= upper; with upper None the row is >= 0 instead.
    """
    frets = model.problem.frets
    solver = QuietHighs()
    solver.setOptionValue("mip_max_nodes", MOST_NODES)
    solver.passModel(model.as_lp())
    cost = model.cost_of(model.r.ravel(), METAL_WEIGHT_PER_MM)
    solver.changeColsCost(model.column_count, np.arange(model.column_count, dtype=np.int32), cost)
    if low is not None:
        columns = model.r.ravel().astype(np.int32)
        solver.changeColsBounds(len(columns), columns, low, model.column_high[columns])
    empty = np.array([], dtype=np.int32)
    for always in needed:
        solver.addCol(1.0, float(always), 1.0, 0, empty, np.array([]))
    gates = np.arange(model.column_count, model.column_count + frets, dtype=np.int32)
    solver.changeColsIntegrality(
        frets, gates, np.full(frets, highspy.HighsVarType.kInteger.value, dtype=np.uint8)
    )
    for column, fret, weight, gate, upper in gate_rows:
        bounds = (0.0, highspy.kHighsInf) if upper is None else (-highspy.kHighsInf, upper)
        entries = np.array([column, int(gates[fret])], dtype=np.int32)
        solver.addRow(*bounds, 2, entries, np.array([weight, gate]))
    solver.addRow(float(needed.sum()), float(enough), frets, gates, np.ones(frets))
    solver.run_watched(lambda: progress("Looking for the fewest frets", 0.9))
    if not np.isfinite(solver.getInfo().objective_function_value):
        return None
    solution = np.array(solver.getSolution().col_value)
    if len(solution) != model.column_count + frets:
        return None
    proven = solver.getModelStatus() == highspy.HighsModelStatus.kOptimal
    return solution[gates] > 0.5, proven
