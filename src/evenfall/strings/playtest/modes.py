"""One stopped string as a set of damped modes, and the steps they are advanced by.

A string moves as u(x, t) = sum_j phi_j(x) q_j(t), phi_j the shapes of `evenfall.strings.modes`;
each q_j is a damped oscillator of mass m_j, driven by the contact forces at the frets. Sampled at
steps of k seconds it obeys, exactly where no force acts and whatever the step [1]_::

    q(n+1) = A q(n) - e q(n-1) + G sum_f phi_j(x_f) force_f(n)
    A = 2 exp(-s k) cos(w' k),  e = exp(-2 s k),  G = k^2 (1 + e) / (2 m_j),  S = (1-e)/(1+e)

with w' the damped angular frequency and s the decay rate. The discrete energy::

    H = sum_j m_j / 2 ((q(n+1) - q(n))^2 / k^2 + C q(n+1) q(n)),   C = (2 - A (1 + S)) / k^2

never grows without force, and its change under force is exactly half the force times the change
of the displacement over two steps. It weighs a mode of angular frequency w by (sin wk / wk)^2.

References
----------
.. [1] C. Issanchou, S. Bilbao, J.-L. Le Carrou, C. Touze and O. Doare, J. Sound Vib. 393 (2017)
   229-251, doi:10.1016/j.jsv.2016.12.025; algebra derived again and tested.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, pi, sqrt
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.errors import At, RequestError
from evenfall.strings.damping import Damping
from evenfall.strings.modes import RUNS_ON, PluckedString, string_modes

if TYPE_CHECKING:
    from evenfall.instrument.specification import InstrumentString

#: Modes are kept up to this share of the rate: above it they would fold back.
HIGHEST_MODE_SHARE = 0.45

_RATES_HZ = (96_000.0, 192_000.0, 384_000.0)
_STEPS_PER_PERIOD = 480  # contact impulses within about 5 % of those at eight times the rate
_LANES = 8  # modes are padded with silent ones to a multiple of this, for whole vectors


@dataclass(frozen=True, slots=True)
class StoppedString:
    """The modes of a stopped string with F free frets, padded with silent modes to M."""

    string: PluckedString  # the string as stopped, and its pluck
    rate_hz: float  # steps per second, and how many it takes to tell neighbouring frets apart [Hz]
    least_rate_hz: float
    # frequency and decay rate of each mode [Hz], [1/s]; shape (J,), J <= M
    frequency_hz: FloatArray
    decay_per_s: FloatArray
    # static amplitude of each mode per newton of pluck [mm/N], shape (M,)
    pluck_mm_per_n: FloatArray
    shape_fraction: FloatArray  # shape of each mode at each free fret, shape (F, M)
    turn_factor: FloatArray  # a and e of the step, shape (M,)
    keep_factor: FloatArray
    gain_mm_per_n: FloatArray  # g of the step [mm/N], shape (M,)
    # static amplitude of each mode per newton where its shape is one [mm/N], shape (M,)
    static_mm_per_n: FloatArray
    # what is left of each amplitude one step after release from rest, shape (M,)
    first_factor: FloatArray
    energy_n_per_mm: FloatArray  # m_j / 2 k^2 and C k^2 of the energy, shape (M,)
    bend_factor: FloatArray

    @property
    def step_compliance_mm_per_n(self) -> FloatArray:
        """Displacement of each fret's point a step after one newton at another, shape (F, F)."""
        return np.asarray((self.shape_fraction * self.gain_mm_per_n) @ self.shape_fraction.T)

    def from_rest(self, amplitude_mm: FloatArray, after_s: FloatArray | float) -> FloatArray:
        """Return the amplitudes some time after release from rest, without contact [mm].

        Shape (M,) for one time, (N, M) for times of shape (N, 1).
        """
        modes = len(self.frequency_hz)
        left = np.zeros(np.broadcast_shapes(np.shape(after_s), amplitude_mm.shape))
        angular = 2.0 * pi * self.frequency_hz
        left[..., :modes] = _left_after(after_s, angular, self.decay_per_s)
        return amplitude_mm * left

    def energy_n_mm(self, before_mm: FloatArray, after_mm: FloatArray) -> float:
        """Return the discrete energy H of two successive states [N mm]."""
        bent = self.bend_factor * after_mm * before_mm
        return float(self.energy_n_per_mm @ ((after_mm - before_mm) ** 2 + bent))


def natural_rate_hz(fundamental_hz: float) -> float:
    """Return the rate [Hz] at which contact of a string with this lowest mode is computed."""
    enough = [rate for rate in _RATES_HZ if rate >= _STEPS_PER_PERIOD * fundamental_hz]
    return enough[0] if enough else _RATES_HZ[-1]


def stopped_string(
    string: InstrumentString,
    *,
    length_mm: float,
    fret_distance_mm: FloatArray,
    pluck_distance_mm: float,
    pluck_width_mm: float,
    damping: Damping | None = None,
    end_ratio: tuple[float, float] = (RUNS_ON, RUNS_ON),
    rate_hz: float | None = None,
) -> StoppedString:
    """Return the modes of a string stopped at a fret, plucked by a static force and let go.

    Distances of the free frets are from the stopped one, that of the pluck is from the saddle.
    """
    plucked = PluckedString.of(
        string,
        length_mm=length_mm,
        pluck_distance_mm=pluck_distance_mm,
        pluck_width_mm=pluck_width_mm,
        damping=damping,
        end_ratio=end_ratio,
    )
    lowest_hz = sqrt(plucked.tension_n / plucked.density_n_s2_per_mm2) / (2.0 * length_mm)
    inharmonicity = (pi * plucked.stiff_length_mm / length_mm) ** 2
    rate = natural_rate_hz(lowest_hz) if rate_hz is None else rate_hz
    spacing = np.diff(np.concatenate([[0.0], fret_distance_mm, [length_mm]])).min()
    enough = ceil(length_mm / spacing)  # half a wave between neighbouring frets
    enough_hz = enough * lowest_hz * sqrt(1.0 + inharmonicity * enough**2) / HIGHEST_MODE_SHARE
    while rate_hz is None and rate < enough_hz:
        rate *= 2.0
    highest = HIGHEST_MODE_SHARE * rate
    modes = string_modes(plucked, fret_distance_mm, max(1, int(highest / lowest_hz)))
    count = int(np.count_nonzero(modes.angular_per_s <= 2.0 * pi * highest))
    if count == 0:
        raise RequestError(
            "{rate:g} steps per second are too low a rate for a string of {lowest:.1f} Hz: at "
            "least {least} are needed.",
            at=At(strings=(string.number,)),
            rate=rate,
            lowest=lowest_hz,
            least=ceil(lowest_hz / HIGHEST_MODE_SHARE),
        )
    angular, decay = modes.angular_per_s[:count], modes.decay_per_s[:count]
    mass = modes.mass_n_s2_per_mm[:count]
    step = 1.0 / rate
    keep = np.exp(-2.0 * decay * step)
    turn = 2.0 * np.sqrt(keep) * np.cos(np.sqrt(angular**2 - decay**2) * step)
    silent = -count % _LANES

    def padded(values: FloatArray) -> FloatArray:
        return np.pad(values, (0, silent))

    return StoppedString(
        string=plucked,
        rate_hz=rate,
        least_rate_hz=enough_hz,
        frequency_hz=angular / (2.0 * pi),
        decay_per_s=decay,
        pluck_mm_per_n=padded(modes.amplitude_mm_per_n[:count]),
        shape_fraction=np.pad(modes.shape_fraction[:, :count], ((0, 0), (0, silent))),
        turn_factor=padded(turn),
        keep_factor=padded(keep),
        gain_mm_per_n=padded(step**2 / mass * (1.0 + keep) / 2.0),  # 1 / (1 + S) = (1 + e) / 2
        static_mm_per_n=padded(1.0 / (mass * angular**2)),
        first_factor=padded(_left_after(step, angular, decay)),
        energy_n_per_mm=np.pad(mass, (0, silent), mode="edge") / (2.0 * step**2),
        bend_factor=padded(2.0 - turn * 2.0 / (1.0 + keep)),
    )


def _left_after(
    time_s: FloatArray | float, angular: FloatArray, decay_per_s: FloatArray
) -> FloatArray:
    """Return what is left of amplitudes released from rest: a damped cosine that starts level."""
    damped = np.sqrt(angular**2 - decay_per_s**2)
    phase = damped * time_s
    swing = np.cos(phase) + decay_per_s / damped * np.sin(phase)
    return np.asarray(np.exp(-decay_per_s * time_s) * swing)
