"""When the limits cannot all hold: the smallest easing of each lever that lets the others hold."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from evenfall.levelling.model import LEVERS, SLIPS, Solution
from evenfall.plan import Relaxation, RelaxedLimit
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from evenfall.levelling.methods import Outcome
    from evenfall.levelling.model import LevellingModel

    FloatArray = NDArray[np.float64]

ORDER: tuple[RelaxedLimit, ...] = (
    "attack",
    "action",
    "first-fret-gap",
    "relief",
    "travel",
    "crown-height",
)
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
    if lever == "crown-height":
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
    found = {lever: _least_easing(model, lever) for lever in ORDER}
    relaxations = [_relaxation(model, lever, found[lever]) for lever in ORDER]
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
    parts = tuple(_said(model, lever, amount) for lever, amount in stated.items())
    relaxations.append(
        Relaxation(
            "together",
            True,
            sum(v for k, v in stated.items() if k != "attack"),
            "mm",
            sentence(
                "No single change is enough; together these are: {parts:sentences}", parts=parts
            ),
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


def _relaxation(model: LevellingModel, lever: RelaxedLimit, amount: float | None) -> Relaxation:
    unit: Literal["percent", "mm"] = "percent" if lever == "attack" else "mm"
    if amount is None:
        text = sentence("Relaxing the {limit} alone does not help.", limit=lever.replace("-", " "))
        return Relaxation(lever, False, float("nan"), unit, text)
    amount = _as_stated(model, lever, amount)
    shown = 100.0 * (1.0 - amount) if lever == "attack" else amount
    return Relaxation(lever, True, shown, unit, _said(model, lever, amount))


def _as_stated(model: LevellingModel, lever: str, amount: float) -> float:
    """Return an easing as the specification would have to state it, guard included."""
    return amount + model.problem.overdrawn_mm(lever)


def _said(model: LevellingModel, lever: str, amount: float) -> Sentence:
    """Return what to do, with what the limit becomes."""
    problem = model.problem
    target = problem.specification.target
    if lever == "attack":
        borne = amount * problem.attack_n
        percent = 100.0 * (1.0 - amount)
        return sentence(
            "Play {softer} % softer, at {borne}.",
            softer=f"{percent:.0f}" if percent >= 0.95 else f"{percent:.1g}",
            borne=_span(borne),
        )
    if lever == "action":
        return sentence("Widen the action limits by {amount:length} on each side.", amount=amount)
    if lever == "first-fret-gap":
        return sentence(
            "Widen the first-fret gap limits by {amount:length} on each side.", amount=amount
        )
    if lever == "relief":
        return sentence(
            "Widen the relief limits by {amount:length}, to {low:figure} to {high:length}.",
            amount=amount,
            low=target.relief.minimum_mm - amount,
            high=target.relief.maximum_mm + amount,
        )
    if lever == "travel":
        return sentence(
            "Let saddle and nut move {amount:length} further than stated.", amount=amount
        )
    return sentence(
        "Leave {amount:length} less crown height, down to {least:length}.",
        amount=amount,
        least=problem.specification.fretwire.least_crown_height_mm - amount,
    )


def _span(attack_n: FloatArray) -> Sentence:
    low, high = float(attack_n.min()), float(attack_n.max())
    same = f"{low:.2f}" == f"{high:.2f}"
    text = "{high:force}" if same else "{low:.2f} to {high:force}"
    return sentence(text, low=low, high=high)


def _replacing(replaced: Outcome | None) -> Relaxation:
    if replaced is None:
        text = sentence("Replacing frets does not help either.")
        return Relaxation("frets", False, float("nan"), "frets", text)
    frets = replaced.replaced
    text = sentence("Replace {frets:frets} ({frets:count fret} in all).", frets=frets)
    return Relaxation("frets", True, float(len(frets)), "frets", text)
