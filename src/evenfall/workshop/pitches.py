"""The pitch of every stopped note: the step "pitch"."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from evenfall.errors import Finding, RequestError
from evenfall.units import length_text
from evenfall.workshop.heights import heights
from evenfall.workshop.job import is_plan, open_measurement, open_plan

if TYPE_CHECKING:
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from evenfall.instrument import Specification
    from evenfall.measurement import Measurement
    from evenfall.plan import Plan
    from evenfall.strings.pitch import Compensation, Course, Pitch

    FloatArray = NDArray[np.float64]


def open_measurement_or_plan(
    path: Path, specification: Path | None = None, *, serial: str = ""
) -> tuple[Specification, Measurement, Plan | None, tuple[Finding, ...]]:
    """Open a measurement file, a hand sheet with its specification, or a plan.

    Parameters
    ----------
    path
        The file.
    specification
        The specification file; needed for a hand sheet.
    serial
        What the instrument is called, for a hand sheet.

    Returns
    -------
    Specification, readings, the plan if it is one, and what was found in a hand sheet.

    Raises
    ------
    EvenfallError
        The file cannot be used.
    """
    if is_plan(path):
        own, plan = open_plan(path)
        return own, plan.measurement, plan, ()
    own, measurement, findings = open_measurement(path, specification, serial=serial)
    return own, measurement, None, findings


@dataclass(frozen=True, slots=True)
class PitchReport:
    """What the notes of one instrument sound like, and what could be done.

    Parameters
    ----------
    found
        Pitch as the readings stand.
    planned
        Pitch after the plan, with every cut fret crowned again; None without a plan.
    uncrowned
        Pitch after the plan as long as cut frets are flat; None without a plan.
    compensation, saddle_alone
        The best places of nut and saddle, and of the saddle with the nut left alone; after the
        plan if there is one.
    findings
        All that in words.
    """

    found: Pitch
    planned: Pitch | None
    uncrowned: Pitch | None
    compensation: Compensation
    saddle_alone: Compensation
    findings: tuple[Finding, ...]

    @property
    def now(self) -> Pitch:
        """Pitch after the plan if there is one, else as found."""
        return self.found if self.planned is None else self.planned

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        change = None
        if self.planned is not None:
            change = (self.planned.deviation_cents - self.found.deviation_cents).tolist()
        return {
            "schema": "evenfall/pitch@1",
            "found": self.found.as_dict(),
            "planned": None if self.planned is None else self.planned.as_dict(),
            "change_cents": change,
            "uncrowned_cents": None
            if self.uncrowned is None
            else self.uncrowned.deviation_cents.tolist(),
            "compensation": self.compensation.as_dict(),
            "saddle_alone": self.saddle_alone.as_dict(),
            "findings": [f.as_dict() for f in self.findings],
        }


def pitch(
    specification: Specification,
    measurement: Measurement,
    plan: Plan | None = None,
    *,
    finger_mm: float | None = None,
) -> PitchReport:
    """Work out the pitch of every stopped note, and the best places of nut and saddle.

    Parameters
    ----------
    specification
        The instrument.
    measurement
        Its readings.
    plan
        What is to be done to it.
    finger_mm
        How far behind the fret the string is pressed [mm]; the specification's if left out.

    Raises
    ------
    RequestError
        Readings that the pitch needs are missing, or `finger_mm` is out of range.
    """
    import numpy as np

    from evenfall.strings.pitch import best_compensation, flat_edge_mm, stopped_pitch

    limits = specification.compensation
    finger = limits.finger_mm if finger_mm is None else finger_mm
    if not 0.0 <= finger <= 30.0:
        raise RequestError(
            f"A finger {finger:g} mm behind the fret is out of range: 0 to 30 mm.", where="finger"
        )
    modulus_u = np.array([s.modulus_u_share for s in specification.strings])

    def heard(course: Course) -> Pitch:
        return stopped_pitch(
            course,
            finger_mm=finger,
            nut_u_mm=measurement.nut_u_mm,
            crown_top_u_mm=measurement.crown_top_u_mm,
            saddle_u_mm=measurement.saddle_u_mm,
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
    report = PitchReport(found, planned, uncrowned, compensation, saddle_alone, ())
    return replace(report, findings=tuple(_pitch_findings(specification, report)))


def plan_pitch_finding(plan: Plan) -> Finding:
    """Say what a plan does to the pitch of stopped notes.

    Parameters
    ----------
    plan
        The plan.
    """
    return _change_finding(plan.pitch_change_cents, plan.pitch_uncrowned_cents)


def _change_finding(change_cents: FloatArray, uncrowned_cents: FloatArray) -> Finding:
    """Say how far notes move, crowned again and as long as cut frets are flat, shapes (K, F)."""
    import numpy as np

    k, j = np.unravel_index(int(np.argmax(np.abs(change_cents))), change_cents.shape)
    most = f"{abs(float(change_cents[k, j])):.2f}"
    sentence = f"The plan moves no note by more than {most} cents"
    if most != "0.00":
        sentence += f" (string {k + 1}, fret {j + 1})"
    sharp = float((uncrowned_cents - change_cents).max())
    if sharp > 0.05:
        sentence += f"; left uncrowned, cut frets may sound up to {sharp:.1f} cents sharp"
    return Finding("pitch", f"{sentence}.", "", "note")


def _course(
    specification: Specification,
    measurement: Measurement,
    plan: Plan | None,
    contact_shift_mm: FloatArray | float = 0.0,
) -> Course:
    from evenfall.instrument import string_lines
    from evenfall.strings.pitch import string_course

    return string_course(
        specification,
        string_lines(specification),
        *heights(measurement, plan, needed_by="Pitch"),
        contact_shift_mm=contact_shift_mm,
    )


def _pitch_findings(specification: Specification, report: PitchReport) -> list[Finding]:
    import numpy as np

    from evenfall.strings.pitch import HEARD_CENTS

    now = report.now
    string, fret, cents = now.worst
    off = int((np.abs(now.deviation_cents) > HEARD_CENTS).sum())
    total = now.deviation_cents[:, 1:].size
    when = "" if report.planned is None else " after the plan"
    found = [
        Finding(
            "pitch",
            f"The note furthest off{when} is string {string} at fret {fret}, {abs(cents):.1f} "
            f"cents {'sharp' if cents > 0.0 else 'flat'}; {off} of {total} notes "
            f"{'is' if off == 1 else 'are'} more than {HEARD_CENTS:g} cents off.",
            f"string {string}",
            "warning" if off else "note",
        )
    ]
    if report.planned is not None and report.uncrowned is not None:
        change, flat = (
            (after.deviation_cents - report.found.deviation_cents)[:, 1:]
            for after in (report.planned, report.uncrowned)
        )
        found.append(_change_finding(change, flat))
    best, alone = report.compensation, report.saddle_alone
    saddle = float(np.abs(alone.saddle_setback_change_mm).max())
    before = float(best.rms_before_cents.max())
    if saddle >= 0.05:
        sentence = (
            f"Moving the saddle along the strings, by at most "
            f"{length_text(saddle, specification.unit)}, brings the worst string from "
            f"{before:.1f} to {alone.rms_after_cents.max():.1f} cents root mean square"
        )
    else:
        sentence = "The saddle stands where it should along the strings"
    if float(np.abs(best.nut_setback_change_mm).max()) >= 0.05:
        sentence += f"; with the nut moved too, {best.rms_after_cents.max():.1f} are possible"
    found.append(Finding("pitch", f"{sentence}.", "", "note"))
    return found


def pitch_pictures(specification: Specification, report: PitchReport) -> dict[str, str]:
    """Draw the pitch of every stopped note; SVG text by name.

    Parameters
    ----------
    specification
        The instrument.
    report
        Its pitch.
    """
    from evenfall.pictures.pitch import pitch_map

    now, name = report.now, specification.name
    state = "as found" if report.planned is None else "planned"
    return {
        "pitch": pitch_map(
            specification,
            now.deviation_cents,
            title=f"{name}: pitch {state}",
            state=state,
            beside=None if report.planned is None else ("as found", report.found.deviation_cents),
            u_cents=now.u_cents,
        ),
        "pitch saddle moved": pitch_map(
            specification,
            report.saddle_alone.after.deviation_cents,
            title=f"{name}: pitch with the saddle moved along the strings",
            state="saddle moved",
            beside=(state, now.deviation_cents),
        ),
        "pitch nut and saddle moved": pitch_map(
            specification,
            report.compensation.after.deviation_cents,
            title=f"{name}: pitch with nut and saddle moved along the strings",
            state="nut and saddle moved",
            beside=(state, now.deviation_cents),
        ),
    }
