"""One crown in section, both ways to one scale, and its fret under every string beside it."""

from __future__ import annotations

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.instrument import Specification
from evenfall.instrument.geometry import arc_drop_mm, crown_radius_mm
from evenfall.pictures.chart import LEFT_PX, RIGHT_PX, Chart, Drawing, Panel
from evenfall.pictures.inks import INK, LIGHT, PAPER, QUIET, WASH, Theme
from evenfall.pictures.svg import group, rect
from evenfall.pictures.words import length, said, titled
from evenfall.plan import Plan
from evenfall.plan.ranges import LEAST_SHOWN_MM
from evenfall.units import LengthUnit, in_unit

_POINTS = 121
_WIDE_PX = 340.0
_BESIDE_PX = 92.0  # from the section to the panel beside it: room for the words of the limit
_ROOM = 1.25  # of the crown's width and height


def crown_cut(
    specification: Specification,
    plan: Plan,
    *,
    string: int,
    fret: int,
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> Drawing:
    """Return the section of one crown with what comes off it, as SVG.

    The crown is drawn as an arc of the wire's width. ValueError if there is no such crossing.
    """
    strings, frets = plan.removal_mm.shape
    if not (1 <= string <= strings and 1 <= fret <= frets):
        raise ValueError(f"there is no fret {fret} under string {string}")
    k, j = string - 1, fret - 1
    removal, left = float(plan.removal_mm[k, j]), float(plan.crown_height_after_mm[k, j])
    wide, least = (
        specification.fretwire.crown_width_mm,
        specification.fretwire.least_crown_height_mm,
    )
    found = left + removal
    where = f"crown of fret {fret} under string {string}"
    title = titled(specification, plan.measurement.serial, where)
    across = np.linspace(-0.5 * wide, 0.5 * wide, _POINTS)
    arc = _arc_mm(across, found, wide)
    told = "Nothing comes off; {left:length} is there, {over:length} over the least crown height."
    if removal >= LEAST_SHOWN_MM:
        told = (
            "{removal:length} comes off; {left:length} is left, {over:length} over the least crown "
            "height. Filed, its top is flat over {flat:length}, until it is crowned again."
        )
    words = said(
        told,
        unit,
        removal=removal,
        left=left,
        over=left - least,
        flat=_flat_mm(found, wide, removal),
    )
    chart = Chart(title, words, "Both ways to one scale; the crown as an arc of the wire's width.")
    reach, high = 0.5 * _ROOM * wide, _ROOM * max(found, least)
    scale = in_unit(1.0, unit)
    panel = chart.panel(
        (-scale * reach, scale * reach),
        (0.0, scale * high),
        caption=f"Height over the board, {unit}",
        left_px=LEFT_PX,
        right_px=min(LEFT_PX + _WIDE_PX, RIGHT_PX),
        high_px=_WIDE_PX * high / (2.0 * reach),
        ticks=0,
    )
    xs, crowned = (scale * across).tolist(), scale * _arc_mm(across, left, wide)
    panel.band(
        np.zeros(_POINTS).tolist(), crowned.tolist(), "planned", along=xs, fill=WASH, edge=INK
    )
    if removal >= LEAST_SHOWN_MM:
        panel.line(xs, (scale * arc).tolist(), "as found", ink=QUIET, dash="5 3")
        flat = np.where(arc >= left, left, np.nan)
        panel.line(xs, (scale * flat).tolist(), "filed, before it is crowned", width_px=2.0)
    panel.limit(scale * least, f"least {length(least, unit)}")
    _every_string(chart, panel, plan, (k, j), unit).limit(scale * least)
    chart.legend()
    columns = ("", f"height, {unit}")
    rows = (("as found", scale * found), ("planned", scale * left), ("least", scale * least))
    chart.table(*columns, rows=rows)
    return chart.drawn(theme, string=string, fret=fret)


def _every_string(
    chart: Chart, section: Panel, plan: Plan, picked: tuple[int, int], unit: LengthUnit
) -> Panel:
    """Draw the crown of the fret under every string, the one in section filled with ink."""
    k, j = picked
    count, scale = len(plan.removal_mm), in_unit(1.0, unit)
    panel = chart.panel(
        (0.4, count + 0.6),
        (section.y.low, section.y.high),
        caption=f"Fret {j + 1} under every string",
        left_px=section.x.end_px + _BESIDE_PX,
        levels=0,
        high_px=section.y.start_px - section.y.end_px,
        beside=section,
        ticks={float(n): str(n) for n in range(1, count + 1, 1 if count < 9 else 2)},
    )
    half = min(9.0, 0.35 * (panel.x(2.0) - panel.x(1.0)))
    for n in range(count):
        left = float(plan.crown_height_after_mm[n, j])
        off = float(plan.removal_mm[n, j])
        if not np.isfinite(left):
            continue
        x, foot = panel.x(n + 1.0), panel.y.start_px
        planned, was = panel.y(scale * left), panel.y(scale * (left + off))
        bold = n == k
        parts = [
            rect(x - half, was, 2 * half, planned - was, fill=PAPER, ink=QUIET),
            rect(
                x - half,
                planned,
                2 * half,
                foot - planned,
                fill=INK if bold else WASH,
                ink=INK,
                width_px=1.0,
            ),
        ]
        told = f"String {n + 1}: {length(left, unit)} left"
        told += f", {length(off, unit)} comes off" if off >= LEAST_SHOWN_MM else ""
        chart.add(group(parts if off >= LEAST_SHOWN_MM else parts[1:], label=told, string=n + 1))
    return panel


def _arc_mm(across_mm: FloatArray, height_mm: float, wide_mm: float) -> FloatArray:
    """Return the height of an arc through both edges of the wire and its top."""
    drop = arc_drop_mm(crown_radius_mm(height_mm, wide_mm), across_mm)
    return np.asarray(np.maximum(height_mm - drop, 0.0))


def _flat_mm(height_mm: float, wide_mm: float, removal_mm: float) -> float:
    """Return how wide the flat is that filing leaves on an arc: its chord at that depth."""
    radius = crown_radius_mm(height_mm, wide_mm)
    return float(2.0 * np.sqrt(max(removal_mm * (2.0 * radius - removal_mm), 0.0)))
