"""X3P (ISO 25178-72): height maps and points in metres."""

from __future__ import annotations

import zipfile
from dataclasses import replace
from typing import Any

import numpy as np

from evenfall.errors import UnsupportedError
from evenfall.scans.formats.arrays import UNPACKING, check_packing
from evenfall.scans.formats.scan import MOST_POINTS, Scan, ScanFile, cloud, damage, too_many
from evenfall.scans.surface import HeightMap
from evenfall.wording import sentence


def read_x3p(file: ScanFile) -> Scan:
    """Return the scan in an X3P file."""
    x3pio = file.library
    file.done(0.0)
    scan = file.scan.in_unit("m", "standard")
    with damage(*UNPACKING), zipfile.ZipFile(file.path) as archive:
        entries = archive.infolist()
    for entry in entries:
        check_packing(entry)
        if entry.file_size > 40 * MOST_POINTS:
            raise too_many(entry.file_size // 24)
    damaged = (x3pio.X3pError, *UNPACKING, ValueError, KeyError, TypeError, OverflowError)
    with damage(*damaged):
        about = x3pio.info(file.path)
    count = 1
    for length in about.shape:
        count *= int(length)
    if count > MOST_POINTS:
        raise too_many(count)
    if about.feature_type.name == "PROFILE":
        raise UnsupportedError("The file holds a line profile, which shows no whole board.")
    file.done(0.1)
    with damage(*damaged):
        found = x3pio.read(file.path)
        layer = found.layers[0]
        regular = about.feature_type.name == "SURFACE" and layer.x is None and layer.y is None
        points = None if regular else _points(layer)
    file.done(1.0)
    if len(found.layers) > 1:
        text = "Only the first of {count} layers was used."
        scan = replace(scan, left_out=(sentence(text, count=len(found.layers)),))
    if points is not None:
        return cloud(scan, points)
    heights = np.asarray(layer.z, dtype=float)
    if not np.isfinite(heights).any():
        raise UnsupportedError("Every cell of the height map is without a reading.")
    header = found.header
    steps = float(header.x.increment), float(header.y.increment)
    return replace(scan, content=HeightMap(heights, *steps))


def _points(layer: Any) -> Any:
    """Return the points of a layer as rows."""
    return np.ascontiguousarray(np.asarray(layer.points(), dtype=float).reshape(-1, 3))
