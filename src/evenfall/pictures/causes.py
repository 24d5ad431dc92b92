"""Causes: what each factor does to a quantity, with its confidence limits, and its share."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenfall.pictures.chart import LEFT_PX, RIGHT_PX, Chart, Drawing, Panel, span
from evenfall.pictures.inks import BAND, INK, LIGHT, QUIET, WASH, Theme
from evenfall.pictures.svg import rect, text
from evenfall.pictures.words import began, said, unit_shown
from evenfall.units import LengthUnit, mm_per_unit

if TYPE_CHECKING:
    from evenfall.production.causes import Causes, Effect

_MOST_DRAWN = 8
_BAR_PX = 14.0
_NAME_PX = 108.0
_MARKS = {
    "moves": ("dot", INK, "the quantity goes with it"),
    "little": ("diamond", QUIET, "goes with it, too little to matter"),
    "not seen": ("open", QUIET, "not seen to move it"),
    "cannot tell": ("cross", QUIET, "cannot be told"),
}
"""Mark, ink and words of each verdict."""


def causes_picture(
    made: Causes,
    *,
    about: str = "",
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
    written: bool = True,
) -> Drawing:
    """Return the factors as SVG: a bar for the share of each, then what each of its levels does."""
    scale = 1.0 / mm_per_unit(unit) if made.unit == "mm" else 1.0
    shown_unit = unit_shown(made.unit, unit)
    title = ", ".join(part for part in (began(made.quantity), about) if part)
    findings = made.findings
    asked = len(made.effects)
    first = [finding for finding in findings[:asked] if finding.severity == "warning"]
    chart = Chart(
        f"{title}: causes",
        *(said("{line}", unit, line=f.said) for f in (first or findings[:1])[:3]),
        written=written,
    )
    _bars(chart, made)
    told = [effect for effect in made.effects if effect.verdict != "cannot tell"]
    drawn = (made.moving or told[:3] or made.effects[:3])[:_MOST_DRAWN]
    ends = [
        scale * end
        for effect in drawn
        for end in (effect.offset_level, effect.offset_low_level, effect.offset_high_level)
    ]
    up = span(np.concatenate(ends))
    in_unit = f", {shown_unit}" if shown_unit else ""
    for number, effect in enumerate(drawn):
        places = _places(effect)
        panel = chart.panel(
            (0.4, len(effect.levels) + 0.6),
            up,
            caption=f"{began(effect.factor)}: difference from the middle{in_unit}"
            if number == 0
            else began(effect.factor),
            high_px=110.0,
            ticks=places,
            levels=5,
        )
        _levels(panel, effect, scale)
    for verdict in dict.fromkeys(effect.verdict for effect in drawn):
        kind, ink, words = _MARKS[verdict]
        chart.marked(kind, words, ink=ink)
    if any(np.isfinite(e.offset_low_level).any() for e in drawn if len(e.levels) <= 20):
        chart.filled("95 % confidence", fill=BAND)
    chart.legend()
    chart.note(
        *(said("{line}", unit, line=f.said) for f in findings[:asked] if f not in first),
        *(said("{line}", unit, line=f.said) for f in findings[asked:]),
    )
    chart.table(
        *("factor", "level", f"difference{in_unit}", f"from{in_unit}", f"to{in_unit}"),
        rows=[
            (effect.factor, name, *(scale * float(v) for v in row))
            for effect in made.effects
            for name, *row in zip(
                effect.levels,
                effect.offset_level,
                effect.offset_low_level,
                effect.offset_high_level,
                strict=True,
            )
        ],
    )
    return chart.drawn(theme)


def _places(effect: Effect) -> dict[float, str]:
    """Return the names of levels at the foot; of many, that of the lowest and the highest."""
    if len(effect.levels) <= 20:
        return {n + 1.0: name for n, name in enumerate(effect.levels)}
    order = np.argsort(effect.offset_level)
    return {1.0: effect.levels[order[0]], float(len(order)): effect.levels[order[-1]]}


def _levels(panel: Panel, effect: Effect, scale: float) -> None:
    """Draw the levels of one factor, those of a random one in the order of size."""
    kind, ink, _ = _MARKS[effect.verdict]
    offset = scale * effect.offset_level
    if len(effect.levels) > 20:
        for at, value in enumerate(np.sort(offset).tolist(), start=1):
            panel.point(at, value, kind, ink=ink, size=2.0)
        return
    low, high = scale * effect.offset_low_level, scale * effect.offset_high_level
    if effect.kind == "number" and effect.verdict in ("moves", "little"):
        panel.line([1.0, 2.0], offset.tolist(), ink=ink)
    for at, (value, a, b) in enumerate(zip(offset, low, high, strict=True), start=1):
        if np.isfinite(a):
            panel.band(float(a), float(b), along=[at - 0.16, at + 0.16], fill=BAND, edge="")
        panel.point(
            at, float(value), kind, ink=ink, label=f"{effect.factor} {effect.levels[at - 1]}"
        )


def _bars(chart: Chart, made: Causes) -> None:
    """Draw the share that each factor has of the variance."""
    left = LEFT_PX + _NAME_PX
    wide = RIGHT_PX - left
    chart.end_px += 8.0
    shares = [(one.factor, one.variance_share, one.verdict) for one in made.effects]
    for name, share, verdict in (*shares, ("none of these", made.rest_share, "")):
        y = chart.end_px
        long = 0.0 if verdict == "cannot tell" else wide * max(min(share, 1.0), 0.0)
        aside = long < 0.8 * wide
        chart.add(
            text(4.0, y + 11.0, began(name), size_px=9.5),
            rect(left, y, wide, _BAR_PX, fill=WASH),
            rect(left, y, long, _BAR_PX, fill=INK if verdict == "moves" else QUIET),
            text(
                left + long + (5.0 if aside else -5.0),
                y + 11.0,
                "cannot be told"
                if verdict == "cannot tell"
                else said("{share:percent}", share=100.0 * share),
                size_px=9.5,
                bold=True,
                anchor="start" if aside else "end",
                ink=INK if aside else WASH,
            ),
        )
        chart.end_px += _BAR_PX + 5.0
    if made.moving:
        chart.filled("share of the variance, of a factor that the quantity goes with", fill=INK)
    chart.filled("share of the variance, of another factor or of none of these", fill=QUIET)
    chart.legend()
    chart.end_px += 6.0
