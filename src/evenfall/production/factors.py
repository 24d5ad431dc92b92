"""Recorded factors as the columns of a model, and which of them cannot be told apart.

A factor of levels, such as the station, has a column for each level; a number, such as the
humidity, has one. Half a million readings come to one matrix of cross products, from which every
estimate follows exactly.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from evenfall.arrays import FloatArray, IntArray, shut
from evenfall.errors import At, RequestError
from evenfall.units import read_number
from evenfall.wording import sentence

FEW_LEVELS = 10
"""A factor of more levels than this is taken as drawn from many of its kind: a random factor."""

MOST_LEVELS = 250
"""Of a random factor with more levels, so many are taken, evenly."""

NEARLY_TOGETHER = 0.8
"""Square of Cramér's V, or of the correlation, over which two factors are hardly told apart."""

_SAME = 1.0 - 1e-9
NOT_RECORDED = "not recorded"


@dataclass(frozen=True, slots=True, eq=False)
class Factor:
    """What is recorded beside each reading, as levels or as a number."""

    name: str
    levels: tuple[str, ...] = ()  # names of the levels; none for a number
    at: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))  # level of each
    values: FloatArray = field(default_factory=lambda: np.zeros(0))  # (readings,), its unit
    random: bool = False  # levels drawn from many of their kind
    unit: str = ""  # what is written behind a number

    def __post_init__(self) -> None:
        shut(self)

    @property
    def freedom_count(self) -> int:
        """How many degrees of freedom it takes; 0 if it is the same for all readings."""
        return len(self.levels) - 1 if self.levels else int(np.ptp(self.values) > 0.0)

    def taken(self, kept: IntArray) -> Factor:
        """Return the factor of some of the readings; levels that none of them has are gone."""
        if not self.levels:
            return replace(self, values=self.values[kept])
        there, at = np.unique(self.at[kept], return_inverse=True)
        return replace(self, levels=tuple(self.levels[n] for n in there.tolist()), at=at)


def factors_of(
    columns: Mapping[str, Sequence[str]],
    *,
    random: Sequence[str] = (),
    levels: Sequence[str] = (),
) -> list[Factor]:
    """Return the factors of text columns; `random` and `levels` name those that are taken so.

    A column of numbers with more than `FEW_LEVELS` values is a number, every other one has levels.
    """
    made = []
    for name, column in columns.items():
        codes: dict[str, int] = {}
        at = np.array([codes.setdefault(text, len(codes)) for text in column], dtype=np.int64)
        values = _numbers(codes) if len(codes) > FEW_LEVELS and name not in levels else None
        if values is not None and name not in random:
            made.append(Factor(name, values=values[at]))
            continue
        texts = list(codes)
        order = sorted(range(len(texts)), key=lambda n: by_number(texts[n]))
        named = tuple(texts[n] or NOT_RECORDED for n in order)
        at = np.argsort(order)[at]
        made.append(
            Factor(name, named, at, random=name in random or len(named) > FEW_LEVELS),
        )
    return made


def by_number(text: str) -> tuple[float, str]:
    """Return what sorts 2 before 10, and names after numbers."""
    return (float(text) if text.isascii() and text.isdecimal() else math.inf), text


def _numbers(texts: Mapping[str, int]) -> FloatArray | None:
    """Return texts as numbers, NaN where nothing is written; None if one is no number."""
    try:
        return np.array([read_number(text) if text else math.nan for text in texts])
    except ValueError:
        return None


def thinned(factors: Sequence[Factor]) -> tuple[IntArray | None, list[tuple[str, int]]]:
    """Return which readings to take so that no random factor has too many levels.

    None for all; and the factors that have too many, with how many those are.
    """
    kept: IntArray | None = None
    cut = []
    for factor in factors:
        count = len(factor.levels)
        if count > MOST_LEVELS:
            taken = np.zeros(count, dtype=bool)
            taken[np.linspace(0, count - 1, MOST_LEVELS).round().astype(np.int64)] = True
            mine = taken[factor.at]
            kept = np.flatnonzero(mine) if kept is None else kept[mine[kept]]
            cut.append((factor.name, count))
    return kept, cut


@dataclass(frozen=True, slots=True, eq=False)
class Products:
    """Cross products of the columns of some factors and of the readings, all about their means."""

    factors: tuple[Factor, ...]
    count: int  # readings
    sum_level: FloatArray  # shape (columns + 1, columns + 1); the readings last
    places: dict[str, IntArray]  # columns of each factor
    scale: dict[str, float]  # standard deviation by which a number was divided

    def __post_init__(self) -> None:
        shut(self)

    def columns(self, names: Sequence[str]) -> IntArray:
        """Return the columns of some factors."""
        kept = [self.places[name] for name in names]
        return np.concatenate(kept) if kept else np.zeros(0, dtype=np.int64)

    def left_over(self, names: Sequence[str]) -> tuple[float, int]:
        """Return what the named factors leave of the sum of squares, and how much they explain."""
        at = self.columns(names)
        total = float(self.sum_level[-1, -1])
        if not len(at):
            return total, 0
        inverse, rank = pseudo_inverse(self.sum_level[np.ix_(at, at)])
        with_y = self.sum_level[at, -1]
        return max(total - float(with_y @ inverse @ with_y), 0.0), rank

    def left_of(self, name: str, names: Sequence[str]) -> float:
        """Return what the named factors leave of the squares of a factor's own columns."""
        at, mine = self.columns(names), self.places[name]
        own = float(np.trace(self.sum_level[np.ix_(mine, mine)]))
        if not len(at):
            return own
        cross = self.sum_level[np.ix_(at, mine)]
        return own - float(
            np.sum(cross * (pseudo_inverse(self.sum_level[np.ix_(at, at)])[0] @ cross))
        )

    def together_share(self, first: str, second: str) -> float:
        """Return how far two factors go together: 1 if one of them tells the other."""
        a, b = self.places[first], self.places[second]
        inverse_a, rank_a = pseudo_inverse(self.sum_level[np.ix_(a, a)])
        inverse_b, rank_b = pseudo_inverse(self.sum_level[np.ix_(b, b)])
        cross = self.sum_level[np.ix_(a, b)]
        both = float(np.sum((inverse_a @ cross) * (cross @ inverse_b)))
        return both / max(min(rank_a, rank_b), 1)


def pseudo_inverse(coefficients: FloatArray) -> tuple[FloatArray, int]:
    """Return the inverse of a matrix of cross products on what it spans, and its rank."""
    size = np.sqrt(np.maximum(np.diag(coefficients), 1e-300))
    values, vectors = np.linalg.eigh(coefficients / np.outer(size, size))
    there = values > 1e-10 * max(float(values[-1]), 1e-300)
    kept = vectors[:, there] / np.sqrt(values[there])
    return kept @ kept.T / np.outer(size, size), int(there.sum())


def cross_products(values: FloatArray, factors: Sequence[Factor]) -> Products:
    """Return the cross products of readings and factors, worked out once for all readings."""
    n = len(values)
    places: dict[str, IntArray] = {}
    scales: dict[str, float] = {}
    numbers: dict[str, FloatArray] = {}
    wide = 0
    for factor in factors:
        size = max(len(factor.levels), 1)
        places[factor.name] = np.arange(wide, wide + size)
        wide += size
        if not factor.levels:
            off = factor.values - factor.values.mean()
            scales[factor.name] = float(np.sqrt(off @ off / n)) or 1.0
            numbers[factor.name] = off / scales[factor.name]
    matrix = np.zeros((wide + 1, wide + 1))
    y = values - values.mean()
    y -= y.mean()
    for i, one in enumerate(factors):
        a = places[one.name]
        matrix[a, -1] = matrix[-1, a] = _with(one, numbers.get(one.name), y)
        for other in factors[: i + 1]:
            b = places[other.name]
            block = _block(one, other, numbers)
            matrix[np.ix_(a, b)] = block
            matrix[np.ix_(b, a)] = block.T
    matrix[-1, -1] = float(y @ y)
    return Products(tuple(factors), n, matrix, places, scales)


def _with(factor: Factor, off: FloatArray | None, y: FloatArray) -> FloatArray:
    """Return the products of a factor's columns with numbers whose mean is zero."""
    if off is None:
        return np.bincount(factor.at, weights=y, minlength=len(factor.levels)).astype(float)
    return np.array([float(off @ y)])


def _block(one: Factor, other: Factor, numbers: Mapping[str, FloatArray]) -> FloatArray:
    """Return the products of the columns of two factors, about their means."""
    if one.levels and other.levels:
        rows, columns = len(one.levels), len(other.levels)
        both = np.bincount(one.at * columns + other.at, minlength=rows * columns)
        counts = both.reshape(rows, columns).astype(float)
        return counts - np.outer(counts.sum(1), counts.sum(0)) / len(one.at)
    if not other.levels:
        return _with(one, numbers.get(one.name), numbers[other.name])[:, None]
    return _with(other, None, numbers[one.name])[None, :]


@dataclass(frozen=True, slots=True)
class Sorted:
    """Which factors a model takes, and why some are not in it."""

    fixed: tuple[str, ...]
    random: tuple[str, ...]
    within: tuple[tuple[str, str], ...]  # a factor each of whose levels lies within one of another
    same: tuple[tuple[str, str], ...]  # kept, and left out because both always go together
    nearly_share: tuple[tuple[str, str, float], ...]  # two that go together on most readings
    mingled: tuple[str, ...]  # left out because the others together tell it


def sort_out(products: Products) -> Sorted:
    """Return which factors can be told apart: fixed, random, and those that go together."""
    by_name = {factor.name: factor for factor in products.factors}
    freedom = {name: factor.freedom_count for name, factor in by_name.items()}
    names = [name for name in by_name if freedom[name] > 0]
    same: list[tuple[str, str]] = []
    within: list[tuple[str, str]] = []
    close: list[tuple[str, str, float]] = []
    for n, second in enumerate(names):
        for first in names[:n]:
            if any(gone in (first, second) for _, gone in same):
                continue
            share = products.together_share(first, second)
            a, b = freedom[first], freedom[second]
            if share > _SAME and a == b:
                same.append((first, second))
            elif share > _SAME:
                within.append((first, second) if a > b else (second, first))
            elif share > NEARLY_TOGETHER:
                close.append((first, second, share))
    gone = {name for _, name in same}
    within = [pair for pair in within if not gone & set(pair)]
    inner = {child for child, _ in within}
    random = [n for n in names if n not in gone and (by_name[n].random or n in inner)]
    random = [n for n in random if by_name[n].levels]
    fixed: list[str] = []
    mingled: list[str] = []
    for name in names:
        if name in gone or name in random:
            continue
        rank = products.left_over([*fixed, name])[1]
        whole = sum(freedom[one] for one in (*fixed, name))
        (fixed if rank == whole else mingled).append(name)
    nearly = tuple(one for one in close if one[0] in fixed and one[1] in fixed)
    return Sorted(tuple(fixed), tuple(random), tuple(within), tuple(same), nearly, tuple(mingled))


def check_names(wanted: Sequence[str], there: Sequence[str]) -> None:
    """Refuse names of factors that are not there."""
    for name in wanted:
        if name not in there:
            raise RequestError(
                "There is no column {name:quoted}; there are {columns:list}.",
                at=At(field="factor"),
                name=name,
                columns=tuple(there) or sentence("no factors"),
            )
