"""Who may come in: every route against every role, log-ins, forms, tokens."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from html import unescape
from pathlib import Path
from typing import get_args
from urllib.parse import unquote

import pytest
from anyio import run
from fastapi.routing import iter_route_contexts
from fastapi.testclient import TestClient
from starlette.types import Message, Receive, Scope, Send

from evenfall import workshop
from evenfall.errors import RequestError
from evenfall.plan import Plan
from evenfall.records import audit, persons
from evenfall.records.accounts import ROLES, Account, Accounts
from evenfall.web import access
from evenfall.web.application import application
from evenfall.web.place import Place
from evenfall.web.rights import FILING, NEEDS, ROLE_RIGHTS, SAFE, SCOPES, Right
from evenfall.web.view import inside
from evenfall.workshop import AddRequest, MeasureRequest, PlanRequest, ProveRequest, Source
from evenfall.workshop.archives import Dossiers

PORT = 8417
HERE = f"http://127.0.0.1:{PORT}"
PASSWORD = "four words of a test"  # noqa: S105
PARTNER = "Quandlemere"


@pytest.fixture(scope="module")
def dossiers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Dossiers]:
    with workshop.archive(str(tmp_path_factory.mktemp("team")), make=True) as made:
        for role in ROLES:
            accounts = Accounts(made.archive)
            firm = PARTNER if role == "partner" else ""
            accounts.join(accounts.invite(f"{role} person", role, partner=firm), PASSWORD)
        yield made


@pytest.fixture(scope="module")
def clients(dossiers: Dossiers) -> Iterator[Callable[[], TestClient]]:
    """Return what gives a fresh browser that meets the application."""
    app = application(dossiers, port=PORT)
    with TestClient(app):
        yield lambda: TestClient(app, base_url=HERE, raise_server_exceptions=False)
        app.state.shop.leave()


def logged_in(client: TestClient, name: str) -> TestClient:
    form = {"name": name, "password": PASSWORD}
    answer = client.post("/log-in", data=form, follow_redirects=False)
    assert answer.status_code == 303
    return client


def mark(client: TestClient) -> str:
    """Return the mark of this log-in, as its pages carry it."""
    found = re.search(r'<meta name="csrf" content="([0-9a-f]{64})">', client.get("/settings").text)
    assert found
    return found[1]


def account(dossiers: Dossiers, name: str) -> Account:
    (one,) = [a for a in Accounts(dossiers.archive).listed() if a.name == name]
    return one


# ---- the table -----------------------------------------------------------------------------------


def routes() -> list[tuple[str, str]]:
    return [(method, path) for method, path in map(str.split, NEEDS)]


def test_every_route_stands_in_the_table_and_no_other(dossiers: Dossiers) -> None:
    app = application(dossiers, port=PORT)
    there = {
        f"{method} {one.path}"
        for one in iter_route_contexts(app.routes)
        for method in one.methods or {"MOUNT"}
    }
    assert there - NEEDS.keys() == {"MOUNT /static"}
    assert NEEDS.keys() - there == set()


def test_a_route_without_an_entry_answers_nobody(dossiers: Dossiers) -> None:
    app = application(dossiers, port=PORT)
    app.get("/forgotten")(lambda: "in")
    with TestClient(app, base_url=HERE) as client:
        logged_in(client, "manager person")
        assert client.get("/forgotten").status_code == 403


def refused(answer_status: int, error: str) -> bool:
    """Say whether an answer refuses for want of a right."""
    return answer_status in (401, 403) and ("role may not" in error or "log in" in error)


LEAST_FIRST = (None, "partner", "bench", "engineer", "manager")


def allowed(role: str | None, right: Right | str) -> bool:
    return right == "anyone" or (role is not None and right in ROLE_RIGHTS[role])


def come(clients: Callable[[], TestClient], role: str | None) -> tuple[TestClient, dict[str, str]]:
    """Return a browser of a role, and what it has to send along."""
    client = clients()
    if role is None:
        return client, {}
    logged_in(client, f"{role} person")
    return client, {"x-csrf": mark(client)}


def turned_away(client: TestClient, sent: dict[str, str], route: str) -> bool:
    """Say whether a route refuses for want of a right."""
    method, path = route.split()
    place = re.sub(r"\{[^}]*\}", "nobody", path)
    answer = client.request(method, place, headers=sent, follow_redirects=False)
    assert answer.status_code != 500, route
    error = answer.text if answer.status_code in (401, 403) else ""
    return refused(answer.status_code, error)


def test_every_role_meets_a_route_of_each_right(clients: Callable[[], TestClient]) -> None:
    """The first of each method and right: kept out as it should be, let in where it only looks."""
    first: dict[tuple[str, str], str] = {}
    for route, right in NEEDS.items():
        first.setdefault((route.split()[0], right), route)
    assert {right for _, right in first} == {*get_args(Right)}
    for role in LEAST_FIRST:
        client, sent = come(clients, role)
        for (method, right), route in first.items():
            may = allowed(role, right)
            if method in SAFE or not may:
                assert turned_away(client, sent, route) != may, (role, route)


@pytest.mark.slow
@pytest.mark.parametrize("role", LEAST_FIRST)
def test_every_role_meets_every_route(clients: Callable[[], TestClient], role: str | None) -> None:
    """Each is kept out of every other route; what is answered is asked for by the least allowed."""
    assert {*LEAST_FIRST} == {None, *ROLES}
    lesser = LEAST_FIRST[: LEAST_FIRST.index(role)]
    client, sent = come(clients, role)
    wrong = []
    for route, right in NEEDS.items():
        if route.endswith((" /log-out", " /under-way/{name}/events")):
            continue  # the one ends what is tested, the other goes on and on
        if allowed(role, right) and any(allowed(other, right) for other in lesser):
            continue
        if turned_away(client, sent, route) == allowed(role, right):
            wrong.append((route, right))
    assert wrong == []


def test_the_rights_are_those_of_the_roles() -> None:
    """What a role may in words, from the roles' description, not from the table."""
    may = {
        "bench": ["POST /instruments/{name}/measure/file", "POST /gauges/{dossier}/check"],
        "engineer": ["POST /instruments/{name}/plan/take", "POST /specifications/save"],
        "manager": ["POST /instruments/{name}/proof", "POST /people", "GET /audit"],
    }
    order = ["bench", "engineer", "manager"]
    for least, paths in may.items():
        for path in paths:
            for role in ("bench", "engineer", "manager", "partner"):
                allowed = role in order and order.index(role) >= order.index(least)
                assert (NEEDS[path] in ROLE_RIGHTS[role]) == allowed, (path, role)
    inner = {route for route, right in NEEDS.items() if right in ROLE_RIGHTS["partner"]}
    assert not [route for route in inner if "instruments" in route or "people" in route]


def test_whoever_is_not_logged_in_is_led_there_and_back(clients: Callable[[], TestClient]) -> None:
    client = clients()
    html = {"accept": "text/html"}
    answer = client.get("/gauges", headers=html, follow_redirects=False)
    assert answer.headers["location"] == "/log-in?back=/gauges"
    answer = client.get("/charts?quantity=relief&of=a%20b", headers=html, follow_redirects=False)
    back = answer.headers["location"].removeprefix("/log-in?back=")
    assert unquote(back) == "/charts?quantity=relief&of=a%20b"
    page = client.get("/instruments/UY%200417/plan", headers=html, follow_redirects=False)
    back = unquote(page.headers["location"].removeprefix("/log-in?back="))
    assert back == inside(back) == "/instruments/UY%200417/plan"
    asked = client.get("/gauges")
    assert asked.status_code == 401
    assert asked.headers["www-authenticate"] == "Bearer"
    assert "Nobody is logged in" in asked.json()["error"]["sentence"]
    form = {"name": "bench person", "password": PASSWORD, "back": "/gauges"}
    to = client.post("/log-in", data=form, follow_redirects=False)
    assert to.headers["location"] == "/gauges"
    client.cookies.clear()
    for back in ("//evil.example", "/\\evil.example", "https://evil.example", "/a\nb"):
        to = client.post("/log-in", data=form | {"back": back}, follow_redirects=False)
        assert to.headers["location"] == "/"
        client.cookies.clear()


def test_nothing_of_a_body_is_read_of_who_is_not_known(clients: Callable[[], TestClient]) -> None:
    read = []

    def body() -> Iterator[bytes]:
        for number in range(20):
            read.append(number)
            yield b"x" * 1000

    headers = {"content-type": "application/json"}
    answer = clients().post("/archive/sent/upload", content=body(), headers=headers)
    assert answer.status_code == 401


# ---- log-ins -------------------------------------------------------------------------------------


def test_the_cookie_is_out_of_reach(clients: Callable[[], TestClient]) -> None:
    form = {"name": "bench person", "password": PASSWORD}
    cookie = clients().post("/log-in", data=form, follow_redirects=False).headers["set-cookie"]
    assert cookie.startswith("evenfall-log-in=")
    for part in ("HttpOnly", "SameSite=lax", "Path=/"):
        assert part in cookie
    assert "Domain" not in cookie


def test_over_tls_the_cookie_is_bound_to_the_host(dossiers: Dossiers) -> None:
    place = Place(hosts=("bench.example",), secure=True, accounts=True)
    app = application(dossiers, port=PORT, place=place)
    with TestClient(app, base_url="https://bench.example") as client:
        form = {"name": "bench person", "password": PASSWORD}
        answer = client.post("/log-in", data=form, follow_redirects=False)
        cookie = answer.headers["set-cookie"]
        assert cookie.startswith("__Host-evenfall=")
        for part in ("Secure", "HttpOnly", "SameSite=lax", "Path=/"):
            assert part in cookie
        assert answer.headers["strict-transport-security"] == "max-age=2592000"
        plain = {"origin": "http://bench.example"}
        assert client.post("/log-in", data=form, headers=plain).status_code == 403


def test_a_log_in_that_was_brought_along_is_not_taken_up(
    clients: Callable[[], TestClient],
) -> None:
    """Session fixation: what an attacker planted before the log-in is worth nothing after it."""
    attacker, victim = clients(), clients()
    logged_in(attacker, "bench person")
    planted = attacker.cookies["evenfall-log-in"]
    victim.cookies.set("evenfall-log-in", planted, domain="127.0.0.1")
    logged_in(victim, "engineer person")
    own = [c.value for c in victim.cookies.jar if c.value != planted]
    assert len(own) == 1
    assert attacker.get("/settings", follow_redirects=False).status_code == 401
    guessed = clients()
    guessed.cookies.set("evenfall-log-in", "chosen-by-the-attacker", domain="127.0.0.1")
    assert guessed.get("/settings").status_code == 401


def test_a_stolen_cookie_ends_with_the_log_out(clients: Callable[[], TestClient]) -> None:
    victim, thief = logged_in(clients(), "bench person"), clients()
    thief.cookies.set("evenfall-log-in", victim.cookies["evenfall-log-in"], domain="127.0.0.1")
    assert thief.get("/settings").status_code == 200
    csrf = mark(victim)
    answer = victim.post("/log-out", data={"csrf": csrf}, follow_redirects=False)
    assert answer.headers["location"] == "/log-in"
    assert thief.get("/settings").status_code == 401
    assert thief.post("/view", data={"unit": "in", "csrf": csrf}).status_code == 401


def test_an_expired_log_in_is_out(
    clients: Callable[[], TestClient], dossiers: Dossiers, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = logged_in(clients(), "bench person")
    assert client.get("/settings").status_code == 200
    monkeypatch.setattr(dossiers.archive, "clock", lambda: "2099-01-01T00:00:00.000000Z")
    assert client.get("/settings").status_code == 401


def test_guesses_are_throttled_in_one_sentence(tmp_path: Path) -> None:
    with workshop.archive(str(tmp_path / "a"), make=True) as made:
        accounts = Accounts(made.archive)
        accounts.join(accounts.invite("bench person", "manager"), PASSWORD)
        made.archive.clock = lambda: "2026-05-04T08:00:00.000000Z"
        with TestClient(application(made, port=PORT), base_url=HERE) as client:
            form = {"name": "bench person", "password": "wrong"}
            statuses = [client.post("/log-in", data=form).status_code for _ in range(7)]
            assert statuses == [401] * 5 + [429] * 2
            slowed = client.post("/log-in", data=form | {"password": PASSWORD})
            assert slowed.status_code == 429
            assert int(slowed.headers["retry-after"]) >= 1
            assert "try again in" in slowed.text
        told = audit.lines(made.archive)
        assert [line.what for line in told] == ["log-in refused"] * 8
        assert "wrong" not in repr(told)


# ---- forms ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("sent", ["nothing", "another's", "in the address"])
def test_a_form_that_these_pages_did_not_make_is_refused(
    clients: Callable[[], TestClient], sent: str
) -> None:
    client = logged_in(clients(), "engineer person")
    right = mark(client)
    wrong = mark(logged_in(clients(), "bench person"))
    assert wrong != right
    data = {"unit": "in"} | ({"csrf": wrong} if sent == "another's" else {})
    place = f"/view?csrf={right}" if sent == "in the address" else "/view"
    answer = client.post(place, data=data)
    assert answer.status_code == 403
    assert "not of this log-in" in answer.json()["error"]["sentence"]
    assert client.post("/view", json=data, headers={"x-csrf": wrong}).status_code == 403
    good = client.post("/view", data={"unit": "in", "csrf": right}, follow_redirects=False)
    assert good.status_code == 303
    good = client.post(
        "/view", data={"unit": "in"}, headers={"x-csrf": right}, follow_redirects=False
    )
    assert good.status_code == 303


def test_every_form_of_every_page_carries_the_mark(
    clients: Callable[[], TestClient], dossiers: Dossiers
) -> None:
    client = logged_in(clients(), "manager person")
    right = mark(client)
    dossiers.add(AddRequest(subject="gauge", name="height gauge 3 (invented)"))
    client.post("/new", data={"kind": "ukulele", "serial": "WB-9 (invented)", "csrf": right})
    (name,) = dossiers.archive.named("WB-9 (invented)")
    count = 0
    pages = ("/instruments", "/new", "/gauges", "/archive", "/settings", "/people", "/tokens")
    pages += (f"/instruments/{name}", f"/instruments/{name}/measure")
    pages += (f"/instruments/{name}/specification", "/specifications/new")
    for place in pages:
        text = client.get(place, follow_redirects=True).text
        forms = re.findall(r'<form\b[^>]*method="post"[^>]*>(.{0,120})', text, re.DOTALL)
        assert forms
        assert all(f'name="csrf" value="{right[:30]}' in one for one in forms), place
        count += len(forms)
    assert count > 20


# ---- what lasts ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("what", "end"),
    [
        *(("stream", end) for end in ("demoted", "revoked", "ended")),
        *(("file", "revoked"), ("upload", "demoted"), ("upload", "ended")),
    ],
)
def test_what_lasts_ends_with_the_right_to_it(
    dossiers: Dossiers, monkeypatch: pytest.MonkeyPatch, what: str, end: str
) -> None:
    """A token that is ended, or loses rights, is held against what it began before that."""
    monkeypatch.setattr(access, "_HELD_S", 0.0)
    accounts = Accounts(dossiers.archive)
    one = accounts.join(accounts.invite(f"L. {what}-{end}", "engineer"), PASSWORD)
    token, secret = accounts.new_token(one.id, "lasting", ("look", "plan"), 1)
    sent: list[Message] = []
    filed = []

    def ended() -> None:
        if end == "demoted":
            accounts.change_role(one.id, "bench")
        elif end == "revoked":
            accounts.end_token(token.id)
        else:
            accounts.end(one.id)

    async def send(message: Message) -> None:
        sent.append(message)
        if len(sent) == 3 and what != "upload":
            ended()

    async def receive() -> Message:
        if what == "upload":
            ended()
        return {"type": "http.request", "body": b"x", "more_body": False}

    async def lasting(_scope: Scope, receive: Receive, send: Send) -> None:
        if what == "upload":
            filed.append(await receive())
        headers = [(b"content-length", b"5")] if what == "file" else []
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        for _ in range(5):
            await send({"type": "http.response.body", "body": b"x", "more_body": True})

    scope: Scope = {
        **{"type": "http", "method": "PATCH" if what == "upload" else "GET", "path": "/gauges"},
        **{"headers": [(b"authorization", f"Bearer {secret}".encode())], "query_string": b""},
    }
    door = access.Door(dossiers.archive, always=True, secure=False)
    run(access.Access(lasting, door), scope, receive, send)
    if what == "upload":
        assert not filed
        assert sent[0]["status"] == (403 if end == "demoted" else 401)
    else:
        assert [one.get("body") for one in sent[1:3]] == [b"x"] * 2
        # of a stream the end is said; a file ends short of its length
        assert [one["body"] for one in sent[3:]] == ([b""] if what == "stream" else [])


def test_nothing_ends_because_it_cannot_be_looked_up_or_more_is_allowed(
    clients: Callable[[], TestClient], dossiers: Dossiers, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A good answer is given whatever is written at that moment, and a look writes nothing."""
    accounts = Accounts(dossiers.archive)
    one = accounts.join(accounts.invite("P. Quemlo", "bench"), PASSWORD)
    _, secret = accounts.new_token(one.id, "lasting", ("look", "plan"), 1)
    client = clients()
    client.headers["authorization"] = f"Bearer {secret}"
    who, looks = access.Door.who, []

    def looked(door: access.Door, cookie: str, shown: str, *, seen: bool = True) -> access.Who:
        if not seen:
            looks.append(cookie)
            if len(looks) == 1:
                raise RequestError("Another program has been writing to the archive.")
            accounts.change_role(one.id, "engineer")
        return who(door, cookie, shown, seen=seen)

    monkeypatch.setattr(access, "_HELD_S", 0.0)
    monkeypatch.setattr(access.Door, "who", looked)
    assert client.get("/api/v1/dossiers").status_code == 200
    assert len(looks) > 1
    _, unused = accounts.new_token(one.id, "watching", ("look",), 1)
    door = access.Door(dossiers.archive, always=True, secure=False)
    assert who(door, "", f"Bearer {unused}", seen=False).account == one.id
    used = {made.name for made in accounts.tokens(one.id) if made.used}
    assert used == {"lasting"}


# ---- tokens --------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_token_may_what_its_scopes_name_and_no_more(
    clients: Callable[[], TestClient], dossiers: Dossiers
) -> None:
    accounts = Accounts(dossiers.archive)
    owner = account(dossiers, "manager person")
    scopes = [scope for scope in SCOPES if scope in ROLE_RIGHTS["manager"]]

    def bearer(*named: str) -> TestClient:
        _, secret = accounts.new_token(owner.id, "-".join(named)[:40], list(named), 1)
        client = clients()
        client.headers["authorization"] = f"Bearer {secret}"
        return client

    every = bearer(*scopes)
    for scope in scopes:
        one, others = bearer(scope), bearer(*(other for other in scopes if other != scope))
        for method, path in routes():
            if NEEDS[f"{method} {path}"] != scope or path == "/under-way/{name}/events":
                continue
            place = re.sub(r"\{[^}]*\}", "nobody", path)
            status = one.request(method, place, follow_redirects=False).status_code
            assert status not in (401, 403), (scope, method, path)
            status = others.request(method, place, follow_redirects=False).status_code
            assert status == 403, (scope, method, path)
    for method, path in routes():
        if NEEDS[f"{method} {path}"] not in (*scopes, "anyone"):
            place = re.sub(r"\{[^}]*\}", "nobody", path)
            status = every.request(method, place, follow_redirects=False).status_code
            assert status == 403, (method, path)


def test_nobody_adds_to_an_upload_of_somebody_else_or_takes_it(
    clients: Callable[[], TestClient], dossiers: Dossiers
) -> None:
    """What is filed under a name is what its person sent; ids of uploads are seen by all."""
    accounts = Accounts(dossiers.archive)
    sender, another = (
        accounts.join(accounts.invite(name, "bench"), PASSWORD).id for name in ("S. Ulq", "A. Ulq")
    )

    def bearer(one: str, *scopes: str) -> TestClient:
        client = clients()
        _, secret = accounts.new_token(one, "upload", scopes, 1)
        client.headers["authorization"] = f"Bearer {secret}"
        return client

    def send(client: TestClient, content: bytes, at: int) -> int:
        headers = {"upload-offset": str(at)}
        place = f"/api/v1/uploads/{task}/0"
        return client.patch(place, content=content, headers=headers).status_code

    own, other = bearer(sender, "measure"), bearer(another, "measure")
    looks = bearer(another, "look")
    announced = {"files": [{"name": "own.toml", "size": 8}]}
    task = own.post("/api/v1/uploads", json=announced).json()["task"]
    assert task in looks.get("/api/v1/tasks").text
    assert send(own, b"sent", 0) == 200
    assert send(other, b"else", 4) == 404
    assert send(own, b"here", 4) == 200
    asked = {"specification": {"upload": f"{task}/0"}}
    taken = looks.post("/api/v1/template", json=asked)
    assert "Somebody else sends these files" in taken.text
    assert own.get(f"/api/v1/uploads/{task}").json()["received"] == [8]


def test_a_token_never_gets_more_than_its_person_has_now(
    clients: Callable[[], TestClient], dossiers: Dossiers
) -> None:
    accounts = Accounts(dossiers.archive)
    made = accounts.join(accounts.invite("T. Quenlo", "engineer"), PASSWORD)
    _, secret = accounts.new_token(made.id, "plans", ["look", "plan", "keep"], 1)
    client = clients()
    client.headers["authorization"] = f"Bearer {secret}"
    assert client.get("/instruments").status_code == 200
    assert client.get("/archive").status_code == 403
    assert client.post("/example", follow_redirects=False).status_code == 303
    accounts.change_role(made.id, "bench")
    assert client.post("/example").status_code == 403
    client.headers["authorization"] = f"Basic {secret}"
    assert client.get("/instruments").status_code == 401
    client.headers["authorization"] = "Bearer " + "x" * 43
    logged_in(client, "manager person")  # a wrong token is not made good by a cookie
    assert client.get("/instruments").status_code == 401


def test_a_token_never_changes_who_may_come_in(
    clients: Callable[[], TestClient], dossiers: Dossiers
) -> None:
    """Whoever steals the token of a program makes no account with it, nor ends one."""
    accounts = Accounts(dossiers.archive)
    owner, other = account(dossiers, "manager person"), account(dossiers, "bench person")
    _, secret = accounts.new_token(owner.id, "all", ROLE_RIGHTS["manager"] & set(SCOPES), 1)
    client = clients()
    client.headers["authorization"] = f"Bearer {secret}"
    assert client.get("/archive").status_code == 200
    before = accounts.listed()
    for place, form in {
        "/people": {"name": "U. Gorb", "role": "manager"},
        f"/people/{other.id}/role": {"role": "manager"},
        f"/people/{other.id}/again": {},
        f"/people/{other.id}/end": {},
        "/tokens": {"name": "another", "scope": "keep"},
    }.items():
        assert client.post(place, data=form).status_code == 403, place
    assert accounts.listed() == before


def test_a_token_is_made_on_its_page_and_shown_once(clients: Callable[[], TestClient]) -> None:
    client = logged_in(clients(), "bench person")
    form = {"csrf": mark(client), "name": "bench robot", "days": "7"}
    page = client.post("/tokens", data=form | {"scope": ["look", "release", "own"]})
    (secret,) = re.findall(r'class="secret">([\w-]{43})<', page.text)
    assert secret not in client.get("/tokens").text
    program = clients()
    program.headers["authorization"] = f"Bearer {secret}"
    assert program.get("/instruments").status_code == 200
    for refused, said in (
        (program.get("/new"), "make one with the scope it needs"),
        (program.post("/instruments/nobody/proof"), "Your role may not do this"),
        (program.get("/settings"), "No token may do this"),
    ):
        assert refused.status_code == 403
        assert said in refused.text
    assert "never" not in re.findall(r'last used">([^<]*)<', client.get("/tokens").text)
    (ending,) = re.findall(r'action="(/tokens/[0-9a-f]+/end)"', client.get("/tokens").text)
    other = logged_in(clients(), "engineer person")
    assert other.post(ending, data={"csrf": mark(other)}).status_code == 422
    client.post(ending, data={"csrf": form["csrf"]})
    assert program.get("/instruments").status_code == 401


# ---- people --------------------------------------------------------------------------------------


@contextmanager
def a_team(tmp_path: Path, place: Place | None = None) -> Iterator[tuple[TestClient, Dossiers]]:
    with workshop.archive(str(tmp_path / "a"), make=True) as made:
        app = application(made, port=PORT, place=place)
        with TestClient(app, base_url=HERE) as client:
            yield client, made
        app.state.shop.leave()


@pytest.mark.slow
def test_a_lone_bench_begins_with_accounts_when_it_wants_to(tmp_path: Path) -> None:
    with a_team(tmp_path) as (client, made):
        assert client.get("/archive").status_code == 200
        assert "works without accounts" in client.get("/people").text
        assert client.post("/people", data={"role": "bench", "name": "x"}).status_code == 422
        page = client.post("/people", data={"role": "manager"})
        (link,) = re.findall(r'class="secret">([^<]*)<', page.text)
        assert link.startswith(f"{HERE}/join?code=")
        assert client.get("/archive").status_code == 200  # until somebody has joined
        joined = client.get(link.removeprefix(HERE))
        assert "The first account" in joined.text
        code = link.partition("code=")[2]
        form = {"code": code, "name": "Q. Ulbrenq", "password": PASSWORD, "again": PASSWORD}
        assert client.post("/join", data=form | {"again": "x"}).status_code == 422
        assert client.post("/join", data=form).url.path == "/instruments"
        assert "Q. Ulbrenq" in client.get("/settings").text
        csrf = mark(client)
        invited = client.post(
            "/people", data={"name": "M. Tessquin", "role": "bench", "csrf": csrf}
        )
        (link,) = re.findall(r'class="secret">([^<]*)<', invited.text)
        client.cookies.clear()
        assert client.get("/archive").status_code == 401
        assert "Welcome, M. Tessquin" in client.get(link.removeprefix(HERE)).text
        form = {"code": link.partition("code=")[2], "password": PASSWORD, "again": PASSWORD}
        assert client.post("/join", data=form).status_code == 200
        assert client.get("/archive").status_code == 403
        assert [line.what for line in audit.lines(made.archive)][::-1] == [
            *("invited", "joined", "invited", "joined", "refused")
        ]


def test_beyond_this_machine_nobody_comes_in_without_an_account(tmp_path: Path) -> None:
    with a_team(tmp_path, Place(accounts=True)) as (client, made):
        assert client.get("/instruments").status_code == 401
        assert client.get("/people").status_code == 401
        assert client.get("/health").json() == {"status": "up"}
        assert client.get("/ready").json() == {"status": "ready"}
        code = Accounts(made.archive).invite("", "manager")
        form = {"code": code, "name": "Q. Ulbrenq", "password": PASSWORD, "again": PASSWORD}
        assert client.post("/join", data=form).status_code == 200
        assert client.get("/people").status_code == 200


def test_what_is_filed_stands_under_the_account_whatever_is_typed(
    clients: Callable[[], TestClient], dossiers: Dossiers
) -> None:
    client = logged_in(clients(), "bench person")
    form = {"name": "dial 8 (invented)", "by": "Somebody Else", "csrf": mark(client)}
    client.cookies.set("person", "Somebody%20Else")
    client.post("/gauges", data=form)
    (name,) = [one.dossier for one in dossiers.find("dial 8", 5)]
    numbers = {one.person for one in dossiers.archive.entries(name)}
    with dossiers.archive.reading() as connection:
        names = {one.name for one in persons.names_of(connection, numbers).values()}
    assert names == {"bench person"}
    line = audit.lines(dossiers.archive)[0]
    assert (line.what, line.about) == ("filed", "POST /gauges")
    assert line.account == account(dossiers, "bench person").id


@pytest.mark.slow
def test_what_somebody_may_not_file_they_do_not_take_back(
    clients: Callable[[], TestClient], dossiers: Dossiers
) -> None:
    """An entry that another one corrects stands no more: of a verdict that is for a manager."""
    plan = plan_of_example()
    filed = dossiers.file(plan, person="engineer person").line.dossier
    after = Source.invented("tesquil-after.csv")
    source = Source("a.plan.json", json.dumps(plan.as_dict()).encode())
    dossiers.file(workshop.prove(ProveRequest(source, after)).proof, person="manager person")
    told = {one.kind: one for one in dossiers.show(filed).entries}
    place = f"/api/v1/dossiers/{filed}/notes"
    least = {"measurement": "bench", "plan": "engineer", "proof": "manager"}
    for kind, lowest in least.items():
        body = {"words": "Taken back.", "corrects": told[kind].entry}
        for role in ("bench", "engineer", "manager"):
            client = logged_in(clients(), f"{role} person")
            answer = client.post(place, json=body, headers={"x-csrf": mark(client)})
            if role == lowest:
                assert answer.status_code == 201, (kind, role)
                break
            assert answer.status_code == 403, (kind, role)
            assert not {one.kind: one for one in dossiers.show(filed).entries}[kind].corrected


@pytest.mark.slow
def test_readings_are_filed_by_the_bench_and_a_specification_is_not(
    clients: Callable[[], TestClient], dossiers: Dossiers
) -> None:
    spec = Source.invented("tesquil.spec.toml")
    filed = dossiers.add(AddRequest((spec,), serial="UY-0421", new=True)).line.dossier
    client = logged_in(clients(), "bench person")
    sent = {"x-csrf": mark(client)}

    def read(by: Source) -> int:
        request = MeasureRequest((Source.invented("tesquil-before.csv"),), by, serial="UY-0421")
        values = workshop.measure(request).measurement.as_dict()
        file = {"name": "a.measurement.json", "text": json.dumps(values)}
        body = {"files": [file], "instrument": filed}
        return client.post("/api/v1/dossiers", json=body, headers=sent).status_code

    other = Source("tesquil.spec.toml", spec.text().replace("Tesquil", "Tesqail").encode())
    assert read(other) == 403
    assert read(spec) == 201
    kinds = [one.kind for one in dossiers.show(filed).entries]
    assert (kinds.count("measurement"), kinds.count("specification")) == (1, 1)


def plan_of_example() -> Plan:
    before, spec = Source.invented("tesquil-before.csv"), Source.invented("tesquil.spec.toml")
    return workshop.plan(PlanRequest(before, spec, serial="UY-0417")).plan


def test_looking_is_not_noted_and_filing_is(
    clients: Callable[[], TestClient], dossiers: Dossiers
) -> None:
    client = logged_in(clients(), "engineer person")
    csrf = mark(client)
    count = len(audit.lines(dossiers.archive, most=1000))
    client.get("/instruments")
    client.post("/specifications/check", json={"text": "x"}, headers={"x-csrf": csrf})
    client.post("/view", data={"unit": "mm", "csrf": csrf})
    assert len(audit.lines(dossiers.archive, most=1000)) == count
    assert set(FILING) == {"measure", "plan", "release", "keep", "lots"}
    posts = [r for r, right in NEEDS.items() if r.split()[0] not in SAFE and right == "look"]
    assert all(not p.endswith(("/file", "/take", "/save", "/filed")) for p in posts)


@pytest.mark.slow
def test_people_are_changed_and_ended_on_their_page(
    clients: Callable[[], TestClient], dossiers: Dossiers
) -> None:
    accounts = Accounts(dossiers.archive)
    made = accounts.join(accounts.invite("U. Gorb", "bench"), PASSWORD)
    theirs = logged_in(clients(), "U. Gorb")
    client = logged_in(clients(), "manager person")
    csrf = {"csrf": mark(client)}
    client.post(f"/people/{made.id}/role", data=csrf | {"role": "engineer"})
    assert accounts.get(made.id).role == "engineer"
    assert theirs.get("/settings").status_code == 401
    assert client.post(f"/people/{made.id}/role", data=csrf | {"role": "x"}).status_code == 422
    page = client.post(f"/people/{made.id}/again", data=csrf)
    assert "U. Gorb: one link, once" in unescape(page.text)
    client.post(f"/people/{made.id}/end", data=csrf)
    assert not accounts.get(made.id).open
    me = account(dossiers, "manager person").id
    assert "last manager" in client.post(f"/people/{me}/end", data=csrf).text
    text = client.get("/audit").text
    assert "U. Gorb to engineer" in text
    assert "account ended" in text
    assert "testclient" in text
