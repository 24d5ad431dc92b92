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

from evenfall.errors import ChangedError, EvenfallError, RequestError
from evenfall.pictures.inks import DARK, LIGHT, PRINT, Theme
from evenfall.web import (
    api,
    api_judging,
    api_lots,
    api_papers,
    api_quality,
    archive,
    benching,
    causes,
    charts,
    gauges,
    health,
    instruments,
    judging,
    labels,
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
from evenfall.web.answering import ROOT, misfit, no_such, status_of
from evenfall.web.guard import Guard, TooLargeError
from evenfall.web.place import Place
from evenfall.web.shop import Shop
from evenfall.web.view import problem
from evenfall.web.words import FAULT

if TYPE_CHECKING:
    from evenfall.workshop.archives import Dossiers

LOG = logging.getLogger("evenfall.web")
PARTS = (
    api,
    api_judging,
    api_lots,
    api_papers,
    api_quality,
    archive,
    benching,
    causes,
    charts,
    gauges,
    health,
    instruments,
    judging,
    labels,
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
"""Modules with pages."""


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
    for part in PARTS:
        app.include_router(part.router)
    app.get("/static/inks.css")(_inks)
    app.mount("/static", StaticFiles(packages=[(__package__, "static")]))
    app.add_exception_handler(EvenfallError, _expected)
    app.add_exception_handler(RequestValidationError, _malformed)
    app.add_exception_handler(HTTPException, _refused)
    app.add_exception_handler(UnicodeEncodeError, _unwritable)
    app.add_exception_handler(OSError, _full)
    app.add_exception_handler(ClientDisconnect, _gone)
    app.add_exception_handler(Exception, _unexpected)
    app.add_exception_handler(NotAllowedError, _turned_away)
    app.add_middleware(Access, door=app.state.door)
    here = [f"{name}:{port}" for name in ("127.0.0.1", "localhost")]
    app.add_middleware(Guard, hosts=[*here, *place.hosts], secure=place.secure)
    return app


async def _expected(request: Request, error: Exception) -> Response:
    assert isinstance(error, EvenfallError)  # noqa: S101 (it is registered for it)
    if isinstance(error, TooLargeError):
        return problem(request, error, 413)
    if isinstance(error, ChangedError):
        return await together.both(request, error)
    return problem(request, error, status_of(error))


async def _turned_away(request: Request, error: Exception) -> Response:
    assert isinstance(error, NotAllowedError)  # noqa: S101 (it is registered for it)
    return turned_away(request, error)


async def _malformed(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)  # noqa: S101 (it is registered for it)
    if request.url.path.startswith(ROOT):
        return problem(request, misfit(error))
    text = "What was sent is not what this page takes; load the page again and repeat it."
    return problem(request, RequestError(text))


async def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)  # noqa: S101 (it is registered for it)
    if request.url.path.startswith(ROOT):
        answer = problem(request, no_such(error.status_code), error.status_code)
        if error.status_code == 405:
            answer.headers["allow"] = ", ".join(api.methods_at(request.url.path))
        return answer
    text = "There is no such page; begin with the instruments."
    if error.status_code != 404:
        text = "This page does not take that; load it again and repeat what you did."
    return problem(request, RequestError(text), error.status_code)


async def _unwritable(request: Request, error: Exception) -> Response:
    """Refuse half a character, which JSON can carry and no text can hold."""
    assert isinstance(error, UnicodeEncodeError)  # noqa: S101 (it is registered for it)
    if error.reason != "surrogates not allowed":
        return await _unexpected(request, error)
    return problem(request, RequestError("A character is damaged; type that text again."))


async def _full(request: Request, error: Exception) -> Response:
    """Say that the disk is full, which is no fault of the program nor of who asked."""
    assert isinstance(error, OSError)  # noqa: S101 (it is registered for it)
    if error.errno not in (errno.ENOSPC, errno.EDQUOT):
        return await _unexpected(request, error)
    text = "No room is left on the disk of these pages. Make room there, then send this again."
    return problem(request, RequestError(text), 507)


async def _gone(_request: Request, _error: Exception) -> Response:
    """End what somebody left before all of it was sent: nothing was done, and nobody reads this."""
    return Response(status_code=400)


async def _unexpected(request: Request, error: Exception) -> Response:
    LOG.error("fault", exc_info=error, extra={"told": {"path": request.url.path}})
    return problem(request, RequestError(FAULT), 500)


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
