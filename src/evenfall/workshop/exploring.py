"""The use case "explore": what other wishes would come to, quick enough for a slider."""

from __future__ import annotations

import threading
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from evenfall.errors import At, Cancelled, Finding, Progress, RequestError, silent
from evenfall.gates import accepted_gates
from evenfall.levelling import Session
from evenfall.levelling.decision import Decision
from evenfall.pictures.fret_map import buzz_force_cells, metal_cells
from evenfall.pictures.inks import Theme
from evenfall.plan import METHODS, Plan
from evenfall.plan.methods import Control, MethodResult
from evenfall.requirement import State, margin_share
from evenfall.units import LengthUnit
from evenfall.wording import Sentence, sentence, whole_percent
from evenfall.workshop.kept import excursion
from evenfall.workshop.opening import Source, open_worked
from evenfall.workshop.outputs import json_file
from evenfall.workshop.planning import PlanRequest, second_reading
from evenfall.workshop.story import Story, needed

_ATTACK_SHARES = (0.5, 1.5)
"""How far the attack goes, as shares of the player's."""
_RELIEF_SHARE, _RELIEF_MM = 2.5, 0.4
"""How far the relief goes: a share of what the specification asks for, and so far at least [mm]."""
_BUDGET_SHARES = (0.0, 1.0, 0.5, 0.25, 0.75, 1.5, 2.0)
"""Metal that is made ready to be moved, as shares of what the wishes cost."""
_ACTION_MM = (-0.3, 0.5)
"""How far the action goes from what the specification asks for [mm]."""


@dataclass(frozen=True, slots=True)
class Wishes:
    """What is asked for; what is left out is the specification's."""

    method: str = "spot"  # key of `evenfall.plan.METHODS`
    attack_share: float = 1.0  # of the player's attack
    action_change_mm: float = 0.0  # from the action that the specification asks for
    relief_mm: float | None = None
    budget_mm: float | None = None  # metal that may come off

    @property
    def specified(self) -> bool:
        """Whether the targets are those of the specification, so that a plan may be taken."""
        return self.action_change_mm == 0.0 and self.relief_mm is None


@dataclass(frozen=True, slots=True)
class Range:
    """How far a control goes, in its own unit."""

    control: Control
    low: float
    high: float
    value: float  # wanted by the specification


def to_explore(told: Story, accepted: tuple[str, ...] = (), by: str = "") -> PlanRequest:
    """Return the request to plan by: the newest readings, or the two where a plan asked twice."""
    source, second = needed(told.measurement, "readings"), None
    if told.second is not None and told.made is not None:
        second = source
        first = told.made.measurement
        source = Source("first.measurement.json", json_file(first.as_dict()))
    return PlanRequest(
        source,
        settled=told.settled,
        worked=told.worked,
        second=second,
        accepted=accepted,
        accepted_by=by,
    )


class GivesWay(Cancelled):
    """Somebody moved a control meanwhile: what takes longer is asked for again later."""


class Exploration:
    """One instrument, warm: one thread at a time, the last wishes kept.

    A look comes first: what takes longer gives way to it, by raising `GivesWay`.
    """

    def __init__(self, request: PlanRequest) -> None:
        self._lock = threading.Lock()
        found, neck = request.open_at_pitch()
        self.specification, self.measurement = found.specification, found.measurement
        self._player_n = np.asarray(found.specification.player.attack_n)
        accepted = accepted_gates(request.accepted, found.specification, person=request.accepted_by)
        self._session = Session(
            found.specification,
            found.measurement,
            excursion=excursion(found.specification),
            neck=neck,
            settled=request.settled,
            worked=open_worked(request.worked, found.measurement),
            second=second_reading(request.second, found.measurement),
            accepted=accepted,
        )
        self._wishes: Wishes | None = Wishes()
        self._looks = 0  # that wait
        self._plan: tuple[Wishes, str | None, Plan] | None = None

    @property
    def ranges(self) -> tuple[Range, ...]:
        """How far attack, action and relief go."""
        target = self.specification.target
        action = float(np.mean([limit.value_mm for limit in target.action]))
        attack, relief = float(self._player_n.max()), target.relief.value_mm
        low, high = (share * attack for share in _ATTACK_SHARES)
        return (
            Range("attack", low, high, attack),
            Range("action", action + _ACTION_MM[0], action + _ACTION_MM[1], action),
            Range("relief", 0.0, max(_RELIEF_MM, _RELIEF_SHARE * relief), relief),
        )

    @property
    def read_again(self) -> tuple[Finding, ...]:
        """What has to be read again, or accepted with a reason, before anything is cut."""
        return self._session.read_again

    def look(self, wishes: Wishes, unit: LengthUnit) -> dict[str, Any]:
        """Return what some wishes come to, as plain values: cells, figures and sentences.

        Where readings have to be taken again, no cut is shown.
        """
        method = "adjust" if self.read_again else wishes.method
        self._looks += 1
        with self._lock:
            self._looks -= 1
            self._ask(wishes)
            return self._told(self._session.preview(method), wishes, unit)

    def _give_way(self, _doing: str, _share: float) -> None:
        if self._looks:
            raise GivesWay

    def plan(self, wishes: Wishes, *, recommended: bool = False, gives_way: bool = False) -> Plan:
        """Return the plan that some wishes lead to, by their method or the one recommended."""
        progress = self._give_way if gives_way else silent
        method = None if recommended else wishes.method
        with self._lock:
            if self._plan is None or self._plan[:2] != (wishes, method):
                self._ask(wishes)
                self._plan = (wishes, method, self._session.plan(method, progress=progress))
            return self._plan[2]

    def methods(self, progress: Progress = silent) -> tuple[MethodResult, ...]:
        """Return what each method comes to, by the specification."""
        with self._lock:
            self._ask(Wishes())
            return tuple(self._session.methods(progress))

    def spans(self, wishes: Wishes) -> dict[str, Any]:
        """Return where each control holds uncut, holds with cuts, or does not hold.

        Of the controls that gave way to a look nothing is said. Metal is made ready to be moved.
        """
        told: dict[str, Any] = {}
        for one in self.ranges:
            with self._lock:  # let a drag in between two controls
                self._ask(replace(wishes, budget_mm=None))
                try:
                    along = self._session.along(one.control, one.low, one.high, self._give_way)
                except GivesWay:
                    break
                told[one.control] = [
                    {"from": low, "to": high, "holds": what} for low, high, what in along.spans
                ]
        with self._lock, suppress(GivesWay):
            self._ask(replace(wishes, budget_mm=None))
            metal_mm = self._session.preview(wishes.method).metal_mm
            budgets_mm = [share * metal_mm for share in _BUDGET_SHARES]
            self._session.ready_for_budgets(wishes.method, budgets_mm, self._give_way)
        return told

    def side_view(
        self, wishes: Wishes, string: int, stopped_fret: int, unit: LengthUnit, theme: Theme
    ) -> str:
        """Return one string from the side, as found and as planned, as SVG."""
        from evenfall.pictures.side_view import string_side_view

        if not (
            1 <= string <= self.specification.string_count
            and 0 <= stopped_fret < self.specification.frets
        ):
            raise RequestError("There is no such note on this instrument.", at=At(field="note"))
        return string_side_view(
            self.specification,
            self.plan(wishes, gives_way=True),
            excursion(self.specification),
            string=string,
            stopped_fret=stopped_fret,
            unit=unit,
            theme=theme,
        )

    def crown(self, wishes: Wishes, string: int, fret: int, unit: LengthUnit, theme: Theme) -> str:
        """Return the section of one crown, as found and as planned, as SVG."""
        from evenfall.pictures.crown_cut import crown_cut

        if not (
            1 <= string <= self.specification.string_count and 1 <= fret <= self.specification.frets
        ):
            raise RequestError("There is no such crown on this instrument.", at=At(field="fret"))
        plan = self.plan(wishes, gives_way=True)
        return crown_cut(self.specification, plan, string=string, fret=fret, unit=unit, theme=theme)

    def _ask(self, wishes: Wishes) -> None:
        if wishes.method not in METHODS:
            raise RequestError(
                "{door_method} must be one of {allowed:or}.",
                at=At(field="method"),
                allowed=tuple(METHODS),
            )
        before = self._wishes
        if wishes == before:
            return
        attack, action, _ = self.ranges
        finite = [wishes.attack_share, wishes.action_change_mm, wishes.relief_mm or 0.0]
        if not np.isfinite(finite).all():
            raise RequestError("Every wish is a number.", at=At(field="wishes"))
        self._wishes = None  # until all of it is asked for
        share, change = wishes.attack_share, wishes.action_change_mm
        if before is None or share != before.attack_share:
            self._session.set_control("attack", None if share == 1.0 else share * attack.value)
        if before is None or change != before.action_change_mm:
            self._session.set_control("action", action.value + change if change else None)
        if before is None or wishes.relief_mm != before.relief_mm:
            self._session.set_control("relief", wishes.relief_mm)
        self._session.change(budget_mm=wishes.budget_mm)
        self._wishes = wishes

    def _told(self, seen: Decision, wishes: Wishes, unit: LengthUnit) -> dict[str, Any]:
        spec = self.specification
        left = self.measurement.crown_height_mm - seen.removal_mm
        buzz_n = seen.buzz_force.force_n
        share = margin_share(buzz_n, self._player_n)
        bought = float(np.min(seen.attack_n / np.maximum(self._player_n, 1e-9)))
        failing = int((seen.note_state == State.FAILS).sum())
        return {
            "holds": seen.holds,
            "conclusion": seen.conclusion,
            "may_take": wishes.specified,
            "metal_mm": seen.metal_mm,
            "frets": int((seen.removal_mm > 0.0).any(axis=0).sum()),
            "margin_percent": whole_percent(float(np.nanmin(share))),
            "attack_percent": whole_percent(bought),
            "lowest_crown_mm": float(np.nanmin(left)),
            "relief_change_mm": seen.relief_change_mm,
            "saddle_mm": [round(float(one), 4) for one in seen.saddle_height_change_mm],
            "why": "" if seen.holds else self._why(seen, failing),
            "cells": {
                "metal": [
                    one.as_dict() for one in metal_cells(spec, seen.removal_mm, left, unit=unit)
                ],
                "margin": [
                    one.as_dict()
                    for one in buzz_force_cells(
                        spec,
                        buzz_n,
                        self._player_n,
                        touch_force_n=seen.touch_force.force_n,
                        note_state=seen.note_state,
                    )
                ],
            },
        }

    def _why(self, seen: Decision, failing: int) -> Sentence:
        """Return why what is asked for does not hold."""
        if seen.conclusion == "misfit":
            return sentence(
                "Attack and targets do not fit each other: level frets stay clear up to "
                "{share:share} of this attack.",
                share=seen.level_margin_share,
            )
        return sentence("{failing:count note} would still fail.", failing=failing)
