"""X3P (ISO 25178-72): height maps and points in metres."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import Any

import numpy as np

from evenfall.errors import UnsupportedError
from evenfall.scans.formats.arrays import DEFLATE_RATIO
from evenfall.scans.formats.scan import (
    MOST_POINTS,
    Options,
    Progress,
    Scan,
    claims_more,
    cloud,
    library,
    reading,
    silent,
    too_many,
)
from evenfall.scans.surface import HeightMap


def read_x3p(path: Path, options: Options, progress: Progress = silent) -> Scan:
    """Return the scan in an X3P file."""
    del options
    x3pio = library("x3pio", "X3P")
    progress(f"reading {path.name}", 0.0)
    scan = Scan(
        path.name, "X3P (ISO 25178-72)", "a zip archive with main.xml", np.empty((0, 3)), "m",
        "the standard",
    )  # fmt: skip
    with reading(path.name, "X3P file"):
        with zipfile.ZipFile(path) as archive:
            for entry in archive.infolist():
                if entry.file_size > DEFLATE_RATIO * (entry.compress_size + 64):
                    raise claims_more(path.name, f"{entry.file_size:,} bytes", "far less")
                if entry.file_size > 40 * MOST_POINTS:
                    raise too_many(entry.file_size // 24, path.name)
        about = x3pio.info(path)
        count = 1
        for length in about.shape:
            count *= int(length)
        if count > MOST_POINTS:
            raise too_many(count, path.name)
        if about.feature_type.name == "PROFILE":
            raise UnsupportedError("The file holds a line profile, which shows no whole board.")
        found = x3pio.read(path)
        progress(f"reading {path.name}", 1.0)
        layer = found.layers[0]
        left: tuple[str, ...] = ()
        if len(found.layers) > 1:
            left = (f"Only the first of {len(found.layers)} layers was used.",)
        regular = about.feature_type.name == "SURFACE" and layer.x is None and layer.y is None
        if not regular:
            return cloud(scan, _points(layer), left_out=left)
        heights = np.asarray(layer.z, dtype=float)
        if not np.isfinite(heights).any():
            raise UnsupportedError("Every cell of the height map is without a reading.")
        header = found.header
        return Scan(
            path.name, scan.format, scan.because,
            HeightMap(heights, float(header.x.increment), float(header.y.increment)),
            "m", "the standard", left,
        )  # fmt: skip


def _points(layer: Any) -> Any:
    """Return the points of a layer as rows."""
    return np.ascontiguousarray(np.asarray(layer.points(), dtype=float).reshape(-1, 3))
