"""How far a plucked string swings towards the frets: its excursion per newton of attack.

Whether a note rings clear is decided before anything touches: until the first contact the
string is linear, so its deepest excursion over every fret is a fixed length per newton, found
once and for all from the exact modal sum of the stiff string.

A string of speaking length l, tension T, linear density mu and bending stiffness EI is pinned at
both ends [1]_, [2]_, pulled aside by a static force F normal to the board and spread evenly over
a contact of width w, and let go from rest. With x and the pluck distance p from the saddle::

    u(x, t) = sum_n a_n sin(n pi x / l) cos(w_n t)
    w_n     = n (pi / l) sqrt(T / mu) sqrt(1 + B n^2),    B = pi^2 EI / (T l^2)
    a_n     = 2 F / (mu l w_n^2) sin(n pi p / l) sin(q) / q,    q = n pi w / (2 l)

Assumptions: both directions of plucking count, and so does the moment of release; stopping
leaves the tension as it is; there is no damping. Over the first two periods damping makes the
excursion smaller by less than 1 % (air and internal losses of plain steel). The linear density
cancels: mu w_n^2 does not hold it, and it sets only how fast time runs.

Known limit: the excursion is deepest early only for an ideal string. Dispersion lets later crests
reach deeper while damping lowers them; over the next fret of a plain 0.25 mm steel string stopped
at the 12th, 8 % beyond the ideal string within two periods becomes about 22 % within thirty.

References
----------
.. [1] N. H. Fletcher and T. D. Rossing, The Physics of Musical Instruments, 2nd ed., Springer
   1998, chapter 2 (modes of the plucked and of the stiff string; chapter from memory).
.. [2] C. Issanchou, S. Bilbao, J.-L. Le Carrou, C. Touze and O. Doare, "A modal-based approach
   to the nonlinear vibration of strings against a unilateral obstacle", J. Sound Vib. 393
   (2017) 229-251, doi:10.1016/j.jsv.2016.12.025 (B of the pinned stiff string).
"""

from __future__ import annotations

from math import isfinite, pi
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from evenfall.arrays import FloatArray

    ComplexArray = NDArray[np.complex128]

# The search over time: a coarse grid with the low modes finds the hills, a fine grid with all
# modes measures those that may be the highest.
_BLOCKS_PER_PERIOD, _STEPS_PER_BLOCK = 8, 32
_STEPS_PER_PERIOD = _BLOCKS_PER_PERIOD * _STEPS_PER_BLOCK
_COARSE_MODES = _STEPS_PER_PERIOD // 2  # two samples per cycle of the highest on the coarse grid
_WORTH_MEASURING = 0.97  # a hill is if it comes this near to the highest on the coarse grid ...
_MOST_HILLS = 6  # ... and is among the highest few of its station
_FINE_STEPS = 8  # per coarse step and side

# The modes left out may add up to this share of the shallowest excursion if every one of them
# peaks at once: the case right under a point pluck, nearly; elsewhere far less.
_TAIL_SHARE = 1e-3
_FEWEST_MODES, _MOST_MODES = 32, 20_000


def excursion_per_newton(
    *,
    speaking_length_mm: float,
    tension_n: float,
    linear_density_kg_per_m: float,
    bending_stiffness_n_mm2: float,
    station_mm: FloatArray,
    pluck_distance_mm: float,
    pluck_width_mm: float,
    periods: int = 2,
) -> FloatArray:
    """Return the deepest excursion e[i, j] of one string over each fret, per newton of attack.

    e[i, j] = max over the first periods of the lowest mode of |u(x_j, t)| / F [mm/N] for the string
    stopped at i (0 = open), zero where j <= i; multiply by the force component normal to the board.
    Stations are those of the nut (0) and of the frets along the string, shape (F + 1,). Where the
    stopped string is shorter than twice the pluck distance, it is plucked at half its length.

    Within 0.1 % of the converged modal sum, ideal string and point pluck included; typically within
    0.01 %. ValueError for a quantity out of range, or a contact wider than the string around it.
    """
    if periods < 1:
        raise ValueError(f"periods must be 1 or more, not {periods}.")
    _check_string(linear_density_kg_per_m, bending_stiffness_n_mm2)
    length, pluck = _stopped(speaking_length_mm, tension_n, station_mm, pluck_distance_mm)
    _check_width(pluck_width_mm, pluck)
    inharmonicity = pi**2 * bending_stiffness_n_mm2 / (tension_n * length**2)
    ideal = parallelogram_excursion_per_newton(
        speaking_length_mm=speaking_length_mm,
        tension_n=tension_n,
        station_mm=station_mm,
        pluck_distance_mm=pluck_distance_mm,
    )
    excursion = np.zeros_like(ideal)
    for i in range(len(length) - 1):
        # mm/N of the static shape: 2 F / (mu l w_n^2) = unit / (n^2 (1 + B n^2))
        unit = 2.0 * length[i] / (pi**2 * tension_n)
        modes = _modes_needed(
            tail=_TAIL_SHARE * ideal[i, i + 1 :].min() / unit,
            inharmonicity=inharmonicity[i],
            width_angle=pi * pluck_width_mm / (2.0 * length[i]),
        )
        order = np.arange(1.0, modes + 1.0)
        squeeze = 1.0 + inharmonicity[i] * order**2
        amplitude = (unit / (order**2 * squeeze)) * (
            np.sin(order * (pi * pluck[i] / length[i]))
            * np.sinc(order * (pluck_width_mm / (2.0 * length[i])))  # numpy: sin(pi q)/(pi q)
        )
        shape = np.sin(np.outer(length[i + 1 :], order * (pi / length[i])))
        turns_per_period = order * np.sqrt(squeeze / squeeze[0])
        excursion[i, i + 1 :] = _highest(shape * amplitude, turns_per_period, periods)
    return excursion


def pluck_compliance_mm_per_n(
    *,
    speaking_length_mm: float,
    tension_n: float,
    linear_density_kg_per_m: float,
    bending_stiffness_n_mm2: float,
    station_mm: FloatArray,
    pluck_distance_mm: float,
    pluck_width_mm: float,
) -> FloatArray:
    """Return the displacement at the middle of the pluck, per newton, by stopped fret; (F + 1,).

    The static modal sum u(p, 0) / F in closed form: the deflection of a pinned beam under
    tension, its point-load solution averaged over the contact. With b = l - p, h = w / 2 and
    k = sqrt(T / EI)::

        (1 / T) (p b / l - w / 8
                 - (1 - (sinh k(l - h) + sinh kh cosh k(b - p)) / sinh kl) / (w k^2))

    Ideal string and point pluck: p b / (T l). Derived here; tested against the sum itself.
    """
    _check_string(linear_density_kg_per_m, bending_stiffness_n_mm2)
    length, pluck = _stopped(speaking_length_mm, tension_n, station_mm, pluck_distance_mm)
    _check_width(pluck_width_mm, pluck)
    beyond = length - pluck
    point = pluck * beyond / length
    if bending_stiffness_n_mm2 == 0.0:
        ideal: FloatArray = (point - pluck_width_mm / 8.0) / tension_n
        return ideal
    # Hyperbolic functions as falling exponentials: k l is about 1000, whose sinh overflows.
    k_per_mm = np.sqrt(tension_n / bending_stiffness_n_mm2)
    whole = -np.expm1(-2.0 * k_per_mm * length)
    if pluck_width_mm * k_per_mm < 1e-5:
        # The wide formula loses digits here, and width no longer matters (order k w^2 / 48).
        ends = np.expm1(-2.0 * k_per_mm * pluck) * np.expm1(-2.0 * k_per_mm * beyond)
        at_point: FloatArray = (point - ends / (2.0 * k_per_mm * whole)) / tension_n
        return at_point
    half_mm = pluck_width_mm / 2.0
    apart = np.abs(beyond - pluck)
    near = np.exp(-k_per_mm * half_mm) * -np.expm1(-2.0 * k_per_mm * (length - half_mm)) / whole
    far = (
        np.exp(k_per_mm * (half_mm + apart - length))
        * -np.expm1(-2.0 * k_per_mm * half_mm)
        * (1.0 + np.exp(-2.0 * k_per_mm * apart))
        / (2.0 * whole)
    )
    bend = (1.0 - near - far) / (pluck_width_mm * k_per_mm**2)
    spread: FloatArray = (point - pluck_width_mm / 8.0 - bend) / tension_n
    return spread


def parallelogram_excursion_per_newton(
    *,
    speaking_length_mm: float,
    tension_n: float,
    station_mm: FloatArray,
    pluck_distance_mm: float,
) -> FloatArray:
    """Return the excursion of the ideal string: `excursion_per_newton` for EI = 0, width = 0.

    A string without stiffness plucked at a point moves inside a parallelogram: its static
    triangle and the same triangle turned half round, half a period later (d'Alembert's
    solution; any acoustics text, for instance Fletcher and Rossing, chapter 2). At distance d
    from the stopped fret::

        e = h max(tri(d; p), tri(d; l - p)),    h = p (l - p) / (T l)

    where tri(d; q) rises from 0 at d = 0 to 1 at d = q and falls to 0 at d = l. A fast estimate,
    not a bound: over the next frets a real string swings several to thirty per cent deeper.
    """
    length, pluck = _stopped(speaking_length_mm, tension_n, station_mm, pluck_distance_mm)
    from_saddle = length[None, :]
    from_stop = length[:, None] - from_saddle
    near, far = pluck[:, None], (length - pluck)[:, None]
    # Both triangles are the lower of their two sides; p (l - p) / l is taken into the sides.
    turned = np.minimum(from_stop * far, from_saddle * near)
    static = np.minimum(from_stop * near, from_saddle * far)
    ideal: FloatArray = np.maximum(turned, static) / (tension_n * length[:, None])
    return np.triu(ideal, k=1)


def _highest(station_mode: FloatArray, turns_per_period: FloatArray, periods: int) -> FloatArray:
    """Return max |sum_n station_mode[j, n] cos(w_n t)| over the periods, for each station j.

    `turns_per_period` is w_n / w_1. Times are counted in periods of the lowest mode.
    """
    step_angle = (2.0 * pi / _STEPS_PER_PERIOD) * turns_per_period
    # exp(i w_n t) on the coarse grid is the product of a block's start and a step within it.
    step = _powers(np.exp(1j * step_angle), _STEPS_PER_BLOCK)
    block = _powers(step[-1] * step[1], periods * _BLOCKS_PER_PERIOD)

    low = slice(0, _COARSE_MODES)
    cosine = block.real[:, None, low] * step.real[:, low]
    cosine -= block.imag[:, None, low] * step.imag[:, low]
    coarse = np.abs(_row_by_block(station_mode[:, low], cosine.swapaxes(1, 2)))

    # A hill at the very start is measured from the first step, whose surroundings hold it.
    coarse = coarse[:, 1:]
    worth = coarse >= _WORTH_MEASURING * coarse.max(axis=1, keepdims=True)
    worth[:, 1:] &= coarse[:, 1:] >= coarse[:, :-1]
    worth[:, :-1] &= coarse[:, :-1] >= coarse[:, 1:]
    station, hill = np.nonzero(worth)  # at least one of each station: its highest
    order = np.lexsort((-coarse[station, hill], station))
    first = np.searchsorted(station, np.arange(len(coarse)))
    order = order[np.arange(len(order)) - first[station] < _MOST_HILLS]
    station, sample = station[order], hill[order] + 1

    # u(t + s) = C - S and u(t - s) = C + S, with C from cos(w s) and S from sin(w s).
    turned = block[sample // _STEPS_PER_BLOCK] * step[sample % _STEPS_PER_BLOCK]
    turned *= station_mode[station]
    shares = np.arange(1, _FINE_STEPS + 1).reshape(-1, 1, _FINE_STEPS // 2) / _FINE_STEPS
    shift = step_angle[:, None] * shares
    even = _row_by_block(turned.real, np.cos(shift))
    odd = _row_by_block(turned.imag, np.sin(shift))
    middle = turned.real.sum(axis=1, keepdims=True)
    fine = np.abs(np.hstack([(even + odd)[:, ::-1], middle, even - odd]))

    # Between the samples of the highest hill the sum itself is taken, not its parabola, which
    # would lie about a kink.
    peak = fine.max(axis=1)
    by_height = np.lexsort((peak, station))
    chosen = by_height[np.append(np.flatnonzero(np.diff(station)), len(station) - 1)]
    turned = turned[chosen]
    angle = np.outer(_top_of_parabola(fine[chosen]) / _FINE_STEPS - 1.0, step_angle)
    top = np.vecdot(turned.real, np.cos(angle)) - np.vecdot(turned.imag, np.sin(angle))

    # The ends of the motion are no hills, but may be the highest points of a slope.
    last = (block[-1] * step[-1] * step[1]).real
    ends = np.stack([station_mode.sum(axis=1), np.vecdot(station_mode, last)])
    highest: FloatArray = np.abs([top, peak[chosen], *ends]).max(axis=0)
    return highest


def _row_by_block(rows: FloatArray, blocks: FloatArray) -> FloatArray:
    """Return rows (J, M) times blocks (S, M, N), the blocks side by side: shape (J, S N).

    Products this small stay on one core. Spread over several cores they are hardly faster, and
    many times slower on a busy machine.
    """
    product: FloatArray = (rows @ blocks).swapaxes(0, 1).reshape(len(rows), -1)
    return product


def _powers(base: ComplexArray, count: int) -> ComplexArray:
    """Return base**0 .. base**(count - 1) along the first axis, by doubling."""
    powers = np.empty((count, len(base)), dtype=np.complex128)
    powers[0] = 1.0
    known = 1
    while known < count:
        more = min(known, count - known)
        np.multiply(powers[:more], powers[known - 1] * base, out=powers[known : known + more])
        known += more
    return powers


def _top_of_parabola(samples: FloatArray) -> FloatArray:
    """Return where each row's parabola, through its largest sample and neighbours, has its top.

    In samples from the first of the row; never more than half a sample from the largest one.
    """
    row = np.arange(len(samples))
    best = samples.argmax(axis=1)
    inner = np.clip(best, 1, samples.shape[1] - 2)
    before, largest, after = (samples[row, inner + offset] for offset in (-1, 0, 1))
    bend = 2.0 * largest - before - after
    summit = (best == inner) & (bend > 0.0)
    top: FloatArray = best + np.where(
        summit, (after - before) / (2.0 * np.where(summit, bend, 1.0)), 0.0
    )
    return top


def _modes_needed(tail: float, inharmonicity: float, width_angle: float) -> int:
    """Return a number of modes M with sum over n > M of |a_n| / unit <= tail.

    The terms are below each of 1/n^2, 1/(B n^4), 1/(v n^3) and 1/(v B n^5), v = width_angle;
    each is summed as an integral and solved for M.
    """
    counts = [1.0 / tail]
    if inharmonicity > 0.0:
        counts.append((3.0 * inharmonicity * tail) ** (-1.0 / 3.0))
    if width_angle > 0.0:
        counts.append((2.0 * width_angle * tail) ** (-1.0 / 2.0))
    if inharmonicity > 0.0 and width_angle > 0.0:
        counts.append((4.0 * width_angle * inharmonicity * tail) ** (-1.0 / 4.0))
    return int(np.clip(np.ceil(min(counts)), _FEWEST_MODES, _MOST_MODES))


def _stopped(
    speaking_length_mm: float,
    tension_n: float,
    station_mm: FloatArray,
    pluck_distance_mm: float,
) -> tuple[FloatArray, FloatArray]:
    """Return length and pluck distance [mm] by stopped fret, after checking the input."""
    _check_positive("speaking_length_mm", speaking_length_mm)
    _check_positive("tension_n", tension_n)
    _check_positive("pluck_distance_mm", pluck_distance_mm)
    station = np.asarray(station_mm, dtype=np.float64)
    if station.ndim != 1 or len(station) == 0:
        raise ValueError(
            f"station_mm must be one row of stations with the nut first, "
            f"but has shape {station.shape}."
        )
    if not np.isfinite(station).all() or station[0] != 0.0 or (np.diff(station) <= 0.0).any():
        raise ValueError("station_mm must start at 0 (the nut) and increase towards the saddle.")
    if station[-1] >= speaking_length_mm:
        raise ValueError(
            f"The last fret at {station[-1]:g} mm must lie before the saddle "
            f"at {speaking_length_mm:g} mm."
        )
    length = speaking_length_mm - station
    return length, np.minimum(pluck_distance_mm, length / 2.0)


def _check_string(linear_density_kg_per_m: float, bending_stiffness_n_mm2: float) -> None:
    _check_positive("linear_density_kg_per_m", linear_density_kg_per_m)
    if not (isfinite(bending_stiffness_n_mm2) and bending_stiffness_n_mm2 >= 0.0):
        raise ValueError(
            f"bending_stiffness_n_mm2 must be zero or more, not {bending_stiffness_n_mm2}."
        )


def _check_width(pluck_width_mm: float, pluck_mm: FloatArray) -> None:
    widest_mm = 2.0 * float(pluck_mm.min())
    if not (isfinite(pluck_width_mm) and 0.0 <= pluck_width_mm < widest_mm):
        raise ValueError(
            f"pluck_width_mm must be at least 0 and less than {widest_mm:g} mm, "
            f"twice the distance from the pluck to the nearer end, not {pluck_width_mm}."
        )


def _check_positive(name: str, quantity: float) -> None:
    if not (isfinite(quantity) and quantity > 0.0):
        raise ValueError(f"{name} must be positive, not {quantity}.")
