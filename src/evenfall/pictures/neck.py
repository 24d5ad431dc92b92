"""Neck curve: crown tops under three strings, over a straight line on fret 1 and the last fret.

That line is the one a straightedge shows: a hollow neck hangs under it, and the depth of the hollow
is the relief (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from evenfall.instrument import string_lines
from evenfall.neck import default_bow
from evenfall.neck.season import COVERAGE_FACTOR
from evenfall.pictures.axes import Axis, exaggeration_text, fret_numbers, round_exaggeration
from evenfall.pictures.inks import INK, PAPER, QUIET, RULE, WASH
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
    text_width_px,
)
from evenfall.pictures.words import length, said
from evenfall.plan import Plan
from evenfall.units import LengthUnit, in_unit
from evenfall.wording import sentence

if TYPE_CHECKING:
    from collections.abc import Iterator

    from evenfall.arrays import FloatArray
    from evenfall.instrument import Specification
    from evenfall.measurement import Heights, Measurement


_LEFT_PX = 52.0
_RIGHT_PX = PAGE_WIDTH_PX - 12.0
_PANEL_PX = 104.0


@dataclass(frozen=True, slots=True)
class _Curve:
    """Crown tops in one state over the line on fret 1 and the last fret [mm], shape (K, F)."""

    name: str
    height: FloatArray
    u: FloatArray | None
    relief: float
    relief_u: float
    filled: bool


def neck_curve(
    specification: Specification,
    found: Measurement,
    after: Measurement | Plan | None = None,
    *,
    unit: LengthUnit = "mm",
    names: tuple[str, str] | None = None,
) -> str:
    """Return crown tops under the outer and a middle string in one or two states, as SVG.

    After the readings as found come those after the work, or the plan for it; heights that are
    missing stay blank. `names` replaces what two sets of readings are called. ValueError if they
    are for another number of strings or frets.
    """
    curves = _curves(specification, found, after)
    if names is not None and len(curves) == 2:
        curves = [replace(c, name=name) for c, name in zip(curves, names, strict=True)]
    lines = string_lines(specification)
    count = specification.string_count
    shown = sorted({0, (count - 1) // 2, count - 1})
    limits = specification.target.relief
    shape = -_over_line(default_bow(specification, lines).frets, lines.station_mm[:, 1:])
    band = limits.minimum_mm, limits.maximum_mm

    drawn = np.concatenate(
        [_extent(c, shown) for c in curves] + [-band[0] * shape, -band[1] * shape]
    )
    drawn = drawn[np.isfinite(drawn)]
    low, high = min(float(drawn.min()), 0.0), max(float(drawn.max()), 0.0)
    high = max(high, low + 0.05)
    longest = float(lines.station_mm[shown, -1].max())
    along = (_RIGHT_PX - 8.0 - _LEFT_PX) / longest
    exaggeration = round_exaggeration(_PANEL_PX / ((high - low) * along))
    high_px = (high - low) * along * exaggeration

    title = f"{specification.name}: neck curve"
    summary = _summary(curves, limits.minimum_mm, limits.maximum_mm, unit)
    scales = (
        f"{exaggeration_text(exaggeration)[:-1]}, over a straight line on fret 1 and fret "
        f"{specification.frets} under each string."
    )
    parts, top = heading(title, summary, scales)
    for k in shown:
        x = Axis(0.0, longest, _LEFT_PX, _RIGHT_PX - 8.0, "mm")
        y = Axis(in_unit(low, unit), in_unit(high, unit), top + 18.0 + high_px, top + 18.0, unit)
        string = specification.strings[k]
        name = f"String {string.number}{f' ({string.pitch})' if string.pitch else ''}"
        parts.append(text(4, top + 11, f"{name}, {unit}", bold=True))
        parts += _panel(x, y, lines.station_mm[k, 1:], [-b * shape[k] for b in band], unit)
        for curve in curves:
            parts += _points(x, y, lines.station_mm[k, 1:], curve, k)
        top += 18.0 + high_px + 8.0
    places = {j: x(float(s)) for j, s in enumerate(lines.station_mm[shown[-1]])}
    parts += fret_numbers(places, top + 6.0, first=(specification.scale.reference_fret,))
    parts.append(text(4, top + 6.0, "fret", size_px=9, ink=QUIET))
    legend, end = _legend(top + 22.0, curves, limits.minimum_mm, limits.maximum_mm, unit)
    parts += legend
    return document(
        end,
        parts,
        title=title,
        description=f"Neck curve. {summary} {scales}",
        exaggeration=f"{exaggeration:g}",
    )


def _curves(
    specification: Specification, found: Measurement, after: Measurement | Plan | None
) -> list[_Curve]:
    lines = string_lines(specification)
    bow = default_bow(specification, lines)
    shape = (specification.string_count, specification.frets)

    def curve(
        name: str,
        top: FloatArray,
        heights: Heights | None,
        *,
        filled: bool,
        relief: float | None = None,
    ) -> _Curve:
        if top.shape != shape:
            raise ValueError(f"heights must have shape {shape}")
        return _Curve(
            name,
            _over_line(top, lines.station_mm[:, 1:]),
            None if heights is None else heights.crown_top_u_mm,
            bow.relief_mm(top) if relief is None else relief,
            np.nan if heights is None else bow.relief_u_mm(heights),
            filled,
        )

    first = curve(
        "as found",
        found.crown_top_mm,
        found.heights,
        filled=after is None,
        relief=after.relief_before_mm if isinstance(after, Plan) else None,
    )
    if after is None:
        return [first]
    if isinstance(after, Plan):
        top, relief = after.crown_top_after_mm, after.relief_after_mm
        return [first, curve("planned", top, None, filled=True, relief=relief)]
    return [first, curve("after work", after.crown_top_mm, after.heights, filled=True)]


def _over_line(height: FloatArray, station: FloatArray) -> FloatArray:
    """Return heights over the straight line through the first and last of each row."""
    share = (station - station[:, :1]) / (station[:, -1:] - station[:, :1])
    return np.asarray(height - (1.0 - share) * height[:, :1] - share * height[:, -1:])


def _extent(curve: _Curve, shown: list[int]) -> FloatArray:
    """Return the heights of the strings shown, with their whiskers."""
    height = curve.height[shown]
    if curve.u is None:
        return height
    reach = COVERAGE_FACTOR * np.nan_to_num(curve.u[shown])
    return np.concatenate([height - reach, height + reach])


def _panel(
    x: Axis, y: Axis, station: FloatArray, band: list[FloatArray], unit: LengthUnit
) -> Iterator[str]:
    """Yield the ground of one panel: relief limits and height lines."""
    places = [x(float(s)) for s in station]
    upper, lower = (
        [(p, y(in_unit(float(h), unit))) for p, h in zip(places, heights, strict=True)]
        for heights in band
    )
    yield path([*upper, *lower[::-1]], fill=WASH, closed=True)
    for edge in (upper, lower):
        yield path(edge, ink=QUIET, width_px=0.7, dash="1 2")
    for tick, shown in y.ticks(4):
        strong = abs(tick) < 1e-12
        yield line(
            x.start_px,
            y(tick),
            x.end_px + 8,
            y(tick),
            ink=QUIET if strong else RULE,
            width_px=1.0 if strong else 0.5,
        )
        yield text(x.start_px - 5, y(tick) + 3, shown, size_px=9, anchor="end", ink=QUIET)


def _points(x: Axis, y: Axis, station: FloatArray, curve: _Curve, k: int) -> Iterator[str]:
    """Yield one curve: a line from crown to crown, whiskers and dots."""
    unit: LengthUnit = "in" if y.unit == "in" else "mm"
    places = [
        (fret, x(float(s)), in_unit(float(h), unit))
        for fret, (s, h) in enumerate(zip(station, curve.height[k], strict=True), start=1)
        if np.isfinite(h)
    ]
    if not places:
        return
    ink = INK if curve.filled else QUIET
    yield path(
        [(p, y(h)) for _, p, h in places],
        ink=ink,
        width_px=1.2 if curve.filled else 0.9,
        dash="" if curve.filled else "4 3",
    )
    room = float(np.diff(station).min()) * (x.end_px - x.start_px) / (x.high - x.low)
    radius = min(2.6, max(1.3, 0.35 * room))
    for fret, place, height in places:
        parts = []
        reach = 0.0 if curve.u is None else COVERAGE_FACTOR * float(curve.u[k, fret - 1])
        if reach > 0.0:
            ends = y(height - in_unit(reach, unit)), y(height + in_unit(reach, unit))
            parts.append(line(place, ends[0], place, ends[1], ink=ink, width_px=0.8))
            parts += [line(place - 2, end, place + 2, end, ink=ink, width_px=0.8) for end in ends]
        parts.append(circle(place, y(height), radius, fill=INK if curve.filled else PAPER, ink=ink))
        label = f"Fret {fret}, {curve.name}: {length(float(curve.height[k, fret - 1]), unit)}"
        yield group(parts, label=label, string=k + 1, fret=fret, state=curve.name)


def _legend(
    top_px: float, curves: list[_Curve], minimum_mm: float, maximum_mm: float, unit: LengthUnit
) -> tuple[list[str], float]:
    x, y = 4.0, top_px
    parts = []
    for curve in curves:
        ink = INK if curve.filled else QUIET
        parts.append(
            line(x, y, x + 22, y, ink=ink, width_px=1.2, dash="" if curve.filled else "4 3")
        )
        parts.append(circle(x + 11, y, 2.6, fill=INK if curve.filled else PAPER, ink=ink))
        name = f"{curve.name}{', ± 2 u' if curve.u is not None else ''}"
        parts.append(text(x + 27, y + 3.5, name, size_px=9.5))
        x += 27 + text_width_px(name, 9.5) + 16
    parts.append(rect(x, y - 6, 22, 12, fill=WASH, ink=QUIET, width_px=0.7))
    name = said(
        "a neck with the relief that is allowed, {low:figure} to {high:length}",
        unit,
        low=minimum_mm,
        high=maximum_mm,
    )
    parts.append(text(x + 27, y + 3.5, name, size_px=9.5))
    return parts, y + 14.0


def _summary(curves: list[_Curve], minimum_mm: float, maximum_mm: float, unit: LengthUnit) -> str:
    reliefs = []
    for curve in curves:
        text_ = "{relief:length} {name}" if np.isfinite(curve.relief) else "not known {name}"
        if np.isfinite(curve.relief) and np.isfinite(curve.relief_u):
            text_ = "{relief:figure} ± {reach:uncertainty} {name}"
        reliefs.append(
            sentence(
                text_,
                relief=curve.relief,
                reach=COVERAGE_FACTOR * curve.relief_u,
                name=curve.name,
            )
        )
    last = curves[-1].height
    known = last[np.isfinite(last)]
    told = said(
        "Relief {reliefs:phrases}; allowed {low:figure} to {high:length}.",
        unit,
        reliefs=reliefs,
        low=minimum_mm,
        high=maximum_mm,
    )
    if len(known):
        told += said(
            " Crown tops {name}, all strings: {low:figure} to {high:length} about the line.",
            unit,
            name=curves[-1].name,
            low=float(known.min()),
            high=float(known.max()),
        )
    return told
