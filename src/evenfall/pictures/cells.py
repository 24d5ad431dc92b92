"""Strings by columns: the cells, names, lines and legend that the maps of frets share.

The board from above with the frame's x to the right and y up: nut at the left, treble string on
top. Columns are of one width, because the numbers in them need it; long boards run on in a second
band.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from evenfall.pictures.inks import INK, ON_METAL_4, ON_RISK, PAPER, QUIET, RISK_RAMP, RULE, Shade
from evenfall.pictures.svg import (
    PAGE_WIDTH_PX,
    line,
    path,
    rect,
    shortened,
    text,
    text_width_px,
    wrapped,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from evenfall.instrument import Specification

LABEL_PX = 48.0
"""Left of the cells, for the strings' names."""
HEADER_PX = 15.0
"""Over the cells of a band, for the columns' names."""
_MOST_COLUMNS = 24
_WIDEST_CELL_PX = 56.0
_ROOM_PX = PAGE_WIDTH_PX - LABEL_PX - 6.0
UNKNOWN = Shade(PAPER, QUIET, 0, "not known")
_LIGHTEST = {shade.fill for shade in RISK_RAMP[:2]}
"""Grounds that second-voice text can be read on."""


@dataclass(frozen=True, slots=True)
class CellLayout:
    """Where the cells of a map lie: columns in bands, strings in rows.

    Parameters
    ----------
    columns, strings
        How many there are.
    cell_high_px, footer_px, top_px
        Height of a cell, of what stands under each band, and where the first band begins [px].
    """

    columns: int
    strings: int
    cell_high_px: float
    footer_px: float
    top_px: float

    @property
    def per_band(self) -> int:
        """Columns of a whole band."""
        bands = math.ceil(self.columns / _MOST_COLUMNS)
        return math.ceil(self.columns / bands)

    @property
    def cell_wide_px(self) -> float:
        """Width of a cell [px]."""
        return min(_WIDEST_CELL_PX, _ROOM_PX / self.per_band)

    @property
    def bands(self) -> list[range]:
        """The columns of each band."""
        step = self.per_band
        return [
            range(first, min(first + step, self.columns)) for first in range(0, self.columns, step)
        ]

    @property
    def band_high_px(self) -> float:
        """Height of a band with its header and footer [px]."""
        return HEADER_PX + self.strings * self.cell_high_px + self.footer_px + 9.0

    @property
    def end_px(self) -> float:
        """Where the last band ends [px]."""
        return self.top_px + len(self.bands) * self.band_high_px

    def band_top_px(self, band: int) -> float:
        """Return where a band begins."""
        return self.top_px + band * self.band_high_px

    def corner(self, string: int, column: int) -> tuple[float, float]:
        """Return the upper left corner of a cell; string index K is the first footer row."""
        band, place = divmod(column, self.per_band)
        return (
            LABEL_PX + place * self.cell_wide_px,
            self.band_top_px(band) + HEADER_PX + string * self.cell_high_px,
        )


def column_names(
    specification: Specification,
    layout: CellLayout,
    names: Sequence[str],
    *,
    marked: set[int] | frozenset[int] = frozenset(),
) -> Iterator[str]:
    """Yield the name of every column over its band, those marked on a dark ground.

    The reference fret and twice that are in bold.
    """
    wide = layout.cell_wide_px
    bold = {specification.scale.reference_fret, 2 * specification.scale.reference_fret}
    for number, band in enumerate(layout.bands):
        base = layout.band_top_px(number) + HEADER_PX - 4.0
        for column in band:
            x = layout.corner(0, column)[0]
            if column in marked:
                yield rect(x + 1, base - 10, wide - 2, 13, fill=INK)
            yield text(
                x + wide / 2,
                base,
                names[column],
                size_px=9.5 if wide >= 24.0 else 9.0,
                anchor="middle",
                bold=names[column].isdigit() and int(names[column]) in bold,
                ink=PAPER if column in marked else QUIET,
            )


def string_names(
    specification: Specification, layout: CellLayout, *, second_row: Sequence[str] = ()
) -> Iterator[str]:
    """Yield number and pitch of every string, left of its row in every band."""
    for band in layout.bands:
        for k, string in enumerate(specification.strings):
            y = layout.corner(k, band[0])[1]
            first = y + (14.0 if second_row else layout.cell_high_px / 2 + 3.5)
            figure = str(string.number)
            yield text(3, first, figure, size_px=11, bold=True)
            after = 3 + text_width_px(figure, 11, bold=True) + 3
            pitch = shortened(string.pitch, 9.5, LABEL_PX - after - 3)
            if pitch:
                yield text(after, first, pitch, size_px=9.5, ink=QUIET)
            if second_row:
                yield text(3, y + 26.0, second_row[k], size_px=9, ink=QUIET)


def ground(
    layout: CellLayout, place: tuple[int, int], shade: Shade, rows: Sequence[str], first_px: float
) -> list[str]:
    """Return the ground of a cell and its rows of numbers, the first of them in bold.

    The first base line is so far from the top of the cell.
    """
    x, y = layout.corner(*place)
    wide = layout.cell_wide_px
    parts = [rect(x, y, wide, layout.cell_high_px, fill=shade.fill)]
    strong = shade.ink in (ON_RISK, ON_METAL_4)
    for number, row in enumerate(rows):
        size = next(
            (s for s in (11.0, 10.0) if text_width_px(row, s, bold=strong) <= wide - 3.0), 9.0
        )
        parts.append(
            text(
                x + wide / 2,
                y + first_px + 10.0 * number,
                row,
                size_px=size if number == 0 else 9.0,
                anchor="middle",
                bold=strong and number == 0,
                ink=QUIET if number and shade.fill in _LIGHTEST else shade.ink,
            )
        )
    return parts


def fret_lines(layout: CellLayout, *, nut_after: int | None) -> Iterator[str]:
    """Yield the lines between the cells: strings thin, frets stronger, the nut strongest.

    The nut is after a column, or before the first one.
    """
    wide = layout.cell_wide_px
    for band in layout.bands:
        x0, y0 = layout.corner(0, band[0])
        x1 = x0 + len(band) * wide
        y1 = y0 + layout.strings * layout.cell_high_px
        for k in range(layout.strings + 1):
            y = y0 + k * layout.cell_high_px
            yield line(x0, y, x1, y, ink=RULE, width_px=0.6)
        yield line(x0, y0, x0, y1, ink=RULE, width_px=0.6)
        for place, column in enumerate(band, start=1):
            nut = column == nut_after
            yield line(
                x0 + place * wide,
                y0,
                x0 + place * wide,
                y1,
                ink=INK if nut else QUIET,
                width_px=3.0 if nut else 1.0,
            )
    if nut_after is None:
        x, y = layout.corner(0, 0)
        yield line(x, y, x, y + layout.strings * layout.cell_high_px, ink=INK, width_px=3.0)


def legend_of(
    top_px: float, caption: str, shades: Sequence[Shade], explained: str
) -> tuple[list[str], float]:
    """Return the legend, and where it ends."""
    y = top_px + 12.0
    parts = [text(4, y, caption, size_px=9.5)]
    y += 6.0
    x = 4.0
    for shade in shades:
        need = 30.0 + text_width_px(shade.name, 9.5) + 10.0
        if x + need > PAGE_WIDTH_PX:
            x = 4.0
            y += 19.0
        parts.append(rect(x, y, 25, 15, fill=shade.fill, ink=QUIET, width_px=0.8))
        parts += marks_of(x + 12.5, y + 11.0, shade)
        if shade is UNKNOWN:
            parts.append(text(x + 12.5, y + 11.0, "–", anchor="middle", ink=shade.ink))
        parts.append(text(x + 30, y + 11, shade.name, size_px=9.5))
        x += need
    y += 15.0
    for row in wrapped(explained, 9.5, PAGE_WIDTH_PX - 8.0, most=3):
        y += 13.0
        parts.append(text(4, y, row, size_px=9.5, ink=QUIET))
    return parts, y + 7.0


def marks_of(middle_px: float, base_px: float, shade: Shade) -> list[str]:
    """Return the marks of a shade: teeth that point up to the string, or a cross."""
    if shade.teeth < 0:
        ends = ((-3.5, -7.0, 3.5, 0.0), (-3.5, 0.0, 3.5, -7.0))
        return [
            line(
                middle_px + x1,
                base_px + y1,
                middle_px + x2,
                base_px + y2,
                ink=shade.ink,
                width_px=1.8,
            )
            for x1, y1, x2, y2 in ends
        ]
    left = middle_px - 3.5 * shade.teeth
    return [
        path(
            [
                (left + 7.0 * tooth, base_px),
                (left + 7.0 * tooth + 3.5, base_px - 7.0),
                (left + 7.0 * tooth + 7.0, base_px),
            ],
            fill=shade.ink,
            closed=True,
        )
        for tooth in range(shade.teeth)
    ]
