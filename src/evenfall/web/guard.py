"""What stands before every page: who asks, how much comes in, and what the browser may do.

A page of another site must neither read these pages (by a name that it points at this machine: the
host is checked) nor send to them (the origin is checked). Who asks is told by `web.access`.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections import Counter
from collections.abc import Collection
from contextlib import suppress
from importlib.metadata import version
from typing import TYPE_CHECKING

from fastapi import Request

from evenfall.errors import At, RequestError
from evenfall.web.answering import ROOT
from evenfall.web.rights import SAFE
from evenfall.web.view import problem
from evenfall.workshop.calls import VERSION_HEADER

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

LOG = logging.getLogger("evenfall.web")
FORM_LIMIT_BYTES = 2_000_000
UPLOAD_LIMIT_BYTES = 400_000_000
PIECE_LIMIT_BYTES = 8_000_000
_DRAINED_S = 30.0
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "font-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'"
)
DOCUMENT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'; sandbox"
)
"""Of a sheet or certificate, which brings its style inside and has no script at all."""
_HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(self), geolocation=(), microphone=()",
}
_PLAIN = {"/health", "/ready"}
"""What a proxy asks for by itself, without TLS."""
_ONCE = (b"host", b"authorization", b"x-forwarded-for", b"x-forwarded-proto")
"""Headers of which one reader could take the first and another the last."""
_VERSION = version("evenfall")
_KEPT_S = 86_400
"""How long a browser keeps a font; everything else it asks for again."""
STRICT = "max-age=2592000"
"""For 30 days a browser that came by TLS comes by TLS alone."""


class TooLargeError(RequestError):
    """More was sent than the page takes."""

    status = 413


class Guard:
    """Refuses what does not come from these pages themselves, and logs what was asked."""

    def __init__(self, app: ASGIApp, hosts: Collection[str], *, secure: bool = False) -> None:
        self._app = app
        self._hosts = frozenset(hosts)
        self._secure = secure
        scheme = "https" if secure else "http"
        self._origins = frozenset(f"{scheme}://{host}" for host in hosts)
        self._headers = _HEADERS | ({"strict-transport-security": STRICT} if secure else {})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request; see the ASGI specification."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        begun = time.perf_counter()
        status = 500
        limit = _limit(scope["path"])
        body = _Body(receive, scope["path"], limit)

        async def sending(message: Message) -> None:
            nonlocal status
            if body.too_long and status != 413:
                status = 413  # instead of whatever the application makes of half a body
                await _refuse(scope, sending, 413, body.too_large())
            if body.too_long and message.get("from") != "guard":
                return
            if message["type"] == "http.response.start":
                status = message["status"]
                given = {name.lower() for name, _ in message["headers"]}
                added = self._added(scope["path"])
                own = ((name.encode(), value.encode()) for name, value in added.items())
                message["headers"] = [
                    *message["headers"],
                    *((name, value) for name, value in own if name not in given),
                ]
            await send(message)

        headers = {
            name.decode("latin-1"): text.decode("latin-1") for name, text in scope["headers"]
        }
        refused = self._refusal(scope, headers, limit)
        if refused is not None:
            await _drain(receive)
            await _refuse(scope, sending, *refused)
        else:
            await self._app(scope, body.receive, sending)
        took_ms = round(1000.0 * (time.perf_counter() - begun), 1)
        told = {"method": scope["method"], "path": scope["path"], "status": status, "ms": took_ms}
        LOG.info("request", extra={"told": told})

    def _added(self, path: str) -> dict[str, str]:
        """Return the headers of an answer, those aside that it brings itself."""
        kept = path.startswith("/static/fonts/")
        added = {**self._headers, "cache-control": f"max-age={_KEPT_S}" if kept else "no-cache"}
        return added | ({VERSION_HEADER: _VERSION} if path.startswith(ROOT) else {})

    def _refusal(
        self, scope: Scope, headers: dict[str, str], limit: int
    ) -> tuple[int, RequestError] | None:
        """Return status and reason where a request is not let in."""
        if (twice := _twice(scope, headers)) is not None:
            return 400, twice
        if headers.get("host", "") not in self._hosts:
            text = "These pages are served at {hosts:or} only; use that address."
            return 421, RequestError(text, hosts=tuple(sorted(self._hosts)))
        if self._secure and scope["scheme"] != "https" and scope["path"] not in _PLAIN:
            text = "These pages are served over TLS only; use an address that begins with https."
            return 403, RequestError(text)
        if scope["method"] not in SAFE:
            origin = headers.get("origin")
            site = headers.get("sec-fetch-site", "none")
            if (origin is not None and origin not in self._origins) or site not in (
                "same-origin",
                "none",
            ):
                return 403, RequestError("This was not sent by these pages; send it from them.")
        size = headers.get("content-length", "0")
        if not size.isdecimal() or int(size) > limit:
            return 413, _too_large(scope["path"], limit)
        return None


def _twice(scope: Scope, headers: dict[str, str]) -> RequestError | None:
    """Refuse what a proxy and these pages could read differently."""
    if "transfer-encoding" in headers and "content-length" in headers:
        # a proxy may see another end of it, and so another next request (RFC 9112, 6.3)
        return RequestError("This says twice how long it is; send one length.")
    count = Counter(name for name, _ in scope["headers"])
    if any(count[name] > 1 for name in _ONCE):
        return RequestError("A header that stands once came twice; send it once.")
    return None


def _too_large(path: str, limit: int) -> TooLargeError:
    """Return what is said where more is sent than may be; of parts, to programs alone."""
    text = "More than {limit:.0f} MB were sent at once, which is not taken; send less."
    if path.startswith(ROOT):
        text = (
            "More than {limit:.0f} MB were sent at once, which is not taken; send less, or a large "
            "file as an upload in parts."
        )
    return TooLargeError(text, at=At(), limit=limit / 1e6)


class _Body:
    """Receives a body, and stops where it is longer than it may be."""

    def __init__(self, receive: Receive, path: str, limit: int) -> None:
        self._receive, self._path, self._limit, self._count = receive, path, limit, 0

    @property
    def too_long(self) -> bool:
        """Whether more came than may."""
        return self._count > self._limit

    def too_large(self) -> TooLargeError:
        """Return what is said of it then."""
        return _too_large(self._path, self._limit)

    async def receive(self) -> Message:
        """Return the next part; see the ASGI specification."""
        message = await self._receive()
        self._count += len(message.get("body", b""))
        if self.too_long:
            raise self.too_large()
        return message


def _limit(path: str) -> int:
    """Return how much a page takes at once."""
    if path.endswith("/upload"):
        return UPLOAD_LIMIT_BYTES
    large = path.startswith(("/uploads/", "/api/"))
    return PIECE_LIMIT_BYTES if large else FORM_LIMIT_BYTES


async def _drain(receive: Receive) -> None:
    """Let what is sent come in and be forgotten: a browser shows an answer only after that."""
    with suppress(TimeoutError):
        async with asyncio.timeout(_DRAINED_S):
            while (message := await receive())["type"] == "http.request":
                if not message.get("more_body", False):
                    return


async def _refuse(scope: Scope, send: Send, status: int, error: RequestError) -> None:
    """Answer with one sentence, in the shape of every error."""

    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            message["headers"] = [*message["headers"], (b"connection", b"close")]
        await send({**message, "from": "guard"})

    await problem(Request(scope), error, status)(scope, _nothing, sending)


async def _nothing() -> Message:
    return {"type": "http.disconnect"}
