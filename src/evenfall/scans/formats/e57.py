"""E57 (ASTM E2807): points of one or several scans, in metres by the standard.

The library for it is compiled code that a damaged file can bring down, so it runs in a process of
its own, which sends the points over as it reads them; see `e57_process`.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Timer
from typing import IO, Any

import numpy as np

from evenfall.errors import BrokenFileError, UnsupportedError
from evenfall.scans.formats.scan import (
    MOST_POINTS,
    GrowingPoints,
    Scan,
    ScanFile,
    claims_more,
    cloud,
    no_points,
    not_used,
    too_many,
)

HEAD_BYTES = 48
"""Length of the file's own header (ASTM E2807, table 1)."""

PAGE_BYTES = 1024
"""Length of a page, of which the last four bytes are a checksum (ASTM E2807, section 7.2.1)."""

MOST_XML_BYTES = 1 << 24

SILENCE_S = 60.0
"""A reader that sends nothing for so long is stuck."""

_VECTOR = re.compile(rb'<[^<>]*type\s*=\s*"CompressedVector"[^<>]*>')
_OFFSET = re.compile(rb'fileOffset\s*=\s*"(\d{1,20})"')
_COUNT = re.compile(rb'recordCount\s*=\s*"(\d{1,20})"')


def read_e57(file: ScanFile) -> Scan:
    """Return the points of all scans in an E57 file, in their common frame."""
    count = _check(file)
    points = GrowingPoints(count)
    unused: set[str] = set()
    with _process(file.path) as answers:
        for kind, data in answers:
            if kind == b"P":
                points.add(np.frombuffer(data, dtype=np.float64).reshape(-1, 3))
                file.done(points.count / max(1, count))
            elif kind == b"U":
                unused.update(json.loads(data))
    scan = file.scan.in_unit("m", "standard")
    return cloud(scan, points.done(), left_out=not_used(sorted(unused)))


def _check(file: ScanFile) -> int:
    """Hold header and description against the file, and return how many points it claims."""
    size = file.size
    with file.path.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
        whole, start, length, page = (
            int.from_bytes(head[at : at + 8], "little") for at in (16, 24, 32, 40)
        )
        if len(head) < HEAD_BYTES or whole > size:
            raise claims_more(whole, "bytes", size)
        if start > size or length > size or page != PAGE_BYTES:
            raise BrokenFileError(
                "The header names a place or a page size that cannot be; export the scan again."
            )
        if length > MOST_XML_BYTES:
            raise UnsupportedError("The description in the file is longer than any that is read.")
        stream.seek(start)
        raw = np.frombuffer(stream.read(length + 4 * (length // 1000 + 2)), dtype=np.uint8)
        inside = (np.arange(start, start + len(raw)) % PAGE_BYTES) < PAGE_BYTES - 4
        xml = raw[inside].tobytes()[:length]
        if b"<!DOCTYPE" in xml or b"<!ENTITY" in xml:
            raise BrokenFileError("The description in the file defines words of its own.")
        total = 0
        for vector in _VECTOR.findall(xml):
            offset, count = _OFFSET.search(vector), _COUNT.search(vector)
            many = int(count[1]) if count else 0
            # a field of one bit is the least that tells one point from the next
            if many > 8 * size:
                raise claims_more(many, "points", 8 * size)
            total += many
            if offset is not None:
                stream.seek(min(int(offset[1]), size))
                if stream.read(1) != b"\x01":  # a section of points starts so (table 2)
                    raise BrokenFileError(
                        "The place where the points should start holds something else; export the "
                        "scan again."
                    )
    if total > MOST_POINTS:
        raise too_many(total)
    return total


@contextmanager
def _process(path: Path) -> Iterator[Iterator[tuple[bytes, bytes]]]:
    """Yield what the reading process sends: kind and content, one after the other."""
    code = "from evenfall.scans.formats.e57_process import main; main()"
    command = [sys.executable, "-c", code, str(path.resolve())]
    with subprocess.Popen(  # noqa: S603 (our own module, and a file named by the caller)
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as process:
        assert process.stdout is not None  # noqa: S101 (asked for above)
        try:
            yield _answers(process, process.stdout)
        finally:
            process.kill()


def _answers(process: subprocess.Popen[bytes], stream: IO[bytes]) -> Iterator[tuple[bytes, bytes]]:
    while True:
        timer = Timer(SILENCE_S, process.kill)
        timer.daemon = True
        timer.start()
        try:
            head = stream.read(9)
            data = stream.read(int.from_bytes(head[1:], "little")) if len(head) == 9 else b""
        finally:
            timer.cancel()
            timer.join()
        kind = head[:1]
        if kind == b"E":
            error: dict[str, Any] = json.loads(data)
            raise _ERRORS[error["kind"]](error["text"], **error["values"])
        if kind == b"N":
            raise no_points()
        if kind == b"D":
            return
        if len(head) < 9:
            raise BrokenFileError(
                "The E57 file is damaged in a way that brings its library down; export or copy it "
                "again."
            )
        yield kind, data


_ERRORS = {"broken": BrokenFileError, "unsupported": UnsupportedError}
