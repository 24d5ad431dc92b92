"""Use cases of a production: is a process stable, and is it capable."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from operator import le
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.codec import plain
from evenfall.errors import At, ChangedError, Finding, Progress, RequestError, silent
from evenfall.instrument import Specification
from evenfall.pictures.inks import Theme
from evenfall.production import (
    Capability,
    ControlChart,
    Excluded,
    Phase,
    Series,
    Tolerance,
    control_chart,
)
from evenfall.production import capability as judge
from evenfall.production.capability import REQUIRED_INDEX
from evenfall.production.chart_kinds import COUNTED, Known, Memory, usual_kind
from evenfall.production.charts import FEW_POINTS, known_of
from evenfall.production.series import by_keys, consecutive
from evenfall.sheets import SheetFile, read_tidy
from evenfall.sheets.cells import FILE_LIMIT_BYTES, plain_name
from evenfall.sheets.tidy import TidyTable
from evenfall.units import LengthUnit
from evenfall.workshop.archive_readings import Filed
from evenfall.workshop.outputs import Shown

if TYPE_CHECKING:
    from evenfall.records.entries import ChartAct
    from evenfall.workshop.kept_charts import Act
    from evenfall.workshop.opening import Source

SHIFT_HOURS = (6, 14, 22)
"""Hours at which shifts begin where nobody says otherwise (common practice, no source)."""
TIMES = ("day", "week", "shift")
"""Factors that follow from the time of a reading."""


@dataclass(frozen=True, slots=True)
class ReadingsRequest:
    """Which readings of many instruments something is wanted of."""

    # sheet with a row for each reading, CSV or XLSX, or what an archive holds
    source: Source | Filed
    quantity: str = ""  # which of several quantities
    only: Mapping[str, str] = field(default_factory=dict)  # factors that must have a value
    # factors that a subgroup has in common; a new one begins wherever one of them changes
    subgroup: tuple[str, ...] = ()
    size: int = 0  # or readings of a subgroup, in a row; 0 for none
    shift_hours: tuple[int, ...] = SHIFT_HOURS  # at which shifts begin, by the clock on the wall

    def read(self, *, whole: bool = True) -> TidyTable:
        """Return the readings that are asked for; not `whole`, with what a chart asks of each.

        That is its instrument and what subgroups have in common: an archive has much more.
        """
        if isinstance(self.source, Filed):
            asked = ("serial", *(plain_name(name) for name in self.subgroup if name not in TIMES))
            return self.source.table(self.quantity, self.only, None if whole else asked)
        content = self.source.read(FILE_LIMIT_BYTES)
        table = read_tidy(SheetFile(self.source.name, content), quantity=self.quantity)
        for name, wanted in self.only.items():
            table = table.where(name, wanted)
        return table

    @property
    def about(self) -> str:
        """The factors asked for, for titles: "station B, model Kestrel, taken from the proof"."""
        words = {"document": "taken from the"} if isinstance(self.source, Filed) else {}
        return ", ".join(f"{words.get(name, name)} {wanted}" for name, wanted in self.only.items())


@dataclass(frozen=True, slots=True)
class ReadingsOutcome(Shown):
    """What readings of many instruments come to."""

    inch: bool  # whether the readings were written in inches
    findings_of_readings: tuple[Finding, ...]  # what is worth knowing about the sheet

    @property
    def unit(self) -> LengthUnit:
        """The unit that the readings were written in."""
        return "in" if self.inch else "mm"

    @property
    def findings_of_result(self) -> tuple[Finding, ...]:
        """What they come to, in words."""
        raise NotImplementedError

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What they come to, then what is worth knowing about the sheet."""
        return (*self.findings_of_result, *self.findings_of_readings)


@dataclass(frozen=True, slots=True)
class ChartRequest(ReadingsRequest):
    """Which control chart is wanted.

    Parameters
    ----------
    kind
        One of `evenfall.production.chart_kinds.KINDS`; by default from the readings.
    rules
        Names of run rules; the usual two by default.
    frozen
        Points after which the limits stay as they are, by number or name, with the reason.
    phases
        Points from which limits begin again, by number or name, with the reason.
    excluded
        Points that are left out, by number or name, with the reason.
    person
        Who noted the reasons.
    known
        Centre and standard deviation where they are known.
    memory
        How a chart that remembers does so.
    """

    kind: str = ""
    rules: tuple[str, ...] = ()
    frozen: Mapping[str, str] = field(default_factory=dict)
    phases: Mapping[str, str] = field(default_factory=dict)
    excluded: Mapping[str, str] = field(default_factory=dict)
    person: str = ""
    known: Known = field(default_factory=Known)
    memory: Memory = field(default_factory=Memory)


@dataclass(frozen=True, slots=True)
class ChartOutcome(ReadingsOutcome):
    """A control chart."""

    chart: ControlChart
    about: str  # which of the readings it is of
    table: TidyTable  # the readings, in the order of the points
    series: Series
    name: str = ""  # what the readings are called in an archive
    acts: tuple[Act, ...] = ()  # what persons did to the chart there

    def instruments(self, point: int) -> tuple[str, ...]:
        """Return the dossiers of the readings of a point, counted from 1; none of a sheet."""
        column = self.table.factors.get("dossier", ())
        last = self.series.starts[point] if point < len(self.series.starts) else len(column)
        return tuple(dict.fromkeys(column[self.series.starts[point - 1] : last]))

    @property
    def counts(self) -> tuple[str, ...]:
        """For each point what stands for it and those before it, in their order."""
        told, found = hashlib.sha256(), []
        for point, start in enumerate(self.series.starts.tolist(), start=1):
            told.update(f"{self.table.time[start]} {self.series.label(point)}\n".encode())
            found.append(told.hexdigest()[:16])
        return tuple(found)

    @property
    def findings_of_result(self) -> tuple[Finding, ...]:
        """What the chart says."""
        return self.chart.findings

    def values(self) -> dict[str, Any]:
        """Return the chart as plain values."""
        chart = self.chart
        return {
            "schema": "evenfall/chart@1",
            "about": self.about,
            "stable": chart.stable,
            "run_length_count": plain(chart.run_length_count),
            **plain(chart),
        }

    def drawings(self, unit: LengthUnit, theme: Theme) -> dict[str, Callable[[], str]]:
        """Return what draws the chart."""
        from evenfall.pictures.control_chart import control_chart_picture

        return {
            "control chart": lambda: control_chart_picture(
                self.chart, about=self.about, unit=unit, theme=theme
            )
        }


def chart(request: ChartRequest, progress: Progress = silent) -> ChartOutcome:
    r"""Find out whether a process is stable.

    Parameters
    ----------
    request
        The readings, and how they become a chart.
    progress
        Told what is being done and how far it is, 0 to 1; it may stop the work.

    Raises
    ------
    RequestError, ReadingsError
        The readings cannot be used or do not make this chart.

    Examples
    --------
    >>> from evenfall.workshop import Source
    >>> rows = "value,unit\n" + "".join(f"{0.2 + 0.01 * (n % 3)},mm\n" for n in range(24))
    >>> outcome = chart(ChartRequest(Source("relief.csv", rows.encode())))
    >>> outcome.chart.kind, outcome.findings[0].sentence
    ('individuals', 'The process is stable: none of 24 points signals. Go on.')
    """
    progress("Reading", 0.0)
    table = request.read(whole=False)
    table, series = series_of(table, request, counts=request.kind in COUNTED)
    kind = request.kind or usual_kind(series)
    progress("Drawing limits", 0.5)
    phases = _phases(series, request)
    excluded = [Excluded(_point(series, at), why) for at, why in request.excluded.items()]
    name = ""
    acts: tuple[Act, ...] = ()
    if isinstance(request.source, Filed):
        from evenfall.workshop.kept_charts import acts_on, chart_name, left_out, stretches

        name = chart_name(table.quantity, table.factor("document")[0], request)
        acts = acts_on(request.source.archive, name)
        out = left_out(acts, table, series)
        if not (request.frozen or request.phases):
            held, before = stretches(acts, table, series)
            phases, out = list(held), (*out, *before)
        there = {one.point for one in excluded}
        excluded += [one for one in out if one.point not in there]
    made = control_chart(
        series,
        kind,
        rules=request.rules,
        phases=phases,
        excluded=excluded,
        known=request.known,
        memory=request.memory,
    )
    return ChartOutcome(table.inch, table.findings, made, request.about, table, series, name, acts)


def act_on_chart(
    request: ChartRequest,
    act: ChartAct,
    point: str,
    reason: str,
    *,
    since: str = "",
    counted: str = "",
) -> None:
    """File what a person does to a chart over an archive: freeze, begin again or leave out.

    With `since` it is refused where the chart no longer has that version; with `counted`, the last
    of the `counts` of the chart that was seen, a point is taken by its number only where the points
    of that chart have the same numbers now and it is one of them.
    """
    from evenfall.workshop.kept_charts import act_on, asked_of, begun_at

    if not isinstance(request.source, Filed):
        raise RequestError("Only a chart over an archive keeps what is done to it.")
    shown = chart(request)
    at, count = _point(shown.series, point), len(shown.series.starts)
    known = shown.counts[min(max(at, 1), count) - 1 :] if counted else ("",)
    if counted not in known and point not in shown.series.labels:
        raise ChangedError(
            "Readings were filed or corrected since this page was made, and numbers may stand for "
            "other points. Load the chart again, or give the name of the point.",
            at=At(field="point"),
        )
    if not 1 <= at <= count:
        text = "This chart has points 1 to {count}; {named} is none of them."
        raise RequestError(text, at=At(field="point"), count=count, named=point)
    facts: dict[str, object] = {
        "act": act,
        "point": shown.series.label(at),
        "at": shown.table.time[int(shown.series.starts[at - 1])],
        "reason": reason.strip(),
        "asked": asked_of(shown.table.quantity, shown.table.factor("document")[0], request),
    }
    if act == "left out" and not any(phase.brought for phase in shown.chart.phases):
        left = [*shown.chart.excluded, Excluded(at, reason.strip() or act)]
        control_chart(shown.series, shown.chart.kind, excluded=left)  # whether it can be without
    if act == "frozen":
        begun = begun_at(shown.acts, shown.table, shown.series)
        firsts = {*begun, *(phase.first for phase in shown.chart.phases)}
        first = max(n for n in firsts if n <= at)
        out = sum(first <= one.point <= at for one in shown.chart.excluded)
        points = at - first + 1 - out
        if points < FEW_POINTS:
            raise RequestError(
                "Limits are frozen from {least} points or more, and up to {named} there are "
                "{points}; name a later point, or wait until there are more.",
                at=At(field="point"),
                least=FEW_POINTS,
                named=point,
                points=points,
            )
        frozen = control_chart(
            shown.series,
            usual_kind(shown.series),
            phases=[Phase(1, at, reason or "frozen")],
            excluded=[
                *shown.chart.excluded,
                *(Excluded(n, "before these limits") for n in range(1, first)),
            ],
        )
        level = known_of(frozen)
        facts |= {
            "centre_level": level.centre_level,
            "sigma_level": level.sigma_level,
            "points": points,
        }
    act_on(request.source.archive, shown.name, facts, person=request.person, since=since)


@dataclass(frozen=True, slots=True)
class CapabilityRequest(ReadingsRequest):
    """Whose capability is wanted.

    Parameters
    ----------
    tolerance
        The limits [mm, or the unit of the readings].
    family
        One of `evenfall.production.fits.FAMILIES`; by default from the readings.
    required_index
        What is asked of the index.
    uncertainty_level
        Standard uncertainty of one reading, in the unit of the readings; NaN if not known.
    """

    tolerance: Tolerance | None = None
    family: str = ""
    required_index: float = REQUIRED_INDEX
    uncertainty_level: float = math.nan


@dataclass(frozen=True, slots=True)
class CapabilityOutcome(ReadingsOutcome):
    """What a process is capable of."""

    made: Capability
    about: str  # which of the readings it is of
    table: TidyTable  # the readings, in the order of the points

    @property
    def outside(self) -> tuple[tuple[str, str], ...]:
        """Dossier and serial of each reading outside the limits, the newest first."""
        low, high = self.made.tolerance.lower_level, self.made.tolerance.upper_level
        hit = np.flatnonzero((self.made.values < low) | (self.made.values > high))[::-1]
        columns = [self.table.factors.get(name, ()) for name in ("dossier", "serial")]
        return tuple((columns[0][n], columns[1][n]) for n in hit.tolist()) if all(columns) else ()

    @property
    def findings_of_result(self) -> tuple[Finding, ...]:
        """What it comes to."""
        return self.made.findings

    def values(self) -> dict[str, Any]:
        """Return the result as plain values; the readings stay in their sheet."""
        made, fit = self.made, self.made.fit
        return {
            "schema": "evenfall/capability@1",
            "about": self.about,
            "quantity": made.quantity,
            "unit": made.unit,
            "count": len(made.values),
            "tolerance": plain(made.tolerance),
            "stable": made.stable,
            "verdict": made.verdict,
            "required_index": made.required_index,
            "mean": made.centre,
            "standard_deviation_within": made.within_level,
            "standard_deviation": made.sigma,
            "indices": plain(made.indices),
            "fit": {
                "family": fit.family,
                "anderson_darling": plain(fit.distance_factor),
                "chance": plain(fit.chance),
                "percentiles": [fit.low_level, fit.middle_level, fit.high_level],
            },
            "outside_count": made.outside_count,
            "outside_share": made.outside_share,
            "uncertainty_share": plain(made.uncertainty_share),
        }

    def drawings(self, unit: LengthUnit, theme: Theme) -> dict[str, Callable[[], str]]:
        """Return what draws the readings between their limits, and the chart."""
        from evenfall.pictures.capability import capability_picture
        from evenfall.pictures.control_chart import control_chart_picture

        return {
            "capability": lambda: capability_picture(
                self.made, about=self.about, unit=unit, theme=theme
            ),
            "control chart": lambda: control_chart_picture(
                self.made.chart, about=self.about, unit=unit, theme=theme
            ),
        }


def capability(request: CapabilityRequest, progress: Progress = silent) -> CapabilityOutcome:
    r"""Find out whether what a process makes keeps within its limits.

    Parameters
    ----------
    request
        The readings and the limits.
    progress
        Told what is being done and how far it is, 0 to 1; it may stop the work.

    Returns
    -------
    CapabilityOutcome
        Stability, indices with confidence limits, and the distribution they rest on.

    Raises
    ------
    RequestError, ReadingsError
        The readings cannot be used, or no limit is given.

    Examples
    --------
    >>> from evenfall.workshop import Source
    >>> rows = "value,unit\n" + "".join(f"{1.5 + 0.01 * (n * 7 % 11)},mm\n" for n in range(40))
    >>> limits = Tolerance(1.4, 1.7)
    >>> request = CapabilityRequest(Source("action.csv", rows.encode()), tolerance=limits)
    >>> capability(request).made.verdict
    'undecided'
    """
    progress("Reading", 0.0)
    table = request.read(whole=False)
    progress("Judging", 0.5)
    return capability_of(table, request)


def capability_of(table: TidyTable, request: CapabilityRequest) -> CapabilityOutcome:
    """Return what a process is capable of by readings that were read already."""
    table, series = series_of(table, request)
    made = judge(
        series,
        request.tolerance or Tolerance(),
        family=request.family,
        required_index=request.required_index,
        uncertainty_level=request.uncertainty_level,
    )
    return CapabilityOutcome(table.inch, table.findings, made, request.about, table)


def tolerance_of(specification: Specification, quantity: str) -> Tolerance:
    """Return the limits that a specification sets to a quantity [mm]."""
    target = specification.target
    limits = {
        "relief": target.relief,
        "action of string 1": target.action[0],
        "action of the lowest string": target.action[-1],
    }
    if quantity in limits:
        return Tolerance(limits[quantity].minimum_mm, limits[quantity].maximum_mm)
    if quantity == "lowest crown":
        return Tolerance(specification.fretwire.least_crown_height_mm)
    if quantity == "fret life":
        return Tolerance(0.0)
    raise RequestError(
        "The specification sets no limit to {quantity:quoted}; type the limits.", quantity=quantity
    )


def series_of(
    table: TidyTable, request: ReadingsRequest, *, counts: bool = False
) -> tuple[TidyTable, Series]:
    """Return readings gathered into points, and the table in the order of the points."""
    if request.subgroup and request.size:
        raise RequestError(
            "Subgroups are readings that have a factor in common, or so many in a row; name one of "
            "the two.",
            at=At(field="subgroup"),
        )
    labels = table.factors.get("serial") or table.time
    if request.subgroup:
        table, keys = _gathered(table, request)
        starts = by_keys(keys)
        labels = tuple(" ".join(keys[n]) for n in starts.tolist())
    else:
        starts = consecutive(len(table.value), request.size or 1)
        labels = tuple(labels[n] for n in starts.tolist()) if labels else ()
    return table, Series(
        table.quantity,
        table.unit,
        table.value,
        starts,
        labels,
        table.sizes if counts else np.zeros(0),
    )


def _gathered(
    table: TidyTable, request: ReadingsRequest
) -> tuple[TidyTable, list[tuple[str, ...]]]:
    """Return readings and the key of the subgroup of each.

    Of a day, week or shift all readings that have the rest in common go together, though others
    were read between them.
    """
    names = request.subgroup
    keys = list(zip(*(factor_of(table, name, request.shift_hours) for name in names), strict=True))
    if not set(names) & set(TIMES):
        return table, keys
    first: dict[tuple[str, ...], int] = {}
    for key in keys:
        first.setdefault(key, len(first))
    places = [first[key] for key in keys]
    if all(map(le, places, places[1:])):  # nothing was read between
        return table, keys
    order = np.argsort(places, kind="stable").tolist()
    return table.taken(order), [keys[n] for n in order]


def factor_of(table: TidyTable, name: str, hours: Sequence[int]) -> tuple[str, ...]:
    """Return a factor of each reading, or what follows from its time."""
    if name not in TIMES or name in table.factors:
        return table.factor(name)
    if not table.time:
        raise RequestError(
            "The readings have no time, so they cannot be gathered by {name}.",
            at=At(field="subgroup"),
            name=name,
        )
    try:
        return _whens(table.time, name, sorted(hours))
    except (ValueError, OverflowError):
        raise RequestError(
            "The times are not days, so the readings cannot be gathered by {name}.",
            at=At(field="subgroup"),
            name=name,
        ) from None


def _whens(times: Sequence[str], name: str, hours: Sequence[int]) -> tuple[str, ...]:
    """Return `_when` of each; of times as an archive keeps them once for a quarter of an hour.

    No clock of today is off from UTC by a part of that, nor changes within one, so no day or shift
    begins within one.
    """
    known: dict[str, str] = {}
    made = []
    for text in times:
        quarter = text
        if text[-1:] == "Z" and text[13:14] == ":" and text > _TODAYS_CLOCKS:
            quarter = text[:14] + _QUARTERS.get(text[14:16], text)
        if (when := known.get(quarter)) is None:
            when = known[quarter] = _when(text, name, hours)
        made.append(when)
    return tuple(made)


_QUARTERS = {f"{minute:02}": str(minute // 15) for minute in range(60)}
_TODAYS_CLOCKS = "2023"
"""From then on: before, a few clocks changed at a minute past the hour (IANA time zones)."""


def _when(text: str, name: str, hours: Sequence[int]) -> str:
    """Return day, week (ISO 8601) or shift of a time, by the clock of this machine.

    `hours` are those at which shifts begin, the first one first.
    """
    at = datetime.fromisoformat(text)
    at = at.astimezone() if at.tzinfo else at
    if name == "day":
        return at.date().isoformat()
    if name == "week":
        year, week, _ = at.isocalendar()
        return f"{year}-W{week:02}"
    begun = [hour for hour in hours if hour <= at.hour]
    if not begun:  # the last one of the day before
        at -= timedelta(days=1)
    return f"{at.date().isoformat()} {(begun or hours)[-1]:02}:00"


_DIGITS = 10
"""More digits than the number of any point has."""


def _point(series: Series, named: str) -> int:
    """Return the number of a point that is named by its number or by its label."""
    if named in series.labels:
        at = [n for n, label in enumerate(series.labels, start=1) if label == named]
        if len(at) == 1:
            return at[0]
        text = "{count} points are named {named:quoted}; give one of the numbers {points:numbers}."
        raise RequestError(text, at=At(field="point"), count=len(at), named=named, points=at)
    if named.isascii() and named.isdecimal() and len(named) < _DIGITS:
        return int(named)
    raise RequestError(
        "No point is named {named:quoted}; give its number, or its name as on the chart.",
        at=At(field="point"),
        named=named,
    )


def _phases(series: Series, request: ChartRequest) -> list[Phase]:
    """Return the phases, each with the point at which its limits are frozen."""
    begun = {_point(series, at): why for at, why in request.phases.items()}
    begun.setdefault(1, "")
    frozen = {_point(series, at): why for at, why in request.frozen.items()}
    firsts = sorted(begun)
    made = []
    for first, after in zip(firsts, [*firsts[1:], series.point_count + 1], strict=True):
        inside = [point for point in frozen if first <= point < after]
        if len(inside) > 1:
            raise RequestError(
                "The limits of one phase are frozen once, not at points {points:numbers}.",
                at=At(field="frozen"),
                points=sorted(inside),
            )
        at = inside[0] if inside else 0
        reasons = [why for why in (begun[first], frozen.get(at, "")) if why]
        made.append(Phase(first, at, "; ".join(reasons), request.person))
    return made
