"""TIFF pictures whose pixels are heights: 16 and 32 bits, with the steps in a sidecar."""

from __future__ import annotations

import struct
import zlib
from dataclasses import replace
from typing import Any

from evenfall.errors import UnsupportedError
from evenfall.scans.formats.arrays import height_map
from evenfall.scans.formats.scan import (
    MOST_POINTS,
    Scan,
    ScanFile,
    check_swelling,
    claims_more,
    damage,
    no_points,
    too_many,
)
from evenfall.scans.formats.sidecar import steps_for
from evenfall.wording import Sentence, sentence

MOST_PACKED = 3000
"""No packing that TIFF knows unpacks to more than this many times its size."""

DAMAGED = (
    *(ValueError, struct.error, zlib.error, OverflowError, ZeroDivisionError),
    *(IndexError, KeyError, TypeError, AttributeError, AssertionError, RuntimeError),
)
"""What tifffile raises over a damaged file."""


def read_tiff(file: ScanFile) -> Scan:
    """Return the height map in a TIFF file; its steps and scale stand in a sidecar."""
    file.done(0.0)
    left: tuple[Sentence, ...] = ()
    with damage(*DAMAGED):
        tiff = file.library.TiffFile(file.path)
    with tiff:
        with damage(*DAMAGED):
            count = len(tiff.pages)
            page: Any = tiff.pages[0] if count else None
            about = _Picture(page) if page is not None else None
        if about is None:
            raise no_points()
        if count > 1:
            text = "Only the first of {count} pictures in the file was used."
            left = (sentence(text, count=count),)
        about.check(file.size)
        known = steps_for(file)
        if about.kind in "iu" and known.z_scale is None:
            raise UnsupportedError(
                "The pixels are counts, and nothing says how high one count is; put z_scale into "
                "{sidecar} beside the picture.",
                sidecar=file.path.with_suffix(".toml").name,
            )
        with damage(*DAMAGED):
            try:
                counts = page.asarray()
            except ValueError as error:
                if "imagecodecs" in str(error):
                    raise UnsupportedError(
                        "The picture is packed as {packing}, which is not read; save it unpacked "
                        "or with deflate.",
                        packing=str(page.compression.name),
                    ) from None
                raise
    scan = height_map(replace(file.scan, left_out=left), counts, known)
    file.done(1.0)
    return scan


class _Picture:
    """What the header of a picture says."""

    def __init__(self, page: Any) -> None:
        self.bits, self.layers, self.shape = page.bitspersample, page.samplesperpixel, page.shape
        self.kind = "" if page.dtype is None else str(page.dtype.kind)
        self.bytes = 0 if page.dtype is None else int(page.dtype.itemsize)
        self.packed = int(page.compression) not in (0, 1)
        self.packed_bytes = sum(page.databytecounts)

    def check(self, size: int) -> None:
        """Refuse a picture that is no height map, or that the file cannot hold."""
        if self.kind not in tuple("iuf") or self.bytes < 2:
            raise UnsupportedError(
                "The pixels have {bits} bits; heights need 16 or 32.", bits=str(self.bits)
            )
        if self.layers != 1 or len(self.shape) != 2:
            raise UnsupportedError(
                "The picture is in colour or has several layers; heights are one number per pixel."
            )
        count = int(self.shape[0]) * int(self.shape[1])
        if count == 0:
            raise no_points()
        if count > MOST_POINTS:
            raise too_many(count)
        room = size * (MOST_PACKED if self.packed else 1) // self.bytes
        if count > room:
            raise claims_more(count, "pixels", room)
        check_swelling(self.packed_bytes, count * self.bytes)
