"""Strings by columns: the cells, names, lines and legend that the maps of frets share.

The board from above with the frame's x to the right and y up: nut at the left, treble string on
top. Columns are of one width, because the numbers in them need it; long boards run on in a second
band. What a cell shows is data, `Cell`, so that a page can show a new answer without a new picture.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

from evenfall.pictures.inks import INK, ON_METAL_4, ON_RISK, PAPER, QUIET, RISK_RAMP, RULE, Shade
from evenfall.pictures.svg import (
    PAGE_WIDTH_PX,
    circle,
    group,
    line,
    path,
    rect,
    shortened,
    text,
    text_width_px,
)

if TYPE_CHECKING:
    from evenfall.instrument import Specification
    from evenfall.pictures.chart import Chart

Mark: TypeAlias = Literal["", "cross", "tooth", "teeth"]
"""What a cell says in shape, from good to bad: nothing, a cross, one tooth, two teeth."""

LABEL_PX = 48.0
"""Left of the cells, for the strings' names."""
HEADER_PX = 15.0
"""Over the cells of a band, for the columns' names."""
_MOST_COLUMNS = 24
_WIDEST_CELL_PX = 56.0
_ROOM_PX = PAGE_WIDTH_PX - LABEL_PX - 6.0
_MARK_PX: dict[Mark, float] = {"": 0.0, "cross": 7.0, "tooth": 7.0, "teeth": 14.0}
"""How wide each mark is."""
UNKNOWN = Shade(PAPER, QUIET, "not known")
_LIGHTEST = {shade.fill for shade in RISK_RAMP[:2]} | {PAPER}
"""Grounds that second-voice text can be read on."""


@dataclass(frozen=True, slots=True)
class Cell:
    """What a map shows of one string at one column."""

    string: int  # from the treble, 1 to K
    column: int  # the stopped fret or the fret, as the map counts them
    shade: Shade
    figures: tuple[str, ...]  # rows of numbers from the top
    label: str  # all of it in words, for the pointer and for readers who do not see it
    mark: Mark = ""
    beside: str = ""  # number at the mark
    strip: int = 0  # row of the cell, where it has several

    def as_dict(self) -> dict[str, Any]:
        """Return string, column, strip, class, text, marks and label, as plain values for JSON."""
        return {
            "string": self.string,
            "column": self.column,
            "strip": self.strip,
            "class": self.shade.code,
            "text": [*self.figures, self.beside] if self.beside else list(self.figures),
            "marks": self.mark,
            "label": self.label,
        }


@dataclass(frozen=True)
class CellLayout:
    """Where the cells of a map lie: columns in bands, strings in rows of one or more strips."""

    columns: int
    strings: int
    cell_high_px: float
    footer_px: float  # height of what stands under each band
    top_px: float  # where the first band begins
    strips: int = 1
    first: int = 0  # what the first column counts

    @cached_property
    def per_band(self) -> int:
        """Columns of a whole band."""
        bands = math.ceil(self.columns / _MOST_COLUMNS)
        return math.ceil(self.columns / bands)

    @cached_property
    def cell_wide_px(self) -> float:
        """Width of a cell [px]."""
        return min(_WIDEST_CELL_PX, _ROOM_PX / self.per_band)

    @cached_property
    def strip_high_px(self) -> float:
        """Height of one strip of a cell [px]."""
        return self.cell_high_px / self.strips

    @cached_property
    def bands(self) -> list[range]:
        """The columns of each band."""
        step = self.per_band
        return [
            range(first, min(first + step, self.columns)) for first in range(0, self.columns, step)
        ]

    @cached_property
    def band_high_px(self) -> float:
        """Height of a band with its header and footer [px]."""
        return HEADER_PX + self.strings * self.cell_high_px + self.footer_px + 9.0

    @cached_property
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
    marked: Collection[int] = (),
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


def drawn_cells(layout: CellLayout, cells: Iterable[Cell], column: str) -> Iterator[str]:
    """Yield every cell: its ground, its numbers, its mark with the number beside it, or a dot.

    Each carries string, column (by this name), strip and class as `data-` attributes.
    """
    wide, high = layout.cell_wide_px, layout.strip_high_px
    for cell in cells:
        x, y = layout.corner(cell.string - 1, cell.column - layout.first)
        y += cell.strip * high
        middle = x + wide / 2
        shade, strong = cell.shade, cell.shade.ink in (ON_RISK, ON_METAL_4)
        parts = [rect(x, y, wide, high, fill=shade.fill)]
        marked = bool(cell.mark or cell.beside)
        rows = len(cell.figures) + marked
        base = y + (high / 2 + 3.5 if rows < 2 else 11.5)
        for number, row in enumerate(cell.figures):
            size = next(
                (s for s in (11.0, 10.0) if text_width_px(row, s, bold=strong) <= wide - 3.0), 9.0
            )
            parts.append(
                text(
                    middle,
                    base + 10.0 * number,
                    row,
                    size_px=size if number == 0 else 9.0,
                    anchor="middle",
                    bold=strong and number == 0,
                    ink=QUIET if number and shade.fill in _LIGHTEST else shade.ink,
                )
            )
        if marked:
            base = base if rows < 2 else y + high - 3.0
            taken = _MARK_PX[cell.mark] + 2.0 * bool(cell.mark)
            left = middle - (taken + text_width_px(cell.beside, 9)) / 2 if cell.beside else middle
            at = left + _MARK_PX[cell.mark] / 2 if cell.beside else middle
            parts += drawn_mark(cell.mark, at, base, shade.ink)
            if cell.beside:
                parts.append(text(left + taken, base, cell.beside, size_px=9, ink=shade.ink))
        if not rows:
            parts.append(circle(middle, y + high / 2, 0.9, fill=QUIET))
        data: dict[str, object] = {"string": cell.string, column: cell.column}
        if layout.strips > 1:
            data["strip"] = cell.strip
        data["class"] = shade.code
        yield group(parts, label=cell.label, **data)


def fret_lines(layout: CellLayout, *, nut_after: int | None) -> Iterator[str]:
    """Yield the lines between the cells: strings thin, frets stronger, the nut strongest.

    The nut is after a column, or before the first one.
    """
    wide = layout.cell_wide_px
    for band in layout.bands:
        x0, y0 = layout.corner(0, band[0])
        x1 = x0 + len(band) * wide
        y1 = y0 + layout.strings * layout.cell_high_px
        for row in range(layout.strings * layout.strips + 1):
            y = y0 + row * layout.strip_high_px
            whole = layout.strips > 1 and row % layout.strips == 0
            yield line(x0, y, x1, y, ink=QUIET if whole else RULE, width_px=1.0 if whole else 0.6)
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


def key_shade(chart: Chart, shade: Shade, mark: Mark = "") -> None:
    """Take up a shade into the legend, with the mark that its cells carry."""
    chart.key(shade.name, partial(_swatch, shade, mark))


def key_mark(chart: Chart, mark: Mark, name: str) -> None:
    """Take up a mark into the legend."""
    chart.key(name, lambda x, y: "".join(drawn_mark(mark, x + 11.0, y + 3.5, INK)))


def _swatch(shade: Shade, mark: Mark, x: float, y: float) -> str:
    parts = [rect(x, y - 7.0, 22, 14, fill=shade.fill, ink=QUIET, width_px=0.8)]
    parts += drawn_mark(mark, x + 11.0, y + 3.5, shade.ink)
    if shade is UNKNOWN:
        parts.append(text(x + 11.0, y + 3.5, "–", anchor="middle", ink=shade.ink))
    elif shade.ink == QUIET:  # its cells show a dot alone
        parts.append(circle(x + 11.0, y, 0.9, fill=QUIET))
    return "".join(parts)


def drawn_mark(mark: Mark, middle_px: float, base_px: float, ink: str) -> list[str]:
    """Return the shapes of a mark: teeth that point up to the string, or a cross."""
    if mark == "cross":
        ends = ((-3.5, -7.0, 3.5, 0.0), (-3.5, 0.0, 3.5, -7.0))
        return [
            line(middle_px + x1, base_px + y1, middle_px + x2, base_px + y2, ink=ink, width_px=1.8)
            for x1, y1, x2, y2 in ends
        ]
    if not mark:
        return []
    left = middle_px - _MARK_PX[mark] / 2.0
    corners = range(3 if mark == "tooth" else 5)
    zigzag = [(left + 3.5 * n, base_px - 7.0 * (n % 2)) for n in corners]
    return [path(zigzag, fill=ink, closed=True)]
