"""Where the necks of a study come from: kinds by generator, and uncertainties of reading."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from necks import invented, smooth
from necks.kinds import KINDS, OTHER_KINDS
from necks.neck import Neck
from necks.readings import Reader

GAUGES_MM = (0.002, 0.005, 0.02)
"""Standard uncertainties: a bench with a height gauge, a dial on a stand, a feeler."""


@dataclass(frozen=True)
class Source:
    """A generator with its kinds, which take turns from neck to neck."""

    name: str
    number: int  # part of every seed
    kinds: tuple[str, ...]
    as_found: Callable[[str, np.random.Generator], Neck]
    level: Callable[[str, np.random.Generator], Neck]

    def only(self, kind: str) -> Source:
        """Return the same source with one kind."""
        return replace(self, kinds=(kind,))

    def necks(
        self, seed: int, count: int, *about: int, level: bool = False
    ) -> Iterator[tuple[Neck, np.random.Generator]]:
        """Yield necks, each with the generator that its readings go on with."""
        for index in range(count):
            chance = np.random.default_rng([seed, index, self.number, *about])
            make = self.level if level else self.as_found
            yield make(self.kinds[index % len(self.kinds)], chance), chance

    def reader(self, u_mm: float, neck: Neck) -> Reader:
        """Return how this source's necks are read with a gauge of this uncertainty."""
        if self.number == 1:
            return Reader(u_mm)
        # the second generator: surer near the nut, and errors that a string or a fret shares
        uneven = u_mm * np.linspace(0.7, 1.1, neck.specification.frets)
        own = np.broadcast_to(uneven, neck.crown_top_mm.shape)
        return Reader(own, end_u_mm=u_mm, string_u_mm=0.4 * u_mm, fret_u_mm=0.4 * u_mm)


FIRST = Source("first generator", 1, tuple(KINDS), invented.as_found, invented.level)
SECOND = Source("second generator", 2, tuple(OTHER_KINDS), smooth.as_found, smooth.level)
SOURCES = (FIRST, SECOND)
