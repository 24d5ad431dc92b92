"""Text with x, y and z in columns, or with a matrix of heights: any delimiter, header or none."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.errors import FormatMismatchError, UnsupportedError
from evenfall.files import read_start
from evenfall.scans.formats.arrays import as_heights
from evenfall.scans.formats.scan import (
    MOST_POINTS,
    GrowingPoints,
    Scan,
    ScanFile,
    ScanOptions,
    claims_more,
    cloud,
    too_many,
    unit_named,
)
from evenfall.scans.formats.text_blocks import HEAD_BYTES, LineBlocks, head_lines, rows_in
from evenfall.scans.formats.text_layout import TextLayout, layout_of
from evenfall.scans.surface import UNITS_MM, HeightMap


def layout_in(path: Path, options: ScanOptions) -> TextLayout:
    """Return the layout of a text file; with steps given it may be a matrix."""
    start = read_start(path, HEAD_BYTES)
    lines = head_lines(start, whole=len(start) < HEAD_BYTES)
    try:
        return layout_of(lines)
    except (FormatMismatchError, UnsupportedError):
        if options.step is None:
            raise
        return layout_of(lines, matrix=True)


def read_text(file: ScanFile) -> Scan:
    """Return the scan in a text file."""
    layout = layout_in(file.path, file.options)
    if layout.kind == "matrix":
        return _matrix(file, layout)
    return _points(file, layout)


def _blocks(file: ScanFile, layout: TextLayout, columns: Sequence[int]) -> Iterator[FloatArray]:
    """Yield the rows of a file, block by block."""
    blocks = LineBlocks(file.path, layout.skipped)
    for block in blocks:
        yield rows_in(
            block,
            columns,
            delimiter=layout.delimiter,
            decimal_comma=layout.decimal_comma,
            width=layout.width,
            first_line=blocks.line,
        )
        file.done(blocks.read_bytes / file.size)


def _points(file: ScanFile, layout: TextLayout) -> Scan:
    room = file.size // 6  # three digits, two delimiters and a line end
    if layout.claimed is not None and layout.claimed > room + 1:
        raise claims_more(layout.claimed, "rows", room)
    points = GrowingPoints(file.size // (7 * layout.width))
    for rows in _blocks(file, layout, layout.columns):
        if layout.factor != (1.0, 1.0, 1.0):
            rows *= layout.factor  # noqa: PLW2901 (in place: a block is large)
        points.add(rows)
    if layout.claimed is not None and points.count < layout.claimed:
        raise claims_more(layout.claimed, "rows", points.count)
    scan = replace(file.scan, because=layout.why).in_unit(layout.units[0], "file")
    return cloud(scan, points.done(), left_out=layout.left_out)


def _matrix(file: ScanFile, layout: TextLayout) -> Scan:
    """Return a matrix of heights with its steps, all in one unit."""
    parts: list[FloatArray] = []
    count = 0
    for rows in _blocks(file, layout, range(layout.width)):
        count += rows.size
        if count > MOST_POINTS:
            raise too_many(count)
        parts.append(rows)
    whole = parts[0] if len(parts) == 1 else np.concatenate([*parts, np.empty((0, layout.width))])
    unit, steps, factor = _steps(whole.shape, layout, file.options)
    heights = as_heights(whole, missing=None, scale=factor)
    scan = replace(file.scan, format="heights as text", because=layout.why)
    return replace(scan, content=HeightMap(heights, *steps)).in_unit(unit, "file")


def _steps(
    shape: tuple[int, ...], layout: TextLayout, options: ScanOptions
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
            "and rows are apart; give these distances ({door_scan_steps})."
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
