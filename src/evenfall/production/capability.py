"""Capability and performance: whether what a process makes keeps within its limits.

Indices are those of ISO 22514-2. Capability (Cp, Cpk) speaks of the spread within points and only
of a stable process; performance (Pp, Ppk) of all readings as they are. Where the readings are not
normal the reference interval holds the same 99.73 % of a fitted distribution.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import special

from evenfall.arrays import FloatArray, shut
from evenfall.errors import At, Finding, RequestError
from evenfall.production.chart_kinds import usual_kind
from evenfall.production.charts import FEW_POINTS, ControlChart, control_chart
from evenfall.production.constants import c4, d2, d3, range_chance
from evenfall.production.enough import content_factor
from evenfall.production.fits import FAMILIES, FITS_BADLY, Fit, best_fit, fitted
from evenfall.production.run_rules import streak
from evenfall.production.series import (
    Series,
    amount,
    check_known,
    check_limits,
    deviation_of,
    mean_of,
)
from evenfall.wording import Sentence, sentence

CONTENT = 0.99
"""Share of all readings that a stated interval holds."""

REQUIRED_INDEX = 1.33
"""What is asked of an index where nothing else was agreed (common practice, no source)."""

_OFF_SHARE = 0.1
"""A mean further off the middle, as a share of half the width, is worth moving. (Our choice.)"""

_FEW_READINGS = 30
_LEVEL = 0.95


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Between which values a reading conforms; NaN where there is no limit."""

    lower_level: float = math.nan  # limits
    upper_level: float = math.nan
    bound_level: float = math.nan  # value that cannot be gone under, such as zero for a runout

    def __post_init__(self) -> None:
        check_limits(self.lower_level, self.upper_level)


@dataclass(frozen=True, slots=True)
class Index:
    """One index with its 95 % confidence limits; NaN where they are not known."""

    name: str  # Cp, Cpk, Pp or Ppk
    value_index: float
    low_index: float
    high_index: float


@dataclass(frozen=True, slots=True, eq=False)
class Capability:
    """What a process is capable of.

    Parameters
    ----------
    quantity, unit
        What was read, and the unit of every value.
    values
        The readings, shape (readings,).
    tolerance
        The limits.
    required_index
        What is asked of the index that decides.
    chart
        The control chart that says whether the process is stable.
    centre, within_level, sigma
        Mean, standard deviation within points, and standard deviation of all readings.
    fit
        The distribution that the performance is judged by.
    indices
        Cp and Cpk where the process is stable and normal, Pp and Ppk where a distribution fits.
    uncertainty_level
        Standard uncertainty of one reading; NaN if not known.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> values = 8.0 + np.round(rng.normal(0.0, 0.1, 50), 3)
    >>> made = capability(Series("action", "mm", values), Tolerance(7.5, 8.5))
    >>> [index.name for index in made.indices], made.verdict
    (['Cp', 'Cpk', 'Pp', 'Ppk'], 'capable')
    """

    quantity: str
    unit: str
    values: FloatArray
    tolerance: Tolerance
    required_index: float
    chart: ControlChart
    centre: float
    within_level: float
    sigma: float
    fit: Fit
    indices: tuple[Index, ...]
    uncertainty_level: float

    def __post_init__(self) -> None:
        shut(self)

    def index(self, name: str) -> Index | None:
        """Return an index by name; None where it is not given."""
        return next((one for one in self.indices if one.name == name), None)

    @property
    def deciding(self) -> Index | None:
        """The index that decides: Cpk of a stable process, else Ppk."""
        return self.index("Cpk") or self.index("Ppk")

    @property
    def verdict(self) -> str:
        """What can be said: capable, not capable or undecided.

        A process of so few points that nobody can call it stable is never capable.
        """
        index = self.deciding
        if index is None or not self.stable:
            return "undecided"
        low = index.value_index if math.isnan(index.low_index) else index.low_index
        high = index.value_index if math.isnan(index.high_index) else index.high_index
        if low >= self.required_index and not self.chart.few_points:
            return "capable"
        return "not capable" if high < self.required_index else "undecided"

    @property
    def remedy(self) -> Sentence:
        """What to change where the process is not capable: its spread, its middle, or both."""
        lower, upper = self.tolerance.lower_level, self.tolerance.upper_level
        both = self.index("Cp") or self.index("Pp")
        text = "Make instruments less different, or move their middle away from the nearer limit"
        if both is not None and self.fit.family == "normal" and math.isfinite(upper - lower):
            off = abs(2.0 * self.centre - lower - upper) / (upper - lower)
            text = (
                "The middle is near enough, the spread too wide: find what makes instruments differ"
            )
            if both.value_index >= self.required_index:
                text = "The spread would do, the middle is off: move it from {mean} to {middle}"
            elif off > _OFF_SHARE:
                text = (
                    "The spread is too wide and the middle is off: move it from {mean} to "
                    "{middle}, and find what makes instruments differ"
                )
        then = (
            "{what}. Until {index} is over {required:.2f} check each instrument; the work need not "
            "stop."
        )
        if self.hopeless:
            then = "{what}. Stop until that is done: most instruments lie outside the limits."
        return sentence(
            then,
            index=self.deciding.name if self.deciding else "Cpk",
            required=self.required_index,
            what=sentence(
                text,
                mean=amount(self.centre, self.unit),
                middle=amount(0.5 * (lower + upper), self.unit),
            ),
        )

    @property
    def hopeless(self) -> bool:
        """Whether the middle lies outside the limits, and so most of what is made."""
        return self.deciding is not None and self.deciding.value_index <= 0.0

    @property
    def stable(self) -> bool:
        """Whether what the chart shows may well be chance, see `steady`."""
        return steady(self.chart)

    @property
    def outside_count(self) -> int:
        """How many readings lie outside the limits."""
        low, high = self.tolerance.lower_level, self.tolerance.upper_level
        return int(np.count_nonzero((self.values < low) | (self.values > high)))

    @property
    def outside_share(self) -> float:
        """The share that the fitted distribution has outside the limits."""
        low, high = self.tolerance.lower_level, self.tolerance.upper_level
        under = self.fit.under(low) if math.isfinite(low) else 0.0
        return under + (self.fit.over(high) if math.isfinite(high) else 0.0)

    @property
    def uncertainty_share(self) -> float:
        """The share of measurement in the variance of the readings; NaN if not known."""
        return (self.uncertainty_level / self.sigma) ** 2

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What it comes to: stability first, then the verdict."""
        return tuple(_findings(self))


def capability(
    series: Series,
    tolerance: Tolerance,
    *,
    family: str = "",
    required_index: float = REQUIRED_INDEX,
    uncertainty_level: float = math.nan,
) -> Capability:
    """Return what a process is capable of.

    Parameters
    ----------
    series
        The readings, gathered into points, in the order of time.
    tolerance
        The limits.
    family
        One of `FAMILIES`; by default normal where that fits, else what fits best.
    required_index
        What is asked of the index that decides.
    uncertainty_level
        Standard uncertainty of one reading, in the unit of the readings.

    Returns
    -------
    Capability
        Indices with confidence limits, and the chart that says whether the process is stable.

    Raises
    ------
    RequestError
        The readings do not vary, are too few, or lie under their natural bound.

    Examples
    --------
    >>> made = capability(Series("gap", "mm", np.array([1.0, 1.2, 0.9, 1.1])), Tolerance(0.5, 1.5))
    >>> made.stable
    True
    """
    values = series.values
    if len(values) < 2:
        raise RequestError("One reading says nothing about the spread of a process.")
    centre, overall = mean_of(values), deviation_of(values)
    chart = control_chart(series, usual_kind(series))
    within, freedom = _within(series, chart)
    fit = _fit(values, tolerance, family)
    if fit.family != "normal" and chart.kind == "individuals":
        # limits of single readings are those of normal ones: skew ones are made so by the fit
        scores = special.ndtri(np.clip(fit.distribution.cdf(values), 1e-12, 1.0 - 1e-12))
        name = f"normal score of {series.quantity}"
        chart = control_chart(Series(name, "", scores, labels=series.labels), "individuals")
    indices: list[Index] = []
    if steady(chart) and fit.family == "normal" and not fit.chance < FITS_BADLY:
        indices += normal_indices(
            centre,
            within,
            tolerance,
            degrees_of_freedom=freedom,
            count=len(values),
            names=("Cp", "Cpk"),
        )
    if not fit.chance < FITS_BADLY:
        if fit.family == "normal":
            indices += normal_indices(
                centre, overall, tolerance, degrees_of_freedom=len(values) - 1.0, count=len(values)
            )
        else:
            indices += _by_percentiles(fit, tolerance)
    return Capability(
        series.quantity,
        series.unit,
        values,
        tolerance,
        required_index,
        chart,
        centre,
        within,
        overall,
        fit,
        tuple(indices),
        uncertainty_level,
    )


def normal_indices(
    centre: float,
    sigma: float,
    tolerance: Tolerance,
    *,
    degrees_of_freedom: float,
    count: int,
    names: tuple[str, str] = ("Pp", "Ppk"),
) -> list[Index]:
    """Return both indices of a normal process with 95 % confidence limits.

    The first has those of the chi-squared distribution; the second those of A. F. Bissell, Appl.
    Stat. 39 (1990) 331. The degrees of freedom are those of the standard deviation.
    """
    lower, upper = tolerance.lower_level, tolerance.upper_level
    low = lower if math.isfinite(lower) else tolerance.bound_level
    made = []
    tail = 0.5 * (1.0 - _LEVEL)
    if math.isfinite(low) and math.isfinite(upper):
        first = (upper - low) / (6.0 * sigma)
        ends = special.chdtri(degrees_of_freedom, np.array([1.0 - tail, tail])) / degrees_of_freedom
        made.append(Index(names[0], first, *(first * float(e) for e in np.sqrt(ends))))
    sides = [(upper - centre) / (3.0 * sigma), (centre - lower) / (3.0 * sigma)]
    second = min(side for side in sides if math.isfinite(side))
    wide = float(special.ndtri(1.0 - tail)) * math.sqrt(
        1.0 / (9.0 * count) + second * second / (2.0 * degrees_of_freedom)
    )
    made.append(Index(names[1], second, second - wide, second + wide))
    return made


def _by_percentiles(fit: Fit, tolerance: Tolerance) -> list[Index]:
    """Return both indices of a fitted distribution, by its percentiles."""
    lower, upper = tolerance.lower_level, tolerance.upper_level
    low = lower if math.isfinite(lower) else tolerance.bound_level
    made = []
    if math.isfinite(low) and math.isfinite(upper):
        first = (upper - low) / (fit.high_level - fit.low_level)
        made.append(Index("Pp", first, math.nan, math.nan))
    sides = [
        (upper - fit.middle_level) / (fit.high_level - fit.middle_level),
        (fit.middle_level - lower) / (fit.middle_level - fit.low_level),
    ]
    second = min(side for side in sides if math.isfinite(side))
    return [*made, Index("Ppk", second, math.nan, math.nan)]


def steady(chart: ControlChart) -> bool:
    """Say whether a whole chart may be that of a stable process.

    Among many points of a stable process some signal. Here the furthest point, the longest run on
    one side and the widest range are each asked how often one of so many would be as far out, and
    the sums of the deviations from the mean how often they would wander as far (Kolmogorov's
    distribution). All together are wrong in about one of a hundred stable processes.
    """
    first, spread = chart.panels
    n = chart.point_count
    z = (3.0 * (first.values - first.centre) / (first.upper - first.centre))[
        np.isfinite(first.values)
    ]
    tails = [2.0 * float(special.ndtr(-np.abs(z).max()))]
    tails.append(0.5 ** int(np.maximum(streak(z > 0.0), streak(z < 0.0)).max()))
    wide = 3.0 * (spread.values - spread.centre) / (spread.upper - spread.centre)
    if np.isfinite(wide).any():
        at = int(np.nanargmax(wide))
        size = 2 if chart.kind == "individuals" else int(chart.point_sizes[at])
        if chart.kind == "xbar-s":
            most = (size - 1) * (spread.values[at] / spread.centre[at] * c4(size)) ** 2
            tails.append(float(special.gammaincc((size - 1) / 2.0, most / 2.0)))
        else:
            ratio = float(spread.values[at] / spread.centre[at] * d2(size))
            tails.append(1.0 - float(range_chance(size, np.array(ratio))))
    sums = np.cumsum(z - z.mean())
    wandered = float(special.kolmogorov(np.abs(sums).max() / math.sqrt(len(z))))
    return (len(tails) + 1) * min(n * min(tails), wandered) >= 0.01


def _within(series: Series, chart: ControlChart) -> tuple[float, float]:
    """Return the standard deviation within points and its degrees of freedom."""
    spread = chart.panels[1]
    if chart.kind == "individuals":
        sigma = float(spread.centre[0]) / d2(2)
        # variance of a mean moving range: Cryer & Ryan, J. Qual. Technol. 22 (1990) 187 (from
        # memory)
        return sigma, max((len(series.values) - 1.0) / (2.0 * 0.826), 1.0)
    sizes = series.point_sizes[series.point_sizes > 1]
    n = int(series.point_sizes[0])
    if chart.kind == "xbar-s":
        return float(spread.centre[0]) / c4(max(n, 2)), float((sizes - 1).sum())
    worth = sum(0.5 * (d2(int(size)) / d3(int(size))) ** 2 for size in sizes)
    return float(spread.centre[0]) / d2(max(n, 2)), worth


def _fit(values: FloatArray, tolerance: Tolerance, family: str) -> Fit:
    bound = tolerance.bound_level if math.isfinite(tolerance.bound_level) else 0.0
    if not family:
        return best_fit(values, bound_level=bound)
    check_known("distribution", family, FAMILIES, field="fit")
    if family != "normal" and float(values.min()) <= bound:
        raise RequestError(
            "A reading of {lowest:g} is not over the natural bound {bound:g}, so {name} does not "
            "fit; give another bound.",
            at=At(field="fit"),
            lowest=float(values.min()),
            bound=bound,
            name=FAMILIES[family][0],
        )
    return fitted(values, family, bound_level=bound)


def _findings(made: Capability) -> Iterator[Finding]:
    hit = len(made.chart.hit)
    if made.stable:
        text = "The process is stable: none of {points:count point} signals."
        if hit:
            text = (
                "The process counts as stable: {hit} of {points:count point} {hit:plural "
                "signals|signal}, no more than chance gives."
            )
        if made.chart.few_points:
            text = (
                "{hit} of {points:count point} {hit:plural signals|signal}, "
                "but so few tell little of whether the process is stable."
            )
        yield Finding("capability", text, severity="note", points=made.chart.point_count, hit=hit)
    else:
        yield Finding(
            "capability",
            "The process is not stable, so no index says what it will do: Pp and Ppk tell what it "
            "did. Look at the control chart, find what changed, and judge again.",
        )
    yield from _verdict(made)
    for index in made.indices:
        if math.isnan(index.low_index):
            text = "{name} {value:.2f}."
        else:
            text = "{name} {value:.2f} (95 % confidence {low:.2f} to {high:.2f})."
        yield Finding(
            "capability",
            text,
            severity="note",
            name=index.name,
            value=index.value_index,
            low=index.low_index,
            high=index.high_index,
        )
    yield from _fit_said(made)
    parts = 1e6 * made.outside_share
    fitted_has: Sentence | str = ""
    if not made.fit.chance < FITS_BADLY:
        text = " The fitted distribution has {parts:.0f} in a million outside, one in {every:.0f}."
        if parts < 1.0:
            text = " The fitted distribution has less than one in a million outside."
        every = 1e6 / parts if parts > 0.0 else math.nan
        fitted_has = sentence(text, parts=parts, every=every)
    yield Finding(
        "capability",
        "Outside the limits: {outside} of {count:count reading}. Mean {centre}, standard deviation "
        "{sigma}.{fitted}",
        severity="note",
        outside=made.outside_count,
        count=len(made.values),
        centre=amount(made.centre, made.unit),
        sigma=amount(made.sigma, made.unit),
        fitted=fitted_has,
    )
    if made.stable and made.fit.family == "normal" and not made.fit.chance < FITS_BADLY:
        wide = content_factor(len(made.values), CONTENT, _LEVEL) * made.sigma
        yield Finding(
            "capability",
            "Expect {content:share} of all readings of such a process between {low} and {high} "
            "({sure:share} confidence).",
            severity="note",
            sure=_LEVEL,
            content=CONTENT,
            low=amount(made.centre - wide, made.unit),
            high=amount(made.centre + wide, made.unit),
        )
    if math.isfinite(made.uncertainty_level):
        yield _uncertainty_said(made)
    if len(made.values) < _FEW_READINGS:
        yield Finding(
            "capability",
            "{count:count reading} say little about one in a thousand; take {least} or more.",
            count=len(made.values),
            least=_FEW_READINGS,
        )


def _verdict(made: Capability) -> Iterator[Finding]:
    index = made.deciding
    if index is None:
        yield Finding("capability", "No index is given, because no distribution fits the readings.")
        return
    if not made.stable:
        return
    said = {
        "capable": "Capable: {name} is {value:.2f}, over the {required:.2f} that is asked{usual}.",
        "not capable": "Not capable: {name} is {value:.2f}, {required:.2f} is asked{usual}. "
        "{remedy}",
        "undecided": "Undecided: {name} is {value:.2f}, but from so few readings it may lie on "
        "either side of the {required:.2f} that is asked{usual}.",
    }
    if made.chart.few_points:
        said["undecided"] = (
            "Undecided: {name} is {value:.2f} and {required:.2f} is asked{usual}, but so few "
            "points do not tell what the process will do; gather {least} or more."
        )
    usual = (
        " by common practice, as nothing else was agreed"
        if made.required_index == REQUIRED_INDEX
        else ""
    )
    yield Finding(
        "capability",
        said[made.verdict],
        severity="note" if made.verdict == "capable" else "warning",
        name=index.name,
        value=index.value_index,
        required=made.required_index,
        usual=usual,
        remedy=made.remedy,
        least=FEW_POINTS,
    )


def _fit_said(made: Capability) -> Iterator[Finding]:
    fit, name = made.fit, FAMILIES[made.fit.family][0]
    if math.isnan(fit.chance):
        text = "Too few readings to tell whether {name} fits; it is assumed."
        yield Finding("capability", text, name=name)
    elif fit.chance < FITS_BADLY:
        yield Finding(
            "capability",
            "Neither a normal distribution nor one over a natural bound fits the readings "
            "(Anderson-Darling {statistic:.2f}): two sorts of instruments may be mixed; judge each "
            "by itself.",
            statistic=fit.distance_factor,
        )
    else:
        yield Finding(
            "capability",
            "Judged by {name}, which fits the readings: chance alone gives a worse fit in "
            "{chance:share} of cases (Anderson-Darling {statistic:.2f}).",
            severity="note",
            name=name,
            statistic=fit.distance_factor,
            chance=fit.chance,
        )


def _uncertainty_said(made: Capability) -> Finding:
    share = made.uncertainty_share
    index = made.deciding
    if share >= 1.0:
        return Finding(
            "capability",
            "The measurement uncertainty {u} is larger than the spread of the readings "
            "{sigma}: what is seen is the gauge, not the process.",
            u=amount(made.uncertainty_level, made.unit),
            sigma=amount(made.sigma, made.unit),
        )
    without: Sentence | str = ""
    if index is not None:
        value = index.value_index / math.sqrt(1.0 - share)
        text = "; without it {name} would be {value:.2f}"
        without = sentence(text, name=index.name, value=value)
    return Finding(
        "capability",
        "Measurement makes {share:share} of the variance of the readings{without}.",
        severity="note" if share < 0.1 else "warning",
        share=share,
        without=without,
    )
