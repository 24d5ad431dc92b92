"""Invented instruments and necks for the play test: sound ones, and ones with fret errors.

Masses of wound steel strings: the chart that `tests/instrument/test_strings.py` cites;
those of the others: our choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenfall.instrument import Specification, StringLines, read_specification, string_lines
from evenfall.neck import default_bow
from evenfall.strings.clearance import open_share
from evenfall.strings.excursion import ExcursionTable, excursion_table

FloatArray = NDArray[np.float64]

#: Model: scale [mm], frets, pluck distance [mm], attack [N], strings as (pitch, gauge [mm], core
#: [mm] or None, mass per length [g/m] or None, material).
MODELS = {
    "electric": (
        648.0,
        22,
        130.0,
        0.40,
        [
            ("E4", 0.254, None, None, "steel"),
            ("B3", 0.330, None, None, "steel"),
            ("G3", 0.432, None, None, "steel"),
            ("D3", 0.660, 0.330, 2.263, "steel"),
            ("A2", 0.914, 0.381, 4.280, "steel"),
            ("E2", 1.168, 0.406, 6.825, "steel"),
        ],
    ),
    "short electric": (  # outer strings and one between, few frets: what takes long is quicker
        648.0,
        14,
        130.0,
        0.40,
        [
            ("E4", 0.254, None, None, "steel"),
            ("G3", 0.432, None, None, "steel"),
            ("E2", 1.168, 0.406, 6.825, "steel"),
        ],
    ),
    "ukulele": (
        380.0,
        15,
        90.0,
        0.35,
        [
            ("A4", 0.60, None, None, "nylon"),
            ("E4", 0.74, None, None, "nylon"),
            ("C4", 0.91, None, None, "nylon"),
            ("G4", 0.64, None, None, "nylon"),
        ],
    ),
    "bass": (
        762.0,
        20,
        140.0,
        1.2,
        [
            ("G2", 1.14, 0.45, 6.5, "steel"),
            ("D2", 1.65, 0.50, 12.2, "steel"),
            ("A1", 2.16, 0.56, 21.0, "steel"),
            ("E1", 2.67, 0.61, 36.0, "steel"),
        ],
    ),
    "baritone": (
        686.0,
        24,
        140.0,
        0.50,
        [
            ("B3", 0.356, None, None, "steel"),
            ("F#3", 0.457, None, None, "steel"),
            ("D3", 0.610, None, None, "steel"),
            ("A2", 0.914, 0.381, 4.280, "steel"),
            ("E2", 1.270, 0.420, 8.100, "steel"),
            ("B1", 1.626, 0.450, 13.20, "steel"),
        ],
    ),
}


def specification(model: str = "electric") -> Specification:
    """Return the specification of an invented model."""
    scale, frets, pluck, attack, strings = MODELS[model]
    lines = [
        'schema = "evenfall/spec@1"',
        f'[model]\nname = "Invented {model}"\nkind = "{model}"\nunits = "mm"\nfrets = {frets}',
        f"[scale]\nlength = {scale}\nreference_fret = 12",
        "[board]\nradius_nut = 254.0\nradius_last = 305.0\nwidth_nut = 43.0\nwidth_last = 56.0",
        "string_spread_nut = 36.0\nstring_spread_saddle = 52.0",
        "[fretwire]\ncrown_height = 1.2\ncrown_width = 2.4\nleast_crown_height = 0.7",
        f"[player]\nattack = {attack}\npluck_distance = {pluck}",
        "[target]\naction = { treble = 1.5, bass = 1.9, tolerance = 0.15 }",
        "relief = { value = 0.2, minimum = 0.1, maximum = 0.3 }",
        "first_fret_gap = { treble = 0.3, bass = 0.45, tolerance = 0.1 }",
        "saddle_travel = { down = 0.8, up = 0.8 }\nnut_travel = { down = 0.25 }",
        '[rule]\nextra_clearance = 0.02\ncoverage = 0.95\ndecision = "guard band"',
    ]
    for number, (pitch, gauge, core, weight, material) in enumerate(strings, start=1):
        lines.append(f'[[string]]\nnumber = {number}\npitch = "{pitch}"\ngauge = {gauge}')
        lines.append(f'material = "{material}"\nsaddle_setback = 1.6')
        if core is not None:
            lines.append(f"core = {core}\nmass_per_length = {weight}")
    return read_specification("\n".join(lines), source=model)[0]


@dataclass
class Neck:
    """One neck of a model: heights [mm], string lines and excursion table."""

    specification: Specification
    lines: StringLines
    nut_mm: FloatArray
    crown_top_mm: FloatArray
    saddle_mm: FloatArray
    excursion: ExcursionTable

    @property
    def heights_mm(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        return self.nut_mm, self.crown_top_mm, self.saddle_mm


_TABLES: dict[str, tuple[Specification, StringLines, ExcursionTable]] = {}


def neck(
    model: str = "electric",
    *,
    relief_mm: float = 0.2,
    action_mm: tuple[float, float] = (1.5, 1.9),
    first_fret_gap_mm: tuple[float, float] = (0.3, 0.45),
    error_mm: FloatArray | float = 0.0,
) -> Neck:
    """Return a neck with given relief, action and first-fret gap; errors raise the crowns."""
    if model not in _TABLES:
        made = specification(model)
        lines = string_lines(made)
        _TABLES[model] = (made, lines, excursion_table(made, lines))
    spec, lines, table = _TABLES[model]
    count = spec.string_count
    straight = relief_mm * default_bow(spec, lines).frets
    first = np.linspace(*first_fret_gap_mm, count) + straight[:, 0]
    action = np.linspace(*action_mm, count) + straight[:, 11]
    low, high = open_share(lines, 1), open_share(lines, 12)
    saddle = ((1 - low) * action - (1 - high) * first) / (high * (1 - low) - low * (1 - high))
    nut = (first - low * saddle) / (1 - low)
    return Neck(spec, lines, nut, straight + error_mm, saddle, table)


def random_neck(model: str, seed: int) -> Neck:
    """Return a neck of a model with action, relief, nut and fret errors drawn at random."""
    rng = np.random.default_rng(seed)
    _, frets, _, _, strings = MODELS[model]
    base = {"electric": 1.6, "short electric": 1.6, "ukulele": 2.2, "bass": 2.2, "baritone": 1.8}[
        model
    ]
    action = base * rng.uniform(0.8, 1.3)
    nut = rng.uniform(0.25, 0.5)
    error = rng.normal(0.0, rng.choice([0.0, 0.01, 0.03]), size=(len(strings), frets))
    return neck(
        model,
        relief_mm=rng.uniform(0.0, 0.35),
        action_mm=(action, action * rng.uniform(1.0, 1.3)),
        first_fret_gap_mm=(nut, nut * rng.uniform(1.0, 1.4)),
        error_mm=error,
    )
