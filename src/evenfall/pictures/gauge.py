"""Gauge study: its components as one bar in units of the limits, then the readings by person."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from evenfall.pictures.chart import LEFT_PX, RIGHT_PX, Chart, Drawing, span
from evenfall.pictures.inks import INK, LIGHT, PAPER, QUIET, RISK, WASH, Theme
from evenfall.pictures.svg import rect, text
from evenfall.pictures.words import said, unit_shown
from evenfall.production.factors import by_number
from evenfall.production.gauge import GOOD_SHARE, USABLE_SHARE, GaugeStudy, Readings, Width
from evenfall.production.series import amount
from evenfall.units import LengthUnit, mm_per_unit

_BAR_PX = 16.0
_SHARE_PX = 44.0
"""Room for the share beside a bar, where no bound stands before it."""


def gauge_picture(
    study: GaugeStudy,
    readings: Readings,
    limits: Sequence[Width],
    *,
    quantity: str,
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
    written: bool = True,
) -> Drawing:
    """Return a gauge study as SVG: a bar for each of the limits, then every reading by person."""
    findings = study.findings(limits)
    chart = Chart(
        f"Gauge study by readings of {quantity}",
        *(said("{line}", unit, line=finding.said) for finding in findings[: 1 + len(limits)]),
        written=written,
    )
    if limits:
        _bars(chart, study, limits, unit)
    scale = 1.0 / mm_per_unit(unit) if study.unit == "mm" else 1.0
    shown_unit = unit_shown(study.unit, unit)
    parts = sorted(dict.fromkeys(readings.part), key=by_number)
    persons = sorted(dict.fromkeys(readings.person))
    values = scale * readings.values
    panel = chart.panel(
        (0.4, len(parts) + 0.6),
        span(values),
        caption=f"Readings{', ' * bool(shown_unit)}{shown_unit}, over the names of the parts",
        high_px=200.0,
        ticks={n + 1: part for n, part in enumerate(parts)},
    )
    kinds = ("dot", "open", "diamond", "square", "cross", "ring")
    for number, person in enumerate(persons):
        kind = kinds[number % len(kinds)]
        aside = 0.5 * ((number + 0.5) / len(persons) - 0.5)
        means = []
        for at, part in enumerate(parts, start=1):
            mine = [
                float(v)
                for v, p, o in zip(values, readings.part, readings.person, strict=True)
                if (p, o) == (part, person)
            ]
            means.append(float(np.mean(mine)) if mine else np.nan)
            for value in mine:
                panel.point(at + aside, value, kind, size=2.8, label=f"{part}, {person}")
        # at the parts and not aside: on a slope that would look like a difference between persons
        panel.line([n + 1.0 for n in range(len(parts))], means, ink=QUIET, width_px=0.8)
        chart.marked(kind, person, size=2.8)
    chart.legend()
    chart.note(
        *(said("{line}", unit, line=finding.said) for finding in findings[1 + len(limits) :])
    )
    chart.table(
        *("part", "person", f"reading{', ' * bool(shown_unit)}{shown_unit}"),
        rows=zip(readings.part, readings.person, values.tolist(), strict=True),
    )
    return chart.drawn(theme)


def _bars(chart: Chart, study: GaugeStudy, limits: Sequence[Width], unit: LengthUnit) -> None:
    """Draw what repeating and persons take of each of the limits, six standard deviations wide."""
    wide = RIGHT_PX - LEFT_PX - 108.0 - _SHARE_PX
    left = LEFT_PX + 108.0
    chart.end_px += 18.0
    for bound in (GOOD_SHARE, USABLE_SHARE):
        words = said("{share:taken}", share=bound)
        at = left + wide * bound
        over = text(at, chart.end_px - 5.0, words, size_px=9.0, anchor="middle", ink=RISK)
        chart.add(over)
    gauge = study.component("gauge")
    repeat = study.component("repeatability")
    for name, width in limits:
        y = chart.end_px
        share = min(study.share_of(width), 1.0)
        part = share * (repeat.sigma_level / gauge.sigma_level) ** 2 if gauge.sigma_level else 0.0
        label = said("{name}, {width}", unit, name=name, width=amount(width, study.unit))
        ink = RISK if share > USABLE_SHARE else INK
        words = said("{share:taken}", share=study.share_of(width))
        chart.add(
            text(4.0, y + 12.0, label, size_px=9.5),
            rect(left, y, wide, _BAR_PX, fill=WASH),
            rect(left, y, wide * share, _BAR_PX, fill=QUIET),
            rect(left, y, wide * part, _BAR_PX, fill=INK),
            text(RIGHT_PX, y + 12.0, words, size_px=9.5, bold=True, anchor="end", ink=ink),
        )
        for bound in (GOOD_SHARE, USABLE_SHARE):
            at = left + wide * bound
            chart.add(  # with an edge of paper, to be seen on a dark bar
                rect(at - 2.5, y - 3.0, 5.0, _BAR_PX + 6.0, fill=PAPER),
                rect(at - 1.0, y - 3.0, 2.0, _BAR_PX + 6.0, fill=RISK),
            )
        chart.end_px += _BAR_PX + 8.0
    chart.filled("repeating, six standard deviations over the width of the limits", fill=INK)
    if repeat.sigma_level < gauge.sigma_level:
        chart.filled("persons", fill=QUIET)
    chart.key(
        "bounds of 10 % (can judge) and 30 % (with care)",
        lambda x, y: rect(x + 10, y - 8, 1.0, 16, fill=RISK),
    )
    chart.legend()
    chart.end_px += 6.0
