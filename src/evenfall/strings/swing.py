"""How deep a plucked string swings over each fret, at any later time and within one period.

Until something touches, the motion is a sum of damped modes, so the deepest excursion over a
station is a length per newton: the supremum over all t >= 0, since a stiff string is deepest late
(over the next fret after 2 to 45 periods). No later time need be looked at than

    B(t) = sum |a_n phi_n| e^(-s_n t) <= the deepest found so far

allows, for B falls for ever and bounds the motion. Without losses there is no such time, and no
supremum short of B(0).

The search is coarse first and fine where it pays. Blocks of a quarter period are sampled with the
modes that still matter, the best sample of each is kept, and those near the best of all are
measured again on a finer grid with every living mode. Both directions of the swing are followed:
a string pulled away from the board comes back, one pressed towards it starts there.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, pi
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from evenfall.arrays import FloatArray, IntArray
    from evenfall.strings.modes import PluckedString, StringModes

    ComplexArray = NDArray[np.complex128]

_BLOCKS_PER_PERIOD = 4
_EARLY_PERIODS, _EARLY_STEPS, _EARLY_MODES = 4, 256, 144  # dense, while the high modes live
_LATE_STEPS, _LATE_MODES, _MANY_MODES = 96, 48, 48
_LONGER_SHARE = 1.8  # each later piece of time ends so many times as late as the one before
_WORTH_SHARE = 0.92  # a sample is measured again if it comes this near to the best ...
_MOST_SAMPLES = 8  # ... and is among the best few of its station and direction
_COARSE_SHARE = 0.998  # what a coarse sample surely counts for when it is held against the bound
_FINE_STEPS = 8  # per coarse step and side
_BOUND_PERIODS = _EARLY_PERIODS * 1.12 ** np.arange(72)  # where B is known: up to 12,000 periods
_DEAD_SHARE, _FAINT_SHARE = 1e-4, 5e-3  # modes that may be left out when late times are
# measured again, and when they are looked through: what they still add up to, over the deepest

_SMALL_PRODUCT = 200_000  # multiplications that stay on one core: threads cost more than they
# save on a busy machine

# The modes left out may add up to this share of the excursion over the nearest station if every
# one of them peaks at once; nearly all the time it is far less.
_TAIL_SHARE = 1e-2
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


def first_period_swing(modes: StringModes) -> Swing:
    """Return the excursions within the first period alone; the string may be without losses."""
    first = _Search(modes).early(1)[0]
    return Swing(*_directions(first), *_directions(first))


def _directions(deepest: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return away and towards of deepest values up and down, shape (2, F)."""
    return deepest[1], deepest[0]


class _Search:
    """One string's motion, searched; directions: 0 = along the pluck, 1 = against it."""

    def __init__(self, modes: StringModes) -> None:
        self.part = modes.shape_fraction * modes.amplitude_mm_per_n  # (F, M)
        damped = np.sqrt(modes.angular_per_s**2 - modes.decay_per_s**2)
        self.rate = -modes.decay_per_s + 1j * damped
        self.release = 1.0 - 1j * modes.decay_per_s / damped  # at rest when let go
        self.decay = modes.decay_per_s
        self.period_s = 2.0 * pi / float(modes.angular_per_s[0])
        start = self.part.sum(axis=1)
        self.start = np.maximum(np.stack([start, -start]), 0.0)

    def swing(self) -> Swing:
        first, whole, best = self.early(_EARLY_PERIODS)
        late = self.late(np.maximum(best, whole))
        return Swing(*_directions(np.maximum(whole, late)), *_directions(first))

    def early(self, periods: int) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the deepest of the first period, of all these periods, and coarsely of them."""
        stations, count = self.part.shape
        every = np.arange(stations)
        sample, value = self.look(every, (0, periods), _EARLY_STEPS, min(_EARLY_MODES, count))
        blocks = slice(0, _BLOCKS_PER_PERIOD)
        first = self.start.copy()
        near = np.maximum(first, value[..., blocks].max(axis=2))
        self.measure(first, self.worth(sample[..., blocks], value[..., blocks], near), _EARLY_STEPS)
        best = np.maximum(first, _COARSE_SHARE * value.max(axis=2))
        whole = first.copy()  # holds what the first blocks come to; the others are still to measure
        rest = slice(_BLOCKS_PER_PERIOD, None)
        self.measure(whole, self.worth(sample[..., rest], value[..., rest], best), _EARLY_STEPS)
        return first, whole, best

    def late(self, best: FloatArray) -> FloatArray:
        """Return the deepest after the first periods, until the bound rules out any deeper."""
        best = best.copy()
        size = np.abs(self.part)
        fading = np.exp(np.outer(-self.decay * self.period_s, _BOUND_PERIODS))
        bound = size @ fading
        largest = size.max(axis=0)
        done = _EARLY_PERIODS
        found: dict[int, list[tuple[IntArray, IntArray, FloatArray]]] = {
            _EARLY_STEPS: [],
            _LATE_STEPS: [],
        }
        while True:
            least = best.min(axis=0)
            passed = np.minimum((bound > least[:, None]).sum(axis=1), len(_BOUND_PERIODS) - 1)
            live = np.flatnonzero(_BOUND_PERIODS[passed] > done)
            if not len(live):
                break
            last = float(_BOUND_PERIODS[passed[live]].max())
            until = min(ceil(last), int(_LONGER_SHARE * done))
            at = max(int(np.searchsorted(_BOUND_PERIODS, done, side="right")) - 1, 0)
            left_out = np.cumsum((largest * fading[:, at])[::-1])[::-1]
            heard = int(np.count_nonzero(left_out > _FAINT_SHARE * least.min()))
            dense = heard > _MANY_MODES  # a point pluck's high modes are heard for long
            steps = _EARLY_STEPS if dense else _LATE_STEPS
            most = _EARLY_MODES if dense else _LATE_MODES
            count = int(min(max(heard, 12), most, len(self.rate)))
            sample, value = self.look(live, (done, until), steps, count)
            best[:, live] = np.maximum(best[:, live], _COARSE_SHARE * value.max(axis=2))
            found[steps].append((live, sample, value))
            done = until
        left_out = np.cumsum((largest * fading[:, 0])[::-1])[::-1]
        living = max(1, int(np.count_nonzero(left_out > _DEAD_SHARE * best.min())))
        deepest = np.zeros_like(best)
        for steps, pieces in found.items():
            self.measure_all(deepest, pieces, best, steps, living)
        return deepest

    def measure_all(
        self,
        deepest: FloatArray,
        found: list[tuple[IntArray, IntArray, FloatArray]],
        best: FloatArray,
        steps: int,
        modes: int,
    ) -> None:
        """Raise `deepest` to what samples from several pieces of time turn out to be."""
        rows: list[list[IntArray]] = [[], [], []]
        values = []
        for live, sample, value in found:
            way, f, block = np.nonzero(value >= _WORTH_SHARE * best[:, live, None])
            for row, column in zip(rows, (way, live[f], sample[way, f, block]), strict=True):
                row.append(column)
            values.append(value[way, f, block])
        if not found or not sum(map(len, values)):
            return
        way, f, time = (np.concatenate(row) for row in rows)
        chosen = _highest_of_each(way * best.shape[1] + f, np.concatenate(values))
        self.measure(deepest, (way[chosen], f[chosen], time[chosen]), steps, modes)

    def look(
        self, live: IntArray, periods: tuple[int, int], steps: int, modes: int
    ) -> tuple[IntArray, FloatArray]:
        """Return the best sample of every block of a quarter period, and what it shows.

        Shapes (2, L, blocks): direction, station, block. Samples count from the release. The
        products are small and stacked: each stays on one core, and single precision is enough
        to choose by.
        """
        step_s = self.period_s / steps
        block = steps // _BLOCKS_PER_PERIOD
        count = (periods[1] - periods[0]) * _BLOCKS_PER_PERIOD
        rate = self.rate[:modes]
        within = _powers(np.exp(rate * step_s).astype(np.complex64), block)
        turned = np.empty((modes, 2, block), np.float32)
        turned[:, 0], turned[:, 1] = within.real.T, -within.imag.T
        starts = _powers(np.exp(rate * (block * step_s)).astype(np.complex64), count)
        starts *= self.release[:modes] * np.exp(rate * (periods[0] * self.period_s))
        parts = self.part[live, :modes].astype(np.float32) * starts[:, None, :]
        period = _BLOCKS_PER_PERIOD * len(live)
        few = period * modes * block <= _SMALL_PRODUCT  # then a whole period is one product
        together = parts.view(np.float32).reshape(-1, period if few else len(live), 2 * modes)
        rows = (together @ turned.reshape(2 * modes, block)).reshape(-1, block)
        every = np.arange(len(rows))
        high, low = rows.argmax(axis=1), rows.argmin(axis=1)
        value = np.stack([rows[every, high], -rows[every, low]]).reshape(2, count, len(live))
        first = np.arange(count)[:, None] * block + periods[0] * steps
        sample = np.stack([high, low]).reshape(2, count, len(live)) + first
        return sample.swapaxes(1, 2), value.swapaxes(1, 2)

    def worth(
        self, sample: IntArray, value: FloatArray, best: FloatArray
    ) -> tuple[IntArray, IntArray, IntArray]:
        """Return direction, station and time of the samples that may be the deepest."""
        way, f, block = np.nonzero(value >= _WORTH_SHARE * best[..., None])
        chosen = _highest_of_each(way * value.shape[1] + f, value[way, f, block])
        way, f, block = way[chosen], f[chosen], block[chosen]
        return way, f, sample[way, f, block]

    def measure(
        self,
        deepest: FloatArray,
        samples: tuple[IntArray, IntArray, IntArray],
        steps: int,
        modes: int | None = None,
    ) -> None:
        """Raise `deepest` to what the motion reaches within a step of these samples."""
        way, f, time = samples
        if not len(time):
            return
        step_s = self.period_s / steps
        rate = self.rate[:modes]
        one = np.exp(rate * step_s)
        fine, coarse = _powers(one, 129), 128
        turned = _powers(fine[coarse], int(time.max()) // coarse + 1)[time // coarse]
        turned *= fine[time % coarse]
        turned *= self.part[f, :modes] * np.where(way == 0, 1.0, -1.0)[:, None]
        turned *= self.release[:modes] / one  # a step early
        shift = _powers(np.exp(rate * (step_s / _FINE_STEPS)), 2 * _FINE_STEPS + 1)
        moved = np.empty((len(time), len(shift)))
        few = max(1, _SMALL_PRODUCT // (len(shift) * len(rate)))
        for first in range(0, len(time), few):
            part = turned[first : first + few]
            moved[first : first + few] = part.real @ shift.real.T - part.imag @ shift.imag.T
        moved[time == 0, :_FINE_STEPS] = -np.inf  # nothing moves before the release
        np.maximum.at(deepest, (way, f), moved.max(axis=1))
        # Between the fine samples about the highest the sum itself is taken where their parabola
        # has its top; the parabola's own height would lie about a kink.
        best = np.flatnonzero(moved.max(axis=1) >= deepest[way, f])
        between = np.exp(np.multiply.outer(_top(moved[best]) * (step_s / _FINE_STEPS), rate))
        top = np.vecdot(between.conj(), turned[best]).real
        np.maximum.at(deepest, (way[best], f[best]), top)


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


def _highest_of_each(group: IntArray, value: FloatArray) -> IntArray:
    """Return the places of the highest few values of each group."""
    order = np.lexsort((-value, group))
    ordered = group[order]
    rank = np.arange(len(order)) - np.searchsorted(ordered, ordered)
    return np.asarray(order[rank < _MOST_SAMPLES])


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
