"""The line that level crowns would lie on, and which frets stand out from it.

A sound neck is smooth: each string's crowns lie on a straight line, bowed by strings and rod, and
past the joint the board may rise or fall away. That line is drawn through the crowns so that a few
frets that are off cannot mislead it: least absolute deviations first, then Tukey's biweight. A
fret stands out from it where its readings say so beyond what their uncertainty explains, looked at
as a technician would: as a whole, tilted, and under one string or two neighbours. What does not
stand out is taken to lie on the line, for metal cannot be put back. The line goes by how far the
crowns are seen to scatter, so it stays where it is when all readings are said to be less sure.

.. [1] E. B. Wilson and M. M. Hilferty, "The distribution of chi-square", Proc. Natl. Acad. Sci. 17
   (1931) 684: its median (from memory).
.. [2] JCGM 100:2008, 5.1 and 5.2: the uncertainty of linear combinations.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, partial
from statistics import NormalDist

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, shut
from evenfall.errors import At, Finding
from evenfall.instrument import Specification, StringLines
from evenfall.instrument.geometry import board_drop_mm
from evenfall.measurement import Heights, Measurement, Origin
from evenfall.neck.bow import Bow
from evenfall.neck.drawn_line import (
    HARDLY,
    LEAST_SCATTER_MM,
    LEAST_U_MM,
    STRICT,
    Fit,
    Shapes,
    alike,
    median,
    shares_of_u,
)
from evenfall.neck.wear import scatter_u_mm, wear_read
from evenfall.wording import Sentence, sentence

BY_CHANCE = 0.005
"""Chance that readings of level frets name a fret as a whole, or tilted. A fifth of it for a single
crown, for two neighbours together, and for a fret that lies low."""

_TILTED_U = 2.5  # a fret is taken as tilted from this many standard uncertainties
_LOW_U = 2.0  # a low crown is low by its own reading, by this many standard uncertainties
_LOW_CROWN_MM, _LOW_CROWN_U = 0.05, 5.0  # a crown low all alone: chips and wear are no less
_ARCH_GAIN = 0.95  # the datum follows the arch if crowns are so much less off the line, or less
_CURVE_GAIN = 0.9  # the board curves past the joint if crowns are so much less off the line

_LEAST_SAID_MM = 0.02  # a rise or a fall past the joint of less is not worth words
_MOST_PASSES = 4  # of naming frets and drawing the line again without them


@dataclass(frozen=True, slots=True)
class StandsOut:
    """One fret that stands out, up or down; a fret that does both is there twice."""

    fret: int
    strings: tuple[int, ...]  # under which it does; 1 = treble
    size_mm: float  # where it is furthest off; negative where it lies low
    mean_mm: float  # over these strings
    tilt_mm: float  # how much higher its bass end is than its treble end, over all strings


@dataclass(frozen=True, slots=True, eq=False)
class LevelLine:
    """The level line of K strings over F frets, with what stands out from it.

    Parameters
    ----------
    level_mm
        The line: heights that level crowns would have over the datum, shape (K, F) [mm].
    smooth_mm
        The same with a rise past the joint, shape (K, F) [mm].
    taken_mm
        Crown tops as they are taken for a decision: where a fret stands out, its height as read
        (of a whole fret its straight crown line); on the line where it does not, or by less than
        the smallest cut, or was not read; shape (K, F) [mm].
    off_mm
        How far they stand over the line, shape (K, F) [mm].
    lower_mm, higher_mm
        By how much a crown is lower, and higher, if it is taken as it was read where that is kinder
        to the frets: no fret is opened that this would spare. Neither shrinks, and so no fret comes
        to be opened, where readings are less sure; shape (K, F) [mm].
    read
        Which crowns were read or worked out from other readings, shape (K, F).
    u_mm
        Standard uncertainty of a single crown's height over the line, shape (K, F) [mm].
    standing
        The frets that stand out, by number. A rise past the joint names none: see `hump_mm`.
    hump_mm, fall_away_mm
        How far the board rises past the joint, at the last fret; and how far it falls away
        there. The line goes on straight under a rise, and goes along with a fall [mm].
    relief_mm
        Relief of the bow alone [mm].
    relief_weights
        By how much the relief changes with the height of each crown [mm/mm], shape (K, F).
    relief_u_mm
        Standard uncertainty of the relief, with the heights that the line was drawn through [mm].
    relief_open_u_mm
        What the line leaves open of the relief besides the readings: how rough the neck is, which
        crowns the line goes by, and whether the board turns past the joint [mm].
    level_open_u_mm
        What it leaves open, besides the readings, of where a crown that counts as level lies, by
        the same three; shape (K, F) [mm].
    pulls_mm_per_mm
        Two factors, (K, F, P) and (P, K, F), of by how much the line at one crown changes with the
        height of each [mm/mm]; see `over_line`.
    scatter_mm
        Robust standard deviation of the crowns about the line [mm].
    follows_arch
        Whether the datum follows the arch of the board from string to string.
    """

    level_mm: FloatArray
    smooth_mm: FloatArray
    taken_mm: FloatArray
    off_mm: FloatArray
    lower_mm: FloatArray
    higher_mm: FloatArray
    read: BoolArray
    u_mm: FloatArray
    standing: tuple[StandsOut, ...]
    hump_mm: float
    fall_away_mm: float
    relief_mm: float
    relief_weights: FloatArray
    relief_u_mm: float
    relief_open_u_mm: float
    level_open_u_mm: FloatArray
    pulls_mm_per_mm: tuple[FloatArray, FloatArray]
    scatter_mm: float
    follows_arch: bool

    def __post_init__(self) -> None:
        shut(self)

    def over_line(self, weights: FloatArray) -> FloatArray:
        """Return weighted sums with the line in place of its crowns, as weights of all heights.

        Row k of the weights, (K, F + 2), goes by string k alone; of the answer, (K, K, F + 2), by
        all: what the line does under one string depends on the crowns of the others.
        """
        at, onto = self.pulls_mm_per_mm
        through = np.tensordot((weights[:, 1:-1, None] * at).sum(axis=1), onto, 1)
        found = np.zeros((*through.shape[:2], through.shape[2] + 2))
        found[..., 1:-1] = through
        each = np.arange(len(at))
        found[each, each, 0], found[each, each, -1] = weights[:, 0], weights[:, -1]
        return found

    def open_u_mm(self, weights: FloatArray) -> FloatArray:
        """Return what the line leaves open of such sums besides the readings, shape (K,) [mm]."""
        return np.asarray(np.sqrt(np.square(weights[:, 1:-1] * self.level_open_u_mm).sum(axis=1)))

    def sum_u_mm(self, heights: Heights, weights: FloatArray) -> FloatArray:
        """Return the standard uncertainty of such sums, shape (K,) [mm]."""
        return np.hypot(heights.u_mm(self.over_line(weights)), self.open_u_mm(weights))

    def relief_u_over_mm(self, heights: Heights) -> float:
        """Return the standard uncertainty of the relief with heights less or more sure [mm]."""
        return _relief_u_mm(heights, self.relief_weights, self.relief_open_u_mm)

    @property
    def said(self) -> Sentence:
        """Which frets stand out, and what the board does past the joint."""
        high, low = (
            tuple(one.fret for one in self.standing if sign * one.size_mm > 0.0)
            for sign in (1.0, -1.0)
        )
        both = tuple(fret for fret in high if fret in low)
        high, low = (tuple(fret for fret in one if fret not in both) for one in (high, low))
        told = [
            text
            for text, frets in (
                ("{high:frets} {high:plural stands|stand} high", high),
                ("{low:frets} {low:plural lies|lie} low", low),
                ("{both:frets} {both:plural is|are} uneven across the strings", both),
            )
            if frets
        ]
        text = ", ".join(told) + "." if told else "Every fret is level."
        text = re.sub(r"^{(\w+):frets}", r"{\1:plural Fret|Frets} {\1:numbers}", text)
        if self.hump_mm > _LEAST_SAID_MM:
            text += " Past the joint the board rises by {rise:length}."
        if self.fall_away_mm > _LEAST_SAID_MM:
            text += " Past the joint the board falls away by {fall:length}."
        return sentence(
            text, high=high, low=low, both=both, rise=self.hump_mm, fall=self.fall_away_mm
        )


def level_line(
    specification: Specification,
    measurement: Measurement,
    lines: StringLines,
    bow: Bow,
    smallest_cut_mm: float,
) -> LevelLine:
    """Return the level line of a neck, and which frets stand out from it; see `level_lines`.

    Adding a + b x to the heights of a string, x along it, moves the line with them and changes
    nothing else.

    Parameters
    ----------
    specification
        Board, joint and wire of the instrument.
    measurement
        Its heights; crowns may be missing, and what was interpolated or is nominal counts as
        unread.
    lines
        Its string lines.
    bow
        How the neck bows.
    smallest_cut_mm
        A crown that is off by less is taken as level [mm].
    """
    return level_lines(specification, measurement, lines, bow)(smallest_cut_mm)


def level_lines(
    specification: Specification, measurement: Measurement, lines: StringLines, bow: Bow
) -> Callable[[float], LevelLine]:
    """Return what gives the level line of a neck for a smallest cut, the line being drawn once.

    What it takes is what `level_line` takes.
    """
    tops = measurement.crown_top_mm
    origin = measurement.heights.origin[:, 1:-1]
    read = np.isin(origin, (Origin.READ, Origin.DERIVED)) & np.isfinite(tops)
    lost_mm, light_mm, worn = wear_read(specification, measurement)
    lost_u_mm = np.where(lost_mm > 0.0, measurement.crown_height_u_mm, 0.0)
    share = shares_of_u(scatter_u_mm(measurement.heights), read)
    board = -board_drop_mm(specification, lines)[:, 1:]

    def drawn(shapes: Shapes, tops_mm: FloatArray) -> Fit:
        return Fit.drawn(shapes, tops_mm + lost_mm, read, share, lost_u_mm)

    fit = drawn(Shapes.of(specification, lines, bow), tops - board)
    follows = False
    if board.any():
        along = drawn(fit.shapes, tops)
        if follows := along.off_mm < _ARCH_GAIN * fit.off_mm:
            fit, board = along, np.zeros_like(board)
    if 2 in fit.shapes.turns_told:
        bent = drawn(Shapes.of(specification, lines, bow, 2), tops - board)
        fit = bent if bent.off_mm < _CURVE_GAIN * fit.off_mm else fit
    # lines that might as well be drawn: as this one, through the middle, through all crowns; and
    # either wear that is too light to count is none, or it has to be put back too
    kept, others = read, [(1.0 / 3.0, fit), (1.0 / 3.0, fit.settled(read))]
    if (light_mm := np.where(read, light_mm, 0.0)).any():
        others = [(0.5 * chance, one) for chance, one in others]
        others += [(0.5, replace(fit, height_mm=fit.height_mm + light_mm.ravel()).settled(read))]
    fit, rivals = others[1][1].with_rivals(read)
    for _ in range(_MOST_PASSES):
        fit = fit.settled(kept)
        gap = np.where(read, tops - board - fit.line_mm, 0.0)
        crowns = _Crowns.of(gap, fit, read, worn, lines.y_mm[:, 1:])
        now = read & ((crowns.seen(crowns.scattered_mm2).off_mm == 0.0) | (lost_mm > 0.0))
        if (now == kept).all() or (2 * now.sum(axis=1) < read.sum(axis=1)).any():
            break
        kept = now
    seen = crowns.seen(*_covariances_mm2(measurement.heights, fit))
    past = fit.past_joint_mm
    rise = np.where(fit.rise_counts, np.maximum(past, 0.0), 0.0)
    level = fit.line_mm + board - rise
    fall = np.minimum(past, 0.0)
    at, onto = fit.pulls_of(np.abs(rise + fall) > 0.0, read)
    weights = np.tensordot(np.tensordot(bow.weights, at, 2), onto, 1)
    relief = bow.relief_mm(level - board - fall)
    usual_mm2 = median(scatter_u_mm(measurement.heights)[read]) ** 2
    rough_mm2 = max(fit.scatter_mm**2 - usual_mm2, LEAST_U_MM**2)
    pulls = fit.pulls_of(rise > 0.0, read)
    turned = [Shapes.of(specification, lines, bow, turns) for turns in fit.shapes.turns_told]
    rivals += [*others, *fit.likely(turned)]

    def open_u_mm(
        at_mm: FloatArray | float, along: FloatArray, of: Callable[[Fit], FloatArray], own: float
    ) -> FloatArray:
        rough = np.maximum(((along @ alike(along.shape[-1])) * along).sum(axis=-1), own)
        other = sum(chance * (of(one) - at_mm) ** 2 for chance, one in rivals)
        return np.asarray(np.sqrt(rough_mm2 * rough + other))

    relief_open_u_mm = float(
        open_u_mm(relief, weights.sum(axis=0), lambda one: one.bow_of(bow), 0.0)
    )
    flat = np.zeros_like(level)
    drawn_line = LevelLine(
        level_mm=level,
        smooth_mm=fit.line_mm + board,
        taken_mm=level,
        off_mm=flat,
        lower_mm=flat,
        higher_mm=flat,
        read=read,
        u_mm=seen.u_mm,
        standing=(),
        hump_mm=float(rise[:, -1].mean()),
        fall_away_mm=float(-fall[:, -1].mean()),
        relief_mm=relief,
        relief_weights=weights,
        relief_u_mm=_relief_u_mm(measurement.heights, weights, relief_open_u_mm),
        relief_open_u_mm=relief_open_u_mm,
        level_open_u_mm=open_u_mm(
            fit.line_mm,
            # a rough crown takes the line along with it
            pulls[0] @ pulls[1].sum(axis=1) - np.eye(read.shape[1]),
            lambda one: one.line_mm,
            1.0,
        ),
        pulls_mm_per_mm=pulls,
        scatter_mm=fit.scatter_mm,
        follows_arch=follows,
    )
    return partial(_for_cut, drawn_line, seen, rise)


def _for_cut(
    line: LevelLine, seen: _Seen, rise_mm: FloatArray, smallest_cut_mm: float
) -> LevelLine:
    """Return a line with what stands out from it by the smallest cut or more."""

    def beyond(over_mm: FloatArray) -> FloatArray:
        return np.where(line.read & (np.abs(over_mm) >= smallest_cut_mm), over_mm, 0.0)

    alone = beyond(seen.off_mm)
    off, least, most = (
        beyond(beyond(over) + rise_mm) for over in (alone, seen.least_mm, seen.most_mm)
    )
    return replace(
        line,
        taken_mm=line.level_mm + off,
        off_mm=off,
        lower_mm=np.maximum(off - least, 0.0),
        higher_mm=np.maximum(most - off, 0.0),
        standing=_standing(alone, seen.tilt_mm),
    )


def _relief_u_mm(heights: Heights, weights: FloatArray, open_u_mm: float) -> float:
    square = heights.variance(np.pad(weights, ((0, 0), (1, 1))))
    return float(np.sqrt(square + open_u_mm**2))


def _covariances_mm2(heights: Heights, fit: Fit) -> tuple[FloatArray, FloatArray]:
    """Return the covariance of the crowns of each fret about the line, shape (F, K, K), twice.

    As it is, and at least: as if the readings were without error and all that is seen to scatter
    were the neck's own roughness. The variance of a sum over crowns is convex in the scale of the
    uncertainties, so the larger of the two only grows with it.

    A cause that all crowns or those of one string share is mostly taken up by the line; what the
    crowns of one fret share is not.
    """
    count, frets = heights.strings, heights.frets
    own = np.nan_to_num(heights.own_u_mm[:, 1:-1])
    usual_u, seen = float(np.median(own)), fit.scatter_mm**2
    own = np.maximum(own, LEAST_U_MM) ** 2
    least = fit.spread_mm2(np.full_like(own, LEAST_U_MM**2), seen)
    found = fit.spread_mm2(own, max(seen - usual_u**2, LEAST_SCATTER_MM**2))
    at, weighted = fit.pulls
    for shared in heights.shared:
        effect = shared.effect_mm[:, 1:-1]
        if shared.by == "all":
            causes = effect[..., None]
        elif shared.by == "string":
            causes = effect[..., None] * np.eye(count)[:, None, :]
        else:
            causes = effect[..., None] * np.eye(frets)
        rows = causes.reshape(count * frets, -1)
        left = rows.reshape(count, frets, -1).swapaxes(0, 1) - at @ (weighted.T @ rows)
        found += left @ left.swapaxes(1, 2)
    return found, least


# ---- what stands out -----------------------------------------------------------------------------


@cache
def _quantile(chance: float, tests: int) -> float:
    """Return how many standard uncertainties any of so many two-sided tests has to exceed."""
    return NormalDist().inv_cdf(1.0 - chance / (2 * tests))


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """How far crowns stand out beyond what uncertainty explains, K strings over F frets."""

    off_mm: FloatArray  # 0 where a crown does not stand out, (K, F)
    least_mm: FloatArray  # the same as kind as can be to the frets behind: the lowest, (K, F)
    most_mm: FloatArray  # and to those ahead: the highest, (K, F)
    tilt_mm: FloatArray  # of each fret that is tilted, bass end less treble end, (F,)
    u_mm: FloatArray  # of a single crown over the line, (K, F)


@dataclass(frozen=True, slots=True, eq=False)
class _Crowns:
    """The crowns of K strings over F frets about a line, before it is asked which stand out.

    Nothing of this depends on how sure the readings are said to be. Every test holds such a figure
    against an uncertainty, so whatever stands out stands out with surer readings too.
    """

    gap_mm: FloatArray  # of each crown over the line, (K, F)
    straight_mm: FloatArray  # the same, of a straight line through the crowns of a fret, (K, F)
    others_mm: FloatArray  # the same, of a line through the other crowns of the fret, (K, F)
    mean_mm: FloatArray  # (F,)
    slope: FloatArray  # mm per mm across, (F,)
    share: FloatArray  # weights of a fret's mean, (K, F)
    turn: FloatArray  # and of its slope, (K, F)
    width_mm: FloatArray  # from the first string to the last, (F,)
    read: BoolArray
    worn: BoolArray
    scattered_mm2: FloatArray  # covariance by the crowns' own scatter, (F, K, K)

    @staticmethod
    def of(
        gap_mm: FloatArray, fit: Fit, read: BoolArray, worn: BoolArray, y_mm: FloatArray
    ) -> _Crowns:
        """Return the figures of crowns at places y across the neck, all of shape (K, F)."""
        u = fit.share.reshape(gap_mm.shape)
        with np.errstate(divide="ignore", invalid="ignore"):
            weight = read / u**2
            share = np.nan_to_num(weight / weight.sum(axis=0))
            arm = y_mm - (share * y_mm).sum(axis=0)
            turn = weight * arm * read
            turn = np.where(read.sum(axis=0) > 2, turn / (turn * arm).sum(axis=0), 0.0)
        turn = np.nan_to_num(turn, posinf=0.0, neginf=0.0)
        mean, slope = (share * gap_mm).sum(axis=0), (turn * gap_mm).sum(axis=0)
        noise = _noise_mm((gap_mm - mean - slope * arm) / u, read) or fit.scatter_mm
        rough = max(fit.scatter_mm**2 - noise**2, LEAST_SCATTER_MM**2)
        scattered = fit.spread_mm2((noise * u) ** 2, rough)
        tilted = np.abs(slope) > _TILTED_U * _size_u(turn, scattered)
        straight = mean + np.where(tilted, slope, 0.0) * arm
        pull = share + np.where(tilted, turn, 0.0) * arm
        return _Crowns(
            gap_mm=gap_mm,
            straight_mm=straight,
            others_mm=(straight - pull * gap_mm) / np.maximum(1.0 - pull, HARDLY),
            mean_mm=mean,
            slope=slope,
            share=share,
            turn=turn,
            width_mm=y_mm[-1] - y_mm[0],
            read=read,
            worn=worn,
            scattered_mm2=scattered,
        )

    def seen(self, *covariances_mm2: FloatArray) -> _Seen:
        """Look at each fret as a whole, at its tilt, at single crowns and at two neighbours.

        Going by the covariance, (F, K, K), that says most of each.
        """
        gap, straight, worn = self.gap_mm, self.straight_mm, self.worn
        count, frets = gap.shape
        variance = np.max([np.diagonal(one, axis1=1, axis2=2).T for one in covariances_mm2], axis=0)
        u = np.sqrt(np.maximum(variance, 0.1 * LEAST_U_MM**2))
        mean_u, slope_u = (_size_u(of, *covariances_mm2) for of in (self.share, self.turn))
        both_u = _of_two_u(covariances_mm2)

        def whole(times: float) -> tuple[BoolArray, BoolArray]:
            return np.abs(self.mean_mm) > times * mean_u, np.abs(self.slope) > times * slope_u

        named = np.logical_or(*whole(_quantile(BY_CHANCE, 2 * frets)))
        single, alone = _single(np.where(self.read, gap, 0.0), u, both_u)
        apart, lonely = _single(np.where(self.read, gap - straight, 0.0), u, both_u)

        crown_u = _quantile(BY_CHANCE, count * frets)
        strict = _quantile(STRICT * BY_CHANCE, 2 * frets)
        surely = np.logical_or(*whole(strict)) & (gap < -_LOW_U * u)
        surely &= self.others_mm < 0.5 * gap  # one crown alone makes no fret low
        surely &= (self.mean_mm < -strict * mean_u) | (gap < -crown_u * u)
        lone = (gap < -np.maximum(_LOW_CROWN_MM, _LOW_CROWN_U * u)) | worn
        low = surely | (single & (~alone | lone)) | (apart & (~lonely | lone))
        low |= worn & (gap < -_LOW_U * u)
        off = np.where(named & ~apart, straight, np.where(named | single, gap, 0.0))
        # the tilt of a high fret makes none of its crowns low, nor that of a worn one any higher
        # than it was read
        off = np.where((off < 0.0) & (~low | (gap > 0.5 * off)), 0.0, off)
        worn_side = straight.min(axis=0) < -_LOW_CROWN_MM
        off = np.where((off > 0.0) & worn_side, np.minimum(off, np.maximum(gap, 0.0)), off)
        below, above = np.minimum(gap, straight), np.maximum(gap, straight)
        least = np.where(apart & (gap > straight), gap, below)
        most = np.where(apart & (gap < straight), gap, above)
        tilted = named & whole(_TILTED_U)[1]
        return _Seen(
            off_mm=np.where(self.read, off, 0.0),
            least_mm=np.where(named | single, least, np.minimum(below, 0.0)),
            most_mm=np.where(low, most, np.maximum(above, 0.0)),
            tilt_mm=np.where(tilted, self.slope, 0.0) * self.width_mm + 0.0,
            u_mm=u,
        )


def _noise_mm(rest_mm: FloatArray, read: BoolArray) -> float:
    """Return the standard deviation of crowns, (K, F), about the straight lines of their frets.

    By the median over frets, half of which may be bent; one off as a whole or tilted is none. 0 if
    there are too few strings, or no fret was read under all.
    """
    whole = read.all(axis=0)
    free = len(rest_mm) - 2
    if free < 1 or not whole.any():
        return 0.0
    middle = (1.0 - 2.0 / (9.0 * free)) ** 3  # median of chi-squared over its degrees of freedom
    square = median((rest_mm[:, whole] ** 2).sum(axis=0)) / free
    return max(math.sqrt(square / middle), LEAST_U_MM)


def _size_u(weights: FloatArray, *covariances_mm2: FloatArray) -> FloatArray:
    """Return the standard uncertainty of a weighted sum over each fret, shape (F,)."""
    of = [np.einsum("kf,fkl,lf->f", weights, one, weights) for one in covariances_mm2]
    return np.asarray(np.sqrt(np.maximum(np.max(of, axis=0), 0.0)))


def _of_two_u(covariances_mm2: tuple[FloatArray, ...]) -> FloatArray:
    """Return the standard uncertainty of the sum of two neighbouring crowns, (K - 1, F)."""
    found = np.array([[LEAST_U_MM**2]])
    for one in covariances_mm2:
        variance = np.diagonal(one, axis1=1, axis2=2).T
        beside = np.diagonal(one, offset=1, axis1=1, axis2=2).T
        found = np.maximum(found, variance[:-1] + variance[1:] + 2.0 * beside)
    return np.asarray(np.sqrt(found))


def _single(rest: FloatArray, u: FloatArray, both_u: FloatArray) -> tuple[BoolArray, BoolArray]:
    """Return which crowns stand out by themselves or with a neighbour, and which all alone."""
    strict = _quantile(STRICT * BY_CHANCE, rest.size)
    out = np.abs(rest) > _quantile(BY_CHANCE, rest.size) * u
    both = rest[:-1] + rest[1:]
    alike = rest[:-1] * rest[1:] > 0.0
    # two are low by chance no more easily than one
    pair = alike & (np.abs(both) > np.where(both < 0.0, max(strict, _LOW_CROWN_U), strict) * both_u)
    out[:-1] |= pair
    out[1:] |= pair
    seen = out & (np.abs(rest) > _LOW_U * u)
    company = np.zeros_like(out)
    company[:-1] |= alike & seen[1:]
    company[1:] |= alike & seen[:-1]
    alone = out & ~company
    return out & (~alone | (np.abs(rest) > strict * u)), alone


def _standing(off: FloatArray, tilt_mm: FloatArray) -> tuple[StandsOut, ...]:
    """Return the frets that stand out up or down, by number."""
    found = []
    for j in np.flatnonzero(off.any(axis=0)):
        for sign in (1.0, -1.0):
            on = np.flatnonzero(sign * off[:, j] > 0.0)
            if on.size:
                of = off[on, j]
                strings = tuple(int(k) + 1 for k in on)
                size = float(sign * np.abs(of).max())
                found.append(
                    StandsOut(int(j) + 1, strings, size, float(of.mean()), float(tilt_mm[j]))
                )
    return tuple(found)


def standing_findings(line: LevelLine) -> tuple[Finding, ...]:
    """Return which frets stand high, lie low, or are tilted across the strings."""
    found = []
    for one in line.standing:
        high, whole = one.size_mm > 0.0, len(one.strings) == len(line.level_mm)
        text = "Fret {fret} {stands} under {strings:strings}: {size:length} off the level line "
        text += "where most."
        if whole:
            text = "Fret {fret} {stands}: {mean:length} off the level line on average, "
            text += "{size:length} where most."
        found.append(
            Finding(
                "high-fret" if high else "low-fret",
                text,
                At(frets=(one.fret,), strings=() if whole else one.strings),
                fret=one.fret,
                stands=sentence("stands high" if high else "lies low"),
                strings=one.strings,
                mean=abs(one.mean_mm),
                size=abs(one.size_mm),
            )
        )
    tilts = {one.fret: one.tilt_mm for one in line.standing if one.tilt_mm}
    found += [
        Finding(
            "tilted-fret",
            "Fret {fret} is tilted across the strings: its {end} end stands {tilt:length} higher "
            "than its {other} end.",
            At(frets=(fret,)),
            fret=fret,
            end="bass" if tilt > 0.0 else "treble",
            other="treble" if tilt > 0.0 else "bass",
            tilt=abs(tilt),
        )
        for fret, tilt in tilts.items()
    ]
    return tuple(found)
