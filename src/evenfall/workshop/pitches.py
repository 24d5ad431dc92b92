"""The use case "pitch": what stopped notes sound like, and the best places of nut and saddle."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.codec import plain
from evenfall.errors import At, Finding, Progress, RequestError, silent
from evenfall.instrument import Specification, string_lines
from evenfall.measurement import Measurement
from evenfall.pictures.inks import Theme
from evenfall.plan import Plan
from evenfall.strings.pitch import (
    HEARD_CENTS,
    Compensation,
    Course,
    Pitch,
    best_compensation,
    flat_edge_mm,
    stopped_pitch,
    string_course,
)
from evenfall.units import LengthUnit
from evenfall.wording import sentence
from evenfall.workshop.opening import InstrumentRequest, Opened, heights
from evenfall.workshop.outputs import Outcome

_LEAST_MOVE_MM = 0.05
"""A saddle that is to move by less stands where it should [mm]."""


@dataclass(frozen=True, slots=True)
class PitchRequest(InstrumentRequest):
    """Which instrument to listen to.

    Parameters
    ----------
    finger_mm
        How far behind the fret the string is pressed [mm]; the specification's if left out.
    """

    finger_mm: float | None = None


@dataclass(frozen=True, slots=True)
class PitchOutcome(Outcome):
    """What the notes of one instrument sound like, and what could be done."""

    measurement: Measurement  # its readings
    found: Pitch  # pitch as found
    # pitch after the plan, with every cut fret crowned again; None without a plan
    planned: Pitch | None
    # pitch after the plan as long as cut frets are flat; None without a plan
    uncrowned: Pitch | None
    # the best places of nut and saddle, and of the saddle with the nut left alone; after the plan
    # if there is one
    compensation: Compensation
    saddle_alone: Compensation

    @property
    def now(self) -> Pitch:
        """Pitch after the plan if there is one, else as found."""
        return self.found if self.planned is None else self.planned

    @property
    def findings_of_result(self) -> tuple[Finding, ...]:
        """The pitch in words."""
        found = [_furthest_off(self)]
        if (said := self.specification.setbacks_said) is not None:
            found.append(
                Finding("pitch", "{said}", At(field="[[string]] saddle_setback"), said=said)
            )
        if self.planned is not None and self.uncrowned is not None:
            change, flat = (
                (after.deviation_cents - self.found.deviation_cents)[:, 1:]
                for after in (self.planned, self.uncrowned)
            )
            found.append(pitch_change_finding(change, flat))
        return (*found, _best_places(self))

    def values(self) -> dict[str, Any]:
        """Return the pitch as plain values."""
        planned, flat = self.planned, self.uncrowned
        change = None
        if planned is not None:
            change = (planned.deviation_cents - self.found.deviation_cents).tolist()
        return {
            "schema": "evenfall/pitch@1",
            "found": plain(self.found),
            "planned": plain(planned),
            "change_cents": change,
            "uncrowned_cents": None if flat is None else flat.deviation_cents.tolist(),
            "compensation": self.compensation.as_dict(),
            "saddle_alone": self.saddle_alone.as_dict(),
        }

    def drawings(self, _unit: LengthUnit, theme: Theme) -> dict[str, Callable[[], str]]:
        """Return what draws the pitch of every stopped note, now and with nut and saddle moved."""
        from evenfall.pictures.pitch import pitch_map
        from evenfall.pictures.words import titled

        spec, now, serial = self.specification, self.now, self.measurement.serial
        state = "as found" if self.planned is None else "planned"
        moved = {
            "saddle moved": self.saddle_alone.after,
            "nut and saddle moved": self.compensation.after,
        }

        def as_moved(what: str) -> str:
            return pitch_map(
                spec,
                moved[what].deviation_cents,
                title=titled(spec, serial, f"pitch with {what} along the strings"),
                state=what,
                beside_cents=(state, now.deviation_cents),
                theme=theme,
            )

        def as_it_is() -> str:
            return pitch_map(
                spec,
                now.deviation_cents,
                title=titled(spec, serial, f"pitch {state}"),
                state=state,
                beside_cents=None
                if self.planned is None
                else ("as found", self.found.deviation_cents),
                u_cents=now.u_cents,
                theme=theme,
            )

        of_moved = {f"pitch {what}": partial(as_moved, what) for what in moved}
        return {"pitch": as_it_is, **of_moved}


def pitch(request: PitchRequest, progress: Progress = silent) -> PitchOutcome:
    """Find how far every stopped note is from equal temperament, and what would help.

    Parameters
    ----------
    request
        The instrument.
    progress
        Told what is being done; it may stop the work.

    Raises
    ------
    EvenfallError
        A file cannot be used, readings that the pitch needs are missing, or a value is out of
        range.

    Examples
    --------
    >>> import evenfall as ef
    >>> before = ef.Source.invented("tesquil-before.csv")
    >>> spec = ef.Source.invented("tesquil.spec.toml")
    >>> outcome = ef.pitch(ef.PitchRequest(before, spec))
    >>> sorted(outcome.pictures())[0]
    'pitch'
    """
    found = request.open(plans=True)
    progress("Working out the pitch of every note", 0.0)
    return pitch_of(found, finger_mm=request.finger_mm)


def pitch_of(opened: Opened, *, finger_mm: float | None = None) -> PitchOutcome:
    """Return what draws the pitch of every stopped note of an instrument that is open already."""
    specification, measurement, plan = opened.specification, opened.measurement, opened.plan
    limits = specification.compensation
    finger = limits.finger_mm if finger_mm is None else finger_mm
    if not 0.0 <= finger <= 30.0:
        raise RequestError(
            "A finger {finger:length} behind the fret is out of range: 0 to {most:length}.",
            at=At(field="finger"),
            finger=finger,
            most=30.0,
        )
    modulus_u = np.array([s.modulus_u_share for s in specification.strings])

    def heard(course: Course) -> Pitch:
        return stopped_pitch(
            course,
            finger_mm=finger,
            nut_u_mm=measurement.heights.nut_u_mm,
            crown_top_u_mm=measurement.heights.crown_top_u_mm,
            saddle_u_mm=measurement.heights.saddle_u_mm,
            modulus_u_share=modulus_u,
        )

    course = _course(specification, measurement, None)
    found = heard(course)
    planned = uncrowned = None
    if plan is not None:
        course = _course(specification, measurement, plan)
        planned = heard(course)
        edge = flat_edge_mm(specification, plan.removal_mm)
        uncrowned = heard(_course(specification, measurement, plan, edge))
    compensation, saddle_alone = (
        best_compensation(
            course,
            weights=(np.arange(1, specification.frets + 1) <= limits.last_fret).astype(float),
            saddle_travel_mm=(limits.saddle_forward_mm, limits.saddle_back_mm),
            nut_travel_mm=nut_travel_mm,
            straight=limits.straight_saddle,
            finger_mm=finger,
        )
        for nut_travel_mm in ((limits.nut_forward_mm, limits.nut_back_mm), (0.0, 0.0))
    )
    return PitchOutcome(
        specification,
        opened.findings,
        measurement,
        found,
        planned,
        uncrowned,
        compensation,
        saddle_alone,
    )


def pitch_change_finding(change_cents: FloatArray, uncrowned_cents: FloatArray) -> Finding:
    """Say how far notes move, crowned again and as long as cut frets are flat, shapes (K, F)."""
    k, j = np.unravel_index(int(np.argmax(np.abs(change_cents))), change_cents.shape)
    most = abs(float(change_cents[k, j]))
    text, place, flat = "The plan changes the pitch of no note{flat}.", None, None
    if most >= 0.005:
        text = "The plan moves no note by more than {most:.2f} cents{place}{flat}."
        place = sentence(" (string {string}, fret {fret})", string=int(k) + 1, fret=int(j) + 1)
    sharp = float((uncrowned_cents - change_cents).max())
    if sharp > 0.05:
        flat = sentence(
            "; left uncrowned, cut frets may sound up to {sharp:cents} sharp", sharp=sharp
        )
    return Finding(
        "pitch",
        text,
        severity="note",
        most=most,
        place=place or "",
        flat=flat or "",
    )


def _course(
    specification: Specification,
    measurement: Measurement,
    plan: Plan | None,
    contact_shift_mm: FloatArray | float = 0.0,
) -> Course:
    return string_course(
        specification,
        string_lines(specification),
        *heights(measurement, plan),
        contact_shift_mm=contact_shift_mm,
    )


def _furthest_off(report: PitchOutcome) -> Finding:
    string, fret, cents = report.now.worst
    off = int((np.abs(report.now.deviation_cents) > HEARD_CENTS).sum())
    return Finding(
        "pitch",
        "The note furthest off{when} is string {string} at fret {fret}, {cents:cents} {side}; "
        "{off} of {total} notes {off:plural is|are} more than {heard:g} cents off.",
        At(strings=(string,), stopped_fret=fret),
        "warning" if off else "note",
        when="" if report.planned is None else " after the plan",
        string=string,
        fret=fret,
        cents=abs(cents),
        side="sharp" if cents > 0.0 else "flat",
        off=off,
        total=report.now.deviation_cents[:, 1:].size,
        heard=HEARD_CENTS,
    )


def _best_places(report: PitchOutcome) -> Finding:
    best, alone = report.compensation, report.saddle_alone
    move = float(np.abs(alone.saddle_setback_change_mm).max())
    both = None
    if float(np.abs(best.nut_setback_change_mm).max()) >= _LEAST_MOVE_MM:
        both = sentence(
            "; with the nut moved too, {after:.1f} cents are possible",
            after=float(best.rms_after_cents.max()),
        )
    saddle = sentence("The saddle stands where it should along the strings")
    if move >= _LEAST_MOVE_MM:
        saddle = sentence(
            "Moving the saddle along the strings, by at most {move:length}, brings the worst "
            "string from {before:.1f} to {after:.1f} cents root mean square",
            move=move,
            before=float(best.rms_before_cents.max()),
            after=float(alone.rms_after_cents.max()),
        )
    return Finding("pitch", "{saddle}{both}.", severity="note", saddle=saddle, both=both or "")
