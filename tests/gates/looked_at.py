"""Readings of invented necks, looked at by the gates."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from evenfall.gates import Gates, open_gates
from evenfall.instrument import string_lines
from evenfall.measurement import Direct
from evenfall.neck import default_bow
from evenfall.neck.level_line import LevelLine, level_line
from necks.invented import neck
from necks.kinds import specification
from necks.readings import Reader, read

if TYPE_CHECKING:
    from collections.abc import Callable

    from evenfall.arrays import FloatArray
    from evenfall.instrument import Specification
    from evenfall.measurement import Measurement
    from necks.neck import Neck

U_MM = 0.005


@cache
def _lines(kind: str) -> tuple[object, object]:
    made = specification(kind)
    lines = string_lines(made)
    return lines, default_bow(made, lines)


def line_of(made: Specification, found: Measurement) -> LevelLine:
    """Return the level line of some readings."""
    lines = string_lines(made)
    return level_line(made, found, lines, default_bow(made, lines), 0.02)


def looked_at(made: Specification, found: Measurement) -> Gates:
    """Return what the gates say of some readings."""
    return open_gates(made, found, line_of(made, found))


def codes(gates: Gates) -> set[str]:
    """Return the codes of everything that is asked for again."""
    return {gate.code for gate in gates.found}


def sound(kind: str = "electric", *, u_mm: float = U_MM, seed: int = 0) -> tuple[Neck, Measurement]:
    """Return a neck at its targets, and one reading of it."""
    truth = neck(kind)
    return truth, read(truth, np.random.default_rng([seed, 11]), Reader(u_mm=u_mm))


def heights(found: Measurement, change: Callable[[FloatArray], FloatArray]) -> Measurement:
    """Return the readings with other heights; checks by hand stay as they were read."""
    height = change(found.heights.height_mm.copy())
    return replace(found, heights=replace(found.heights, height_mm=height))


def raised(found: Measurement, fret: int, strings: slice | int, by_mm: float) -> Measurement:
    """Return the readings with crowns of one fret raised; strings from 0."""

    def change(height: FloatArray) -> FloatArray:
        height[strings, fret] += by_mm
        return height

    return heights(found, change)


def again(truth: Neck, places: list[tuple[int, int]], u_mm: float, seed: int) -> tuple[Direct, ...]:
    """Return crowns (string, fret) of a neck read once more over the same datum."""
    chance = np.random.default_rng([seed, 13])
    return tuple(
        Direct(
            "crown-top",
            string,
            fret,
            float(truth.crown_top_mm[string - 1, fret - 1] + u_mm * chance.standard_normal()),
            u_mm,
        )
        for string, fret in places
    )
