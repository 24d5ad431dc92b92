"""Second generator: necks drawn as random functions. No threshold of the program was set on it.

The board is a random smooth surface, not a bow with a kink; frets are off in groups, as they are
where a slot, a stretch of glue or a press was at fault; wear follows where people play. Even the
rod bends the neck by a shape of its own. Its kinds are not those of the first generator.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenfall.instrument import string_lines
from evenfall.neck import default_bow
from necks.kinds import specification
from necks.neck import Neck, strung

if TYPE_CHECKING:
    from evenfall.arrays import FloatArray

BOARD_MM = 0.012
"""Standard deviation of the board about the rod's own bow, over half a scale length or so."""


def random_curve(
    place: FloatArray, length: float, chance: np.random.Generator, waves: int = 12
) -> FloatArray:
    """Return a smooth random curve over places of any shape, standard deviation 1.

    A sum of waves whose numbers are normal: near a Gaussian process with a squared exponential
    covariance of this length (random Fourier features; Rahimi and Recht 2007).
    """
    number = chance.standard_normal(waves) / length
    phase = chance.uniform(0.0, 2.0 * np.pi, waves)
    return np.asarray(np.cos(place[..., None] * number + phase).sum(-1) * np.sqrt(2.0 / waves))


def board_shape(kind: str, chance: np.random.Generator, spread_mm: float = BOARD_MM) -> FloatArray:
    """Return a random smooth surface over the crowns, its straight lines left out, (K, F)."""
    lines = string_lines(specification(kind))
    share = lines.station_mm[:, 1:] / lines.saddle_station_mm[:, None]
    side = lines.y_mm[:, 1:] / np.abs(lines.y_mm).max()
    shape = random_curve(share, 0.25, chance) + 0.5 * side * random_curve(share, 0.25, chance)
    straight = [np.polyval(np.polyfit(x, row, 1), x) for row, x in zip(shape, share, strict=True)]
    return np.asarray(spread_mm * (shape - straight))


def level(kind: str, chance: np.random.Generator) -> Neck:
    """Return a neck with level frets on a random smooth board."""
    return _neck(kind, chance, groups=0, worn=False, roughness_mm=0.0)


def as_found(kind: str, chance: np.random.Generator) -> Neck:
    """Return a neck with groups of frets that stand off, and wear where it was played."""
    return _neck(
        kind,
        chance,
        groups=int(chance.integers(1, 4)),
        worn=bool(chance.random() < 0.5),
        roughness_mm=float(chance.gamma(2.0, 0.0015)),
    )


def _neck(
    kind: str, chance: np.random.Generator, *, groups: int, worn: bool, roughness_mm: float
) -> Neck:
    made = specification(kind)
    lines = string_lines(made)
    bow = default_bow(made, lines)
    station = lines.station_mm[:, 1:]
    share = station / lines.saddle_station_mm[:, None]
    side = lines.y_mm[:, 1:] / np.abs(lines.y_mm).max()
    target, count = made.target, made.string_count
    room = target.relief.maximum_mm - target.relief.minimum_mm
    relief = target.relief.value_mm + 0.6 * room * chance.normal()
    line = relief * bow.frets + board_shape(kind, chance)
    line = line + roughness_mm * chance.standard_normal(made.frets)
    off = np.zeros_like(station)
    for _ in range(groups):
        off += _seating(made.frets, side, chance)
    lost = _wear(made.frets, count, chance) if worn else np.zeros_like(station)

    def gaps(limits: tuple[object, ...], low: float, high: float) -> FloatArray:
        value = np.array([limit.value_mm for limit in limits])  # type: ignore[attr-defined]
        half = np.array([limit.maximum_mm - limit.value_mm for limit in limits])  # type: ignore[attr-defined]
        walk = 0.15 * np.cumsum(chance.standard_normal(count))
        return np.asarray(value + half * (chance.uniform(low, high) + walk - walk.mean()))

    # the rod bends this neck by a shape of its own, brought back to 1 mm of relief for 1
    rod = bow.frets * (1.0 + 0.08 * random_curve(share, 0.4, chance))
    return strung(
        made,
        line,
        off - lost,
        crown_height_mm=made.fretwire.crown_height_mm - 0.02 * chance.random() - lost,
        action_mm=gaps(target.action, -1.3, 1.3),
        first_fret_gap_mm=gaps(target.first_fret_gap, -0.6, 1.3),
        bow_mm_per_mm=rod / bow.relief_mm(rod),
        arched=bool(chance.random() < 0.7),
    )


def _seating(frets: int, side: FloatArray, chance: np.random.Generator) -> FloatArray:
    """Return one to four neighbouring frets that were pressed in badly, (K, F) [mm]."""
    size = int(chance.integers(1, 5))
    start = int(chance.integers(1, frets - size + 1))
    rise = chance.uniform(0.03, 0.12) * (1.0 if chance.random() < 0.8 else -0.6)
    along = np.zeros(frets)
    along[start : start + size] = rise * chance.uniform(0.6, 1.0, size)
    kind = chance.random()
    if kind < 0.4:
        across = np.ones_like(side)
    elif kind < 0.8:  # one end up
        across = np.clip(0.5 + 0.6 * side * chance.choice([-1.0, 1.0]), 0.0, None)
    else:  # the middle up: the tang arched less than the board
        across = np.clip(1.0 - 1.2 * side**2, 0.0, None)
    return np.asarray(across * along)


def _wear(frets: int, strings: int, chance: np.random.Generator) -> FloatArray:
    """Return wear under the plain strings in two favourite positions, (K, F) [mm]."""
    fret = np.arange(1, frets + 1)
    along = np.exp(-0.5 * ((fret - 2.0) / 1.5) ** 2)
    place = chance.uniform(5.0, 12.0)
    along = along + chance.uniform(0.2, 0.8) * np.exp(-0.5 * ((fret - place) / 2.0) ** 2)
    across = np.exp(-np.arange(strings) / max(1.0, 0.4 * strings)) * chance.uniform(
        0.6, 1.0, strings
    )
    return np.asarray(chance.uniform(0.03, 0.12) * across[:, None] * along[None, :])
