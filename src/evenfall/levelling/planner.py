"""From a measurement to a plan: every way tried, one chosen, checked and explained."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from evenfall.errors import RequestError, SolverError
from evenfall.instrument import string_lines
from evenfall.levelling.audit import audit
from evenfall.levelling.explanation import (
    binding_limits,
    failed_method,
    method_result,
    prices,
    recommend,
)
from evenfall.levelling.methods import (
    Outcome,
    adjust_only,
    every_crossing,
    fewest_frets,
    frets_closed,
    full_refret,
    levelling_beam,
    refretted,
    replace_frets,
)
from evenfall.levelling.model import LevellingModel
from evenfall.levelling.outlook import plan_outlook
from evenfall.levelling.problem import build_problem
from evenfall.levelling.relaxation import ease
from evenfall.neck import neck_model
from evenfall.plan import METHODS, MethodResult, Plan, Relaxation, Status
from evenfall.strings.clearance import TouchForce, open_gap_mm, rest_clearance_mm, touch_force
from evenfall.strings.pitch import pitch_change_cents
from evenfall.units import length_text
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from numpy.typing import NDArray

    from evenfall.instrument import Specification
    from evenfall.levelling.problem import Problem
    from evenfall.measurement import Measurement
    from evenfall.neck import NeckModel
    from evenfall.strings.excursion import ExcursionTable

    FloatArray = NDArray[np.float64]

ALLOWED_VIOLATION_MM = 1e-6
"""A plan whose independent check finds more than this is refused [mm]."""

KEEPABLE = ("relief", "saddle", "nut")

BUDGET_METHODS = ("adjust", "spot", "profile")
"""Ways whose metal is chosen crossing by crossing, so that a budget can bound it."""


def make_plan(
    specification: Specification,
    measurement: Measurement,
    *,
    method: str | None = None,
    attack_n: float | Sequence[float] | FloatArray | None = None,
    budget_mm: float | None = None,
    keep: Collection[str] = (),
    excursion: ExcursionTable | None = None,
    neck: NeckModel | None = None,
) -> Plan:
    """Return the plan for one instrument.

    Least metal for an attack; or, with a metal budget, the most attack that the budget buys. The
    answer is exact: it carries its duality gap, and an independent check of every promise.

    Parameters
    ----------
    specification
        Limits, player and decision rule.
    measurement
        Complete heights of one instrument.
    method
        Key of `evenfall.plan.METHODS`; the recommended way if left out.
    attack_n
        Attack to bear instead of the specification's, one number or one per string [N].
    budget_mm
        Total removal allowed [mm]; then the attack is made as large as that allows.
    keep
        What must stay as it is: any of "relief", "saddle", "nut".
    excursion
        Excursion table of the specification; computed if left out.
    neck
        What bows the neck, as far as it was measured; from the specification if left out.

    Raises
    ------
    RequestError
        Way, attack, budget or `keep` make no sense, or the measurement does not fit.
    SolverError
        The optimiser's answer failed the program's own check.
    """
    _check_request(method, budget_mm, keep)
    neck = neck or neck_model(specification, string_lines(specification))
    problem = build_problem(
        specification,
        measurement,
        attack_n=attack_n,
        excursion=excursion,
        keep=frozenset(keep),
        bow=neck.rod_bow,
    )
    model = LevellingModel(problem)
    if budget_mm is not None:
        problem = _with_bought_attack(model, budget_mm)
        model = LevellingModel(problem)
        model.bound_row(model.budget, -np.inf, budget_mm + 1e-9)
        method = method or "profile"
    outcomes, remarks = _try_methods(model, method)
    if budget_mm is not None:
        for name, tried in outcomes.items():
            if tried is not None and tried.solution.removal_mm.sum() > budget_mm + 1e-6:
                outcomes[name] = None
                remarks[name] = sentence("meets the limits only with more metal than the budget")
    results = []
    for name in METHODS:
        outcome = outcomes.get(name)
        if outcome is None:
            results.append(failed_method(name, remarks[name]))
        else:
            results.append(method_result(outcome, _touch_force_after(outcome)))
    recommended, reason = recommend(results)
    chosen = method or recommended or "profile"
    outcome = outcomes.get(chosen)
    status: Status = "optimal"
    relaxations: tuple[Relaxation, ...] = ()
    easing_mm: dict[str, float] = {}
    borne = 1.0
    solved = model
    if outcome is None:
        solved = _model_to_ease(chosen, problem, model)
        closed = chosen == "adjust"
        with frets_closed(solved, np.full(problem.frets, closed)):
            eased = ease(
                solved,
                outcomes.get("partial-refret"),
                old_frets_do=outcomes["profile"] is not None,
            )
        if eased.solution is None:
            raise RequestError(_nothing_helps(problem, chosen, keep))
        status = "relaxed" if eased.one_lever else "infeasible"
        relaxations, easing_mm = eased.relaxations, eased.easing_mm
        borne = eased.attack_share
        replaced = tuple(range(1, problem.frets + 1)) if chosen == "refret" else ()
        outcome = Outcome(chosen, solved.problem, eased.solution, replaced)
    return _plan(
        model=solved,
        found=problem,
        outcome=outcome,
        neck=neck,
        status=status,
        attack_n=borne * problem.attack_n,
        easing_mm=easing_mm,
        relaxations=relaxations,
        methods=tuple(results),
        recommendation=(recommended, reason),
    )


def _with_bought_attack(model: LevellingModel, budget_mm: float) -> Problem:
    """Return the job with the largest attack that a budget buys.

    Where the limits cannot hold whatever is cut, the job is returned as it is.
    """
    problem = model.problem
    if not problem.attack_n.any():
        raise RequestError(
            "A metal budget needs an attack over 0 N: only the share between the strings counts.",
            where="budget",
        )
    bought = model.most_attack(budget_mm)
    if bought is not None:
        return replace(problem, attack_n=bought.attack_share * problem.attack_n)
    least = LevellingModel(replace(problem, attack_n=np.zeros(problem.strings)))
    needed = least.minimise(least.cost_of(least.r.ravel()))
    if needed is not None:
        unit = problem.specification.unit
        raise RequestError(
            f"The budget of {length_text(budget_mm, unit)} buys no plan: with no attack at all "
            f"{length_text(needed, unit)} has to come off. Allow more.",
            where="budget",
        )
    return problem


def _nothing_helps(problem: Problem, method: str, keep: Collection[str]) -> str:
    """Say that no easing of the limits is enough, and what else stands in the way."""
    target = problem.specification.target
    if keep:
        mend = f"let the {' and the '.join(sorted(keep))} move"
    elif target.across_mm is not None or target.along_mm is not None:
        mend = "loosen across and along in the specification"
    elif method != "profile":
        mend = "choose another way"
    else:
        mend = "check the readings and the specification"
    return f"No plan exists by this way even with every limit eased; {mend}."


def _check_request(method: str | None, budget_mm: float | None, keep: Collection[str]) -> None:
    if method is not None and method not in METHODS:
        raise RequestError(
            f"The way must be one of {', '.join(METHODS)}, not {method!r}.", where="method"
        )
    if budget_mm is not None and not (np.isfinite(budget_mm) and budget_mm >= 0.0):
        raise RequestError("The metal budget must be zero or more millimetres.", where="budget")
    if budget_mm is not None and method not in (None, *BUDGET_METHODS):
        raise RequestError(
            f"A metal budget works with the methods {', '.join(BUDGET_METHODS)}, not {method!r}.",
            where="method",
        )
    for what in keep:
        if what not in KEEPABLE:
            raise RequestError(
                f"What is kept must be one of {', '.join(KEEPABLE)}, not {what!r}.", where="keep"
            )


def _try_methods(
    model: LevellingModel, wanted: str | None
) -> tuple[dict[str, Outcome | None], dict[str, Sentence]]:
    """Try every way that could make sense here; say why the others were left."""
    problem = model.problem
    remarks = dict.fromkeys(METHODS, sentence("does not meet the limits"))
    outcomes: dict[str, Outcome | None] = {"adjust": adjust_only(model)}
    worn = np.flatnonzero((problem.lacking_mm > 0.0).any(axis=0)) + 1
    if worn.size:
        low = sentence("{worn:frets} found under the least crown height", worn=worn.tolist())
        remarks = dict.fromkeys(METHODS, low)
    elif outcomes["adjust"] is None:
        with frets_closed(model, np.ones(problem.frets, dtype=bool)):
            nearest = model.most_attack()
        remarks["adjust"] = (
            sentence(
                "the travel of {what} and nut does not reach the limits",
                what="rod, saddle" if problem.relief_free else "saddle",
            )
            if nearest is None
            else sentence(
                "within the limits it stays clear up to {share:share} of the attack",
                share=nearest.attack_share,
            )
        )
    each = every_crossing(model)
    outcomes["profile"] = each
    if each is None:
        if not worn.size:
            remarks["spot"] = sentence("no removal meets the limits on any frets")
        replaced = replace_frets(model)
        outcomes["partial-refret"] = replaced
        if replaced is None:
            remarks["partial-refret"] = sentence("new wire alone does not meet the limits")
    else:
        outcomes["spot"] = fewest_frets(model, each)
        remarks["partial-refret"] = sentence("not needed: the old frets can do it")
        if wanted == "partial-refret":
            outcomes["partial-refret"] = replace(
                each, method="partial-refret", remark=sentence("none needed")
            )
    outcomes["beam"] = levelling_beam(problem) if each is not None else None
    if not worn.size:
        remarks["beam"] = sentence("no straight beam meets the limits")
    if each is None or wanted == "refret":
        outcomes["refret"] = full_refret(problem)
    else:
        remarks["refret"] = sentence("not needed: the old frets can do it")
    return outcomes, remarks


def _model_to_ease(method: str, problem: Problem, model: LevellingModel) -> LevellingModel:
    """Return the model whose limits are to be eased for a way that does not hold them."""
    if method == "beam":
        beam = LevellingModel(problem, beam=True)
        beam.touch_with_beam(np.ones(beam.r.shape, dtype=bool))
        return beam
    if method == "refret":
        return LevellingModel(refretted(problem)[0])
    return model


def _touch_force_after(outcome: Outcome) -> TouchForce:
    problem = outcome.problem
    clearance = rest_clearance_mm(
        problem.lines, outcome.nut_after_mm, outcome.crown_top_after_mm, outcome.saddle_after_mm
    )
    return touch_force(clearance, problem.excursion)


def _plan(
    *,
    model: LevellingModel,
    found: Problem,
    outcome: Outcome,
    neck: NeckModel,
    status: Status,
    attack_n: FloatArray,
    easing_mm: dict[str, float],
    relaxations: tuple[Relaxation, ...],
    methods: tuple[MethodResult, ...],
    recommendation: tuple[str, Sentence],
) -> Plan:
    specification, before = found.specification, found.measurement
    lines = found.lines
    requirements = audit(
        specification,
        replace(
            before,
            crown_height_mm=outcome.problem.measurement.crown_height_mm,
        ),
        found.excursion,
        attack_n=attack_n,
        crown_top_after_mm=outcome.crown_top_after_mm,
        crown_height_after_mm=outcome.crown_height_after_mm,
        nut_after_mm=outcome.nut_after_mm,
        saddle_after_mm=outcome.saddle_after_mm,
        easing_mm=easing_mm,
        check_relief=found.relief_free,
    )
    worst = max(requirements, key=lambda p: p.violation_mm)
    if worst.violation_mm > ALLOWED_VIOLATION_MM:
        raise SolverError(
            f"The plan failed its own check at {worst.name} by {worst.violation_mm:.2g} mm; "
            "it is withheld. Please report this."
        )
    rest = rest_clearance_mm(lines, before.nut_mm, before.crown_top_mm, before.saddle_mm)
    heights = (outcome.nut_after_mm, outcome.crown_top_after_mm, outcome.saddle_after_mm)
    found_heights = (before.nut_mm, before.crown_top_mm, before.saddle_mm)
    reference = specification.scale.reference_fret
    solution = outcome.solution
    recommended, reason = recommendation
    result = method_result(outcome, _touch_force_after(outcome))
    crowned, uncrowned = pitch_change_cents(
        specification, lines, found_heights, heights, solution.removal_mm
    )
    return Plan(
        status=status,
        method=outcome.method,
        metal_mm=float(solution.removal_mm.sum()),
        duality_gap_mm=abs(solution.metal_mm - solution.dual_mm),
        largest_violation_mm=max(0.0, worst.violation_mm),
        measurement=before,
        attack_n=attack_n,
        removal_mm=solution.removal_mm,
        crown_top_after_mm=outcome.crown_top_after_mm,
        crown_height_after_mm=outcome.crown_height_after_mm,
        replaced_frets=outcome.replaced,
        nut_after_mm=outcome.nut_after_mm,
        saddle_after_mm=outcome.saddle_after_mm,
        relief_before_mm=found.relief_found_mm,
        relief_change_mm=solution.relief_change_mm,
        relief_after_mm=found.bow.relief_mm(outcome.crown_top_after_mm),
        action_before_mm=open_gap_mm(lines, *found_heights, reference),
        action_after_mm=open_gap_mm(lines, *heights, reference),
        first_fret_gap_before_mm=open_gap_mm(lines, *found_heights, 1),
        first_fret_gap_after_mm=open_gap_mm(lines, *heights, 1),
        touch_force_before_n=touch_force(rest, found.excursion).force_n,
        touch_force_after_n=_touch_force_after(outcome).force_n,
        life_used=result.life_used,
        bow_mm_per_mm=found.bow.frets,
        pitch_change_cents=crowned,
        pitch_uncrowned_cents=uncrowned,
        binding=binding_limits(model, outcome) if outcome.problem is model.problem else (),
        prices=prices(model, outcome) if outcome.problem is model.problem else (),
        relaxations=relaxations,
        methods=methods,
        outlook=plan_outlook(found, outcome, neck, attack_n),
        recommended=recommended,
        reason=reason,
    )
