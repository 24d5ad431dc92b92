"""Text with x, y and z in columns, or with a matrix of heights: any delimiter, header or none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.errors import BrokenFileError, FormatMismatchError, UnsupportedError
from evenfall.files import read_start
from evenfall.scans.formats.arrays import as_heights
from evenfall.scans.formats.scan import (
    MOST_POINTS,
    GrowingPoints,
    Options,
    Progress,
    Scan,
    claims_more,
    cloud,
    file_size,
    not_used,
    reading,
    silent,
    too_many,
    unit_named,
)
from evenfall.scans.formats.text_blocks import HEAD_BYTES, LineBlocks, head_lines, rows_in
from evenfall.scans.formats.text_layout import LayoutError, TextLayout, layout_of
from evenfall.scans.orientation import UNITS_MM
from evenfall.scans.surface import HeightMap

if TYPE_CHECKING:
    from numpy.typing import NDArray


def layout_in(path: Path, options: Options) -> TextLayout:
    """Return the layout of a text file."""
    start = read_start(path, HEAD_BYTES)
    lines = head_lines(start, whole=len(start) < HEAD_BYTES)
    try:
        try:
            return layout_of(lines)
        except LayoutError:
            if options.step is None:
                raise
            return layout_of(lines, matrix=True)
    except LayoutError as error:
        kind = UnsupportedError if error.numbers else FormatMismatchError
        raise kind(error.sentence, where=path.name) from None


def read_text(path: Path, options: Options, progress: Progress = silent) -> Scan:
    """Return the scan in a text file."""
    layout = layout_in(path, options)
    with reading(path.name, "text file"):
        if layout.kind == "matrix":
            return _matrix(path, layout, options, progress)
        return _points(path, layout, progress)


def _points(path: Path, layout: TextLayout, progress: Progress) -> Scan:
    size = file_size(path)
    if layout.claimed is not None and layout.claimed > size // 6 + 1:
        raise claims_more(path.name, f"{layout.claimed:,} rows", f"room for {size // 6:,} at most")
    points = GrowingPoints(size // (7 * layout.width))
    blocks = LineBlocks(path, layout.skipped)
    for block in blocks:
        rows = rows_in(
            block,
            delimiter=layout.delimiter,
            decimal_comma=layout.decimal_comma,
            columns=layout.columns,
            width=layout.width,
            first_line=blocks.line,
            name=path.name,
        )
        if layout.factor != (1.0, 1.0, 1.0):
            rows *= layout.factor
        points.add(rows)
        progress(f"reading {path.name}", blocks.read_bytes / size)
    if layout.claimed is not None and points.count < layout.claimed:
        raise BrokenFileError(
            f"The file says that it holds {layout.claimed:,} rows, but there are "
            f"{points.count:,}; it was cut short, so export or copy it again.",
            where=path.name,
        )
    unit = layout.units[0]
    scan = Scan(
        path.name,
        "points as text",
        layout.why,
        np.empty((0, 3)),
        unit,
        "the file" if unit else "",
    )
    return cloud(scan, points.done(), left_out=not_used(layout.unused))


def _matrix(path: Path, layout: TextLayout, options: Options, progress: Progress) -> Scan:
    """Return a matrix of heights with its steps, all in one unit."""
    size = file_size(path)
    parts: list[NDArray[Any]] = []
    count = 0
    blocks = LineBlocks(path, layout.skipped)
    for block in blocks:
        rows = rows_in(
            block,
            delimiter=layout.delimiter,
            decimal_comma=layout.decimal_comma,
            columns=range(layout.width),
            width=layout.width,
            first_line=blocks.line,
            name=path.name,
        )
        count += rows.size
        if count > MOST_POINTS:
            raise too_many(count, path.name)
        parts.append(rows)
        progress(f"reading {path.name}", blocks.read_bytes / size)
    whole = parts[0] if len(parts) == 1 else np.concatenate([*parts, np.empty((0, layout.width))])
    unit, steps, factor = _steps(path.name, whole.shape, layout, options)
    heights = as_heights(whole, missing=None, scale=factor, name=path.name)
    return replace(
        Scan(path.name, "heights as text", layout.why, HeightMap(heights, *steps)),
        unit=unit,
        unit_from="the file" if unit else "",
    )


def _steps(
    name: str, shape: tuple[int, ...], layout: TextLayout, options: Options
) -> tuple[str | None, tuple[float, float], float]:
    """Return the unit of a matrix, its steps in it, and the factor for its heights."""
    height_unit = layout.units[2]
    if options.step is not None:
        unit = options.unit or height_unit
        if unit and height_unit:
            factor = layout.factor[2] * UNITS_MM[height_unit] / UNITS_MM[unit]
            return unit, options.step, factor
        return unit, options.step, 1.0
    sizes = [_length(text) for text in layout.extent or ()]
    if len(sizes) != 2 or any(s is None for s in sizes) or not height_unit:
        raise UnsupportedError(
            "The file is a matrix of heights that does not say in a known unit how far its columns "
            "and rows are apart; name the distances with --step X Y.",
            where=name,
        )
    across, down = (s for s in sizes if s is not None)
    steps = (across / shape[1], down / shape[0])
    return "mm", steps, layout.factor[2] * UNITS_MM[height_unit]


def _length(text: str) -> float | None:
    """Return a length such as "12.34 µm" in mm; None if it is none."""
    number, _, word = text.partition(" ")
    unit = unit_named(word)
    try:
        value = float(number)
    except ValueError:
        return None
    if unit is None or not np.isfinite(value) or value <= 0.0:
        return None
    return value * unit[1] * UNITS_MM[unit[0]]
