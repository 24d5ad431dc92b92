"""The warm model of one instrument: change what is asked for, look at once, plan when content."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from types import EllipsisType
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.errors import At, Finding, Progress, RequestError, silent
from evenfall.gates import Accepted, check_used, no_second_reading, open_gates
from evenfall.instrument import Specification, string_lines
from evenfall.instrument.specification import Limit
from evenfall.levelling.decision import Decision
from evenfall.levelling.explanation import SAVES_SHARE, method_result, recommend
from evenfall.levelling.finishing import Beside, Readings, finished_plan, force_range
from evenfall.levelling.least_metal import least_metal_mm
from evenfall.levelling.problem import KEEPABLE, Attack, Problem, build_problem
from evenfall.levelling.rules import (
    decide,
    level_line_for,
    level_lines_for,
    most_attack,
    smallest_cut_mm,
)
from evenfall.levelling.second_reading import confirmation
from evenfall.levelling.tradeoff import along, control_value, with_control
from evenfall.measurement import Measurement
from evenfall.neck import NeckModel, neck_model
from evenfall.neck.level_line import LevelLine
from evenfall.plan import METHODS, Plan
from evenfall.plan.before_cut import Confirmation
from evenfall.plan.methods import Control, MethodResult, Price, tool_of
from evenfall.requirement import ROUNDING_MM
from evenfall.strings.excursion import ExcursionTable
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from evenfall.levelling.tradeoff import Along

Limits: TypeAlias = "tuple[float, float] | Sequence[tuple[float, float]]"
"""Lower and upper limit [mm], for every string or for each."""

BUDGET_METHODS = ("adjust", "spot", "profile")
"""Methods whose metal is chosen crossing by crossing, so that a budget can bound it."""

_MOST_SHARES = 64
"""Shares of the attack whose decisions are kept while a budget is moved to and fro."""

PRICE_STEPS: dict[Control, float] = {"attack": 5.0, "action": 0.05, "relief": 0.02}
"""One step of each control: percent less attack, millimetres more action and relief."""


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
    second
        A second reading of the same instrument, which may confirm the first.
    settled
        Whether the readings were taken after rod and saddle were set by an earlier plan: then small
        corrections of them ask for no further reading.
    worked
        Plans that were worked before these readings, oldest first: what they took off is no wear.
    accepted
        Readings that somebody accepts as they are, though a gate asks for them again.

    Raises
    ------
    RequestError
        The measurement does not fit the specification or is incomplete, or `keep` is not known.

    Examples
    --------
    >>> import evenfall as ef
    >>> readings = ef.Source.invented("tesquil-before.csv")
    >>> taken = ef.measure(ef.MeasureRequest((readings,), ef.Source.invented("tesquil.spec.toml")))
    >>> session = Session(taken.specification, taken.measurement)
    >>> whole = session.preview().metal_mm
    >>> session.change(attack_n=0.8 * session.attack_n)
    >>> session.preview().metal_mm <= whole
    True
    """

    def __init__(
        self,
        specification: Specification,
        measurement: Measurement,
        *,
        excursion: ExcursionTable | None = None,
        neck: NeckModel | None = None,
        keep: Collection[str] = (),
        second: Measurement | None = None,
        settled: bool = False,
        worked: Sequence[Plan] = (),
        accepted: Sequence[Accepted] = (),
    ) -> None:
        self._neck = neck or neck_model(specification, string_lines(specification))
        self._stated = specification.target
        self._asked = build_problem(
            specification,
            measurement,
            excursion=excursion,
            keep=_keepable(keep),
            bow=self._neck.rod_bow,
            worked=worked,
        )
        self._second: Problem | None = None
        if second is not None:
            if second.heights == measurement.heights:
                raise RequestError(
                    "{door_confirmed_by} is the same reading again. Read the frets once more and "
                    "give what you find.",
                    at=At(field="confirmed_by"),
                )
            self._second = build_problem(
                specification,
                second,
                excursion=self._asked.excursion,
                bow=self._neck.rod_bow,
                worked=worked,
            )
        self._settled = settled
        self._budget_mm: float | None = None
        self._level_lines = level_lines_for(self._asked)
        self._lines: dict[str, LevelLine] = {}
        self._tried: dict[str, Decision] = {}
        self._shares: dict[str, dict[float, Decision]] = {}  # of the attack, by method
        self._gates = open_gates(
            specification, measurement, self.level_line(), accepted, self._asked.before_filing
        )
        check_used(accepted, self._gates.found)

    # ---- what is asked for --------------------------------------------------------------

    @property
    def specification(self) -> Specification:
        """The specification, with the limits as they were changed."""
        return self._asked.specification

    @property
    def attack_n(self) -> FloatArray:
        """Attack that the next plan is made for, before a metal budget, shape (K,) [N]."""
        return self._asked.attack_n.copy()

    @property
    def read_again(self) -> tuple[Finding, ...]:
        """What has to be read again, or accepted, before anything is cut."""
        return self._gates.unmet

    def level_line(self, method: str = "spot") -> LevelLine:
        """Return the level line of the readings, as a method's tool can tell what stands out."""
        return self._line(_known(method))

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
        if asked is not self._asked:
            self._shares.clear()
        self._asked, self._budget_mm = asked, budget
        self._tried.clear()

    def set_control(self, control: Control, value: float | None) -> None:
        """Set the value wanted of one control, its limits going with it, as `along` does.

        Parameters
        ----------
        control
            "attack", "action" or "relief".
        value
            The highest attack of all strings [N], the mean action wanted [mm] or the relief wanted
            [mm]; None for what the specification says.
        """
        target = self._asked.specification.target
        if control == "attack":
            asked = self._asked.with_attack(None)
        else:
            asked = self._asked.with_limits(
                action=self._stated.action if control == "action" else target.action,
                relief=self._stated.relief if control == "relief" else target.relief,
            )
        if value is not None:
            asked = with_control(asked, control, value)
        self._asked = asked
        self._tried.clear()
        self._shares.clear()

    # ---- looking ------------------------------------------------------------------------

    def preview(self, method: str = "spot") -> Decision:
        """Return what a method comes to, without its reasons: quick enough for a slider.

        Parameters
        ----------
        method
            Key of `evenfall.plan.METHODS`.

        Raises
        ------
        RequestError
            There is no such method, or the metal budget buys no plan at all.
        """
        return self._decided(_known(method))

    def along(
        self, control: Control, low: float, high: float, progress: Progress = silent
    ) -> Along:
        """Return what values of one control lead to, by file, everything else as it is asked for.

        Parameters
        ----------
        control
            "attack", "action" or "relief".
        low, high
            From which value to which: the highest attack of all strings [N], the mean action
            wanted [mm] or the relief wanted [mm]. Limits go with the value wanted.
        progress
            Told how far it is; it may stop it by raising `Cancelled`.

        Raises
        ------
        RequestError
            There is no such control, or the values are not a rising pair.
        """
        return along(
            self._asked, self._line("spot"), "spot", control, low=low, high=high, progress=progress
        )

    def method(self, name: str, progress: Progress = silent) -> MethodResult:
        """Return what one of `evenfall.plan.METHODS` comes to.

        Parameters
        ----------
        name
            Key of the method.
        progress
            Told what is being done; it may stop it by raising `Cancelled`.

        Raises
        ------
        RequestError
            There is no such method, or the metal budget buys no plan at all.
        """
        progress("Planning", 0.0)
        return method_result(self._decided(_known(name)))

    def methods(self, progress: Progress = silent) -> Iterator[MethodResult]:
        """Yield what each method comes to, one by one, in the order of growing effort.

        Parameters
        ----------
        progress
            Told what is being done; it may stop it by raising `Cancelled`.
        """
        for name in METHODS:
            yield self.method(name, progress)

    # ---- planning -----------------------------------------------------------------------

    def plan(
        self, method: str | None = None, *, compare: bool = False, progress: Progress = silent
    ) -> Plan:
        """Return the plan: settings, cuts and what a person does next, checked and explained.

        Parameters
        ----------
        method
            Key of `evenfall.plan.METHODS`; the recommended method if left out, and with a metal
            budget "spot".
        compare
            Whether every method is tried; if not, those alone that the answer needs.
        progress
            Told what is being done; it may stop it by raising `Cancelled`.

        Raises
        ------
        RequestError
            There is no such method, it cannot be bound by a budget, or the budget buys no plan at
            all.
        SolverError
            The plan failed the program's own check.
        """
        if method is not None:
            self._check_budget_fits(_known(method))
        elif self._budget_mm is not None:
            method = "spot"
        shown = set(METHODS) if compare else set[str]()
        recommended, reason = "", sentence("No other method was compared.")
        if method is not None and self._budget_mm is not None:
            reason = self._buys(method, self._budget_mm)
        if compare or method is None:
            shown |= self._needed_to_recommend(progress)
            recommended, reason = recommend(self._results(shown, progress))
            method = method or recommended or "spot"
        shown.add(method)
        readings = self._readings(method)
        # where readings have to be taken again, only the settings are shown
        decision = self._decided("adjust" if readings.unmet else method)
        return finished_plan(
            self._asked,
            self._line("spot"),
            decision,
            self._neck,
            tool=tool_of(decision.method),
            readings=readings,
            beside=Beside(
                methods=() if readings.unmet else self._results(shown, progress),
                recommended="" if readings.unmet else recommended,
                reason=reason,
                prices=self._prices(decision),
                least_metal_mm=self._least_metal_mm(decision),
                budget_mm=np.nan if self._budget_mm is None else self._budget_mm,
            ),
        )

    def _results(self, names: Collection[str], progress: Progress) -> tuple[MethodResult, ...]:
        return tuple(self.method(name, progress) for name in METHODS if name in names)

    def _needed_to_recommend(self, progress: Progress) -> set[str]:
        """Return the methods that one of may be recommended, the others being worse for certain.

        New wire is looked at only where the frets as they are do not do.
        """

        def decided(name: str) -> Decision:
            progress("Planning", 0.0)
            return self._decided(name)

        if decided("adjust").holds:
            return {"adjust"}
        old = ("adjust", "spot", "profile")
        if decided("spot").no_room and not any(decided(name).holds for name in old):
            return {*old, "partial-refret"}
        return set(old)

    def _readings(self, method: str) -> Readings:
        """Return gates, hand checks and, where a plan asks for one, what a second reading says."""
        confirmed = None
        if self._second is not None:
            asked = {fret for one in self._decided(method).ask for fret in one.frets}
            if asked:
                confirmed = self._confirmation(self._second, method, asked)
        gates = self._gates
        return Readings(gates.found, gates.unmet, gates.accepted, gates.checks, confirmed)

    def _confirmation(self, second: Problem, method: str, frets: Collection[int]) -> Confirmation:
        """Return whether a second reading agrees about frets, or why it can confirm nothing."""
        found = second.measurement
        why = no_second_reading(self._asked.specification, self._asked.measurement, found)
        if why is not None:
            return Confirmation(agrees=False, said=why, measurement_hash=found.content_hash)
        return confirmation(self._line(method), level_line_for(second, method), frets, found)

    def _prices(self, decision: Decision) -> tuple[Price, ...]:
        """Return what one step of each control would save in metal."""
        if not decision.metal_mm or self._budget_mm is not None:
            return ()
        found = []
        problem = self._asked
        for control, step in PRICE_STEPS.items():
            here = control_value(problem, control)
            there = here * (1.0 - 0.01 * step) if control == "attack" else here + step
            moved = with_control(problem, control, there)
            other = decide(moved, self._line(decision.method), decision.method)
            saved = decision.metal_mm - other.metal_mm
            if other.holds and saved > 0.0:
                unit: Literal["mm", "percent"] = "percent" if control == "attack" else "mm"
                found.append(Price(control, step, unit, saved))
        return tuple(found)

    def _least_metal_mm(self, decision: Decision) -> float:
        """Return the metal with every limit used to the full, NaN where that saves too little."""
        if not decision.metal_mm or self._budget_mm is not None:
            return np.nan
        enough_mm = (1.0 - SAVES_SHARE) * decision.metal_mm
        tried = "least-metal" in self._tried
        if not (tried or least_metal_mm(self._asked) <= enough_mm + ROUNDING_MM):
            return np.nan
        other = self._decided("least-metal")
        saves = other.holds and other.metal_mm <= enough_mm
        return other.metal_mm if saves else np.nan

    # ---- working out --------------------------------------------------------------------

    def _line(self, method: str) -> LevelLine:
        """Return the level line for the tool of a method; it depends on no wish."""
        tool = tool_of(method)
        if tool not in self._lines:
            self._lines[tool] = self._level_lines(smallest_cut_mm(self._asked, method))
        return self._lines[tool]

    def _decided(self, method: str) -> Decision:
        """Return what the rules decide for a method; kept until the next change."""
        if method not in self._tried:
            line, problem = self._line(method), self._asked
            if self._budget_mm is None or method not in BUDGET_METHODS:
                self._tried[method] = decide(problem, line, method, settled=self._settled)
            else:
                self._tried[method] = self._bought(problem, line, method, self._budget_mm)
        return self._tried[method]

    def ready_for_budgets(
        self, method: str, budgets_mm: Sequence[float], progress: Progress = silent
    ) -> None:
        """Decide ahead what some metal budgets buy, so that each is then looked at at once.

        Parameters
        ----------
        method
            One of `BUDGET_METHODS`; of others nothing is done.
        budgets_mm
            Total removals allowed [mm].
        progress
            Told what is being done; it may stop it by raising `Cancelled`.
        """
        if method in BUDGET_METHODS and self._asked.attack_n.any():
            for budget_mm in budgets_mm:
                self._most_attack(method, budget_mm, progress)

    def _most_attack(
        self, method: str, budget_mm: float, progress: Progress = silent
    ) -> Decision | None:
        """Return the decision for the most attack that a budget buys; shares tried are kept."""
        tried = self._shares.setdefault(method, {})
        if len(tried) > _MOST_SHARES:
            tried.clear()
        return most_attack(
            self._asked,
            self._line(method),
            method,
            budget_mm,
            settled=self._settled,
            tried=tried,
            progress=progress,
        )

    def _bought(self, problem: Problem, line: LevelLine, method: str, budget_mm: float) -> Decision:
        if not problem.attack_n.any():
            raise RequestError(
                "{door_budget} needs an attack over 0 N: only the share between the strings "
                "counts.",
                at=At(field="budget"),
            )

        bought = self._most_attack(method, budget_mm)
        if bought is None:
            gentlest = problem.with_attack(np.zeros(problem.strings))
            raise RequestError(
                "{door_budget}: {budget:length} is too little for any plan. With no attack at all "
                "{needed:length} has to come off; allow more.",
                at=At(field="budget"),
                budget=budget_mm,
                needed=decide(gentlest, line, method).metal_mm,
            )
        return bought

    def _buys(self, method: str, budget_mm: float) -> Sentence:
        """Return which attack a metal budget buys, beside what no metal at all would."""
        bought_n = self._decided(method).attack_n
        players_n = np.asarray(self._asked.specification.player.attack_n)
        free = self._most_attack(method, 0.0)
        share: Sentence | str = ""
        if players_n.any():
            of_it = float(np.min(bought_n[players_n > 0.0] / players_n[players_n > 0.0]))
            share = sentence(", {of_it:share} of the player's attack", of_it=of_it)
        without: Sentence | str = ""
        if free is not None:
            without = sentence(" (no cut at all: {free})", free=force_range(free.attack_n))
        return sentence(
            "A budget of {budget:length} clears every note up to an attack of {force}{share}"
            "{without}. At that attack there is nothing to spare: any error of rod, "
            "saddle or file takes from it.",
            budget=budget_mm,
            force=force_range(bought_n),
            share=share,
            without=without,
        )

    def _check_budget_fits(self, method: str) -> None:
        if self._budget_mm is not None and method not in BUDGET_METHODS:
            raise RequestError(
                "{door_budget} works with the methods {allowed:list}, not {method}.",
                at=At(field="budget"),
                allowed=BUDGET_METHODS,
                method=method,
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
    second: Measurement | None = None,
    settled: bool = False,
    worked: Sequence[Plan] = (),
    accepted: Sequence[Accepted] = (),
    compare: bool = False,
    progress: Progress = silent,
) -> Plan:
    """Return the plan for one instrument: a `Session`, asked once; see there for an example.

    Settings first, metal only for what is worse than level frets; every requirement was checked
    independently.

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
    second
        A second reading, which may confirm the first.
    settled
        Whether the readings were taken after rod and saddle were set by an earlier plan.
    worked
        Plans that were worked before these readings, oldest first: what they took off is no wear.
    accepted
        Readings that somebody accepts as they are, though a gate asks for them again.
    compare
        Whether every method is tried; if not, those alone that the answer needs.
    progress
        Told what is being done; it may stop it by raising `Cancelled`.

    Raises
    ------
    RequestError
        Method, attack, budget or `keep` cannot be used, or the measurement does not fit.
    SolverError
        The plan failed the program's own check.
    """
    if method is not None:
        _known(method)
    session = Session(
        specification,
        measurement,
        excursion=excursion,
        neck=neck,
        keep=keep,
        second=second,
        settled=settled,
        worked=worked,
        accepted=accepted,
    )
    session.change(attack_n=attack_n, budget_mm=budget_mm)
    return session.plan(method, compare=compare, progress=progress)


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
    keep = (keep,) if isinstance(keep, str) else keep
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
    try:
        given = 0.0 if budget_mm is None else float(budget_mm)
    except (TypeError, ValueError, OverflowError):
        given = np.nan
    if not (np.isfinite(given) and given >= 0.0):
        raise RequestError("{door_budget} must be zero or more.", at=At(field="budget"))
    return None if budget_mm is None else given


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
