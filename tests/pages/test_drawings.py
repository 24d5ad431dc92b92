"""The square code and pictures as files."""

from __future__ import annotations

import re
import struct
import zlib

import pytest

from evenfall.errors import RequestError
from evenfall.pages import svg_to_png
from evenfall.pages.drawings import job_text, square_code

HALF = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="40" height="20" viewBox="0 0 40 20">'
    '<rect width="20" height="20" fill="#000"/></svg>'
)


def pixels(png):
    """Return width, height and the rows of an 8-bit RGBA PNG, filters undone (ISO/IEC 15948)."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    place, data = 8, b""
    while place < len(png):
        (length,) = struct.unpack(">I", png[place : place + 4])
        kind, body = png[place + 4 : place + 8], png[place + 8 : place + 8 + length]
        if kind == b"IHDR":
            width, height, depth, colour = struct.unpack(">IIBB", body[:10])
            assert (depth, colour) == (8, 6)
        data += body if kind == b"IDAT" else b""
        place += 12 + length
    raw, stride, rows = zlib.decompress(data), 4 * width, []
    for y in range(height):
        line = bytearray(raw[y * (stride + 1) + 1 : (y + 1) * (stride + 1)])
        for i in range(stride):
            left = line[i - 4] if i >= 4 else 0
            up = rows[-1][i] if rows else 0
            corner = rows[-1][i - 4] if rows and i >= 4 else 0
            line[i] = (line[i] + filtered(raw[y * (stride + 1)], left, up, corner)) % 256
        rows.append(line)
    return width, height, rows


def filtered(kind, left, up, corner):
    if kind == 4:
        guess = left + up - corner
        return min((left, up, corner), key=lambda v: abs(guess - v))
    return (0, left, up, (left + up) // 2)[kind]


def test_a_picture_has_the_width_asked_for_and_white_ground():
    width, height, rows = pixels(svg_to_png(HALF, 120))
    assert (width, height) == (120, 60)
    assert bytes(rows[30][4 * 20 : 4 * 20 + 4]) == b"\x00\x00\x00\xff"
    assert bytes(rows[30][4 * 100 : 4 * 100 + 4]) == b"\xff\xff\xff\xff"


@pytest.mark.parametrize(("svg", "width_px"), [(HALF, 8), (HALF, 20_000), ("no drawing", 100)])
def test_what_cannot_be_a_picture_is_refused(svg, width_px):
    with pytest.raises(RequestError):
        svg_to_png(svg, width_px)


def modules(svg):
    """Return the set of dark modules of a code drawn as rows of horizontal strokes."""
    dark, x, y = set(), 0.0, 0.0
    path = re.search(r' d="([^"]+)"', svg).group(1)
    for command, numbers in re.findall(r"([Mmh])([^Mmh]*)", path):
        values = [float(v) for v in re.findall(r"-?[\d.]+", numbers)]
        if command == "M":
            x, y = values
        elif command == "m":
            x, y = x + values[0], y + values[1]
        else:
            dark |= {(int(x) + i, int(y)) for i in range(int(values[0]))}
            x += values[0]
    return dark


def test_the_code_has_finders_and_a_quiet_zone():
    # ISO/IEC 18004: 7 x 7 finder patterns in three corners, a quiet zone of four modules
    svg = square_code(job_text("0123456789"))
    size = int(re.search(r'viewBox="0 0 (\d+)', svg).group(1))
    dark = modules(svg)
    assert min(x for x, _ in dark) == min(y for _, y in dark) == 4
    assert max(x for x, _ in dark) == max(y for _, y in dark) == size - 5
    finder = {
        (x, y) for x in range(7) for y in range(7) if max(abs(x - 3), abs(y - 3)) in (0, 1, 3)
    }
    for left, top in ((4, 4), (size - 11, 4), (4, size - 11)):
        inside = {(x - left, y - top) for x, y in dark if 0 <= x - left < 7 and 0 <= y - top < 7}
        assert inside == finder


def test_the_code_holds_no_address():
    assert job_text("ABC") == "evenfall:plan:ABC"
    assert square_code(job_text("A")) != square_code(job_text("B"))
