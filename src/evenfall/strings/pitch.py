"""What a stopped string sounds like against equal temperament, and the best nut and saddle.

Pressing a string down to a fret makes it longer, and so tighter; shortening it makes its bending
stiffness weigh more. Both sharpen. Moving saddle and nut along the string lengthens it where that
helps most. All formulas are those of [1]_, written for the measured heights of nut, crowns and
saddle instead of a flat plane of frets.

For one string stopped at fret n, with N the nut, P the crown, S the saddle and G the place of the
finger a distance d behind the crown, on the straight line S P prolonged::

    L_0 = |N S|        L_n = |P S|        Q_n = (|N G| + |G P| + |P S| - L_0) / L_0
    f   = (1 / 2 L) sqrt(T / mu) (1 + e + (1 + pi^2 / 2) e^2)
    T_n / T_0 = 1 + kappa Q_n,    mu_0 / mu_n = 1 + Q_n,    kappa = E A / T_0
    e_0 = sqrt(E I / T_0) / L_0,  e_n = e_0 (L_0 / L_n) / sqrt(1 + kappa Q_n)

so that the deviation from equal temperament of the open string is, in cents::

    1200 log2(L_0 / (2^(n/12) L_n)) + 600 log2(1 + Q_n) + 600 log2(1 + kappa Q_n)
        + 1200 log2((1 + e_n + (1 + pi^2/2) e_n^2) / (1 + e_0 + (1 + pi^2/2) e_0^2))

The string runs on at both ends, over its crown and over its saddle; measurements on guitars agree
with that [1]_. Only the core of a wound string stretches and bends.

Left out: a string pressed down well behind its fret lies on the frets behind as well, which the
formula above passes through (with the finger 8 mm back, up to 0.8 cent more at the high frets of a
steel-strung guitar with a low nut; nothing with the finger at the crown); tension at rest takes no
account of stiffness (under 0.2 % of it); a note starts sharper while it swings wide.

References
----------
.. [1] M. B. Anderson and R. G. Beausoleil, "Classical guitar intonation and compensation: the
   well-tempered guitar", J. Acoust. Soc. Am. 156 (2024) 683-706.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.codec import plain
from evenfall.instrument import Specification, StringLines
from evenfall.instrument.geometry import crown_radius_mm

CENTS_PER_OCTAVE = 1200.0

HEARD_CENTS = 5.0
"""A good player hears beats of about 1 Hz: 5 cents at E4, 8 at A3 [1]_."""

_FINGER_ROOM = 0.75
"""A finger stands at most this share of the way back to the fret behind."""

_SETTLED_MM = 1e-7
_MOST_ROUNDS = 12  # of least squares; three are usual
_MOST_CHANGES = 200  # of the set of moves that stand at a limit

_STEP_MM = 0.01
"""Step of the numerical derivatives [mm]; the pitch is smooth over decimetres."""


@dataclass(frozen=True, slots=True)
class Pitch:
    """How far K strings stopped at F frets stand from equal temperament of the open string."""

    # positive is sharp; column 0 is the open string and zero; shape (K, F + 1) [cent]
    deviation_cents: FloatArray
    # what adds up to it: the place of the fret, the string's getting tighter as it is pressed, its
    # bending stiffness; shape (K, F + 1) [cent]
    length_cents: FloatArray
    stretch_cents: FloatArray
    stiffness_cents: FloatArray
    # Standard uncertainty from the heights and from the string's modulus, shape (K, F + 1) [cent].
    # The places of the frets and the tuning of the open string are taken as exact.
    u_cents: FloatArray

    @property
    def worst(self) -> tuple[int, int, float]:
        """String number, fret and deviation [cent] of the note that is furthest off."""
        k, n = np.unravel_index(
            int(np.argmax(np.abs(self.deviation_cents))), self.deviation_cents.shape
        )
        return int(k) + 1, int(n), float(self.deviation_cents[k, n])

    def rms_cents(self, weights: FloatArray) -> FloatArray:
        """Return the root mean square deviation of each string, frets weighted; (F,) or (K, F)."""
        share = np.broadcast_to(weights, self.deviation_cents[:, 1:].shape)
        total = (share * self.deviation_cents[:, 1:] ** 2).sum(axis=1)
        return np.asarray(np.sqrt(total / share.sum(axis=1)))


@dataclass(frozen=True, slots=True)
class Course:
    """Where K strings run, seen from the side, and what makes their pitch."""

    # where each string leaves the nut, along it and in height [mm], shape (K,)
    nut_station_mm: FloatArray
    nut_mm: FloatArray
    fret_station_mm: FloatArray  # where it is stopped, shape (K, F) [mm]
    crown_top_mm: FloatArray
    saddle_station_mm: FloatArray  # where it ends, shape (K,) [mm]
    saddle_mm: FloatArray
    scale_mm: FloatArray  # its scale length, shape (K,) [mm]
    # kappa = E A / T of the core, the relative change of tension over that of length, shape (K,)
    stretch_ratio: FloatArray
    bending_length_mm: FloatArray  # sqrt(E I / T) of the core [mm], shape (K,)


def string_course(
    specification: Specification,
    lines: StringLines,
    nut_mm: FloatArray,
    crown_top_mm: FloatArray,
    saddle_mm: FloatArray,
    *,
    contact_shift_mm: FloatArray | float = 0.0,
) -> Course:
    """Return where the strings of an instrument run, heights over one straight datum.

    The contact shift is how far a string rests from the middle of each crown towards the saddle,
    such as `flat_edge_mm` gives.
    """
    strings = specification.strings
    return Course(
        nut_station_mm=-np.array([s.nut_setback_mm for s in strings]),
        nut_mm=np.asarray(nut_mm, dtype=float),
        fret_station_mm=lines.station_mm[:, 1:] + contact_shift_mm,
        crown_top_mm=np.asarray(crown_top_mm, dtype=float),
        saddle_station_mm=lines.saddle_station_mm,
        saddle_mm=np.asarray(saddle_mm, dtype=float),
        scale_mm=np.array([s.scale_mm for s in strings]),
        stretch_ratio=np.array([s.stretch_ratio for s in strings]),
        bending_length_mm=np.sqrt([s.bending_stiffness_n_mm2 / s.tension_n for s in strings]),
    )


def stopped_pitch(
    course: Course,
    *,
    finger_mm: float = 0.0,
    nut_u_mm: FloatArray | float = 0.0,
    crown_top_u_mm: FloatArray | float = 0.0,
    saddle_u_mm: FloatArray | float = 0.0,
    modulus_u_share: FloatArray | float = 0.0,
) -> Pitch:
    """Return the pitch of every stopped string against equal temperament.

    The finger presses the string down so far behind the crown, at most three quarters of the way
    to the fret behind. Uncertainties are standard ones, by string (K,), by crown (K, F) or one for
    all.
    """
    if not finger_mm >= 0.0:
        raise ValueError(f"finger_mm must be 0 or more, not {finger_mm}")
    places = np.column_stack(
        [course.nut_station_mm, course.fret_station_mm, course.saddle_station_mm]
    )
    if not bool((np.diff(places, axis=1) > 0.0).all()):
        raise ValueError("places along a string must increase from the nut to the saddle")
    length, stretch, stiffness = _parts(course, finger_mm)
    variance = np.zeros_like(length)
    for name, uncertainty in (
        ("nut_mm", np.asarray(nut_u_mm, dtype=float)),
        ("crown_top_mm", np.asarray(crown_top_u_mm, dtype=float)),
        ("saddle_mm", np.asarray(saddle_u_mm, dtype=float)),
    ):
        if uncertainty.any():
            slope = _slope(course, name, finger_mm)
            variance += (
                slope
                * (uncertainty if uncertainty.ndim == 2 else np.atleast_1d(uncertainty)[:, None])
            ) ** 2
    # E enters the stretch part as it stands and the stiffness part by its square root
    share = np.atleast_1d(np.asarray(modulus_u_share, dtype=float))[:, None]
    variance += (share * (stretch + 0.5 * stiffness)) ** 2
    return Pitch(
        deviation_cents=_with_open(length + stretch + stiffness),
        length_cents=_with_open(length),
        stretch_cents=_with_open(stretch),
        stiffness_cents=_with_open(stiffness),
        u_cents=_with_open(np.sqrt(variance)),
    )


def _moved(course: Course, saddle_mm: FloatArray, nut_mm: FloatArray) -> Course:
    """Return the course with each saddle and nut moved away from the other by these [mm]."""
    return replace(
        course,
        nut_station_mm=course.nut_station_mm - nut_mm,
        saddle_station_mm=course.saddle_station_mm + saddle_mm,
    )


def _with_open(cents: FloatArray) -> FloatArray:
    return np.pad(cents, ((0, 0), (1, 0)))


def _slope(course: Course, name: str, finger_mm: float) -> FloatArray:
    """Return the change of the deviation with one kind of height or place, (K, F) [cent/mm]."""
    at = getattr(course, name)
    above, below = (
        _deviation(replace(course, **{name: at + step}), finger_mm)
        for step in (_STEP_MM, -_STEP_MM)
    )
    return np.asarray((above - below) / (2.0 * _STEP_MM))


def _deviation(course: Course, finger_mm: float) -> FloatArray:
    return np.asarray(sum(_parts(course, finger_mm)))


def _parts(course: Course, finger_mm: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the parts of the deviation by length, stretch and stiffness, each (K, F) [cent]."""
    nut_x, saddle_x = course.nut_station_mm[:, None], course.saddle_station_mm[:, None]
    x = course.fret_station_mm
    # heights over the line through the first and the last crown: the datum's tilt is no pitch
    tops = course.crown_top_mm
    tilt = (tops[:, -1:] - tops[:, :1]) / (x[:, -1:] - x[:, :1])
    nut_z, z, saddle_z = (
        height - tops[:, :1] - tilt * (place - x[:, :1])
        for height, place in (
            (course.nut_mm[:, None], nut_x),
            (tops, x),
            (course.saddle_mm[:, None], saddle_x),
        )
    )
    kappa, bending = course.stretch_ratio[:, None], course.bending_length_mm[:, None]

    behind = np.diff(x, axis=1, prepend=nut_x)
    finger = np.minimum(finger_mm, _FINGER_ROOM * behind)
    slope = (saddle_z - z) / (saddle_x - x)
    whole = np.hypot(saddle_x - nut_x, saddle_z - nut_z)
    speaking = np.hypot(saddle_x - x, saddle_z - z)
    pressed = finger * np.hypot(1.0, slope)
    rest = np.hypot(x - finger - nut_x, nut_z - (z - slope * finger))
    stretch = (speaking + pressed + rest - whole) / whole

    number = np.arange(1, x.shape[1] + 1) / 12.0
    tighter = 1.0 + kappa * stretch
    stiff_open = bending / whole
    stiff = bending / speaking / np.sqrt(tighter)
    return (
        CENTS_PER_OCTAVE * (np.log2(whole / speaking) - number),
        0.5 * CENTS_PER_OCTAVE * (np.log2(1.0 + stretch) + np.log2(tighter)),
        CENTS_PER_OCTAVE * np.log2(_stiffening(stiff) / _stiffening(stiff_open)),
    )


def _stiffening(bending_share: FloatArray) -> FloatArray:
    """Return by how much stiffness raises the first mode of a string that runs on at both ends."""
    return np.asarray(1.0 + bending_share + (1.0 + 0.5 * np.pi**2) * bending_share**2)


# ---- levelled crowns ----------------------------------------------------------------------------


def flat_edge_mm(specification: Specification, removal_mm: FloatArray) -> FloatArray:
    """Return how far the edge of a crown levelled flat lies from its middle.

    Half the chord that a cut of depth r leaves in a crown of radius R, sqrt(2 R r - r^2), R from
    the wire's height and width (circular segment). Until the fret is crowned again a string that
    swings towards the board ends at the edge on the saddle's side, so its note is sharp; common
    practice, no source.
    """
    wire = specification.fretwire
    half = 0.5 * wire.crown_width_mm
    radius = crown_radius_mm(wire.crown_height_mm, wire.crown_width_mm)
    depth = np.clip(removal_mm, 0.0, min(wire.crown_height_mm, radius))
    return np.asarray(np.minimum(half, np.sqrt(depth * (2.0 * radius - depth))))


def pitch_change_cents(
    specification: Specification,
    lines: StringLines,
    before_mm: tuple[FloatArray, FloatArray, FloatArray],
    after_mm: tuple[FloatArray, FloatArray, FloatArray],
    removal_mm: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return how much sharper work on an instrument makes each stopped note, shapes (K, F).

    First with every cut crown round again, then with it flat, where the string ends at the flat's
    edge. Heights are those of nut, crown tops and saddle.
    """
    finger = specification.compensation.finger_mm
    flat = flat_edge_mm(specification, removal_mm)
    found, crowned, uncrowned = (
        stopped_pitch(
            string_course(specification, lines, *heights, contact_shift_mm=shift), finger_mm=finger
        ).deviation_cents[:, 1:]
        for heights, shift in ((before_mm, 0.0), (after_mm, 0.0), (after_mm, flat))
    )
    return crowned - found, uncrowned - found


# ---- compensation -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Compensation:
    """Where nut and saddle of K strings should stand along the string, and what that gives."""

    # how far each saddle moves along the string, positive away from the nut [mm], shape (K,)
    saddle_setback_change_mm: FloatArray
    # how far each nut edge moves, positive away from the saddle [mm], shape (K,)
    nut_setback_change_mm: FloatArray
    saddle_setback_mm: FloatArray  # setbacks after the moves [mm], shape (K,)
    nut_setback_mm: FloatArray
    straight: bool  # whether the saddle stays one straight line
    # strings, 1 = treble, whose saddle or nut stands at the end of its travel
    at_limit: tuple[int, ...]
    before: Pitch  # pitch before and after the moves
    after: Pitch
    rms_before_cents: FloatArray  # weighted root mean square deviation by string, shape (K,) [cent]
    rms_after_cents: FloatArray

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        strings = [
            {
                "string": k + 1,
                "saddle_setback_change_mm": float(self.saddle_setback_change_mm[k]),
                "nut_setback_change_mm": float(self.nut_setback_change_mm[k]),
                "saddle_setback_mm": float(self.saddle_setback_mm[k]),
                "nut_setback_mm": float(self.nut_setback_mm[k]),
                "rms_before_cents": float(self.rms_before_cents[k]),
                "rms_after_cents": float(self.rms_after_cents[k]),
                "deviation_after_cents": plain(self.after.deviation_cents[k]),
            }
            for k in range(len(self.saddle_setback_change_mm))
        ]
        return {"straight": self.straight, "at_limit": list(self.at_limit), "strings": strings}


def default_weights(frets: int) -> FloatArray:
    """Return weight 1 for frets 1 to 12 and 0 beyond, as in [1]_; shape (F,)."""
    return (np.arange(1, frets + 1) <= 12).astype(float)


def best_compensation(
    course: Course,
    *,
    weights: FloatArray | None = None,
    saddle_travel_mm: tuple[float, float] = (np.inf, np.inf),
    nut_travel_mm: tuple[float, float] = (np.inf, np.inf),
    straight: bool = False,
    finger_mm: float = 0.0,
) -> Compensation:
    """Return the places of saddle and nut with the least weighted mean square deviation.

    Each move changes every deviation by an amount that hardly depends on the move, so the best
    moves are a weighted linear least-squares problem, solved in closed form for every set of
    moves that stand at a limit; repeating it from the result removes what little is not linear.
    Heights stay as they are; scale lengths lie at station 0 and where the octave halves the string.

    Travel is towards the nut or saddle and away from it, as positive numbers, (0, 0) for fixed; for
    a saddle kept `straight` in plan, strings in even steps, that of the outer strings.
    """
    count, frets = course.fret_station_mm.shape
    chosen = default_weights(frets) if weights is None else np.asarray(weights, dtype=float)
    weight = np.broadcast_to(chosen, (count, frets))
    if not bool((weight >= 0.0).all()) or not bool(((weight > 0.0).sum(axis=1) >= 2).all()):
        raise ValueError("weights must be 0 or more, and above 0 at two frets of every string")
    # what each setting moves: by_saddle and by_nut have one column per setting
    if straight:
        share = np.linspace(1.0, 0.0, count)
        by_saddle = np.column_stack([share, 1.0 - share, np.zeros((count, count))])
        by_nut = np.column_stack([np.zeros((count, 2)), np.eye(count)])
        setback = course.saddle_station_mm - course.scale_mm
        start = share * setback[0] + (1.0 - share) * setback[-1] - setback
        owner = np.array([0, count - 1, *range(count)])
    else:
        by_saddle = np.column_stack([np.eye(count), np.zeros((count, count))])
        by_nut = np.column_stack([np.zeros((count, count)), np.eye(count)])
        start = np.zeros(count)
        owner = np.array([*range(count), *range(count)])
    saddles = by_saddle.shape[1] - count
    low = np.repeat([-saddle_travel_mm[0], -nut_travel_mm[0]], [saddles, count])
    # and at most half way to the nearest fret, however far out a height or a setback is
    to_last_mm = course.saddle_station_mm - course.fret_station_mm[:, -1]
    to_first_mm = course.fret_station_mm[:, 0] - course.nut_station_mm
    nearest_mm = np.full(saddles, to_last_mm.min()) if straight else to_last_mm
    low = np.maximum(low, -0.5 * np.concatenate([nearest_mm, to_first_mm]))
    high = np.repeat([saddle_travel_mm[1], nut_travel_mm[1]], [saddles, count])

    root = np.sqrt(weight).ravel()
    amount = np.zeros(len(low))
    for _ in range(_MOST_ROUNDS):
        moved = _moved(course, start + by_saddle @ amount, by_nut @ amount)
        matrix = (
            _slope(moved, "saddle_station_mm", finger_mm)[:, :, None] * by_saddle[:, None, :]
            - _slope(moved, "nut_station_mm", finger_mm)[:, :, None] * by_nut[:, None, :]
        ).reshape(count * frets, -1)
        wanted = matrix @ amount - _deviation(moved, finger_mm).ravel()
        found = _bounded_least_squares(root[:, None] * matrix, root * wanted, low, high)
        step = float(np.abs(found - amount).max())
        amount = found
        if step < _SETTLED_MM:
            break
    saddle, nut = start + by_saddle @ amount, by_nut @ amount
    before = stopped_pitch(course, finger_mm=finger_mm)
    after = stopped_pitch(_moved(course, saddle, nut), finger_mm=finger_mm)
    at_limit = (high > low) & ((amount <= low) | (amount >= high))
    return Compensation(
        saddle_setback_change_mm=saddle,
        nut_setback_change_mm=nut,
        saddle_setback_mm=course.saddle_station_mm + saddle - course.scale_mm,
        nut_setback_mm=nut - course.nut_station_mm,
        straight=straight,
        at_limit=tuple(int(k) + 1 for k in sorted(set(owner[at_limit].tolist()))),
        before=before,
        after=after,
        rms_before_cents=before.rms_cents(weight),
        rms_after_cents=after.rms_cents(weight),
    )


def _bounded_least_squares(
    matrix: FloatArray, target: FloatArray, low: FloatArray, high: FloatArray
) -> FloatArray:
    """Return x with the least |matrix x - target| within its bounds.

    Active set: plain least squares over the free ones; whoever leaves its bounds is held there
    and let go again when the slope says so (P. B. Stark and R. L. Parker, Comput. Stat. 10
    (1995) 129-141; citation from memory).
    """
    x = np.clip(np.zeros(len(low)), low, high)
    movable = high > low
    free = movable.copy()
    tolerance = 1e-12 * np.abs(matrix.T @ target).max(initial=0.0)
    for _ in range(_MOST_CHANGES):
        while free.any():
            best = x.copy()
            rest = target - matrix[:, ~free] @ x[~free]
            best[free] = np.linalg.lstsq(matrix[:, free], rest, rcond=None)[0]
            outside = free & ((best < low) | (best > high))
            if not outside.any():
                x = best
                break
            bound = np.where(best < low, low, high)
            share = np.full(len(x), np.inf)
            share[outside] = (bound - x)[outside] / (best - x)[outside]
            first = int(np.argmin(share))
            x[free] += share[first] * (best - x)[free]
            x[first] = bound[first]
            free[first] = False
        slope = matrix.T @ (target - matrix @ x)
        pulled = movable & ~free
        pulled &= ((x <= low) & (slope > tolerance)) | ((x >= high) & (slope < -tolerance))
        if not pulled.any():
            return x
        free[int(np.argmax(np.where(pulled, np.abs(slope), -1.0)))] = True
    return x
