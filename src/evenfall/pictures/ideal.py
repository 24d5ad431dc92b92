"""The ideal neck of a specification from the side: level crowns, outer strings, and their gaps.

Heights are over the straight line that a straightedge on fret 1 and the last fret shows, as in the
neck curve; the gaps are those that a feeler would find.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenfall.instrument import string_lines
from evenfall.neck.bow import relief_point
from evenfall.pictures.axes import exaggeration_text, fret_numbers, round_exaggeration
from evenfall.pictures.chart import LEFT_PX, RIGHT_PX, Chart, Drawing, Panel
from evenfall.pictures.inks import INK, LIGHT, QUIET, RISK
from evenfall.pictures.svg import text
from evenfall.pictures.words import said, titled
from evenfall.units import LengthUnit, in_unit

if TYPE_CHECKING:
    from evenfall.arrays import FloatArray
    from evenfall.instrument import Specification
    from evenfall.levelling.ideal import IdealNeck
    from evenfall.pictures.inks import Theme

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
    longest = float(lines.saddle_station_mm.max())
    along = (RIGHT_PX - LEFT_PX) / longest
    exaggeration = round_exaggeration(_PANEL_PX / ((high - low) * along))
    scales = (
        f"{exaggeration_text(exaggeration)[:-1]}, over a straight line on fret 1 and fret "
        f"{specification.frets} under each string."
    )
    chart = Chart(
        titled(specification, "", "ideal neck"),
        said(
            "Level frets and every setting at its target: played {attack}, the neck {stands}.",
            unit,
            attack=specification.player.said,
            stands=_stands(ideal),
        ),
        scales,
    )
    for k in shown:
        string = specification.strings[k]
        pitch = f" ({string.pitch})" * bool(string.pitch)
        panel = chart.panel(
            (0.0, longest),
            (in_unit(low, unit), in_unit(high, unit)),
            caption=f"String {string.number}{pitch}, {unit}",
            high_px=(high - low) * along * exaggeration,
            ticks=0,
            levels=4,
        )
        _draw(panel, specification, ideal, k, unit)
    places = {j: panel.x(float(s)) for j, s in enumerate(lines.station_mm[shown[-1]])}
    base = chart.end_px + 6.0
    chart.add(*fret_numbers(places, base, first=(specification.scale.reference_fret,)))
    chart.add(text(4, base, "fret", size_px=9, ink=QUIET))
    chart.end_px = base + 2.0
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
    return chart.drawn(theme, exaggeration=f"{exaggeration:g}")


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
