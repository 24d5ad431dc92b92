"""Why the plan is as it is: what it is bound by, the price of each limit, effort and risk."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from evenfall.plan import METHODS, Binding, LimitName, MethodResult, Price, Side
from evenfall.requirement import margin_share
from evenfall.strings.clearance import buzz_force, rest_clearance_mm, touch_force
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from collections.abc import Sequence

    from evenfall.arrays import FloatArray
    from evenfall.levelling.methods import Outcome
    from evenfall.levelling.model import LevellingModel
    from evenfall.levelling.problem import Problem
    from evenfall.strings.clearance import PluckForce

#: Bench time [min]: estimates, common practice, no source.
MINUTES = {
    "rod": 5.0,
    "saddle, each string": 2.0,
    "nut, each slot": 4.0,
    "fret, each, by file": 4.0,
    "fret, each, re-crowned": 4.0,
    "beam, once": 30.0,
    "fret, each, replaced": 15.0,
    "board, planed": 60.0,
}

_SMALL = 1e-7


def binding_limits(model: LevellingModel, outcome: Outcome) -> tuple[Binding, ...]:
    """Return the limits that keep the metal from being less, dearest first: its dual values."""
    dual = outcome.solution.row_dual
    if outcome.solution.metal_mm < _SMALL or not dual.size:
        return ()
    found = [
        *_clear_binding(model, dual),
        *_limit_binding(model, dual),
        *_life_binding(model, dual),
    ]
    return tuple(sorted(found, key=lambda b: -b.price_mm_per_mm))


def _clear_binding(model: LevellingModel, dual: FloatArray) -> list[Binding]:
    grouped: dict[tuple[int, int], list[tuple[int, float]]] = {}
    for row in np.flatnonzero(np.abs(dual[model.clear]) > _SMALL):
        k, i, j = (int(v) for v in model.clear_index[row])
        grouped.setdefault((i, j), []).append((k + 1, float(abs(dual[model.clear][row]))))
    return [
        Binding("clearance", "", tuple(k for k, _ in held), i, j, sum(price for _, price in held))
        for (i, j), held in grouped.items()
    ]


def _limit_binding(model: LevellingModel, dual: FloatArray) -> list[Binding]:
    """Return one entry for each end of a limit that is reached, its strings together."""
    reference = model.problem.specification.scale.reference_fret
    ends: tuple[Side, Side] = ("lower", "upper")
    per_string: tuple[tuple[LimitName, Sequence[slice], int | None], ...] = (
        ("action", model.action, reference),
        ("first-fret-gap", model.first_fret_gap, 1),
        ("saddle-travel", model.travel_rows[:2], None),
        ("nut-travel", model.travel_rows[2:], None),
    )
    found: list[Binding] = []
    for name, blocks, fret in per_string:
        for block, side in zip(blocks, ends, strict=True):
            held = np.abs(dual[block])
            strings = tuple(int(k) + 1 for k in np.flatnonzero(held > _SMALL))
            if strings:
                stopped = 0 if fret else None
                found.append(Binding(name, side, strings, stopped, fret, float(held.sum())))
    common: tuple[tuple[LimitName, Side, slice], ...] = (
        ("relief", "lower", model.relief[0]),
        ("relief", "upper", model.relief[1]),
        ("across", "", model.across),
        ("along", "", model.along),
    )
    for name, side, block in common:
        price = float(np.abs(dual[block]).sum())
        if price > _SMALL:
            found.append(Binding(name, side, (), None, None, price))
    return found


def _life_binding(model: LevellingModel, dual: FloatArray) -> list[Binding]:
    prices = np.abs(dual[model.life_rows]).reshape(model.r.shape)
    found = []
    for j in np.flatnonzero((prices > _SMALL).any(axis=0)):
        strings = tuple(int(k) + 1 for k in np.flatnonzero(prices[:, j] > _SMALL))
        price = float(prices[:, j].sum())
        found.append(Binding("crown-height", "lower", strings, None, int(j) + 1, price))
    return found


def prices(model: LevellingModel, outcome: Outcome) -> tuple[Price, ...]:
    """Return what relaxing each limit a little would save in metal."""
    dual = outcome.solution.row_dual
    if outcome.solution.metal_mm < _SMALL or not dual.size:
        return ()

    def total(*blocks: slice) -> float:
        return float(sum(np.abs(dual[block]).sum() for block in blocks))

    attack = float(np.abs(dual[model.attack_rows] * model.problem.attack_n).sum())
    listed = (
        Price("attack", 1.0, "percent", 0.01 * attack),
        Price("action", 0.01, "mm", 0.01 * total(*model.action)),
        Price("first-fret-gap", 0.01, "mm", 0.01 * total(*model.first_fret_gap)),
        Price("relief", 0.01, "mm", 0.01 * total(*model.relief)),
        Price("saddle-travel", 0.01, "mm", 0.01 * total(*model.travel_rows[:2])),
        Price("nut-travel", 0.01, "mm", 0.01 * total(*model.travel_rows[2:])),
    )
    return tuple(p for p in listed if p.metal_mm > _SMALL)


def forces_after(outcome: Outcome) -> tuple[PluckForce, PluckForce]:
    """Return buzz force and touch force after the work."""
    problem = outcome.problem
    clearance = rest_clearance_mm(
        problem.lines, outcome.nut_after_mm, outcome.crown_top_after_mm, outcome.saddle_after_mm
    )
    return buzz_force(clearance, problem.excursion), touch_force(clearance, problem.excursion)


def method_result(outcome: Outcome) -> MethodResult:
    """Return what a method that meets every limit comes to."""
    problem, solution = outcome.problem, outcome.solution
    played = problem.player_n > 0.0

    def lowest(force: PluckForce) -> float:
        share = margin_share(force.force_n, problem.player_n)[played]
        return 100.0 * float(share.min()) if played.any() else math.nan

    buzz, touch = forces_after(outcome)
    least = float(outcome.crown_height_after_mm.min())
    return MethodResult(
        method=outcome.method,
        holds=True,
        metal_mm=float(solution.removal_mm.sum()),
        frets_touched=len(outcome.touched),
        frets_replaced=len(outcome.replaced),
        lowest_crown_mm=least,
        life_used=_life_used(problem, outcome),
        lowest_margin_percent=lowest(buzz),
        lowest_touch_margin_percent=lowest(touch),
        minutes=_minutes(outcome),
        risks=_risks(outcome, least),
        remark=outcome.remark,
    )


def _life_used(problem: Problem, outcome: Outcome) -> float:
    room = problem.room_mm
    cut = outcome.solution.removal_mm
    # where the least height had to be relaxed, all the life there was is used and more
    return float(np.where(cut < room, cut / np.maximum(room, 1e-12), cut > 0.0).max())


def _minutes(outcome: Outcome) -> float:
    """Return the estimated bench time of an outcome [min], from `MINUTES`."""
    solution = outcome.solution
    total = MINUTES["rod"] if abs(solution.relief_change_mm) > 1e-3 else 0.0
    total += MINUTES["saddle, each string"] * int(
        (np.abs(solution.saddle_height_change_mm) > 1e-3).sum()
    )
    total += MINUTES["nut, each slot"] * int((np.abs(solution.nut_height_change_mm) > 1e-3).sum())
    touched = len(outcome.touched)
    if outcome.method == "beam":
        total += MINUTES["beam, once"] + MINUTES["fret, each, re-crowned"] * touched
    else:
        total += touched * (MINUTES["fret, each, by file"] + MINUTES["fret, each, re-crowned"])
    if outcome.method == "refret":
        total += MINUTES["board, planed"]
    return total + MINUTES["fret, each, replaced"] * len(outcome.replaced)


def _risks(outcome: Outcome, least_height_mm: float) -> tuple[Sentence, ...]:
    """Return what can go wrong, from what the outcome does."""
    problem, solution = outcome.problem, outcome.solution
    wire = problem.specification.fretwire
    risks = []
    if outcome.method == "refret":
        risks.append(sentence("Wood comes off the board and cannot be put back."))
    elif outcome.replaced:
        risks.append(sentence("Slots may be damaged as frets come out."))
    if solution.removal_mm.max(initial=0.0) > 0.0:
        left = least_height_mm - wire.least_crown_height_mm
        risks.append(
            sentence(
                "Only {left:length} of crown is left to cut another time.", left=max(0.0, left)
            )
            if left < 0.05
            else sentence("Metal cannot be put back.")
        )
    if (solution.nut_height_change_mm < -1e-3).any():
        risks.append(sentence("A nut slot cut too deep has to be filled."))
    return tuple(risks)


def failed_method(method: str, remark: Sentence) -> MethodResult:
    """Return the entry of a method that cannot meet every limit, and why."""
    nan = math.nan
    return MethodResult(method, False, nan, 0, 0, nan, nan, nan, nan, nan, (), remark)


def recommend(results: Sequence[MethodResult]) -> tuple[str, Sentence]:
    """Return the method to use, and why.

    Old frets before new ones, least metal, then fewest frets touched, then least time.
    """
    holding = [r for r in results if r.holds]
    if not holding:
        return "", sentence("No method meets every limit; see what would have to be relaxed.")
    best = min(
        holding,
        key=lambda r: (
            r.method == "refret",
            r.frets_replaced,
            round(r.metal_mm, 6),
            r.frets_touched,
            r.minutes,
        ),
    )
    if best.metal_mm < _SMALL and not best.frets_replaced:
        return best.method, sentence("Adjusting alone meets every limit; nothing has to be cut.")
    taken = sentence(
        "{metal:length} on {frets:count fret}", metal=best.metal_mm, frets=best.frets_touched
    )
    if best.frets_replaced:
        return best.method, sentence(
            "With the frets as they are no method meets every limit; {new} new "
            "{new:plural one does|ones do}, with {taken} to cut.",
            new=best.frets_replaced,
            taken=taken if best.frets_touched else "nothing",
        )
    dearer = [r for r in holding if r.metal_mm > best.metal_mm + 1e-6 and not r.frets_replaced]
    if not dearer:
        return best.method, sentence(
            "No method that meets every limit removes less metal: {taken}.", taken=taken
        )
    next_best = min(dearer, key=lambda r: r.metal_mm)
    return best.method, sentence(
        "No method that meets every limit removes less metal: {taken} ({other}: {more:length}).",
        taken=taken,
        other=METHODS[next_best.method],
        more=next_best.metal_mm,
    )
