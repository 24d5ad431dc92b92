"""Why the plan is as it is: binding limits in words, the price of each limit, effort and risk."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenfall.plan import METHODS, Binding, MethodResult, Price
from evenfall.units import length_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from evenfall.levelling.methods import Outcome
    from evenfall.levelling.model import LevellingModel
    from evenfall.levelling.problem import Problem
    from evenfall.strings.clearance import TouchForce
    from evenfall.units import LengthUnit

    FloatArray = NDArray[np.float64]

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


def names(numbers: Sequence[int]) -> str:
    """Return "3", "3 and 4", "1, 2 and 5" or "1 to 6".

    Parameters
    ----------
    numbers
        Rising whole numbers.
    """
    if len(numbers) > 2 and numbers[-1] - numbers[0] == len(numbers) - 1:
        return f"{numbers[0]} to {numbers[-1]}"
    if len(numbers) > 1:
        return ", ".join(str(n) for n in numbers[:-1]) + f" and {numbers[-1]}"
    return str(numbers[0])


def binding_limits(model: LevellingModel, outcome: Outcome) -> tuple[Binding, ...]:
    """Return the limits that hold the metal where it is, dearest first.

    Parameters
    ----------
    model
        The model that was solved.
    outcome
        Its outcome; the dual values of its metal objective name the limits.
    """
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
    found: list[Binding] = []
    grouped: dict[tuple[int, int], list[tuple[int, float]]] = {}
    for row in np.flatnonzero(np.abs(dual[model.clear]) > _SMALL):
        k, i, j = (int(v) for v in model.clear_index[row])
        grouped.setdefault((i, j), []).append((k + 1, float(abs(dual[model.clear][row]))))
    for (i, j), held in grouped.items():
        strings = tuple(k for k, _ in held)
        word = "string" if len(strings) == 1 else "strings"
        by = "the open string" if i == 0 else f"fret {i}"
        found.append(
            Binding(
                kind="clear",
                sentence=f"Fret {j} under {word} {names(strings)} is held by {by} "
                "at the asked attack.",
                strings=strings,
                stop=i,
                fret=j,
                price_mm_per_mm=sum(price for _, price in held),
            )
        )
    return found


def _per_string(kind: str, sentence: str, fret: int, dual: FloatArray) -> list[Binding]:
    """Return one entry for a limit that each string has, with {} for the strings' names."""
    held = np.abs(dual)
    strings = tuple(int(k) + 1 for k in np.flatnonzero(held > _SMALL))
    if not strings:
        return []
    listed = f"string{'' if len(strings) == 1 else 's'} {names(strings)}"
    stop = 0 if fret > 0 else -1
    return [Binding(kind, sentence.format(listed), strings, stop, fret, float(held.sum()))]


def _limit_binding(model: LevellingModel, dual: FloatArray) -> list[Binding]:
    found: list[Binding] = []
    reference = model.problem.specification.scale.reference_fret
    for kind, rows, fret, what in (
        ("action", model.action, reference, "action"),
        ("first-fret-gap", model.first_fret_gap, 1, "first-fret gap"),
    ):
        for block, word in zip(rows, ("least", "most"), strict=True):
            sentence = f"The {what} of {{}} stands at its {word}."
            found += _per_string(kind, sentence, fret, dual[block])
    for block, word in zip(model.relief, ("least", "most"), strict=True):
        price = float(np.abs(dual[block]).sum())
        if price > _SMALL:
            sentence = f"The relief stands at its {word}."
            found.append(Binding("relief", sentence, (), -1, -1, price))
    for kind, rows_of, what in (
        ("saddle", model.travel_rows[:2], "saddle"),
        ("nut", model.travel_rows[2:], "nut slot"),
    ):
        for block, word in zip(rows_of, ("down", "up"), strict=True):
            sentence = f"The {what} at {{}} can go no further {word}."
            found += _per_string(kind, sentence, -1, dual[block])
    for kind, block, sentence in (
        ("across", model.across, "The crown line may bend no more from string to string."),
        ("along", model.along, "The removal may step no more from fret to fret."),
    ):
        price = float(np.abs(dual[block]).sum())
        if price > _SMALL:
            found.append(Binding(kind, sentence, (), -1, -1, price))
    return found


def _life_binding(model: LevellingModel, dual: FloatArray) -> list[Binding]:
    prices = np.abs(dual[model.life_rows]).reshape(model.r.shape)
    found = []
    for j in np.flatnonzero((prices > _SMALL).any(axis=0)):
        strings = tuple(int(k) + 1 for k in np.flatnonzero(prices[:, j] > _SMALL))
        where = "string" if len(strings) == 1 else "strings"
        sentence = f"Fret {j + 1} under {where} {names(strings)} may not go lower: crown height."
        found.append(Binding("life", sentence, strings, -1, int(j) + 1, float(prices[:, j].sum())))
    return found


def prices(model: LevellingModel, outcome: Outcome) -> tuple[Price, ...]:
    """Return what easing each limit a little would save in metal.

    Parameters
    ----------
    model
        The model that was solved.
    outcome
        Its outcome.
    """
    dual = outcome.solution.row_dual
    if outcome.solution.metal_mm < _SMALL or not dual.size:
        return ()

    def total(*blocks: slice) -> float:
        return float(sum(np.abs(dual[block]).sum() for block in blocks))

    attack = float(np.abs(dual[model.attack_rows] * model.problem.attack_n).sum())
    listed = (
        Price("attack", 0.01 * attack, 1.0, "%"),
        Price("action", 0.01 * total(*model.action), 0.01, "mm"),
        Price("first-fret-gap", 0.01 * total(*model.first_fret_gap), 0.01, "mm"),
        Price("relief", 0.01 * total(*model.relief), 0.01, "mm"),
        Price("saddle travel", 0.01 * total(*model.travel_rows[:2]), 0.01, "mm"),
        Price("nut travel", 0.01 * total(*model.travel_rows[2:]), 0.01, "mm"),
    )
    return tuple(p for p in listed if p.metal_mm > _SMALL)


def method_result(outcome: Outcome, after: TouchForce) -> MethodResult:
    """Return what a way that holds every limit comes to.

    Parameters
    ----------
    outcome
        What is cut, moved and replaced.
    after
        Touch force after work.
    """
    problem, solution = outcome.problem, outcome.solution
    attack = np.broadcast_to(problem.attack_n[:, None], after.force_n.shape)
    share = np.full(attack.shape, np.inf)
    np.divide(after.force_n, attack, out=share, where=attack > 0.0)
    least = float(outcome.crown_height_after_mm.min())
    return MethodResult(
        method=outcome.method,
        holds=True,
        metal_mm=float(solution.removal_mm.sum()),
        frets_touched=len(outcome.touched),
        frets_replaced=len(outcome.replaced),
        lowest_crown_mm=least,
        life_used=_life_used(problem, outcome),
        lowest_touch_margin_share=float(share.min()),
        minutes=_minutes(outcome),
        risk=_risk(outcome, least),
        remark=outcome.remark,
    )


def _life_used(problem: Problem, outcome: Outcome) -> float:
    room = problem.room_mm
    cut = outcome.solution.removal_mm
    # where the least height had to be eased, all the life there was is used and more
    return float(np.where(cut < room, cut / np.maximum(room, 1e-12), cut > 0.0).max())


def _minutes(outcome: Outcome) -> float:
    """Return the estimated bench time of an outcome [min], from `MINUTES`."""
    solution = outcome.solution
    total = MINUTES["rod"] if abs(solution.relief_change_mm) > 1e-3 else 0.0
    total += MINUTES["saddle, each string"] * int((np.abs(solution.saddle_move_mm) > 1e-3).sum())
    total += MINUTES["nut, each slot"] * int((np.abs(solution.nut_move_mm) > 1e-3).sum())
    touched = len(outcome.touched)
    if outcome.method == "beam":
        total += MINUTES["beam, once"] + MINUTES["fret, each, re-crowned"] * touched
    else:
        total += touched * (MINUTES["fret, each, by file"] + MINUTES["fret, each, re-crowned"])
    if outcome.method == "refret":
        total += MINUTES["board, planed"]
    return total + MINUTES["fret, each, replaced"] * len(outcome.replaced)


def _risk(outcome: Outcome, least_height_mm: float) -> str:
    """Say what can go wrong, from what the outcome does."""
    problem, solution = outcome.problem, outcome.solution
    wire = problem.specification.fretwire
    risks = []
    if outcome.method == "refret":
        risks.append("wood comes off the board, which cannot be put back")
    elif outcome.replaced:
        risks.append("slots may be damaged as frets come out")
    cut = solution.removal_mm
    if cut.max(initial=0.0) > 0.0:
        left = least_height_mm - wire.least_crown_height_mm
        if left < 0.05:
            size = length_text(max(0.0, left), problem.specification.unit)
            risks.append(f"only {size} of crown is left to cut another time")
        else:
            risks.append("metal cannot be put back")
    if (solution.nut_move_mm < -1e-3).any():
        risks.append("a nut slot cut too deep has to be filled")
    return "; ".join(risks) if risks else "none: every step can be undone"


def failed_method(method: str, remark: str) -> MethodResult:
    """Return the entry of a way that cannot hold the limits.

    Parameters
    ----------
    method
        Key of `METHODS`.
    remark
        Why not.
    """
    nothing = float("nan")
    return MethodResult(
        method, False, nothing, 0, 0, nothing, nothing, nothing, nothing, "", remark
    )


def recommend(results: Sequence[MethodResult], unit: LengthUnit) -> tuple[str, str]:
    """Return the way to take and why.

    Least metal first, old frets before new ones, then fewest frets touched, then least time.

    Parameters
    ----------
    results
        One entry per way.
    unit
        "mm" or "in", for the sentence.
    """
    holding = [r for r in results if r.holds]
    if not holding:
        return "", "No method meets every limit; see what would have to give."
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
        return best.method, "Adjusting alone meets every limit; nothing has to be cut."
    others = [r for r in holding if r.method != best.method]
    taken = f"{length_text(best.metal_mm, unit)} on {best.frets_touched} fret" + (
        "" if best.frets_touched == 1 else "s"
    )
    if best.frets_replaced:
        return best.method, (
            f"With the frets as they are no way meets every limit; {best.frets_replaced} new "
            f"{'one does' if best.frets_replaced == 1 else 'ones do'}, with "
            + (f"{taken} to cut." if best.frets_touched else "nothing to cut.")
        )
    reason = f"It takes the least metal of the ways that meet every limit: {taken}"
    dearer = [r for r in others if r.metal_mm > best.metal_mm + 1e-6 and not r.frets_replaced]
    if dearer:
        next_best = min(dearer, key=lambda r: r.metal_mm)
        reason += f" ({METHODS[next_best.method]}: {length_text(next_best.metal_mm, unit)})"
    return best.method, reason + "."
