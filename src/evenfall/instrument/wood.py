"""Woods of necks and boards: stiffness, and how they shrink as they dry.

Shrinkage is from green to oven dry, modulus from bending tests at 12 % moisture, both as the Wood
Handbook lists them [1]_; each entry says how its values were obtained. Values "from memory" should
be checked against the tables.

References
----------
.. [1] USDA Forest Products Laboratory, Wood Handbook, FPL-GTR-282 (2021), tables 4-3, 4-4, 5-3
   and 5-5.
"""

from __future__ import annotations

from dataclasses import dataclass

LENGTHWISE_U_PERCENT = 0.029
"""Standard uncertainty of the shrinkage along the grain, green to oven dry: 0.1 to 0.2 % for most
woods (from memory); half width over sqrt 3 (JCGM 100, 4.3.7)."""

MODULUS_U_SHARE = 0.22
"""Coefficient of variation of the modulus within one species (Wood Handbook; from memory)."""

SHEAR_FREE = 1.10
"""Modulus without shear over that of the bending test (Wood Handbook; from memory)."""


@dataclass(frozen=True, slots=True)
class Wood:
    """One wood."""

    modulus_n_per_mm2: float  # along the grain, from bending tests at 12 % moisture
    radial_percent: float  # shrinkage across the grain, green to oven dry
    tangential_percent: float
    source: str  # how the values were obtained


#: By the name that specifications use.
WOODS: dict[str, Wood] = {
    "maple": Wood(
        12_600.0,
        4.8,
        9.9,
        "sugar maple; shrinkage quoted by a second source, modulus from memory",
    ),
    "walnut": Wood(11_600.0, 5.5, 7.8, "black walnut; shrinkage read, modulus from memory"),
    "mahogany": Wood(
        10_300.0, 3.0, 4.1, "true mahogany; shrinkage read, modulus as quoted by a second source"
    ),
    "khaya": Wood(
        9_700.0, 2.5, 4.5, "African mahogany; shrinkage read, modulus as quoted by a second source"
    ),
    "poplar": Wood(
        10_900.0,
        4.6,
        8.2,
        "shrinkage quoted by a second source, modulus from memory",
    ),
    "rosewood": Wood(12_300.0, 2.7, 5.8, "Indian rosewood; from memory"),
    "brazilian rosewood": Wood(13_000.0, 2.9, 4.6, "from memory"),
    "ebony": Wood(16_000.0, 5.4, 8.8, "East Indian ebony; from memory"),
    "spanish cedar": Wood(9_900.0, 4.2, 6.3, "shrinkage from memory, modulus read"),
}
