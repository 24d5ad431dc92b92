"""TIFF pictures whose pixels are heights: 16 and 32 bits, with the steps in a sidecar."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import Any

from evenfall.errors import UnsupportedError
from evenfall.scans.formats.arrays import as_heights
from evenfall.scans.formats.scan import (
    MOST_POINTS,
    Options,
    Progress,
    Scan,
    claims_more,
    file_size,
    library,
    no_points,
    reading,
    silent,
    too_many,
)
from evenfall.scans.formats.sidecar import steps_for
from evenfall.scans.surface import HeightMap

MOST_PACKED = 3000
"""No packing that TIFF knows unpacks to more than this many times its size."""


def read_tiff(path: Path, options: Options, progress: Progress = silent) -> Scan:
    """Return the height map in a TIFF file."""
    tifffile = library("tifffile", "TIFF")
    logging.getLogger("tifffile").setLevel(logging.CRITICAL)  # damage is told in our own words
    progress(f"reading {path.name}", 0.0)
    left: list[str] = []
    with reading(path.name, "TIFF file"), tifffile.TiffFile(path) as tiff:
        if not tiff.pages:
            raise no_points(path.name)
        page = tiff.pages[0]
        if len(tiff.pages) > 1:
            left.append(f"Only the first of {len(tiff.pages)} pictures in the file was used.")
        _check(page, file_size(path), path.name)
        known = steps_for(path, options)
        if page.dtype.kind in "iu" and known.z_scale is None:
            raise UnsupportedError(
                "The pixels are counts, and nothing says how high one count is; put z_scale into "
                f"{path.with_suffix('.toml').name} beside the picture.",
                where=path.name,
            )
        try:
            counts = page.asarray()
        except ValueError as error:
            if "imagecodecs" in str(error):
                raise UnsupportedError(
                    f"The picture is packed as {page.compression.name}, which is not read; save it "
                    "unpacked or with deflate."
                ) from None
            raise
        heights = as_heights(
            counts, missing=known.missing, scale=known.z_scale or 1.0, name=path.name
        )
    if known.file:
        left.append(f"Steps from {known.file}.")
    progress(f"reading {path.name}", 1.0)
    return Scan(
        path.name,
        "TIFF height map",
        "the file starts as TIFF does",
        HeightMap(heights, known.x_step, known.y_step),
        known.unit,
        known.unit_from,
        tuple(left),
    )


def _check(page: Any, size: int, name: str) -> None:
    """Refuse a picture that is no height map, or that the file cannot hold."""
    if page.dtype is None or page.dtype.kind not in "iuf" or page.dtype.itemsize < 2:
        raise UnsupportedError(
            f"The pixels have {page.bitspersample} bits; heights need 16 or 32.", where=name
        )
    if page.samplesperpixel != 1 or len(page.shape) != 2:
        raise UnsupportedError(
            "The picture is in colour or has several layers; heights are one number per pixel.",
            where=name,
        )
    count = int(page.shape[0]) * int(page.shape[1])
    if count == 0:
        raise no_points(name)
    if count > MOST_POINTS:
        raise too_many(count, name)
    unpacked = int(page.compression) in (0, 1)
    if count * page.dtype.itemsize > size * (1 if unpacked else MOST_PACKED):
        raise claims_more(name, f"{count:,} pixels", f"{size:,} bytes")
