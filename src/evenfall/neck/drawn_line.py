"""The line through the crowns of a neck that a few frets that are off cannot mislead.

Least absolute deviations first, then Tukey's biweight [1]_; and which other lines the same crowns
might as well have.

.. [1] F. Mosteller and J. W. Tukey, "Data analysis and regression" (1977), ch. 10: the biweight,
   whose constant 4.685 loses 5 % on normal errors (constants from memory).
.. [2] G. Schwarz, "Estimating the dimension of a model", Annals of Statistics 6 (1978) 461.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, FloatArray
from evenfall.instrument import Specification, StringLines
from evenfall.instrument.geometry import fret_distance_mm

if TYPE_CHECKING:
    from evenfall.neck.bow import Bow

LEAST_U_MM = 0.002
"""No reading of a crown is trusted to less than this [mm]; common practice, no source."""
STRICT = 0.2
"""Share of a chance that is left to what is rare: a crown low by itself, or one that stands out
alone."""
LEAST_SCATTER_MM = 0.003
"""Crowns are not taken to lie on a line more closely than this [mm]."""
HARDLY = 1e-6
"""Weight of a crown that was not read: a string without readings keeps its line."""

_KINK_U = 3.0  # a rise past the joint counts from this many standard uncertainties
_FRETS_PAST_JOINT, _FRETS_OF_CURVE = 3, 5  # fewer say nothing of a kink, or of a curve
_ALIKE_FRETS = 1.5  # frets so far apart are off alike by exp(-1/2): board, slots and wear go on
_FRETS_LEFT_OUT = range(1, 7)  # from the nut on, to see where else the line would settle
_OFF_U = 3.0  # a crown that is off by more tells no line from another
_BIWEIGHT = 4.685
_SIGMA_OF_MEDIAN = 1.4826  # of normal errors: standard deviation over median size
_L1_FLOOR_MM = 0.002
_L1_PASSES, _BIWEIGHT_PASSES = 40, 20
_SETTLED_MM = 1e-4
_LEAST_SHARE = 0.25  # of the usual uncertainty: no crown weighs more than this would have it


@dataclass(frozen=True, slots=True, eq=False)
class Shapes:
    """What a sound neck may be made of; K strings over F frets, one string after the other."""

    axes: FloatArray  # orthonormal columns, (K F, P)
    past_axes: FloatArray  # what the board may do past the joint, (K, F, number of shapes)
    past_coefficients: (
        FloatArray  # coefficients of these from those of the frame, (number of shapes, P)
    )
    turns_told: range  # how many turns off past the joint so many frets there can tell apart

    @staticmethod
    def of(specification: Specification, lines: StringLines, bow: Bow, turns: int = 1) -> Shapes:
        """Return a straight line for each string, the bow, its skew, and the board past the joint.

        There it goes on as it was, or `turns` off: 1, straight; 2, and curved.
        """
        longest = lines.station_mm.max()
        x, y = lines.station_mm[:, 1:] / longest, lines.y_mm[:, 1:]
        joint = specification.board.joint_fret
        scale = np.array([string.scale_mm for string in specification.strings]) / longest
        own = np.eye(len(x))[:, :, None]
        columns = [*(own + 0.0 * x), *(own * x), bow.frets]
        if y.any():  # bass and treble sides may bow differently
            columns.append(bow.frets * y / np.abs(y).max())
        turned = np.maximum(0.0, x - (fret_distance_mm(1.0, joint) * scale)[:, None])
        beyond = x.shape[1] - joint
        told = range(1 + (beyond >= _FRETS_PAST_JOINT) + (beyond >= _FRETS_OF_CURVE))
        past = [turned, turned**2][: min(turns, told[-1])]
        frame, back = np.linalg.qr(np.stack([*columns, *past], axis=-1).reshape(x.size, -1))
        rows = np.linalg.inv(back)[len(columns) :]
        past_shapes = np.stack(past, axis=-1) if past else np.zeros((*x.shape, 0))
        return Shapes(frame, past_shapes, rows, told)

    def normal(self, weight: FloatArray) -> FloatArray:
        """Return the normal matrix, firm enough for a string without readings, (P, P)."""
        normal = (self.axes * weight[:, None]).T @ self.axes
        normal.flat[:: len(normal) + 1] += 1e-12 * weight.sum() + 1e-15
        return normal

    def solved(self, weight: FloatArray, height_mm: FloatArray) -> FloatArray:
        """Return the coefficients of the weighted least squares, (P,)."""
        solved = np.linalg.solve(self.normal(weight), self.axes.T @ (weight * height_mm))
        return np.asarray(solved)


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A line through the crowns of K strings over F frets, one string after the other."""

    shapes: Shapes
    height_mm: FloatArray  # over the board's own shape, the wear put back, (K F,)
    share: FloatArray  # uncertainty of a crown over the usual one, (K F,)
    variance_mm2: FloatArray  # of a crown about the line, by the crowns' own scatter, (K F,)
    scatter_mm: float
    off_mm: float  # mean size of what crowns are off the line of least absolute deviations
    coefficients: FloatArray  # (P,)
    weight: FloatArray  # 1 over variance, 0 for a crown that is off or not read, (K F,)

    @staticmethod
    def drawn(
        shapes: Shapes,
        tops_mm: FloatArray,
        read: BoolArray,
        share: FloatArray,
        lost_u_mm: FloatArray,
    ) -> Fit:
        """Return the line of least absolute deviations through crowns of shape (K, F).

        How far crowns scatter about a line is seen, and their uncertainties only weigh them against
        each other: said to be less sure all together, the same figures have the same line.
        """
        known = np.isfinite(tops_mm).ravel()
        counts = np.where(read.ravel(), 1.0, np.where(known, HARDLY, 0.0))
        height = np.where(known, tops_mm.ravel(), 0.0)
        counts = counts / share.ravel()
        now = shapes.solved(counts**2, height)
        for _ in range(_L1_PASSES):
            gap = np.abs(height - shapes.axes @ now)
            before, now = now, shapes.solved(counts / np.maximum(gap, _L1_FLOOR_MM), height)
            if np.abs(now - before).max() < _SETTLED_MM:
                break
        gap = np.abs(height - shapes.axes @ now)[read.ravel()]
        spread, off = _SIGMA_OF_MEDIAN * median(gap / share[read]), gap.sum() / max(gap.size, 1)
        scatter = max(spread, LEAST_SCATTER_MM)
        variance = ((scatter * share) ** 2 + lost_u_mm**2).ravel()
        return Fit(shapes, height, share.ravel(), variance, scatter, float(off), now, counts**2)

    def settled(self, kept: BoolArray) -> Fit:
        """Return the biweight line through the crowns that are kept, shape (K, F)."""
        frame, now = self.shapes.axes, self.coefficients
        base = np.where(kept.ravel(), 1.0, HARDLY) / self.variance_mm2
        for _ in range(_BIWEIGHT_PASSES):
            off = (self.height_mm - frame @ now) ** 2 / (_BIWEIGHT**2 * self.variance_mm2)
            weight = base * np.maximum(np.maximum(1.0 - off, 0.0) ** 2, HARDLY)
            before, now = now, self.shapes.solved(weight, self.height_mm)
            if np.abs(now - before).max() < 0.1 * _SETTLED_MM:
                break
        return replace(self, coefficients=now, weight=weight)

    def with_rivals(self, read: BoolArray) -> tuple[Fit, list[tuple[float, Fit]]]:
        """Return this line or a far likelier one, and the others that crowns by the nut leave open.

        A biweight line has more than one place to settle where several of these are off alike:
        they stand high, or those around them lie low. Each other line comes with its probability.
        """
        found = [self]
        for frets in _FRETS_LEFT_OUT:
            ahead = self.weight.reshape(read.shape).copy()
            ahead[:, :frets] *= HARDLY
            start = self.shapes.solved(ahead.ravel(), self.height_mm)
            other = replace(self, coefficients=start).settled(read)
            if all(np.abs(other.line_mm - one.line_mm).max() > self.scatter_mm for one in found):
                found.append(other)
        if len(found) == 1:
            return self, []
        count = _apart(read.shape[1]) / read.shape[1]
        chance = _chances([-count * one.unlikely(read) for one in found])
        best = int(np.argmax(chance))
        if chance[0] > STRICT * chance[best]:
            best = 0
        pairs = zip(chance, found, strict=True)
        return found[best], [pair for n, pair in enumerate(pairs) if n != best]

    def unlikely(self, read: BoolArray) -> float:
        """Return minus the log likelihood of the crowns; one that is off counts no further."""
        off = self.height_mm - self.shapes.axes @ self.coefficients
        most = np.where(off < 0.0, _OFF_U**2 - 2.0 * math.log(STRICT), _OFF_U**2)
        of = np.where(read.ravel(), np.minimum(off**2 / self.variance_mm2, most), 0.0)
        return 0.5 * float(of.sum()) / len(read)

    def likely(self, all_shapes: Sequence[Shapes]) -> list[tuple[float, Fit]]:
        """Return the lines of other shapes through the same crowns, each with its probability.

        By their likelihoods on these crowns, the scatter being unknown, with one figure less to go
        by for each shape more [2]_. Frets that are off alike count as one.
        """
        frets = self.shapes.past_axes.shape[1]
        count = _apart(frets)
        exact = self.weight.sum() * LEAST_U_MM**2
        lines, told = [], []
        for shapes in all_shapes:
            now = shapes.solved(self.weight, self.height_mm)
            lines.append(replace(self, shapes=shapes, coefficients=now))
            square = self.weight @ (self.height_mm - shapes.axes @ now) ** 2 + exact
            told.append(
                -0.5 * count * math.log(square)
                - 0.5 * len(shapes.past_coefficients) * math.log(count)
            )
        return list(zip(_chances(told), lines, strict=True))

    @property
    def line_mm(self) -> FloatArray:
        """The line, shape (K, F)."""
        return (self.shapes.axes @ self.coefficients).reshape(self.shapes.past_axes.shape[:2])

    @property
    def pulls(self) -> tuple[FloatArray, FloatArray]:
        """Return two factors of what each crown does to the line, (F, K, P) and (K F, P)."""
        frame, shape = self.shapes.axes, self.shapes.past_axes.shape[:2]
        at = frame @ np.linalg.inv(self.shapes.normal(self.weight))
        return at.reshape(*shape, -1).swapaxes(0, 1), frame * self.weight[:, None]

    def pulls_of(self, straight: BoolArray, read: BoolArray) -> tuple[FloatArray, FloatArray]:
        """Return the same, (K, F, P) and (P, K, F), of a line that goes on `straight` somewhere.

        There what the board does past the joint is left out.
        """
        at, onto = self.pulls
        rows = self.shapes.past_coefficients @ np.linalg.inv(self.shapes.normal(self.weight))
        past = np.where(straight[..., None], self.shapes.past_axes, 0.0)
        return at.swapaxes(0, 1) - past @ rows, np.where(read, onto.T.reshape(-1, *read.shape), 0.0)

    def spread_mm2(self, own_mm2: FloatArray, rough_mm2: float) -> FloatArray:
        """Return the covariance of the crowns of each fret about the line, shape (F, K, K).

        They have variances of their own, shape (K, F); the line goes through what is rough besides.
        """
        at, weighted = self.pulls
        by_fret = weighted.reshape(*own_mm2.shape, -1).swapaxes(0, 1)
        mixed = (own_mm2.T[..., None] * by_fret) @ at.swapaxes(1, 2)
        own = own_mm2.reshape(-1) + rough_mm2
        found = at @ (weighted.T @ (weighted * own[:, None])) @ at.swapaxes(1, 2)
        found = found - mixed - mixed.swapaxes(1, 2)
        each = np.arange(len(own_mm2))
        found[:, each, each] += own_mm2.T
        return np.asarray(found)

    @property
    def past_joint_mm(self) -> FloatArray:
        """How far the board turns off past the joint, up or down, shape (K, F)."""
        return np.asarray(
            self.shapes.past_axes @ (self.shapes.past_coefficients @ self.coefficients)
        )

    def bow_of(self, bow: Bow) -> FloatArray:
        """Return the relief of the line without what the board does past the joint [mm]."""
        return np.asarray(bow.relief_mm(self.line_mm - self.past_joint_mm))

    @property
    def rise_counts(self) -> bool:
        """Whether the last fret rises past the joint beyond what the neck's scatter explains."""
        row = self.shapes.past_axes[:, -1].mean(axis=0) @ self.shapes.past_coefficients
        variance = row @ np.linalg.solve(self.shapes.normal(self.weight), row)
        return bool(row @ self.coefficients > _KINK_U * np.sqrt(variance))


@cache
def alike(frets: int) -> FloatArray:
    """Return how far frets are off alike, shape (F, F): what is rough of a neck goes on."""
    apart = np.subtract.outer(np.arange(frets), np.arange(frets)) / _ALIKE_FRETS
    return np.asarray(np.exp(-0.5 * apart**2))


@cache
def _apart(frets: int) -> float:
    """Return how many frets would say as much if none was off alike."""
    return float(frets**2 / np.square(alike(frets)).sum())


def _chances(log_likelihoods: Sequence[float]) -> list[float]:
    """Return the probability of each of some lines, one of which is right."""
    chance = np.exp(np.array(log_likelihoods) - max(log_likelihoods))
    return list((chance / chance.sum()).tolist())


def shares_of_u(u_mm: FloatArray, read: BoolArray) -> FloatArray:
    """Return each crown's uncertainty over the usual one, shape (K, F)."""
    usual = median(u_mm[read])
    if usual == 0.0:
        return np.ones_like(u_mm)
    return np.maximum(u_mm / usual, _LEAST_SHARE)


def median(sizes: FloatArray) -> float:
    """Return the median, 0 of nothing."""
    return float(np.median(sizes)) if sizes.size else 0.0
