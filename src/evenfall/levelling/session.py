"""The warm model of one instrument: change what is asked for, look at once, plan when content."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import EllipsisType
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from evenfall.arrays import shut
from evenfall.errors import At, Progress, RequestError, silent
from evenfall.instrument import string_lines
from evenfall.levelling.explanation import (
    failed_method,
    forces_after,
    method_result,
    recommend,
)
from evenfall.levelling.finishing import Chosen, finished_plan
from evenfall.levelling.methods import (
    Outcome,
    adjust_only,
    every_crossing,
    fewest_frets,
    frets_closed,
    full_refret,
    levelling_beam,
    new_wire_helps,
    refretted,
    replace_frets,
    spot_may_win,
)
from evenfall.levelling.model import LevellingModel
from evenfall.levelling.problem import KEEPABLE, build_problem
from evenfall.levelling.relaxation import relax
from evenfall.neck import neck_model
from evenfall.plan import METHODS
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

    from evenfall.arrays import FloatArray
    from evenfall.instrument import Specification
    from evenfall.instrument.specification import Limit
    from evenfall.levelling.problem import Attack, Problem
    from evenfall.measurement import Measurement
    from evenfall.neck import NeckModel
    from evenfall.plan import MethodResult, Plan
    from evenfall.strings.clearance import PluckForce
    from evenfall.strings.excursion import ExcursionTable

Limits: TypeAlias = "tuple[float, float] | Sequence[tuple[float, float]]"
"""Lower and upper limit [mm], for every string or for each."""

BUDGET_METHODS = ("adjust", "spot", "profile")
"""Methods whose metal is chosen crossing by crossing, so that a budget can bound it."""

_ALONE = ("adjust", "profile", "refret")
"""Methods that need no other to be worked out first."""

_TOO_DEAR = sentence("Meets every limit only with more metal than the budget.")
_FAILS = sentence("Does not meet every limit.")


@dataclass(frozen=True, slots=True, eq=False)
class Preview:
    """What the least metal would come to, for K strings over F frets.

    Parameters
    ----------
    holds
        Whether every limit holds at the attack asked for. If not, what is shown is for the largest
        attack at which the limits hold; and where they hold at none, the instrument as found.
    attack_n
        Attack that it is for [N], shape (K,); with a metal budget, what the budget buys.
    metal_mm, removal_mm
        Total removal [mm], and removal by crossing, shape (K, F) [mm].
    lowest_crown_mm
        Lowest crown after work [mm].
    relief_change_mm, saddle_height_change_mm, nut_height_change_mm
        What to adjust [mm], positive up; the latter two have shape (K,).
    buzz_force, touch_force
        The forces from which strings buzz, and touch, after work, by stopped fret 0..F-1.
    """

    holds: bool
    attack_n: FloatArray
    metal_mm: float
    removal_mm: FloatArray
    lowest_crown_mm: float
    relief_change_mm: float
    saddle_height_change_mm: FloatArray
    nut_height_change_mm: FloatArray
    buzz_force: PluckForce
    touch_force: PluckForce

    def __post_init__(self) -> None:
        shut(self)


class Session:
    """The warm model of one instrument.

    What is asked for may be changed at will and looked at at once; a plan or a method is worked
    out when it is asked for and kept until the next change. The same wishes give the same plan,
    whatever was asked before. A session belongs to one thread at a time; many sessions may work
    side by side.

    Parameters
    ----------
    specification
        Limits, player and decision rule.
    measurement
        Complete heights of one instrument, with the strings at pitch.
    excursion
        Excursion table of the specification; computed if left out.
    neck
        What bows the neck, as far as it was measured; from the specification if left out.
    keep
        What must stay as it is: any of "relief", "saddle", "nut".

    Raises
    ------
    RequestError
        The measurement does not fit the specification or is incomplete, or `keep` is not known.

    Examples
    --------
    >>> from importlib import resources
    >>> from evenfall.instrument import read_specification
    >>> from evenfall.sheets import SheetFile, read_measurement
    >>> invented = resources.files("evenfall") / "invented"
    >>> specification, _ = read_specification((invented / "tesquil.spec.toml").read_text("utf-8"))
    >>> sheet = SheetFile("before.csv", (invented / "tesquil-before.csv").read_bytes())
    >>> measurement, _ = read_measurement([sheet], specification)
    >>> session = Session(specification, measurement)
    >>> whole = session.preview().metal_mm
    >>> session.change(attack_n=0.9 * session.attack_n)
    >>> session.preview().metal_mm < whole
    True
    >>> session.plan().method
    'profile'
    """

    def __init__(
        self,
        specification: Specification,
        measurement: Measurement,
        *,
        excursion: ExcursionTable | None = None,
        neck: NeckModel | None = None,
        keep: Collection[str] = (),
    ) -> None:
        self._neck = neck or neck_model(specification, string_lines(specification))
        self._stated = specification.target
        self._asked = build_problem(
            specification,
            measurement,
            excursion=excursion,
            keep=_keepable(keep),
            bow=self._neck.rod_bow,
        )
        self._budget_mm: float | None = None
        self._model: LevellingModel | None = None
        self._bought: Problem | None = None
        self._tried: dict[str, Outcome | Sentence] = {}

    # ---- what is asked for --------------------------------------------------------------

    @property
    def specification(self) -> Specification:
        """The specification, with the limits as they were changed."""
        return self._asked.specification

    @property
    def attack_n(self) -> FloatArray:
        """Attack that the next plan is made for, before a metal budget, shape (K,) [N]."""
        return self._asked.attack_n.copy()

    def change(
        self,
        *,
        attack_n: Attack | EllipsisType | None = ...,
        action_mm: Limits | EllipsisType | None = ...,
        relief_mm: tuple[float, float] | EllipsisType | None = ...,
        budget_mm: float | EllipsisType | None = ...,
        keep: Collection[str] | EllipsisType = ...,
    ) -> None:
        """Change what is asked for; what is left out stays as it is.

        Parameters
        ----------
        attack_n
            Design attack, for every string or for each [N]; None for the player's.
        action_mm
            Lower and upper limit of the action, for every string or for each [mm]; None for the
            specification's.
        relief_mm
            Lower and upper limit of the relief [mm]; None for the specification's.
        budget_mm
            Total removal allowed [mm]; the attack is then made as large as that allows, in the
            proportions of the design attack. None for no budget.
        keep
            What must stay as it is: any of "relief", "saddle", "nut".

        Raises
        ------
        RequestError
            A value cannot be used; then nothing is changed.
        """
        asked, budget = self._asked, self._budget_mm
        target = asked.specification.target
        if action_mm is not ... or relief_mm is not ...:
            action, relief = target.action, target.relief
            if action_mm is None:
                action = self._stated.action
            elif action_mm is not ...:
                action = _limits("action", action, action_mm)
            if relief_mm is None:
                relief = self._stated.relief
            elif relief_mm is not ...:
                (relief,) = _limits("relief", (relief,), relief_mm)
            asked = asked.with_limits(action=action, relief=relief)
        if attack_n is not ...:
            asked = asked.with_attack(attack_n)
        if keep is not ...:
            asked = asked.keeping(_keepable(keep))
        if budget_mm is not ...:
            budget = _budget(budget_mm)
        self._asked, self._budget_mm, self._bought = asked, budget, None
        self._tried.clear()

    # ---- looking ------------------------------------------------------------------------

    def preview(self) -> Preview:
        """Return what the least metal comes to, from the warm model: quick enough for a slider."""
        if self._model is None:
            self._model = LevellingModel(self._asked)
        model = self._model
        model.adopt(self._asked)
        if self._budget_mm is None:
            # quicker than to ask for the whole attack first, and to prove that it cannot be had
            solution = model.most_attack(at_most_share=1.0)
            holds = solution is not None and solution.attack_share > 1.0 - 1e-9
        else:
            solution = model.most_attack(self._budget_mm) if self._asked.attack_n.any() else None
            holds = solution is not None
        solution = solution or model.untouched()
        share = 1.0 if holds and self._budget_mm is None else solution.attack_share
        outcome = Outcome("profile", self._asked, solution)
        buzz, touch = forces_after(outcome)
        return Preview(
            holds=holds,
            attack_n=share * self._asked.attack_n,
            metal_mm=float(solution.removal_mm.sum()),
            removal_mm=solution.removal_mm,
            lowest_crown_mm=float(outcome.crown_height_after_mm.min()),
            relief_change_mm=solution.relief_change_mm,
            saddle_height_change_mm=solution.saddle_height_change_mm,
            nut_height_change_mm=solution.nut_height_change_mm,
            buzz_force=buzz,
            touch_force=touch,
        )

    def method(self, name: str, progress: Progress = silent) -> MethodResult:
        """Return what one of `evenfall.plan.METHODS` comes to.

        Parameters
        ----------
        name
            Key of the method.
        progress
            Told how far a search is; it may stop it by raising `Cancelled`.

        Raises
        ------
        RequestError
            There is no such method, or the metal budget buys no plan at all.
        """
        found = self._outcome(_known(name), progress)
        return failed_method(name, found) if isinstance(found, Sentence) else method_result(found)

    def methods(self, progress: Progress = silent) -> Iterator[MethodResult]:
        """Yield what each method comes to, one by one, in the order of growing effort.

        Parameters
        ----------
        progress
            Told how far a search is; it may stop it by raising `Cancelled`.
        """
        for name in METHODS:
            yield self.method(name, progress)

    # ---- planning -----------------------------------------------------------------------

    def plan(
        self, method: str | None = None, *, compare: bool = False, progress: Progress = silent
    ) -> Plan:
        """Return the plan: the least metal that meets every limit, checked and explained.

        Where the limits cannot all be met, the plan relaxes the first that helps.

        Parameters
        ----------
        method
            Key of `evenfall.plan.METHODS`; the recommended method if left out, and with a metal
            budget "profile".
        compare
            Whether every method is tried; if not, those alone that the answer needs.
        progress
            Told how far a search is; it may stop it by raising `Cancelled`.

        Raises
        ------
        RequestError
            There is no such method, it cannot be bound by a budget, the budget buys no plan at
            all, or no plan exists whatever limit is relaxed.
        SolverError
            The plan failed the program's own check.
        """
        if method is not None:
            self._check_budget_fits(_known(method))
        elif self._budget_mm is not None:
            method = "profile"
        shown = set(METHODS) if compare else set[str]()
        recommended, reason = "", sentence("No other method was compared.")
        if compare or method is None:
            shown |= self._needed_to_recommend(progress)
            recommended, reason = recommend(self._results(shown, progress))
            method = method or recommended or "profile"
        shown |= {method} if method in _ALONE else {"profile", method}
        found = self._outcome(method, progress)
        job = self._job
        chosen = (
            self._relaxed(method, shown, progress)
            if isinstance(found, Sentence)
            else Chosen(found, "optimal", job.attack_n)
        )
        return finished_plan(
            job,
            chosen,
            self._neck,
            methods=self._results(shown, progress),
            recommended=recommended,
            reason=reason,
        )

    def _results(self, names: Collection[str], progress: Progress) -> tuple[MethodResult, ...]:
        return tuple(self.method(name, progress) for name in METHODS if name in names)

    def _needed_to_recommend(self, progress: Progress) -> set[str]:
        """Return the methods that one of may be recommended, the others being worse for certain.

        No method that keeps the frets takes less metal than "profile". So "spot" is looked for
        only where it might take no more, and new wire only where the frets as they are do not do.
        A beam takes more but for a coincidence, and is not looked for.
        """
        if isinstance(self._outcome("adjust", progress), Outcome):
            return {"adjust"}
        each = self._outcome("profile", progress)
        if isinstance(each, Outcome):
            may_win = spot_may_win(self._fresh(), each, progress)
            return {"adjust", "profile", "spot"} if may_win else {"adjust", "profile"}
        if isinstance(self._outcome("partial-refret", progress), Outcome):
            return {"adjust", "profile", "partial-refret"}
        return {"adjust", "profile", "partial-refret", "refret"}

    def _relaxed(self, method: str, compared: Collection[str], progress: Progress) -> Chosen:
        """Return the nearest that a method comes to the limits."""
        job = self._job
        model = self._fresh()
        if method == "beam":
            model = LevellingModel(job, beam=True)
            model.touch_with_beam(np.ones(model.r.shape, dtype=bool))
        elif method == "refret":
            model = LevellingModel(refretted(job)[0])
        new_wire: Outcome | bool | None = None
        if isinstance(self._outcome("profile", progress), Sentence):
            new_wire = new_wire_helps(self._fresh())
            if new_wire and "partial-refret" in compared:
                found = self._outcome("partial-refret", progress)
                new_wire = found if isinstance(found, Outcome) else False
        with frets_closed(model, np.full(job.frets, method == "adjust")):
            relaxed = relax(model, new_wire)
        if relaxed.solution is None:
            raise self._nothing_helps(method)
        replaced = tuple(range(1, job.frets + 1)) if method == "refret" else ()
        return Chosen(
            outcome=Outcome(method, model.problem, relaxed.solution, replaced),
            status="relaxed" if relaxed.one_limit else "infeasible",
            attack_n=relaxed.attack_share * job.attack_n,
            relaxed_mm=relaxed.relaxed_mm,
            relaxations=relaxed.relaxations,
        )

    # ---- working out --------------------------------------------------------------------

    @property
    def _job(self) -> Problem:
        """What is asked for, at the attack that the metal budget buys."""
        if self._bought is None:
            self._bought = (
                self._asked
                if self._budget_mm is None
                else _with_bought_attack(self._asked, self._budget_mm)
            )
        return self._bought

    def _fresh(self) -> LevellingModel:
        """Return a model without a past, so that no earlier question shows in its answer."""
        model = LevellingModel(self._job)
        if self._budget_mm is not None:
            model.bound_row(model.budget, -np.inf, self._budget_mm + 1e-9)
        return model

    def _outcome(self, name: str, progress: Progress) -> Outcome | Sentence:
        """Return what a method does, or why it does not meet every limit."""
        if name not in self._tried:
            progress("Planning", 0.0)
            found = self._try(name, progress)
            budget = np.inf if self._budget_mm is None else self._budget_mm + 1e-6
            dear = isinstance(found, Outcome) and found.solution.removal_mm.sum() > budget
            self._tried[name] = _TOO_DEAR if dear else found
        return self._tried[name]

    def _try(self, name: str, progress: Progress) -> Outcome | Sentence:
        job = self._job
        worn = np.flatnonzero((job.lacking_mm > 0.0).any(axis=0)) + 1
        if worn.size and name not in ("partial-refret", "refret"):
            return sentence(
                "{frets:plural Fret|Frets} {frets:numbers} found under the least crown height.",
                frets=tuple(worn.tolist()),
            )
        if name == "adjust":
            model = self._fresh()
            return adjust_only(model) or self._short_of_limits(model)
        if name == "profile":
            return every_crossing(self._fresh()) or _FAILS
        if name == "refret":
            return full_refret(job) or _FAILS
        return self._search(name, self._outcome("profile", progress), progress)

    def _search(
        self, name: str, each: Outcome | Sentence, progress: Progress
    ) -> Outcome | Sentence:
        """Try a method that searches, after what "profile" came to."""
        found: Outcome | None
        if name == "partial-refret":
            if isinstance(each, Outcome):
                return replace(each, method=name, remark=sentence("No fret needs new wire."))
            found = replace_frets(self._fresh(), progress)
            return found or sentence("New wire alone does not meet every limit.")
        if isinstance(each, Sentence):
            return sentence("No removal meets every limit, on any frets.")
        if name == "spot":
            return fewest_frets(self._fresh(), each, progress)
        found = levelling_beam(self._job, progress)
        return found or sentence("No straight beam meets every limit.")

    def _short_of_limits(self, model: LevellingModel) -> Sentence:
        """Return how near adjusting alone comes to the limits."""
        with frets_closed(model, np.ones(model.problem.frets, dtype=bool)):
            nearest = model.most_attack()
        if nearest is not None:
            return sentence(
                "Within the limits it stays clear up to {share:share} of the design attack.",
                share=nearest.attack_share,
            )
        if model.problem.relief_free:
            return sentence("Rod, saddle and nut do not reach the limits.")
        return sentence("Saddle and nut do not reach the limits.")

    def _check_budget_fits(self, method: str) -> None:
        if self._budget_mm is not None and method not in BUDGET_METHODS:
            raise RequestError(
                "{door_budget} works with the methods {allowed:list}, not {method}.",
                at=At(field="budget"),
                allowed=BUDGET_METHODS,
                method=method,
            )

    def _nothing_helps(self, method: str) -> RequestError:
        """Return that no relaxation of the limits is enough, and what else stands in the way."""
        job = self._job
        target = job.specification.target
        free = {"relief": job.relief_free or not job.specification.neck.truss_rod}
        free |= {"saddle": job.saddle_free, "nut": job.nut_free}
        kept = tuple(what for what in KEEPABLE if not free[what])
        if kept:
            cure = sentence("Let {kept:list} move.", kept=kept)
        elif target.across_mm is not None or target.along_mm is not None:
            cure = sentence("Loosen across and along in the specification.")
        elif method != "profile":
            cure = sentence("Choose another method.")
        else:
            cure = sentence("Check the readings and the specification.")
        return RequestError(
            "No plan exists by this method even with every limit relaxed. {cure}", cure=cure
        )


def make_plan(
    specification: Specification,
    measurement: Measurement,
    *,
    method: str | None = None,
    attack_n: Attack | None = None,
    budget_mm: float | None = None,
    keep: Collection[str] = (),
    excursion: ExcursionTable | None = None,
    neck: NeckModel | None = None,
    compare: bool = False,
    progress: Progress = silent,
) -> Plan:
    """Return the plan for one instrument: a `Session`, asked once; see there for an example.

    Least metal for an attack; or, with a metal budget, the most attack that the budget buys. The
    answer is exact: it carries its duality gap, and every requirement was checked independently.

    Parameters
    ----------
    specification
        Limits, player and decision rule.
    measurement
        Complete heights of one instrument.
    method
        Key of `evenfall.plan.METHODS`; the recommended method if left out.
    attack_n
        Design attack instead of the player's, one number or one per string [N].
    budget_mm
        Total removal allowed [mm]; then the attack is made as large as that allows.
    keep
        What must stay as it is: any of "relief", "saddle", "nut".
    excursion
        Excursion table of the specification; computed if left out.
    neck
        What bows the neck, as far as it was measured; from the specification if left out.
    compare
        Whether every method is tried; if not, those alone that the answer needs.
    progress
        Told how far a search is; it may stop it by raising `Cancelled`.

    Raises
    ------
    RequestError
        Method, attack, budget or `keep` cannot be used, or the measurement does not fit.
    SolverError
        The optimiser's answer failed the program's own check.
    """
    if method is not None:
        _known(method)
    session = Session(specification, measurement, excursion=excursion, neck=neck, keep=keep)
    session.change(attack_n=attack_n, budget_mm=budget_mm)
    return session.plan(method, compare=compare, progress=progress)


def _with_bought_attack(problem: Problem, budget_mm: float) -> Problem:
    """Return the job with the largest attack that a budget [mm] buys.

    Where the limits cannot hold whatever is cut, the job is returned as it is.
    """
    if not problem.attack_n.any():
        raise RequestError(
            "{door_budget} needs an attack over 0 N: only the share between the strings counts.",
            at=At(field="budget"),
        )
    bought = LevellingModel(problem).most_attack(budget_mm)
    if bought is not None:
        return replace(problem, attack_n=bought.attack_share * problem.attack_n)
    least = LevellingModel(replace(problem, attack_n=np.zeros(problem.strings)))
    needed = least.minimise(least.cost_of(least.r.ravel()))
    if needed is not None:
        raise RequestError(
            "{door_budget}: {budget:length} buys no plan. With no attack at all {needed:length} "
            "has to come off; allow more.",
            at=At(field="budget"),
            budget=budget_mm,
            needed=needed,
        )
    return problem


def _known(method: str) -> str:
    if method not in METHODS:
        raise RequestError(
            "{door_method} must be one of {allowed:or}, not {given:quoted}.",
            at=At(field="method"),
            allowed=tuple(METHODS),
            given=str(method),
        )
    return method


def _keepable(keep: Collection[str]) -> Collection[str]:
    for what in keep:
        if what not in KEEPABLE:
            raise RequestError(
                "{door_keep} must be one of {allowed:or}, not {given:quoted}.",
                at=At(field="keep"),
                allowed=KEEPABLE,
                given=str(what),
            )
    return keep


def _budget(budget_mm: float | None) -> float | None:
    if budget_mm is not None and not (np.isfinite(budget_mm) and budget_mm >= 0.0):
        raise RequestError("{door_budget} must be zero or more.", at=At(field="budget"))
    return budget_mm


def _limits(name: str, stated: Sequence[Limit], given: Limits) -> tuple[Limit, ...]:
    """Return changed limits; the value wanted stays as near as they allow."""
    try:
        pairs = np.asarray(given, dtype=float)
    except (TypeError, ValueError):
        pairs = np.empty(0)
    fits = pairs.shape in ((2,), (len(stated), 2)) and bool(np.isfinite(pairs).all())
    if not fits or bool((pairs[..., 0] > pairs[..., 1]).any()):
        raise RequestError(
            "{name} needs a lower and an upper limit, the lower first.",
            at=At(field=name),
            name=name,
        )
    return tuple(
        replace(
            limit,
            value_mm=float(np.clip(limit.value_mm, low, high)),
            minimum_mm=float(low),
            maximum_mm=float(high),
        )
        for limit, (low, high) in zip(stated, np.broadcast_to(pairs, (len(stated), 2)), strict=True)
    )
