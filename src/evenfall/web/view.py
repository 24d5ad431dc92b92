"""How one answer is shown: its unit and hand, its templates, its errors."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from functools import cache
from html import escape
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote

from fastapi import Request
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from evenfall.errors import EvenfallError, Finding
from evenfall.instrument import Specification
from evenfall.units import LengthUnit, in_unit
from evenfall.web.rights import ROLE_RIGHTS, SAFE, Right, who_of
from evenfall.web.words import WORDS
from evenfall.wording import Sentence, plain_line, say, sentence
from evenfall.workshop.archive_requests import SHOWN_AS

if TYPE_CHECKING:
    from evenfall.web.shop import Shop
    from evenfall.workshop.story import Story

CHOICES: Mapping[str, tuple[str, ...]] = {
    "unit": ("mm", "in"),
    "hand": ("left", "right"),
    "room": ("close",),
    "theme": ("light", "dark", "print"),
}
"""Cookies that hold a person's choices, and what each may be."""
PERSON = "person"
"""Cookie with the name of whoever works at this bench."""
_FORM = re.compile(r'(<form\b[^>]*\bmethod="post"[^>]*>)')


class View:
    """What a person wants to see of an instrument, and in which unit."""

    def __init__(self, request: Request, specification: Specification | None = None) -> None:
        own = specification.unit if specification else "mm"
        chosen = {
            name: request.cookies.get(name, "")
            for name, allowed in CHOICES.items()
            if request.cookies.get(name) in allowed
        }
        self.unit: LengthUnit = "in" if chosen.get("unit", own) == "in" else "mm"
        hand = specification.handed if specification else "right"
        self.left = chosen.get("hand", hand) == "left"
        self.room, self.theme = chosen.get("room", ""), chosen.get("theme", "")
        self.who = who_of(request)
        self.person = self.who.person(plain_line(unquote(request.cookies.get(PERSON, "")))[:100])
        self.path = request.url.path
        self.back = here(request) if request.method in SAFE else ""

    def not_yours(self, what: str, right: Right) -> str:
        """Return what stands in place of a form that another role may send."""
        roles = tuple(role for role, rights in ROLE_RIGHTS.items() if right in rights)
        return self.say(sentence("{what} is left to the role {roles:or}.", what=what, roles=roles))

    def say(self, said: Sentence | str) -> str:
        """Return a sentence in this unit and in the words of the pages."""
        return say(said, self.unit, WORDS)

    def told(self, finding: Finding) -> str:
        """Return a finding as a sentence."""
        return self.say(finding.said)

    def wrong(self, error: EvenfallError) -> str:
        """Return an error in words, each finding on a line of its own."""
        return error.words(self.unit, WORDS)

    def length(self, length_mm: float) -> str:
        """Return a length with its unit."""
        return self.say(sentence("{length:length}", length=length_mm))

    def figure(self, length_mm: float) -> str:
        """Return a length without its unit."""
        return self.say(sentence("{length:figure}", length=length_mm))

    def number(self, length_mm: float) -> float:
        """Return a length as a number in this unit."""
        return round(in_unit(length_mm, self.unit), 5)


def local(at: str) -> str:
    """Return a time by the clock of this machine, to the minute; a day as it is."""
    if len(at) <= len("2026-05-04"):
        return at
    return f"{datetime.fromisoformat(at).astimezone():%Y-%m-%d %H:%M}"


def shop_of(request: Request) -> Shop:
    """Return what the pages keep."""
    kept: Shop = request.app.state.shop
    return kept


def opened(request: Request, name: str) -> tuple[Shop, Story]:
    """Return what the pages keep, and where the job on an instrument stands."""
    shop = shop_of(request)
    return shop, shop.story(name)


def here(request: Request) -> str:
    """Return the address of the page that is asked for, for a form that leads back to it."""
    return f"{quote(request.url.path)}?{request.url.query}".removesuffix("?")


def kept(content: bytes, name: str, kind: str = "application/octet-stream") -> Response:
    """Return a file that a browser keeps under a name."""
    headers = {"content-disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type=kind, headers=headers)


def wants_page(request: Request) -> bool:
    """Say whether a person asks, by a browser, and no script."""
    return "text/html" in request.headers.get("accept", "")


def inside(back: str) -> str:
    """Return an address of these pages to lead back to; the first page for anything else."""
    sound = re.fullmatch(r"/(?![/\\])[^\x00-\x20\\]*", back) is not None
    return back if sound and back.isprintable() else "/"


def see_other(place: str) -> RedirectResponse:
    """Return an answer that leads to another page."""
    return RedirectResponse(place, 303)


def page(
    request: Request,
    name: str,
    view: View | None = None,
    status: int = 200,
    /,
    **content: Any,
) -> HTMLResponse:
    """Return a page, or a part of one, set by its template."""
    view = view or View(request)
    text = str(part(name, view=view, **content))
    if content.get("version"):
        # what a form files is refused where somebody else filed since the page was made
        text = _with_hidden(text, "seen", str(content["version"]))
    if view.who.mark:
        # in each form of the page, so that none can be forgotten; text from outside is escaped
        text = _with_hidden(text, "csrf", view.who.mark)
    return HTMLResponse(text, status)


def part(name: str, /, **content: Any) -> Markup:
    """Return a part of a page, set by its template, for another template to hold."""
    return Markup(_templates().get_template(name).render(**content))  # noqa: S704 (escaped there)


def _with_hidden(text: str, name: str, value: str) -> str:
    """Return a page whose every form that files carries one field more."""
    field = f'<input type="hidden" name="{name}" value="{escape(value)}">'
    return _FORM.sub(lambda form: form[1] + field, text)


_FIELDS = {option: field for field, option in SHOWN_AS.items()}


def problem(request: Request, error: EvenfallError, status: int = 422) -> Response:
    """Return an error in its one shape: a page for a person, JSON for a script."""
    view = View(request)
    if request.url.path.startswith("/api/"):
        if field := _FIELDS.get(error.at.field):
            error.at = replace(error.at, field=field)
        return JSONResponse({"error": error.as_dict()}, status)
    if wants_page(request):
        lines = view.wrong(error).splitlines()
        return page(request, "problem.html", view, status, lines=lines)
    return JSONResponse({"error": error.as_dict(view.unit, WORDS)}, status)


@cache
def _templates() -> Environment:
    """Return the templates: every text is escaped, a missing one is an error."""
    made = Environment(
        loader=PackageLoader(__package__),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["local"] = local
    return made
