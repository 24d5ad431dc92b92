"""Verdict strip: every judged quantity with its uncertainty against its limits, one row each."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, NamedTuple

from evenfall.pictures.axes import Axis
from evenfall.pictures.chart import Chart, Drawing, mark
from evenfall.pictures.inks import INK, LIGHT, QUIET, RISK, RULE, WASH, Theme
from evenfall.pictures.svg import PAGE_WIDTH_PX, group, line, path, rect, text, wrapped
from evenfall.pictures.words import said
from evenfall.units import MINUS, LengthUnit, in_unit, number_text

if TYPE_CHECKING:
    from evenfall.proof import Item

_ROW_PX = 19.0
_NAME_PX = 176.0
_AXIS_PX = (184.0, 348.0)
_VALUE_PX = 452.0
_LIMITS_PX = 548.0
_MARK_PX = 562.0
_VERDICT_PX = 573.0

VERDICTS = ("conforms", "undecided", "does not conform")


class VerdictRow(NamedTuple):
    """One judged quantity, numbers in `unit`: NaN if not known, infinite if a limit is open."""

    name: str
    value: float
    expanded_uncertainty: float
    lower: float
    upper: float
    verdict: str
    unit: str = "mm"
    guard_band: float = 0.0
    refusal_band: float = 0.0


def verdict_strip(
    items: Iterable[Item | VerdictRow],
    *,
    title: str = "Verdicts",
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> Drawing:
    """Return one row per judged quantity: interval, limits and verdict, as SVG."""
    rows = [_in_unit(item, unit) for item in items]
    chart = Chart(title, _summary(rows))
    names = (
        (4.0, "start", "quantity"),
        (sum(_AXIS_PX) / 2, "middle", "against its limits"),
        (_VALUE_PX, "end", "value ± U"),
        (_LIMITS_PX, "end", "limits"),
        (_VERDICT_PX, "start", "verdict"),
    )
    top = chart.end_px
    chart.add(*(text(x, top + 9, n, size_px=9.5, anchor=a, ink=QUIET) for x, a, n in names))
    at = top + 14.0
    for row in rows:
        chart.add(line(4, at, PAGE_WIDTH_PX - 4, at, ink=RULE, width_px=0.6))
        name = wrapped(row.name, 9.5, _NAME_PX - 6.0)
        high = _ROW_PX + 11.0 * (len(name) - 1)
        chart.add(group(_row(row, name, at, high), label=_sentence(row), verdict=row.verdict))
        at += high
    chart.add(line(4, at, PAGE_WIDTH_PX - 4, at, ink=RULE, width_px=0.6))
    chart.end_px = at
    chart.note(
        "Grey: inside the limits; each row has a scale of its own. Bar: value ± U.",
        "Dotted: from where a value is accepted, inside, and refused, outside. Arrow: further off.",
    )
    chart.table(
        "quantity",
        "value",
        "U",
        "lower limit",
        "upper limit",
        "verdict",
        "unit",
        rows=(row[:7] for row in rows),
    )
    return chart.drawn(theme)


def _in_unit(item: Item | VerdictRow, unit: LengthUnit) -> VerdictRow:
    if item.verdict not in VERDICTS:
        raise ValueError(f"{item.name}: the verdict {item.verdict!r} is not known")
    numbers = (
        *(item.value, item.expanded_uncertainty, item.lower, item.upper),
        *(item.guard_band, item.refusal_band),
    )
    given = item.unit
    if given == "mm" and unit == "in":
        numbers = tuple(in_unit(n, unit) for n in numbers)  # type: ignore[assignment]
        given = "in"
    value, reach, lower, upper, *bands = numbers
    return VerdictRow(str(item.name), value, reach, lower, upper, item.verdict, given, *bands)


def _axis(row: VerdictRow) -> Axis:
    """Return the scale of a row: limits at the quarters, or room past a single limit."""
    reach = row.expanded_uncertainty if math.isfinite(row.expanded_uncertainty) else 0.0
    value = row.value if math.isfinite(row.value) else math.nan
    if math.isfinite(row.lower) and math.isfinite(row.upper):
        spread = max(row.upper - row.lower, 1e-3 * reach, _least_span(row.lower))
        ends = row.lower - spread / 2, row.upper + spread / 2
    elif math.isfinite(row.lower) or math.isfinite(row.upper):
        limit = row.lower if math.isfinite(row.lower) else row.upper
        off = 0.0 if math.isnan(value) else value - limit
        room = max(1.15 * (abs(off) + reach), _least_span(limit))
        inside = 1.0 if math.isfinite(row.lower) else -1.0
        far = limit + inside * room, limit - inside * room * (1.0 if off * inside < 0.0 else 1 / 3)
        ends = min(far), max(far)
    else:
        centre = 0.0 if math.isnan(value) else value
        room = max(2.0 * reach, _least_span(centre))
        ends = centre - room, centre + room
    return Axis(ends[0], ends[1], *_AXIS_PX, row.unit)


def _least_span(near: float) -> float:
    """Return a span that is still a span beside a number of this size."""
    return 1e-6 * max(1.0, abs(near))


def _row(row: VerdictRow, name: list[str], top_px: float, high_px: float) -> Iterator[str]:
    x = _axis(row)
    middle = top_px + high_px / 2
    base = middle + 3.5
    for number, words in enumerate(name):
        yield text(4, base + 11.0 * (number - (len(name) - 1) / 2), words, size_px=9.5)
    left, right = (
        x(limit) if math.isfinite(limit) else edge
        for limit, edge in ((row.lower, x.start_px), (row.upper, x.end_px))
    )
    yield rect(left, middle - 6, right - left, 12, fill=WASH)
    for limit in (row.lower, row.upper):
        if math.isfinite(limit):
            yield line(x(limit), middle - 8, x(limit), middle + 8, ink=INK, width_px=1.2)
    accepted = (row.lower + row.guard_band, row.upper - row.guard_band)
    edges = [edge for edge in accepted if row.guard_band > 0.0 and row.lower < edge < row.upper]
    if row.refusal_band > 0.0:
        refused = (row.lower - row.refusal_band, row.upper + row.refusal_band)
        edges += [edge for edge in refused if x.start_px < x(edge) < x.end_px]
    for edge in edges:
        yield line(x(edge), middle - 6, x(edge), middle + 6, ink=QUIET, dash="1.5 1.5")
    if math.isfinite(row.value):
        yield from _interval(row, x, middle)
    yield text(_VALUE_PX, base, _value_text(row), size_px=9.5, anchor="end")
    yield text(_LIMITS_PX, base, _limits_text(row), size_px=9.5, anchor="end", ink=QUIET)
    yield mark(row.verdict, _MARK_PX, middle, size=4.5)
    yield text(_VERDICT_PX, base, row.verdict, size_px=9.5, bold=row.verdict != "conforms", ink=INK)


def _interval(row: VerdictRow, x: Axis, middle_px: float) -> Iterator[str]:
    """Yield the bar of value ± U, cut with arrows where it leaves the scale."""
    reach = row.expanded_uncertainty if math.isfinite(row.expanded_uncertainty) else 0.0
    start, end = (
        min(max(x(row.value + side * reach), x.start_px), x.end_px) for side in (-1.0, 1.0)
    )
    yield line(start, middle_px, end, middle_px, ink=INK, width_px=2.4)
    at = x(row.value)
    if at < x.start_px or at > x.end_px:
        tip, back = (x.start_px, 6.0) if at < x.start_px else (x.end_px, -6.0)
        arrow = [(tip, middle_px), (tip + back, middle_px - 4), (tip + back, middle_px + 4)]
        yield path(arrow, fill=RISK, closed=True)
    else:
        yield line(at, middle_px - 5, at, middle_px + 5, ink=INK, width_px=2.0)


# ---- words -------------------------------------------------------------------------------------


_DIGITS = {"mm": 3, "in": 4, "N": 2}
"""Digits after the point, by unit."""


def _number(value: float, unit: str) -> str:
    if not math.isfinite(value):
        return "–"
    digits = _DIGITS.get(unit)
    return f"{value:.3g}".replace("-", MINUS) if digits is None else number_text(value, digits)


def _value_text(row: VerdictRow) -> str:
    if not math.isfinite(row.value):
        return "not known"
    uncertainty, step = row.expanded_uncertainty, 10.0 ** -_DIGITS.get(row.unit, 300)
    # none is shown as zero: rounded up where it would be (JCGM 100:2008, 7.2.6)
    spread = _number(step if 0.0 < uncertainty <= 0.5 * step else uncertainty, row.unit)
    return f"{_number(row.value, row.unit)} ± {spread} {row.unit}".rstrip()


def _limits_text(row: VerdictRow) -> str:
    lower, upper = _number(row.lower, row.unit), _number(row.upper, row.unit)
    if math.isfinite(row.lower) and math.isfinite(row.upper):
        return f"{lower} to {upper}"
    if math.isfinite(row.lower):
        return f"at least {lower}"
    return f"at most {upper}" if math.isfinite(row.upper) else "none"


def _sentence(row: VerdictRow) -> str:
    return f"{row.name}: {_value_text(row)}, limits {_limits_text(row)}: {row.verdict}"


def _summary(rows: list[VerdictRow]) -> str:
    if not rows:
        return "Nothing was judged."
    counts = {verdict: sum(row.verdict == verdict for row in rows) for verdict in VERDICTS}
    return said(
        "Of {all}: {good} {good:plural conforms|conform}, {open} undecided, "
        "{bad} {bad:plural does|do} not conform.",
        all=len(rows),
        good=counts["conforms"],
        open=counts["undecided"],
        bad=counts["does not conform"],
    )
