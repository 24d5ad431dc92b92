# mypy: disable-error-code="untyped-decorator"
# ruff: noqa: PLR0912, PLR0915, PLR0917
"""The compiled kernel: modes stepped through time over frets that they cannot pass.

Contact acts on one side only. At every step the free motion is computed first; where it would
lie under a crown, forces are found that keep it off, all frets at once. Two laws:

* Rigid crown. Force and gap are complementary: no force where there is a gap, no gap where there
  is force. The string never lies under a crown; what moves at the point of contact gives up its
  speed, an energy that goes to zero with the step. A linear complementarity problem with a
  symmetric positive definite matrix, solved by projected sweeps [1]_.
* Elastic crown, potential 2/5 K depth^(5/2) (Hertz's exponent), by a discrete gradient: the
  force is the change of the potential over two steps divided by the change of the depth, which
  conserves the energy of string and crowns to rounding, whatever the step [2]_. The same sweeps,
  with one scalar root per fret.

Forces at frets that are far apart barely touch each other within one step, so a few sweeps do.

A call plays one run and holds no lock of the interpreter meanwhile, so many may go on at once in
threads of their caller's. It ends soon after its caller sets `stop[0]` to something else than 0;
what it has written by then means nothing.

Everything here is plain arrays and loops. Indices run upwards from zero, since an index that may
be negative keeps a loop from becoming vector instructions. Compiled functions take their many
arguments by place, and one long loop is what the compiler does best; hence the rules that are
off in this file.

References
----------
.. [1] R. W. Cottle, J.-S. Pang and R. E. Stone, The Linear Complementarity Problem, SIAM 2009,
   chapter 5 (chapter from memory); rigid contact of modal strings: C. Issanchou, V. Acary,
   F. Perignon, C. Touze and J.-L. Le Carrou, J. Acoust. Soc. Am. 143 (2018),
   doi:10.1121/1.5039740 (there on velocities, here on positions).
.. [2] S. Bilbao and A. Torin, J. Audio Eng. Soc. 63 (2015) 336-347,
   doi:10.17743/jaes.2015.0023; C. Issanchou et al., J. Sound Vib. 393 (2017) 229-251.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numba as nb
import numpy as np

from evenfall.arrays import FloatArray, IntArray

if TYPE_CHECKING:
    Table = FloatArray  # columns in different units

#: Threads that can work at once; each call of the play test has its own.
CORES: int = nb.config.NUMBA_NUM_THREADS  # type: ignore[attr-defined]

#: Columns of the numbers that `play_run` returns for each run.
FIRST_S, LOSS, PENETRATION, PEAK, LARGEST_STRIKE = range(5)
NUMBERS = 5
#: Columns of the counts that `play_run` returns for each run.
FIRST_FRET, STRIKES, STRIKES_OVER, LOGGED, CONTACT_STEPS, SWEEPS, UNSETTLED = range(7)
COUNTS = 7
#: Columns of a logged strike.
STRIKE_FRET, STRIKE_START_S, STRIKE_LENGTH_S, STRIKE_IMPULSE, STRIKE_PEAK = range(5)
STRIKE_COLUMNS = 5

_START, _LAST, _IMPULSE, _PEAK = range(4)  # columns of a running strike; start -1: none

_STEPS_BETWEEN_LOOKS = 1024  # at whether to stop; about a millisecond

_MOST_SWEEPS = 500
_SETTLED = 1e-14  # change of a force between sweeps, as a share of the largest
_MOST_ROOT_STEPS = 80

# Sums may be taken in any order, so that they become vector instructions; nothing else is free.
_ANY_ORDER = {"reassoc", "contract", "nsz"}


@nb.njit(cache=True, nogil=True, fastmath=_ANY_ORDER, error_model="numpy")
def _project(shape: FloatArray, state: FloatArray, at_fret: FloatArray) -> None:
    """Write the displacement at the first frets: the product of shape (F, M) and state (M,)."""
    frets, modes = len(at_fret), len(state)
    fret = 0
    while fret + 4 <= frets:
        row0, row1, row2, row3 = shape[fret], shape[fret + 1], shape[fret + 2], shape[fret + 3]
        sum0, sum1, sum2, sum3 = 0.0, 0.0, 0.0, 0.0
        for j in range(modes):
            amplitude = state[j]
            sum0 += row0[j] * amplitude
            sum1 += row1[j] * amplitude
            sum2 += row2[j] * amplitude
            sum3 += row3[j] * amplitude
        at_fret[fret] = sum0
        at_fret[fret + 1] = sum1
        at_fret[fret + 2] = sum2
        at_fret[fret + 3] = sum3
        fret += 4
    if fret + 2 <= frets:
        row0, row1 = shape[fret], shape[fret + 1]
        sum0, sum1 = 0.0, 0.0
        for j in range(modes):
            amplitude = state[j]
            sum0 += row0[j] * amplitude
            sum1 += row1[j] * amplitude
        at_fret[fret] = sum0
        at_fret[fret + 1] = sum1
        fret += 2
    if fret < frets:
        row0 = shape[fret]
        sum0 = 0.0
        for j in range(modes):
            sum0 += row0[j] * state[j]
        at_fret[fret] = sum0


@nb.njit(cache=True, nogil=True, error_model="numpy")
def _step(turn: FloatArray, keep: FloatArray, now: FloatArray, before: FloatArray) -> None:
    """Overwrite the state before with the free state after."""
    for j in range(len(now)):
        before[j] = turn[j] * now[j] - keep[j] * before[j]


@nb.njit(cache=True, nogil=True, error_model="numpy")
def _elastic_force(depth_before: float, offset: float, compliance: float, rigidity: float) -> float:
    """Return the force f with r + offset + compliance f = 0 and f r = change of the potential.

    r is the change of the depth over two steps; the potential is rigidity depth^(5/2) where the
    depth is positive. The left side grows with r, so there is one root; it is found for the root
    of the new depth, in which everything is smooth.
    """
    deep = math.sqrt(depth_before) if depth_before > 0.0 else 0.0
    stiff = compliance * rigidity
    if offset - depth_before + stiff * deep * deep * deep >= 0.0:  # the string leaves
        if depth_before <= 0.0:
            return 0.0
        stored = rigidity * deep * depth_before * depth_before
        change = 0.5 * (-offset - math.sqrt(offset * offset + 4.0 * compliance * stored))
        return -stored / change
    target = depth_before - offset
    low, high = 0.0, math.sqrt(target)
    x: float = min((target / stiff) ** (1.0 / 3.0), high)
    for _ in range(_MOST_ROOT_STEPS):
        square = x * x
        # (x^5 - deep^5) / (x^2 - deep^2) without cancellation, and its slope
        if deep > 0.0:
            square_deep = deep * deep
            cube_deep = square_deep * deep
            top = (((x + deep) * x + square_deep) * x + cube_deep) * x + cube_deep * deep
            top_slope = ((4.0 * x + 3.0 * deep) * x + 2.0 * square_deep) * x + cube_deep
            bottom, bottom_slope = x + deep, 1.0
        else:
            top, top_slope = square * square * x, 5.0 * square * square
            bottom, bottom_slope = square - depth_before, 2.0 * x
        quotient = top / bottom
        miss = square - target + stiff * quotient
        if miss > 0.0:
            high = x
        else:
            low = x
        slope = 2.0 * x + stiff * (top_slope - quotient * bottom_slope) / bottom
        better = x - miss / slope
        if not low < better < high:
            better = 0.5 * (low + high)
        settled = abs(better - x) <= 4e-16 * x
        x = better
        if settled:
            break
    return (target - x * x) / compliance


@nb.njit(cache=True, nogil=True, error_model="numpy")
def _contact(
    depth: FloatArray,
    depth_before: FloatArray,
    compliance: FloatArray,
    rigidity: float,
    force: FloatArray,
) -> int:
    """Find the forces at all frets from their free depths, and the depths that result.

    `rigidity` infinite means the rigid law. Returns the number of sweeps, negative if the forces
    had not settled.
    """
    frets = len(depth)
    rigid = math.isinf(rigidity)
    sweeps = 0
    settled = False
    while not settled and sweeps < _MOST_SWEEPS:
        sweeps += 1
        change, largest = 0.0, 0.0
        for f in range(frets):
            free = depth[f]
            for g in range(frets):
                if force[g] != 0.0 and g != f:
                    free -= compliance[f, g] * force[g]
            if rigid:
                better = max(0.0, free / compliance[f, f])
            elif free > 0.0 or depth_before[f] > 0.0:
                better = _elastic_force(
                    depth_before[f], depth_before[f] - free, compliance[f, f], rigidity
                )
            else:
                better = 0.0
            change = max(change, abs(better - force[f]))
            largest = max(largest, better)
            force[f] = better
        settled = change <= _SETTLED * largest
    for f in range(frets):
        pushed = 0.0
        for g in range(frets):
            if force[g] != 0.0:
                pushed += compliance[f, g] * force[g]
        depth[f] -= pushed
        if rigid and force[f] > 0.0:
            depth[f] = 0.0  # rounding aside, it is
    return sweeps if settled else -sweeps


@nb.njit(cache=True, nogil=True, error_model="numpy")
def _log(
    fret: int,
    running: FloatArray,
    k: float,
    floor: float,
    over: float,
    numbers: Table,
    counts: IntArray,
    strikes: Table,
) -> None:
    """Note the strike that has been running at a fret, and end it."""
    impulse = running[_IMPULSE]
    counts[STRIKES] += 1
    counts[STRIKES_OVER] += impulse >= over
    numbers[LARGEST_STRIKE] = max(numbers[LARGEST_STRIKE], impulse)
    row = counts[LOGGED]
    if impulse >= floor and row < len(strikes):
        strikes[row, STRIKE_FRET] = fret
        strikes[row, STRIKE_START_S] = (running[_START] + 1.0) * k
        strikes[row, STRIKE_LENGTH_S] = (running[_LAST] - running[_START] + 1.0) * k
        strikes[row, STRIKE_IMPULSE] = impulse
        strikes[row, STRIKE_PEAK] = running[_PEAK]
        counts[LOGGED] += 1
    running[_START] = -1.0


@nb.njit(cache=True, nogil=True, error_model="numpy")
def _push(
    gain: FloatArray,
    shape: FloatArray,
    force: FloatArray,
    k: float,
    state: FloatArray,
    numbers: Table,
    impulse: FloatArray,
) -> float:
    """Add the forces to the state; return the sum of the forces."""
    total = 0.0
    for f in range(len(force)):
        push = force[f]
        if push > 0.0:
            row = shape[f]
            for j in range(len(state)):
                state[j] += push * (gain[j] * row[j])
            numbers[PEAK] = max(numbers[PEAK], push)
            impulse[f] += push * k
            total += push
    return total


@nb.njit(cache=True, nogil=True, error_model="numpy")
def _one_run(
    turn: FloatArray,
    keep: FloatArray,
    gain: FloatArray,
    shape: FloatArray,
    compliance: FloatArray,
    crown: FloatArray,
    before: FloatArray,
    now: FloatArray,
    frets: int,
    rate: float,
    steps: int,
    rigidity: float,
    strike_gap: float,
    strike_floor: float,
    strike_over: float,
    numbers: Table,
    counts: IntArray,
    impulse: FloatArray,
    strikes: Table,
    pulse: FloatArray,
    pulse_rate: float,
    listen: FloatArray,
    sound: FloatArray,
    sound_every: int,
    stop: IntArray,
) -> None:
    """Play one run; `before` and `now` hold the first two states and, at the end, the last two."""
    k = 1.0 / rate
    elastic = not math.isinf(rigidity)
    depth, depth_now, depth_before = np.empty(frets), np.empty(frets), np.empty(frets)
    force = np.zeros(frets)
    running = np.full((frets, 4), -1.0)
    gap_steps = strike_gap * rate
    _project(shape, before, depth_before)
    _project(shape, now, depth_now)
    for f in range(frets):
        depth_before[f] = crown[f] - depth_before[f]
        depth_now[f] = crown[f] - depth_now[f]
    for n in range(steps):
        if n % _STEPS_BETWEEN_LOOKS == 0 and stop[0] != 0:
            return
        _step(turn, keep, now, before)
        _project(shape, before, depth)
        near = False
        for f in range(frets):
            depth[f] = crown[f] - depth[f]
            near |= depth[f] > 0.0
        if elastic:
            for f in range(frets):
                near |= depth_before[f] > 0.0
        if near:
            force[:] = 0.0
            sweeps = _contact(depth, depth_before, compliance, rigidity, force)
            total = _push(gain, shape, force, k, before, numbers, impulse)
            counts[SWEEPS] += abs(sweeps)
            counts[UNSETTLED] += sweeps < 0
            counts[CONTACT_STEPS] += 1
            place = int((n + 1) * k * pulse_rate)
            if place < len(pulse):
                pulse[place] += total * k
            for f in range(frets):
                if force[f] > 0.0:
                    numbers[LOSS] += 0.5 * force[f] * (depth[f] - depth_before[f])
                    numbers[PENETRATION] = max(numbers[PENETRATION], depth[f])
                    if counts[FIRST_FRET] < 0:
                        counts[FIRST_FRET] = f
                        numbers[FIRST_S] = (n + 1) * k
                    strike = running[f]
                    if strike[_START] >= 0.0 and n - strike[_LAST] > gap_steps:
                        _log(f, strike, k, strike_floor, strike_over, numbers, counts, strikes)
                    if strike[_START] < 0.0:
                        strike[_START] = n
                        strike[_IMPULSE] = 0.0
                        strike[_PEAK] = 0.0
                    strike[_LAST] = n
                    strike[_IMPULSE] += force[f] * k
                    strike[_PEAK] = max(strike[_PEAK], force[f])
        if sound_every > 0 and n % sound_every == 0:
            speed = 0.0
            for j in range(len(listen)):
                speed += listen[j] * (before[j] - now[j])
            sound[n // sound_every] = speed * rate
        before, now = now, before
        depth_before, depth_now, depth = depth_now, depth, depth_before
    for f in range(frets):
        if running[f, _START] >= 0.0:
            _log(f, running[f], k, strike_floor, strike_over, numbers, counts, strikes)
    if steps % 2 == 1:  # the names were exchanged an odd number of times
        for j in range(len(now)):
            before[j], now[j] = now[j], before[j]


# What follows takes every stopped string at once, laid end to end. Per stopped string p of P: its
# numbers of modes and of free frets, its steps, its steps per second, and where its modes, its
# shapes (frets times modes), its frets and its compliance (frets squared) start in the flat arrays.


@nb.njit(cache=True, nogil=True, error_model="numpy")
def play_run(
    r: int,
    modes: IntArray,
    frets: IntArray,
    mode_start: IntArray,
    shape_start: IntArray,
    fret_start: IntArray,
    compliance_start: IntArray,
    steps: IntArray,
    rate_hz: FloatArray,
    # A, e, G, shapes, step compliance, and crowns over the chord; the modes' weights in the sound
    turn_factor: FloatArray,
    keep_factor: FloatArray,
    gain_mm_per_n: FloatArray,
    shape_fraction: FloatArray,
    compliance_mm_per_n: FloatArray,
    crown_mm: FloatArray,
    listen_weight: FloatArray,
    # per run (R,): its string, how many of its first frets the string can ever get to, and where
    # its two states start; they are overwritten with the last two
    stopped_string: IntArray,
    within_reach: IntArray,
    state_start: IntArray,
    before_mm: FloatArray,
    now_mm: FloatArray,
    # how deep one newton goes into a crown, 0 for rigid ones; a strike has ended when nothing
    # touched for the gap; least impulse per run to be logged, and to be counted
    elastic_depth_mm: float,
    strike_gap_s: float,
    strike_floor_n_s: FloatArray,
    strike_over_n_s: FloatArray,
    # results, (R, NUMBERS), (R, COUNTS), (R, F), (R, any, STRIKE_COLUMNS), and (R, any) twice;
    # steps between two samples of the sound per string, 0 for none
    numbers: Table,
    counts: IntArray,
    impulse_n_s: FloatArray,
    strikes: Table,
    pulse_n_s: FloatArray,
    pulse_rate_hz: float,
    sound_mm_per_s: FloatArray,
    sound_every: IntArray,
    stop: IntArray,
) -> None:
    """Play run r of R with contact."""
    rigidity = 0.4 * elastic_depth_mm**-1.5 if elastic_depth_mm > 0.0 else math.inf
    p = stopped_string[r]
    m, f, s = mode_start[p], fret_start[p], state_start[r]
    count, rows = modes[p], frets[p]
    c = compliance_start[p]
    _one_run(
        turn_factor[m : m + count],
        keep_factor[m : m + count],
        gain_mm_per_n[m : m + count],
        shape_fraction[shape_start[p] : shape_start[p] + rows * count].reshape(rows, count),
        compliance_mm_per_n[c : c + rows * rows].reshape(rows, rows),
        crown_mm[f : f + rows],
        before_mm[s : s + count],
        now_mm[s : s + count],
        within_reach[r],
        rate_hz[p],
        steps[p],
        rigidity,
        strike_gap_s,
        strike_floor_n_s[r],
        strike_over_n_s[r],
        numbers[r],
        counts[r],
        impulse_n_s[r],
        strikes[r],
        pulse_n_s[r],
        pulse_rate_hz,
        listen_weight[m : m + count],
        sound_mm_per_s[r],
        sound_every[p],
        stop,
    )
