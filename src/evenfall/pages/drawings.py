"""Drawings on pages: the square code, and SVG made safe to stand in a page beside others."""

from __future__ import annotations

import re
from html import escape
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

from evenfall.errors import RequestError
from evenfall.pages.markup import Markup, element, wide

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

_SVG = "http://www.w3.org/2000/svg"
_ACTIVE = {"script", "foreignObject", "iframe", "image", "set", "animate", "handler", "audio"}
_REFERENCE = re.compile(r"url\(\s*['\"]?([^)'\"]*)")


def job_text(code: str) -> str:
    """Return what the square code says: text that finds the job again, no address.

    Parameters
    ----------
    code
        The plan's code.
    """
    return f"evenfall:plan:{code}"


def square_code(text: str, *, label: str = "") -> str:
    """Return a QR code (ISO/IEC 18004, error correction M) as SVG.

    Parameters
    ----------
    text
        What the code says.
    label
        What is read out in place of it; nothing if empty.
    """
    import segno

    code = segno.make(text, error="m", micro=False)
    inline: str = code.svg_inline(border=4, omitsize=True, svgclass=None, lineclass=None)
    told = f' role="img" aria-label="{escape(label)}"' if label else ""
    return inline.replace("<svg", f'<svg xmlns="{_SVG}"{told}', 1)


def checked(pictures: Mapping[str, str]) -> Iterator[tuple[str, ElementTree.Element]]:
    """Yield each picture's name and its drawing, or refuse what a drawing must not hold.

    Parameters
    ----------
    pictures
        SVG text by name.

    Raises
    ------
    RequestError
        A picture is not SVG, or holds a script or a reference to somewhere else.
    """
    for name, text in pictures.items():
        try:
            if "<!DOCTYPE" in text or "<!ENTITY" in text:
                raise ElementTree.ParseError("it declares entities")
            root = ElementTree.fromstring(text)  # noqa: S314 (entities are refused above)
        except ElementTree.ParseError as error:
            raise RequestError(f"The picture {name!r} is not an SVG drawing: {error}.") from None
        for part in root.iter():
            _refuse_foreign(name, part)
        if _plain(root.tag) != "svg":
            raise RequestError(f"The picture {name!r} is not an SVG drawing.")
        yield name, root


def _refuse_foreign(name: str, element: ElementTree.Element) -> None:
    told = f"The picture {name!r} may not be put on a page:"
    if _plain(element.tag) in _ACTIVE:
        raise RequestError(f"{told} it holds <{_plain(element.tag)}>.")
    for key, value in element.attrib.items():
        if _plain(key).lower().startswith("on"):
            raise RequestError(f"{told} it holds {_plain(key)}.")
        targets = [value] if _plain(key) in ("href", "src") else _REFERENCE.findall(value)
        if any(not target.strip().startswith("#") for target in targets):
            raise RequestError(f"{told} {_plain(key)} leads outside.")
    if _plain(element.tag) == "style":
        text = element.text or ""
        if "@import" in text or any(
            not target.strip().startswith("#") for target in _REFERENCE.findall(text)
        ):
            raise RequestError(f"{told} its style leads outside.")


def inline(root: ElementTree.Element, *, prefix: str, label: str) -> str:
    """Return a drawing for an HTML page; its names get a prefix so that pictures do not mix.

    Parameters
    ----------
    root
        A drawing from `checked`; it is left as it is.
    prefix
        Put before every id and every reference to one.
    label
        What is read out if the drawing does not name itself.
    """
    copy = ElementTree.fromstring(ElementTree.tostring(root))  # noqa: S314 (already checked)
    names = {part.get("id") for part in copy.iter()} - {None}
    for part in copy.iter():
        part.tag = _plain(part.tag)
        for key, value in list(part.attrib.items()):
            del part.attrib[key]
            part.set(_plain(key), _renamed(_plain(key), value, names, prefix))
        if part.tag == "style" and part.text:
            part.text = _renamed("style", part.text, names, prefix)
    copy.set("role", "img")
    if "aria-labelledby" not in copy.attrib:
        copy.set("aria-label", label)
    return ElementTree.tostring(copy, encoding="unicode")


def for_paper(pictures: Mapping[str, str]) -> list[dict[str, Any]]:
    """Return pictures as a paper template takes them.

    Parameters
    ----------
    pictures
        SVG text by name.

    Returns
    -------
    Per picture its name, the SVG text, what it says in words for those who do not see it, and
    whether it carries a title of its own.

    Raises
    ------
    RequestError
        A picture is not an SVG drawing that may stand on a page.
    """
    told = []
    for name, root in checked(pictures):
        own = {_plain(part.tag): part.text for part in root if part.text}
        words = ". ".join(own[tag].rstrip(".") for tag in ("title", "desc") if tag in own)
        told.append(
            {
                "name": name,
                "svg": pictures[name],
                "words": f"{name}: {words}." if words else name,
                "titled": "title" in own,
            }
        )
    return told


def _renamed(key: str, value: str, names: set[str | None], prefix: str) -> str:
    if key == "id":
        return prefix + value
    if key in ("aria-labelledby", "aria-describedby"):
        return " ".join(prefix + part for part in value.split())
    for name in names:
        if name is not None and f"#{name}" in value:
            value = re.sub(rf"#{re.escape(name)}(?![\w-])", f"#{prefix}{name}", value)
    return value


def _plain(name: str) -> str:
    """Return a tag or attribute without its namespace."""
    return name.rpartition("}")[2]


def figures(pictures: Mapping[str, str]) -> Iterator[Markup]:
    """Yield each picture as an HTML figure, its name over it unless it carries its own title.

    Parameters
    ----------
    pictures
        SVG text by name.

    Raises
    ------
    RequestError
        A picture is not an SVG drawing that may stand on a page.
    """
    for place, (name, root) in enumerate(checked(pictures), start=1):
        drawing = Markup(inline(root, prefix=f"picture{place}-", label=name))
        titled = any(_plain(part.tag) == "title" for part in root)
        caption = None if titled else element("figcaption", name)
        yield element("figure", caption, wide(drawing, label=name))
