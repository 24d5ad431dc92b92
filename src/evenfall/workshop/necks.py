"""The use case "neck", and what is known of a neck in every other: how stiff, at which tension."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

from evenfall.errors import At, Finding, Progress, RequestError, silent
from evenfall.instrument import Specification, string_lines
from evenfall.measurement import Measurement
from evenfall.neck import NeckForecast, NeckModel, forecast, neck_model
from evenfall.neck.calibration import calibrate
from evenfall.neck.forecast import restrung
from evenfall.pictures.inks import Theme
from evenfall.plan import Plan
from evenfall.units import LengthUnit
from evenfall.wording import sentence
from evenfall.workshop.opening import (
    InstrumentRequest,
    Opened,
    Source,
    open_instrument,
    open_specification,
    require_same,
)
from evenfall.workshop.outputs import Outcome

_NO_MOVE_MM = 5e-4
"""A change of relief under this is no move of the rod [mm]."""


@dataclass(frozen=True, slots=True)
class NeckReadings:
    """What was measured of a neck beyond the readings of the job.

    Parameters
    ----------
    strings
        Specification of the same neck with other strings or another tuning.
    unstrung
        The same neck read without strings: gives its stiffness.
    relief_per_turn_mm
        Relief that one turn of the truss rod takes out [mm].
    before_turning, turns_count
        The same neck read before the rod was turned, and by how many turns (positive tightens).
    """

    strings: Source | None = None
    unstrung: Source | None = None
    relief_per_turn_mm: float | None = None
    before_turning: Source | None = None
    turns_count: float = 0.0

    @property
    def sources(self) -> tuple[Source, ...]:
        """The files named."""
        named = (self.strings, self.unstrung, self.before_turning)
        return tuple(source for source in named if source is not None)

    def known(
        self, specification: Specification, measurement: Measurement, sheets: Source | None
    ) -> tuple[NeckModel, tuple[Finding, ...]]:
        """Return what bows the neck; hand sheets among the files are read against `sheets`."""

        def opened(source: Source | None, field: str) -> Measurement | None:
            if source is None:
                return None
            found = open_instrument(source, sheets).measurement
            require_same(measurement, found, file=source.name, field=field)
            return found

        return known_neck(
            specification,
            measurement,
            relief_per_turn_mm=self.relief_per_turn_mm,
            unstrung=opened(self.unstrung, "unstrung"),
            before_turning=opened(self.before_turning, "before_turning"),
            turns_count=self.turns_count,
        )

    def other(self) -> Specification | None:
        """Return the specification with the other strings, if one was named."""
        return None if self.strings is None else open_specification(self.strings)[0]


@dataclass(frozen=True, slots=True)
class NeckKnownRequest(InstrumentRequest):
    """Which instrument, and what is known of its neck."""

    # what was measured of it, and the strings that it is to have
    neck: NeckReadings = field(default_factory=NeckReadings)

    def open_at_pitch(self) -> tuple[Opened, NeckModel]:
        """Open an instrument as it will be played: at tension, with other strings if asked."""
        found = self.open()
        model, fitted = self.neck.known(found.specification, found.measurement, self.specification)
        spec, measurement, model, changed = at_pitch(
            found.specification, found.measurement, model, other=self.neck.other()
        )
        return Opened(spec, measurement, None, (*found.findings, *fitted, *changed)), model


def known_neck(
    specification: Specification,
    measurement: Measurement,
    *,
    relief_per_turn_mm: float | None = None,
    unstrung: Measurement | None = None,
    before_turning: Measurement | None = None,
    turns_count: float = 0.0,
) -> tuple[NeckModel, tuple[Finding, ...]]:
    """Return what bows a neck, and how well its measured bow fits the profiles.

    What was not measured is taken from the specification, or from a usual neck.
    """
    turn_at, turning_at = At(field="relief_per_turn"), At(field="before_turning")
    if not specification.neck.truss_rod and (
        relief_per_turn_mm is not None or before_turning is not None
    ):
        raise RequestError(
            "This neck has no truss rod (truss_rod = false in the specification); leave out what "
            "was measured of its rod.",
            at=turning_at if relief_per_turn_mm is None else turn_at,
        )
    lines = string_lines(specification)
    findings: list[Finding] = []
    pulled = turned = None
    if unstrung is not None:
        at = At(field="unstrung")
        if unstrung.strung or not measurement.strung:
            raise RequestError(
                "The stiffness needs one profile with strings and one without; note the state of "
                "each.",
                at=at,
            )
        tension = sum(s.tension_n for s in specification.strings)
        pulled = calibrate(specification, lines, unstrung, measurement, tension_n=tension)
        if pulled.relief_change_mm <= 2.0 * pulled.relief_change_u_mm:
            raise RequestError(
                "The strings bow this neck by less than the readings can show; read both profiles "
                "again.",
                at=at,
            )
        findings.append(_fit_finding("The bow under the strings", pulled.residual_mm))
    turn, turn_u = relief_per_turn_mm, None
    if turn is not None and not 0.001 <= abs(turn) <= 5.0:
        raise RequestError(
            "A relief of {turn:length} per turn is out of range: {low:figure} to {high:length}.",
            at=turn_at,
            turn=turn,
            low=0.001,
            high=5.0,
        )
    if before_turning is not None:
        if not 0.01 <= abs(turns_count) <= 20.0:
            raise RequestError(
                "{turns:g} turns are out of range: 0.01 to 20.", at=turning_at, turns=turns_count
            )
        if before_turning.strung != measurement.strung:
            raise RequestError(
                "Before and after the turn the strings must be in the same state.", at=turning_at
            )
        turned = calibrate(specification, lines, before_turning, measurement)
        turn, turn_u = (
            -turned.relief_change_mm / turns_count,
            turned.relief_change_u_mm / abs(turns_count),
        )
        if abs(turn) <= 2.0 * turn_u:
            raise RequestError(
                "The rod moved the neck by less than the readings can show; turn it further.",
                at=turning_at,
            )
        findings.append(_fit_finding("The bow by the truss rod", turned.residual_mm))
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

    First the specification it is then judged by, its readings and its neck then; last what changed.
    """
    if measurement.strung and other is None:
        return specification, measurement, model, ()
    made = forecast(specification, model, measurement, other=other)
    if other is not None:
        pulled = replace(model, tension_n=sum(s.tension_n for s in other.strings))
        return other, restrung(model, measurement, specification, other), pulled, made.findings
    assert made.converted is not None  # noqa: S101 (the readings were taken without strings)
    return specification, made.converted.measurement, model, made.findings


# ---- the use case -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class NeckRequest(NeckKnownRequest):
    """Which neck to look ahead for.

    Parameters
    ----------
    humidity_percent
        Relative humidity of the air now and later [%].
    """

    humidity_percent: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class NeckOutcome(Outcome):
    """What becomes of the relief."""

    measurement: Measurement  # its readings
    forecast: NeckForecast  # its relief with other strings, by the rod and in another air

    @property
    def findings_of_result(self) -> tuple[Finding, ...]:
        """What becomes of the relief, in words."""
        return self.forecast.findings

    def values(self) -> dict[str, Any]:
        """Return the forecast as plain values."""
        return self.forecast.as_dict()

    def drawings(self, unit: LengthUnit, theme: Theme) -> dict[str, Callable[[], str]]:
        """Return what draws the relief over strings and seasons."""
        from evenfall.pictures.neck_forecast import neck_forecast

        spec, made = self.specification, self.forecast
        serial = self.measurement.serial
        draw = partial(neck_forecast, spec, made, serial=serial, unit=unit, theme=theme)
        return {"neck forecast": draw}

    def converted(self) -> Measurement:
        """Return readings that were taken without strings, converted to playing tension."""
        if self.forecast.converted is None:
            raise RequestError(
                "The readings were taken with the strings at pitch; there is nothing to convert.",
                at=At(field="convert"),
            )
        return self.forecast.converted.measurement


def neck(request: NeckRequest, progress: Progress = silent) -> NeckOutcome:
    """Predict the relief: other strings, truss rod, humidity.

    Of a plan it starts from the relief after the work, which is also what the rod is to keep: the
    plan's requirements were met with it.

    Parameters
    ----------
    request
        The neck, and what changes.
    progress
        Told what is being done; it may stop the work.

    Raises
    ------
    EvenfallError
        A file cannot be used, readings are missing or do not go together, or a value is out of
        range.

    Examples
    --------
    >>> import evenfall as ef
    >>> before = ef.Source.invented("tesquil-before.csv")
    >>> spec = ef.Source.invented("tesquil.spec.toml")
    >>> known = ef.NeckReadings(relief_per_turn_mm=0.12)
    >>> outcome = ef.neck(ef.NeckRequest(before, spec, neck=known))
    >>> type(outcome.forecast).__name__
    'NeckForecast'
    """
    found = request.open(plans=True)
    spec, plan = found.specification, found.plan
    model, fitted = request.neck.known(spec, found.measurement, request.specification)
    progress("Predicting the relief", 0.0)
    state = found.measurement
    if plan is not None:
        state = state.with_heights(
            crown_top_mm=plan.crown_top_after_mm,
            nut_mm=plan.nut_after_mm,
            saddle_mm=plan.saddle_after_mm,
        )
    made = forecast(
        spec,
        model,
        state,
        other=request.neck.other(),
        humidity_percent=request.humidity_percent,
        wanted_mm=None if plan is None else plan.relief_after_mm,
        relief_mm=None if plan is None else plan.relief_after_mm,
    )
    made = replace(made, findings=(*made.findings, *fitted))
    return NeckOutcome(spec, found.findings, found.measurement, made)


# ---- what a plan says of the neck ---------------------------------------------------------------


def outlook_findings(specification: Specification, plan: Plan) -> tuple[Finding, ...]:
    """Say how far to turn the rod, and how far the neck may move before a plan ends."""
    ahead = plan.outlook
    ends = tuple(
        sentence(text, end=end_mm, first=end.noun)
        for text, end_mm, end in (
            ("down to {end:length} ({first})", ahead.relief_low_mm, ahead.low_end),
            ("up to {end:length} ({first})", ahead.relief_high_mm, ahead.high_end),
        )
        if end is not None
    )
    if not ends:
        return ()
    findings = [*_turning(plan)]
    findings.append(
        Finding(
            "holds",
            "The plan holds for a relief {ends:list}; the brackets name what fails first.",
            severity="note",
            ends=ends,
        )
    )
    low_mm, high_mm = ahead.relief_low_mm, ahead.relief_high_mm
    if min(plan.relief_after_mm - low_mm, high_mm - plan.relief_after_mm) < _NO_MOVE_MM:
        return tuple(findings)  # no tension and no air is far enough to be named
    all_n = sum(string.tension_n for string in specification.strings)
    falls = rises = None
    if math.isfinite(less_n := ahead.tension_less_n):
        falls = sentence("falls by up to {pull:tension}", pull=less_n)
        if less_n >= all_n:
            falls = sentence("falls by any amount")
    if math.isfinite(ahead.tension_more_n):
        rises = sentence("rises by up to {pull:tension}", pull=ahead.tension_more_n)
    low, high = ahead.humidity_low_percent, ahead.humidity_high_percent
    air = sentence("in air of {low:.0f} to {high:.0f} % humidity", low=low, high=high)
    if round(low) == round(high):
        air = sentence("only as long as the humidity of the air stays as it is")
    findings.append(
        Finding(
            "holds",
            "On {which} neck the plan still holds if string tension {pulls:or}, and {air} "
            "({now:g} % {noted}).",
            severity="note",
            which="the measured" if ahead.stiffness == "pair" else "the assumed",
            pulls=tuple(pull for pull in (falls, rises) if pull),
            air=air,
            now=ahead.humidity_percent,
            noted="noted" if ahead.humidity_noted else "assumed, as none was noted",
        )
    )
    return tuple(findings)


def _turning(plan: Plan) -> Iterator[Finding]:
    """Say how far to turn the rod, where one turn of it was measured."""
    turns = plan.outlook.rod_turns_count
    if math.isfinite(turns) and abs(plan.relief_change_mm) >= _NO_MOVE_MM:
        yield Finding(
            "neck",
            "The change of relief takes {turns:.2f} ± {expanded:.2f} turns of the truss rod: "
            "{turn} in small steps, as its maker says.",
            severity="note",
            turns=abs(turns),
            expanded=2.0 * plan.outlook.rod_turns_u_count,
            turn="tighten" if turns > 0.0 else "loosen",
        )


def _fit_finding(which: str, residual_mm: float) -> Finding:
    return Finding(
        "neck",
        "{which} was measured; its shape fits the two profiles to within {residual:uncertainty} "
        "root mean square.",
        severity="note",
        which=which,
        residual=residual_mm,
    )
