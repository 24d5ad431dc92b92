"""What a person wants at this bench: unit, hand, name, room and colours, kept in their browser."""

from __future__ import annotations

from collections.abc import Mapping
from importlib.metadata import version
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import Form, Request
from fastapi.responses import Response

from evenfall.web.part import Part
from evenfall.web.view import CHOICES, PERSON, inside, page, see_other, shop_of
from evenfall.wording import plain_line

router = Part()
_YEAR_S = 31_536_000
_LONGEST_NAME = 100


@router.get("/settings")
def settings(request: Request, kept: bool = False) -> Response:
    """Show what is chosen, where the archive is, and which program this is."""
    return page(
        request,
        "settings.html",
        kept=kept,
        archive=str(shop_of(request).dossiers.archive.address),
        version=version("evenfall"),
        chosen={name: request.cookies.get(name, "") for name in CHOICES},
    )


@router.post("/settings")
def keep_settings(
    *,
    person: Annotated[str, Form()] = "",
    unit: Annotated[str, Form()] = "",
    hand: Annotated[str, Form()] = "",
    room: Annotated[str, Form()] = "",
    theme: Annotated[str, Form()] = "",
) -> Response:
    """Keep all choices; an empty one goes back to what holds without it."""
    answer = see_other("/settings?kept=1")
    _keep(answer, {"unit": unit, "hand": hand, "room": room, "theme": theme}, forget=True)
    _set(answer, PERSON, quote(plain_line(person)[:_LONGEST_NAME]))
    return answer


@router.post("/view")
def choose_view(
    unit: Annotated[str, Form()] = "",
    hand: Annotated[str, Form()] = "",
    back: Annotated[str, Form()] = "/",
) -> Response:
    """Keep which unit and hand a person wants, and lead back."""
    answer = see_other(inside(back))
    _keep(answer, {"unit": unit, "hand": hand}, forget=False)
    return answer


def _keep(answer: Response, given: Mapping[str, str], *, forget: bool) -> None:
    """Keep what is one of the choices; with `forget`, let go of what is none."""
    for name, value in given.items():
        if value in CHOICES[name] or forget:
            _set(answer, name, value if value in CHOICES[name] else "")


def _set(answer: Response, name: str, value: str) -> None:
    kept: dict[str, Any] = {"httponly": True, "samesite": "strict"}
    if value:
        answer.set_cookie(name, value, max_age=_YEAR_S, **kept)
    else:
        answer.delete_cookie(name, **kept)
