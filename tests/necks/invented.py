"""First generator: necks put together from faults that a technician has names for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.instrument import fret_distance_mm, string_lines
from evenfall.neck import default_bow
from necks.kinds import specification
from necks.neck import Neck, strung

if TYPE_CHECKING:
    from evenfall.arrays import FloatArray
    from evenfall.instrument import Specification


@dataclass(frozen=True)
class Bump:
    """One fret off level: by so much under its first and last string named [mm]."""

    fret: int
    rise_mm: float
    to_mm: float | None = None  # at the last string, if the fret is tilted
    strings: tuple[int, int] | None = None  # first and last; all if left out


def neck(
    kind: str = "electric",
    *,
    relief_mm: float | None = None,
    action_mm: FloatArray | float | None = None,
    first_fret_gap_mm: FloatArray | float | None = None,
    bumps: Sequence[Bump] = (),
    roughness_mm: float = 0.0,
    wear_mm: FloatArray | None = None,
    hump_mm: float = 0.0,
    joint_rise_mm: float = 0.0,
    parabola: bool = False,
    arched: bool = True,
    chance: np.random.Generator | None = None,
) -> Neck:
    """Return a neck of a kind with the faults asked for; the settings stand at their targets.

    Parameters
    ----------
    relief_mm
        Relief; the target's value if left out.
    action_mm, first_fret_gap_mm
        Gaps of the open strings over the level crowns; the targets' values if left out.
    bumps
        Frets that are off.
    roughness_mm
        Standard deviation of what level frets differ by: along the neck, and half as much again as
        a tilt. It is not counted as off.
    wear_mm
        What the crowns have lost, shape (K, F).
    hump_mm, joint_rise_mm
        How far a smooth hump around the joint stands up, and the far end beyond the joint; under
        0 the end falls away. Neither is counted as off: they are the board's.
    parabola
        Whether the bow is a parabola from fret 1 to the last in place of the rod's own shape.
    arched
        See `strung`.
    """
    made = specification(kind)
    lines = string_lines(made)
    bow = default_bow(made, lines)
    station = lines.station_mm[:, 1:]
    relief = made.target.relief.value_mm if relief_mm is None else relief_mm
    if parabola:
        first, last = station[:, :1], station[:, -1:]
        line = -relief * (1.0 - ((2.0 * station - first - last) / (last - first)) ** 2)
    else:
        line = relief * bow.frets
    fret = np.arange(1, made.frets + 1)
    joint = made.board.joint_fret
    line = line + hump_mm * np.exp(-0.5 * ((fret - joint) / 2.0) ** 2)
    scale = np.array([s.scale_mm for s in made.strings])[:, None]
    beyond = np.maximum(0.0, station - scale * fret_distance_mm(1.0, joint))
    if made.frets - joint >= 3:  # past the joint there is a stretch of board that can fall or rise
        line = line + joint_rise_mm * beyond / beyond.max(axis=1, keepdims=True)
    if roughness_mm:
        assert chance is not None
        side = lines.y_mm[:, 1:] / np.abs(lines.y_mm).max()
        line = line + roughness_mm * chance.standard_normal(made.frets)
        line = line + 0.5 * roughness_mm * side * chance.standard_normal(made.frets)
    off = np.zeros_like(station)
    for bump in bumps:
        low, high = bump.strings or (1, made.string_count)
        ends = bump.rise_mm, bump.rise_mm if bump.to_mm is None else bump.to_mm
        off[low - 1 : high, bump.fret - 1] += np.linspace(*ends, high - low + 1)
    lost = np.zeros_like(station) if wear_mm is None else wear_mm
    return strung(
        made,
        line,
        off - lost,
        crown_height_mm=made.fretwire.crown_height_mm - 0.01 - lost,
        action_mm=action_mm,
        first_fret_gap_mm=first_fret_gap_mm,
        relief_mm=relief,
        arched=arched,
    )


def worn_first_frets(made: Specification, deepest_mm: float, frets: int = 4) -> FloatArray:
    """Return wear that falls evenly from fret 1 on, deeper under the treble strings, (K, F)."""
    along = np.clip(1.0 - np.arange(made.frets) / frets, 0.0, None)
    across = np.linspace(1.0, 0.4, made.string_count)
    return np.asarray(deepest_mm * across[:, None] * along[None, :])


def level(kind: str, chance: np.random.Generator) -> Neck:
    """Return a neck with level frets and settings anywhere in and somewhat outside their limits."""
    made = specification(kind)
    target = made.target
    relief, action, gap = _settings(made, chance, 1.5)
    lowest = max(-0.05, target.relief.minimum_mm - 0.1)
    return neck(
        kind,
        relief_mm=max(relief, lowest),
        action_mm=action,
        first_fret_gap_mm=gap,
        parabola=bool(chance.random() < 0.3),
        joint_rise_mm=float(chance.choice([0.0, 0.0, -0.1])),
        arched=bool(chance.random() < 0.7),
    )


def as_found(kind: str, chance: np.random.Generator) -> Neck:
    """Return a neck as it might come in: one to four frets off, wear, a hump, settings adrift.

    How often what is wrong: our choice, no source.
    """
    made = specification(kind)
    relief, action, gap = _settings(made, chance, 1.3)
    frets = chance.permutation(np.arange(2, made.frets + 1))[: chance.integers(1, 5)]
    bumps = []
    for fret in frets.tolist():
        rise = chance.uniform(0.03, 0.14) * (1.0 if chance.random() < 0.85 else -0.7)
        shape = chance.random()
        if shape < 0.5:
            bumps.append(Bump(fret, rise))
        elif shape < 0.8:
            ends = (rise, 0.1 * rise)
            bumps.append(Bump(fret, *(ends if chance.random() < 0.5 else ends[::-1])))
        else:
            low = int(chance.integers(1, made.string_count - 1))
            bumps.append(Bump(fret, rise, strings=(low, low + 2)))
    worn = chance.random() < 0.35
    return neck(
        kind,
        relief_mm=relief,
        action_mm=action,
        first_fret_gap_mm=gap,
        bumps=bumps,
        roughness_mm=float(chance.uniform(0.001, 0.006)),
        wear_mm=worn_first_frets(made, float(chance.uniform(0.04, 0.12))) if worn else None,
        hump_mm=float(chance.uniform(0.02, 0.05)) if chance.random() < 0.15 else 0.0,
        joint_rise_mm=float(chance.choice([0.0, 0.0, 0.0, 0.06, -0.08])),
        chance=chance,
    )


def _settings(
    made: Specification, chance: np.random.Generator, widths: float
) -> tuple[float, FloatArray, FloatArray]:
    """Return relief, actions and first-fret gaps, up to so many tolerances from their targets."""
    target = made.target

    def around(limits: tuple[object, ...], common: float) -> FloatArray:
        value = np.array([limit.value_mm for limit in limits])  # type: ignore[attr-defined]
        half = np.array([limit.maximum_mm - limit.value_mm for limit in limits])  # type: ignore[attr-defined]
        own = chance.uniform(-0.25, 0.25, len(value))
        return np.asarray(value + half * (common + own))

    relief = target.relief
    room = relief.maximum_mm - relief.value_mm
    action = around(target.action, chance.uniform(-widths, widths))
    gap = around(target.first_fret_gap, chance.uniform(-0.7, widths))
    return relief.value_mm + room * chance.uniform(-widths, widths), action, gap
