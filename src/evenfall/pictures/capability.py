"""Capability: the readings between their limits, the fitted curve, and what of it is the gauge."""

from __future__ import annotations

import math

import numpy as np

from evenfall.arrays import FloatArray, IntArray
from evenfall.pictures.chart import LEFT_PX, RIGHT_PX, Chart, Drawing, span
from evenfall.pictures.inks import BAND, INK, LIGHT, QUIET, RISK, Theme
from evenfall.pictures.svg import text
from evenfall.pictures.words import began, said, unit_shown
from evenfall.production import Capability
from evenfall.production.series import amount
from evenfall.units import LengthUnit, mm_per_unit

_MOST_STEPS = 40
"""More steps than these are too narrow to see."""


def capability_picture(
    made: Capability,
    *,
    about: str = "",
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
    written: bool = True,
) -> Drawing:
    """Return readings, limits and fitted curve as SVG, stability said first."""
    scale = 1.0 / mm_per_unit(unit) if made.unit == "mm" else 1.0
    shown_unit = unit_shown(made.unit, unit)
    stable, *told = made.findings
    title = ", ".join(part for part in (began(made.quantity), about) if part)
    warned = [finding for finding in told if finding.severity == "warning"]
    verdict = [*told[:1], *warned] if made.stable else warned
    verdict = list(dict.fromkeys(verdict))
    chart = Chart(
        f"{title}: capability",
        said("{line}", unit, line=stable.said),
        *(said("{line}", unit, line=finding.said) for finding in verdict[:2]),
        written=written,
    )
    values = scale * made.values
    limits = [scale * v for v in (made.tolerance.lower_level, made.tolerance.upper_level)]
    counts, edges = _steps(values, limits)
    reach = [scale * made.fit.low_level, scale * made.fit.high_level]
    across = span(values, limits, reach, room=0.1)
    x = np.linspace(*across, 300)
    wide = float(edges[1] - edges[0])
    curve = made.fit.distribution.pdf(x / scale) / scale * wide * len(values)
    curve = np.where(np.isfinite(curve), curve, np.nan)
    chart.end_px += 14.0
    chart.add(text(4.0, chart.end_px, "Readings in each step", bold=True))
    panel = chart.panel(
        across,
        (0.0, 1.15 * max(float(counts.max()), float(np.nanmax(curve)))),
        high_px=200.0,
        left_px=LEFT_PX,
        right_px=RIGHT_PX,
        ticks=10,
        unit=f" {shown_unit}" if shown_unit else "",
    )
    for left, right, count in zip(edges[:-1], edges[1:], counts, strict=True):
        if count:
            panel.column(float(left), float(right), "readings", top=float(count), fill=BAND)
    if math.isfinite(made.uncertainty_level):
        u = scale * made.uncertainty_level
        top = 0.06 * panel.y.high
        panel.column(
            scale * made.centre - 2.0 * u,
            scale * made.centre + 2.0 * u,
            "measurement uncertainty about one reading, ± 2 u",
            top=top,
            fill=QUIET,
        )
    panel.line(x, curve, "fitted distribution", ink=INK, width_px=1.6)
    for name, level in (
        ("lower limit", made.tolerance.lower_level),
        ("upper limit", made.tolerance.upper_level),
    ):
        if math.isfinite(level):
            words = said("{name} {value}", unit, name=name, value=amount(level, made.unit))
            panel.upright(scale * level, words, ink=RISK)
    panel.upright(scale * made.centre, "", ink=QUIET, dash="2 3")
    chart.ruled("mean", ink=QUIET, dash="2 3")
    chart.ruled("limits", ink=RISK, dash="5 3")
    chart.legend()
    chart.note(
        *(
            said("{line}", unit, line=finding.said)
            for finding in told
            if finding.severity == "note" and finding not in verdict
        )
    )
    chart.table(
        *("from", "to", "readings"),
        rows=zip(edges[:-1].tolist(), edges[1:].tolist(), counts.tolist(), strict=True),
    )
    return chart.drawn(theme)


def _steps(values: FloatArray, limits: list[float]) -> tuple[IntArray, FloatArray]:
    """Return how many readings lie in each step, and the edges of the steps, which meet the limits.

    A reading on the upper limit keeps it, so it counts in the step under the limit.
    """
    wide = float(np.ptp(values)) / _count(values)
    lower, upper = limits
    ends = [at for at in limits if math.isfinite(at)]
    if len(ends) == 2 and np.ptp(values) / (upper - lower) < _MOST_STEPS:
        wide = (upper - lower) / math.ceil((upper - lower) / wide)
    at = np.floor((values - ends[0]) / wide + 1e-6).astype(np.int64)
    at[np.abs(values - upper) < 1e-6 * wide] -= 1
    edges = ends[0] + wide * np.arange(at.min(), at.max() + 2)
    return np.bincount(at - at.min()), edges


def _count(values: FloatArray) -> int:
    """Return how many steps show the shape (Freedman & Diaconis, 1981), within reason."""
    quarter, three = np.quantile(values, [0.25, 0.75])
    wide = 2.0 * float(three - quarter) / len(values) ** (1.0 / 3.0)
    reach = float(np.ptp(values))
    return int(np.clip(math.ceil(reach / wide) if wide > 0.0 else 10, 5, _MOST_STEPS))
