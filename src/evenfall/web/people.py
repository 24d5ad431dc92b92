"""Who may come in: the pages to log in and out, for people, tokens and the audit log."""

from __future__ import annotations

from typing import Annotated

from fastapi import Form, Query, Request
from fastapi.responses import Response

from evenfall.errors import RequestError
from evenfall.records import audit
from evenfall.records.accounts import (
    INVITED_DAYS,
    LOGIN_DAYS,
    LONGEST_PASSWORD,
    SHORTEST_PASSWORD,
    ThrottledError,
)
from evenfall.web.access import (
    Door,
    address_of,
    door_of,
    scopes_within,
)
from evenfall.web.part import Part
from evenfall.web.rights import SCOPES, who_of
from evenfall.web.view import View, inside, page, see_other

router = Part()
Text = Annotated[str, Form()]
_LINES = 100
_DAYS = (7, 30, 90, 366)
ROLE_SAID = {
    "bench": "bench: measures, reports work, checks gauges",
    "engineer": "engineer: as bench, and plans, specifies, writes machine programs",
    "manager": "manager: as engineer, and releases verdicts, looks after archive and people",
    "partner": "partner: sees the lots that are shared with the firm, and nothing else",
}
"""What each role does, as a page says it."""


@router.get("/log-in")
def log_in_page(request: Request, back: str = "/") -> Response:
    """Ask for name and password."""
    if who_of(request).account:
        return see_other(inside(back))
    if not door_of(request).shut():
        return see_other("/")
    return page(request, "log_in.html", back=inside(back), name="", refused="")


@router.post("/log-in")
def log_in(request: Request, name: Text = "", password: Text = "", back: Text = "/") -> Response:
    """Let somebody in by name and password; an earlier log-in of this browser ends."""
    door = door_of(request)
    try:
        account, key = door.accounts.log_in(name, password, address_of(request))
    except RequestError as error:
        door.note(request, "log-in refused")
        view = View(request)
        throttled = isinstance(error, ThrottledError)
        said = {"back": inside(back), "name": name[:100], "refused": view.say(error.said)}
        answer = page(request, "log_in.html", view, 429 if throttled else 401, **said)
        if isinstance(error, ThrottledError):
            answer.headers["retry-after"] = str(error.wait_s)
        return answer
    door.note(request, "logged in", account=account.id)
    return _let_in(request, door, key, inside(back))


def _let_in(request: Request, door: Door, key: str, to: str) -> Response:
    """Lead on with a log-in of its own, never one that the browser brought along."""
    if old := request.cookies.get(door.cookie):
        door.accounts.log_out(old)
    answer = see_other(to)
    answer.set_cookie(
        door.cookie,
        key,
        max_age=LOGIN_DAYS * 86_400,
        path="/",
        secure=door.secure,
        httponly=True,
        samesite="lax",
    )
    return answer


@router.post("/log-out")
def log_out(request: Request) -> Response:
    """End this log-in."""
    door = door_of(request)
    if key := request.cookies.get(door.cookie):
        door.accounts.log_out(key)
        door.note(request, "logged out")
    answer = see_other("/log-in")
    answer.delete_cookie(door.cookie, path="/", secure=door.secure, httponly=True, samesite="lax")
    answer.headers["clear-site-data"] = '"cache"'
    return answer


@router.get("/join")
def join_page(request: Request, code: str = "") -> Response:
    """Show what an invitation leads to, or ask for its code."""
    if not code:
        return page(request, "join.html", code="", invited=None, **_password())
    invited = door_of(request).accounts.invitation(code)
    said = ROLE_SAID[invited.role]
    return page(request, "join.html", code=code, invited=invited, said=said, **_password())


def _password() -> dict[str, int]:
    return {"shortest": SHORTEST_PASSWORD, "longest": LONGEST_PASSWORD}


@router.post("/join")
def join(
    request: Request, code: Text = "", name: Text = "", password: Text = "", again: Text = ""
) -> Response:
    """Make the account of an invitation, or set its password again, and let its person in."""
    door = door_of(request)
    if password != again:
        raise RequestError("The two passwords differ; type the same one twice.")
    account = door.accounts.join(code.strip(), password, name)
    door.look_again()
    door.note(request, "joined", account.role, account.id)
    return _let_in(request, door, door.accounts.log_in_as(account.id), "/")


# ---- people --------------------------------------------------------------------------------------


@router.get("/people")
def people(request: Request) -> Response:
    """List who may come in."""
    return _people(request)


def _people(request: Request, link: str = "", of: str = "") -> Response:
    everybody = door_of(request).accounts.listed()
    return page(
        request,
        "people.html",
        people=[one for one in everybody if one.open],
        gone=[one for one in everybody if not one.open],
        roles=ROLE_SAID,
        link=link,
        of=of,
        days=INVITED_DAYS,
        me=who_of(request).account,
    )


@router.post("/people")
def invite(request: Request, name: Text = "", role: Text = "bench", partner: Text = "") -> Response:
    """Make a link that makes an account."""
    door = door_of(request)
    lone = not door.shut()  # the first account of a bench that went without is its manager's
    if lone and role != "manager":
        raise RequestError("The first account is a manager's, who then invites the others.")
    if not lone and not name.strip():
        raise RequestError("Name the person who is invited; what they file is filed under it.")
    code = door.accounts.invite(name, role, partner=partner if role == "partner" else "")
    door_of(request).note(request, "invited", role)
    return _people(request, _link(request, code), name.strip())


@router.post("/people/{account}/again")
def invite_again(request: Request, account: str) -> Response:
    """Make a link that sets somebody's password again."""
    accounts = door_of(request).accounts
    code = accounts.invite_again(account)
    door_of(request).note(request, "invited", f"account {account}")
    return _people(request, _link(request, code), accounts.get(account).name)


def _link(request: Request, code: str) -> str:
    return f"{request.app.state.place.base(request.headers.get('host', ''))}/join?code={code}"


@router.post("/people/{account}/role")
def change_role(request: Request, account: str, role: Text = "", partner: Text = "") -> Response:
    """Give somebody another role."""
    accounts = door_of(request).accounts
    changed = accounts.change_role(account, role, partner=partner if role == "partner" else "")
    door_of(request).note(request, "role changed", f"account {account} to {changed.role}")
    return see_other("/people")


@router.post("/people/{account}/end")
def end(request: Request, account: str) -> Response:
    """End an account."""
    door_of(request).accounts.end(account)
    door_of(request).note(request, "account ended", f"account {account}")
    return see_other("/people")


# ---- tokens --------------------------------------------------------------------------------------


@router.get("/tokens")
def tokens(request: Request) -> Response:
    """List somebody's tokens; a manager sees all."""
    return _tokens(request)


def _tokens(request: Request, secret: str = "") -> Response:
    who, accounts = who_of(request), door_of(request).accounts
    if not who.account:
        return see_other("/settings")
    listed = accounts.tokens("" if who.may("keep") else who.account)
    return page(
        request,
        "tokens.html",
        tokens=[one for one in listed if not one.ended],
        ended=[one for one in listed if one.ended],
        names={one.id: one.name for one in accounts.listed()},
        now=door_of(request).archive.clock(),
        scopes=scopes_within(who.rights),
        secret=secret,
        days=_DAYS,
    )


@router.post("/tokens")
def new_token(
    request: Request,
    name: Text = "",
    scope: Annotated[list[str] | None, Form()] = None,
    days: Annotated[int, Form()] = 30,
) -> Response:
    """Make a token, and show it this once."""
    who, accounts = who_of(request), door_of(request).accounts
    if not who.account:
        raise RequestError("A token belongs to an account, and there is none here yet.")
    wanted = {one for one in scope or () if one in SCOPES and one in who.rights}
    made, secret = accounts.new_token(who.account, name, wanted, days)
    door_of(request).note(request, "token made", f"token {made.id}: {', '.join(made.scopes)}")
    return _tokens(request, secret)


@router.post("/tokens/{token}/end")
def end_token(request: Request, token: str) -> Response:
    """End a token."""
    who = who_of(request)
    door_of(request).accounts.end_token(token, "" if who.may("keep") else who.account)
    door_of(request).note(request, "token ended", f"token {token}")
    return see_other("/tokens")


# ---- audit log -----------------------------------------------------------------------------------


@router.get("/audit")
def log(
    request: Request,
    before: Annotated[int | None, Query(ge=1)] = None,
    account: Annotated[str, Query(max_length=40)] = "",
) -> Response:
    """Show who did what, the newest first."""
    door = door_of(request)
    people = door.accounts.listed()
    names = {one.id: one.name for one in people}
    found = audit.lines(door.archive, before=before, account=account, most=_LINES)
    return page(
        request,
        "audit.html",
        lines=[(one, _about(one.about, names)) for one in found],
        names=names,
        more=found[-1].number if len(found) == _LINES else 0,
        account=account,
        people=people,
    )


def _about(about: str, names: dict[str, str]) -> str:
    """Return what a line is about, an account by the name that it has today."""
    word, _, rest = about.partition(" ")
    account, _, more = rest.partition(" ")
    return f"{names[account]} {more}".strip() if word == "account" and account in names else about
