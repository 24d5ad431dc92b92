"""Parquet tables with the columns x, y and z."""

from __future__ import annotations

import re
from contextlib import ExitStack
from typing import Any

import numpy as np

from evenfall.errors import UnsupportedError
from evenfall.scans.formats.scan import (
    MOST_POINTS,
    PIECE_POINTS,
    GrowingPoints,
    Scan,
    ScanFile,
    check_swelling,
    claims_more,
    cloud,
    damage,
    library,
    not_used,
    too_many,
    unit_named,
)
from evenfall.scans.surface import UNITS_MM

_AXIS = re.compile(r"\W*([xyz])(?![a-z0-9])[\W_]*(.*)")
_UNIT_KEYS = (b"unit", b"units", b"length_unit")


def read_parquet(file: ScanFile) -> Scan:
    """Return the points in a Parquet file: columns x, y and z.

    A unit may stand in their names (x_mm), or in the file's own metadata under "unit".
    """
    arrow = library("pyarrow", "Parquet")
    damaged = (arrow.ArrowException, OSError, ValueError, KeyError, TypeError)
    with ExitStack() as stack:
        with damage(*damaged):
            # mapped, not buffered: a column's packed bytes are no second copy of it
            source = stack.enter_context(arrow.memory_map(str(file.path)))
            table = stack.enter_context(
                file.library.ParquetFile(
                    source, pre_buffer=False, thrift_string_size_limit=1 << 24,
                    thrift_container_size_limit=1 << 22,
                )
            )  # fmt: skip
            schema, count = table.schema_arrow, table.metadata.num_rows
            names = list(schema.names)
        columns, unit, factors = _columns(schema)
        if count > MOST_POINTS:
            raise too_many(count)
        kinds = [schema.field(name).type for name in columns]
        for name, kind in zip(columns, kinds, strict=True):
            numeric = arrow.types.is_floating(kind) or arrow.types.is_integer(kind)
            if not (numeric or arrow.types.is_decimal(kind)):
                raise UnsupportedError(
                    "The column {name:quoted} holds {kind:quoted}, not numbers.",
                    name=name,
                    kind=str(kind),
                )
        check_swelling(file.size, 4 * len(columns) * count)
        single = all(arrow.types.is_float32(k) or arrow.types.is_float16(k) for k in kinds)
        points = GrowingPoints(count, np.float32 if single else np.float64)
        batches = table.iter_batches(PIECE_POINTS, columns=columns, use_threads=True)
        while True:
            with damage(*damaged):
                batch = next(batches, None)
                if batch is None:
                    break
                room = points.reserve(batch.num_rows)
                for at, name in enumerate(columns):
                    room[:, at] = _numbers(arrow, batch.column(name))
            points.keep(batch.num_rows)
            file.done(points.count / max(1, count))
        if points.count < count:
            raise claims_more(count, "rows", points.count)
    rows = points.done()
    if factors != [1.0, 1.0, 1.0]:
        rows *= np.asarray(factors, dtype=rows.dtype)
    unused = not_used([name for name in names if name not in columns])
    return cloud(file.scan.in_unit(unit, "file"), rows, left_out=unused)


def _columns(schema: Any) -> tuple[list[str], str | None, list[float]]:
    """Return the columns that hold x, y and z, their common unit and factors."""
    found: dict[str, tuple[str, str]] = {}
    for name in schema.names:
        if (match := _AXIS.fullmatch(name.lower()[:80])) and match[1] not in found:
            found[match[1]] = (name, match[2])
    if missing := tuple(axis for axis in "xyz" if axis not in found):
        raise UnsupportedError(
            "The table has no column {missing:or} among {names:quoted}; points need x, y and z.",
            missing=missing,
            names=tuple(schema.names[:8]),
        )
    named = [unit_named(re.sub(r"^\W*in[\s_]+", "", found[a][1])) for a in "xyz"]
    kept = schema.metadata or {}
    said = next((kept[key].decode("utf-8", "replace") for key in _UNIT_KEYS if key in kept), "")
    units = [n or unit_named(said) for n in named]
    known = {u[0] for u in units if u}
    factors = [u[1] if u else 1.0 for u in units]
    if len(known) > 1:
        factors = [f * UNITS_MM[u[0] if u else "mm"] for f, u in zip(factors, units, strict=True)]
        known = {"mm"}
    return [found[axis][0] for axis in "xyz"], next(iter(known), None), factors


def _numbers(arrow: Any, column: Any) -> Any:
    """Return a column as numbers, NaN for null."""
    if arrow.types.is_decimal(column.type) or column.null_count:
        column = column.cast(
            arrow.float32() if arrow.types.is_float32(column.type) else arrow.float64()
        )
    # `to_numpy` loads pandas where there is one: half a second, and nothing of it is used
    return column.to_numpy(zero_copy_only=False) if column.null_count else np.from_dlpack(column)
