"""What becomes of the neck: how stiff it is, readings brought to pitch, the step "neck"."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from evenfall.errors import Finding, RequestError
from evenfall.units import length_text
from evenfall.workshop.job import write_json

if TYPE_CHECKING:
    from pathlib import Path

    from evenfall.instrument import Specification
    from evenfall.measurement import Measurement
    from evenfall.neck import NeckForecast, NeckModel
    from evenfall.plan import Plan
    from evenfall.units import LengthUnit


def known_neck(
    specification: Specification,
    measurement: Measurement,
    *,
    turn_mm: float | None = None,
    unstrung: Measurement | None = None,
    before_turn: Measurement | None = None,
    turns_count: float = 0.0,
) -> tuple[NeckModel, tuple[Finding, ...]]:
    """Return what bows a neck: as measured where it was, from the specification where it was not.

    Parameters
    ----------
    specification
        The instrument.
    measurement
        Its readings.
    turn_mm
        Relief that one turn of the rod takes out, as measured [mm].
    unstrung
        The same neck read without strings: calibrates its stiffness.
    before_turn, turns_count
        The same neck read before the rod was turned, and by how many turns (positive tightens).

    Returns
    -------
    The neck, and how well its measured bow fits the profiles.

    Raises
    ------
    RequestError
        Readings are missing or do not go together, or a value is out of range.
    """
    from evenfall.instrument import string_lines
    from evenfall.neck import neck_model
    from evenfall.neck.calibration import calibrate

    if not specification.neck.truss_rod and (turn_mm is not None or before_turn is not None):
        raise RequestError(
            "This neck has no truss rod (truss_rod = false in the specification); leave out the "
            "turn.",
            where="turn" if turn_mm is not None else "turned",
        )
    lines = string_lines(specification)
    findings: list[Finding] = []
    pulled = turned = None
    if unstrung is not None:
        if unstrung.strung or not measurement.strung:
            raise RequestError(
                "The stiffness needs one profile with strings and one without; note the state of "
                "each.",
                where="unstrung",
            )
        tension = sum(s.tension_n for s in specification.strings)
        pulled = calibrate(specification, lines, unstrung, measurement, tension_n=tension)
        if pulled.relief_change_mm <= 2.0 * pulled.relief_change_u_mm:
            raise RequestError(
                "The strings bow this neck by less than the readings can tell; read both profiles "
                "again.",
                where="unstrung",
            )
        findings.append(_fit_finding("strings", pulled.residual_mm, specification.unit))
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
        turned = calibrate(specification, lines, before_turn, measurement)
        turn, turn_u = (
            -turned.relief_change_mm / turns_count,
            turned.relief_change_u_mm / abs(turns_count),
        )
        if abs(turn) <= 2.0 * turn_u:
            raise RequestError(
                "The rod moved the neck by less than the readings can tell; turn it further.",
                where="turned",
            )
        findings.append(_fit_finding("rod", turned.residual_mm, specification.unit))
    model = neck_model(
        specification, lines, calibration=pulled, turn=turned, turn_mm=turn, turn_u_mm=turn_u
    )
    return model, tuple(findings)


def at_pitch(
    specification: Specification,
    measurement: Measurement,
    model: NeckModel,
    *,
    other: Specification | None = None,
) -> tuple[Specification, Measurement, NeckModel, tuple[Finding, ...]]:
    """Return an instrument as it will be played: at tension, and with other strings if asked.

    Parameters
    ----------
    specification
        The instrument.
    measurement
        Its readings; taken without strings they are carried to playing tension.
    model
        Its neck.
    other
        Specification of the same neck with the strings or tuning it is to have.

    Returns
    -------
    The specification it is then judged by, its readings and its neck then, and what changed.

    Raises
    ------
    RequestError
        The other specification is of another neck, or crown tops are missing.
    """
    from evenfall.neck import forecast
    from evenfall.neck.forecast import restrung

    if measurement.strung and other is None:
        return specification, measurement, model, ()
    made = forecast(specification, model, measurement, other=other)
    if other is not None:
        pulled = replace(model, tension_n=sum(s.tension_n for s in other.strings))
        return other, restrung(model, measurement, specification, other), pulled, made.findings
    assert made.converted is not None  # noqa: S101 (the readings were taken without strings)
    return specification, made.converted.measurement, model, made.findings


def neck(
    specification: Specification,
    measurement: Measurement,
    plan: Plan | None = None,
    *,
    other: Specification | None = None,
    humidity_percent: tuple[float, float] | None = None,
    turn_mm: float | None = None,
    unstrung: Measurement | None = None,
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
        What is to be done to it; the forecast then starts from the relief after the work, which
        is also what the rod is to keep: the plan's promises were made with it.
    other
        Specification of the same neck with other strings or another tuning.
    humidity_percent
        Relative humidity now and later [%].
    turn_mm, unstrung, before_turn, turns_count
        What was measured of the neck, as `known_neck` takes it.

    Raises
    ------
    RequestError
        Readings are missing or do not go together, or a value is out of range.
    """
    from evenfall.neck import forecast

    model, findings = known_neck(
        specification,
        measurement,
        turn_mm=turn_mm,
        unstrung=unstrung,
        before_turn=before_turn,
        turns_count=turns_count,
    )
    state = measurement
    if plan is not None:
        state = measurement.with_heights(
            crown_top_mm=plan.crown_top_after_mm,
            nut_mm=plan.nut_after_mm,
            saddle_mm=plan.saddle_after_mm,
        )
    made = forecast(
        specification,
        model,
        state,
        other=other,
        humidity_percent=humidity_percent,
        wanted_mm=None if plan is None else plan.relief_after_mm,
    )
    return replace(made, findings=(*made.findings, *findings))


def outlook_findings(specification: Specification, plan: Plan) -> tuple[Finding, ...]:
    """Say how far to turn the rod, how far the neck may move before a plan ends, and what moves it.

    Parameters
    ----------
    specification
        The plan's specification.
    plan
        The plan.
    """
    ahead, unit = plan.outlook, specification.unit
    less, more = math.isfinite(ahead.relief_low_mm), math.isfinite(ahead.relief_high_mm)
    if not (less or more):
        return ()
    ends = [
        f"{word} {length_text(end_mm, unit)} ({end.noun})"
        for word, end_mm, end in (
            ("down to", ahead.relief_low_mm, ahead.low_end),
            ("up to", ahead.relief_high_mm, ahead.high_end),
        )
        if end is not None
    ]
    all_n = sum(string.tension_n for string in specification.strings)
    pulls = [
        f"{'any amount' if most_n <= size_n else f'{size_n:.0f} N'} {word}"
        for size_n, most_n, word in (
            (ahead.tension_less_n, all_n, "less"),
            (ahead.tension_more_n, math.inf, "more"),
        )
        if math.isfinite(size_n)
    ]
    whose = "this neck as measured" if ahead.stiffness == "pair" else "a neck as assumed"
    counted = "noted" if ahead.humidity_noted else "taken, as none was noted"
    sentences = (
        f"The plan holds for a relief {' and '.join(ends)}; in brackets what ends it first.",
        f"On {whose} it surely bears {' or '.join(pulls)} pull of all strings together, and air of "
        f"{ahead.humidity_low_percent:.0f} to {ahead.humidity_high_percent:.0f} % humidity "
        f"({ahead.humidity_percent:g} % {counted}).",
    )
    found = [Finding("holds", sentence, "", "note") for sentence in sentences]
    turns = ahead.rod_turns_count
    if math.isfinite(turns) and abs(plan.relief_change_mm) >= _NO_MOVE_MM:
        method = "tighten" if turns > 0.0 else "loosen"
        sentence = (
            f"The rod's move takes {abs(turns):.2f} ± {2.0 * ahead.rod_turns_u_count:.2f} turns: "
            f"{method} in small steps, as its maker says."
        )
        found.insert(0, Finding("neck", sentence, "", "note"))
    return tuple(found)


_NO_MOVE_MM = 5e-4
"""A change of relief under this is no move of the rod [mm]."""


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
    from evenfall.pictures.neck_forecast import neck_forecast

    return {"neck forecast": neck_forecast(specification, made, unit=unit or specification.unit)}


def write_converted(made: NeckForecast, path: Path) -> None:
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
    if made.converted is None:
        raise RequestError(
            "The readings were taken with the strings at pitch; there is nothing to carry.",
            where="carry",
        )
    write_json(path, made.converted.measurement.as_dict())
