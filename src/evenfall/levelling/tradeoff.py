"""What the values of a control lead to, and what relief does to buzz force."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal, get_args

import numpy as np

from evenfall.arrays import FloatArray, shut
from evenfall.errors import Progress, RequestError, silent
from evenfall.instrument import Specification, string_lines
from evenfall.instrument.specification import Limit
from evenfall.levelling.decision import Decision
from evenfall.levelling.problem import Problem, build_problem
from evenfall.levelling.rules import decide, level_line_for
from evenfall.neck import default_bow
from evenfall.neck.level_line import LevelLine
from evenfall.plan import Plan
from evenfall.plan.methods import Control
from evenfall.requirement import State, margin_share
from evenfall.strings.clearance import buzz_force, open_share, rest_clearance_mm
from evenfall.strings.excursion import ExcursionTable

Holding = Literal["uncut", "cut", "level frets do not", "out of reach"]
"""What a value of a control leads to: every note holds without a cut, or with cuts; level frets
fall short of the attack; a limit cannot be met with the settings at hand."""

_STEPS, _HALVINGS = 17, 5


@dataclass(frozen=True, slots=True, eq=False)
class Along:
    """What each value of a control leads to, everything else as it is asked for."""

    control: Control  # the control
    # Rising values: the highest attack of all strings [N], the mean action wanted [mm], or the
    # relief wanted [mm]; shape (N,). Values stand close where what they lead to changes.
    value: FloatArray
    # removal by the rules [mm], shape (N,); NaN where nothing is cut although notes fail
    metal_mm: FloatArray
    holding: tuple[Holding, ...]  # what each value leads to

    def __post_init__(self) -> None:
        shut(self)

    @property
    def spans(self) -> tuple[tuple[float, float, Holding], ...]:
        """From where to where each answer holds, in order."""
        spans: list[tuple[float, float, Holding]] = []
        for value, what in zip(self.value.tolist(), self.holding, strict=True):
            if spans and spans[-1][2] == what:
                spans[-1] = (spans[-1][0], value, what)
            else:
                spans.append((value, value, what))
        return tuple(spans)


@dataclass(frozen=True, slots=True, eq=False)
class TradeOff:
    """Two curves through a plan."""

    # mean action wanted over the reference fret, and the metal that the rules take [mm], shape
    # (N,); NaN where notes fail that no cut would clear
    action_mm: FloatArray
    metal_mm: FloatArray
    plan_action_mm: float  # where the plan stands on the first curve [mm]
    plan_metal_mm: float
    # relief [mm], and the lowest buzz force of the finished frets as a share of the player's
    # attack, action and first-fret gap held; shape (M,)
    relief_mm: FloatArray
    margin_share: FloatArray
    plan_relief_mm: float  # where the plan stands on the second curve
    plan_margin_share: float

    def __post_init__(self) -> None:
        shut(self)


def along(
    problem: Problem,
    line: LevelLine,
    method: str,
    control: Control,
    *,
    low: float,
    high: float,
    progress: Progress = silent,
) -> Along:
    """Return what values of one control lead to by a method; see `Session.along`."""
    if control not in get_args(Control):
        raise RequestError(
            "{name} must be one of {allowed:or}, not {given:quoted}.",
            name="control",
            allowed=get_args(Control),
            given=str(control),
        )
    if not (np.isfinite([low, high]).all() and low < high):
        raise RequestError("The first value must be lower than the second.")
    seen: dict[float, tuple[float, Holding]] = {}

    def look(value: float) -> Holding:
        if value not in seen:
            seen[value] = _held_by(decide(with_control(problem, control, value), line, method))
        return seen[value][1]

    here = control_value(problem, control)
    steps = sorted(
        {*np.linspace(low, high, _STEPS).tolist(), *([here] if low < here < high else [])}
    )
    for number, (left, right) in enumerate(pairwise(steps)):
        progress("Looking along a control", number / len(steps))
        ends = (left, right)
        for _ in range(_HALVINGS):
            if look(ends[0]) == look(ends[1]):
                break
            middle = 0.5 * (ends[0] + ends[1])
            changed = look(middle) != look(ends[0])
            ends = (ends[0], middle) if changed else (middle, ends[1])
    values = sorted(seen)
    return Along(
        control,
        np.array(values),
        np.array([seen[value][0] for value in values]),
        tuple(seen[value][1] for value in values),
    )


def control_value(problem: Problem, control: Control) -> float:
    """Return the value of a control as it is asked for."""
    target = problem.specification.target
    if control == "attack":
        return float(problem.attack_n.max())
    if control == "action":
        return float(np.mean([limit.value_mm for limit in target.action]))
    return target.relief.value_mm


def with_control(problem: Problem, control: Control, value: float) -> Problem:
    """Return a job with another value of a control; limits go with the value wanted."""
    by = value - control_value(problem, control)
    target = problem.specification.target
    if control == "attack":
        most = float(problem.attack_n.max())
        return problem.with_attack(problem.attack_n * value / most if most else value)
    if control == "action":
        moved = tuple(_shifted(limit, by) for limit in target.action)
        return problem.with_limits(action=moved, relief=target.relief)
    return problem.with_limits(action=target.action, relief=_shifted(target.relief, by))


def _shifted(limit: Limit, by_mm: float) -> Limit:
    return replace(
        limit,
        value_mm=limit.value_mm + by_mm,
        minimum_mm=limit.minimum_mm + by_mm,
        maximum_mm=limit.maximum_mm + by_mm,
    )


def _held_by(decision: Decision) -> tuple[float, Holding]:
    """Return the metal of a decision and what it comes to."""
    if decision.conclusion == "misfit":
        return np.nan, "level frets do not"
    if decision.left_out:
        return decision.metal_mm, "out of reach"
    if decision.judged.worst == State.FAILS:
        return np.nan, "cut"
    return decision.metal_mm, "cut" if decision.metal_mm else "uncut"


def trade_off(
    specification: Specification, plan: Plan, *, excursion: ExcursionTable | None = None
) -> TradeOff:
    """Return metal against action and buzz force against relief, around a plan.

    Parameters
    ----------
    specification
        The specification the plan was made for.
    plan
        The plan.
    excursion
        Excursion table of the specification; computed if left out.
    """
    problem = build_problem(
        specification,
        plan.measurement,
        attack_n=plan.attack_n,
        excursion=excursion,
        bow=replace(
            default_bow(specification, string_lines(specification)), frets=plan.bow_mm_per_mm
        ),
    )
    wanted = control_value(problem, "action")
    room = 0.5 * min(1.0, 0.8 * wanted)
    line = level_line_for(problem, plan.method)
    curve = along(problem, line, plan.method, "action", low=wanted - room, high=wanted + room)
    relief = np.linspace(-0.1, 0.6, 29)
    return TradeOff(
        action_mm=curve.value,
        metal_mm=curve.metal_mm,
        plan_action_mm=wanted,
        plan_metal_mm=plan.metal_mm,
        relief_mm=relief,
        margin_share=np.array([_lowest_margin(problem, plan, value) for value in relief]),
        plan_relief_mm=plan.relief_after_mm,
        plan_margin_share=_lowest_margin(problem, plan, plan.relief_after_mm),
    )


def _lowest_margin(problem: Problem, plan: Plan, relief_mm: float) -> float:
    """Return the lowest margin of the finished frets at another relief."""
    taken = plan.level_after_mm + plan.stands_out_after_mm
    change = (relief_mm - plan.relief_after_mm) * problem.bow.frets
    reference = problem.specification.scale.reference_fret
    first, far = open_share(problem.lines, 1), open_share(problem.lines, reference)
    rise_first, rise_far = change[:, 0], change[:, reference - 1]
    # nut and saddle follow so that both open gaps stay: a straight line through two points
    slope = (rise_far - rise_first) / (far - first)
    nut = plan.nut_after_mm + rise_first - slope * first
    saddle = plan.saddle_after_mm + rise_first + slope * (1.0 - first)
    clearance = rest_clearance_mm(problem.lines, nut, taken + change, saddle)
    force = buzz_force(clearance, problem.excursion).force_n
    return float(margin_share(force, problem.player_n).min())
