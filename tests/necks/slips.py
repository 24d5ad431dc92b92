"""Slips of readings, as people make them: what a sheet says in place of what is so."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from evenfall.measurement import Measurement

DATUM_MM = 0.10


@dataclass(frozen=True)
class Slip:
    """A slip that changes the heights alone; checks by hand stay as they were read."""

    change: Callable[[np.ndarray, np.random.Generator], np.ndarray]
    again: Callable[[float], float] = float  # what it makes of a crown read once more

    def __call__(self, found: Measurement, chance: np.random.Generator) -> Measurement:
        height = self.change(found.heights.height_mm.copy(), chance)
        return replace(found, heights=replace(found.heights, height_mm=height))


def _scaled(factor: float) -> Slip:
    return Slip(lambda height, _: factor * height, lambda value: factor * value)


def _bow_turned(height: np.ndarray, _: np.random.Generator) -> np.ndarray:
    """Turn the sign of the crowns' bow about the line from the first fret to the last."""
    crowns = height[:, 1:-1]
    ends = np.linspace(0.0, 1.0, crowns.shape[1])
    line = crowns[:, :1] + ends * (crowns[:, -1:] - crowns[:, :1])
    height[:, 1:-1] = 2.0 * line - crowns
    return height


def _shifted(height: np.ndarray, _: np.random.Generator) -> np.ndarray:
    """Count the frets from one too many: each crown gets the figure of the one before it."""
    height[:, 2:-1] = height[:, 1:-2].copy()
    return height


def _from_the_body(height: np.ndarray, _: np.random.Generator) -> np.ndarray:
    """Count the frets from the body: the last one's figure stands at the first."""
    height[:, 1:-1] = height[:, -2:0:-1].copy()
    return height


def _one_fret_up(height: np.ndarray, chance: np.random.Generator) -> np.ndarray:
    height[:, 1 + chance.integers(height.shape[1] - 2)] += 0.30
    return height


def _one_crown_up(height: np.ndarray, chance: np.random.Generator) -> np.ndarray:
    place = chance.integers(len(height)), 1 + chance.integers(height.shape[1] - 2)
    height[place] += 0.25
    return height


def _nut_slot(height: np.ndarray, chance: np.random.Generator) -> np.ndarray:
    height[chance.integers(len(height)), 0] += 0.40
    return height


def saddle_up(by_mm: float) -> Slip:
    """Return that the saddle was read too high under one string."""

    def change(height: np.ndarray, chance: np.random.Generator) -> np.ndarray:
        height[chance.integers(len(height)), -1] += by_mm
        return height

    return Slip(change)


def _datum_step(height: np.ndarray, chance: np.random.Generator) -> np.ndarray:
    frets = height.shape[1] - 2
    height[:, 1 + chance.integers(frets // 4, 3 * frets // 4) : -1] += DATUM_MM
    return height


def _neighbours_swapped(height: np.ndarray, chance: np.random.Generator) -> np.ndarray:
    one = 1 + chance.integers(height.shape[1] - 3)
    height[:, [one, one + 1]] = height[:, [one + 1, one]]
    return height


SLIPS: dict[str, Slip] = {
    "negated": _scaled(-1.0),
    "a tenth": _scaled(0.1),
    "inches for millimetres": _scaled(1.0 / 25.4),
    "halved": _scaled(0.5),
    "doubled": _scaled(2.0),
    "a fifth too much": _scaled(1.2),
    "strings reversed": Slip(lambda height, _: height[::-1]),
    "frets shifted by one": Slip(_shifted),
    "frets counted from the body": Slip(_from_the_body),
    "one fret 0.30 up": Slip(_one_fret_up),
    "one crown 0.25 up": Slip(_one_crown_up),
    "bow with the wrong sign": Slip(_bow_turned),
    "one nut slot 0.40 up": Slip(_nut_slot),
    "one saddle 1.0 up": saddle_up(1.0),
    "datum moved 0.10 on the way": Slip(_datum_step, lambda value: value + DATUM_MM),
    "two neighbouring frets swapped": Slip(_neighbours_swapped),
}
