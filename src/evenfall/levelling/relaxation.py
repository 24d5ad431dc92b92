"""When the limits cannot all hold: the smallest relaxation of each that lets the others hold."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from evenfall.levelling.model import LENGTH_LIMITS, SLIPS, Solution
from evenfall.plan import Relaxation, RelaxedLimit
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from collections.abc import Iterator

    from evenfall.arrays import FloatArray
    from evenfall.levelling.methods import Outcome
    from evenfall.levelling.model import LevellingModel
    from evenfall.levelling.problem import Problem

ORDER: tuple[RelaxedLimit, ...] = (
    *("attack", "action", "first-fret-gap"),
    *("relief", "travel", "crown-height"),
)
"""Limits in the order in which a player and a technician would sooner relax them."""

_NOUNS: dict[str, str] = {
    **{limit: limit.replace("-", " ") for limit in ORDER},
    "first-fret-gap": "first-fret gap",
}


@dataclass(frozen=True, slots=True)
class Relaxed:
    """The nearest solution once limits are relaxed.

    Parameters
    ----------
    relaxations
        One for each limit, then new wire where that is looked at, then all limits together.
    solution
        What to cut and move with the relaxation in force; None if not even that exists.
    one_limit
        Whether relaxing a single limit was enough.
    relaxed_mm
        By how much limits are relaxed [mm].
    attack_share
        Share of the attack that is kept.
    """

    relaxations: tuple[Relaxation, ...]
    solution: Solution | None
    one_limit: bool
    relaxed_mm: dict[str, float]
    attack_share: float


@contextmanager
def _open(model: LevellingModel, limits: tuple[str, ...]) -> Iterator[None]:
    """Let some limits be relaxed for a while."""
    for limit in limits:
        if limit == "attack":
            model.bound_columns(model.alpha, 0.0, 1.0)
        else:
            model.bound_columns(model.relax[limit], 0.0, _utmost_mm(model.problem, limit))
    try:
        yield
    finally:
        model.bound_columns(model.alpha, 1.0, 1.0)
        model.bound_columns(list(model.relax.values()), 0.0, 0.0)


def _utmost_mm(problem: Problem, limit: str) -> float:
    """Return how far a limit can be relaxed at all [mm]: no crown goes lower than the board."""
    if limit == "crown-height":
        return problem.specification.fretwire.least_crown_height_mm
    return float("inf")


def _least(model: LevellingModel, limit: str) -> float | None:
    """Return the least relaxation of one limit [mm], or the largest share of the attack."""
    with _open(model, (limit,)):
        if limit == "attack":
            value = model.minimise(model.cost_of(model.alpha, -1.0))
            return None if value is None else -value
        return model.minimise(model.cost_of(model.relax[limit]))


def relax(model: LevellingModel, new_wire: Outcome | bool | None) -> Relaxed:
    """Return the smallest relaxation of each limit, and the solution under the first that helps.

    `new_wire` is what replacing frets comes to: an outcome, whether it would help at all where the
    frets were not looked for, or None where it is not needed.
    """
    found = {limit: _least(model, limit) for limit in ORDER}
    relaxations = [_relaxation(model.problem, limit, found[limit]) for limit in ORDER]
    if new_wire is not None:
        relaxations.append(_replacing(new_wire))

    for limit, amount in found.items():
        if amount is not None:
            with _open(model, (limit,)):
                solution = _held(model, {limit: amount})
            return _relaxed(relaxations, solution, {limit: amount}, one_limit=True)

    with _open(model, ("attack", *LENGTH_LIMITS)):
        cost = model.cost_of(list(model.relax.values()))
        cost[model.alpha] = -1.0  # the whole attack weighs as much as one millimetre
        if model.minimise(cost) is None:
            return _relaxed(relaxations, None, {}, one_limit=False)
        x = model.values()
        amounts = {limit: float(x[model.relax[limit]]) for limit in LENGTH_LIMITS}
        amounts["attack"] = float(x[model.alpha])
        solution = _held(model, amounts)
    taken = {k: v for k, v in amounts.items() if (v < 1.0 if k == "attack" else v > 1e-9)}
    stated = {limit: _as_stated(model.problem, limit, amount) for limit, amount in taken.items()}
    changes = [_change(model.problem, limit, amount) for limit, amount in stated.items()]
    relaxations.append(
        Relaxation(
            "together",
            True,
            sum(v for k, v in stated.items() if k != "attack"),
            "mm",
            sentence(
                "No single change is enough. Together these are: {changes:sentences}",
                changes=tuple(changes),
            ),
        )
    )
    return _relaxed(relaxations, solution, taken, one_limit=False)


def _relaxed(
    relaxations: list[Relaxation],
    solution: Solution | None,
    amounts: dict[str, float],
    *,
    one_limit: bool,
) -> Relaxed:
    lengths = {limit: amount for limit, amount in amounts.items() if limit != "attack"}
    share = amounts.get("attack", 1.0)
    return Relaxed(tuple(relaxations), solution, one_limit, lengths, share)


def _held(model: LevellingModel, amounts: dict[str, float]) -> Solution | None:
    """Cut the least with every relaxation fixed where it was found to be enough."""
    for slip in SLIPS:
        for limit, amount in amounts.items():
            if limit == "attack":
                model.bound_columns(model.alpha, max(0.0, amount - slip), 1.0)
            else:
                model.bound_columns(model.relax[limit], 0.0, amount + slip)
        solution = model.least_metal()
        if solution is not None:
            return solution
    return None


def _relaxation(problem: Problem, limit: RelaxedLimit, amount: float | None) -> Relaxation:
    unit: Literal["percent", "mm"] = "percent" if limit == "attack" else "mm"
    if amount is None:
        said = sentence("Relaxing the {limit} alone does not help.", limit=_NOUNS[limit])
        return Relaxation(limit, False, float("nan"), unit, said)
    amount = _as_stated(problem, limit, amount)
    shown = 100.0 * (1.0 - amount) if limit == "attack" else amount
    return Relaxation(limit, True, shown, unit, _change(problem, limit, amount))


def _as_stated(problem: Problem, limit: str, amount: float) -> float:
    """Return a relaxation as the specification would have to state it, guard included."""
    return amount + problem.overdrawn_mm(limit)


def _change(problem: Problem, limit: str, amount: float) -> Sentence:
    """Return what to relax [mm, or the share of the attack that is kept], and what it becomes."""
    relief = problem.specification.target.relief
    if limit == "attack":
        return _softer(100.0 * (1.0 - amount), amount * problem.attack_n, problem.attack_n)
    if limit == "relief":
        return sentence(
            "Widen the relief limits by {by:length}, to {low:figure} to {high:length}.",
            by=amount,
            low=relief.minimum_mm - amount,
            high=relief.maximum_mm + amount,
        )
    if limit == "crown-height":
        return sentence(
            "Leave {by:length} less crown height, down to {least:length}.",
            by=amount,
            least=problem.specification.fretwire.least_crown_height_mm - amount,
        )
    if limit == "travel":
        return sentence("Let saddle and nut move {by:length} further than stated.", by=amount)
    return sentence(
        "Widen the {limit} limits by {by:length} on each side.", limit=_NOUNS[limit], by=amount
    )


def _softer(percent: float, kept_n: FloatArray, asked_n: FloatArray) -> Sentence:
    if percent < 0.05:
        return sentence("Play softer, by less than 0.1 %.")
    if percent < 0.95:
        return sentence("Play {by:percent.1} softer.", by=percent)
    return sentence(
        "Play {by:percent} softer: {kept} instead of {asked}.",
        by=percent,
        kept=force_range(kept_n),
        asked=force_range(asked_n),
    )


def force_range(force_n: FloatArray) -> Sentence:
    """Return one force, or the lowest and the highest of several, for a sentence."""
    low, high = float(force_n.min()), float(force_n.max())
    if round(low, 2) == round(high, 2):
        return sentence("{low:force}", low=low)
    return sentence("{low:.2f} to {high:force}", low=low, high=high)


def _replacing(new_wire: Outcome | bool) -> Relaxation:
    if new_wire is False:
        said = sentence("Replacing frets does not help either.")
        return Relaxation("frets", False, float("nan"), "frets", said)
    if new_wire is True:
        said = sentence("Replacing frets helps; the method partial-refret finds which.")
        return Relaxation("frets", True, float("nan"), "frets", said)
    frets = new_wire.replaced
    said = sentence("Replace {frets:frets}.", frets=frets)
    return Relaxation("frets", True, float(len(frets)), "frets", said)
