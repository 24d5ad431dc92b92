"""How deep a plucked string swings over each fret, at any later time and within one period.

Until something touches, the motion is a sum of damped modes, so the deepest excursion over a
station is a length per newton: the supremum over all t >= 0, since a stiff string is deepest late
(over the next fret after 2 to 45 periods). No later time need be looked at than

    B(t) = sum |a_n phi_n| e^(-s_n t) <= the deepest found so far

allows, for B falls for ever and bounds the motion. Without losses there is no such time, and no
supremum short of B(0).

The search is coarse first and fine where it pays. Of each quarter period the lowest modes alone are
taken at a few moments; where they and all that the others could add stay under the deepest yet, the
block is done. The others are sampled with every mode that can still be heard, and the best few
samples of all are measured again on a finer grid with every mode. Both directions of the swing are
followed: a string pulled away from the board comes back, one pressed towards it starts there.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, pi
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from evenfall.arrays import FloatArray, IntArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from evenfall.strings.modes import PluckedString, StringModes

    ComplexArray = NDArray[np.complexfloating]

_BLOCKS_PER_PERIOD, _STEPS_PER_BLOCK = 4, 64
_STEPS_PER_PERIOD = _BLOCKS_PER_PERIOD * _STEPS_PER_BLOCK
_LOOK_MODES, _FEWEST_MODES = 144, 12  # that blocks are looked at with; fewer as they die
_SCREEN_MODES, _SCREEN_STEPS = 12, 12  # what blocks are chosen by; steps per block
_LONGER_SHARE = 6  # each later piece of time ends so many times as late as the one before
_WORTH_SHARE = 0.98  # a sample is measured again if it comes this near to the best ...
_MOST_SAMPLES = 4  # ... and is among the best few of its station and direction
_COARSE_SHARE = 0.998  # what a coarse sample surely counts for when it is held against the bound
_FINE_STEPS = 8  # per coarse step and side
_BOUND_PERIODS = 1.12 ** np.arange(84)  # where B is known: up to 12,000 periods
_FAINT_SHARE = 5e-3  # of the deepest: what modes may still add up to that are not looked at

_SMALL_PRODUCT = 200_000  # multiplications that stay on one core: threads cost more than they
# save on a busy machine

# The modes left out may add up to this share of the excursion over the nearest station if every
# one of them peaks at once; nearly all the time it is far less.
_TAIL_SHARE = 8e-3
_MODES_TRIED = 512
_MOST_MODES = 4096


@dataclass(frozen=True, slots=True)
class Swing:
    """Deepest excursions over F stations per newton of pluck [mm/N], each of shape (F,)."""

    away_mm_per_n: FloatArray  # the string is pulled away from the board and let go
    towards_mm_per_n: FloatArray  # it is pressed towards the board and let go
    away_first_mm_per_n: FloatArray  # the same within the first period
    towards_first_mm_per_n: FloatArray


def modes_needed(string: PluckedString, nearest_mm: float) -> int:
    """Return how many modes the excursion over a station this near to the stop asks for."""
    length, pluck = string.length_mm, string.pluck_distance_mm
    inharmonicity = (pi * string.stiff_length_mm / length) ** 2
    enough = _TAIL_SHARE * nearest_mm * pluck / length**2 * pi**2 / 2.0
    count = _MODES_TRIED
    while True:
        order = np.arange(1.0, count + 1.0)
        term = np.abs(
            np.sin(order * (pi * pluck / length)) * np.sin(order * pi * nearest_mm / length)
        )
        term *= np.abs(np.sinc(order * (string.pluck_width_mm / (2.0 * length))))
        term /= order**2 * (1.0 + inharmonicity * order**2)
        left_out = np.cumsum(term[::-1])[::-1]
        beyond = 1.0 / (3.0 * count * (1.0 + inharmonicity * count**2))
        if left_out[-1] + beyond <= enough or count >= _MOST_MODES:
            return max(1, int(np.argmax(left_out <= enough))) if left_out[-1] <= enough else count
        count *= 2


def deepest_swing(modes: StringModes) -> Swing:
    """Return the deepest excursions of a string over its stations per newton."""
    if not modes.decay_per_s.all():
        raise ValueError("a string without losses has no deepest excursion; follow some periods")
    return _Search(modes).swing()


def _directions(deepest: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return away and towards of deepest values up and down, shape (2, F)."""
    return deepest[1], deepest[0]


class _Search:
    """One string's motion, searched; directions: 0 = along the pluck, 1 = against it."""

    def __init__(self, modes: StringModes) -> None:
        self.part = modes.shape_fraction * modes.amplitude_mm_per_n  # (F, M)
        damped = np.sqrt(modes.angular_per_s**2 - modes.decay_per_s**2)
        self.release = 1.0 - 1j * modes.decay_per_s / damped  # at rest when let go
        period_s = 2.0 * pi / float(modes.angular_per_s[0])
        self.turn = (-modes.decay_per_s + 1j * damped) * period_s  # per period, (M,)
        self.steps = _powers(np.exp(self.turn / _STEPS_PER_PERIOD), _STEPS_PER_PERIOD)
        self.few_digits = (
            self.part.astype(np.float32),
            _halves(self.steps[:_STEPS_PER_BLOCK].conj()),
        )
        start = self.part.sum(axis=1)
        self.start = np.maximum(np.stack([start, -start]), 0.0)
        self.best = self.start.copy()  # found so far, by what the looks show, (2, F)
        self.first = self.best  # of the first period
        self.found: list[_Samples] = []

    def swing(self) -> Swing:
        self.look_at_first_period()
        self.first = self.best.copy()
        self.look_later()
        first, whole = self.measured()
        return Swing(*_directions(whole), *_directions(first))

    def look_at_first_period(self) -> None:
        """Look at every block of the first period."""
        every = np.arange(len(self.part) * _BLOCKS_PER_PERIOD)
        self.look(
            0,
            *np.divmod(every, _BLOCKS_PER_PERIOD),
            self.starts(0, _BLOCKS_PER_PERIOD, _LOOK_MODES),
        )

    def look_later(self) -> None:
        """Look at the blocks after the first period that the bound does not rule out.

        The lowest modes alone, taken at a few moments, and all that the others could add to them
        rule out most blocks that B leaves.
        """
        size = np.abs(self.part)
        fading = np.exp(np.outer(self.turn.real, _BOUND_PERIODS))
        bound = size @ fading
        left_out = np.cumsum((size.max(axis=0)[:, None] * fading)[::-1], axis=0)[::-1]
        low = slice(0, _SCREEN_MODES)
        step = self.turn[low] / (_BLOCKS_PER_PERIOD * _SCREEN_STEPS)
        unseen = np.ones(len(self.turn))
        unseen[low] = np.abs(step) ** 2 / 8.0  # between two moments: |u''| h^2 / 8
        unseen = (size * unseen) @ fading
        middles = np.exp(np.outer(np.arange(_SCREEN_STEPS) + 0.5, step))
        screen = _halves(self.part[:, low] * middles.conj()[:, None, :])  # (steps, F, 2 modes)
        done = 1
        while True:
            least = self.best.min(axis=0)
            passed = np.minimum((bound > least[:, None]).sum(axis=1), len(_BOUND_PERIODS) - 1)
            live = np.flatnonzero(_BOUND_PERIODS[passed] > done)
            if not len(live):
                return
            last = ceil(_BOUND_PERIODS[passed[live]].max())
            few = _SMALL_PRODUCT // (2 * _SCREEN_MODES * _BLOCKS_PER_PERIOD * len(live))
            until = min(last, _LONGER_SHARE * done, done + max(few, 1))
            periods = np.arange(done, until, 1.0 / _BLOCKS_PER_PERIOD)
            known = np.searchsorted(_BOUND_PERIODS, periods, side="right") - 1
            heard = int(np.count_nonzero(left_out[:, known[0]] > _FAINT_SHARE * least.min()))
            starts = self.starts(done, len(periods), min(max(heard, _FEWEST_MODES), _LOOK_MODES))
            moved = screen[:, live] @ _halves(starts[:, low]).T
            more = unseen[live[:, None], known]
            deeper = moved.max(axis=0) + more > self.best[0, live, None]
            deeper |= more - moved.min(axis=0) > self.best[1, live, None]
            station, block = np.nonzero(deeper)
            self.look(done, live[station], block, starts)
            done = until

    def look(
        self, period: int, station: IntArray, block: IntArray, starts: NDArray[np.complex64]
    ) -> None:
        """Look at blocks, counted from a period on, and keep what may be the deepest.

        The products are stacked, so that each stays on one core; single precision is enough to
        choose by.
        """
        if not len(block):
            return
        part, within = self.few_digits
        modes = starts.shape[1]
        width = 2 * modes
        few = max(1, _SMALL_PRODUCT // (width * _STEPS_PER_BLOCK))
        rows = np.zeros((-(-len(block) // few), few, width), np.float32)
        rows.reshape(-1, width)[: len(block)] = _halves(part[station, :modes] * starts[block])
        moved = (rows @ within[:, :width].T).reshape(-1, _STEPS_PER_BLOCK)[: len(block)]
        value = np.stack([moved.max(axis=1), -moved.min(axis=1)])
        first = np.concatenate([[0], np.flatnonzero(station[1:] != station[:-1]) + 1])
        coarse = _COARSE_SHARE * np.maximum.reduceat(value, first, axis=1)
        self.best[:, station[first]] = np.maximum(self.best[:, station[first]], coarse)
        way, at = np.nonzero(value >= _WORTH_SHARE * self.best[:, station])
        shown = moved[at] * np.where(way == 0, 1, -1).astype(np.float32)[:, None]
        first = period * _STEPS_PER_PERIOD + block[at] * _STEPS_PER_BLOCK
        self.found.append(_Samples(way, station[at], first + shown.argmax(axis=1), value[way, at]))

    def starts(self, period: int, count: int, modes: int) -> NDArray[np.complex64]:
        """Return the modes at the start of blocks from a period on, (count, modes)."""
        turn = self.turn[:modes]
        starts = _powers(np.exp(turn / _BLOCKS_PER_PERIOD).astype(np.complex64), count)
        starts *= self.release[:modes] * np.exp(turn * period)
        return starts

    def measured(self) -> tuple[FloatArray, FloatArray]:
        """Return the deepest of the first period and of all, from the motion about the samples."""
        samples = _Samples(*map(np.concatenate, zip(*self.found, strict=True)))
        early = (samples.time < _STEPS_PER_PERIOD).astype(int)
        span = 1 - early
        least = np.stack([self.first, self.best])
        chosen = samples.highest(span, _WORTH_SHARE * least[span, samples.way, samples.station])
        span, way, f, time = (
            span[chosen],
            samples.way[chosen],
            samples.station[chosen],
            samples.time[chosen],
        )
        turned = _powers(np.exp(self.turn), int(time.max()) // _STEPS_PER_PERIOD + 1)[
            time // _STEPS_PER_PERIOD
        ]
        turned *= self.steps[time % _STEPS_PER_PERIOD]
        turned *= self.part[f] * np.where(way == 0, 1.0, -1.0)[:, None]
        turned *= self.release / self.steps[1]  # a step early
        step = self.turn / (_STEPS_PER_PERIOD * _FINE_STEPS)
        shift = _powers(np.exp(step), 2 * _FINE_STEPS + 1)
        moved = np.empty((len(time), len(shift)))
        few = max(1, _SMALL_PRODUCT // (len(shift) * len(step)))
        for first in range(0, len(time), few):
            part = turned[first : first + few]
            moved[first : first + few] = part.real @ shift.real.T - part.imag @ shift.imag.T
        moved[time == 0, :_FINE_STEPS] = -np.inf  # nothing moves before the release
        deepest = np.stack([self.start, self.start])
        highest = moved.max(axis=1)
        np.maximum.at(deepest, (span, way, f), highest)
        # Between the fine samples about the highest the sum itself is taken where their parabola
        # has its top; the parabola's own height would lie about a kink.
        best = np.flatnonzero(highest >= deepest[span, way, f])
        between = np.multiply.outer(_top(moved[best]), step)
        top = np.cos(between.imag) * turned[best].real - np.sin(between.imag) * turned[best].imag
        top = (np.exp(between.real) * top).sum(axis=1)
        np.maximum.at(deepest, (span[best], way[best], f[best]), top)
        return deepest[0], deepest.max(axis=0)


class _Samples(NamedTuple):
    """Moments at which a station shows a depth in a direction."""

    way: IntArray
    station: IntArray
    time: IntArray  # in steps since the release
    value: FloatArray

    def highest(self, span: IntArray, least: FloatArray) -> IntArray:
        """Return the places of the highest few of each span, station and direction."""
        worth = np.flatnonzero(self.value >= least)
        group = (4 * self.station + 2 * span + self.way)[worth]
        order = np.lexsort((-self.value[worth], group))
        ordered = group[order]
        rank = np.arange(len(order)) - np.searchsorted(ordered, ordered)
        return np.asarray(worth[order[rank < _MOST_SAMPLES]])


def _halves(numbers: ComplexArray) -> NDArray[np.float32]:
    """Return the real and imaginary parts of complex numbers side by side, in single precision."""
    return np.ascontiguousarray(numbers, np.complex64).view(np.float32)


def _top(moved: FloatArray) -> FloatArray:
    """Return where each row's parabola, through its largest sample and neighbours, has its top."""
    at = np.clip(moved.argmax(axis=1), 1, moved.shape[1] - 2)
    row = np.arange(len(moved))
    before, middle, after = moved[row, at - 1], moved[row, at], moved[row, at + 1]
    with np.errstate(invalid="ignore"):
        bend = before - 2.0 * middle + after
        hill = (middle >= before) & (middle >= after) & (bend < 0.0) & np.isfinite(bend)
        aside = np.where(hill, 0.5 * (before - after) / np.where(hill, bend, -1.0), 0.0)
    return np.asarray(at + aside)


def _powers(base: ComplexArray, count: int) -> ComplexArray:
    """Return base**0 .. base**(count - 1) along the first axis, by doubling."""
    powers = np.empty((count, len(base)), dtype=base.dtype)
    powers[0] = 1.0
    known = 1
    while known < count:
        more = min(known, count - known)
        np.multiply(powers[:more], powers[known - 1] * base, out=powers[known : known + more])
        known += more
    return powers
