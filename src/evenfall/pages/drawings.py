"""Drawings on pages: the square code, and SVG made safe to stand in a page beside others."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from html import escape
from typing import Any
from xml.etree import ElementTree

from evenfall.errors import At, RequestError
from evenfall.wording import Sentence, sentence

_SVG = "http://www.w3.org/2000/svg"
_ACTIVE = {"script", "foreignObject", "iframe", "image", "set", "animate", "handler", "audio"}
_REFERENCE = re.compile(r"url\(\s*['\"]?([^)'\"]*)")


def job_text(code: str, kind: str = "plan") -> str:
    """Return what the square code says: text that finds the job again, no address."""
    return f"evenfall:{kind}:{code}"


def square_code(text: str, *, label: str = "") -> str:
    """Return a QR code (ISO/IEC 18004, error correction M) as SVG; `label` is read out for it."""
    import segno

    code = segno.make(text, error="m", micro=False)
    inline: str = code.svg_inline(border=4, omitsize=True, svgclass=None, lineclass=None)
    told = f' role="img" aria-label="{escape(label)}"' if label else ""
    return inline.replace("<svg", f'<svg xmlns="{_SVG}"{told}', 1)


def checked(pictures: Mapping[str, str]) -> Iterator[tuple[str, ElementTree.Element]]:
    """Yield each picture's name and its drawing, or refuse what a drawing must not hold."""
    for name, text in pictures.items():
        at = At(field=name)
        try:
            if "<!DOCTYPE" in text or "<!ENTITY" in text:
                raise ElementTree.ParseError("it declares entities")
            root = ElementTree.fromstring(text)  # noqa: S314 (entities are refused above)
        except ElementTree.ParseError as error:
            reason = "The picture {name:quoted} is not an SVG drawing ({reason})."
            raise RequestError(reason, at=at, name=name, reason=str(error)) from None
        for part in root.iter():
            held = _foreign_part(part)
            if held is not None:
                refusal = "The picture {name:quoted} may not be put on a page: {held}."
                raise RequestError(refusal, at=at, name=name, held=held)
        if _plain(root.tag) != "svg":
            raise RequestError("The picture {name:quoted} is not an SVG drawing.", at=at, name=name)
        yield name, root


def _foreign_part(element: ElementTree.Element) -> Sentence | None:
    """Return what a part of a drawing holds that may not stand on a page; None if nothing."""
    tag = _plain(element.tag)
    if tag in _ACTIVE:
        return sentence("it holds {tag:quoted}", tag=tag)
    for key, value in element.attrib.items():
        if _plain(key).lower().startswith("on"):
            return sentence("it holds {key:quoted}", key=_plain(key))
        targets = [value] if _plain(key) in ("href", "src") else _REFERENCE.findall(value)
        if any(not target.strip().startswith("#") for target in targets):
            return sentence("{key:quoted} leads outside", key=_plain(key))
    style = (element.text or "") if tag == "style" else ""
    targets = _REFERENCE.findall(style)
    if "@import" in style or any(not target.strip().startswith("#") for target in targets):
        return sentence("its style leads outside")
    return None


def inline(root: ElementTree.Element, *, prefix: str, label: str) -> str:
    """Return a drawing for an HTML page; its names get a prefix so that pictures do not mix."""
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


def for_screen(pictures: Mapping[str, str]) -> Iterator[tuple[str, str, bool]]:
    """Yield each picture's name, its drawing for an HTML page, and whether that has a title."""
    for place, (name, root) in enumerate(checked(pictures), start=1):
        titled = any(_plain(part.tag) == "title" for part in root)
        yield name, inline(root, prefix=f"picture{place}-", label=name), titled


def for_paper(pictures: Mapping[str, str]) -> list[dict[str, Any]]:
    """Return pictures as a paper template takes them."""
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
