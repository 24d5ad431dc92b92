"""HTML put together from escaped text: one file that needs nothing else.

Every text goes through `html.escape`; only what is made here, and drawings that have been
checked, stand in a page as they are.
"""

from __future__ import annotations

import pkgutil
from html import escape
from string import Template
from typing import TYPE_CHECKING

from evenfall.pages.typesetting import kept_together

if TYPE_CHECKING:
    from collections.abc import Iterable


class Markup(str):
    """Text that is already HTML."""

    __slots__ = ()


def element(
    tag: str, *content: str | Markup | None, void: bool = False, **attributes: str | int | None
) -> Markup:
    """Return one HTML element; content that is not `Markup` is escaped, None is left out.

    A trailing underscore of an attribute's name is dropped, others become hyphens.
    """
    told = "".join(
        f' {name.rstrip("_").replace("_", "-")}="{escape(str(value), quote=True)}"'
        for name, value in attributes.items()
        if value is not None
    )
    if void:
        return Markup(f"<{tag}{told}>")
    return Markup(f"<{tag}{told}>{joined(content)}</{tag}>")


def joined(parts: Iterable[str | Markup | None], between: str = "") -> Markup:
    """Return parts, `between` them HTML; what is not `Markup` is escaped, None is left out."""
    return Markup(
        between.join(
            part if isinstance(part, Markup) else escape(kept_together(part), quote=False)
            for part in parts
            if part is not None
        )
    )


def wide(table: Markup, *, label: str) -> Markup:
    """Return a table that scrolls by itself where the screen is narrower, by keyboard too."""
    return element("div", table, class_="wide", tabindex=0, role="region", aria_label=label)


def page(title: str, body: Markup, *, paper: str) -> str:
    """Return a whole page, to be printed on "A4" or "letter"."""
    source = pkgutil.get_data(__name__, "page.html")
    style = pkgutil.get_data(__name__, "page.css")
    assert source is not None  # noqa: S101 (a package without its own file is broken)
    assert style is not None  # noqa: S101
    return Template(source.decode()).substitute(
        title=escape(title), style=style.decode().replace("PAPER", paper), body=body
    )


def css_paper(paper: str) -> str:
    """Return the CSS name of a paper."""
    return "letter" if paper == "us-letter" else "A4"
