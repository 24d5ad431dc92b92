"""Control chart: each figure over the points with its limits, signals marked by their reason."""

from __future__ import annotations

import math

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.pictures.axes import Axis
from evenfall.pictures.chart import LEFT_PX, Chart, Drawing, Panel, span
from evenfall.pictures.inks import INK, LIGHT, QUIET, RISK, WASH, Theme
from evenfall.pictures.svg import shortened, text, text_width_px
from evenfall.pictures.words import began, said, unit_shown
from evenfall.production import ControlChart
from evenfall.production.charts import STEPS
from evenfall.production.charts import Panel as Figures
from evenfall.production.run_rules import OUTSIDE
from evenfall.production.series import amount
from evenfall.units import LengthUnit, in_unit

_MOST_POINTS = 100
"""More points than these are too close to tell apart; the last of them are drawn."""
_RIGHT_PX = 596.0
_LABEL_ROOM_PX = 90.0
_MARKS = {OUTSIDE: "square"}
"""A mark for each rule; another one for all the rest."""


def control_chart_picture(
    chart: ControlChart,
    *,
    about: str = "",
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
    written: bool = True,
) -> Drawing:
    """Return a control chart as SVG: its panels one over another, the sentence over them."""
    verdict, *told = chart.findings
    lines = [finding.said for finding in told if finding.severity == "warning"][:3]
    title = ", ".join(part for part in (began(chart.quantity), about) if part)
    drawn = Chart(
        f"{title}: control chart",
        said("{verdict}", unit, verdict=verdict.said),
        *(said("{line}", unit, line=line) for line in lines),
        written=written,
    )
    first = max(chart.point_count - _MOST_POINTS, 0)
    out = {one.point for one in chart.excluded}
    for number, figures in enumerate(chart.panels):
        _panel(drawn, chart, figures, out, first, unit, largest=number == 0)
    drawn.marked("dot", "in order", size=3.0)
    if not chart.stable:
        drawn.marked("square", "outside the limits", ink=RISK)
        if any(signal.rule != OUTSIDE for signal in chart.signals):
            drawn.marked("diamond", "unlikely pattern", ink=RISK, size=4.4)
    if out:
        drawn.marked("open", "left out, with a reason", ink=QUIET)
    drawn.legend()
    if first:
        text_ = "Drawn are the last {shown} of {points} points; the rules asked all of them."
        earlier = [point for point in chart.hit if point <= first]
        if earlier:
            text_ += " {hit:count point} before them {hit:plural signals|signal} too."
        line_ = said(text_, shown=_MOST_POINTS, points=chart.point_count, hit=len(earlier))
        drawn.note(line_, always=True)
    drawn.note(
        *(
            said("{told}", unit, told=finding.said)
            for finding in told
            if finding.severity == "note" and "{upper}" not in finding.said.text
        )
    )
    _table(drawn, chart, first, unit)
    return drawn.drawn(theme)


def _shown(values: FloatArray, unit_of_values: str, unit: LengthUnit) -> FloatArray:
    """Return values in the unit of the picture."""
    if unit_of_values != "mm":
        return values
    return np.array([in_unit(float(value), unit) for value in values])


def _panel(  # noqa: PLR0917  (one panel: which, of what, and how it is laid out)
    drawn: Chart,
    chart: ControlChart,
    figures: Figures,
    out: set[int],
    first: int,
    unit: LengthUnit,
    *,
    largest: bool,
) -> None:
    values, centre, lower, upper = (
        _shown(of[first:], figures.unit, unit)
        for of in (figures.values, figures.centre, figures.lower, figures.upper)
    )
    points = np.arange(first + 1, chart.point_count + 1, dtype=float)
    shown_unit = unit_shown(figures.unit, unit)
    named = bool(chart.labels) and figures is chart.panels[-1]
    name = began(figures.name)
    panel = drawn.panel(
        (first + 0.5, chart.point_count + 0.5),
        span(values, lower, upper, room=0.2 if chart.signalled(figures.name) else 0.08),
        caption=f"{name}, {shown_unit}" if shown_unit else name,
        high_px=170.0 if largest else 90.0,
        left_px=LEFT_PX,
        right_px=_RIGHT_PX,
        ticks=(feet := _feet(chart, first, named=named)),
    )
    words = "point, name" if named else "point"
    ends = (panel.x(at) + text_width_px(f"{at:g}", 9.0) / 2.0 for at in feet)
    beside = max(_RIGHT_PX, *ends) + 4.0
    drawn.add(text(beside, panel.y.start_px + 13.0, words, size_px=9.0, ink=QUIET))
    edges = np.arange(first + 0.5, chart.point_count + 1.0)
    low = np.where(np.isfinite(lower), lower, panel.y.low)
    steps = [(float(edges[n]), float(edges[n + 1])) for n in range(len(values))]
    along = [at for pair in steps for at in pair]
    panel.band(np.repeat(low, 2), np.repeat(upper, 2), along=along, fill=WASH, edge="")
    panel.line(along, np.repeat(centre, 2), ink=QUIET, width_px=1.0)
    for limit, towards in ((upper, figures.upper), (lower, figures.lower)):
        # nothing lies under a limit of zero where no value is negative
        if np.isfinite(limit).any() and not (limit is lower and not limit.any()):
            panel.steps(edges, limit)
            _at_right(panel, float(limit[-1]), float(towards[-1]), figures.unit, unit, ink=RISK)
    if centre.any():
        _at_right(
            panel, float(centre[-1]), float(figures.centre[-1]), figures.unit, unit, ink=QUIET
        )
    for phase in chart.phases:
        at = phase.frozen_at + 0.5 if phase.frozen_at else phase.first - 0.5
        if largest and first + 0.5 < at < chart.point_count + 0.5:
            words = said("{reason}", reason=phase.reason)
            panel.upright(at, shortened(words, 9.0, 200.0), ink=QUIET, dash="2 3")
    known = [p for p in range(len(values)) if int(points[p]) not in out]
    panel.line(points[known], values[known], ink=INK, width_px=1.0)
    _marks(panel, chart, figures, out, points, values)


def _marks(  # noqa: PLR0917
    panel: Panel,
    chart: ControlChart,
    figures: Figures,
    out: set[int],
    points: FloatArray,
    values: FloatArray,
) -> None:
    """Draw each point, a signal by its reason, then the name of the first of a run, or its peak."""
    signalled = chart.signalled(figures.name)
    for at, value in zip(points, values, strict=True):
        if not math.isfinite(value):
            continue
        point = int(at)
        label = f"{point}{', ' * bool(chart.label(point))}{chart.label(point)}"
        if point in out:
            panel.point(at, value, "open", ink=QUIET, size=3.0, label=label)
        elif (rule := signalled.get(point)) is None:
            panel.point(at, value, size=2.6, label=label)
        else:
            kind = _MARKS.get(rule, "diamond")
            panel.point(at, value, kind, ink=RISK, size=4.0, label=f"{label}: {rule}")
    first = int(points[0])
    away = figures.values - figures.centre
    run: list[int] = []
    for point in sorted(point for point in signalled if point >= first):
        run = [*run, point] if point - 1 in run else [point]
        if point + 1 in signalled:
            continue
        for named in (run[0], max(run, key=lambda one: abs(away[one - 1]))):
            words = shortened(chart.label(named) or str(named), 9.0, _LABEL_ROOM_PX)
            if figures.name == STEPS:
                before = chart.label(named - 1) or str(named - 1)
                words = shortened(f"{before}, {words}", 9.0, 2.0 * _LABEL_ROOM_PX)
            value, over = float(values[named - first]), bool(away[named - 1] > 0.0)
            if panel.write_beyond(float(named), value, words, over=over, ink=RISK):
                break


def _feet(chart: ControlChart, first: int, *, named: bool) -> dict[float, str]:
    """Return what stands at the foot of a panel: round numbers of points, their names below."""
    ends = first + 0.5, chart.point_count + 0.5
    most = 8 if chart.labels else 10
    round_ = [at for at, _ in Axis(*ends, 0.0, 1.0, "").ticks(most)]
    points = [round(at) for at in round_ if abs(at - round(at)) < 1e-6]
    room = (_RIGHT_PX - LEFT_PX) / max(len(points), 1) - 6.0
    names = [shortened(chart.label(point), 9.0, room) if named else "" for point in points]
    return {
        float(point): f"{point}\n{name}" if name else str(point)
        for point, name in zip(points, names, strict=True)
    }


def _at_right(
    panel: Panel, at: float, value: float, unit_of_values: str, unit: LengthUnit, *, ink: str
) -> None:
    """Write the value of a line at its right end."""
    words = said("{value}", unit, value=amount(value, unit_of_values))
    panel.chart.add(text(panel.x.end_px + 4.0, panel.y(at) + 3.0, words, size_px=9.0, ink=ink))


def _table(drawn: Chart, chart: ControlChart, first: int, unit: LengthUnit) -> None:
    """Keep the numbers of the points that are drawn."""
    columns = ["point", "name"]
    series: list[list[float]] = []
    for figures in chart.panels:
        shown_unit = unit_shown(figures.unit, unit)
        ending = f", {shown_unit}" if shown_unit else ""
        columns += [f"{figures.name}{ending}", "centre", "lower limit", "upper limit"]
        series += [
            _shown(of[first:], figures.unit, unit).tolist()
            for of in (figures.values, figures.centre, figures.lower, figures.upper)
        ]
    columns.append("signal")
    hit = {
        point: rule
        for f in reversed(chart.panels)
        for point, rule in chart.signalled(f.name).items()
    }
    drawn.table(
        *columns,
        rows=(
            (n + 1, chart.label(n + 1), *(of[n - first] for of in series), hit.get(n + 1, ""))
            for n in range(first, chart.point_count)
        ),
    )
