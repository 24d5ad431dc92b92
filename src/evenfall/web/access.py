"""Who asks, and whether they may: what acts on the table in `web.rights`.

Before anything of a body is read, `Access` finds out who asks: by the log-in in a cookie, by the
token that a program shows, or nobody where a lone bench goes without accounts. `allowed` then holds
the right that the route needs against those that they have, and asks a form for the mark that these
pages alone know (CSRF).
"""

from __future__ import annotations

import hmac
import time
from collections.abc import Callable, Collection, Mapping
from contextlib import suppress
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from fastapi import Request
from fastapi.concurrency import run_in_threadpool
from starlette.routing import compile_path

from evenfall.errors import EvenfallError, RequestError
from evenfall.records import Archive, audit
from evenfall.records.accounts import Accounts
from evenfall.web.rights import (
    FILING,
    LONE,
    NEEDS,
    NOBODY,
    ROLE_RIGHTS,
    SAFE,
    SCOPES,
    Right,
    Who,
    who_of,
)
from evenfall.web.view import here, problem, see_other, wants_page

if TYPE_CHECKING:
    from fastapi.responses import Response
    from starlette.types import ASGIApp, Message, Receive, Scope, Send


_OPEN = tuple(
    (method, compile_path(path)[0])
    for method, path in (route.split() for route, right in NEEDS.items() if right == "anyone")
)


_SEEN_S = 2.0
"""How long nobody looks again whether there are accounts."""
_HELD_S = 2.0
"""How long what is sent or received goes on before it is looked again who asks."""


class NotAllowedError(RequestError):
    """Who asks is not known, or may not do this; `status` is that of the answer."""

    def __init__(self, text: str, status: int) -> None:
        super().__init__(text)
        self.status = status


class Door:
    """What the application knows of who may come in.

    With `always` nobody does without an account, even where there is none yet; where it is
    `secure`, a browser sends the cookie over TLS alone.
    """

    def __init__(self, archive: Archive, *, always: bool, secure: bool) -> None:
        self.archive = archive
        self.accounts = Accounts(archive)
        self.cookie = "__Host-evenfall" if secure else "evenfall-log-in"
        self.secure = secure
        self.always = always
        self._looked_s = -1e9

    def shut(self) -> bool:
        """Say whether one needs an account; looked up again every other second until so."""
        if not self.always and not self.just_seen_open:
            self.always = self.accounts.exist()
            self._looked_s = time.monotonic()
        return self.always

    @property
    def just_seen_open(self) -> bool:
        """Whether there was no account a moment ago."""
        return not self.always and time.monotonic() - self._looked_s <= _SEEN_S

    def look_again(self) -> None:
        """Look again whether there are accounts, at the next request."""
        self._looked_s = -1e9

    def who(self, cookie: str, authorization: str, *, seen: bool = True) -> Who:
        """Return who asks with a cookie or a token; `seen` as in `Accounts.logged_in`."""
        if not self.shut():
            return LONE
        if authorization:
            kind, _, secret = authorization.partition(" ")
            bearer = kind.lower() == "bearer"
            found = self.accounts.shown(secret.strip(), seen=seen) if bearer else None
            if found is None:
                return NOBODY
            account, token = found
            rights = ROLE_RIGHTS[account.role] & set(token.scopes)
            return Who(
                account.id, account.name, account.role, rights, account.partner, token=token.id
            )
        one = self.accounts.logged_in(cookie, seen=seen) if cookie else None
        if one is None:
            return NOBODY
        return Who(one.id, one.name, one.role, ROLE_RIGHTS[one.role], one.partner, key=cookie)

    def note(self, request: Request, what: audit.What, about: str = "", account: str = "") -> None:
        """Add a line to the audit log of what this request did, in place of that it filed."""
        who = who_of(request)
        audit.note(
            self.archive,
            what,
            about=about,
            account=account or who.account,
            token=who.token,
            address=address_of(request),
        )
        request.state.noted = True


def door_of(request: Request) -> Door:
    """Return what the application knows of who may come in."""
    door: Door = request.app.state.door
    return door


def address_of(request: Request) -> str:
    """Return from which address of the network somebody asks."""
    return request.client.host if request.client else ""


def require(request: Request, right: Right) -> None:
    """Refuse who has not a right, where it depends on more than the route."""
    if not who_of(request).may(right):
        raise _refusal(who_of(request), right)


async def allowed(request: Request) -> None:
    """Refuse who may not ask for a route, and a form that these pages did not make."""
    path = getattr(request.scope.get("route"), "path", "")
    right = NEEDS.get(f"{request.method} {path}")
    who = who_of(request)
    if right is None or not who.may(right):
        raise _refusal(who, right)
    request.state.right = right
    if who.key and request.method not in SAFE and right != "anyone":
        given = request.headers.get("x-csrf", "") or await _field(request)
        if not hmac.compare_digest(given.encode(), who.mark.encode()):
            text = "This form is not of this log-in; load the page again and repeat it."
            raise NotAllowedError(text, 403)


async def _field(request: Request) -> str:
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind not in ("application/x-www-form-urlencoded", "multipart/form-data"):
        return ""
    given = (await request.form()).get("csrf", "")
    return given if isinstance(given, str) else ""


def _refusal(who: Who, right: Right | None = None) -> NotAllowedError:
    """Return why somebody is turned away, and who or what would be let in."""
    if not who.account:
        return NotAllowedError("Nobody is logged in here; log in, then ask again.", 401)
    text = "Your role may not do this; ask somebody who may."
    if who.token and (right is None or right in (ROLE_RIGHTS[who.role] if who.role else ())):
        text = "The token that was shown may not do this; make one with the scope it needs."
        if right is not None and right not in SCOPES:
            text = "No token may do this; log in and do it yourself."
    return NotAllowedError(text, 403)


class Access:
    """Finds out who asks, turns away who is not known, and notes what was filed."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self._app, self._door = app, door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request; see the ASGI specification."""
        if scope["type"] != "http" or _for_everybody(scope["method"], scope["path"]):
            await self._app(scope, receive, send)
            return
        state = scope.setdefault("state", {})
        request = Request(scope)
        cookie = request.cookies.get(self._door.cookie, "")
        authorization = request.headers.get("authorization", "")
        if self._door.just_seen_open:
            who = LONE  # known without asking the archive, and so without waiting for a thread
        else:
            who = await run_in_threadpool(self._door.who, cookie, authorization)
        state["who"] = who
        if not who.rights and not _open(scope["method"], scope["path"]):
            await turned_away(request, _refusal(who))(scope, receive, send)
            return
        same = _Same(who, lambda: self._door.who(cookie, authorization, seen=False))
        given: set[bytes] | None = None  # names of the headers of the answer, once it began

        async def receiving() -> Message:
            message = await receive()
            if message["type"] == "http.request":
                await same.check()
            return message

        async def sending(message: Message) -> None:
            nonlocal given
            if request.method in SAFE or (same.less and given is None):
                await same.check()
            if message["type"] == "http.response.start":
                given = {name.lower() for name, _ in message["headers"]}
                if who.account:
                    await self._note(request, state, int(message["status"]))
            await send(message)

        try:
            await self._app(scope, receiving, sending)
        except _NoLongerError:
            if given is None:
                await turned_away(request, _refusal(same.now))(scope, receive, send)
            elif b"content-length" not in given:  # a file ends short of its length, and is seen to
                await send({"type": "http.response.body", "body": b""})

    async def _note(self, request: Request, state: Mapping[str, Any], status: int) -> None:
        """Note what was filed, and what was refused."""
        filed = request.method not in SAFE and state.get("right") in FILING and status < 400
        if filed and not state.get("noted"):
            about = f"{request.method} {request.url.path}"
            await run_in_threadpool(self._door.note, request, "filed", about)
        elif status == 403:
            about = f"{request.method} {request.url.path}"
            await run_in_threadpool(self._door.note, request, "refused", about)


class _NoLongerError(Exception):
    """Who began to send or to receive is no longer who they were, or may do less."""


class _Same:
    """Looks now and then whether who asks still has the log-in and the rights of before."""

    def __init__(self, who: Who, look: Callable[[], Who]) -> None:
        self.now, self._who, self._look = who, who, look
        self._looked_s = time.monotonic()

    async def check(self) -> None:
        """Raise `_NoLongerError` where something was taken from them.

        Where the archive cannot be asked just now, that is not known: it is asked again soon.
        """
        if not self.less and time.monotonic() - self._looked_s >= _HELD_S:
            with suppress(EvenfallError):
                self.now = await run_in_threadpool(self._look)
            self._looked_s = time.monotonic()
        if self.less:
            raise _NoLongerError

    @property
    def less(self) -> bool:
        """Whether they are no longer known by what they showed, or may do less than before."""
        (now, rights), (then, had) = (
            ((one.account, one.token, one.key, one.partner), one.rights)
            for one in (self.now, self._who)
        )
        return now != then or not rights >= had


def _for_everybody(method: str, path: str) -> bool:
    """Say whether it is a style, script or font, the same whoever asks."""
    return path.startswith("/static/") and method in SAFE


def _open(method: str, path: str) -> bool:
    """Say whether a path needs nobody logged in."""
    return any(method == one and pattern.fullmatch(path) for one, pattern in _OPEN)


def turned_away(request: Request, error: NotAllowedError) -> Response:
    """Return the answer to who may not ask: the way to log in, or the error in its one shape."""
    if error.status == 401 and wants_page(request) and request.method in SAFE:
        return see_other(f"/log-in?back={quote(here(request))}")
    answer = problem(request, error, error.status)
    if error.status == 401:
        answer.headers["www-authenticate"] = "Bearer"
    return answer


def scopes_within(rights: Collection[Right]) -> dict[Right, str]:
    """Return the scopes that somebody with some rights can give to a token."""
    return {right: said for right, said in SCOPES.items() if right in rights}
