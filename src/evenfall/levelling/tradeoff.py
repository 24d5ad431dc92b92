"""What lower action costs in metal, and what relief does to buzz force."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import shut
from evenfall.instrument import string_lines
from evenfall.levelling.model import LevellingModel
from evenfall.levelling.problem import build_problem
from evenfall.measurement import Origin
from evenfall.neck import default_bow
from evenfall.requirement import margin_share
from evenfall.strings.clearance import buzz_force, open_share, rest_clearance_mm

if TYPE_CHECKING:
    from collections.abc import Callable

    from evenfall.arrays import FloatArray
    from evenfall.instrument import Specification
    from evenfall.levelling.problem import Problem
    from evenfall.measurement import Measurement
    from evenfall.plan import Plan
    from evenfall.strings.excursion import ExcursionTable


EDGE_MM = 1e-4
"""How closely the least action that any plan holds is found [mm]."""


@dataclass(frozen=True, slots=True, eq=False)
class TradeOff:
    """Two curves through a plan.

    Parameters
    ----------
    action_mm, metal_mm
        Mean of the highest action allowed over the reference fret, and the least metal that takes
        [mm], shape (N,); NaN where no plan holds the limits.
    plan_action_mm, plan_metal_mm
        Where the plan stands on the first curve [mm].
    relief_mm, margin_share
        Relief [mm], and the lowest buzz force of the finished frets as a share of the player's
        attack, action and first-fret gap held; shape (M,).
    plan_relief_mm, plan_margin_share
        Where the plan stands on the second curve.
    """

    action_mm: FloatArray
    metal_mm: FloatArray
    plan_action_mm: float
    plan_metal_mm: float
    relief_mm: FloatArray
    margin_share: FloatArray
    plan_relief_mm: float
    plan_margin_share: float

    def __post_init__(self) -> None:
        shut(self)


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
        _with_its_frets(plan),
        attack_n=plan.attack_n,
        excursion=excursion,
        bow=replace(
            default_bow(specification, string_lines(specification)), frets=plan.bow_mm_per_mm
        ),
    )
    wanted = np.array([limit.value_mm for limit in specification.target.action])
    least_metal = _metal_by_shift(LevellingModel(problem), wanted)
    shifts = np.linspace(-0.5, 0.5, 21) * min(1.0, 0.8 * float(wanted.min()))
    curve = {float(shift): least_metal(shift) for shift in shifts}
    here = float((plan.action_after_mm - wanted).mean())
    between = shifts[0] < here < shifts[-1] and np.abs(shifts - here).min() > EDGE_MM
    if between and (metal_here := least_metal(here)) is not None:
        curve[here] = metal_here
    curve |= _edge(curve, least_metal)
    places = np.array(sorted(curve))
    metal = np.array([np.nan if curve[at] is None else curve[at] for at in places], dtype=float)
    relief = np.linspace(-0.1, 0.6, 29)
    share = np.array([_lowest_margin(problem, plan, value) for value in relief])
    return TradeOff(
        action_mm=float(wanted.mean()) + places,
        metal_mm=metal,
        plan_action_mm=float(plan.action_after_mm.mean()),
        plan_metal_mm=plan.metal_mm,
        relief_mm=relief,
        margin_share=share,
        plan_relief_mm=plan.relief_after_mm,
        plan_margin_share=_lowest_margin(problem, plan, plan.relief_after_mm),
    )


def _with_its_frets(plan: Plan) -> Measurement:
    """Return the readings with the frets that the plan cuts: with new wire where it puts some."""
    found = plan.measurement
    if not plan.replaced_frets:
        return found
    new = np.isin(np.arange(1, found.fret_count + 1), plan.replaced_frets)
    straight = plan.crown_top_after_mm + plan.removal_mm
    return replace(
        found,
        heights=found.heights.at(
            crown_top_mm=straight - plan.relief_change_mm * plan.bow_mm_per_mm
        ),
        crown_height_mm=plan.crown_height_after_mm + plan.removal_mm,
        crown_height_origin=np.where(new, Origin.NOMINAL, found.crown_height_origin).astype(
            np.int8
        ),
    )


def _metal_by_shift(
    model: LevellingModel, wanted_mm: FloatArray
) -> Callable[[float], float | None]:
    """Return the least metal as a function of how far the action may lie above its values [mm]."""

    def least(shift_mm: float) -> float | None:
        most = wanted_mm + shift_mm
        model.set_action_limits(np.column_stack([np.full(most.shape, -np.inf), most]))
        return model.minimise(model.cost_of(model.r.ravel()))

    return least


def _edge(
    curve: dict[float, float | None], least_metal: Callable[[float], float | None]
) -> dict[float, float | None]:
    """Return where the curve begins, found by halving: none holds under it, some plan on it."""
    without = [at for at in curve if curve[at] is None]
    found = [at for at in curve if curve[at] is not None]
    if not without or not found:
        return {}
    low, high = max(without), min(found)
    while high - low > EDGE_MM:
        middle = 0.5 * (low + high)
        if least_metal(middle) is None:
            low = middle
        else:
            high = middle
    return {low: None, high: least_metal(high)}


def _lowest_margin(problem: Problem, plan: Plan, relief_mm: float) -> float:
    """Return the lowest margin of the finished frets at another relief."""
    change = (relief_mm - plan.relief_after_mm) * problem.bow.frets
    reference = problem.specification.scale.reference_fret
    first, far = open_share(problem.lines, 1), open_share(problem.lines, reference)
    rise_first, rise_far = change[:, 0], change[:, reference - 1]
    # nut and saddle follow so that both open gaps stay: a straight line through two points
    slope = (rise_far - rise_first) / (far - first)
    nut = plan.nut_after_mm + rise_first - slope * first
    saddle = plan.saddle_after_mm + rise_first + slope * (1.0 - first)
    clearance = rest_clearance_mm(problem.lines, nut, plan.crown_top_after_mm + change, saddle)
    force = buzz_force(clearance, problem.excursion).force_n
    return float(margin_share(force, problem.player_n).min())
