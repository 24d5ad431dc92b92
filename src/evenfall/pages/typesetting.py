"""Paper: Typst templates filled with data, in memory, the same bytes for the same data.

Data reaches a template as JSON and is shown as plain strings, so no text can act as markup. Only
the fonts inside the typesetter are used, unless the text holds a script that they lack.
"""

from __future__ import annotations

import json
import pkgutil
import re
from collections.abc import Mapping
from typing import Any, Literal

from evenfall.errors import RequestError
from evenfall.units import LengthUnit

Paper = Literal["a4", "us-letter"]
Standard = Literal["ua-1", "a-2a"]

_LONGEST_WORD = 22
_BREAK_EVERY = 8
_SPACE_TO_BREAK = "\N{ZERO WIDTH SPACE}"
_NO_BREAK = "\N{NO-BREAK SPACE}"
_WITH_UNIT = re.compile(r"(?<=\d) (?=(?:mm|in|N|µm|%)(?![\w-]))")
_NUMBERED = re.compile(r"(?:(?<=fret)|(?<=frets)|(?<=string)|(?<=strings)) (?=\d)")
_FIRST_FOREIGN = 0x0590
"""Latin, Greek and Cyrillic end here: what comes after is not in the fonts inside."""
_ALSO_AT_HOME = ((0x1D00, 0x23FF), (0x2500, 0x27BF))
"""Accented Latin and Greek, punctuation, arrows, mathematical and other signs."""


def paper_for(unit: LengthUnit) -> Paper:
    """Return the paper that goes with a unit: A4 (ISO 216) or US letter."""
    return "us-letter" if unit == "in" else "a4"


def pdf(template: str, data: Mapping[str, Any], *, standard: Standard = "ua-1") -> bytes:
    """Return a template of this package filled with data, as PDF.

    PDF/UA-1 (ISO 14289-1) can be read aloud; PDF/A-2a (ISO 19005-2) is the same for archives, and
    asks for a date.
    """
    import typst

    source = _template("page.typ") + _template(template)
    text = kept_together(json.dumps(data, ensure_ascii=False))
    foreign = _foreign(text)

    def made(kept: Standard | None) -> bytes:
        document: bytes = typst.compile(
            source,
            format="pdf",
            pdf_standards=kept,
            sys_inputs={"data": text},
            ignore_system_fonts=not foreign,
        )
        return document

    try:
        return made(standard)
    except typst.TypstError:
        if not foreign:
            raise
        return made(None)  # the standards refuse a page with a sign that no font here can show


def _template(name: str) -> bytes:
    content = pkgutil.get_data(__name__, f"templates/{name}")
    assert content is not None, name  # noqa: S101 (a package without its own file is broken)
    return content


def svg_to_png(svg: str, width_px: int) -> bytes:
    """Return a drawing as a PNG picture on white ground.

    Parameters
    ----------
    svg
        SVG text with a size or a view box.
    width_px
        Width of the picture [px], 16 to 10 000.

    Raises
    ------
    RequestError
        The width is out of range, or the text is no SVG drawing.
    """
    import typst

    if not 16 <= width_px <= 10_000:
        raise RequestError(
            "A picture {width} px wide is not possible: ask for 16 to 10000 px.", width=width_px
        )
    source = (
        f"#set page(width: {int(width_px)}pt, height: auto, margin: 0pt, fill: white)\n"
        '#image(bytes(sys.inputs.svg), format: "svg", width: 100%)'
    )
    try:
        made: bytes = typst.compile(
            source.encode(),
            format="png",
            ppi=72.0,
            sys_inputs={"svg": svg},
            ignore_system_fonts=not _foreign(svg),
        )
    except typst.TypstError as error:
        text = "The drawing cannot be made into a picture ({reason})."
        raise RequestError(text, reason=error.message) from None
    return made


def kept_together(text: str) -> str:
    """Return text in which no line ends between a number and its unit or what it numbers."""
    return _NUMBERED.sub(_NO_BREAK, _WITH_UNIT.sub(_NO_BREAK, text))


def breakable(text: str) -> str:
    """Return text in which words too long for a line may break."""
    return " ".join(
        word
        if len(word) <= _LONGEST_WORD
        else _SPACE_TO_BREAK.join(
            word[start : start + _BREAK_EVERY] for start in range(0, len(word), _BREAK_EVERY)
        )
        for word in text.split(" ")
    )


def _foreign(text: str) -> bool:
    """Say whether text needs fonts beyond those inside."""
    if text.isascii():
        return False
    return any(
        ord(c) >= _FIRST_FOREIGN and not any(low <= ord(c) <= high for low, high in _ALSO_AT_HOME)
        for c in set(text)
    )
