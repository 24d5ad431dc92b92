"""What a chart or a study is made of: readings of one quantity in the order of time."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from evenfall.arrays import FloatArray, IntArray, shut
from evenfall.errors import At, RequestError
from evenfall.wording import Sentence, sentence


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """Readings of one quantity, in the order of time, gathered into points.

    Parameters
    ----------
    quantity
        What was read.
    unit
        Unit of the values: "mm" for every length; empty for counts.
    values
        The readings, shape (readings,). Of counts, how many were found.
    starts
        Index of the first reading of each point, shape (points,); without any, each reading is a
        point.
    labels
        Name of each point, such as a serial number; empty for none.
    sizes
        How much was looked at for each reading, for counts, shape (readings,); empty for the same
        each time.

    Examples
    --------
    >>> relief = Series("relief", "mm", np.array([0.21, 0.19, 0.24]))
    >>> relief.point_count
    3
    """

    quantity: str
    unit: str
    values: FloatArray
    starts: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    labels: tuple[str, ...] = ()
    sizes: FloatArray = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        if not len(self.starts):
            object.__setattr__(self, "starts", np.arange(len(self.values)))
        shut(self)
        check_numbers(self.values, self.quantity)
        if not len(self.values):
            raise RequestError("There is no reading of {quantity}.", quantity=self.quantity)

    @property
    def point_count(self) -> int:
        """How many points there are."""
        return len(self.starts)

    @property
    def point_sizes(self) -> IntArray:
        """How many readings each point holds, shape (points,)."""
        return np.diff(np.append(self.starts, len(self.values)))

    def label(self, point: int) -> str:
        """Return the name of a point, counted from 1; its number where it has none."""
        return self.labels[point - 1] if self.labels else str(point)


def consecutive(count: int, size: int) -> IntArray:
    """Return the starts of subgroups of so many readings in a row; the last may be smaller."""
    if not 1 <= size <= max(count, 1):
        raise RequestError(
            "A subgroup of {size} cannot be taken from {count:count reading}.",
            at=At(field="subgroup"),
            size=size,
            count=count,
        )
    return np.arange(0, count, size)


def by_keys(keys: Sequence[Hashable]) -> IntArray:
    """Return the starts of subgroups: a new one begins wherever the key changes."""
    changed = [n for n in range(len(keys)) if n == 0 or keys[n] != keys[n - 1]]
    return np.array(changed, dtype=np.int64)


def check_numbers(values: FloatArray, quantity: str = "") -> None:
    """Refuse readings of which one is not a number; `quantity` is named where it is known."""
    bad = np.flatnonzero(~np.isfinite(values))
    if len(bad):
        raise RequestError(
            "Reading {which}{of} is not a number; leave it out or read it again.",
            which=int(bad[0]) + 1,
            of=sentence(" of {quantity}", quantity=quantity) if quantity else "",
        )


def check_limits(lower_level: float, upper_level: float, unit: str | None = None) -> None:
    """Refuse limits of which there is none, or that leave nothing between them; NaN for none.

    They are said in a unit where it is known.
    """
    if not (math.isfinite(lower_level) or math.isfinite(upper_level)):
        raise RequestError("Give a lower limit, an upper limit or both.", at=At(field="limits"))
    if lower_level >= upper_level:
        lower, upper = (
            sentence("{value:g}", value=value) if unit is None else amount(value, unit)
            for value in (lower_level, upper_level)
        )
        raise RequestError(
            "The lower limit {lower} is not under the upper limit {upper}.",
            at=At(field="limits"),
            lower=lower,
            upper=upper,
        )


def check_known_sigma(sigma_level: float) -> None:
    """Refuse a known standard deviation that is none; NaN where it is not known."""
    if sigma_level <= 0.0:
        raise RequestError(
            "A known standard deviation is more than zero, not {sigma:g}; one that is not known is "
            "left out, and estimated from the readings.",
            at=At(field="sigma"),
            sigma=sigma_level,
        )


def check_known(what: str, given: str, known: Iterable[str], *, field: str = "") -> None:
    """Refuse a name that is none of those there are; `field` is called what it is, or so."""
    if given not in (names := tuple(known)):
        raise RequestError(
            "The {what} {given:quoted} is not known; use one of {names:list}.",
            at=At(field=field or what),
            what=what,
            given=given,
            names=names,
        )


def amount(value: float, unit: str) -> Sentence:
    """Return a value of a quantity in words: a length in the reader's unit, else as it is."""
    if unit == "mm":
        return sentence("{value:length}", value=value)
    if unit:
        return sentence("{value:.4g} {unit}", value=value, unit=unit)
    return sentence("{value:.4g}", value=value)


def mean_of(values: FloatArray) -> float:
    """Return a mean that keeps its digits however far from zero the values lie."""
    first = float(values[0])
    middle = first + float(np.mean(values - first))
    return middle + float(np.mean(values - middle))


def deviation_of(values: FloatArray) -> float:
    """Return the sample standard deviation, with as many digits as the values allow."""
    off = values - mean_of(values)
    # what is left of the sum of deviations is rounding, and is taken off (two-pass formula)
    total = float(off @ off) - float(off.sum()) ** 2 / len(values)
    return float(np.sqrt(max(total, 0.0) / (len(values) - 1)))
