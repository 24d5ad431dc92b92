"""The ideal neck of a specification from the side: level crowns, outer strings, and their gaps.

Heights are over the straight line that a straightedge on fret 1 and the last fret shows, as in the
neck curve; the gaps are those that a feeler would find.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.instrument import Specification, string_lines
from evenfall.neck.bow import relief_point
from evenfall.pictures.chart import Chart, Drawing, Panel
from evenfall.pictures.inks import INK, LIGHT, QUIET, RISK, Theme
from evenfall.pictures.string_panels import StringPanels
from evenfall.pictures.words import said, titled
from evenfall.units import LengthUnit, in_unit

if TYPE_CHECKING:
    from evenfall.levelling.ideal import IdealNeck

_PANEL_PX = 120.0


def ideal_side_view(
    specification: Specification,
    ideal: IdealNeck,
    *,
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> Drawing:
    """Return the outer strings of the ideal neck over its crowns, with the gaps asked for."""
    lines = string_lines(specification)
    shown = (0, specification.string_count - 1)
    heights = [_over_line(specification, ideal, k) for k in shown]
    low = min(float(crowns.min()) for _, crowns, _ in heights)
    high = max(max(nut, saddle) for nut, _, saddle in heights)
    panels = StringPanels(
        specification,
        shown,
        float(lines.saddle_station_mm.max()),
        low_mm=low,
        high_mm=high,
        about_px=_PANEL_PX,
    )
    chart = Chart(
        titled(specification, "", "ideal neck"),
        said(
            "Level frets and every setting at its target: played {attack}, the neck {stands}.",
            unit,
            attack=specification.player.said,
            stands=_stands(ideal),
        ),
        panels.scales,
    )
    for k, panel in panels.on(chart, unit):
        _draw(panel, specification, ideal, k, unit)
    chart.table(
        *("string", f"action, {unit}", f"first-fret gap, {unit}", "attack, N", "clear up to, N"),
        rows=(
            (
                k + 1,
                in_unit(specification.target.action[k].value_mm, unit),
                in_unit(specification.target.first_fret_gap[k].value_mm, unit),
                float(ideal.attack_n[k]),
                float(min(ideal.clear_n[k], ideal.open_clear_n[k])),
            )
            for k in range(specification.string_count)
        ),
    )
    return chart.drawn(theme, exaggeration=f"{panels.exaggeration:g}")


def _stands(ideal: IdealNeck) -> str:
    return "buzzes" if ideal.short.any() or ideal.open_short.any() else "stays clear everywhere"


def _over_line(
    specification: Specification, ideal: IdealNeck, k: int
) -> tuple[float, FloatArray, float]:
    """Return nut, crowns and saddle over the straight line on fret 1 and the last one [mm]."""
    lines = string_lines(specification)
    station, saddle_station = lines.station_mm[k], float(lines.saddle_station_mm[k])
    crowns = ideal.crown_top_mm[k]
    first, last = station[1], station[-1]
    slope = (crowns[-1] - crowns[0]) / (last - first)

    def over(at: float, height: float) -> float:
        return float(height - crowns[0] - slope * (at - first))

    line = crowns[0] + slope * (station[1:] - first)
    nut, saddle = over(0.0, ideal.nut_mm[k]), over(saddle_station, ideal.saddle_mm[k])
    return nut, np.asarray(crowns - line), saddle


def _draw(
    panel: Panel,
    specification: Specification,
    ideal: IdealNeck,
    k: int,
    unit: LengthUnit,
) -> None:
    lines, target = string_lines(specification), specification.target
    station = lines.station_mm[k]
    nut, crowns, saddle = _over_line(specification, ideal, k)
    end = float(lines.saddle_station_mm[k])

    def shown(height: float) -> float:
        return float(in_unit(height, unit))

    panel.line(
        (station[1], station[-1]),
        (0.0, 0.0),
        "straight line on fret 1 and the last",
        ink=QUIET,
        dash="2 3",
    )
    panel.line((0.0, end), (shown(nut), shown(saddle)), "open string", ink=INK)
    for x, height in zip(station[1:], crowns, strict=True):
        panel.point(float(x), shown(float(height)), "dot", size=2.2)
    panel.chart.marked("dot", "crown", size=2.2)
    reference, middle = specification.scale.reference_fret, relief_point(specification, lines)[0]
    rise = (saddle - nut) / end
    places = (  # words stand over the string, clear of it: it rises to the right
        (1, target.first_fret_gap[k].value_mm, "first-fret gap {gap:length}", 0.06),
        (reference, target.action[k].value_mm, "action {gap:length}", -0.055),
    )
    for fret, gap, words, aside in places:
        x, top = float(station[fret]), float(crowns[fret - 1])
        panel.line((x, x), (shown(top), shown(top + gap)), "gap asked for", ink=RISK, width_px=1.2)
        over = top + gap + rise * end * (2.0 * aside if aside > 0.0 else 0.0)
        panel.write(x + aside * end, shown(over), said(words, unit, gap=gap), ink=RISK)
    relief = said("relief {relief:length}", unit, relief=target.relief.value_mm)
    panel.write(float(station[middle]), 0.0, relief, ink=QUIET)  # over the straight line
