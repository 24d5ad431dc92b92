"""Neck forecast: the relief now, with other strings and in other air, against its limits."""

from __future__ import annotations

import math
from typing import NamedTuple

from evenfall.instrument import Specification
from evenfall.neck import NeckForecast
from evenfall.neck.season import COVERAGE_FACTOR, Season
from evenfall.pictures.chart import LEFT_PX, RIGHT_PX, Chart, Drawing, span
from evenfall.pictures.inks import BAND, INK, LIGHT, QUIET, RISK, Theme
from evenfall.pictures.svg import line, text
from evenfall.pictures.words import length, said, titled
from evenfall.units import LengthUnit, in_unit

_COLUMN_PX = 150.0
_ALLOWED = "allowed"


class _State(NamedTuple):
    """One state of the neck [mm]."""

    name: str
    relief_mm: float
    u_mm: float


def neck_forecast(
    specification: Specification,
    made: NeckForecast,
    *,
    serial: str = "",
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> Drawing:
    """Return the relief in every state that was asked for, and against humidity, as SVG."""
    states = _states(made)
    title = titled(specification, serial, "relief of the neck")
    told = "; ".join(f"{s.name} {_give_or_take(s, unit)}" for s in states)
    summary = said(
        "Relief {told}; allowed {low:figure} to {high:length}.",
        unit,
        told=told,
        low=made.minimum_mm,
        high=made.maximum_mm,
    )
    basis = {
        "default": "a usual neck of this width, nothing measured",
        "section": "depths and woods of the specification",
        "stiffness": "the stiffness in the specification",
        "specification": "the measured relief per tension in the specification",
        "pair": "two profiles of this neck",
    }[made.model.origin]
    rod = _rod_text(made, unit)
    chart = Chart(title, summary, f"{rod}Based on {basis}.")
    limits = in_unit(made.minimum_mm, unit), in_unit(made.maximum_mm, unit)
    reaches = [in_unit(COVERAGE_FACTOR * state.u_mm, unit) for state in states]
    reliefs = [in_unit(state.relief_mm, unit) for state in states]
    ends = [(at - reach, at + reach) for at, reach in zip(reliefs, reaches, strict=True)]
    panel = chart.panel(
        (0.0, float(len(states))),
        span(*ends, limits, least=in_unit(0.05, unit)),
        caption=f"Relief, {unit}",
        right_px=min(LEFT_PX + _COLUMN_PX * len(states), RIGHT_PX),
        ticks={n + 0.5: state.name for n, state in enumerate(states)},
    )
    panel.band(*limits, _ALLOWED)
    for number, state in enumerate(states):
        inside = made.minimum_mm <= state.relief_mm <= made.maximum_mm
        panel.point(
            number + 0.5,
            reliefs[number],
            ink=INK if inside else RISK,
            reach=reaches[number],
            said=length(state.relief_mm, unit).split()[0],
            label=f"{state.name}: {_give_or_take(state, unit)}",
            state=state.name,
        )
    if made.season is not None:
        _against_humidity(chart, made, made.season, unit)
    chart.marked("dot", "relief, whiskers ± 2 u")
    if made.season is not None:
        chart.legend()
        chart.note("Wood needs weeks to follow the air.")
    chart.table(
        *("state", f"relief, {unit}", f"standard uncertainty, {unit}"),
        rows=((s.name, in_unit(s.relief_mm, unit), in_unit(s.u_mm, unit)) for s in states),
    )
    return chart.drawn(theme)


def _states(made: NeckForecast) -> list[_State]:
    states = []
    if made.converted is not None:
        states.append(
            _State(
                "unstrung",
                made.relief_mm - made.converted.relief_change_mm,
                math.sqrt(max(made.relief_u_mm**2 - made.converted.relief_change_u_mm**2, 0.0)),
            )
        )
    now = "as found" if made.converted is None else "at playing tension"
    states.append(_State(now, made.relief_mm, made.relief_u_mm))
    if (swap := made.strings) is not None:
        states.append(_State("other strings", swap.relief_after_mm, swap.relief_after_u_mm))
    if (season := made.season) is not None:
        name = f"at {season.humidity_to_percent:g} % humidity"
        states.append(_State(name, season.relief_after_mm, season.relief_after_u_mm))
    return states


def _against_humidity(chart: Chart, made: NeckForecast, season: Season, unit: LengthUnit) -> None:
    """Draw the panel of relief against humidity."""
    driest = min(20.0, season.humidity_from_percent, season.humidity_to_percent)
    dampest = max(80.0, season.humidity_from_percent, season.humidity_to_percent)
    shown = (season.humidity_percent >= driest) & (season.humidity_percent <= dampest)
    scale = in_unit(1.0, unit)
    humidity, relief = season.humidity_percent[shown], scale * season.relief_mm[shown]
    reach = COVERAGE_FACTOR * scale * season.relief_u_mm[shown]
    low, high = relief - reach, relief + reach
    limits = scale * made.minimum_mm, scale * made.maximum_mm
    panel = chart.panel(
        (driest, dampest),
        span(low, high, limits, least=0.05 * scale),
        caption=f"Relief, {unit}, against the air's humidity",
        ticks=9,
        unit=" %",
    )
    panel.band(*limits, _ALLOWED)
    panel.band(low, high, "the season, ± 2 u", along=humidity, fill=BAND, edge="")
    for limit in limits:
        panel.limit(limit, ink=QUIET, dash="1 2")
    panel.line(humidity, relief)
    before = season.relief_after_mm - season.relief_change_mm
    panel.point(season.humidity_from_percent, scale * before, label="now")
    chart.marked("open", f"at {season.humidity_to_percent:g} % humidity")
    panel.point(season.humidity_to_percent, scale * season.relief_after_mm, "open", label="then")
    if season.holds:
        ends = season.holds_from_percent, season.holds_to_percent
        left, right = panel.x(max(ends[0], driest)), panel.x(min(ends[1], dampest))
        told = f"inside its limits from {ends[0]:g} to {ends[1]:g} % humidity"
        middle = min(max((left + right) / 2, 140.0), 540.0)
        at = chart.end_px + 2.0
        chart.add(line(left, at, right, at, width_px=3.0))
        chart.add(text(middle, at + 13, told, size_px=9.5, anchor="middle"))
        chart.end_px = at + 17.0


def _rod_text(made: NeckForecast, unit: LengthUnit) -> str:
    rod = made.rod
    if rod is None:
        return ""
    if abs(rod.relief_change_mm) < 5e-4:
        return "The rod can stay as it is. "
    more = rod.relief_change_mm > 0.0
    told = said(
        "Needed: {size:length} {more} relief",
        unit,
        size=abs(rod.relief_change_mm),
        more="more" if more else "less",
    )
    if math.isfinite(rod.turns_count):
        told += said(
            "; {turn} the rod by {turns:.2f} ± {reach:.2f} turns",
            turn="tighten" if rod.turns_count > 0.0 else "loosen",
            turns=abs(rod.turns_count),
            reach=COVERAGE_FACTOR * rod.turns_u_count,
        )
    return f"{told}. "


def _give_or_take(state: _State, unit: LengthUnit) -> str:
    return said(
        "{relief:figure} ± {reach:uncertainty}",
        unit,
        relief=state.relief_mm,
        reach=COVERAGE_FACTOR * state.u_mm,
    )
