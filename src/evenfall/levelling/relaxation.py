"""When the limits cannot all hold: the smallest easing of each lever that lets the others hold."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.levelling.model import LEVERS, SLIPS, Solution
from evenfall.plan import Relaxation
from evenfall.units import length_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from evenfall.levelling.methods import Outcome
    from evenfall.levelling.model import LevellingModel
    from evenfall.units import LengthUnit

    FloatArray = NDArray[np.float64]

ORDER = ("attack", "action", "first-fret gap", "relief", "travel", "crown height")
"""Levers in the order in which a player and a technician would sooner give way."""


@dataclass(frozen=True, slots=True)
class Eased:
    """The nearest solution once limits are eased.

    Parameters
    ----------
    relaxations
        One for each lever, then all together.
    solution
        What to cut and move with the easing in force; None if not even that exists.
    one_lever
        Whether a single lever was enough.
    easing_mm
        What was eased [mm], by lever.
    attack_share
        Share of the attack that is borne.
    """

    relaxations: tuple[Relaxation, ...]
    solution: Solution | None
    one_lever: bool
    easing_mm: dict[str, float]
    attack_share: float


@contextmanager
def _open(model: LevellingModel, levers: tuple[str, ...]) -> Iterator[None]:
    """Free some levers for a while."""
    for lever in levers:
        if lever == "attack":
            model.bound_columns(model.alpha, 0.0, 1.0)
        else:
            model.bound_columns(model.ease[lever], 0.0, _utmost(model, lever))
    try:
        yield
    finally:
        model.bound_columns(model.alpha, 1.0, 1.0)
        model.bound_columns(list(model.ease.values()), 0.0, 0.0)


def _utmost(model: LevellingModel, lever: str) -> float:
    """Return how far a limit can be eased at all [mm]: no crown goes lower than the board."""
    if lever == "crown height":
        return model.problem.specification.fretwire.least_crown_height_mm
    return float("inf")


def _least_easing(model: LevellingModel, lever: str) -> float | None:
    with _open(model, (lever,)):
        if lever == "attack":
            value = model.minimise(model.cost_of(model.alpha, -1.0))
            return None if value is None else -value
        return model.minimise(model.cost_of(model.ease[lever]))


def ease(model: LevellingModel, replaced: Outcome | None, *, old_frets_do: bool) -> Eased:
    """Find the smallest easing per lever, and the solution under the first that helps.

    Parameters
    ----------
    model
        A model whose limits cannot all hold.
    replaced
        The outcome of replacing frets instead, where that works.
    old_frets_do
        Whether another way holds every limit with the frets as they are.
    """
    unit = model.problem.specification.unit
    found = {lever: _least_easing(model, lever) for lever in ORDER}
    relaxations = [_relaxation(model, lever, found[lever], unit) for lever in ORDER]
    if not old_frets_do:
        relaxations.append(_replacing(replaced))

    helping = [lever for lever in ORDER if found[lever] is not None]
    if helping:
        lever = helping[0]
        amount = found[lever]
        assert amount is not None  # noqa: S101 (narrowed by `helping`)
        with _open(model, (lever,)):
            solution = _held(model, {lever: amount})
        return _eased(relaxations, solution, {lever: amount}, one_lever=True)

    with _open(model, ("attack", *LEVERS)):
        cost = model.cost_of(list(model.ease.values()))
        cost[model.alpha] = -1.0  # the whole attack weighs as much as one millimetre
        if model.minimise(cost) is None:
            return _eased(relaxations, None, {}, one_lever=False)
        x = model.values()
        amounts = {lever: float(x[model.ease[lever]]) for lever in LEVERS}
        amounts["attack"] = float(x[model.alpha])
        solution = _held(model, amounts)
    eased = {k: v for k, v in amounts.items() if (v < 1.0 if k == "attack" else v > 1e-9)}
    stated = {lever: _as_stated(model, lever, amount) for lever, amount in eased.items()}
    parts = [_phrase(model, lever, amount, unit) for lever, amount in stated.items()]
    relaxations.append(
        Relaxation(
            lever="together",
            amount=sum(v for k, v in stated.items() if k != "attack"),
            unit="mm",
            helps=True,
            sentence="No lever alone is enough; together: " + "; ".join(parts) + ".",
        )
    )
    return _eased(relaxations, solution, eased, one_lever=False)


def _eased(
    relaxations: list[Relaxation],
    solution: Solution | None,
    amounts: dict[str, float],
    *,
    one_lever: bool,
) -> Eased:
    lengths = {lever: amount for lever, amount in amounts.items() if lever != "attack"}
    share = amounts.get("attack", 1.0)
    return Eased(tuple(relaxations), solution, one_lever, lengths, share)


def _held(model: LevellingModel, amounts: dict[str, float]) -> Solution | None:
    """Cut the least with every easing fixed where it was found to be enough."""
    for slip in SLIPS:
        for lever, amount in amounts.items():
            if lever == "attack":
                model.bound_columns(model.alpha, max(0.0, amount - slip), 1.0)
            else:
                model.bound_columns(model.ease[lever], 0.0, amount + slip)
        solution = model.least_metal()
        if solution is not None:
            return solution
    return None


def _relaxation(
    model: LevellingModel, lever: str, amount: float | None, unit: LengthUnit
) -> Relaxation:
    kind = "%" if lever == "attack" else "mm"
    if amount is None:
        sentence = f"Easing the {lever} alone does not help."
        return Relaxation(lever, float("nan"), kind, False, sentence)
    amount = _as_stated(model, lever, amount)
    phrase = _phrase(model, lever, amount, unit)
    shown = 100.0 * (1.0 - amount) if lever == "attack" else amount
    return Relaxation(lever, shown, kind, True, phrase[0].upper() + phrase[1:] + ".")


def _as_stated(model: LevellingModel, lever: str, amount: float) -> float:
    """Return an easing as the specification would have to state it, guard included."""
    return amount + model.problem.overdrawn_mm(lever)


def _phrase(model: LevellingModel, lever: str, amount: float, unit: LengthUnit) -> str:
    """Say an easing in words, with what the limit becomes."""
    problem = model.problem
    target = problem.specification.target
    if lever == "attack":
        borne = amount * problem.attack_n
        percent = 100.0 * (1.0 - amount)
        softer = f"{percent:.0f}" if percent >= 0.95 else f"{percent:.1g}"
        return f"play {softer} % softer ({_span(borne)} instead of {_span(problem.attack_n)})"
    size = length_text(amount, unit)
    if lever == "action":
        return f"widen the action limits by {size} on each side"
    if lever == "first-fret gap":
        return f"widen the first-fret limits by {size} on each side"
    if lever == "relief":
        low = length_text(target.relief.minimum_mm - amount, unit)
        high = length_text(target.relief.maximum_mm + amount, unit)
        return f"widen the relief limits by {size} to {low} … {high}"
    if lever == "travel":
        return f"let saddle and nut move {size} further than stated"
    least = problem.specification.fretwire.least_crown_height_mm - amount
    return f"leave {size} less crown height, down to {length_text(least, unit)}"


def _span(attack_n: FloatArray) -> str:
    low, high = f"{attack_n.min():.2f}", f"{attack_n.max():.2f}"
    return f"{low} N" if low == high else f"{low} to {high} N"


def _replacing(replaced: Outcome | None) -> Relaxation:
    if replaced is None:
        sentence = "Replacing frets does not help either."
        return Relaxation("frets", float("nan"), "frets", False, sentence)
    frets = replaced.replaced
    names = ", ".join(str(f) for f in frets)
    sentence = f"Replace fret{'s' if len(frets) > 1 else ''} {names} ({len(frets)} in all)."
    return Relaxation("frets", float(len(frets)), "frets", True, sentence)
