"""What goes into a play test and what comes out of it: plain data."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from math import isfinite, pi, sin
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, IntArray
from evenfall.codec import plain

if TYPE_CHECKING:
    from evenfall.instrument import Specification
    from evenfall.strings.damping import Damping

SCHEMA = "evenfall/play@1"

#: Middles of the octave bands of the impulse spectrum [Hz] (nominal frequencies of IEC 61260-1).
BAND_HZ = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)


class Verdict(IntEnum):
    """What a stopped string does under an attack."""

    CLEAN = 0
    TOUCHES = 1
    RATTLES = 2


@dataclass(frozen=True, slots=True)
class Attack:
    """How hard each string is plucked.

    Parameters
    ----------
    name
        What this level is called.
    force_n
        Force in the direction of the pluck [N], one per string.
    """

    name: str
    force_n: tuple[float, ...]

    def __post_init__(self) -> None:
        if not all(isfinite(force) and force > 0.0 for force in self.force_n):
            raise ValueError(f"The forces of attack {self.name!r} must be positive.")


@dataclass(frozen=True, slots=True)
class Direction:
    """Which way the string is pulled before it is let go.

    Parameters
    ----------
    name
        What this direction is called.
    angle_rad
        Angle out of the plane of the crowns [rad]: 0 along the board, pi/2 straight away from
        it, -pi/2 straight towards it.

    Examples
    --------
    >>> round(Direction("oblique", pi / 6).normal_share, 3)
    0.5
    """

    name: str
    angle_rad: float

    def __post_init__(self) -> None:
        if not (isfinite(self.angle_rad) and abs(self.angle_rad) <= pi):
            raise ValueError(f"angle_rad must lie between -pi and pi, not {self.angle_rad}.")

    @property
    def normal_share(self) -> float:
        """Share of the force normal to the board, negative towards it."""
        return sin(self.angle_rad)


AWAY = Direction("away from the board", pi / 2)
TOWARDS = Direction("towards the board", -pi / 2)


def attack_levels(specification: Specification) -> tuple[Attack, ...]:
    """Return levels of attack about the one that the specification names.

    The specification's attack is the part normal to the board, so these levels go with the
    directions `AWAY` and `TOWARDS`.
    """
    return tuple(
        Attack(name, tuple(share * force for force in specification.player.attack_n))
        for name, share in (("light", 0.7), ("as specified", 1.0), ("heavy", 1.4))
    )


@dataclass(frozen=True, slots=True)
class Settings:
    """How the motion is computed and judged.

    Parameters
    ----------
    rate_hz
        Steps per second; by default chosen by pitch, 96 to 384 kHz.
    elastic_depth_um
        How deep one newton presses the string into a crown [um]; 0 for rigid crowns. Elastic
        crowns conserve energy exactly but need about eight times the rate for the same accuracy.
    rattle_share
        A note rattles when one strike's impulse reaches this share of the pluck's own,
        force times half a period. Our own choice: no published threshold of hearing was found.
    strike_gap_s
        Contacts of one fret closer than this are one strike [s].
    damping
        Damping of every string; by default by what each string is made of.
    """

    rate_hz: float | None = None
    elastic_depth_um: float = 0.0
    rattle_share: float = 0.01
    strike_gap_s: float = 0.25e-3
    damping: Damping | None = None

    def __post_init__(self) -> None:
        if self.rate_hz is not None and not (isfinite(self.rate_hz) and self.rate_hz > 0.0):
            raise ValueError(f"rate_hz must be positive, not {self.rate_hz}.")
        for name in ("elastic_depth_um", "rattle_share", "strike_gap_s"):
            value = getattr(self, name)
            if not (isfinite(value) and value >= 0.0):
                raise ValueError(f"{name} must be zero or more, not {value}.")


@dataclass(frozen=True, slots=True)
class Strikes:
    """Every strike of a string on a fret that was strong enough to be noted, in order of runs."""

    run: IntArray  # indices of string, stopped fret, attack and direction, shape (S, 4)
    fret: IntArray  # fret that was struck, shape (S,)
    start_s: FloatArray  # beginning after release, and length [s], shape (S,)
    length_s: FloatArray
    impulse_n_s: FloatArray  # impulse [N s] and largest force of one step [N], shape (S,)
    peak_n: FloatArray


@dataclass(frozen=True, slots=True)
class PlayTest:
    """K strings stopped at P = F frets (0 = open), under A attacks, in D directions.

    Parameters
    ----------
    string_numbers, attacks, directions, duration_s, settings
        What was played, for how long [s], and how it was judged.
    verdict
        `Verdict` of each run, shape (K, P, A, D).
    first_contact_s, first_contact_fret
        Time after release [s] and fret; shape (K, P, A, D). NaN and 0 if nothing touched; only NaN
        if a crown is reached by less than steps in time can tell (under 0.3 % of the force).
        Time 0: the string lay on that fret when it was let go.
    impulse_n_s
        Contact impulse by fret 1..F [N s], shape (K, P, A, D, F).
    largest_strike_n_s, strike_count, strikes_over_count
        Impulse of the strongest strike [N s], number of strikes, and of those that reach the
        threshold; shape (K, P, A, D).
    peak_force_n
        Largest contact force of one step [N]; grows with the rate, unlike the impulse.
    energy_lost_share
        Share of the energy of the normal motion that contact has cost by the end, beyond what
        damping alone takes; shape (K, P, A, D). Energy that contact moves into partials that
        die away quickly counts.
    penetration_um
        How deep the string went into a crown at most [um], shape (K, P, A, D).
    spectrum_n_s
        Impulse spectrum: root mean square of |integral of force exp(-i w t) dt| over each octave
        band of `BAND_HZ` [N s], shape (K, P, A, D, 8).
    played
        Whether contact had to be computed; all others are clean by linearity.
    strikes
        The strikes themselves.
    touch_force_n, buzz_force_n
        Force normal to the board from which the string touches at any time, and already in the
        first period [N], by direction away and towards; shape (K, P, 2). Negative: touches at rest.
    rate_hz, mode_count
        Steps per second and number of modes, shape (K, P).
    """

    string_numbers: tuple[int, ...]
    attacks: tuple[Attack, ...]
    directions: tuple[Direction, ...]
    duration_s: float
    settings: Settings
    verdict: IntArray
    first_contact_s: FloatArray
    first_contact_fret: IntArray
    impulse_n_s: FloatArray
    largest_strike_n_s: FloatArray
    strike_count: IntArray
    strikes_over_count: IntArray
    peak_force_n: FloatArray
    energy_lost_share: FloatArray
    penetration_um: FloatArray
    spectrum_n_s: FloatArray
    played: BoolArray
    strikes: Strikes
    touch_force_n: FloatArray
    buzz_force_n: FloatArray
    rate_hz: FloatArray
    mode_count: IntArray

    @property
    def worst(self) -> IntArray:
        """Worst verdict over the directions, shape (K, P, A)."""
        return np.asarray(self.verdict.max(axis=3))

    @property
    def normal_attack_n(self) -> FloatArray:
        """Largest force normal to the board over the directions [N], shape (K, A)."""
        force = np.array([attack.force_n for attack in self.attacks]).T
        return np.asarray(force * max(abs(d.normal_share) for d in self.directions))

    @property
    def buzz_force_optimistic(self) -> BoolArray:
        """Where the attack is within the buzz force and the note rattles, shape (K, P, A)."""
        return np.asarray(self._holds & (self.worst == Verdict.RATTLES))

    @property
    def buzz_force_conservative(self) -> BoolArray:
        """Where the attack is over the buzz force and the note does not rattle, (K, P, A)."""
        return np.asarray(~self._holds & (self.worst < Verdict.RATTLES))

    @property
    def _holds(self) -> BoolArray:
        buzz_n = self.buzz_force_n.min(axis=2)
        least_n = (1.0 - 1e-6) * self.normal_attack_n  # a plan's last position holds by a rounding
        return np.asarray(buzz_n[:, :, None] >= least_n[:, None, :])

    def first_contact(self, k: int, p: int, a: int) -> int:
        """Return the direction in which a note touches first."""
        first = self.first_contact_s[k, p, a]
        late = np.where(self.first_contact_fret[k, p, a] > 0, np.inf, np.nan)
        when = np.where(np.isnan(first), late, first)
        return int(np.nanargmin(when)) if not np.isnan(when).all() else 0

    def counts(self) -> dict[str, int]:
        """Return how many of the K P A notes (worst direction) are clean, touch and rattle."""
        return {v.name.lower(): int(np.count_nonzero(self.worst == v)) for v in Verdict}

    def as_dict(self) -> dict[str, Any]:
        """Return the result as plain values for JSON; units in the keys, NaN as None."""
        return {
            "schema": SCHEMA,
            "duration_s": self.duration_s,
            "rattle_share": self.settings.rattle_share,
            "attacks": [{"name": a.name, "force_n": list(a.force_n)} for a in self.attacks],
            "directions": [{"name": d.name, "angle_rad": d.angle_rad} for d in self.directions],
            "band_hz": list(BAND_HZ),
            "counts": self.counts(),
            "buzz_force_optimistic_count": int(np.count_nonzero(self.buzz_force_optimistic)),
            "buzz_force_conservative_count": int(np.count_nonzero(self.buzz_force_conservative)),
            "strings": [
                {
                    "string": number,
                    "positions": [self._position_dict(k, p) for p in range(self.verdict.shape[1])],
                }
                for k, number in enumerate(self.string_numbers)
            ],
        }

    def _position_dict(self, k: int, p: int) -> dict[str, Any]:
        return {
            "stopped_fret": p,
            "touch_force_away_n": plain(self.touch_force_n[k, p, 0]),
            "touch_force_towards_n": plain(self.touch_force_n[k, p, 1]),
            "buzz_force_away_n": plain(self.buzz_force_n[k, p, 0]),
            "buzz_force_towards_n": plain(self.buzz_force_n[k, p, 1]),
            "notes": [
                self._note_dict(k, p, a, d)
                for a in range(len(self.attacks))
                for d in range(len(self.directions))
            ],
        }

    def _note_dict(self, k: int, p: int, a: int, d: int) -> dict[str, Any]:
        note: dict[str, Any] = {
            "attack": self.attacks[a].name,
            "direction": self.directions[d].name,
            "verdict": Verdict(self.verdict[k, p, a, d]).name.lower(),
        }
        fret = int(self.first_contact_fret[k, p, a, d])
        if fret:
            impulse = self.impulse_n_s[k, p, a, d]
            note |= {
                "first_contact_s": plain(self.first_contact_s[k, p, a, d]),
                "first_contact_fret": fret,
                "impulse_n_s": plain(impulse.sum()),
                "impulse_by_fret": [
                    {"fret": int(f) + 1, "impulse_n_s": plain(impulse[f])}
                    for f in np.flatnonzero(impulse)
                ],
                "largest_strike_n_s": plain(self.largest_strike_n_s[k, p, a, d]),
                "strike_count": int(self.strike_count[k, p, a, d]),
                "strikes_over_count": int(self.strikes_over_count[k, p, a, d]),
                "energy_lost_share": plain(self.energy_lost_share[k, p, a, d]),
                "spectrum_n_s": [plain(level) for level in self.spectrum_n_s[k, p, a, d]],
            }
        return note
