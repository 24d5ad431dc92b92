"""The strings of the check values of touch and buzz force.

Masses of wound strings: the chart that `tests/instrument/test_strings.py` cites.
"""

from __future__ import annotations

import math

from evenfall.strings.damping import Damping
from evenfall.strings.modes import PluckedString

SCALE_MM = 648.0
REST = 5e-4


def place_mm(fret: int) -> float:
    """Return the place of a fret on the scale."""
    return SCALE_MM * (1.0 - 2.0 ** (-fret / 12.0))


def steel(
    midi: int, gauge_mm: float, setback_mm: float, core_mm: float = 0.0, grams_per_m: float = 0.0
) -> dict[str, float]:
    """Return a steel string of 648 mm: tension, mass, stiffness, loss."""
    wound = core_mm > 0.0
    bent = core_mm or gauge_mm
    density = 1e-3 * grams_per_m if wound else 7850.0 * math.pi * (1e-3 * gauge_mm) ** 2 / 4.0
    length = SCALE_MM + setback_mm
    pitch = 440.0 * 2.0 ** ((midi - 69) / 12.0)
    return {
        "length_mm": length,
        "tension_n": 4.0 * density * (1e-3 * length) ** 2 * pitch**2,
        "linear_density_kg_per_m": density,
        "bending_stiffness_n_mm2": 2e5 * math.pi * bent**4 / 64.0,
        "diameter_mm": gauge_mm,
        "loss": 1e-2 if wound else 4.5e-3,
    }


STRINGS = {
    "E4": steel(64, 0.254, 1.6),
    "B3": steel(59, 0.330, 1.9),
    "G3": steel(55, 0.432, 2.3),
    "D3": steel(50, 0.660, 1.4, 0.330, 2.263),
    "A2": steel(45, 0.914, 2.0, 0.381, 4.280),
    "E2": steel(40, 1.168, 2.8, 0.406, 6.825),
}


def stopped(
    name: str,
    fret: int,
    *,
    rest: float = REST,
    ends: tuple[float, float] = (1.0, 1.0),
    width_mm: float = 2.0,
    pluck_mm: float = 130.0,
) -> PluckedString:
    """Return one of the strings stopped at a fret and plucked 130 mm from the saddle."""
    made = dict(STRINGS[name])
    length = made.pop("length_mm") - place_mm(fret)
    loss = made.pop("loss")
    return PluckedString(
        length_mm=length,
        pluck_distance_mm=min(pluck_mm, length / 2.0),
        pluck_width_mm=width_mm,
        damping=Damping(loss, rest),
        end_ratio=ends,
        **made,
    )


def stations(fret: int, last: int = 22) -> list[float]:
    """Return the distances of the frets ahead from the stopped one."""
    return [place_mm(ahead) - place_mm(fret) for ahead in range(fret + 1, last + 1)]
