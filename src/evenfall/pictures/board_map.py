"""The board from above: how far it stands off the specified shape.

From the heights between the frets the specified radius and the best plane are taken off. What is
left is the neck's own bow, humps, dips and twist. High is warm and marked by plus signs, low is
grey and marked by minus signs, both darker with size; numbers repeat it at some places.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.instrument import Specification
from evenfall.instrument.geometry import board_drop_at_mm
from evenfall.pictures.axes import fine_figure, fine_unit, fret_numbers
from evenfall.pictures.chart import Chart, Drawing
from evenfall.pictures.inks import (
    DEVIATION_RAMP,
    DEVIATION_STEPS,
    INK,
    LIGHT,
    PAPER,
    QUIET,
    Shade,
    Theme,
)
from evenfall.pictures.svg import (
    PAGE_WIDTH_PX,
    group,
    line,
    path,
    rect,
    text,
    text_width_px,
)
from evenfall.pictures.words import said, titled
from evenfall.units import MM_PER_INCH, LengthUnit, in_unit

if TYPE_CHECKING:
    from evenfall.scans import CrownSurvey


_LEFT_PX = 52.0
_RIGHT_PX = PAGE_WIDTH_PX - 8.0
_TILES_ALONG = 124
_TILES_ACROSS = 15
_MOST_PX = 190.0
_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
"""Steps between the classes that the map may use [mm]."""
_INCH_STEPS = (0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05)
"""The same in inch."""
_GRID = (10, 3)
"""Places along and across where the map carries numbers."""
_UNKNOWN = 9
"""Class of a tile where nothing was measured."""
_SIGN_EVERY = (4, 3)
"""Tiles from sign to sign, along and across."""


@dataclass(frozen=True, slots=True)
class _Tiles:
    """Mean deviation [mm] in tiles over the board, NaN where nothing was measured.

    Along the neck they are of one length; across it each takes the same share of the width.
    """

    deviation: FloatArray
    low: float
    high: float
    width: tuple[float, float]

    def x(self, edge: float) -> float:
        """Return where an edge of the tiles lies along the neck [mm]; halves for their middles."""
        return self.low + (self.high - self.low) * edge / _TILES_ALONG

    def share(self, edge: float) -> float:
        """Return where an edge lies across, -1 at the bass edge and 1 at the treble edge."""
        return 2.0 * edge / _TILES_ACROSS - 1.0

    def half(self, x_mm: float) -> float:
        """Return half the board's width [mm]."""
        along = (x_mm - self.low) / (self.high - self.low)
        return 0.5 * (self.width[0] + (self.width[1] - self.width[0]) * along)

    def levels(self, step_mm: float) -> list[list[int]]:
        """Return each tile's class, from -3 (lowest) to 3 (highest), `_UNKNOWN` for NaN."""
        bounds = step_mm * np.array(DEVIATION_STEPS)
        size = (np.abs(self.deviation)[..., None] > bounds).sum(axis=-1)
        level = np.where(self.deviation < 0.0, -size, size)
        return np.where(np.isnan(self.deviation), _UNKNOWN, level).tolist()  # type: ignore[no-any-return]


def board_map(
    specification: Specification,
    survey: CrownSurvey,
    *,
    serial: str = "",
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> Drawing:
    """Return the map of the board's deviation from the specified shape, as SVG."""
    tiles = _tiles(specification, survey)
    known = tiles.deviation[np.isfinite(tiles.deviation)]
    size = float(np.quantile(np.abs(known), 0.98)) if len(known) else 0.0
    steps = [s * MM_PER_INCH for s in _INCH_STEPS] if unit == "in" else list(_STEPS)
    step = next((s for s in steps if 3.0 * s >= size), steps[-1])
    title = titled(specification, serial, "the board from above, off its specified shape")
    along_px = (_RIGHT_PX - _LEFT_PX) / (tiles.high - tiles.low)
    stretch = max(1.0, np.floor(2.0 * _MOST_PX / (max(tiles.width) * along_px)) / 2.0)
    scale = (
        "Width and length are drawn to one scale."
        if stretch == 1.0
        else f"Width is drawn {stretch:g} times larger than length."
    )
    levels = tiles.levels(step)
    chart = Chart(title, _summary(specification, survey, known, unit), scale)
    frame = _Frame(tiles, along_px, along_px * stretch, chart.end_px + 4.0)
    chart.add(
        *_tile_rows(tiles, frame, levels),
        *_frets(specification, survey, frame),
        *_signs(tiles, frame, levels),
        *_numbers(tiles, frame, unit),
        text(4, frame.top + 9, "treble side", size_px=9, ink=QUIET),
        text(4, frame.bottom - 3, "bass side", size_px=9, ink=QUIET),
        text(4, frame.bottom + 12, "fret", size_px=9, ink=QUIET),
    )
    chart.end_px = frame.bottom + 16.0
    _legend(chart, step, unit, gaps=len(known) < tiles.deviation.size)
    chart.table(
        *(f"from the nut, {unit}", f"mean over the board's width, {unit}"),
        rows=(
            (in_unit(tiles.x(i + 0.5), unit), in_unit(float(off), unit))
            for i, off in enumerate(_means(tiles.deviation))
        ),
    )
    return chart.drawn(theme, step=f"{step:g}")


def _means(deviation_mm: FloatArray) -> FloatArray:
    """Return the mean of each row over what is known; NaN where nothing is."""
    known = np.isfinite(deviation_mm)
    count = known.sum(axis=1)
    total = np.where(known, deviation_mm, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


@dataclass(frozen=True, slots=True)
class _Frame:
    """From a place on the board to a place on the paper."""

    tiles: _Tiles
    along_px: float
    across_px: float
    top: float

    def x(self, x_mm: float) -> float:
        return float(_LEFT_PX + (x_mm - self.tiles.low) * self.along_px)

    def y(self, y_mm: float) -> float:
        return float(self.top + (0.5 * max(self.tiles.width) - y_mm) * self.across_px)

    def at(self, x_mm: float, share: float) -> tuple[float, float]:
        """Return the place of a share of the width at a place along the neck."""
        return self.x(x_mm), self.y(share * self.tiles.half(x_mm))

    @property
    def bottom(self) -> float:
        return self.y(-0.5 * max(self.tiles.width))


def _tiles(specification: Specification, survey: CrownSurvey) -> _Tiles:
    """Return the board's cells in tiles, the specified shape and the best plane taken off."""
    cells, board = survey.board, specification.board
    x, y = np.meshgrid(cells.x_mm, cells.y_mm, indexing="ij")
    last = float(np.nanmax(survey.orientation.fret_x_mm))
    off = cells.height_mm + board_drop_at_mm(specification, x / last, y)
    known = np.isfinite(off) & (x > 0.0)
    if int(known.sum()) >= 3:
        design = np.column_stack([np.ones(int(known.sum())), x[known], y[known]])
        kept = np.ones(len(design), dtype=bool)
        for _ in range(4):
            plane = np.linalg.lstsq(design[kept], off[known][kept], rcond=None)[0]
            left = off[known] - design @ plane
            before = kept
            kept = np.abs(left) <= 4.0 * 1.4826 * float(np.median(np.abs(left))) + 1e-9
            if np.array_equal(kept, before):
                break
        off = off - plane[0] - plane[1] * x - plane[2] * y
    low = max(0.0, float(cells.x_mm[0]))
    high = max(float(cells.x_mm[-1]), low + 1.0)
    growth = (board.width_last_mm - board.width_nut_mm) / last
    widths = (board.width_nut_mm + growth * low, board.width_nut_mm + growth * high)
    half = 0.5 * np.interp(x, (low, high), widths)
    column = np.floor((x - low) / (high - low) * _TILES_ALONG).astype(np.intp)
    row = np.floor(0.5 * (y / half + 1.0) * _TILES_ACROSS).astype(np.intp)
    use = np.isfinite(off) & (column >= 0) & (column < _TILES_ALONG)
    use &= (row >= 0) & (row < _TILES_ACROSS)
    cell = column[use] * _TILES_ACROSS + row[use]
    size = _TILES_ALONG * _TILES_ACROSS
    count = np.bincount(cell, minlength=size)
    total = np.bincount(cell, off[use], size)
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return _Tiles(mean.reshape(_TILES_ALONG, _TILES_ACROSS), low, high, widths)


def _tile_rows(tiles: _Tiles, frame: _Frame, levels: list[list[int]]) -> Iterator[str]:
    """Yield the tiles, neighbours of one class as one."""
    for j, row in enumerate(zip(*levels, strict=True)):
        first = 0
        for level, run in groupby(row):
            after = first + len(list(run))
            start, end = tiles.x(first), tiles.x(after)
            first = after
            if level == _UNKNOWN:
                middle = tiles.share(j + 0.5)
                ends = *frame.at(start, middle), *frame.at(end, middle)
                yield line(*ends, ink=QUIET, width_px=0.7, dash="1 3")
            elif level:
                low, high = tiles.share(j), tiles.share(j + 1)
                corners = ((start, high), (end, high), (end, low), (start, low))
                places = [frame.at(*corner) for corner in corners]
                fill = DEVIATION_RAMP[level + 3].fill
                # a hair of ink around it, so that no seam shows between neighbours
                yield path(places, fill=fill, ink=fill, width_px=0.3, closed=True)


def _frets(specification: Specification, survey: CrownSurvey, frame: _Frame) -> Iterator[str]:
    """Yield outline and frets."""
    tiles, lines = frame.tiles, survey.orientation
    ends = [(tiles.low, 1.0), (tiles.high, 1.0), (tiles.high, -1.0), (tiles.low, -1.0)]
    yield path([frame.at(*end) for end in ends], ink=QUIET, closed=True)
    if tiles.low == 0.0:
        yield line(*frame.at(0.0, 1.0), *frame.at(0.0, -1.0), ink=INK, width_px=3.0)
    # of joined scans frets are known beyond the board that is drawn
    on = np.flatnonzero((lines.fret_x_mm >= tiles.low) & (lines.fret_x_mm <= tiles.high)).tolist()
    for j in on:
        x_mm, lean = float(lines.fret_x_mm[j]), float(lines.fret_lean_slope[j])
        y = tiles.half(x_mm)
        yield line(
            frame.x(x_mm + lean * y), frame.y(y),
            frame.x(x_mm - lean * y), frame.y(-y), ink=QUIET, width_px=0.8,
        )  # fmt: skip
    places = {j + 1: frame.x(float(lines.fret_x_mm[j])) for j in on}
    yield from fret_numbers(
        places, frame.bottom + 12.0, first=(specification.scale.reference_fret,)
    )


def _signs(tiles: _Tiles, frame: _Frame, levels: list[list[int]]) -> Iterator[str]:
    """Yield a sign here and there where the board is high or low: hue alone does not tell."""
    for i in range(3, _TILES_ALONG, _SIGN_EVERY[0]):
        for j in range(1, _TILES_ACROSS, _SIGN_EVERY[1]):
            if levels[i][j] not in (0, _UNKNOWN):
                yield _sign(levels[i][j], *frame.at(tiles.x(i + 0.5), tiles.share(j + 0.5)))


def _sign(level: int, x: float, y: float) -> str:
    """Return a plus or a minus about a place, in the ink that its class is written in."""
    ink = DEVIATION_RAMP[level + 3].ink
    across = line(x - 2.2, y, x + 2.2, y, ink=ink, width_px=0.9)
    return across + (line(x, y - 2.2, x, y + 2.2, ink=ink, width_px=0.9) if level > 0 else "")


def _numbers(tiles: _Tiles, frame: _Frame, unit: LengthUnit) -> Iterator[str]:
    """Yield deviations at a few places, on paper of their own."""
    for i in np.linspace(4, _TILES_ALONG - 6, _GRID[0]).astype(int).tolist():
        for j in np.linspace(2, _TILES_ACROSS - 3, _GRID[1]).astype(int).tolist():
            near = tiles.deviation[i - 1 : i + 2, j - 1 : j + 2]
            if not np.isfinite(near).any():
                continue
            shown = fine_figure(float(np.nanmean(near)), unit)
            x_mm = tiles.x(i + 0.5)
            x, y = frame.at(x_mm, tiles.share(j + 0.5))
            wide = text_width_px(shown, 9.0) + 3.0
            yield group(
                [
                    rect(x - 0.5 * wide, y - 6.0, wide, 11.0, fill=PAPER, round_px=2.0),
                    text(x, y + 3.0, shown, size_px=9, anchor="middle"),
                ],
                label=f"{shown} {fine_unit(unit)}, {_coarse(x_mm, unit)} from the nut",
            )


def _summary(
    specification: Specification, survey: CrownSurvey, known: FloatArray, unit: LengthUnit
) -> str:
    if not len(known):
        return "Nothing of the board between the frets was measured."
    told = said(
        "Between the frets the board stands {low:figure+} to {high:length+} off its specified "
        "radius and best plane.",
        unit,
        low=float(known.min()),
        high=float(known.max()),
    )
    board, wanted = survey.board, specification.board
    ends = np.isfinite(board.radius_mm) & np.isfinite(board.radius_u_mm)
    if int(ends.sum()) >= 4:
        first, last = (float(np.median(r)) for r in np.array_split(board.radius_mm[ends], 4)[::3])
        told += said(
            " Radius about {first} near the nut, {last} near the end (specified {nut} to {end}).",
            first=_coarse(first, unit),
            last=_coarse(last, unit),
            nut=_coarse(wanted.radius_nut_mm, unit),
            end=_coarse(wanted.radius_last_mm, unit),
        )
    return f"{told} Numbers on the map are {fine_unit(unit)}."


def _coarse(length_mm: float, unit: LengthUnit) -> str:
    """Return a radius or a place along the neck; a radius without end is flat."""
    if not np.isfinite(length_mm):
        return "flat"
    return f"{length_mm / MM_PER_INCH:.1f} in" if unit == "in" else f"{length_mm:.0f} mm"


def _legend(chart: Chart, step: float, unit: LengthUnit, *, gaps: bool) -> None:
    """Write the classes from lowest to highest."""
    words = [fine_figure(bound * step, unit).lstrip("+") for bound in DEVIATION_STEPS]
    names = (
        f"lower than −{words[2]}",
        f"to −{words[2]}",
        f"to −{words[1]}",
        f"within ± {words[0]}",
        f"to +{words[1]}",
        f"to +{words[2]}",
        f"higher than +{words[2]}",
    )
    chart.note(f"Off the specified shape, {fine_unit(unit)}:")
    for level, (shade, name) in enumerate(zip(DEVIATION_RAMP, names, strict=True), start=-3):
        chart.key(name, partial(_swatch, shade, level))
    if gaps:
        chart.key(
            "not measured",
            lambda x, y: line(x, y, x + 22, y, ink=QUIET, width_px=0.9, dash="1 3"),
        )


def _swatch(shade: Shade, level: int, x: float, y: float) -> str:
    ground = rect(x, y - 7.0, 22, 14, fill=shade.fill, ink=QUIET, width_px=0.6)
    return ground + (_sign(level, x + 6, y) + _sign(level, x + 16, y) if level else "")
