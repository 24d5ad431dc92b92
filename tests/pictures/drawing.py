"""Reading a picture back: its texts, where they stand, and what must not be in it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from xml.etree import ElementTree

SVG = "{http://www.w3.org/2000/svg}"

#: Presentation attributes and shapes that browsers and paper typesetting both draw alike.
PLAIN = {"svg", "title", "desc", "g", "text", "rect", "line", "circle", "path"}

_NARROW = set("ijl.,:;|!'()[] tfrI-")
_WIDE = set("mwMW%@…")


@dataclass(frozen=True)
class Text:
    """One line of text and about the box of its ink [px]."""

    content: str
    left: float
    right: float
    top: float
    bottom: float
    size: float

    def overlaps(self, other: Text) -> bool:
        """Say whether the boxes overlap by more than a hair."""
        return (
            self.left < other.right - 0.5
            and other.left < self.right - 0.5
            and self.top < other.bottom - 0.5
            and other.top < self.bottom - 0.5
        )


def about_wide(content: str, size: float) -> float:
    """Return about the width of a text in a common sans-serif face, by rule of thumb.

    Independent of the estimate that the drawings are laid out with, and a little under it.
    """
    ems = sum(0.3 if c in _NARROW else 0.9 if c in _WIDE else 0.56 for c in content)
    capitals = sum(c.isupper() and c not in "IMW" for c in content)
    return size * (ems + 0.12 * capitals)


def parsed(svg: str) -> ElementTree.Element:
    """Return the drawing; it is XML."""
    return ElementTree.fromstring(svg)  # noqa: S314 (our own drawing)


def texts(svg: str) -> list[Text]:
    """Return every text of a drawing with its box."""
    found = []
    for element in parsed(svg).iter(f"{SVG}text"):
        content = element.text or ""
        size = float(element.attrib["font-size"])
        x, y = float(element.attrib["x"]), float(element.attrib["y"])
        wide = about_wide(content, size)
        shift = {"middle": 0.5, "end": 1.0}.get(element.attrib.get("text-anchor", ""), 0.0)
        left = x - shift * wide
        found.append(Text(content, left, left + wide, y - 0.72 * size, y, size))
    return found


def shown(svg: str) -> str:
    """Return all text of a drawing, line by line."""
    return "\n".join(text.content for text in texts(svg))


def faults(svg: str) -> list[str]:
    """Return everything that no picture of ours may do."""
    root = parsed(svg)
    wide, high = (float(n) for n in root.attrib["viewBox"].split()[2:])
    said = [
        f"<{element.tag}>"
        for element in root.iter()
        if not isinstance(element.tag, str) or element.tag.removeprefix(SVG) not in PLAIN
    ]
    if root.attrib.get("role") != "img":
        said.append("no role")
    ids = {element.attrib["id"]: element for element in root.iter() if "id" in element.attrib}
    named = root.attrib.get("aria-labelledby", "").split()
    if len(named) != 2 or any(not (ids.get(n) is not None and ids[n].text) for n in named):
        said.append("no name for those who do not see it")
    if re.search(r"\bnan\b|\binf\b|None|url\(|style=", re.sub(r">[^<]*<", "><", svg)):
        said.append("a number that is none, or a reference")
    every = texts(svg)
    said += [f"too small: {t.content}" for t in every if t.size < 9.0]
    said += [
        f"outside: {t.content}"
        for t in every
        if t.left < 0.0 or t.right > wide or t.top < 0.0 or t.bottom + 0.2 * t.size > high
    ]
    every.sort(key=lambda t: t.top)
    for number, one in enumerate(every):
        for other in every[number + 1 :]:
            if other.top > one.bottom:
                break
            if one.overlaps(other):
                said.append(f"overlap: {one.content} | {other.content}")
    return said


def groups(svg: str, *names: str) -> dict[tuple[str, ...], ElementTree.Element]:
    """Return the groups that carry all these data attributes, by their values."""
    keys = [f"data-{name}" for name in names]
    return {
        tuple(element.attrib[key] for key in keys): element
        for element in parsed(svg).iter(f"{SVG}g")
        if all(key in element.attrib for key in keys)
    }


def number(text: str) -> float:
    """Return a number as a picture shows it."""
    return float(text.replace("−", "-"))


def contents(element: ElementTree.Element) -> list[str]:
    """Return the texts inside a group, in order."""
    return [t.text or "" for t in element.iter(f"{SVG}text")]


def path_points(d: str) -> list[tuple[float, float]]:
    """Return every point of a path, control points included."""
    numbers = [float(n) for n in re.findall(r"-?\d+(?:\.\d+)?", d)]
    return list(zip(numbers[::2], numbers[1::2], strict=True))


def luminance(colour: str) -> float:
    """Return the relative luminance of an sRGB colour (IEC 61966-2-1; WCAG 2.2, section 1.4.3)."""
    channels = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours (WCAG 2.2, section 1.4.3)."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def lightness(colour: str) -> float:
    """Return CIE L* of a colour (CIE 15:2018, equation 8.8)."""
    y = luminance(colour)
    return 116.0 * y ** (1.0 / 3.0) - 16.0 if y > 216.0 / 24389.0 else y * 24389.0 / 27.0


def in_other_unit(svg: str, unit: str) -> list[str]:
    """Return what a picture says, or says under the pointer, in the unit that was not asked for."""
    other = r"\b(mm|µm)\b|µm" if unit == "in" else r"\d in\b|\b(inch|inches|thou|thousandths)\b"
    words = re.sub(r"<[^>]*>", "\n", svg)
    return [row for row in words.split("\n") if re.search(other, row)]
