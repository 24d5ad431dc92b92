"""Strings of SVG: the few shapes that the pictures are made of.

Plain SVG 1.1 with presentation attributes only, so that browsers, paper typesetting and drawing
programs show the same: no style sheets, no scripts, no patterns. One user unit is 1/96 inch, the
CSS pixel; a picture 680 wide fills the 180 mm of an A4 page with 15 mm margins.

No font is loaded, so text widths are estimated: from the advance widths of a Helvetica-like face
(Adobe Core 14 font metrics, Helvetica; from memory) with a sixth to spare, which is what the widest
face in the list needs.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from html import escape
from itertools import pairwise
from typing import TYPE_CHECKING

from evenfall.pictures.inks import INK, LIGHT, PAPER, Theme

if TYPE_CHECKING:
    Points = Sequence[tuple[float, float]]

PAGE_WIDTH_PX = 680.0
"""Width of every picture: 180 mm."""
SMALLEST_TEXT_PX = 9.0

FONTS = "Arial, 'Liberation Sans', Helvetica, 'DejaVu Sans', 'Libertinus Serif', sans-serif"

_ADVANCE = {
    222: "ijl'",
    260: "|",
    278: " !,./:;I[]\\ft",
    333: '-()`r{}"',
    389: "*",
    500: "ckvxyzsJ",
    556: "abdeghnopqu0123456789L#$?_–",
    584: "+<=>~^±×−",
    611: "FTZ",
    667: "ABEKPSVXY&",
    722: "CDHNRUw",
    778: "GOQ",
    833: "Mm",
    889: "%",
    944: "W",
    1000: "…@—",
}
_WIDTH = {sign: width / 1000.0 for width, signs in _ADVANCE.items() for sign in signs}
_BREAK = re.compile(r"(?<!\d)\s+|\s+(?!(?:mm|in|N|%)(?:\W|$))")
"""Between words, but not between a number and its unit."""
_INK = re.compile(r'="(@[a-z0-9-]+)"')
"""An ink by name, as an attribute; texts and names hold no plain quotation mark."""
_PLAIN = re.compile("[0-9A-Za-z .,:;()%+/-]*")
"""Text that stands in XML as it is."""
_SPARE = 1.16
_BOLD = 1.12


@lru_cache(maxsize=4096)
def text_width_px(content: str, size_px: float, *, bold: bool = False) -> float:
    """Return about how wide a line of text is."""
    # Latin letters with accents are about as wide as those without; scripts further up are square.
    ems = sum(_WIDTH.get(sign, 0.667 if ord(sign) < 0x1100 else 1.0) for sign in content)
    return ems * size_px * _SPARE * (_BOLD if bold else 1.0)


def shortened(content: str, size_px: float, room_px: float, *, bold: bool = False) -> str:
    """Return the text, cut with an ellipsis where it is wider than there is room."""
    content = _printable(content)
    if text_width_px(content, size_px, bold=bold) <= room_px:
        return content
    while content and text_width_px(content.rstrip() + "…", size_px, bold=bold) > room_px:
        content = content[:-1]
    return content.rstrip() + "…"


def wrapped(
    content: str, size_px: float, room_px: float, *, bold: bool = False, most: int = 2
) -> list[str]:
    """Return the text in lines that fit, broken between words; the last is cut if need be."""
    words = [word for word in _BREAK.split(_printable(content)) if word]
    lines: list[str] = []
    while words and len(lines) < most - 1:
        taken = 1
        while (
            taken < len(words)
            and text_width_px(" ".join(words[: taken + 1]), size_px, bold=bold) <= room_px
        ):
            taken += 1
        if taken == 1 and text_width_px(words[0], size_px, bold=bold) > room_px:
            break  # one word longer than the line: cut it below
        lines.append(" ".join(words[:taken]))
        words = words[taken:]
    if words:
        lines.append(shortened(" ".join(words), size_px, room_px, bold=bold))
    return lines


def text(
    x_px: float,
    y_px: float,
    content: str,
    *,
    size_px: float = 10.0,
    anchor: str = "start",
    bold: bool = False,
    ink: str = INK,
) -> str:
    """Return one line of text, anchored at its "start", "middle" or "end"."""
    if size_px < SMALLEST_TEXT_PX:
        raise ValueError(f"text of {size_px} px cannot be read on paper")
    weight = ' font-weight="bold"' if bold else ""
    place = "" if anchor == "start" else f' text-anchor="{anchor}"'
    return (
        f'<text x="{_n(x_px)}" y="{_n(y_px)}" font-size="{_n(size_px)}" fill="{ink}"'
        f"{place}{weight}>{_escaped(content)}</text>"
    )


def line(
    x1_px: float,
    y1_px: float,
    x2_px: float,
    y2_px: float,
    *,
    ink: str = INK,
    width_px: float = 1.0,
    dash: str = "",
) -> str:
    """Return a straight line, dashed by a pattern such as "3 2"."""
    return (
        f'<line x1="{_n(x1_px)}" y1="{_n(y1_px)}" x2="{_n(x2_px)}" y2="{_n(y2_px)}"'
        f' stroke="{ink}" stroke-width="{_n(width_px)}"{_dash(dash)}/>'
    )


def rect(
    x_px: float,
    y_px: float,
    across_px: float,
    down_px: float,
    *,
    fill: str = "none",
    ink: str = "none",
    width_px: float = 1.0,
    round_px: float = 0.0,
) -> str:
    """Return a rectangle from its upper left corner."""
    corner = f' rx="{_n(round_px)}"' if round_px else ""
    return (
        f'<rect x="{_n(x_px)}" y="{_n(y_px)}" width="{_n(max(across_px, 0.0))}"'
        f' height="{_n(max(down_px, 0.0))}"{corner} fill="{fill}"{_outline(ink, width_px)}/>'
    )


def circle(
    x_px: float,
    y_px: float,
    radius_px: float,
    *,
    fill: str = "none",
    ink: str = "none",
    width_px: float = 1.0,
) -> str:
    """Return a circle."""
    outline = _outline(ink, width_px)
    return f'<circle cx="{_n(x_px)}" cy="{_n(y_px)}" r="{_n(radius_px)}" fill="{fill}"{outline}/>'


def path(
    points_px: Points,
    *,
    ink: str = "none",
    fill: str = "none",
    width_px: float = 1.0,
    dash: str = "",
    closed: bool = False,
    smooth: bool = False,
) -> str:
    """Return a line through points; if `smooth`, x rising, a curve that never overshoots them."""
    steps = _smooth_steps(points_px) if smooth else "L".join(_pair(p) for p in points_px[1:])
    if steps and not smooth:
        steps = f"L{steps}"
    return (
        f'<path d="M{_pair(points_px[0])}{steps}{"Z" if closed else ""}" fill="{fill}"'
        f'{_outline(ink, width_px)}{_dash(dash)} stroke-linejoin="round"/>'
    )


def group(parts: Iterable[str], *, label: str = "", **data: object) -> str:
    """Return shapes that belong together, with a name that browsers show under the pointer.

    The data become `data-` attributes, so that a page can find it; underscores become hyphens.
    """
    name = f"<title>{_escaped(label)}</title>" if label else ""
    return f"<g{_marks(data)}>{name}{''.join(parts)}</g>"


def document(
    height_px: float,
    parts: Iterable[str],
    *,
    title: str,
    description: str,
    width_px: float = PAGE_WIDTH_PX,
    theme: Theme = LIGHT,
    **data: object,
) -> str:
    """Return a whole picture in the colours of a theme, its parts from back to front.

    Title and description are for readers who do not see it; the data become `data-` attributes.
    """
    ground = rect(0, 0, width_px, height_px, fill=PAPER)
    body = _INK.sub(lambda named: f'="{theme[named[1]]}"', "\n".join((ground, *parts)))
    title, description = _escaped(title), _escaped(description)
    # Several pictures may stand on one page, so names inside one must not meet those of another.
    name = f"ef{zlib.crc32(f'{title}{description}{body}'.encode()):08x}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_n(width_px)}" height="{_n(height_px)}"'
        f' viewBox="0 0 {_n(width_px)} {_n(height_px)}" role="img"'
        f' aria-labelledby="{name}t {name}d" font-family="{FONTS}"{_marks(data)}>\n'
        f'<title id="{name}t">{title}</title>\n<desc id="{name}d">{description}</desc>\n'
        f"{body}\n</svg>\n"
    )


def heading(title: str, *lines: str) -> tuple[list[str], float]:
    """Return title and lines of a picture, wrapped to three and two rows, and where they end."""
    room = PAGE_WIDTH_PX - 8.0
    parts = []
    at = 4.0
    for row in wrapped(title, 14.0, room, bold=True, most=3):
        at += 16.0
        parts.append(text(4, at, row, size_px=14, bold=True))
    for content in lines:
        for row in wrapped(content, 10.0, room):
            at += 13.0
            parts.append(text(4, at, row))
    return parts, at + 6.0


def _smooth_steps(points: Points) -> str:
    """Return cubic steps through points with rising x that keep every rise and fall.

    Monotone cubic interpolation; Fritsch & Carlson, SIAM J. Numer. Anal. 17 (1980) 238, with the
    harmonic-mean slopes of Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300.
    """
    steps = [(b[0] - a[0], b[1] - a[1]) for a, b in pairwise(points)]
    secant = [dy / dx if dx > 0.0 else 0.0 for dx, dy in steps]
    slope = [
        2.0 * before * after / (before + after) if before * after > 0.0 else 0.0
        for before, after in pairwise(secant)
    ]
    slope = [secant[0], *slope, secant[-1]] if secant else []
    curve = []
    for (dx, _), start, end, m0, m1 in zip(
        steps, points, points[1:], slope, slope[1:], strict=False
    ):
        first = (start[0] + dx / 3.0, start[1] + m0 * dx / 3.0)
        second = (end[0] - dx / 3.0, end[1] - m1 * dx / 3.0)
        curve.append(f"C{_pair(first)} {_pair(second)} {_pair(end)}")
    return "".join(curve)


def _marks(data: Mapping[str, object]) -> str:
    return "".join(_data(name, str(value)) for name, value in data.items())


@lru_cache(maxsize=4096)
def _data(name: str, value: str) -> str:
    words = _escaped(value)
    if words.startswith("@"):  # else it would be taken for an ink of the theme
        words = "&#64;" + words[1:]
    return f' data-{name.replace("_", "-")}="{words}"'


def _pair(point: tuple[float, float]) -> str:
    return f"{_n(point[0])} {_n(point[1])}"


def _outline(ink: str, width_px: float) -> str:
    return "" if ink == "none" else f' stroke="{ink}" stroke-width="{_n(width_px)}"'


def _dash(dash: str) -> str:
    return f' stroke-dasharray="{dash}"' if dash else ""


@lru_cache(maxsize=4096)
def _n(value: float) -> str:
    """Return a coordinate with at most two decimals, without needless zeros."""
    shown = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if shown == "-0" else shown


def _escaped(content: str) -> str:
    """Return text as XML holds it, without a plain quotation mark."""
    if _PLAIN.fullmatch(content):
        return content
    return escape(_printable(content), quote=False).replace('"', "&quot;")


def _printable(content: str) -> str:
    """Return the text without the characters that XML 1.0 cannot hold (its section 2.2)."""
    if content.isascii() and content.isprintable():
        return content
    return "".join(
        sign
        for sign in content.replace("\t", " ").replace("\n", " ")
        if sign >= " " and not ("\ud800" <= sign <= "\udfff" or sign in "\ufffe\uffff\x7f")
    )
