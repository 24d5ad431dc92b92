"""Ten charts of production, each in a few lines: drawn, in order, with a sentence and a table.

They prove what `Chart` carries; the numbers are invented, the limits are worked out plainly here.
Shewhart charts after ISO 7870-2:2013 (d2, D4 and A2 for five, d2 for two: its annex, from memory;
false alarms of cumulative sums: ISO 7870-4:2021, from memory).
"""

from __future__ import annotations

import inspect
import math
from collections.abc import Callable
from statistics import NormalDist

import numpy as np
import pytest

from evenfall.pictures import inks
from evenfall.pictures.chart import Chart, Drawing, mark, span
from evenfall.pictures.inks import BAND, DARK, INK, LIGHT, PRINT, QUIET, RISK, RISK_WASH
from evenfall.units import number_text
from pictures.drawing import SVG, faults, groups, parsed, path_points, shown

CHANCE = np.random.default_rng(9)
MODEL = "Tesquil (invented), station 2"
SUBGROUPS = 0.2 + 0.012 * CHANCE.standard_normal((25, 5))
SUBGROUPS[17] += 0.025
SINGLE = 1.60 + 0.03 * CHANCE.standard_normal(30)
SINGLE[16:28] += 0.05
DAYS = np.arange(1, 61)
AIR = 47.0 + 7.0 * np.sin(DAYS / 9.0) + CHANCE.standard_normal(60)
AIR[22:25] = np.nan
LOTS = np.array([40, 40, 65, 65, 30, 90, 90, 50, 50, 40, 120, 60])
SHARE = CHANCE.binomial(LOTS, 0.08) / LOTS
SHARE[6] = 0.22
BIAS = np.array([0.0, 0.004, -0.003])[:, None, None]
READ = np.linspace(0.15, 0.25, 10) + BIAS + 0.002 * CHANCE.standard_normal((3, 2, 10))
SERIALS = [f"AL-{n:04d} (invented)" for n in range(401, 431)]


def _control(
    title: str,
    values: np.ndarray,
    limits: tuple[float, float, float],
    theme: inks.Theme,
    *,
    unit: str = "mm",
    digits: int = 3,
    runs: np.ndarray | None = None,
) -> Drawing:
    """Draw the common part of the Shewhart charts: centre, limits, points marked by reason."""
    low, centre, high = limits
    beyond = (values < low) | (values > high)
    runs = np.zeros(len(values), bool) if runs is None else runs
    chart = Chart(
        f"{MODEL}: {title}",
        f"{int(beyond.sum())} of {len(values)} points lie beyond the limits, "
        f"{int(runs.sum())} in a run on one side.",
        "Limits frozen; without a cause, 1 point in 370 lies beyond them.",
    )
    panel = chart.panel(
        (0.5, len(values) + 0.5), span(values, limits), caption=f"{title}, {unit}", right_px=600.0
    )
    panel.band(low, high, "common causes", edge="")
    for name, at in (("upper", high), ("lower", low)):
        panel.limit(at, f"{name} {number_text(at, digits)}")
    panel.limit(centre, f"centre {number_text(centre, digits)}", ink=QUIET, dash="")
    panel.line(range(1, len(values) + 1), values)
    for n, value in enumerate(values):
        kind = "open" if beyond[n] else "square" if runs[n] else "dot"
        ink = RISK if beyond[n] else INK
        label = f"{SERIALS[n]}: {number_text(value, digits)} {unit}"
        panel.point(n + 1, value, kind, ink=ink, label=label, point=n + 1)
        if beyond[n]:
            panel.write(n + 1, value, SERIALS[n].split()[0], ink=RISK)
    chart.marked("open", "beyond a limit", ink=RISK)
    chart.marked("square", "nine in a run")
    chart.table("point", title, rows=enumerate(values, start=1))
    return chart.drawn(theme)


def averages(theme: inks.Theme) -> Drawing:
    """Draw subgroup averages of relief, five to a subgroup."""
    mean, half = SUBGROUPS.mean(), 0.577 * np.ptp(SUBGROUPS, axis=1).mean()
    return _control(
        "relief, average of 5", SUBGROUPS.mean(1), (mean - half, mean, mean + half), theme
    )


def ranges(theme: inks.Theme) -> Drawing:
    """Draw subgroup ranges of relief."""
    mean = np.ptp(SUBGROUPS, axis=1).mean()
    return _control(
        "relief, range of 5", np.ptp(SUBGROUPS, axis=1), (0.0, mean, 2.114 * mean), theme
    )


def individuals(theme: inks.Theme) -> Drawing:
    """Draw single actions, with runs of nine marked."""
    first = SINGLE[:16]
    centre, spread = first.mean(), np.abs(np.diff(first)).mean() / 1.128
    side = np.sign(SINGLE - centre)
    runs = np.zeros(len(side), bool)
    for start in range(len(side) - 8):
        if abs(side[start : start + 9].sum()) == 9:
            runs[start : start + 9] = True
    limits = centre - 3 * spread, centre, centre + 3 * spread
    return _control("action, string 1", SINGLE, limits, theme, runs=runs)


def moving_ranges(theme: inks.Theme) -> Drawing:
    """Draw the ranges between neighbours."""
    moving = np.abs(np.diff(SINGLE))
    return _control(
        "action, moving range", moving, (0.0, moving.mean(), 3.267 * moving.mean()), theme
    )


def capability(theme: inks.Theme) -> Drawing:
    """Draw a histogram against its limits, with the curve of its normal distribution."""
    values, low, high = SUBGROUPS.ravel(), 0.15, 0.26
    curve = NormalDist(values.mean(), values.std(ddof=1))
    counts, edges = np.histogram(values, 14)
    index = min(high - curve.mean, curve.mean - low) / (3.0 * curve.stdev)
    chart = Chart(
        f"{MODEL}: capability of relief",
        f"The process is not stable. Ppk {index:.2f} of {len(values)} necks.",
        "Measurement uncertainty takes 12 % of the tolerance.",
    )
    across = span(edges, [low, high], room=0.1)
    places = np.linspace(*across, 120)
    wide = float(edges[1] - edges[0])
    normal = [len(values) * wide * curve.pdf(float(x)) for x in places]
    panel = chart.panel(
        across, (0.0, 1.25 * max(*counts, *normal)), caption="Necks", ticks=8, unit=" mm"
    )
    panel.column(across[0], low, "outside the limits", fill=RISK_WASH)
    panel.column(high, across[1], fill=RISK_WASH)
    for n, count in enumerate(counts):
        panel.column(edges[n], edges[n + 1], "necks", top=float(count), fill=BAND)
    panel.line(places, normal, "normal distribution of the same mean and spread")
    panel.upright(low, f"lower {low:.3f}")
    panel.upright(high, f"upper {high:.3f}")
    panel.upright(curve.mean, f"mean {curve.mean:.3f}", ink=QUIET, dash="1 2")
    chart.table("from, mm", "to, mm", "necks", rows=zip(edges, edges[1:], counts, strict=False))
    return chart.drawn(theme)


def causes(theme: inks.Theme) -> Drawing:
    """Draw causes of second cuts by how often, with their running share."""
    found = {
        "fret not seated": 31,
        "board hump": 17,
        "slot too deep": 9,
        "wire too low": 5,
        "worn tool": 3,
        "not known": 2,
    }
    counts = np.array(list(found.values()))
    share = 100.0 * counts.cumsum() / counts.sum()
    chart = Chart(
        f"{MODEL}: causes of a second cut",
        f"Two causes of {len(found)} make {share[1]:.0f} % of {counts.sum()} second cuts.",
    )
    names = {n + 0.5: name for n, name in enumerate(found)}
    panel = chart.panel(
        (0.0, len(found)), (0.0, 105.0), caption="Share of all, %", ticks=names, right_px=600.0
    )
    for n, count in enumerate(counts):
        top = 100.0 * count / counts.sum()
        panel.column(n + 0.12, n + 0.88, "this cause", top=top, fill=BAND)
        panel.write(n + 0.5, top, str(count))
    panel.line(list(names), share, "with all before it", point="open")
    for place, value in zip(names, share, strict=True):
        panel.point(place, float(value), "open")
    panel.limit(80.0, "80 %", ink=QUIET)
    chart.table("cause", "count", "running share, %", rows=zip(found, counts, share, strict=True))
    return chart.drawn(theme)


def run_chart(theme: inks.Theme) -> Drawing:
    """Draw humidity over days between bands, with days that nobody read."""
    days, air = DAYS, AIR
    outside = np.abs(air - 47.5) > 7.5
    chart = Chart(
        f"{MODEL}: humidity of the air",
        f"On {int(outside.sum())} of {int(np.isfinite(air).sum())} days the air is outside "
        "40 to 55 %.",
    )
    panel = chart.panel((0.0, 61.0), (30.0, 65.0), caption="Humidity, %", ticks=12)
    panel.band(35.0, 60.0, "necks may wait", fill=RISK_WASH, edge="")
    panel.band(40.0, 55.0, "necks may be cut")
    panel.line(days, air)
    for day in np.flatnonzero(outside):
        panel.point(float(days[day]), float(air[day]), "cross", ink=RISK)
    chart.marked("cross", "outside", ink=RISK)
    chart.table("day", "humidity, %", rows=zip(days, air, strict=True))
    return chart.drawn(theme)


def proportions(theme: inks.Theme) -> Drawing:
    """Draw the share of necks cut twice by lot, whose size moves the limits."""
    sizes, share = LOTS, SHARE
    mean = float(share @ sizes / sizes.sum())
    half = 3.0 * np.sqrt(mean * (1.0 - mean) / sizes)
    beyond = np.abs(share - mean) > half
    chart = Chart(
        f"{MODEL}: necks cut twice",
        f"{int(beyond.sum())} of {len(sizes)} lots lies beyond the limits of its size.",
    )
    edges = np.arange(len(sizes) + 1) + 0.5
    high = 100.0 * (mean + half)
    panel = chart.panel(
        (0.5, len(sizes) + 0.5),
        span([0.0], high, 100.0 * share, room=0.05),
        caption="Share of the lot, %",
        ticks={n + 1.0: f"lot {n + 1} of {size}" for n, size in enumerate(sizes)},
        right_px=600.0,
    )
    panel.steps(edges, high, "limit, by size of the lot")
    panel.steps(edges, 100.0 * np.maximum(mean - half, 0.0))
    panel.limit(100.0 * mean, f"mean {100.0 * mean:.1f} %", ink=QUIET, dash="")
    panel.line(range(1, len(sizes) + 1), 100.0 * share)
    for n, value in enumerate(100.0 * share):
        panel.point(n + 1, value, "open" if beyond[n] else "dot", ink=RISK if beyond[n] else INK)
    chart.table("lot", "necks", "share", rows=zip(range(1, 13), sizes, share, strict=True))
    return chart.drawn(theme)


def gauge_study(theme: inks.Theme) -> Drawing:
    """Draw a gauge study: components as bars of the tolerance, then every reading by appraiser."""
    people = ("appraiser A", "appraiser B", "appraiser C")
    read = READ
    within = math.sqrt(read.var(axis=1, ddof=1).mean())
    components = {
        "repeat": 600.0 * within / 0.2,
        "appraisers": 600.0 * read.mean((1, 2)).std(ddof=1) / 0.2,
        "necks": 600.0 * read.mean((0, 1)).std(ddof=1) / 0.2,
    }
    chart = Chart(
        f"{MODEL}: gauge study of relief",
        f"Repeat readings spread over {components['repeat']:.0f} % of the tolerance.",
    )
    names = {n + 0.5: name for n, name in enumerate(components)}
    top = chart.panel(
        (0.0, 3.0),
        (0.0, 1.15 * max(components.values())),
        caption="6 s, % of the tolerance",
        high_px=70.0,
        right_px=300.0,
        ticks=names,
        levels=3,
    )
    for place, value in zip(names, components.values(), strict=True):
        top.column(place - 0.3, place + 0.3, top=value, fill=BAND)
        top.write(place, value, f"{value:.0f} %")
    ends = (0.4, 10.6), span(read.ravel())
    panel = chart.panel(*ends, caption="Relief, mm, by neck", ticks=10)
    for n, (name, kind) in enumerate(zip(people, ("dot", "open", "square"), strict=True)):
        panel.line(range(1, 11), read[n].mean(0), width_px=0.8, dash=("", "4 3", "1 2")[n])
        for place in range(10):
            for value in read[n, :, place]:
                panel.point(place + 0.85 + 0.15 * n, float(value), kind, size=2.6)
        chart.marked(kind, name, size=2.6)
    rows = ((people[a], p + 1, *read[a, :, p]) for a in range(3) for p in range(10))
    chart.table("appraiser", "neck", "first, mm", "second, mm", rows=rows)
    return chart.drawn(theme)


def cumulative(theme: inks.Theme) -> Drawing:
    """Draw the tabular cumulative sums of action, up and down, against their decision interval."""
    spread = np.abs(np.diff(SINGLE)).mean() / 1.128
    up, down, sums = 0.0, 0.0, []
    for value in (SINGLE - 1.60) / spread:
        up, down = max(0.0, up + value - 0.5), min(0.0, down + value + 0.5)
        sums.append((up, down))
    rise, fall = np.array(sums).T
    out = np.flatnonzero((rise > 5.0) | (fall < -5.0))
    chart = Chart(
        f"{MODEL}: cumulative sums of action",
        f"The sum passes its decision interval at point {out[0] + 1}: action has risen.",
        "k = 0.5, h = 5 standard deviations: one false alarm in 465 points.",
    )
    panel = chart.panel((0.5, 30.5), span(rise, fall, [-5, 5]), caption="Sum, s", right_px=600.0)
    panel.band(-5.0, 5.0, "decision interval", edge="")
    panel.limit(5.0, "h 5.0")
    panel.limit(-5.0, "h −5.0")
    panel.line(range(1, 31), rise, "upward", point="dot")
    panel.line(range(1, 31), fall, "downward", dash="4 3", point="open")
    for n in range(30):
        panel.point(n + 1, float(rise[n]), ink=RISK if rise[n] > 5.0 else INK)
        panel.point(n + 1, float(fall[n]), "open")
    panel.upright(float(out[0] + 1), SERIALS[out[0]].split()[0])
    chart.table(
        "point", "upward, s", "downward, s", rows=zip(range(1, 31), rise, fall, strict=True)
    )
    return chart.drawn(theme)


DRAWINGS = (
    *(averages, ranges, individuals, moving_ranges, capability),
    *(causes, run_chart, proportions, gauge_study, cumulative),
)


@pytest.mark.parametrize("theme", [LIGHT, DARK, PRINT], ids=["light", "dark", "print"])
@pytest.mark.parametrize("draw", DRAWINGS)
def test_charts_of_production_are_in_order(
    draw: Callable[[inks.Theme], Drawing], theme: inks.Theme
) -> None:
    picture = draw(theme)
    assert faults(picture) == []
    assert MODEL in picture
    assert picture.sentence in shown(picture).replace("\n", " ")
    assert len(picture.rows) >= 6
    assert {len(row) for row in picture.rows} == {len(picture.columns)}
    assert all(
        value is None or isinstance(value, str | int) or math.isfinite(value)
        for row in picture.rows
        for value in row
    )
    common = inspect.getsource(_control) if "_control" in inspect.getsource(draw) else ""
    assert len((inspect.getsource(draw) + common).splitlines()) < 60


def test_points_stand_where_their_values_are_and_are_marked_by_reason() -> None:
    picture = individuals(LIGHT)
    points = groups(picture, "point")
    assert len(points) == 30
    places = [next(p.iter(f"{SVG}circle"), None) for p in points.values()]
    seen = [n for n, place in enumerate(places) if place is not None]
    down = np.array([float(places[n].attrib["cy"]) for n in seen])  # type: ignore[union-attr]
    slope, start = np.polyfit(SINGLE[seen], down, 1)
    assert slope < 0.0
    assert np.abs(start + slope * SINGLE[seen] - down).max() < 0.02
    squares = [n for n, place in enumerate(places) if place is None]
    assert len(squares) >= 5
    assert set(squares) <= set(range(15, 29))
    assert "in a run" in picture.sentence


def test_a_gap_stays_open_and_is_none_in_the_table() -> None:
    picture = run_chart(LIGHT)
    lines = [p for p in parsed(picture).iter(f"{SVG}path") if p.attrib["stroke-width"] == "1.4"]
    assert [len(path_points(p.attrib["d"])) for p in lines] == [22, 35]
    assert [row[1] for row in picture.rows[22:25]] == [None, None, None]


def test_words_of_limits_that_lie_close_together_stay_apart() -> None:
    chart = Chart("x (invented)", "Close.")
    panel = chart.panel((0.0, 1.0), (0.0, 1.0), right_px=600.0)
    for at in (0.50, 0.51, 0.52, 0.515):
        panel.limit(at, f"limit {at}")
    assert faults(chart.drawn()) == []


def test_a_mark_that_nobody_knows_is_refused() -> None:
    with pytest.raises(KeyError):
        mark("star", 0.0, 0.0)
