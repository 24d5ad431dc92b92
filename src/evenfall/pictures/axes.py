"""Axes: from a quantity to a place on the paper, with round numbers beside it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from evenfall.pictures.inks import INK, QUIET
from evenfall.pictures.svg import text, text_width_px
from evenfall.units import LengthUnit, in_unit, number_text


@dataclass(frozen=True, slots=True)
class Axis:
    """A straight scale; call it with a value in its unit to get the place on the paper [px]."""

    low: float  # ends of the scale, in `unit`
    high: float
    start_px: float  # where they lie on the paper [px]
    end_px: float
    unit: str  # unit of the scale

    def __call__(self, value: float) -> float:
        """Return the place of a value [px]."""
        share = (value - self.low) / (self.high - self.low)
        return self.start_px + share * (self.end_px - self.start_px)

    def ticks(self, most: int) -> list[tuple[float, str]]:
        """Return at most so many round values on the scale with their text."""
        span = abs(self.high - self.low)
        step = _round_step(span / most)
        first = math.ceil(min(self.low, self.high) / step - 1e-9)
        last = math.floor(max(self.low, self.high) / step + 1e-9)
        digits = max(0, -math.floor(math.log10(step) + 1e-9))
        return [(n * step, number_text(n * step, digits)) for n in range(first, last + 1)]


def _round_step(least: float) -> float:
    """Return the smallest of 1, 2, 5 times a power of ten that is not less."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= least * (1.0 - 1e-9))


def round_exaggeration(largest_ratio: float) -> float:
    """Return the largest easily read factor that is not more than this ratio, at least 1."""
    largest = max(largest_ratio, 1.0)
    power = 10.0 ** math.floor(math.log10(largest))
    steps = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
    return max(m * power for m in steps if m * power <= largest * (1.0 + 1e-9))


def exaggeration_text(exaggeration: float) -> str:
    """Return the words that state by how much heights are enlarged over lengths."""
    if exaggeration == 1.0:
        return "Heights and lengths are drawn to one scale."
    return f"Heights are drawn {exaggeration:g} times larger than lengths."


def fine_figure(length_mm: float, unit: LengthUnit) -> str:
    """Return a small length with its sign, in the unit that `fine_unit` names."""
    value, digits = (1000.0 * in_unit(length_mm, "in"), 1) if unit == "in" else (1e3 * length_mm, 0)
    return number_text(value, digits, signed=True) if round(value, digits) else "0"


def fine_unit(unit: LengthUnit) -> str:
    """Return the unit of `fine_figure` in words."""
    return "thousandths of an inch" if unit == "in" else "µm"


def fret_numbers(
    places_px: Mapping[int, float], base_px: float, *, first: Iterable[int] = ()
) -> Iterator[str]:
    """Yield fret numbers along a line, as many as fit; those of the first frets in bold."""
    strong = [fret for fret in first if fret in places_px and fret > 0]
    taken: list[tuple[float, float]] = []
    for fret in dict.fromkeys([*strong, 12, 24, *places_px]):
        if fret not in places_px or fret == 0:
            continue
        bold = fret in strong
        half = text_width_px(str(fret), 9.0, bold=bold) / 2 + 1.0
        low, high = places_px[fret] - half, places_px[fret] + half
        if any(low < other_high and high > other_low for other_low, other_high in taken):
            continue
        taken.append((low, high))
        yield text(
            places_px[fret],
            base_px,
            str(fret),
            size_px=9.0,
            anchor="middle",
            bold=bold,
            ink=INK if bold else QUIET,
        )
