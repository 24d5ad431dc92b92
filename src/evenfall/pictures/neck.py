"""Neck curve: crown tops under three strings, over a straight line on fret 1 and the last fret.

That line is the one a straightedge shows: a hollow neck hangs under it (common practice, no
source). The relief that is read out is that of the level line, as in diagnosis, plan and proof.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.instrument import Specification, string_lines
from evenfall.measurement import Measurement
from evenfall.neck import default_bow, level_line
from evenfall.neck.season import COVERAGE_FACTOR
from evenfall.neck.wear import before_filing
from evenfall.pictures.chart import Chart, Drawing, Panel
from evenfall.pictures.inks import INK, LIGHT, QUIET, Theme
from evenfall.pictures.string_panels import StringPanels
from evenfall.pictures.words import length, said, titled
from evenfall.plan import Plan
from evenfall.units import LengthUnit, in_unit
from evenfall.wording import sentence

_PANEL_PX = 104.0


@dataclass(frozen=True, slots=True)
class _Curve:
    """Crown tops in one state over the line on fret 1 and the last fret [mm], shape (K, F)."""

    name: str
    height: FloatArray
    u: FloatArray | None
    relief: float
    relief_u: float


def neck_curve(
    specification: Specification,
    found: Measurement,
    after: Measurement | Plan | None = None,
    *,
    unit: LengthUnit = "mm",
    names: tuple[str, str] | None = None,
    theme: Theme = LIGHT,
) -> Drawing:
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
    panels = StringPanels(
        specification,
        shown,
        float(lines.station_mm[shown, -1].max()),
        low_mm=low,
        high_mm=high,
        about_px=_PANEL_PX,
    )
    title = titled(specification, found.serial, "neck curve")
    chart = Chart(title, _summary(curves, *band, unit), panels.scales)
    allowed = said(
        "a neck with the relief that is allowed, {low:figure} to {high:length}",
        unit,
        low=band[0],
        high=band[1],
    )
    for k, panel in panels.on(chart, unit):
        station = lines.station_mm[k, 1:]
        most, least = (in_unit(1.0, unit) * -limit * shape[k] for limit in band)
        panel.band(least, most, allowed, along=station)
        for curve in curves:
            ink = INK if curve is curves[-1] else QUIET
            _draw(panel, station, curve, k, unit=unit, ink=ink)
    chart.table(
        *("string", "fret", *(f"{curve.name}, {unit}" for curve in curves)),
        rows=(
            (k + 1, j + 1, *(in_unit(float(curve.height[k, j]), unit) for curve in curves))
            for k in range(count)
            for j in range(specification.frets)
        ),
    )
    return chart.drawn(theme, exaggeration=f"{panels.exaggeration:g}")


def _curves(
    specification: Specification, found: Measurement, after: Measurement | Plan | None
) -> list[_Curve]:
    lines = string_lines(specification)
    station, bow = lines.station_mm[:, 1:], default_bow(specification, lines)
    smallest = specification.judgement.smallest_cut_mm("file")
    shape = (specification.string_count, specification.frets)

    def read(name: str, readings: Measurement) -> _Curve:
        line = level_line(specification, readings, lines, bow, smallest)
        known = np.isfinite(readings.crown_top_mm).all()
        return _Curve(
            name,
            _over_line(readings.crown_top_mm, station),
            readings.heights.crown_top_u_mm,
            line.relief_mm if known else np.nan,
            line.relief_u_mm,
        )

    tops = [found.crown_top_mm]
    if after is not None:
        tops.append(after.crown_top_after_mm if isinstance(after, Plan) else after.crown_top_mm)
    if any(top.shape != shape for top in tops):
        raise ValueError(f"heights must have shape {shape}")
    curves = [read("as found", found)]
    if isinstance(after, Plan):
        planned = _over_line(after.crown_top_after_mm, station)
        curves.append(_Curve("planned", planned, None, after.relief_after_mm, np.nan))
    elif after is not None:
        filed = np.nan_to_num(np.maximum(found.crown_height_mm - after.crown_height_mm, 0.0))
        curves.append(read("after work", before_filing(after, found, filed)))
    return curves


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


def _draw(
    panel: Panel, station: FloatArray, curve: _Curve, k: int, *, unit: LengthUnit, ink: str
) -> None:
    """Draw one curve: a line from crown to crown, whiskers and dots."""
    dash, kind = ("", "dot") if ink == INK else ("4 3", "open")
    height = in_unit(1.0, unit) * curve.height[k]
    known = np.isfinite(height)
    name = f"{curve.name}{', ± 2 u of each reading' if curve.u is not None else ''}"
    panel.line(station[known], height[known], name, ink=ink, dash=dash, width_px=1.2, point=kind)
    room = panel.x(float(np.diff(station).min())) - panel.x(0.0)
    for j in np.flatnonzero(known):
        panel.point(
            float(station[j]),
            float(height[j]),
            kind,
            ink=ink,
            size=min(2.6, max(1.3, 0.35 * room)),
            reach=0.0 if curve.u is None else in_unit(COVERAGE_FACTOR * float(curve.u[k, j]), unit),
            label=f"Fret {j + 1}, {curve.name}: {length(float(curve.height[k, j]), unit)}",
            string=k + 1,
            fret=j + 1,
            state=curve.name,
        )


def _summary(curves: list[_Curve], minimum_mm: float, maximum_mm: float, unit: LengthUnit) -> str:
    reliefs = []
    for curve in curves:
        text_ = "{relief:length} {name}" if np.isfinite(curve.relief) else "not known {name}"
        if np.isfinite(curve.relief) and np.isfinite(curve.relief_u):
            text_ = "{relief:figure} ± {reach:uncertainty} {name}"
        reach = COVERAGE_FACTOR * curve.relief_u
        reliefs.append(sentence(text_, relief=curve.relief, reach=reach, name=curve.name))
    last = curves[-1].height
    known = last[np.isfinite(last)]
    told = said(
        "Relief {reliefs:phrases}; allowed {low:figure} to {high:length}.",
        unit,
        reliefs=reliefs,
        low=minimum_mm,
        high=maximum_mm,
    )
    if any(np.isfinite(curve.relief_u) for curve in curves):
        told += said(" Its ± counts how uneven the crowns are as well.", unit)
    if len(known):
        told += said(
            " Crown tops {name}, all strings: {low:figure} to {high:length} about the line.",
            unit,
            name=curves[-1].name,
            low=float(known.min()),
            high=float(known.max()),
        )
    return told
