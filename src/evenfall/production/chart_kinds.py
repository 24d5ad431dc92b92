"""The kinds of control charts: from the readings of one phase to its panels.

Limits stand three standard deviations of the plotted figure from its centre (ISO 7870-2), those of
weighted means and cumulative sums where asked for (ISO 7870-4, ISO 7870-6). The standard deviation
comes from the spread within points, never from all readings at once: a change between points would
hide in it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from evenfall.arrays import BoolArray, FloatArray, IntArray
from evenfall.errors import At, RequestError
from evenfall.production.constants import binomial, c4, d2, d3, median_deviation, range_chance
from evenfall.production.memory import sum_run_length, weighted_mean_run_length
from evenfall.production.run_rules import OUTSIDE, counted_zones, normal_zones, run_length
from evenfall.production.series import Series, mean_of

_SIGMAS = 3.0
LARGEST_RANGE_SAMPLE = 25
"""Of more readings than this the range says little; their standard deviation is taken."""

_MOST_IN_RANGE = 10
"""Subgroups of more readings are judged by their standard deviation where no kind is named."""


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a process and need not be estimated."""

    centre_level: float = math.nan  # target, or mean that was agreed; NaN if not known
    sigma_level: float = math.nan  # standard deviation of one reading; NaN if not known


@dataclass(frozen=True, slots=True)
class Memory:
    """How a chart that remembers does so."""

    weight: float = 0.2  # weight of the newest point in a weighted mean
    weighted_limit_ratio: float = 2.962  # its limit [standard deviations of the weighted mean]
    reference_ratio: float = 0.5  # half the shift that a sum is to find [standard deviations]
    sum_limit_ratio: float = 5.0  # its limit [standard deviations]


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """One panel over the points of one phase."""

    name: str
    values: FloatArray
    centre: FloatArray
    lower: FloatArray
    upper: FloatArray
    sigma: FloatArray  # a third of the way from centre to limit
    names: tuple[str, ...]  # of the rules that are asked
    run_length_count: float  # points on average until it signals in a stable process


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """The readings of one phase, with which points its limits come from."""

    series: Series
    used: BoolArray  # points that the limits come from
    known: Known
    rules: tuple[str, ...]
    memory: Memory

    @property
    def sizes(self) -> IntArray:
        """How many readings each point holds."""
        return self.series.point_sizes

    def means(self) -> FloatArray:
        """Return the mean of each point."""
        first = float(self.series.values[0])
        sums = np.add.reduceat(self.series.values - first, self.series.starts)
        return np.asarray(first + sums / self.sizes)

    def ranges(self) -> FloatArray:
        """Return the range of each point; NaN of a single reading."""
        values, starts = self.series.values, self.series.starts
        wide = np.maximum.reduceat(values, starts) - np.minimum.reduceat(values, starts)
        return np.where(self.sizes > 1, wide, np.nan)

    def deviations(self) -> FloatArray:
        """Return the standard deviation of each point; NaN of a single reading."""
        off = self.series.values - np.repeat(self.means(), self.sizes)
        squares = np.add.reduceat(off * off, self.series.starts)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(self.sizes > 1, np.sqrt(squares / (self.sizes - 1)), np.nan)

    def medians(self) -> FloatArray:
        """Return the median of each point."""
        if np.all(self.sizes == self.sizes[0]):
            return np.asarray(np.median(self.series.values.reshape(-1, int(self.sizes[0])), axis=1))
        parts = np.split(self.series.values, self.series.starts[1:])
        return np.array([np.median(part) for part in parts])

    def centre(self, values: FloatArray, weights: FloatArray | IntArray | None = None) -> float:
        """Return what was known of the centre, else the mean of the points used."""
        if math.isfinite(self.known.centre_level):
            return self.known.centre_level
        kept = values[self.used]
        if weights is None:
            return mean_of(kept)
        first = float(kept[0])
        return first + float(np.average(kept - first, weights=weights[self.used]))

    def sigma(self, spread: FloatArray, constant_ratio: FloatArray) -> float:
        """Return what was known of the standard deviation, else what the spread says of it."""
        if math.isfinite(self.known.sigma_level):
            return self.known.sigma_level
        estimates = (spread / constant_ratio)[self.used & np.isfinite(spread)]
        if not len(estimates):
            raise RequestError(
                "No point has two readings or more, so the spread within points is not known; use "
                "the kind individuals.",
                at=At(field="kind"),
            )
        return above_zero(float(np.mean(estimates)))


def above_zero(sigma_level: float) -> float:
    """Return a standard deviation; refuse none at all, which no process has."""
    if sigma_level > 0.0:
        return sigma_level
    raise RequestError(
        "The readings do not vary from one to the next or within a point, so no limits can be "
        "drawn: read finer than the usual change, or check whether figures were copied."
    )


def _of_size(function: Callable[[int], float], sizes: IntArray, least: int = 2) -> FloatArray:
    """Return a constant for each point by its size; of smaller points that of the least size."""
    known = {int(n): function(max(int(n), least)) for n in np.unique(sizes)}
    return (
        np.array([known[n] for n in sizes.tolist()])
        if len(known) > 1
        else np.full(len(sizes), next(iter(known.values())))
    )


def _usual(sizes: IntArray) -> int:
    """Return the size that most points have."""
    return int(np.bincount(sizes).argmax())


def _around(
    name: str,
    values: FloatArray,
    *,
    centre: float | FloatArray,
    sigma: float | FloatArray,
    rules: tuple[str, ...],
    alarm: float,
    floor: float = -math.inf,
    ceiling: float = math.inf,
) -> Part:
    """Return a panel with limits three standard deviations from the centre."""
    middle = np.broadcast_to(np.asarray(centre, dtype=float), values.shape)
    wide = np.broadcast_to(np.asarray(sigma, dtype=float), values.shape)
    lower = np.maximum(middle - _SIGMAS * wide, floor)
    upper = np.minimum(middle + _SIGMAS * wide, ceiling)
    return Part(name, values, middle, lower, upper, wide, rules, alarm)


def _located(cut: Cut, name: str, values: FloatArray, centre: float, sigma: FloatArray) -> Part:
    length = run_length(cut.rules, normal_zones())
    return _around(name, values, centre=centre, sigma=sigma, rules=cut.rules, alarm=length)


def _range_part(cut: Cut, ranges: FloatArray, sigma: float, *, name: str = "range") -> Part:
    sizes = np.full(len(ranges), 2) if name == "moving range" else cut.sizes
    centre, wide = sigma * _of_size(d2, sizes), sigma * _of_size(d3, sizes)
    n = max(_usual(sizes), 2)
    inside = range_chance(n, np.array(_between(d2(n), d3(n))))
    # of moving ranges, which share readings, this is the chance of each one by itself
    length = 1.0 / float(1.0 - inside[1] + inside[0])
    return _around(
        name, ranges, centre=centre, sigma=wide, rules=(OUTSIDE,), alarm=length, floor=0.0
    )


def _between(centre: float, sigma: float) -> tuple[float, float]:
    """Return the limits of a figure that is never negative."""
    return max(centre - _SIGMAS * sigma, 0.0), centre + _SIGMAS * sigma


def _mean_and_range(cut: Cut) -> list[Part]:
    _check_range(cut)
    means, ranges = cut.means(), cut.ranges()
    sigma = cut.sigma(ranges, _of_size(d2, cut.sizes))
    centre = cut.centre(means, cut.sizes)
    first = _located(cut, "mean", means, centre, sigma / np.sqrt(cut.sizes))
    return [first, _range_part(cut, ranges, sigma)]


def _mean_and_deviation(cut: Cut) -> list[Part]:
    means, deviations = cut.means(), cut.deviations()
    constant = _of_size(c4, cut.sizes)
    sigma = cut.sigma(deviations, constant)
    centre = cut.centre(means, cut.sizes)
    wide = sigma * np.sqrt(1.0 - constant * constant)
    n = max(_usual(cut.sizes), 2)
    square = (n - 1) * np.array(_between(c4(n), math.sqrt(1.0 - c4(n) ** 2))) ** 2
    inside = special.gammainc((n - 1) / 2.0, square / 2.0)
    length = 1.0 / float(1.0 - inside[1] + inside[0])
    return [
        _located(cut, "mean", means, centre, sigma / np.sqrt(cut.sizes)),
        _around(
            "standard deviation",
            deviations,
            centre=sigma * constant,
            sigma=wide,
            rules=(OUTSIDE,),
            alarm=length,
            floor=0.0,
        ),
    ]


def _median(cut: Cut) -> list[Part]:
    _check_range(cut)
    medians, ranges = cut.medians(), cut.ranges()
    sigma = cut.sigma(ranges, _of_size(d2, cut.sizes))
    wide = sigma * _of_size(median_deviation, cut.sizes, least=1)
    centre = cut.centre(medians)
    return [_located(cut, "median", medians, centre, wide), _range_part(cut, ranges, sigma)]


def _moving(cut: Cut, values: FloatArray) -> tuple[FloatArray, float]:
    """Return the moving ranges and the standard deviation of a point that they speak of."""
    moving = np.abs(np.diff(values, prepend=np.nan))
    if math.isfinite(cut.known.sigma_level):
        return moving, cut.known.sigma_level
    both = cut.used & np.concatenate([[False], cut.used[:-1]])
    if not both.any():
        raise RequestError(
            "The limits need two points in a row or more; {count:count point} will not do.",
            count=int(cut.used.sum()),
        )
    return moving, above_zero(float(np.mean(moving[both]))) / d2(2)


def _individuals(cut: Cut) -> list[Part]:
    values = _single(cut)
    moving, sigma = _moving(cut, values)
    first = _located(cut, "value", values, cut.centre(values), np.full(len(values), sigma))
    return [first, _range_part(cut, moving, sigma, name="moving range")]


def _single(cut: Cut) -> FloatArray:
    if cut.series.point_count != len(cut.series.values):
        raise RequestError(
            "Points of several readings were asked for; single readings make the kind individuals, "
            "p, np, c and u.",
            at=At(field="kind"),
        )
    return cut.series.values


def _points(cut: Cut) -> tuple[FloatArray, FloatArray]:
    """Return the value of each point, and its standard deviation, for a chart that remembers."""
    if cut.series.point_count == len(cut.series.values):
        values = cut.series.values
        return values, np.full(len(values), _moving(cut, values)[1])
    if cut.sizes.max() > LARGEST_RANGE_SAMPLE:
        sigma = cut.sigma(cut.deviations(), _of_size(c4, cut.sizes))
    else:
        sigma = cut.sigma(cut.ranges(), _of_size(d2, cut.sizes))
    return cut.means(), sigma / np.sqrt(cut.sizes)


def _weighted(cut: Cut) -> list[Part]:
    values, sigma = _points(cut)
    weight, reach = cut.memory.weight, cut.memory.weighted_limit_ratio
    centre = cut.centre(values)
    smooth, variance = np.empty(len(values)), np.empty(len(values))
    level, square = centre, 0.0
    for n, (value, wide) in enumerate(zip(values.tolist(), sigma.tolist(), strict=True)):
        level = weight * value + (1.0 - weight) * level
        square = (weight * wide) ** 2 + (1.0 - weight) ** 2 * square
        smooth[n], variance[n] = level, square
    length = weighted_mean_run_length(weight, reach)
    wide = np.sqrt(variance) * reach / _SIGMAS
    return [
        _around("weighted mean", smooth, centre=centre, sigma=wide, rules=(OUTSIDE,), alarm=length)
    ]


def _sums(cut: Cut) -> list[Part]:
    values, sigma = _points(cut)
    centre = cut.centre(values)
    reference = cut.memory.reference_ratio * sigma
    limit = cut.memory.sum_limit_ratio * sigma
    length = sum_run_length(cut.memory.reference_ratio, cut.memory.sum_limit_ratio)
    parts = []
    for name, side in (("sum above", 1.0), ("sum below", -1.0)):
        steps = side * (values - centre) - reference
        # the sum starts again from zero: what it is above its own lowest value so far
        total = np.cumsum(steps)
        sums = total - np.minimum(np.minimum.accumulate(total), 0.0)
        parts.append(
            Part(
                name,
                sums,
                np.zeros(len(sums)),
                np.full(len(sums), np.nan),
                limit,
                limit / _SIGMAS,
                (OUTSIDE,),
                2.0 * length,
            )
        )
    return parts


_LARGEST_COUNT = 10_000_000
"""The run length of a chart of counts goes through every count that can come."""


def _counts(cut: Cut, *, whole_of: bool) -> tuple[FloatArray, FloatArray]:
    """Return counts and what they were found in."""
    counts = _single(cut)
    sizes = cut.series.sizes if len(cut.series.sizes) else np.ones(len(counts))
    most = np.flatnonzero(np.maximum(counts, sizes) > _LARGEST_COUNT)
    if len(most):
        raise RequestError(
            "Point {point}: over {most} is more than is counted here; chart such numbers as "
            "readings, by individuals.",
            point=int(most[0]) + 1,
            most=_LARGEST_COUNT,
        )
    wrong = np.flatnonzero((counts < 0) | (counts != np.floor(counts)) | (sizes <= 0.0))
    if len(wrong):
        raise RequestError(
            "Point {point}: a count is 0, 1, 2 … and what it was found in more than nothing; "
            "correct the row.",
            point=int(wrong[0]) + 1,
        )
    over = np.flatnonzero((counts > sizes) & whole_of)
    if len(over):
        raise RequestError(
            "Point {point}: {count:.0f} nonconforming of {size:.0f} looked at is not possible; "
            "correct the row, or give the column size.",
            point=int(over[0]) + 1,
            count=float(counts[over[0]]),
            size=float(sizes[over[0]]),
        )
    return counts, sizes


def _level(cut: Cut, counts: FloatArray, sizes: FloatArray) -> float:
    """Return the share, or the count per unit, that the limits are drawn for."""
    if math.isfinite(cut.known.centre_level):
        return cut.known.centre_level
    return float(counts[cut.used].sum() / sizes[cut.used].sum())


def _share_length(rules: tuple[str, ...], share: float, size: float) -> float:
    n = round(size)
    k = np.arange(n + 1, dtype=float)
    sigma = math.sqrt(n * share * (1.0 - share))
    zones = counted_zones(k, binomial(n, share), centre=n * share, sigma=sigma)
    return run_length(rules, zones)


def _count_length(rules: tuple[str, ...], level: float, size: float) -> float:
    mean = level * size
    k = np.arange(math.ceil(mean + 12.0 * math.sqrt(mean) + 30.0), dtype=float)
    chances = np.exp(special.xlogy(k, mean) - mean - special.gammaln(k + 1))
    return run_length(rules, counted_zones(k, chances, centre=mean, sigma=math.sqrt(mean)))


def _counted(cut: Cut, kind: str, name: str) -> list[Part]:
    """Return the panel of nonconforming pieces (p, np) or of nonconformities (c, u)."""
    pieces, same = kind in ("p", "np"), kind in ("np", "c")
    counts, sizes = _counts(cut, whole_of=pieces)
    if same and np.any(sizes != sizes[0]):
        raise RequestError(
            "The kind {kind} needs the same {what} looked at each time; use {other} for changing "
            "ones.",
            at=At(field="kind"),
            kind=kind,
            what="number" if pieces else "amount",
            other="p" if pieces else "u",
        )
    if kind == "c":
        sizes = np.ones(len(counts))
    level, size = _level(cut, counts, sizes), float(np.median(sizes))
    variance = above_zero(level * (1.0 - level) if pieces else level)
    length = _share_length if pieces else _count_length
    scale = float(sizes[0]) if kind == "np" else 1.0
    return [
        _around(
            name,
            scale * counts / sizes,
            centre=scale * level,
            sigma=scale * np.sqrt(variance / sizes),
            rules=cut.rules,
            alarm=length(cut.rules, level, size),
            floor=0.0,
            ceiling=scale if pieces else math.inf,
        )
    ]


def _check_range(cut: Cut) -> None:
    if (size := int(cut.sizes.max())) > LARGEST_RANGE_SAMPLE:
        raise RequestError(
            "The range of {size} readings says little about their spread; use the kind xbar-s.",
            at=At(field="kind"),
            size=size,
        )


def usual_kind(series: Series) -> str:
    """Return the kind of chart for readings of which none was named."""
    if series.point_count == len(series.values):
        return "individuals"
    return "xbar-r" if int(series.point_sizes.max()) <= _MOST_IN_RANGE else "xbar-s"


KINDS: dict[str, tuple[str, Callable[[Cut], list[Part]]]] = {
    "xbar-r": ("mean and range of each subgroup", _mean_and_range),
    "xbar-s": ("mean and standard deviation of each subgroup", _mean_and_deviation),
    "median": ("median and range of each subgroup", _median),
    "individuals": ("single readings and their moving range", _individuals),
    "ewma": ("exponentially weighted moving average", _weighted),
    "cusum": ("cumulative sums over and under the target", _sums),
    "p": ("share nonconforming", lambda cut: _counted(cut, "p", "share nonconforming")),
    "np": ("number nonconforming", lambda cut: _counted(cut, "np", "nonconforming")),
    "c": ("nonconformities", lambda cut: _counted(cut, "c", "nonconformities")),
    "u": ("nonconformities per unit", lambda cut: _counted(cut, "u", "nonconformities per unit")),
}
"""Every kind of chart: what it shows, and what makes its panels."""

COUNTED = ("p", "np", "c", "u")
"""Kinds whose readings are counts."""
