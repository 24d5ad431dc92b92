"""Sampling plans of several stages that keep both risks of a single plan, where no table is kept.

Along Wald's two lines (A. Wald, Ann. Math. Stat. 16 (1945) 117) a lot is accepted or not as soon as
what was found says enough. Here they are cut into equal stages and rounded to whole numbers; of the
plans that keep both risks exactly, by the distribution that the single plan has, the one that looks
at the fewest pieces of good lots is taken. It is not the plan that a standard prints for the same
place.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

from evenfall.arrays import FloatArray
from evenfall.production.sampling import Plan, Stage, drawn_of

GOOD, BAD = 0.95, 0.10
"""How often a plan and its single plan accept lots of the two qualities that they share."""
_EVEN = 0.50
_AS_OFTEN = 0.10
"""So far the chance that reduced inspection goes on may differ from that of the single plan."""
_TOLD_BY = (0.9, 0.7, 0.5, 0.3, 0.1)  # chances, by which that is compared
_TRIED = 16  # sizes of a stage
_WIDTHS = np.linspace(0.5, 1.4, 7)  # of Wald's distances
_ABOUT = np.arange(-1, 2)  # last numbers, about the middle of both lines
_MOST_RATIO = 1.8  # of all stages together to the single sample, as in the tables
_SAME = 1e-12
_Counts = NDArray[np.int64]


@lru_cache(maxsize=1024)
def staged(single: Stage, count: int, *, each_counts: bool = False) -> Plan:
    """Return the plan of `count` stages in the place of a single one.

    Of nonconforming pieces or, with `each_counts`, of nonconformities.

    Between the numbers of a single plan for reduced inspection a lot is accepted, but reduced
    inspection ends; the last stage then has such a gap too. Where no equal stages keep the risks,
    the sample itself is taken in parts, and left as soon as too many are found.
    """
    n, clear, most = single.size_count, single.accepted_count, single.refused_count - 1
    if most >= n and not each_counts:  # every lot is accepted
        return Plan((single,))
    quality = _quality_by(each_counts)
    shares = [quality(n, most, chance) for chance in (GOOD, BAD, _EVEN)]
    told = [quality(n, clear, chance) for chance in _TOLD_BY] if clear < most else []
    best, made = float(n), _in_parts(single, count)
    least, greatest = math.ceil(n / count), min(int(_MOST_RATIO * n / count), n - 1)
    for each in range(least, greatest + 1, max(1, (greatest - least) // _TRIED)):
        take, leave = _lines(single, each, count, each_counts)
        run = _run(take, leave, each, shares, each_counts)
        keeps = (run.accepted[0] >= GOOD - _SAME) & (run.accepted[1] <= BAD + _SAME)
        keeps &= (run.looked[:2] < n).all(axis=0)
        keeps &= run.looked[0] < best - _SAME
        if told and keeps.any():
            take, leave, run = take[keeps], leave[keeps], run.of(keeps)
            off = _run(take, leave, each, told, each_counts).clear - np.array(_TOLD_BY)[:, None]
            keeps = np.abs(off).max(axis=0) <= _AS_OFTEN
        if keeps.any():
            at = int(np.where(keeps, run.looked[0], np.inf).argmin())
            best = float(run.looked[0, at])
            numbers = zip(take[at].tolist(), leave[at].tolist(), strict=True)
            made = tuple(Stage(each, *pair) for pair in numbers)
    return Plan(made, single=single, each_counts=each_counts)


def _quality_by(each_counts: bool) -> Callable[[int, int, float], float]:
    """Return what tells the share that a sample of a size accepts, by a number, with a chance."""

    def quality(size: int, accepted: int, chance: float) -> float:
        if each_counts:
            return float(special.gammaincinv(accepted + 1, 1.0 - chance)) / size
        return float(special.betaincinv(accepted + 1, size - accepted, 1.0 - chance))

    return quality


def _in_parts(single: Stage, count: int) -> tuple[Stage, ...]:
    """Return the single sample in parts, left as soon as too many are found: the same risks."""
    sizes = [len(part) for part in np.array_split(np.arange(single.size_count), count)]
    sizes = [size for size in sizes if size]
    ends = [-1] * (len(sizes) - 1) + [single.accepted_count]
    return tuple(
        Stage(size, end, single.refused_count) for size, end in zip(sizes, ends, strict=True)
    )


def _lines(single: Stage, each: int, count: int, each_counts: bool) -> tuple[_Counts, _Counts]:
    """Return acceptance and rejection numbers of plans along the lines, a row for each plan."""
    n, clear, most = single.size_count, single.accepted_count, single.refused_count - 1
    stages, widths = np.arange(1, count + 1), _WIDTHS[:, None]
    slope, scale = _slope(n, clear, each_counts)
    low = np.floor(slope * each * stages - math.log(GOOD / BAD) / scale * widths)
    slope, scale = _slope(n, most, each_counts)
    over = math.log((1.0 - BAD) / (1.0 - GOOD)) / scale
    high = np.ceil(slope * each * stages + over * widths)
    low, high = np.maximum(low, -1.0), np.maximum(high, 2.0)
    take, leave = np.repeat(low, len(widths), axis=0), np.tile(high, (len(widths), 1))
    ratio = each * count / n
    ends = [
        (a, r)
        for a in np.maximum(round(ratio * (clear + 0.5) - 0.5) + _ABOUT, clear).tolist()
        for r in np.maximum(round(ratio * (most + 0.5) + 0.5) + _ABOUT, most + 1).tolist()
        if (r > a + 1 if clear < most else r == a + 1)
    ]
    rows = []
    for a, r in dict.fromkeys(ends):
        out = np.minimum(leave, r)
        into = np.minimum(np.minimum(take, a), out - 2.0)
        into[:, -1], out[:, -1] = a, r
        rows.append(np.hstack([into, out]))
    both = np.unique(np.concatenate(rows).astype(np.int64), axis=0)
    return both[:, :count], both[:, count:]


def _slope(size: int, accepted: int, each_counts: bool) -> tuple[float, float]:
    """Return the slope of Wald's lines between both qualities, and what scales their distance."""
    good, bad = (_quality_by(each_counts)(size, accepted, chance) for chance in (GOOD, BAD))
    if each_counts:
        scale = math.log(bad / good)
        return (bad - good) / scale, scale
    scale = math.log(bad * (1.0 - good) / (good * (1.0 - bad)))
    return math.log((1.0 - good) / (1.0 - bad)) / scale, scale


@dataclass(frozen=True, slots=True)
class _Run:
    """What plans do with lots; a row for each share, a column for each plan."""

    accepted: FloatArray  # probability
    clear: FloatArray  # probability to be accepted by an acceptance number
    looked: FloatArray  # pieces, on average

    def of(self, which: NDArray[np.bool_]) -> _Run:
        """Return the run of some plans."""
        return _Run(self.accepted[:, which], self.clear[:, which], self.looked[:, which])


def _run(
    take: _Counts, leave: _Counts, each: int, shares: Sequence[float], each_counts: bool
) -> _Run:
    width = int(leave.max())
    number = np.arange(width)
    more = number[None, :] - number[:, None]
    clear, looked, open_ = (np.zeros((len(shares), len(take))) for _ in range(3))
    for n, share in enumerate(shares):
        made = np.zeros(width)
        drawn = drawn_of(each, share, width, each_counts=each_counts)[:width]
        made[: len(drawn)] = drawn
        step = np.where(more >= 0, made[np.maximum(more, 0)], 0.0)
        still = np.zeros((len(take), width))
        still[:, 0] = 1.0
        for stage in range(take.shape[1]):
            looked[n] += each * still.sum(axis=1)
            still = still @ step
            into = number <= take[:, stage, None]
            clear[n] += (still * into).sum(axis=1)
            still[into | (number >= leave[:, stage, None])] = 0.0
        open_[n] = still.sum(axis=1)
    return _Run(clear + open_, clear, looked)
