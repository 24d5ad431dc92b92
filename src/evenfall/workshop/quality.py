"""Use cases of a production: is a process stable, and is it capable."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.codec import plain
from evenfall.errors import At, Finding, Progress, RequestError, silent
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
from evenfall.production.series import by_keys, consecutive
from evenfall.sheets import SheetFile, read_tidy
from evenfall.sheets.cells import FILE_LIMIT_BYTES
from evenfall.workshop.outputs import Shown

if TYPE_CHECKING:
    from evenfall.pictures.inks import Theme
    from evenfall.sheets.tidy import TidyTable
    from evenfall.units import LengthUnit
    from evenfall.workshop.opening import Source


@dataclass(frozen=True, slots=True)
class ReadingsRequest:
    """Which readings of many instruments something is wanted of."""

    source: Source  # sheet with a row for each reading, CSV or XLSX
    quantity: str = ""  # which of several quantities
    only: Mapping[str, str] = field(default_factory=dict)  # factors that must have a value
    # factors that a subgroup has in common; a new one begins wherever one of them changes
    subgroup: tuple[str, ...] = ()
    size: int = 0  # or readings of a subgroup, in a row; 0 for none

    def read(self) -> TidyTable:
        """Return the readings that are asked for."""
        content = self.source.read(FILE_LIMIT_BYTES)
        table = read_tidy(SheetFile(self.source.name, content), quantity=self.quantity)
        for name, wanted in self.only.items():
            table = table.where(name, wanted)
        return table

    @property
    def about(self) -> str:
        """The factors asked for, for titles: "station B, model Kestrel"."""
        return ", ".join(f"{name} {wanted}" for name, wanted in self.only.items())


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
            "run_length_count": chart.run_length_count,
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

    Returns
    -------
    ChartOutcome
        The chart.

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
    table = request.read()
    series = series_of(table, request, counts=request.kind in COUNTED)
    kind = request.kind or usual_kind(series)
    progress("Drawing limits", 0.5)
    made = control_chart(
        series,
        kind,
        rules=request.rules,
        phases=_phases(series, request),
        excluded=[Excluded(_point(series, at), why) for at, why in request.excluded.items()],
        known=request.known,
        memory=request.memory,
    )
    return ChartOutcome(table.inch, table.findings, made, request.about)


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
    table = request.read()
    progress("Judging", 0.5)
    made = judge(
        series_of(table, request),
        request.tolerance or Tolerance(),
        family=request.family,
        required_index=request.required_index,
        uncertainty_level=request.uncertainty_level,
    )
    return CapabilityOutcome(table.inch, table.findings, made, request.about)


def series_of(table: TidyTable, request: ReadingsRequest, *, counts: bool = False) -> Series:
    """Return the readings of a sheet gathered into points."""
    if request.subgroup and request.size:
        raise RequestError(
            "Subgroups are readings that have a factor in common, or so many in a row; name one of "
            "the two.",
            at=At(field="subgroup"),
        )
    labels = table.factors.get("serial") or table.time
    if request.subgroup:
        keys = list(zip(*(table.factor(name) for name in request.subgroup), strict=True))
        starts = by_keys(keys)
        labels = tuple(" ".join(keys[n]) for n in starts.tolist())
    else:
        starts = consecutive(len(table.value), request.size or 1)
        labels = tuple(labels[n] for n in starts.tolist()) if labels else ()
    return Series(
        table.quantity,
        table.unit,
        table.value,
        starts,
        labels,
        table.sizes if counts else np.zeros(0),
    )


def _point(series: Series, named: str) -> int:
    """Return the number of a point that is named by its number or by its label."""
    if named in series.labels:
        at = [n for n, label in enumerate(series.labels, start=1) if label == named]
        if len(at) == 1:
            return at[0]
        text = "{count} points are named {named:quoted}; give one of the numbers {points:numbers}."
        raise RequestError(text, at=At(field="point"), count=len(at), named=named, points=at)
    if named.isascii() and named.isdecimal():
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
