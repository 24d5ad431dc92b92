"""One set of string modes, which touch force, buzz force and play test share.

A stopped string of length l, tension T, mass per length mu and bending stiffness EI lies on two
knife edges, the stop (x = 0) and the saddle (x = l)::

    mu u_tt + losses = T u_xx - EI u_xxxx,    delta = sqrt(EI / T)
    u = 0,  EI u_xx = c0 sqrt(EI T) u_x at 0;    u = 0,  EI u_xx = -c1 sqrt(EI T) u_x at l

c = 0 is a pinned end, c = inf a clamped one. **c = 1: the string runs on** behind the edge, since
a half-infinite stiff string resists being turned at its end by sqrt(EI T) per radian. Crown, nut
and saddle are edges to the string (a break of 0.1 rad bends it to a radius of 20 delta, far more
than a crown's), and a finger behind the crown holds it at least as firmly; so c = 1 understates
no swing. The modes are exact up to exp(-l / delta), under 1e-14 for l > 33 delta::

    k1^2 - k2^2 = 1 / delta^2,    w^2 = (T k2^2 + EI k2^4) / mu
    k2 l - alpha(k2) - beta(k2) = n pi,    tan alpha = k2 / (k1 + (k1^2 + k2^2) delta / c0)
    phi(x) = sin(k2 x - alpha) + sin(alpha) e^(-k1 x) - (-1)^n sin(beta) e^(-k1 (l - x))

beta likewise with c1. With both ends clamped, or one clamped and one pinned, this is Fletcher's
result [1]_. The coefficient of delta / l in the pitch is c0 / (1 + c0) + c1 / (1 + c1), 1 for a
string that runs on; measured on guitars 1.1 +- 0.2 [2]_.

References
----------
.. [1] H. Fletcher, "Normal vibration frequencies of a stiff piano string", J. Acoust. Soc. Am. 36
   (1964) 203-209.
.. [2] M. B. Anderson and R. G. Beausoleil, J. Acoust. Soc. Am. 156 (2024) 683.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, pi, sqrt
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.strings.damping import Damping, decay_rate_per_s, default_damping

if TYPE_CHECKING:
    from evenfall.instrument.specification import InstrumentString

RUNS_ON = 1.0
"""Restraint c of an end behind which the string runs on."""

_ROUNDS = 60
_SETTLED_RAD = 1e-13


@dataclass(frozen=True, slots=True)
class PluckedString:
    """A string as stopped, where it is plucked, and what it loses."""

    length_mm: float  # from stop to saddle
    tension_n: float
    linear_density_kg_per_m: float
    bending_stiffness_n_mm2: float
    diameter_mm: float  # what the air feels
    pluck_distance_mm: float  # of the pluck from the saddle, at most half the length
    pluck_width_mm: float  # over which plectrum or finger spreads the force; 0 for a point
    damping: Damping
    end_ratio: tuple[float, float] = (RUNS_ON, RUNS_ON)  # restraint c at stop and saddle

    @staticmethod
    def of(
        string: InstrumentString,
        *,
        length_mm: float,
        pluck_distance_mm: float,
        pluck_width_mm: float,
        damping: Damping | None = None,
        end_ratio: tuple[float, float] = (RUNS_ON, RUNS_ON),
    ) -> PluckedString:
        """Return a string of an instrument, stopped so that this length is left.

        Stopping leaves the tension as it is. A string shorter than twice the pluck's distance from
        the saddle is plucked at half its length. Damping is by default that of its material.
        """
        return PluckedString(
            length_mm=length_mm,
            tension_n=string.tension_n,
            linear_density_kg_per_m=string.linear_density_kg_per_m,
            bending_stiffness_n_mm2=string.bending_stiffness_n_mm2,
            diameter_mm=string.gauge_mm,
            pluck_distance_mm=min(pluck_distance_mm, length_mm / 2.0),
            pluck_width_mm=pluck_width_mm,
            damping=damping or default_damping(string),
            end_ratio=end_ratio,
        )

    @property
    def density_n_s2_per_mm2(self) -> float:
        """Mass per length mu in N s²/mm²."""
        return 1e-6 * self.linear_density_kg_per_m

    @property
    def stiff_length_mm(self) -> float:
        """Length delta = sqrt(EI / T) over which the restraint of an end is felt."""
        return sqrt(self.bending_stiffness_n_mm2 / self.tension_n)


@dataclass(frozen=True, slots=True)
class StringModes:
    """The lowest M modes of a plucked string, seen at F stations.

    Released from rest under one newton, u(x, t) = sum over the modes of
    `amplitude * shape(x) * (cos w't + s/w' sin w't) exp(-s t)`.
    """

    angular_per_s: FloatArray  # w, without losses, (M,)
    decay_per_s: FloatArray  # s, (M,)
    mass_n_s2_per_mm: FloatArray  # modal mass, (M,)
    shape_fraction: FloatArray  # phi at the stations, (F, M)
    pluck_shape_fraction: FloatArray  # mean of phi over the pluck, (M,)

    @property
    def amplitude_mm_per_n(self) -> FloatArray:
        """Static amplitude of each mode per newton of pluck, (M,)."""
        return np.asarray(
            self.pluck_shape_fraction / (self.mass_n_s2_per_mm * self.angular_per_s**2)
        )


def wave_numbers_per_mm(
    string: PluckedString, count: int
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return k2, k1 [1/mm] and the end angles alpha, beta [rad] of modes 1 to `count`.

    For an ideal string k1 is infinite and the angles are zero.
    """
    length, delta = string.length_mm, string.stiff_length_mm
    straight = np.arange(1.0, count + 1.0) * pi
    k2 = straight / length
    if delta == 0.0:
        none = np.zeros(count)
        return k2, np.full(count, inf), none, none
    for _ in range(_ROUNDS):
        k1 = np.sqrt(k2**2 + delta**-2)
        alpha, beta = (_end_angle(k2, k1, delta, c) for c in string.end_ratio)
        better = (straight + alpha + beta) / length
        settled = float(np.abs(better - k2).max()) * length < _SETTLED_RAD
        k2 = better
        if settled:
            break
    return k2, k1, alpha, beta


def _end_angle(k2: FloatArray, k1: FloatArray, delta: float, c: float) -> FloatArray:
    if c == 0.0:
        return np.zeros_like(k2)
    return np.asarray(np.arctan(k2 / (k1 + (k1**2 + k2**2) * (delta / c))))


def string_modes(string: PluckedString, station_mm: FloatArray, count: int) -> StringModes:
    """Return the lowest modes of a string, seen at stations counted from the stop."""
    k2, k1, alpha, beta = wave_numbers_per_mm(string, count)
    length = string.length_mm
    stiff = string.bending_stiffness_n_mm2 > 0.0
    turned = np.where(np.arange(count) % 2 == 0, 1.0, -1.0)  # -(-1)^n
    at = length - string.pluck_distance_mm
    half = 0.5 * string.pluck_width_mm
    shape = np.sin(np.multiply.outer(station_mm, k2) - alpha)
    pluck = np.sin(k2 * at - alpha) * np.sinc(k2 * (half / pi))
    square = np.full(count, 0.5 * length)  # integral of phi^2
    if stiff:
        near, far = np.sin(alpha), turned * np.sin(beta)
        shape += near * np.exp(-np.multiply.outer(station_mm, k1))
        shape += far * np.exp(-np.multiply.outer(length - station_mm, k1))
        # the mean of e^(-k1 x) over the pluck; it reaches no end, since it is no wider
        spread = -np.expm1(-2.0 * k1 * half) / (2.0 * k1 * half) if half > 0.0 else 1.0
        pluck += spread * near * np.exp(-k1 * (at - half))
        pluck += spread * far * np.exp(-k1 * (length - at - half))
        square -= (np.sin(2.0 * alpha) + np.sin(2.0 * beta)) / (4.0 * k2)
        for angle in (alpha, beta):
            sine = np.sin(angle)
            square += 2.0 * sine * (k2 * np.cos(angle) - k1 * sine) / (k1**2 + k2**2)
            square += sine**2 / (2.0 * k1)
    density = string.density_n_s2_per_mm2
    stiffness = string.bending_stiffness_n_mm2
    return StringModes(
        angular_per_s=k2 * np.sqrt((string.tension_n + stiffness * k2**2) / density),
        decay_per_s=decay_rate_per_s(
            string.damping,
            order=k2 * (length / pi),
            length_mm=length,
            tension_n=string.tension_n,
            linear_density_kg_per_m=string.linear_density_kg_per_m,
            bending_stiffness_n_mm2=stiffness,
            diameter_mm=string.diameter_mm,
        ),
        mass_n_s2_per_mm=density * square,
        shape_fraction=shape,
        pluck_shape_fraction=pluck,
    )


def pluck_compliance_mm_per_n(string: PluckedString) -> float:
    """Return the displacement at the middle of the pluck per newton, at rest [mm/N].

    The static modal sum in closed form for ends that are far from the pluck: each shortens the
    string by s = delta c / (1 + c), and the bend under the pluck is averaged over its width w::

        (1 / T) (p' b' / l' - w / 8 - (delta^2 / w) (1 - exp(-w / 2 delta)))

    with p' = p - s1, b' = l - p - s0, l' = p' + b'. For w -> 0 the last two become -delta / 2.
    """
    delta, width = string.stiff_length_mm, string.pluck_width_mm
    shortened = [delta * (1.0 if c == inf else c / (1.0 + c)) for c in string.end_ratio]
    beyond = string.length_mm - string.pluck_distance_mm - shortened[0]
    pluck = string.pluck_distance_mm - shortened[1]
    point = pluck * beyond / (pluck + beyond)
    if width <= 1e-5 * delta:
        return (point - 0.5 * delta) / string.tension_n
    bend = -np.expm1(-width / (2.0 * delta)) * delta**2 / width if delta > 0.0 else 0.0
    return float(point - width / 8.0 - bend) / string.tension_n
