"""Parquet tables with the columns x, y and z."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np

from evenfall.errors import UnsupportedError
from evenfall.scans.formats.scan import (
    MOST_POINTS,
    PIECE_POINTS,
    GrowingPoints,
    Options,
    Progress,
    Scan,
    claims_more,
    cloud,
    library,
    not_used,
    reading,
    silent,
    too_many,
    unit_named,
)
from evenfall.scans.orientation import UNITS_MM

_AXIS = re.compile(r"\W*([xyz])(?![a-z0-9])[\W_]*(.*)")
_UNIT_KEYS = (b"unit", b"units", b"length_unit")


def read_parquet(path: Path, options: Options, progress: Progress = silent) -> Scan:
    """Return the points in a Parquet file."""
    del options
    arrow = library("pyarrow", "Parquet")
    parquet = library("pyarrow.parquet", "Parquet")
    with reading(path.name, "Parquet file"):
        # mapped, not buffered: a column's packed bytes are no second copy of it
        with arrow.memory_map(str(path)) as source, parquet.ParquetFile(
            source, pre_buffer=False, thrift_string_size_limit=1 << 24,
            thrift_container_size_limit=1 << 22,
        ) as table:  # fmt: skip
            schema = table.schema_arrow
            columns, units = _columns(schema)
            count = table.metadata.num_rows
            if count > MOST_POINTS:
                raise too_many(count, path.name)
            kinds = [schema.field(name).type for name in columns]
            for name, kind in zip(columns, kinds, strict=True):
                numeric = arrow.types.is_floating(kind) or arrow.types.is_integer(kind)
                if not (numeric or arrow.types.is_decimal(kind)):
                    raise UnsupportedError(f"The column {name[:40]} holds {kind}, not numbers.")
            single = all(arrow.types.is_float32(k) or arrow.types.is_float16(k) for k in kinds)
            points = GrowingPoints(count, np.float32 if single else np.float64)
            for batch in table.iter_batches(PIECE_POINTS, columns=columns, use_threads=True):
                room = points.reserve(batch.num_rows)
                for at, name in enumerate(columns):
                    room[:, at] = _numbers(arrow, batch.column(name))
                points.keep(batch.num_rows)
                progress(f"reading {path.name}", points.count / max(1, count))
            if points.count < count:
                raise claims_more(path.name, f"{count:,} rows", f"{points.count:,}")
            unused = [name for name in schema.names if name not in columns]
        unit, factors = units
        rows = points.done()
        if factors != [1.0, 1.0, 1.0]:
            rows *= np.asarray(factors, dtype=rows.dtype)
    scan = Scan(
        path.name, "Parquet", "the file starts with PAR1", np.empty((0, 3)), unit,
        "the file" if unit else "",
    )  # fmt: skip
    return cloud(scan, rows, left_out=not_used(unused))


def _columns(schema: Any) -> tuple[list[str], tuple[str | None, list[float]]]:
    """Return the columns that hold x, y and z, their common unit and factors."""
    found: dict[str, tuple[str, str]] = {}
    for name in schema.names:
        if (match := _AXIS.fullmatch(name.lower()[:80])) and match[1] not in found:
            found[match[1]] = (name, match[2])
    if missing := [axis for axis in "xyz" if axis not in found]:
        raise UnsupportedError(
            f"The table has the columns {', '.join(n[:20] for n in schema.names[:8])}, but no "
            f"{' and no '.join(missing)}; points need x, y and z."
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
    return [found[axis][0] for axis in "xyz"], (next(iter(known), None), factors)


def _numbers(arrow: Any, column: Any) -> Any:
    """Return a column as numbers, NaN for null."""
    if arrow.types.is_decimal(column.type) or column.null_count:
        column = column.cast(
            arrow.float32() if arrow.types.is_float32(column.type) else arrow.float64()
        )
    return column.to_numpy(zero_copy_only=False)
