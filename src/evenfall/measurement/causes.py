"""Causes of uncertainty while heights are worked out, each followed to every height it reaches.

Heights come from readings by weighted sums only, so what one standard uncertainty of a reading
does to each height follows exactly (JCGM 100:2008, 5.1.2 and 5.2), and with it what the heights
have in common.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Hashable
from typing import Any, Literal

import numpy as np

from evenfall.arrays import BoolArray, CodeArray, FloatArray
from evenfall.measurement.heights import READING_NAMES, Heights, Shared

_NOTHING_MM = 1e-12
"""An effect under this is the rounding of the arithmetic."""

_KNOWN = 1e9
"""With more degrees of freedom than this an uncertainty is as good as known."""


class Causes:
    """Independent causes of the uncertainty of heights of K strings over F frets.

    A height is named by the index of its string and by its column, as in `Heights`.
    """

    def __init__(self, strings: int, frets: int) -> None:
        self._shape = (strings, frets + 2)
        self._rows: dict[Hashable, int] = {}
        self._named: list[tuple[str, float]] = []
        self._effect = np.zeros((64, strings * (frets + 2)))

    @classmethod
    def of(cls, heights: Heights) -> Causes:
        """Return the causes of heights that are known already."""
        causes = cls(heights.strings, heights.frets)
        own = np.nan_to_num(heights.own_u_mm)
        for k, column in np.argwhere(own > 0.0).tolist():
            name = READING_NAMES[(column > 0) + (column == own.shape[1] - 1)]
            freedom = float(heights.own_degrees_of_freedom[k, column])
            causes.add(("own", k, column), name, (k, column), float(own[k, column]), freedom)
        for number, shared in enumerate(heights.shared):
            for k, column in np.argwhere(shared.effect_mm != 0.0).tolist():
                value = {"all": 0, "string": k, "fret": column}[shared.by]
                causes.add(
                    ("shared", number, value),
                    shared.name,
                    (k, column),
                    float(shared.effect_mm[k, column]),
                    shared.degrees_of_freedom,
                )
        return causes

    def add(
        self,
        cause: Hashable,
        name: str,
        at: tuple[int, int],
        effect_mm: float,
        degrees_of_freedom: float = math.inf,
    ) -> None:
        """Add to what one standard uncertainty of a cause does to one height [mm].

        Whatever has the same `cause` is one and the same cause.
        """
        row = self._rows.setdefault(cause, len(self._rows))
        if row == len(self._named):
            self._named.append((name, degrees_of_freedom))
            if row == len(self._effect):
                self._effect = np.vstack([self._effect, np.zeros_like(self._effect)])
        self._effect[row, self._at(at)] += effect_mm

    def derive(self, at: tuple[int, int], weights: FloatArray) -> None:
        """Let one height follow from others: its weights on all of them, shape (K, F + 2)."""
        self._effect[:, self._at(at)] = self._effect @ weights.ravel()

    def u_mm(self, at: tuple[int, int]) -> float:
        """Return the standard uncertainty of one height [mm]."""
        return float(np.linalg.norm(self._effect[:, self._at(at)]))

    def _at(self, at: tuple[int, int]) -> int:
        return at[0] * self._shape[1] + at[1]

    def heights(self, height_mm: FloatArray, origin: CodeArray) -> Heights:
        """Return heights with these causes; those that reach one height are its own."""
        missing = ~np.isfinite(height_mm)
        effects = self._effect[: len(self._named)].reshape(-1, *self._shape)
        effects = np.where(missing | (np.abs(effects) < _NOTHING_MM), 0.0, effects)
        square, spread = np.zeros(self._shape), np.zeros(self._shape)
        groups: dict[tuple[str, _By, float], list[FloatArray]] = defaultdict(list)
        for (name, freedom), effect in zip(self._named, effects, strict=True):
            reached = effect != 0.0
            if np.count_nonzero(reached) < 2:
                square += effect**2
                spread += effect**4 / freedom
                continue
            by, value = _kind(reached)
            group = groups[name, by, freedom]
            # causes of different strings (or frets) share one array, as none meets another
            taken = next((one for one in group if not one[value].any()), None)
            if taken is None:
                group.append(effect.copy())
            else:
                taken += effect
        with np.errstate(divide="ignore", invalid="ignore"):
            freedom_ = np.where(spread > 0.0, square**2 / spread, math.inf)
        freedom_ = np.where(freedom_ > _KNOWN, math.inf, freedom_)
        return Heights(
            height_mm=height_mm,
            origin=origin,
            own_u_mm=np.where(missing, np.nan, np.sqrt(square)),
            own_degrees_of_freedom=freedom_,
            shared=tuple(
                Shared(name, by, one, freedom)
                for (name, by, freedom), group in groups.items()
                for one in group
            ),
        )


_By = Literal["all", "string", "fret"]


def _kind(reached: BoolArray) -> tuple[_By, Any]:
    """Return what a cause is shared by, and where it lies in an array of such causes."""
    strings, columns = reached.any(axis=1), reached.any(axis=0)
    if np.count_nonzero(strings) == 1:
        return "string", int(np.argmax(strings))
    if np.count_nonzero(columns) == 1:
        return "fret", (slice(None), int(np.argmax(columns)))
    return "all", ...
