"""The use case "plan": what to adjust, cut or replace."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.arrays import CodeArray, FloatArray
from evenfall.errors import At, Finding, Progress, RequestError, silent
from evenfall.gates import accepted_gates
from evenfall.instrument import Specification
from evenfall.levelling import make_plan, trade_off
from evenfall.measurement import Measurement
from evenfall.pictures.inks import LIGHT, Theme
from evenfall.plan import Plan
from evenfall.plan.methods import tool_of
from evenfall.requirement import margin_share
from evenfall.units import LengthUnit
from evenfall.wording import Sentence
from evenfall.work import bench_sheet
from evenfall.workshop.kept import excursion
from evenfall.workshop.necks import NeckKnownRequest, outlook_findings
from evenfall.workshop.opening import Source, open_another, open_worked, require_same
from evenfall.workshop.outputs import Outcome
from evenfall.workshop.pitches import pitch_change_finding

if TYPE_CHECKING:
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
    second
        A second reading of the instrument, which may confirm the first.
    settled
        Whether the readings were taken after rod and saddle were set by an earlier plan.
    worked
        Plans that were worked before these readings, oldest first: what they took off is no wear.
    accepted
        Readings that somebody accepts as they are, as CODE[@fret[:string]]=REASON.
    accepted_by
        Who accepts them.
    machine
        Description of the machine that is to cut: its smallest cut and working allowance are taken
        instead of the specification's, and the method is "profile".
    """

    method: str | None = None
    attack_n: float | None = None
    budget_mm: float | None = None
    keep: tuple[str, ...] = ()
    verify_by_motion: bool = False
    compare: bool = False
    second: Source | None = None
    settled: bool = False
    worked: tuple[Source, ...] = ()
    accepted: tuple[str, ...] = ()
    accepted_by: str = ""
    machine: Source | None = None


@dataclass(frozen=True, slots=True)
class PlanOutcome(Outcome):
    """A plan, what led to it and what it leads to."""

    plan: Plan  # the plan
    motion: MotionCheck | None  # the result in motion, if that was asked for
    # what the plan does to pitch, how long it holds, and what motion shows; nothing by strings
    # read in the opposite order
    findings_ahead: tuple[Finding, ...]

    @property
    def waits(self) -> bool:
        """Whether readings, or a choice of targets, have to come before anything else."""
        plan = self.plan
        new_wire = plan.status == "new-wire" and not plan.replaced_frets
        return new_wire or plan.status in ("read-again", "ask", "misfit", "short")

    @property
    def cautions(self) -> tuple[tuple[str, Sentence], ...]:
        """What can hurt in the work that the plan asks for now: a word or two, and what to do."""
        found = bench_sheet(self.specification, self.plan).cautions
        return tuple((one.topic, one.sentence) for one in found)

    @property
    def findings_of_result(self) -> tuple[Finding, ...]:
        """What the plan leads to."""
        return self.findings_ahead

    def values(self) -> dict[str, Any]:
        """Return plan and motion as plain values."""
        motion = {} if self.motion is None else {"motion": self.motion.as_dict()}
        return {**self.plan.as_dict(), **motion}

    def drawings(self, unit: LengthUnit, theme: Theme) -> dict[str, Callable[[], str]]:
        """Return what draws the plan."""
        return plan_drawings(self.specification, self.plan, unit, theme)


def plan(request: PlanRequest, progress: Progress = silent) -> PlanOutcome:
    """Find what to set, and what to cut or replace only because no setting cures it.

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

    Examples
    --------
    >>> import evenfall as ef
    >>> before = ef.Source.invented("tesquil-before.csv")
    >>> spec = ef.Source.invented("tesquil.spec.toml")
    >>> outcome = ef.plan(ef.PlanRequest(before, spec, method="spot"))
    >>> outcome.plan.method, outcome.plan.removal_mm.shape
    ('spot', (6, 22))
    """
    if request.verify_by_motion:
        from evenfall.strings.playtest.notes import load_kernel
        from evenfall.workshop.motion_check import verify_by_motion

        load_kernel()
    found, neck = request.open_at_pitch()
    method, specification = request.method, found.specification
    if request.machine is not None:
        specification = for_machine(specification, request.machine, method)
        method = "profile"
    table = excursion(specification, progress)
    made = make_plan(
        specification,
        found.measurement,
        method=method,
        compare=request.compare,
        attack_n=request.attack_n,
        budget_mm=request.budget_mm,
        keep=request.keep,
        excursion=table,
        neck=neck,
        second=second_reading(request.second, found.measurement),
        settled=request.settled,
        worked=open_worked(request.worked, found.measurement),
        accepted=accepted_gates(request.accepted, specification, person=request.accepted_by),
        progress=progress,
    )
    motion = None
    if request.verify_by_motion:
        motion = verify_by_motion(specification, made, progress=progress)
    ahead = (
        pitch_change_finding(made.pitch_change_cents, made.pitch_uncrowned_cents),
        *outlook_findings(specification, made),
        *(motion.findings if motion else ()),
    )
    if made.misread:
        ahead = ()
    return PlanOutcome(found.specification, found.findings, made, motion, ahead)


def for_machine(specification: Specification, source: Source, method: str | None) -> Specification:
    """Return a specification whose judgement goes by the limits of one machine."""
    from evenfall.work.descriptions import Machine
    from evenfall.workshop.describing import described

    if tool_of(method or "profile") != "machine":
        raise RequestError(
            "Method {method:quoted} takes no metal off by machine; leave the method or the machine "
            "out.",
            at=At(field="method"),
            method=method,
        )
    machine = described(source, Machine, "a machine")
    judgement = replace(
        specification.judgement,
        smallest_cut_machine_mm=machine.smallest_cut_mm,
        allowance_machine_mm=machine.working_allowance_mm,
    )
    return replace(specification, judgement=judgement)


def second_reading(source: Source | None, first: Measurement) -> Measurement | None:
    """Return a second reading of the instrument, with the strings at pitch."""
    if source is None:
        return None
    second = open_another(first, source).measurement
    require_same(first, second, file=source.name, field="second")
    if second.specification_hash != first.specification_hash or not second.strung:
        raise RequestError(
            "This is not a second reading: it has to be taken of the same model, by the same "
            "specification, with the strings at pitch.",
            at=At(file=source.name, field="second"),
        )
    return second


def plan_drawings(
    specification: Specification, made: Plan, unit: LengthUnit, theme: Theme = LIGHT
) -> dict[str, Callable[[], str]]:
    """Return what draws each picture of a plan, by name."""
    from evenfall.pictures.fret_map import buzz_force_map, removal_map
    from evenfall.pictures.neck import neck_curve
    from evenfall.pictures.side_view import string_side_view
    from evenfall.pictures.trade_off import trade_off_chart
    from evenfall.pictures.words import titled

    def side_view() -> str:
        string, stopped = _tightest(made)
        table = excursion(specification)
        return string_side_view(
            specification, made, table, string=string, stopped_fret=stopped, unit=unit, theme=theme
        )

    def trade() -> str:
        against = trade_off(specification, made, excursion=excursion(specification))
        title = titled(specification, made.measurement.serial, "what the limits cost")
        return trade_off_chart(against, title=title, unit=unit, theme=theme)

    def buzz_force(state: str, force_n: FloatArray, touch_n: FloatArray, states: CodeArray) -> str:
        return buzz_force_map(
            specification,
            force_n,
            np.array(specification.player.attack_n),
            title=titled(specification, made.measurement.serial, f"buzz force {state}"),
            touch_force_n=touch_n,
            note_state=states,
            theme=theme,
        )

    return {
        "buzz force as found": lambda: buzz_force(
            "as found", made.buzz_force_before_n, made.touch_force_before_n, made.state_before
        ),
        "buzz force planned": lambda: buzz_force(
            "planned", made.buzz_force_after_n, made.touch_force_after_n, made.state_after
        ),
        "removal": lambda: removal_map(specification, made, unit=unit, theme=theme),
        "side view": side_view,
        "neck": lambda: neck_curve(specification, made.measurement, made, unit=unit, theme=theme),
        "trade-off": trade,
    }


def _tightest(made: Plan) -> tuple[int, int]:
    """Return the string and stopped fret that had the lowest buzz force before the work."""
    share = margin_share(made.buzz_force_before_n, made.attack_n)
    k, i = np.unravel_index(int(np.argmin(share)), share.shape)
    return int(k) + 1, int(i)
