"""What strings and neck really do: the steps "pitch" and "neck"."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from evenfall.errors import Finding, RequestError
from evenfall.units import length_text
from evenfall.workshop.job import is_plan, open_measurement, open_plan, write_json

if TYPE_CHECKING:
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from evenfall.instrument import Specification
    from evenfall.measurement import Measurement
    from evenfall.neck import NeckForecast
    from evenfall.plan import Plan
    from evenfall.strings.pitch import Compensation, Course, Pitch
    from evenfall.units import LengthUnit

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


# ---- pitch --------------------------------------------------------------------------------------


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
        uncrowned = heard(replace(course, fret_station_mm=course.fret_station_mm + edge))
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


def plan_pitch_findings(specification: Specification, plan: Plan) -> tuple[Finding, ...]:
    """Say what a plan does to the pitch of stopped notes.

    Parameters
    ----------
    specification
        The instrument.
    plan
        Its plan.

    Raises
    ------
    RequestError
        Readings that the pitch needs are missing.
    """
    from evenfall.strings.pitch import flat_edge_mm, stopped_pitch

    course = _course(specification, plan.measurement, plan)
    edge = flat_edge_mm(specification, plan.removal_mm)
    finger = specification.compensation.finger_mm
    found, planned, uncrowned = (
        stopped_pitch(c, finger_mm=finger).deviation_cents
        for c in (
            _course(specification, plan.measurement, None),
            course,
            replace(course, fret_station_mm=course.fret_station_mm + edge),
        )
    )
    return (_change_finding(found, planned, uncrowned),)


def _change_finding(
    found_cents: FloatArray, planned_cents: FloatArray, uncrowned_cents: FloatArray
) -> Finding:
    import numpy as np

    change = planned_cents - found_cents
    k, n = np.unravel_index(int(np.argmax(np.abs(change))), change.shape)
    sharp = float((uncrowned_cents - planned_cents).max())
    sentence = f"The plan moves no note by more than {abs(float(change[k, n])):.2f} cents"
    if n > 0:
        sentence += f" (string {k + 1}, fret {n})"
    if sharp > 0.05:
        sentence += f"; left uncrowned, cut frets may sound up to {sharp:.1f} cents sharp"
    return Finding("pitch", f"{sentence}.", "", "note")


def _course(specification: Specification, measurement: Measurement, plan: Plan | None) -> Course:
    import numpy as np

    from evenfall.instrument import string_lines
    from evenfall.strings.pitch import string_course

    heights = (measurement.nut_mm, measurement.crown_top_mm, measurement.saddle_mm)
    if not all(bool(np.isfinite(h).all()) for h in heights):
        raise RequestError(
            "Pitch needs every nut slot, crown top and saddle; read what is missing and measure "
            "again."
        )
    if plan is not None:
        heights = (plan.nut_after_mm, plan.crown_top_after_mm, plan.saddle_after_mm)
    return string_course(specification, string_lines(specification), *heights)


def _pitch_findings(specification: Specification, report: PitchReport) -> list[Finding]:
    import numpy as np

    from evenfall.strings.pitch import HEARD_CENTS

    now = report.now
    string, fret, cents = now.worst
    off = int((np.abs(now.deviation_cents) > HEARD_CENTS).sum())
    total = now.deviation_cents[:, 1:].size
    after = "" if report.planned is None else " after the plan"
    found = [
        Finding(
            "pitch",
            f"The note furthest off{after} is string {string} at fret {fret}, {abs(cents):.1f} "
            f"cents {'sharp' if cents > 0.0 else 'flat'}; {off} of {total} notes are more than "
            f"{HEARD_CENTS:g} cents off.",
            f"string {string}",
            "warning" if off else "note",
        )
    ]
    if report.planned is not None and report.uncrowned is not None:
        found.append(
            _change_finding(
                report.found.deviation_cents,
                report.planned.deviation_cents,
                report.uncrowned.deviation_cents,
            )
        )
    best, alone = report.compensation, report.saddle_alone
    saddle = float(np.abs(alone.saddle_move_mm).max())
    before = float(best.rms_before_cents.max())
    if saddle >= 0.05:
        sentence = (
            f"Moving the saddle along the strings, by at most "
            f"{length_text(saddle, specification.unit)}, brings the worst string from "
            f"{before:.1f} to {alone.rms_after_cents.max():.1f} cents root mean square"
        )
    else:
        sentence = "The saddle stands where it should along the strings"
    if float(np.abs(best.nut_move_mm).max()) >= 0.05:
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
    from evenfall.pictures import pitch_map

    now = report.now
    planned = report.planned is not None
    return {
        "pitch": pitch_map(
            specification,
            now.deviation_cents,
            title=f"{specification.name}: pitch {'after the plan' if planned else 'as it stands'}",
            before_cents=report.found.deviation_cents if planned else None,
            u_cents=now.u_cents,
        ),
        "pitch saddle moved": pitch_map(
            specification,
            report.saddle_alone.after.deviation_cents,
            title=f"{specification.name}: pitch with the saddle moved along the strings",
            before_cents=now.deviation_cents,
        ),
        "pitch nut and saddle moved": pitch_map(
            specification,
            report.compensation.after.deviation_cents,
            title=f"{specification.name}: pitch with nut and saddle moved along the strings",
            before_cents=now.deviation_cents,
        ),
    }


# ---- neck ---------------------------------------------------------------------------------------


def neck(
    specification: Specification,
    measurement: Measurement,
    plan: Plan | None = None,
    *,
    other: Specification | None = None,
    humidity_percent: tuple[float, float] | None = None,
    turn_mm: float | None = None,
    slack: Measurement | None = None,
    before_turn: Measurement | None = None,
    turns_count: float = 0.0,
) -> NeckForecast:
    """Work out what becomes of the relief: other strings, the rod, the seasons.

    Parameters
    ----------
    specification
        The instrument.
    measurement
        Its readings.
    plan
        What is to be done to it; the forecast then starts from the relief after the work.
    other
        Specification of the same neck with other strings or another tuning.
    humidity_percent
        Relative humidity now and later [%].
    turn_mm
        Relief that one turn of the rod takes out, as measured [mm].
    slack
        The same neck read without strings: calibrates its stiffness.
    before_turn, turns_count
        The same neck read before the rod was turned, and by how many turns (positive tightens).

    Raises
    ------
    RequestError
        Readings are missing or do not go together, or a value is out of range.
    """
    import numpy as np

    from evenfall.instrument import string_lines
    from evenfall.neck import calibrate, forecast, neck_model

    if not specification.neck.truss_rod and (turn_mm is not None or before_turn is not None):
        raise RequestError(
            "This neck has no truss rod (truss_rod = false in the specification); leave out the "
            "turn.",
            where="turn" if turn_mm is not None else "turned",
        )
    lines = string_lines(specification)
    findings: list[Finding] = []
    calibration = None
    if slack is not None:
        if slack.strung or not measurement.strung:
            raise RequestError(
                "The stiffness needs one profile with strings and one without; note the state of "
                "each.",
                where="slack",
            )
        tension = sum(s.tension_n for s in specification.strings)
        calibration = calibrate(specification, lines, slack, measurement, tension_n=tension)
        if calibration.relief_change_mm <= 2.0 * calibration.relief_change_u_mm:
            raise RequestError(
                "The strings bow this neck by less than the readings can tell; read both profiles "
                "again.",
                where="slack",
            )
        findings.append(_fit_finding("strings", calibration.residual_mm, specification.unit))
    turn, turn_u = turn_mm, None
    if turn_mm is not None and not 0.001 <= abs(turn_mm) <= 5.0:
        raise RequestError(
            f"One turn of {turn_mm:g} mm is out of range: 0.001 to 5 mm.", where="turn"
        )
    if before_turn is not None:
        if not 0.01 <= abs(turns_count) <= 20.0:
            raise RequestError(
                f"{turns_count:g} turns are out of range: 0.01 to 20.", where="turned"
            )
        if before_turn.strung != measurement.strung:
            raise RequestError(
                "Before and after the turn the strings must be in the same state.", where="turned"
            )
        pair = calibrate(specification, lines, before_turn, measurement)
        turn, turn_u = (
            -pair.relief_change_mm / turns_count,
            pair.relief_change_u_mm / abs(turns_count),
        )
        if abs(turn) <= 2.0 * turn_u:
            raise RequestError(
                "The rod moved the neck by less than the readings can tell; turn it further.",
                where="turned",
            )
        findings.append(_fit_finding("rod", pair.residual_mm, specification.unit))
    model = neck_model(
        specification, lines, calibration=calibration, turn_mm=turn, turn_u_mm=turn_u
    )
    state = measurement
    if plan is not None:
        state = measurement.with_heights(
            crown_top_mm=plan.crown_top_after_mm,
            nut_mm=plan.nut_after_mm,
            saddle_mm=plan.saddle_after_mm,
        )
        state = replace(state, crown_top_u_mm=np.nan_to_num(state.crown_top_u_mm))
    made = forecast(specification, model, state, other=other, humidity_percent=humidity_percent)
    return replace(made, findings=(*made.findings, *findings))


def _fit_finding(what: str, residual_mm: float, unit: LengthUnit) -> Finding:
    moved = "the strings add" if what == "strings" else "the rod makes"
    sentence = (
        f"The bow that {moved} was measured; its shape fits the two profiles to within "
        f"{length_text(residual_mm, unit)} root mean square."
    )
    return Finding("neck", sentence, "", "note")


def neck_pictures(
    specification: Specification, made: NeckForecast, *, unit: LengthUnit | None = None
) -> dict[str, str]:
    """Draw what becomes of the relief; SVG text by name.

    Parameters
    ----------
    specification
        The instrument.
    made
        Its forecast.
    unit
        Unit of the numbers; the specification's if left out.
    """
    from evenfall.pictures import neck_forecast

    return {"neck forecast": neck_forecast(specification, made, unit=unit or specification.unit)}


def write_carried(made: NeckForecast, path: Path) -> None:
    """Write readings that were taken without strings as they would be at playing tension.

    Parameters
    ----------
    made
        The forecast of a neck that was read without strings.
    path
        The measurement file to write.

    Raises
    ------
    RequestError
        The readings were taken with the strings at pitch, or the file cannot be written.
    """
    if made.carried is None:
        raise RequestError(
            "The readings were taken with the strings at pitch; there is nothing to carry.",
            where="carry",
        )
    write_json(path, made.carried.measurement.as_dict())
