"""A page: one content in words, set by a template for paper (Typst) and one for screen (Jinja)."""

from __future__ import annotations

import pkgutil
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date as calendar_date
from functools import cache
from typing import Any, Literal

from jinja2 import Environment, PackageLoader, StrictUndefined

from evenfall.pages.drawings import for_paper, for_screen, job_text, square_code
from evenfall.pages.typesetting import Paper, breakable, kept_together, pdf
from evenfall.pictures.inks import DARK, LIGHT, PRINT, Theme

_FROM_OUTSIDE = ("serial", "model", "place", "issuer")
"""What may hold words too long for a line of paper."""


@dataclass(frozen=True, slots=True)
class Page:
    """One page: what it says, in words, the same on paper and on screen.

    Parameters
    ----------
    layout
        Which templates set it.
    content
        What it says, as plain values: of every page `name`, `serial`, `model`, `facts`, its own
        `code`, the plan's (or, by `job_kind`, the dossier's) as `job`, and what its own templates
        show.
    paper
        "a4" or "us-letter".
    """

    layout: Literal["bench_sheet", "certificate", "dossier", "report"]
    content: Mapping[str, Any]
    paper: Paper

    def html(self, pictures: Mapping[str, str] | None = None) -> str:
        """Return the page as one HTML file that needs nothing else.

        Parameters
        ----------
        pictures
            SVG drawings by name, which stands over a drawing without a title of its own; drawn in
            `evenfall.pictures.inks.PAGE` they follow the page from light to dark.

        Raises
        ------
        RequestError
            A picture is not an SVG drawing that may stand on a page.
        """
        return (
            _templates()
            .get_template(f"{self.layout}.html")
            .render(
                self.content,
                paper=self.paper,
                invented=self.invented,
                code_picture=self._square_code,
                pictures=list(for_screen(pictures or {})),
            )
        )

    def pdf(self, pictures: Mapping[str, str] | None = None) -> bytes:
        """Return the page as PDF; with a `date` such as 2026-03-31 it is PDF/A-2a, for archives.

        Parameters
        ----------
        pictures
            SVG drawings by name, drawn in `evenfall.pictures.inks.PRINT`.

        Raises
        ------
        RequestError
            A picture is not an SVG drawing that may stand on a page.
        """
        day = _day(self.content.get("date", ""))
        broken = {key: breakable(self.content.get(key, "")) for key in _FROM_OUTSIDE}
        data = {
            **self.content,
            **broken,
            "paper": self.paper,
            "invented": self.invented,
            "day": day,
            "code_picture": self._square_code,
            "code_text": self._code_text,
            "pictures": for_paper(pictures or {}),
        }
        return pdf(f"{self.layout}.typ", data, standard="a-2a" if day else "ua-1")

    def file(self, kind: str, pictures: Mapping[str, str] | None = None) -> bytes:
        """Return the page as "pdf" or "html".

        Parameters
        ----------
        kind
            Which of the two.
        pictures
            As `html` or `pdf` takes them.
        """
        return self.pdf(pictures) if kind == "pdf" else self.html(pictures).encode()

    @property
    def invented(self) -> bool:
        """Whether the instrument is an invented one, as its serial number or model says."""
        return "invented" in f"{self.content['serial']} {self.content['model']}".lower()

    @property
    def _code_text(self) -> str:
        return job_text(self.content["job"], self.content.get("job_kind", "plan"))

    @property
    def _square_code(self) -> str:
        return square_code(self._code_text, label=self._code_text)


@cache
def _templates() -> Environment:
    """Return the templates for the screen: every text is escaped, a missing one is an error."""
    made = Environment(
        loader=PackageLoader(__package__),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=lambda one: kept_together(one) if type(one) is str else one,
    )
    style = pkgutil.get_data(__package__, "templates/page.css")
    assert style is not None  # noqa: S101 (a package without its own file is broken)
    made.globals |= {
        "style": style.decode(),
        "themes": {theme: _tokens(inks) for theme, inks in _THEMES.items()},
    }
    return made


_THEMES = {
    "all": LIGHT,
    "screen and (prefers-color-scheme: dark)": DARK,
    "print": PRINT,
}


def _tokens(theme: Theme) -> str:
    """Return a theme as properties of CSS."""
    return " ".join(f"--{name[1:]}: {colour};" for name, colour in theme.items())


def _day(text: str) -> list[int] | None:
    """Return year, month and day of a date as ISO 8601 writes it, or None."""
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
        return None
    try:
        day = calendar_date.fromisoformat(text)
    except ValueError:
        return None
    return [day.year, day.month, day.day]
