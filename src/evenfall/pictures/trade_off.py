"""Two curves through a plan: what lower action costs in metal, what relief does to touch force."""

from __future__ import annotations

import math
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from evenfall.pictures.axes import Axis
from evenfall.pictures.inks import INK, PAPER, QUIET, RISK, RISK_WASH, RULE, WASH
from evenfall.pictures.svg import (
    PAGE_WIDTH_PX,
    circle,
    document,
    heading,
    line,
    path,
    rect,
    text,
    wrapped,
)
from evenfall.pictures.words import said
from evenfall.units import LengthUnit, in_unit, mm_per_unit

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from evenfall.levelling.tradeoff import TradeOff

    Points = Sequence[tuple[float, float]]

_PLOT_PX = 170.0
_GUTTER_PX = 24.0
_MOST = 999.0
"""Touch force over this is drawn here [% of the attack]; with no attack at all it has no end."""
_LEVEL = 0.05
"""Points whose touch force differs by less than this count as equally high [% of the attack]."""


def trade_off_chart(
    trade_off: TradeOff, *, title: str = "What the limits cost", unit: LengthUnit = "mm"
) -> str:
    """Return metal against action and lowest touch force against relief, the plan marked, as SVG.

    NaN where no plan meets the limits. ValueError for a curve of fewer than two points.
    """
    metal = _points(trade_off.action_mm, trade_off.metal_mm, unit, unit)
    borne = np.minimum(100.0 * np.asarray(trade_off.touch_margin_share), _MOST)
    share = _points(trade_off.relief_mm, borne, unit, None)
    action, spent = trade_off.plan_action_mm, trade_off.plan_metal_mm
    relief, worst = trade_off.plan_relief_mm, min(trade_off.plan_touch_margin_share, 0.01 * _MOST)
    cost = "No plan meets every limit here."
    if math.isfinite(spent) and math.isfinite(action):
        cost = said(
            "The plan: action {action:length}, {metal:length} of metal.",
            unit,
            action=action,
            metal=spent,
        )
    room = said(
        "The plan: relief {relief:length}, {share:share} of the player's attack.",
        unit,
        relief=relief,
        share=worst,
    )
    best = _best(share, in_unit(relief, unit))
    if best is not None:
        room += said(
            " Most: {share:percent} at {relief:length}.",
            unit,
            share=best[1],
            relief=best[0] * mm_per_unit(unit),
        )
    parts, top = heading(title)
    wide = (PAGE_WIDTH_PX - _GUTTER_PX) / 2
    chosen = in_unit(action, unit), in_unit(spent, unit)
    parts += _panel(
        4.0,
        top,
        wide,
        caption=f"Total metal, {unit}, against action, {unit}",
        result=cost,
        points=metal,
        chosen=chosen,
        unit=unit,
        floor=None,
    )
    parts += _panel(
        4.0 + wide + _GUTTER_PX,
        top,
        wide,
        caption=f"Lowest touch force, % of attack, against relief, {unit}",
        result=room,
        points=share,
        chosen=(in_unit(relief, unit), 100.0 * worst),
        unit=unit,
        floor=100.0,
    )
    end = top + 46.0 + _PLOT_PX + 24.0
    parts.append(path(_diamond(10.0, end + 4.0), fill=INK, ink=PAPER, closed=True))
    parts.append(text(20, end + 7.5, "the plan", size_px=9.5))
    parts.append(rect(86, end - 2, 22, 12, fill=WASH, ink=RULE))
    parts.append(text(113, end + 7.5, "no plan meets every limit there", size_px=9.5))
    parts.append(rect(286, end - 2, 22, 12, fill=RISK_WASH))
    parts.append(line(286, end - 2, 308, end - 2, ink=RISK, width_px=1.2, dash="5 3"))
    parts.append(text(313, end + 7.5, "under the player's attack", size_px=9.5))
    parts.append(circle(456, end + 4, 4.5, ink=RISK, width_px=1.4))
    parts.append(text(466, end + 7.5, "relief with most touch force", size_px=9.5))
    return document(end + 18.0, parts, title=title, description=f"{cost} {room}")


def _points(
    across: Sequence[float] | np.ndarray,
    up: Sequence[float] | np.ndarray,
    across_unit: LengthUnit,
    up_unit: LengthUnit | None,
) -> list[tuple[float, float]]:
    """Return the points of a curve in the units shown, in order."""
    if len(across) != len(up) or len(across) < 2:
        raise ValueError("a curve needs two or more points, and as many values as places")
    return sorted(
        (
            in_unit(float(a), across_unit),
            float(u) if up_unit is None else in_unit(float(u), up_unit),
        )
        for a, u in zip(across, up, strict=True)
    )


def _best(points: Points, near: float) -> tuple[float, float] | None:
    """Return the highest point; of a level stretch the one nearest to the plan."""
    known = [p for p in points if math.isfinite(p[1])]
    if not known:
        return None
    top = max(up for _, up in known)
    level = [p for p in known if p[1] > top - _LEVEL]
    return min(level, key=lambda p: abs(p[0] - near))


def _panel(
    left_px: float,
    top_px: float,
    wide_px: float,
    *,
    caption: str,
    result: str,
    points: Points,
    chosen: tuple[float, float],
    unit: LengthUnit,
    floor: float | None,
) -> Iterator[str]:
    """Yield one chart; below `floor` the ground is marked as risk."""
    yield text(left_px, top_px + 10, caption, bold=True)
    for number, words in enumerate(wrapped(result, 9.5, wide_px - 4.0)):
        yield text(left_px, top_px + 24 + 12 * number, words, size_px=9.5)
    heights = [h for _, h in (*points, chosen) if math.isfinite(h)]
    high = max([*heights, floor or 0.0]) or 1.0
    low = min([*heights, 0.0])
    upper, lower = top_px + 46.0, top_px + 46.0 + _PLOT_PX
    x = Axis(
        min(points[0][0], chosen[0]) if math.isfinite(chosen[0]) else points[0][0],
        max(points[-1][0], chosen[0]) if math.isfinite(chosen[0]) else points[-1][0],
        left_px + 34.0,
        left_px + wide_px - 12.0,
        unit,
    )
    y = Axis(low, high + 0.08 * (high - low), lower, upper, "")
    if floor is not None:
        yield rect(x.start_px, y(floor), x.end_px - x.start_px, lower - y(floor), fill=RISK_WASH)
    yield from _unreachable(x, points, upper)
    for tick, shown in y.ticks(5) if heights else ():
        yield line(x.start_px, y(tick), x.end_px, y(tick), ink=RULE, width_px=0.6)
        yield text(x.start_px - 4, y(tick) + 3, shown, size_px=9, anchor="end", ink=QUIET)
    for tick, shown in x.ticks(6):
        yield line(x(tick), lower, x(tick), lower + 4, ink=QUIET, width_px=0.8)
        yield text(x(tick), lower + 14, shown, size_px=9, anchor="middle", ink=QUIET)
    yield line(x.start_px, lower, x.end_px, lower, ink=INK)
    if floor is not None:
        yield line(x.start_px, y(floor), x.end_px, y(floor), ink=RISK, width_px=1.2, dash="5 3")
    run: list[tuple[float, float]] = []
    for across, up in [*points, (math.nan, math.nan)]:
        if math.isfinite(up):
            run.append((x(across), y(up)))
            continue
        if run:
            yield path(run, ink=INK, width_px=1.6)
        run = []
    best = _best(points, chosen[0]) if floor is not None else None
    if best is not None:
        yield circle(x(best[0]), y(best[1]), 4.5, ink=RISK, width_px=1.4)
    if all(map(math.isfinite, chosen)):
        yield path(_diamond(x(chosen[0]), y(chosen[1])), fill=INK, ink=PAPER, closed=True)


def _unreachable(x: Axis, points: Points, upper_px: float) -> Iterator[str]:
    """Yield the ground where a curve has no value, up to its neighbours that have one."""
    for missing, run in groupby(range(len(points)), key=lambda n: math.isnan(points[n][1])):
        places = list(run)
        if missing:
            start = points[max(places[0] - 1, 0)][0]
            end = points[min(places[-1] + 1, len(points) - 1)][0]
            yield rect(x(start), upper_px, x(end) - x(start), _PLOT_PX, fill=WASH)


def _diamond(x: float, y: float) -> Points:
    return [(x - 5, y), (x, y - 5), (x + 5, y), (x, y + 5)]
