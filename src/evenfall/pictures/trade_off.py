"""Two curves through a plan: what lower action costs in metal, what relief does to buzz force."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.pictures.chart import Chart, Drawing, Panel, span
from evenfall.pictures.inks import LIGHT, RISK, RISK_WASH, Theme
from evenfall.pictures.svg import PAGE_WIDTH_PX
from evenfall.pictures.words import said
from evenfall.units import LengthUnit, in_unit, mm_per_unit

if TYPE_CHECKING:
    from evenfall.levelling.tradeoff import TradeOff

    Points = Sequence[tuple[float, float]]

_MIDDLE_PX = PAGE_WIDTH_PX / 2.0
_MOST = 999.0
"""Touch force over this is drawn here [% of the attack]; with no attack at all it has no end."""
_LEVEL = 0.05
"""Points whose buzz force differs by less than this count as equally high [% of the attack]."""


def trade_off_chart(
    trade_off: TradeOff,
    *,
    title: str = "What the limits cost",
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> Drawing:
    """Return metal against action and lowest margin against relief, the plan marked, as SVG.

    NaN where no plan meets the limits. ValueError for a curve of fewer than two points.
    """
    scale = 1.0 / mm_per_unit(unit)
    borne = np.minimum(100.0 * np.asarray(trade_off.margin_share), _MOST)
    metal = _points(scale * trade_off.action_mm, scale * trade_off.metal_mm)
    share = _points(scale * trade_off.relief_mm, borne)
    action, spent = trade_off.plan_action_mm, trade_off.plan_metal_mm
    relief, worst = trade_off.plan_relief_mm, min(trade_off.plan_margin_share, 0.01 * _MOST)
    cost = "Notes fail here whatever is cut."
    if math.isfinite(spent) and math.isfinite(action):
        text = "The plan: action {action:length}, {metal:length} of metal."
        cost = said(text, unit, action=action, metal=spent)
    text = "The plan: relief {relief:length}, {share:share} of the player's attack."
    room = said(text, unit, relief=relief, share=worst)
    best = _best(share, in_unit(relief, unit))
    if best is not None:
        text = " Most: {share:share} at {relief:length}."
        room += said(text, unit, share=0.01 * best[1], relief=best[0] / scale)

    chart = Chart(title, cost, room)
    caption = f"Total metal, {unit}, against action, {unit}"
    chosen = in_unit(action, unit), in_unit(spent, unit)
    left = _curve(chart, metal, chosen, caption=caption)
    caption = f"Margin, %, against relief, {unit}"
    chosen = in_unit(relief, unit), 100.0 * worst
    right = _curve(chart, share, chosen, caption=caption, beside=left)
    if best is not None:
        right.point(*best, "ring", ink=RISK, size=4.5)
        chart.marked("ring", "relief with most margin", ink=RISK, size=4.5)
    columns = (f"action, {unit}", f"metal, {unit}", f"relief, {unit}", "margin, %")
    chart.table(*columns, rows=((*a, *b) for a, b in zip(metal, share, strict=False)))
    return chart.drawn(theme)


def _points(across: FloatArray, up: FloatArray) -> Points:
    """Return the points of a curve in order."""
    if len(across) != len(up) or len(across) < 2:
        raise ValueError("a curve needs two or more points, and as many values as places")
    return sorted((float(a), float(u)) for a, u in zip(across, up, strict=True))


def _best(points: Points, near: float) -> tuple[float, float] | None:
    """Return the highest point; of a level stretch the one nearest to the plan."""
    known = [p for p in points if math.isfinite(p[1])]
    if not known:
        return None
    top = max(up for _, up in known)
    level = [p for p in known if p[1] > top - _LEVEL]
    return min(level, key=lambda p: abs(p[0] - near))


def _curve(
    chart: Chart,
    points: Points,
    chosen: tuple[float, float],
    *,
    caption: str,
    beside: Panel | None = None,
) -> Panel:
    """Draw one curve with the plan on it; beside another it is a share of the attack."""
    floor = 0.0 if beside is None else 100.0
    xs, ys = zip(*points, strict=True)
    across = span(xs, [chosen[0]], room=0.0)
    low, high = span(ys, [chosen[1], 0.0, floor], room=0.0)
    left, right = (52.0, _MIDDLE_PX - 20.0) if beside is None else (_MIDDLE_PX + 52.0, 668.0)
    panel = chart.panel(
        across,
        (low, high + 0.08 * ((high - low) or 1.0)),
        caption=caption,
        high_px=170.0,
        left_px=left,
        right_px=right,
        beside=beside,
        ticks=6,
    )
    if floor:
        panel.band(low, floor, "under the player's attack", fill=RISK_WASH, edge="")
    for missing, run in groupby(range(len(points)), key=lambda n: math.isnan(ys[n])):
        if missing:
            places = list(run)
            last = min(places[-1] + 1, len(points) - 1)
            panel.column(xs[max(places[0] - 1, 0)], xs[last], "notes fail there whatever is cut")
    if floor:
        panel.limit(floor)
    panel.line(xs, ys, width_px=1.6)
    if all(map(math.isfinite, chosen)):
        panel.point(*chosen, "diamond", size=5.0)
        chart.marked("diamond", "the plan", size=5.0)
    return panel
