"""Neck forecast: the relief now, with other strings and in other air, against its limits."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from evenfall.neck.season import COVERAGE_FACTOR
from evenfall.pictures.axes import Axis
from evenfall.pictures.inks import BAND, INK, PAPER, QUIET, RISK, RULE, WASH
from evenfall.pictures.svg import (
    PAGE_WIDTH_PX,
    circle,
    document,
    group,
    heading,
    line,
    path,
    rect,
    text,
    wrapped,
)
from evenfall.pictures.words import length, said
from evenfall.units import LengthUnit, in_unit

if TYPE_CHECKING:
    from collections.abc import Iterator

    from evenfall.instrument import Specification
    from evenfall.neck import NeckForecast
    from evenfall.neck.season import Season

_LEFT_PX = 52.0
_RIGHT_PX = PAGE_WIDTH_PX - 12.0
_HIGH_PX = 150.0
_COLUMN_PX = 150.0


@dataclass(frozen=True, slots=True)
class _State:
    """One state of the neck."""

    name: str
    relief_mm: float
    u_mm: float


def neck_forecast(
    specification: Specification, made: NeckForecast, *, unit: LengthUnit = "mm"
) -> str:
    """Return the relief in every state that was asked for, and against humidity, as SVG."""
    states = _states(made)
    title = f"{specification.name}: relief of the neck"
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
    parts, top = heading(title, summary, f"{rod}Based on {basis}.")
    low, high = _span(made, states)
    y = Axis(in_unit(low, unit), in_unit(high, unit), top + 14.0 + _HIGH_PX, top + 14.0, unit)
    right = min(_LEFT_PX + _COLUMN_PX * len(states), _RIGHT_PX)
    parts.append(text(4, top + 8.0, f"relief, {unit}", size_px=9, ink=QUIET))
    parts += _limits(y, _LEFT_PX, right, made, unit)
    room = (right - _LEFT_PX) / len(states)
    for number, state in enumerate(states):
        inside = made.minimum_mm <= state.relief_mm <= made.maximum_mm
        parts.append(_column(y, (_LEFT_PX + (number + 0.5) * room, room), state, inside=inside))
    end = y.start_px + 32.0
    if made.season is not None:
        more, end = _against_humidity(made, made.season, end, unit)
        parts += more
    note = "Whiskers are ± 2 u; the wash between dotted lines is what is allowed."
    if made.season is not None:
        note += " The grey band is ± 2 u of the season; wood needs weeks to follow the air."
    for row in wrapped(note, 9.5, PAGE_WIDTH_PX - 8.0):
        end += 13.0
        parts.append(text(4, end, row, size_px=9.5, ink=QUIET))
    return document(
        end + 8.0, parts, title=title, description=f"Neck forecast. {summary} {rod}".rstrip()
    )


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


def _span(made: NeckForecast, states: list[_State]) -> tuple[float, float]:
    """Return the lowest and highest relief to draw [mm]."""
    ends = [made.minimum_mm, made.maximum_mm]
    for state in states:
        ends += [state.relief_mm - COVERAGE_FACTOR * state.u_mm]
        ends += [state.relief_mm + COVERAGE_FACTOR * state.u_mm]
    room = 0.08 * max(max(ends) - min(ends), 0.05)
    return min(ends) - room, max(ends) + room


def _limits(
    y: Axis, left_px: float, right_px: float, made: NeckForecast, unit: LengthUnit
) -> Iterator[str]:
    """Yield the ground of a panel: what is allowed, and lines of relief."""
    top, bottom = (y(in_unit(v, unit)) for v in (made.maximum_mm, made.minimum_mm))
    yield rect(left_px, top, right_px - left_px, bottom - top, fill=WASH)
    for edge in (top, bottom):
        yield line(left_px, edge, right_px, edge, ink=QUIET, width_px=0.7, dash="1 2")
    for tick, shown in y.ticks(6):
        strong = abs(tick) < 1e-12
        yield line(
            left_px,
            y(tick),
            right_px,
            y(tick),
            ink=QUIET if strong else RULE,
            width_px=1.0 if strong else 0.5,
        )
        yield text(left_px - 5, y(tick) + 3, shown, size_px=9, anchor="end", ink=QUIET)


_DOT_PX = 3.6


def _column(y: Axis, place_px: tuple[float, float], state: _State, *, inside: bool) -> str:
    """Return one state: dot, whisker, value and name, at a middle and with room to its sides."""
    middle_px, room_px = place_px
    unit: LengthUnit = "in" if y.unit == "in" else "mm"
    ink = INK if inside else RISK
    reach = COVERAGE_FACTOR * state.u_mm
    ends = [y(in_unit(state.relief_mm + sign * reach, unit)) for sign in (-1.0, 1.0)]
    at = y(in_unit(state.relief_mm, unit))
    parts = []
    if abs(ends[1] - ends[0]) > 2.0 * _DOT_PX:  # a shorter whisker is hidden by the dot
        parts.append(line(middle_px, ends[0], middle_px, ends[1], ink=ink, width_px=1.2))
        parts += [line(middle_px - 4, e, middle_px + 4, e, ink=ink, width_px=1.2) for e in ends]
    parts.append(circle(middle_px, at, _DOT_PX, fill=ink, ink=PAPER, width_px=1.0))
    value = length(state.relief_mm, unit).split()[0]
    parts.append(rect(middle_px + 7, at - 7, 30, 12, fill=WASH if inside else PAPER))
    parts.append(text(middle_px + 8, at + 3.5, value, bold=not inside, ink=ink))
    for number, row in enumerate(wrapped(state.name, 9.5, room_px - 6.0)):
        parts.append(
            text(middle_px, y.start_px + 12 + 11 * number, row, size_px=9.5, anchor="middle")
        )
    label = f"{state.name}: {_give_or_take(state, unit)}"
    return group(parts, label=label, state=state.name)


def _against_humidity(
    made: NeckForecast,
    season: Season,
    top_px: float,
    unit: LengthUnit,
) -> tuple[list[str], float]:
    """Return the panel of relief against humidity, and where it ends."""
    driest = min(20.0, season.humidity_from_percent, season.humidity_to_percent)
    dampest = max(80.0, season.humidity_from_percent, season.humidity_to_percent)
    shown = (season.humidity_percent >= driest) & (season.humidity_percent <= dampest)
    humidity, relief = season.humidity_percent[shown], season.relief_mm[shown]
    reach = COVERAGE_FACTOR * season.relief_u_mm[shown]
    low = min(float((relief - reach).min()), made.minimum_mm)
    high = max(float((relief + reach).max()), made.maximum_mm)
    room = 0.05 * (high - low)
    y = Axis(
        in_unit(low - room, unit),
        in_unit(high + room, unit),
        top_px + 14.0 + _HIGH_PX,
        top_px + 14.0,
        unit,
    )
    x = Axis(driest, dampest, _LEFT_PX, _RIGHT_PX - 8.0, "%")
    parts = [
        text(4, top_px + 8.0, f"relief, {unit}, against the air's humidity", size_px=9, ink=QUIET)
    ]
    parts += _limits(y, x.start_px, x.end_px, made, unit)

    def places(sign: float) -> list[tuple[float, float]]:
        return [
            (x(float(h)), y(in_unit(float(v), unit)))
            for h, v in zip(humidity, relief + sign * reach, strict=True)
        ]

    parts.append(path([*places(1.0), *places(-1.0)[::-1]], fill=BAND, closed=True))
    for edge in (made.minimum_mm, made.maximum_mm):
        at = y(in_unit(edge, unit))
        parts.append(line(x.start_px, at, x.end_px, at, ink=QUIET, width_px=0.7, dash="1 2"))
    parts.append(path(places(0.0), ink=INK, width_px=1.4))
    for tick, name in x.ticks(9):
        parts.append(line(x(tick), y.start_px, x(tick), y.start_px + 3, ink=QUIET, width_px=0.7))
        parts.append(
            text(x(tick), y.start_px + 13, f"{name} %", size_px=9, anchor="middle", ink=QUIET)
        )
    end = y.start_px + 18.0
    for at_percent, value, filled in (
        (season.humidity_from_percent, season.relief_after_mm - season.relief_change_mm, True),
        (season.humidity_to_percent, season.relief_after_mm, False),
    ):
        place = x(at_percent), y(in_unit(value, unit))
        parts.append(circle(*place, 3.6, fill=INK if filled else PAPER, ink=INK, width_px=1.2))
    if season.holds:
        ends = (
            x(max(season.holds_from_percent, driest)),
            x(min(season.holds_to_percent, dampest)),
        )
        parts.append(line(ends[0], end + 6, ends[1], end + 6, ink=INK, width_px=3.0))
        told = (
            f"inside its limits from {season.holds_from_percent:g} to "
            f"{season.holds_to_percent:g} % humidity"
        )
        parts.append(
            text(
                min(max(sum(ends) / 2, 140.0), 540.0), end + 19, told, size_px=9.5, anchor="middle"
            )
        )
        end += 22.0
    return parts, end + 2.0


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
