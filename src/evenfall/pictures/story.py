"""The story of an instrument: relief, action, lowest crown and fret life over the years."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from evenfall.pictures.chart import Chart, Drawing, Panel, span
from evenfall.pictures.inks import INK, LIGHT, QUIET, Theme
from evenfall.pictures.words import length, said
from evenfall.units import LengthUnit, in_unit

_DAYS_PER_YEAR = 365.25
_MOST_DATES = 7
_SIDE_BY_SIDE_DAYS = 10.0
_MOST_CODES = 14
NOTHING_YET = "No measurement or proof is filed yet."


@dataclass(frozen=True, slots=True)
class Visit:
    """What one document says at one time."""

    when: datetime
    document: str
    """Kind and code, which find it again."""
    proved: bool
    """Whether it was judged with its uncertainty."""
    figures_mm: Mapping[str, Sequence[float]]
    """Values by quantity; a quantity with two has one for each side of the neck, bass first."""


def story(
    title: str, visits: Sequence[Visit], *, unit: LengthUnit = "mm", theme: Theme = LIGHT
) -> Drawing:
    """Return what documents said over the years, a panel for each quantity, as SVG."""
    if not visits:
        return Chart(f"{title}: history", NOTHING_YET).drawn(theme)
    first, last = visits[0], visits[-1]
    summary = said(
        "{count:count document} from {first} to {last}.{life}"
        if first.when.date() != last.when.date()
        else "{count:count document} of {first}.{life}",
        count=len(visits),
        first=first.when.date().isoformat(),
        last=last.when.date().isoformat(),
        life=_life(visits, unit),
    )
    chart = Chart(f"{title}: history", summary)
    years = _places(visits)
    room = max(0.06 * (years[-1] - years[0]), 0.1)
    across = (years[0] - room, years[-1] + room)
    quantities = list(visits[0].figures_mm)
    for number, quantity in enumerate(quantities):
        foot = _dates(visits, years) if number == len(quantities) - 1 else {}
        panel = chart.panel(
            across,
            span(
                *_series(visits, quantity, unit),
                room=0.08 if number else 0.3,
                least=in_unit(0.05, unit),
            ),
            caption=f"{quantity}, {unit}",
            high_px=78.0,
            ticks=foot or 0,
            levels=3,
        )
        _draw(panel, visits, quantity, unit)
    chart.marked("dot", "measurement")
    chart.marked("square", "proof")
    chart.legend()
    chart.table(
        *("date", "document", *(f"{name}, {unit}" for name in _columns(visits[0]))),
        rows=(
            (
                visit.when.date().isoformat(),
                visit.document,
                *(in_unit(v, unit) for some in visit.figures_mm.values() for v in some),
            )
            for visit in visits
        ),
    )
    return chart.drawn(theme)


def _series(visits: Sequence[Visit], quantity: str, unit: LengthUnit) -> list[list[float]]:
    sides = range(len(visits[0].figures_mm[quantity]))
    return [[in_unit(v.figures_mm[quantity][side], unit) for v in visits] for side in sides]


def _draw(panel: Panel, visits: Sequence[Visit], quantity: str, unit: LengthUnit) -> None:
    """Draw one quantity: a line for each side, and a mark for each document."""
    series = _series(visits, quantity, unit)
    years = _places(visits)
    coded = quantity == next(iter(visits[0].figures_mm)) and len(visits) <= _MOST_CODES
    names = ("bass side", "treble side") if len(series) == 2 else ("",)
    for side, values in enumerate(series):
        ink, dash = (QUIET, "4 3") if side else (INK, "")
        panel.line(years, values, names[side], ink=ink, dash=dash)
        beside = [math.nan, *values, math.nan]
        for place, (visit, year, value) in enumerate(zip(visits, years, values, strict=True)):
            if math.isfinite(value):
                shown = length(visit.figures_mm[quantity][side], unit)
                when = visit.when.date().isoformat()
                kind = "square" if visit.proved else "dot"
                label = f"{when}, {visit.document}: {quantity} {shown}"
                panel.point(year, value, kind, ink=ink, label=label)
                if coded:
                    code = visit.document.rpartition(" ")[2]
                    before, after = beside[place], beside[place + 2]
                    panel.write(year, value, code, before=before, after=after)


def _columns(visit: Visit) -> list[str]:
    names = []
    for quantity, values in visit.figures_mm.items():
        sides = (" bass", " treble") if len(values) == 2 else ("",)
        names += [f"{quantity.lower()}{side}" for side in sides]
    return names


def _dates(visits: Sequence[Visit], years: Sequence[float]) -> dict[float, str]:
    """Return the dates that stand along the foot: of visits far enough apart to be read."""
    apart = max((years[-1] - years[0]) / _MOST_DATES, 1e-9)
    shown: dict[float, str] = {}
    for visit, year in zip(visits, years, strict=True):
        if not shown or year - max(shown) >= apart:
            shown[year] = visit.when.date().isoformat()
    return shown


def _life(visits: Sequence[Visit], unit: LengthUnit) -> str:
    lives = [v.figures_mm.get("Fret life", (math.nan,))[0] for v in visits]
    known = [life for life in lives if math.isfinite(life)]
    if not known:
        return ""
    return said(
        " Fret life {first:length} then, {last:length} now.", unit, first=known[0], last=known[-1]
    )


def _places(visits: Sequence[Visit]) -> list[float]:
    """Return where visits stand along the foot: by year, or side by side where all are of days."""
    days = [visit.when.toordinal() + visit.when.hour / 24.0 for visit in visits]
    if days[-1] - days[0] < _SIDE_BY_SIDE_DAYS and len(visits) <= _MOST_DATES:
        return [float(number) for number in range(len(visits))]
    return [day / _DAYS_PER_YEAR for day in days]
