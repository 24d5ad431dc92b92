"""Control charts, which say whether a process is stable, and if not, from where on.

One chart is one object of data. Picture, text and JSON are made from it and from nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import accumulate, pairwise

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, IntArray, shut
from evenfall.errors import At, Finding, RequestError
from evenfall.production.beyond_chance import is_beyond_chance
from evenfall.production.chart_kinds import COUNTED, KINDS, Cut, Known, Memory, Part
from evenfall.production.constants import d2, d3
from evenfall.production.run_rules import OUTSIDE, RULES, USUAL, normal_zones, run_length
from evenfall.production.series import Series, amount, check_known, check_known_sigma
from evenfall.wording import Sentence, numbers, sentence

FEW_POINTS = 20
"""Limits from fewer points than this move much when more come in (ISO 7870-2 asks for 25)."""


NEWEST = 8
"""A signal with so many points after it that do not signal is past: among many points of a stable
process some signal, and nobody stops for those of last month. (Our choice.)"""

STEPS = "moving range"
"""The panel whose points are each the step from the reading before."""

_REMEMBER = ("ewma", "cusum")
"""Kinds whose figure holds what earlier points were, so that it tells when a change began."""

_MOST_LISTED = 9
"""More points, or runs of points, than this are counted in a sentence rather than listed."""


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of a process with limits of its own, and why."""

    first: int  # its first point, counted from 1
    frozen_at: int = 0  # last point that the limits come from; 0: all of the phase
    reason: str = ""  # why the limits are frozen, or begin again, as a person noted it
    person: str = ""  # who noted it
    # centre and standard deviation that were frozen with points before these; NaN: from the points
    known: Known = field(default_factory=Known)
    known_points: int = 0  # how many points those came from; 0 where it is not known

    @property
    def brought(self) -> bool:
        """Whether its limits were frozen before, rather than come from its own points."""
        return math.isfinite(self.known.centre_level) and math.isfinite(self.known.sigma_level)


@dataclass(frozen=True, slots=True)
class Excluded:
    """A point that the limits do not come from and the rules do not ask."""

    point: int  # counted from 1
    reason: str  # as a person noted it


@dataclass(frozen=True, slots=True)
class Signal:
    """What one rule found on one panel."""

    panel: str
    rule: str  # one of `RULES`
    points: tuple[int, ...]  # points that complete the pattern, counted from 1
    labels: tuple[str, ...]  # their names
    # where a weighted mean or a sum left its centre before the newest of its runs; else 0
    since: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """One figure of every point with its limits; arrays of shape (points,)."""

    name: str  # what is plotted
    unit: str  # unit of the values
    values: FloatArray  # NaN where a point has none
    centre: FloatArray
    lower: FloatArray  # limits; NaN where there is none
    upper: FloatArray
    rules: tuple[str, ...]  # which were asked
    # points that pass on average in a stable process until one signals, the limits known
    run_length_count: float

    def __post_init__(self) -> None:
        shut(self)


@dataclass(frozen=True, slots=True, eq=False)
class ControlChart:
    """A control chart.

    Parameters
    ----------
    kind
        One of `KINDS`.
    quantity
        What was read.
    labels
        Names of the points; empty for none.
    point_sizes
        Readings of each point, shape (points,).
    panels
        The figures that are plotted, the one of location first.
    phases
        The stretches with limits of their own.
    excluded
        Points left out, with reasons.
    signals
        What the rules found.
    few_points
        How few points the limits that hold at the last point come from; 0 where there are enough,
        or where the limits are known.
    memory
        How a weighted mean or a cumulative sum remembers; None for other kinds.

    Examples
    --------
    >>> values = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    >>> chart = control_chart(Series("flow", "l/min", values), "individuals")
    >>> chart.stable, chart.few_points, round(float(chart.panels[0].upper[0]), 4)
    (True, 10, 55.8024)
    """

    kind: str
    quantity: str
    labels: tuple[str, ...]
    point_sizes: IntArray
    panels: tuple[Panel, ...]
    phases: tuple[Phase, ...]
    excluded: tuple[Excluded, ...]
    signals: tuple[Signal, ...]
    few_points: int
    memory: Memory | None

    def __post_init__(self) -> None:
        shut(self)

    @property
    def stable(self) -> bool:
        """Whether no rule found anything; with `few_points` that alone is no stable process."""
        return not self.signals

    @property
    def point_count(self) -> int:
        """How many points there are."""
        return len(self.point_sizes)

    @property
    def hit(self) -> tuple[int, ...]:
        """The points that signal by any rule, counted from 1, in their order."""
        return tuple(sorted({point for signal in self.signals for point in signal.points}))

    @property
    def signals_now(self) -> bool:
        """Whether one of the newest points signals, so that the process is to be stopped."""
        return bool(self.hit) and self.point_count - self.hit[-1] < NEWEST

    @property
    def run_length_count(self) -> float:
        """Points that pass on average in a stable process until any panel signals.

        The limits known, the readings normal, or counts of their distribution.
        """
        first, *more = self.panels
        if self.kind == "cusum":
            return 0.5 * first.run_length_count
        if self.kind == "individuals":
            limit = d2(2) + 3.0 * d3(2)
            return run_length(first.rules, normal_zones(), moving_limit_ratio=limit)
        if more:
            beside = 1.0 / more[0].run_length_count
            return run_length(first.rules, normal_zones(), beside_probability=beside)
        return first.run_length_count

    def signal_said(self, signal: Signal) -> Sentence:
        """Return what one rule found, in words."""
        panel = next(one for one in self.panels if one.name == signal.panel)
        listed: Sentence | str = numbers(signal.points, _MOST_LISTED)
        if signal.rule == OUTSIDE:
            listed = (
                _jumps_said(self, signal) if signal.panel == STEPS else _outside_said(panel, signal)
            )
        said = sentence(
            RULES[signal.rule].said,
            panel=panel.name.capitalize(),
            points=len(signal.points),
            listed=listed,
        )
        if not signal.since or self.signals_now:  # the headline names where a run now began
            return said
        text = "{said} The newest run of them began about point {since}."
        return sentence(text, said=said, since=signal.since)

    def label(self, point: int) -> str:
        """Return the name of a point, counted from 1; empty where it has none."""
        return self.labels[point - 1] if self.labels else ""

    def signalled(self, panel: str) -> dict[int, str]:
        """Return the points of a panel that signal, each with its first rule."""
        found: dict[int, str] = {}
        for signal in self.signals:
            if signal.panel == panel:
                for point in signal.points:
                    found.setdefault(point, signal.rule)
        return found

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What the chart says, the verdict first."""
        return tuple(_findings(self))


def control_chart(
    series: Series,
    kind: str,
    *,
    rules: Sequence[str] = (),
    phases: Sequence[Phase] = (),
    excluded: Sequence[Excluded] = (),
    known: Known | None = None,
    memory: Memory | None = None,
) -> ControlChart:
    """Return a control chart.

    Parameters
    ----------
    series
        The readings, gathered into points.
    kind
        One of `KINDS`.
    rules
        Names from `RULES`; without any, the usual two.
    phases
        Stretches with limits of their own; without any, one of all points.
    excluded
        Points that are left out, with reasons.
    known
        Centre and standard deviation where they are known; else they come from the points.
    memory
        How a chart that remembers does so.

    Raises
    ------
    RequestError
        The readings do not make this chart, or a phase, a point or a rule does not exist.

    Examples
    --------
    >>> counts = np.array([16.0, 14.0, 28.0, 16.0, 12.0, 20.0])
    >>> chart = control_chart(Series("chips in the finish", "", counts), "c")
    >>> [round(float(limit[0]), 2) for limit in (chart.panels[0].lower, chart.panels[0].upper)]
    [5.06, 30.28]
    """
    names = _rules(rules, kind)
    stretches = _phases(tuple(phases), series.point_count)
    out = _excluded(excluded, series.point_count)
    parts: list[list[Part]] = []
    memory = memory or Memory()
    _check_memory(memory)
    known = known or Known()
    check_known_sigma(known.sigma_level)
    for (first, last), phase in zip(_bounds(stretches, series.point_count), stretches, strict=True):
        used = ~out[first:last]
        if phase.frozen_at:
            used[phase.frozen_at - first :] = False
        if not used.any() and not phase.brought:
            raise RequestError(
                "The phase from point {first} has no point left that its limits can come from.",
                at=At(field="phase"),
                first=phase.first,
            )
        level = phase.known if phase.brought else known
        cut = Cut(_slice(series, first, last), used, level, names, memory)
        parts.append(KINDS[kind][1](cut))
    panels, signals = [], []
    for number in range(len(parts[0])):
        of_panel = [made[number] for made in parts]
        panels.append(_panel(of_panel, "" if kind in COUNTED else series.unit))
        signals += list(_signals(of_panel, stretches, out, series, since=kind in _REMEMBER))
    return ControlChart(
        kind,
        series.quantity,
        series.labels,
        series.point_sizes,
        tuple(panels),
        stretches,
        tuple(excluded),
        tuple(signals),
        _few_points(kind, stretches, known, out),
        memory if kind in _REMEMBER else None,
    )


def known_of(chart: ControlChart) -> Known:
    """Return centre and standard deviation of one reading that hold at the last point.

    Of charts of single readings, and of means of subgroups.
    """
    panel = chart.panels[0]
    sigma = (float(panel.upper[-1]) - float(panel.centre[-1])) / 3.0
    return Known(float(panel.centre[-1]), sigma * math.sqrt(int(chart.point_sizes[-1])))


def _rules(rules: Sequence[str], kind: str) -> tuple[str, ...]:
    check_known("kind", kind, KINDS)
    for name in rules:
        if name not in RULES:
            raise RequestError(
                "The rule {name:quoted} is not known; use some of {rules:list}.",
                at=At(field="rules"),
                name=name,
                rules=tuple(RULES),
            )
    ordered = [name for name in RULES if name in rules] if rules else list(USUAL)
    if kind in COUNTED and any(RULES[name].by_order for name in ordered):
        raise RequestError(
            "Counts are often equal, so they neither rise nor fall; leave out the rules about "
            "rising and falling.",
            at=At(field="rules"),
        )
    return tuple(ordered)


def _check_memory(memory: Memory) -> None:
    if not 0.0 < memory.weight <= 1.0:
        text = "The weight of the newest point is over 0 and up to 1, not {weight:g}."
        raise RequestError(text, at=At(field="weight"), weight=memory.weight)
    if (
        min(memory.weighted_limit_ratio, memory.sum_limit_ratio) <= 0.0
        or memory.reference_ratio < 0
    ):
        raise RequestError("Limits of a chart are more than zero standard deviations wide.")


def _phases(phases: tuple[Phase, ...], points: int) -> tuple[Phase, ...]:
    made = tuple(sorted(phases, key=lambda phase: phase.first))
    if not made or made[0].first != 1:
        made = (Phase(1), *made)
    for phase, after in zip(made, [*(p.first for p in made[1:]), points + 1], strict=True):
        known = 1 <= phase.first < after <= points + 1
        if not known or (phase.frozen_at and not phase.first <= phase.frozen_at < after):
            raise RequestError(
                "A phase begins at one of the {points:count point}, and its limits are frozen at a "
                "point of its own; this one begins at {first} and is frozen at {frozen}.",
                at=At(field="phase"),
                points=points,
                first=phase.first,
                frozen=phase.frozen_at or sentence("its end"),
            )
        if (phase.first > 1 or phase.frozen_at) and not phase.reason.strip():
            raise RequestError(
                "Note why the limits change or are frozen at point {point}.",
                at=At(field="phase"),
                point=phase.frozen_at or phase.first,
            )
    return made


def _bounds(phases: Sequence[Phase], points: int) -> list[tuple[int, int]]:
    edges = [*(phase.first - 1 for phase in phases), points]
    return list(pairwise(edges))


def _excluded(excluded: Sequence[Excluded], points: int) -> BoolArray:
    out = np.zeros(points, dtype=bool)
    for one in excluded:
        if not 1 <= one.point <= points:
            raise RequestError(
                "There is no point {point} to leave out; there are {points}.",
                at=At(field="exclude"),
                point=one.point,
                points=points,
            )
        if not one.reason.strip():
            text = "Note why point {point} is left out."
            raise RequestError(text, at=At(field="exclude"), point=one.point)
        out[one.point - 1] = True
    return out


def _slice(series: Series, first: int, last: int) -> Series:
    """Return the points of one phase."""
    if (first, last) == (0, series.point_count):
        return series
    edges = np.append(series.starts, len(series.values))
    low, high = int(edges[first]), int(edges[last])
    return Series(
        series.quantity,
        series.unit,
        series.values[low:high],
        series.starts[first:last] - low,
        sizes=series.sizes[low:high] if len(series.sizes) else series.sizes,
    )


def _panel(parts: Sequence[Part], unit: str) -> Panel:
    joined = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in ("values", "centre", "lower", "upper")
    }
    last = parts[-1]
    return Panel(
        last.name, unit, rules=last.names, run_length_count=last.run_length_count, **joined
    )


def _signals(
    parts: Sequence[Part],
    phases: Sequence[Phase],
    out: BoolArray,
    series: Series,
    *,
    since: bool,
) -> Iterator[Signal]:
    """Yield what each rule finds on one panel; rules begin again with each phase."""
    for name in parts[-1].names:
        points: list[int] = []
        for part, phase in zip(parts, phases, strict=True):
            at = np.arange(len(part.values)) + phase.first - 1
            asked = np.isfinite(part.values) & ~out[at]
            if part.name == STEPS:  # of two readings, so neither may be left out
                asked &= ~out[at - 1]
            # rounded: what lies on a limit does not lie outside it
            z = np.round(((part.values - part.centre) / part.sigma)[asked], 9)
            points += (at[asked][RULES[name].found(z)] + 1).tolist()
        if points:
            labels = tuple(series.label(point) for point in points) if series.labels else ()
            began = _began(parts, points) if since else 0
            yield Signal(parts[0].name, name, tuple(points), labels, began)


def _began(parts: Sequence[Part], points: Sequence[int]) -> int:
    """Return the point at which a mean or sum left its centre before its newest run.

    A run is of one side, of one phase, and fewer than `NEWEST` points lie between its signals.
    """
    begun = points[-1]
    before = accumulate((len(part.values) for part in parts), initial=0)
    floor = max(count for count in before if count < begun)  # points before the phase of the newest
    side = np.sign(np.concatenate([part.values - part.centre for part in parts]))
    for point in reversed(points):
        if begun - point > NEWEST or point <= floor or side[point - 1] != side[begun - 1]:
            break
        begun = point
    away = np.flatnonzero(side[floor : begun - 1] != side[begun - 1])
    return floor + (int(away[-1]) + 2 if len(away) else 1)


def _findings(chart: ControlChart) -> Iterator[Finding]:
    if chart.stable:
        text = "The process is stable: none of {points:count point} signals. Go on."
        if chart.few_points:
            text = (
                "None of {points:count point} signals, but limits from {few:count point} tell "
                "little: {then} {least} or more. Go on, and watch."
            )
        yield Finding(
            "chart",
            text,
            severity="note",
            points=chart.point_count - len(chart.excluded),
            few=chart.few_points,
            then=_until_enough(chart),
            least=FEW_POINTS,
        )
    else:
        yield _signals_said(chart)
        for signal in chart.signals:
            yield Finding("chart", "{said}", said=chart.signal_said(signal))
    if chart.signals_now:
        yield _made_since_said(chart)
    yield from _limits_said(chart)
    text = (
        "A stable process would be stopped for nothing once in {length:.0f} points on average, if "
        "the limits are right. Rules: {rules:list}."
    )
    if math.isinf(chart.run_length_count):
        text = (
            "So few pieces at a time can hardly signal by these rules ({rules:list}): look at more "
            "each time, or ask more rules."
        )
    yield Finding(
        "chart",
        text,
        severity="note",
        length=chart.run_length_count,
        rules=chart.panels[0].rules,
    )
    for phase in chart.phases:
        if phase.frozen_at or phase.first > 1 or phase.brought:
            yield _phase_said(phase)
    for one in chart.excluded:
        text = "Point {point} is left out: {reason}."
        reason = one.reason.rstrip(". ")
        yield Finding("chart", text, severity="note", point=one.point, reason=reason)
    if chart.few_points and not chart.stable:
        yield Finding(
            "chart",
            "The limits come from {few:count point}: {then} {least} or more.",
            severity="note",
            few=chart.few_points,
            then=_until_enough(chart),
            least=FEW_POINTS,
        )


def _signals_said(chart: ControlChart) -> Finding:
    """Say whether to stop for what signals, and whether chance would bring as much."""
    text = (
        "{hit:count point} of {points} {hit:plural signals|signal}{where}, and none of the "
        "newest {quiet}. {so}"
    )
    if chart.signals_now:
        text = (
            "The process is not stable: {hit:count point} of {points} "
            "{hit:plural signals|signal}{where}. Stop, and look for what changed there."
        )
    return Finding(
        "chart",
        text,
        quiet=chart.point_count - chart.hit[-1],
        hit=len(chart.hit),
        points=chart.point_count - len(chart.excluded),
        where=_where(chart),
        so=_chance_said(chart),
    )


def _chance_said(chart: ControlChart) -> Sentence:
    """Say whether chance brings what signals.

    A point of a chart that remembers holds those before it: a run of them counts as one there.
    """
    chance, far = chart.point_count / chart.run_length_count, _beyond_chance(chart)
    runs = chart.kind in _REMEMBER
    found = sum(point - 1 not in chart.hit for point in chart.hit) if runs else len(chart.hit)
    if far:
        text = (
            "Chance brings {far:plural point|points} {listed} so far out in fewer than one in a "
            "thousand such charts: go on, and find out what happened then."
        )
    elif not chance:
        text = "In a stable process no point would signal: go on, and find out what happened then."
    elif found > round(chance) == 0:
        text = (
            "In a stable process about one chart in {charts:.0f} of so many points has a signal: "
            "go on, and find out what happened then."
        )
    elif found > round(chance):
        text = (
            "That is more than chance brings, about {chance} of so many: go on, and find "
            "out what happened then."
        )
    else:
        text = "In a stable process about {chance} of so many would by chance: go on."
        if runs:
            text = "In a stable process so many bring about {chance} by chance: go on."
    expected = sentence("{n:count run}" if runs else "{n}", n=round(chance))
    return sentence(
        text,
        chance=expected,
        far=len(far),
        listed=numbers(far, _MOST_LISTED),
        charts=1.0 / chance if chance else math.inf,
    )


def _beyond_chance(chart: ControlChart) -> tuple[int, ...]:
    """Return the points outside the limits that chance brings hardly ever."""
    by_name = {panel.name: panel for panel in chart.panels}
    found: set[int] = set()
    for signal in chart.signals:
        panel = by_name[signal.panel]
        for point in signal.points if signal.rule == OUTSIDE else ():
            at = point - 1
            value, centre = float(panel.values[at]), float(panel.centre[at])
            if is_beyond_chance(
                chart.kind,
                panel.name,
                value,
                centre=centre,
                limit=float((panel.upper if value > centre else panel.lower)[at]),
                size=int(chart.point_sizes[at]),
                points=chart.point_count - len(chart.excluded),
                memory=chart.memory,
            ):
                found.add(point)
    return tuple(sorted(found))


def _until_enough(chart: ControlChart) -> str:
    """Return what is said of limits from few points, up to how many it takes."""
    last = chart.phases[-1]
    if last.frozen_at or last.brought:
        return "freeze them again from"
    return "they will move until there are"


def _where(chart: ControlChart) -> Sentence:
    """Return the newest point that signals, and where its run began; else the oldest one."""
    hit = chart.hit
    begun = _run_began(chart) if chart.signals_now else hit[0]
    first, last = (_named(chart, p) for p in (begun, hit[-1]))
    text = ", the newest at point {last}, the oldest at point {first}"
    if chart.signals_now:
        text = ", the newest at point {last}; the run up to it began about point {first}"
    if begun == hit[-1]:
        text = ", point {last}" if len(hit) == 1 else ", the newest at point {last}"
    return sentence(text, first=first, last=last)


def _named(chart: ControlChart, point: int) -> Sentence | str:
    if not chart.labels:
        return str(point)
    return sentence("{point} ({name})", point=point, name=chart.label(point))


def _made_since_said(chart: ControlChart) -> Finding:
    """Say what becomes of what was made since the change, which the chart does not judge."""
    return Finding(
        "chart",
        "What was made from point {first} on need not be bad: each is still judged by its own "
        "proof. If the cause may lie in the readings, such as a gauge that is off, read it again "
        "before it goes out.",
        first=_named(chart, _run_began(chart)),
    )


def _run_began(chart: ControlChart) -> int:
    """Return the point at which the run of signals up to the newest one began.

    Signals of one panel belong to one run where fewer than `NEWEST` points lie between them and
    none lies to the other side. A mean or sum that remembers tells where that was; else the pattern
    of the first one began as many points earlier as its rule looks at.
    """
    begun, side = chart.hit[-1], 0.0
    newest = [signal for signal in chart.signals if begun in signal.points]
    if newest[0].since:
        return min(signal.since for signal in newest)
    of_panel = [signal for signal in chart.signals if signal.panel == newest[0].panel]
    sides = _sides(chart, of_panel)
    for point in sorted(sides, reverse=True):
        if begun - point > NEWEST or side * sides[point] < 0.0:
            break
        begun, side = point, side or sides[point]
    return min(
        max(begun - RULES[signal.rule].count + 1, 1)
        for signal in of_panel
        if begun in signal.points
    )


def _sides(chart: ControlChart, of_panel: Sequence[Signal]) -> dict[int, float]:
    """Return to which side each point signals, 1 or -1; 0 where its rules ask for none."""
    panel = next(one for one in chart.panels if one.name == of_panel[0].panel)
    off = np.sign(panel.values - panel.centre)
    sides = dict.fromkeys((point for signal in of_panel for point in signal.points), 0.0)
    for signal in of_panel:
        if RULES[signal.rule].one_sided:
            sides |= {point: float(off[point - 1]) for point in signal.points}
    return sides


def _jumps_said(chart: ControlChart, signal: Signal) -> Sentence:
    """Return between which points a reading and the one before lie too far apart."""
    listed = signal.points[:_MOST_LISTED]
    text = "{before} to {point}"
    if chart.labels:
        text = "{before} to {point} ({first} and {last})"
    pairs = [
        sentence(text, before=p - 1, point=p, first=chart.label(p - 1), last=chart.label(p))
        for p in listed
    ]
    if more := len(signal.points) - len(listed):
        pairs.append(sentence("{more} more", more=more))
    return sentence("two readings in a row lie too far apart, point {pairs:list}", pairs=pairs)


def _outside_said(panel: Panel, signal: Signal) -> Sentence:
    """Return which points lie over the upper limit and which under the lower one."""
    over = [p for p in signal.points if panel.values[p - 1] > panel.centre[p - 1]]
    under = [p for p in signal.points if p not in set(over)]
    text = "{points:plural point|points} {listed} {points:plural lies|lie} {where} limit"
    parts = [
        sentence(text, points=len(some), listed=numbers(some, _MOST_LISTED), where=where)
        for some, where in ((over, "over the upper"), (under, "under the lower"))
        if some
    ]
    return sentence("{parts:list}", parts=parts)


def _limits_said(chart: ControlChart) -> Iterator[Finding]:
    """Say the limits that hold at the last point."""
    for panel in chart.panels:
        lower, upper = float(panel.lower[-1]), float(panel.upper[-1])
        text = "{panel}: centre {centre}, limits {lower} to {upper}."
        if math.isnan(lower):
            text = "{panel}: signals over {upper}."
        yield Finding(
            "chart",
            text,
            severity="note",
            panel=panel.name.capitalize(),
            centre=amount(float(panel.centre[-1]), panel.unit),
            lower=amount(lower, panel.unit),
            upper=amount(upper, panel.unit),
        )


def _phase_said(phase: Phase) -> Finding:
    reason = phase.reason.rstrip(". ")
    by = sentence(", noted by {person}", person=phase.person) if phase.person else ""
    if phase.brought:
        text = "From point {first} on the limits hold as they were frozen: {reason}{by}."
    elif phase.frozen_at:
        text = "The limits come from points {first} to {last}, frozen since: {reason}{by}."
    else:
        text = "New limits from point {first} on: {reason}{by}."
    return Finding(
        "chart",
        text,
        severity="note",
        first=phase.first,
        last=phase.frozen_at,
        reason=reason,
        by=by,
    )


def _few_points(kind: str, phases: Sequence[Phase], known: Known, out: BoolArray) -> int:
    """Return how few points the limits of the last phase come from; 0 where that is no matter."""
    last = phases[-1]
    told = math.isfinite(known.centre_level) and (
        kind in COUNTED or math.isfinite(known.sigma_level)
    )
    used = np.count_nonzero(~out[last.first - 1 : last.frozen_at or None])
    count = last.known_points if last.brought else 0 if told else int(used)
    return count if count < FEW_POINTS else 0
