"""The application: its pages in one place, its errors in one shape."""

from __future__ import annotations

import errno
import logging
from functools import cache
from typing import TYPE_CHECKING

from fastapi import Depends, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect

from evenfall.errors import BrokenFileError, ChangedError, EvenfallError, RequestError
from evenfall.pictures.inks import DARK, LIGHT, PRINT, Theme
from evenfall.web import (
    api,
    archive,
    causes,
    charts,
    gauges,
    health,
    instruments,
    judging,
    looking,
    lots,
    machining,
    measuring,
    people,
    planning,
    proving,
    settings,
    specifying,
    studies,
    together,
    trusting,
    under_way,
    uploads,
)
from evenfall.web.access import Access, Door, NotAllowedError, allowed, turned_away
from evenfall.web.answering import ROOT, misfit, no_such
from evenfall.web.guard import Guard
from evenfall.web.place import Place
from evenfall.web.rights import SAFE
from evenfall.web.shop import Shop
from evenfall.web.view import problem
from evenfall.web.words import FAULT

if TYPE_CHECKING:
    from evenfall.workshop.archives import Dossiers

LOG = logging.getLogger("evenfall.web")
ROUTERS = (
    *api.ROUTERS,
    archive.router,
    causes.router,
    charts.router,
    gauges.router,
    health.router,
    instruments.router,
    judging.router,
    looking.router,
    lots.router,
    machining.router,
    measuring.router,
    people.router,
    planning.router,
    proving.router,
    settings.router,
    specifying.router,
    studies.router,
    together.router,
    trusting.router,
    under_way.router,
    uploads.router,
)
"""Everything that is answered, by its part."""


def application(dossiers: Dossiers, *, port: int, place: Place | None = None) -> FastAPI:
    """Return the application over an archive, for a browser that calls it at a place.

    Without one that is this machine by a port; `port` is always let in from this machine itself.
    """
    place = place or Place()
    app = FastAPI(
        title="evenfall",
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        dependencies=[Depends(allowed)],
    )
    app.state.shop = Shop(dossiers)
    app.state.place = place
    app.state.door = Door(dossiers.archive, always=place.accounts, secure=place.secure)
    for router in ROUTERS:
        app.include_router(router)
    app.get("/static/inks.css")(_inks)
    app.mount("/static", StaticFiles(packages=[(__package__, "static")]))
    for kind in _ANSWERED:
        app.add_exception_handler(kind, _answer)
    app.add_middleware(Access, door=app.state.door)
    here = [f"{name}:{port}" for name in ("127.0.0.1", "localhost")]
    app.add_middleware(Guard, hosts=[*here, *place.hosts], secure=place.secure)
    return app


_ANSWERED = (
    *(EvenfallError, RequestValidationError, HTTPException, UnicodeEncodeError, OSError),
    *(ClientDisconnect, Exception),
)
"""Errors that are answered; the last one for all others."""


_FULL = "No room is left on the disk of these pages. Make room there, then send this again."


async def _answer(request: Request, error: Exception) -> Response:
    """Return what is answered where something came in the way."""
    if isinstance(error, ChangedError):
        return await together.both(request, error)
    if isinstance(error, NotAllowedError):
        return turned_away(request, error)
    if isinstance(error, HTTPException):
        return _refused(request, error.status_code)
    if isinstance(error, ClientDisconnect):  # before all of it was sent: nobody reads this
        return Response(status_code=400)
    return problem(request, *_said(request, error))


def _said(request: Request, error: Exception) -> tuple[EvenfallError, int]:
    """Return what is said of an error, and with which status."""
    status = 422
    match error:
        case BrokenFileError() if request.method in SAFE:  # nothing was sent: it lies here
            told = {"path": request.url.path, "reason": str(error)}
            LOG.error("damaged", extra={"told": told})
            return error, 500
        case EvenfallError():
            return error, getattr(error, "status", status)
        case RequestValidationError() if request.url.path.startswith(ROOT):
            return misfit(error), status
        case RequestValidationError():
            text = "What was sent is not what this page takes; load the page again and repeat it."
        case UnicodeEncodeError(reason="surrogates not allowed"):
            # half a character, which JSON can carry and no text can hold
            text = "A character is damaged; type that text again."
        case OSError(errno=errno.ENOSPC | errno.EDQUOT):  # no fault of the program
            text = _FULL
            status = 507
        case _:
            LOG.error("fault", exc_info=error, extra={"told": {"path": request.url.path}})
            status, text = 500, FAULT
    return RequestError(text), status


def _refused(request: Request, status: int) -> Response:
    """Answer where nothing is at an address, or it takes no such method."""
    if request.url.path.startswith(ROOT):
        answer = problem(request, no_such(status), status)
        if status == 405:
            answer.headers["allow"] = ", ".join(api.methods_at(request.url.path))
        return answer
    text = "There is no such page; begin with the instruments."
    if status != 404:
        text = "This page does not take that; load it again and repeat what you did."
    return problem(request, RequestError(text), status)


@cache
def _style() -> str:
    """Return the inks of every picture as properties of CSS, for screen and paper."""

    def root(theme: Theme, chosen: str = "") -> str:
        inks = "".join(f"--{name[1:]}:{ink};" for name, ink in theme.items())
        return f":root{chosen}{{{inks}}}"

    return (
        f"{root(LIGHT)}@media (prefers-color-scheme:dark){{{root(DARK)}}}"
        f"{root(LIGHT, '[data-theme=light]')}{root(DARK, '[data-theme=dark]')}"
        f"{root(PRINT, '[data-theme=print]')}"
        f"@media print{{{root(PRINT)}{root(PRINT, '[data-theme]')}}}"
    )


async def _inks() -> Response:
    return Response(_style(), media_type="text/css")
