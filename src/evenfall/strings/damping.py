"""How fast each partial of a string dies away: air, bending losses, and a constant rest.

Model of Valette and Cuesta [1]_ in the form used by Issanchou et al. [2]_: the inverse quality
factors of the air's drag, of the viscoelastic loss in bending and of thermoelastic loss add up::

    1 / Q_j = (nu0_j / nu_j) R_j / (2 pi mu nu_j) + 4 pi^2 mu EI d nu0_j^3 / (T^2 nu_j) + 1 / Q_te
    R_j     = 2 pi eta + 2 pi d_s sqrt(pi eta rho nu_j)

with nu0_j = j c / 2 l the partials of the string without stiffness, nu_j those with it, d_s the
string's diameter, eta and rho viscosity and density of air, d the loss angle in bending. The
amplitude of partial j falls as exp(-s_j t), s_j = pi nu_j / Q_j.

Published constants 1 / Q_te are of strings by themselves (2.03e-4 of plain steel, 6e-6 of wound
strings, 4e-4 of nylon [2]_, [3]_). On an instrument finger, fret, neck, bridge and winding take
more than the string does, so `REST` stands in their place, the same for every partial and string:
12 published decay times of open steel strings leave, beyond air and bending, 5.1e-4 on average
(median 4.3e-4, quartiles 2.6e-4 to 6.4e-4; gathered second-hand). That other strings and stopped
notes lose as much is our judgement.

References
----------
.. [1] C. Valette and C. Cuesta, Mecanique de la corde vibrante, Hermes 1993 (from memory).
.. [2] C. Issanchou, S. Bilbao, J.-L. Le Carrou, C. Touze and O. Doare, J. Sound Vib. 393 (2017)
   229-251, doi:10.1016/j.jsv.2016.12.025.
.. [3] J. Woodhouse, Acta Acust. 90 (2004) 945-965, table I (read second-hand).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite, pi
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray

if TYPE_CHECKING:
    from evenfall.instrument.specification import InstrumentString

_KG_PER_M = 1e-6  # 1 kg/m in N s²/mm², the mass per length that goes with mm, N and s
_PA_S = 1e-6  # 1 Pa s in N s/mm²
_KG_PER_M3 = 1e-12  # 1 kg/m³ in N s²/mm⁴


@dataclass(frozen=True, slots=True)
class Damping:
    """What one string loses."""

    bending_loss_factor: float  # loss angle d of the core in bending, without unit
    constant_loss_factor: float  # the part 1 / Q_te that is the same for all partials, without unit
    # air around the string [Pa s], [kg/m³]; both zero for a vacuum
    air_viscosity_pa_s: float = 1.8e-5
    air_density_kg_per_m3: float = 1.2

    def __post_init__(self) -> None:
        for name in (
            "bending_loss_factor",
            "constant_loss_factor",
            "air_viscosity_pa_s",
            "air_density_kg_per_m3",
        ):
            value = getattr(self, name)
            if not (isfinite(value) and value >= 0.0):
                raise ValueError(f"{name} must be zero or more, not {value}.")


REST = 5e-4
"""What every partial of every string loses besides air and bending, without unit."""

#: Plain steel: bending loss of the monochord string of [2]_.
PLAIN_STEEL = Damping(4.5e-3, REST)

#: Wound: bending loss of an electric bass string by the same authors (Appl. Acoust. 129 (2018)
#: 217-228).
WOUND = Damping(1e-2, REST)

#: Nylon and fluorocarbon: bending loss of plain nylon strings, middle of [3]_.
POLYMER = Damping(2.1e-2, REST)

_POLYMER_MODULUS_N_PER_MM2 = 30_000.0  # far above any polymer string, far below any metal


def default_damping(string: InstrumentString) -> Damping:
    """Return the damping of a string by what it is made of: wound, polymer or plain steel."""
    if string.wound:
        return WOUND
    if string.modulus_n_per_mm2 < _POLYMER_MODULUS_N_PER_MM2:
        return POLYMER
    return PLAIN_STEEL


def decay_rate_per_s(
    damping: Damping,
    *,
    order: FloatArray,
    length_mm: float,
    tension_n: float,
    linear_density_kg_per_m: float,
    bending_stiffness_n_mm2: float,
    diameter_mm: float,
) -> FloatArray:
    """Return the decay rate s_j of partials of these orders; the diameter is what the air feels."""
    density = linear_density_kg_per_m * _KG_PER_M
    viscosity = damping.air_viscosity_pa_s * _PA_S
    plain_hz = order * (np.sqrt(tension_n / density) / (2.0 * length_mm))
    inharmonicity = pi**2 * bending_stiffness_n_mm2 / (tension_n * length_mm**2)
    stiff_hz = plain_hz * np.sqrt(1.0 + inharmonicity * order**2)
    drag = 2.0 * pi * viscosity + 2.0 * pi * diameter_mm * np.sqrt(
        pi * viscosity * damping.air_density_kg_per_m3 * _KG_PER_M3 * stiff_hz
    )
    air = plain_hz / stiff_hz * drag / (2.0 * pi * density * stiff_hz)
    bending = (
        (4.0 * pi**2 * density * bending_stiffness_n_mm2 * damping.bending_loss_factor)
        * plain_hz**3
        / (tension_n**2 * stiff_hz)
    )
    rate: FloatArray = pi * stiff_hz * (air + bending + damping.constant_loss_factor)
    return rate
