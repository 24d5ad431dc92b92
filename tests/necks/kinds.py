"""Invented instruments of many kinds, each with a specification that level frets can meet.

Every name is coined and every number is an example. Masses of wound strings are worked out from
gauge and core (`_mass_g_per_m`), so none is anybody's published figure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

from evenfall.instrument import Specification, read_specification, string_lines
from evenfall.strings.excursion import ExcursionTable, excursion_key, excursion_table


@dataclass(frozen=True)
class Kind:
    """What a specification of the tests is made of; lengths in mm, forces in N."""

    name: str
    frets: int
    scale: str  # the keys of [scale], separated by "; "
    radii: tuple[float, float]  # of the board at nut and last fret; 0 is flat
    spread: tuple[float, float]  # of the strings at nut and saddle
    joint: float
    strings: tuple[tuple[str, float, float | None, str], ...]  # pitch, gauge, core, material
    action: tuple[float, float, float]  # treble, bass, tolerance
    first_fret_gap: tuple[float, float, float]
    relief: tuple[float, float, float]  # value, minimum, maximum
    attack: tuple[float, float]  # treble, bass
    pluck: tuple[float, float]  # distance from the saddle, width
    crown: tuple[float, float] = (1.2, 0.8)  # as supplied, least to leave
    rod: bool = True
    model: str = ""  # further keys of [model], separated by "; "


def _mass_g_per_m(gauge_mm: float, core_mm: float, material: str) -> float:
    """Mass per length of a wound string: a core under metal wire that fills 75 % of its ring."""
    core = {"steel": 7.85, "nylon": 1.14}[material]
    ring = gauge_mm**2 - core_mm**2
    return round(math.pi / 4.0 * (core * core_mm**2 + 0.75 * 8.5 * ring), 3)


_STEEL, _NYLON = "steel", "nylon"

_ELECTRIC = (
    ("E4", 0.254, None, _STEEL),
    ("B3", 0.330, None, _STEEL),
    ("G3", 0.432, None, _STEEL),
    ("D3", 0.660, 0.330, _STEEL),
    ("A2", 0.914, 0.381, _STEEL),
    ("E2", 1.168, 0.406, _STEEL),
)
_MANDOLIN = (
    ("E5", 0.270, None, _STEEL),
    ("A4", 0.360, None, _STEEL),
    ("D4", 0.600, 0.280, _STEEL),
    ("G3", 0.860, 0.330, _STEEL),
)
_TWELVE = (
    ("E4", 0.254, None, _STEEL),
    ("E4", 0.254, None, _STEEL),
    ("B3", 0.355, None, _STEEL),
    ("B3", 0.355, None, _STEEL),
    ("G3", 0.584, 0.270, _STEEL),
    ("G4", 0.216, None, _STEEL),
    ("D3", 0.762, 0.330, _STEEL),
    ("D4", 0.305, None, _STEEL),
    ("A2", 1.016, 0.360, _STEEL),
    ("A3", 0.533, 0.254, _STEEL),
    ("E2", 1.270, 0.400, _STEEL),
    ("E3", 0.711, 0.305, _STEEL),
)

KINDS: dict[str, Kind] = {
    "electric": Kind(
        "Tesquil",
        22,
        "length = 648.0",
        (254.0, 305.0),
        (36.0, 52.0),
        17,
        _ELECTRIC,
        (1.5, 1.9, 0.15),
        (0.30, 0.45, 0.10),
        (0.20, 0.10, 0.30),
        (0.38, 0.50),
        (130.0, 2.0),
    ),
    "acoustic": Kind(
        "Ombreld",
        20,
        "length = 645.0",
        (406.0, 406.0),
        (37.0, 54.0),
        14,
        (
            ("E4", 0.305, None, _STEEL),
            ("B3", 0.406, None, _STEEL),
            ("G3", 0.610, 0.270, _STEEL),
            ("D3", 0.813, 0.330, _STEEL),
            ("A2", 1.067, 0.380, _STEEL),
            ("E2", 1.346, 0.420, _STEEL),
        ),
        (1.9, 2.4, 0.20),
        (0.35, 0.50, 0.12),
        (0.20, 0.10, 0.30),
        (0.70, 0.92),
        (150.0, 2.0),
        (1.1, 0.75),
    ),
    "classical": Kind(
        "Velquorin",
        19,
        "length = 650.0",
        (0.0, 0.0),
        (43.0, 58.0),
        12,
        (
            ("E4", 0.71, None, _NYLON),
            ("B3", 0.82, None, _NYLON),
            ("G3", 1.02, None, _NYLON),
            ("D3", 0.74, 0.44, _NYLON),
            ("A2", 0.89, 0.46, _NYLON),
            ("E2", 1.09, 0.50, _NYLON),
        ),
        (2.9, 3.8, 0.25),
        (0.50, 0.70, 0.15),
        (0.15, 0.05, 0.28),
        (0.62, 0.75),
        (120.0, 6.0),
        (1.1, 0.7),
        rod=False,
    ),
    "bass": Kind(
        "Gorbune",
        20,
        "length = 864.0",
        (254.0, 356.0),
        (33.0, 57.0),
        16,
        (
            ("G2", 1.14, 0.45, _STEEL),
            ("D2", 1.65, 0.50, _STEEL),
            ("A1", 2.16, 0.56, _STEEL),
            ("E1", 2.67, 0.61, _STEEL),
        ),
        (2.0, 2.5, 0.20),
        (0.45, 0.60, 0.12),
        (0.28, 0.15, 0.40),
        (1.05, 1.20),
        (140.0, 10.0),
        (1.3, 0.85),
    ),
    "ukulele": Kind(
        "Quenlo",
        16,
        "length = 380.0",
        (0.0, 0.0),
        (28.5, 41.0),
        14,
        (
            ("A4", 0.56, None, _NYLON),
            ("E4", 0.74, None, _NYLON),
            ("C4", 0.91, None, _NYLON),
            ("G4", 0.64, None, _NYLON),
        ),
        (2.4, 2.4, 0.25),
        (0.45, 0.45, 0.15),
        (0.06, 0.0, 0.15),
        (0.44, 0.44),
        (110.0, 8.0),
        (0.95, 0.60),
        rod=False,
        model="reentrant = true",
    ),
    "mandolin": Kind(
        "Pelquavo",
        20,
        "length = 352.0",
        (305.0, 305.0),
        (24.0, 38.0),
        15,
        tuple(s for s in _MANDOLIN for _ in range(2)),
        (1.3, 1.7, 0.15),
        (0.25, 0.35, 0.10),
        (0.08, 0.02, 0.15),
        (0.62, 0.76),
        (70.0, 2.0),
        (1.0, 0.65),
        model="courses = 4",
    ),
    "fan": Kind(
        "Dolqua",
        24,
        "treble = 648.0; bass = 686.0; square_fret = 7",
        (406.0, 406.0),
        (41.0, 63.0),
        18,
        (*_ELECTRIC, ("B1", 1.575, 0.457, _STEEL)),
        (1.5, 2.0, 0.15),
        (0.30, 0.50, 0.10),
        (0.15, 0.05, 0.25),
        (0.36, 0.50),
        (130.0, 2.0),
    ),
}
"""The kinds of the first generator."""

OTHER_KINDS: dict[str, Kind] = {
    "baritone": Kind(
        "Murdolane",
        24,
        "length = 686.0",
        (305.0, 305.0),
        (36.0, 52.0),
        19,
        (
            ("B3", 0.356, None, _STEEL),
            ("F#3", 0.457, None, _STEEL),
            ("D3", 0.660, 0.330, _STEEL),
            ("A2", 0.914, 0.381, _STEEL),
            ("E2", 1.270, 0.420, _STEEL),
            ("B1", 1.626, 0.450, _STEEL),
        ),
        (1.6, 2.1, 0.15),
        (0.32, 0.50, 0.10),
        (0.22, 0.10, 0.32),
        (0.48, 0.66),
        (140.0, 2.0),
    ),
    "five-string bass": Kind(
        "Hulmarquen",
        21,
        "length = 889.0",
        (508.0, 508.0),
        (36.0, 68.0),
        17,
        (
            ("G2", 1.14, 0.45, _STEEL),
            ("D2", 1.65, 0.50, _STEEL),
            ("A1", 2.16, 0.56, _STEEL),
            ("E1", 2.67, 0.61, _STEEL),
            ("B0", 3.43, 0.70, _STEEL),
        ),
        (1.9, 2.6, 0.20),
        (0.45, 0.65, 0.12),
        (0.28, 0.15, 0.40),
        (0.95, 1.20),
        (140.0, 10.0),
        (1.3, 0.85),
    ),
    "tenor": Kind(
        "Sarquole",
        19,
        "length = 584.0",
        (305.0, 305.0),
        (24.0, 36.0),
        14,
        (
            ("A4", 0.229, None, _STEEL),
            ("D4", 0.356, None, _STEEL),
            ("G3", 0.560, 0.254, _STEEL),
            ("C3", 0.860, 0.340, _STEEL),
        ),
        (1.7, 2.1, 0.18),
        (0.30, 0.42, 0.10),
        (0.16, 0.06, 0.26),
        (0.58, 0.76),
        (130.0, 2.0),
        (1.1, 0.75),
    ),
    "twelve-string": Kind(
        "Yulmerande",
        20,
        "length = 645.0",
        (406.0, 508.0),
        (41.0, 58.0),
        14,
        _TWELVE,
        (1.9, 2.3, 0.20),
        (0.33, 0.45, 0.12),
        (0.20, 0.10, 0.30),
        (0.52, 0.70),
        (150.0, 2.0),
        (1.1, 0.75),
        model="courses = 6",
    ),
}
"""The kinds of the second generator."""

ALL_KINDS = KINDS | OTHER_KINDS


def text(kind: str) -> str:
    """Return the specification of a kind as TOML."""
    made = ALL_KINDS[kind]

    def ends(values: tuple[float, float, float]) -> str:
        return f"{{ treble = {values[0]}, bass = {values[1]}, tolerance = {values[2]} }}"

    count = len(made.strings)
    low, high = made.attack
    attack = [round(low + (high - low) * k / (count - 1), 3) for k in range(count)]
    lines = [
        'schema = "evenfall/spec@1"',
        f'[model]\nname = "{made.name} (invented)"\nkind = "{kind}"\nunits = "mm"',
        f"frets = {made.frets}",
        *(made.model.split("; ") if made.model else ()),
        "[scale]",
        *made.scale.split("; "),
        "reference_fret = 12",
        f"[board]\nradius_nut = {made.radii[0]}\nradius_last = {made.radii[1]}",
        f"width_nut = {made.spread[0] + 7.0}\nwidth_last = {made.spread[1] + 5.0}",
        f"string_spread_nut = {made.spread[0]}\nstring_spread_saddle = {made.spread[1]}",
        f"joint_fret = {made.joint}",
        f"[fretwire]\ncrown_height = {made.crown[0]}\ncrown_width = 2.4",
        f"least_crown_height = {made.crown[1]}",
        f"[target]\naction = {ends(made.action)}",
        "relief = {{ value = {}, minimum = {}, maximum = {} }}".format(*made.relief),
        f"first_fret_gap = {ends(made.first_fret_gap)}",
        "saddle_travel = { down = 0.8, up = 0.8 }\nnut_travel = { down = 0.25 }",
        f"[player]\nattack = {attack}",
        f"pluck_distance = {made.pluck[0]}\npluck_width = {made.pluck[1]}",
        "[rule]\nextra_clearance = 0.02\nworking_allowance = 0.02\ncoverage = 0.95",
        *([] if made.rod else ["[neck]\ntruss_rod = false"]),
    ]
    for number, (pitch, gauge, core, material) in enumerate(made.strings, start=1):
        lines.append(f'[[string]]\nnumber = {number}\npitch = "{pitch}"\ngauge = {gauge}')
        lines.append(f'material = "{material}"\nsaddle_setback = 1.8')
        if core is not None:
            lines.append(f"core = {core}\nmass_per_length = {_mass_g_per_m(gauge, core, material)}")
    return "\n".join(lines) + "\n"


@cache
def specification(kind: str) -> Specification:
    """Return the specification of a kind."""
    return read_specification(text(kind), source=kind)[0]


_TABLES: dict[str, ExcursionTable] = {}


def table(specification_: Specification) -> ExcursionTable:
    """Return the excursion table of a specification, computed once in this process."""
    key = excursion_key(specification_)
    if key not in _TABLES:
        _TABLES[key] = excursion_table(specification_, string_lines(specification_))
    return _TABLES[key]
