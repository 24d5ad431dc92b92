"""Panels of some strings from the side, one under another on one scale, frets numbered below."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from evenfall.instrument import Specification, string_lines
from evenfall.pictures.axes import exaggeration_text, fret_numbers, round_exaggeration
from evenfall.pictures.chart import LEFT_PX, RIGHT_PX, Chart, Panel
from evenfall.pictures.inks import QUIET
from evenfall.pictures.svg import text
from evenfall.units import LengthUnit, in_unit


@dataclass(frozen=True, slots=True)
class StringPanels:
    """Which strings, how far along the neck, and between which heights."""

    specification: Specification
    shown: Sequence[int]  # indices of strings
    longest_mm: float
    low_mm: float
    high_mm: float
    about_px: float  # height of a panel, before the exaggeration is rounded

    @property
    def exaggeration(self) -> float:
        """How many times larger heights are drawn than lengths."""
        return round_exaggeration(self.about_px / self._high_px)

    @property
    def _high_px(self) -> float:
        """Height of a panel without exaggeration."""
        return (self.high_mm - self.low_mm) * (RIGHT_PX - LEFT_PX) / self.longest_mm

    @property
    def scales(self) -> str:
        """What the heights are drawn over, and how many times larger."""
        return (
            f"{exaggeration_text(self.exaggeration)[:-1]}, over a straight line on fret 1 and fret "
            f"{self.specification.frets} under each string."
        )

    def on(self, chart: Chart, unit: LengthUnit) -> Iterator[tuple[int, Panel]]:
        """Add each panel and yield it with its string, then number the frets."""
        for k in self.shown:
            string = self.specification.strings[k]
            pitch = f" ({string.pitch})" * bool(string.pitch)
            panel = chart.panel(
                (0.0, self.longest_mm),
                (in_unit(self.low_mm, unit), in_unit(self.high_mm, unit)),
                caption=f"String {string.number}{pitch}, {unit}",
                high_px=self._high_px * self.exaggeration,
                ticks=0,
                levels=4,
            )
            yield k, panel
        station_mm = string_lines(self.specification).station_mm[self.shown[-1]]
        places = {j: panel.x(float(s)) for j, s in enumerate(station_mm)}
        base = chart.end_px + 6.0
        chart.add(*fret_numbers(places, base, first=(self.specification.scale.reference_fret,)))
        chart.add(text(4, base, "fret", size_px=9, ink=QUIET))
        chart.end_px = base + 2.0
