"""The use case "plan": what to adjust, cut or replace."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.codec import plain, with_words
from evenfall.errors import Progress, silent
from evenfall.levelling import make_plan, trade_off
from evenfall.wording import LIBRARY_WORDS
from evenfall.workshop.kept import excursion
from evenfall.workshop.necks import NeckKnownRequest, outlook_findings
from evenfall.workshop.outputs import drawn
from evenfall.workshop.pitches import pitch_change_finding

if TYPE_CHECKING:
    from evenfall.arrays import FloatArray
    from evenfall.errors import Finding
    from evenfall.instrument import Specification
    from evenfall.plan import Plan
    from evenfall.units import LengthUnit
    from evenfall.workshop.motion_check import MotionCheck


@dataclass(frozen=True, slots=True)
class PlanRequest(NeckKnownRequest):
    """Which instrument to plan for, and how.

    Parameters
    ----------
    method
        Key of `evenfall.plan.METHODS`; the recommended method if left out.
    attack_n
        Design attack on every string [N]; the specification's if left out.
    budget_mm
        Total removal allowed [mm]; then the design attack is the largest that this allows.
    keep
        What must stay as it is: any of "relief", "saddle", "nut".
    verify_by_motion
        Whether to play the result too.
    compare
        Whether every method is tried; if not, those alone that the answer needs.
    """

    method: str | None = None
    attack_n: float | None = None
    budget_mm: float | None = None
    keep: tuple[str, ...] = ()
    verify_by_motion: bool = False
    compare: bool = False


@dataclass(frozen=True, slots=True)
class PlanOutcome:
    """A plan, what led to it and what it leads to.

    Parameters
    ----------
    specification
        What the plan is made for.
    plan
        The plan.
    motion
        The result in motion, if that was asked for.
    findings_of_readings
        What is worth knowing about the readings.
    findings_ahead
        What the plan does to pitch, how long it holds, and what motion shows.
    """

    specification: Specification
    plan: Plan
    motion: MotionCheck | None
    findings_of_readings: tuple[Finding, ...]
    findings_ahead: tuple[Finding, ...]

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Everything worth knowing, that of the readings first."""
        return (*self.findings_of_readings, *self.findings_ahead)

    def as_dict(
        self, unit: LengthUnit = "mm", door: Mapping[str, str] = LIBRARY_WORDS
    ) -> dict[str, Any]:
        """Return plan, motion and findings as plain values for JSON."""
        values = self.plan.as_dict()
        if self.motion is not None:
            values["motion"] = self.motion.as_dict()
        return with_words({**values, "findings": plain(self.findings)}, unit, door)

    def pictures(
        self, unit: LengthUnit | None = None, progress: Progress = silent
    ) -> dict[str, str]:
        """Return the drawings of the plan: SVG text by name."""
        return plan_pictures(self.specification, self.plan, unit=unit, progress=progress)


def plan(request: PlanRequest, progress: Progress = silent) -> PlanOutcome:
    """Find what to adjust, cut or replace so that every limit is met with the least metal.

    Parameters
    ----------
    request
        The instrument, and how to plan.
    progress
        Told what is being done; it may stop the work.

    Raises
    ------
    EvenfallError
        A file cannot be used, the readings are incomplete, or an option is out of range; see
        `evenfall.levelling.make_plan`.
    """
    if request.verify_by_motion:
        from evenfall.workshop.motion_check import verify_by_motion
        from evenfall.workshop.play_levels import require_play_test

        require_play_test()
    found, neck = request.open_at_pitch()
    table = excursion(found.specification, progress)
    made = make_plan(
        found.specification,
        found.measurement,
        method=request.method,
        compare=request.compare,
        attack_n=request.attack_n,
        budget_mm=request.budget_mm,
        keep=request.keep,
        excursion=table,
        neck=neck,
        progress=progress,
    )
    ahead = (
        pitch_change_finding(made.pitch_change_cents, made.pitch_uncrowned_cents),
        *outlook_findings(found.specification, made),
    )
    motion = None
    if request.verify_by_motion:
        motion = verify_by_motion(found.specification, made, progress=progress)
        ahead = (*ahead, *motion.findings)
    return PlanOutcome(found.specification, made, motion, found.findings, ahead)


def plan_pictures(
    specification: Specification,
    made: Plan,
    names: tuple[str, ...] = (),
    *,
    unit: LengthUnit | None = None,
    progress: Progress = silent,
) -> dict[str, str]:
    """Return drawings of a plan by name, by default all."""
    from evenfall.pictures.fret_map import removal_map, touch_force_map
    from evenfall.pictures.neck import neck_curve
    from evenfall.pictures.side_view import string_side_view
    from evenfall.pictures.trade_off import trade_off_chart

    shown = unit or specification.unit

    def side_view() -> str:
        string, stopped = _tightest(made)
        table = excursion(specification)
        return string_side_view(
            specification, made, table, string=string, stopped_fret=stopped, unit=shown
        )

    def trade() -> str:
        against = trade_off(specification, made, excursion=excursion(specification))
        title = f"{specification.name}: what the limits cost"
        return trade_off_chart(against, title=title, unit=shown)

    def touch_force(state: str, force_n: FloatArray) -> str:
        attack_n = np.array(specification.player.attack_n)
        title = f"{specification.name}: touch force {state}"
        return touch_force_map(specification, force_n, attack_n, title=title)

    return drawn(
        {
            "touch force as found": lambda: touch_force("as found", made.touch_force_before_n),
            "touch force planned": lambda: touch_force("planned", made.touch_force_after_n),
            "removal": lambda: removal_map(specification, made, unit=shown),
            "side view": side_view,
            "neck": lambda: neck_curve(specification, made.measurement, made, unit=shown),
            "trade-off": trade,
        },
        progress,
        names,
    )


def _tightest(made: Plan) -> tuple[int, int]:
    """Return the string and stopped fret that had the lowest touch force before the work."""
    share = made.touch_force_before_n / np.maximum(made.attack_n[:, None], 1e-9)
    k, i = np.unravel_index(int(np.argmin(share)), share.shape)
    return int(k) + 1, int(i)
