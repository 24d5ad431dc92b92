"""What is shown is what is allowed: no page offers a form or a way to who may not use it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from starlette.routing import compile_path

from evenfall import workshop
from evenfall.records import Filing
from evenfall.records.accounts import Accounts, Role
from evenfall.records.queue import Queue
from evenfall.records.shared_lots import SharedLots
from evenfall.web import access
from evenfall.web.application import application
from evenfall.web.rights import NEEDS, ROLE_RIGHTS, Who
from evenfall.workshop import AddRequest, Source
from evenfall.workshop.archives import Dossiers
from evenfall.workshop.examples import SERIALS
from evenfall.workshop.kept_charts import act_on, chart_name
from evenfall.workshop.partner_lots import share_lot

PORT = 8419
FILES = Path(__file__).parents[1] / "records" / "files"
PARTNER = "Quandlemere"
MODEL = {"model": "Ulq (invented)"}
ASKED = "quantity=relief&document=proof&model=Ulq+(invented)"
PATTERNS = {route: compile_path(route.split()[1])[0] for route in NEEDS}


@pytest.fixture(scope="module")
def dossiers(
    tmp_path_factory: pytest.TempPathFactory, with_examples: Callable[[Path], Path]
) -> Iterator[Dossiers]:
    folder = with_examples(tmp_path_factory.mktemp("shown") / "a")
    with workshop.archive(str(folder)) as made:
        yield made


@pytest.fixture(scope="module")
def pages(dossiers: Dossiers) -> Iterator[Callable[[Role, str], str]]:
    """Return what gives a page as somebody of a role sees it."""
    accounts = Accounts(dossiers.archive)
    accounts.join(accounts.invite("M. Ulq", "manager"), "four words of a test")
    role: Role = "manager"
    app = application(dossiers, port=PORT)

    def who(_door: access.Door, *_given: str, **_more: bool) -> Who:
        firm = PARTNER if role == "partner" else ""
        return Who("x" * 16, f"{role} person", role, ROLE_RIGHTS[role], firm, key="key")

    with pytest.MonkeyPatch.context() as patched, TestClient(app) as client:
        patched.setattr(access.Door, "who", who)
        client.base_url, client.headers["accept"] = f"http://127.0.0.1:{PORT}", "text/html"  # type: ignore[assignment]

        def shown(as_: Role, place: str) -> str:
            nonlocal role
            role = as_
            answer = client.get(place)
            assert answer.status_code in (200, 403), (
                as_,
                place,
                re.findall("<p>(.*?)</p>", answer.text),
            )
            return answer.text if answer.status_code == 200 else ""

        yield shown
        app.state.shop.leave()


def offered(text: str) -> set[str]:
    """Return the routes that a page offers, by forms that send and by links."""
    main = text.partition("<main")[2]
    sent = re.findall(r'<form\b[^>]*method="post"[^>]*action="([^"?]*)', main)
    led = re.findall(r'<a\b[^>]*href="(/[^"?#]*)', text)
    led += re.findall(r'<form\b(?![^>]*method="post")[^>]*action="([^"?]*)', main)
    return {route_of("POST", one) for one in sent} | {route_of("GET", one) for one in led}


def route_of(method: str, place: str) -> str:
    fits = [r for r, one in PATTERNS.items() if r.startswith(f"{method} ") and one.fullmatch(place)]
    assert fits, (method, place)
    return min(fits, key=lambda route: route.count("{"))


def test_each_role_is_shown_what_it_may_and_no_more(
    dossiers: Dossiers, pages: Callable[[Role, str], str]
) -> None:
    """A manager sees all that a page has; of it each other role sees what the table allows it."""
    settled = (
        Source(str(FILES / f"tesquil-settled.{one}@1.json")) for one in ("measurement", "plan")
    )
    read = dossiers.add(AddRequest(tuple(settled), serial="UY-9")).line.dossier
    worked = dossiers.named(SERIALS[1])
    (text,) = [one.text() for one in (dossiers.document(read, "specification"),)]
    other = Source("other.toml", text.replace("frets", "# changed\nfrets", 1).encode())
    dossiers.add(AddRequest((other,), instrument=read))
    for n in range(6):
        facts = {
            "content_hash": f"{n:064x}",
            "schema": "evenfall/proof@1",
            "relief_mm": 0.2 + n % 2,
        }
        facts |= {"done": f"2026-05-0{n + 1}T09:00Z", "specification": ""}
        opened = Filing("opened", {"subject": "instrument", "name": MODEL["model"]})
        dossiers.archive.file(None, [opened, Filing("proof", facts)])
    chart = chart_name("relief", "proof", workshop.ChartRequest(workshop.Source("a"), only=MODEL))
    act = {
        "act": "begun",
        "point": "2",
        "at": "2026-05-02T09:00:00.000000Z",
        "asked": "{}",
        "reason": "new wire",
    }
    act_on(dossiers.archive, chart, act)
    gauge = dossiers.add(AddRequest(subject="gauge", name="height gauge 3 (invented)")).line.dossier
    share_lot(dossiers, "lot 7", PARTNER, [SERIALS[2]])
    lot = SharedLots(dossiers.archive).of()[0].key
    queue = Queue(dossiers.archive)
    tasks = [queue.put(kind, {}, state="stopped").id for kind in ("causes", "verify")]
    places = [
        *(f"/instruments/{read}{end}" for end in ("", "/measure", "/plan", "/specification")),
        *(f"/instruments/{read}{end}" for end in ("/work", "/program", "/play")),
        f"/instruments/{worked}/proof",
        *("/instruments?words=none", "/new", "/specifications", "/specifications/new", "/gauges"),
        *(f"/gauges/{gauge}", f"/charts?{ASKED}", "/charts/causes", "/judged", "/under-way"),
        *("/archive", "/people", "/audit", "/shared", f"/shared/{lot}", "/lots", f"/lots/{lot}"),
        *("/settings", "/tokens", *(f"/under-way/{task}" for task in tasks)),
    ]
    every = {place: offered(pages("manager", place)) for place in places}
    seen = set().union(*every.values())
    for form in ("/proof", "/done", "/plan/take", "/program/upload", "/specification/again"):
        assert f"POST /instruments/{{name}}{form}" in seen
    for form in ("charts", "charts/back", "specifications/save", "gauges/{dossier}/calibrated"):
        assert f"POST /{form}" in seen
    told: dict[tuple[str, str], str] = {}
    alike: set[str] = set()  # pages on which the bench sees all that a manager sees
    for role in ("partner", "bench", "engineer"):
        rights = {*ROLE_RIGHTS[role], "anyone"}
        for place in places:
            if role == "engineer" and place in alike:
                continue
            found = offered(shown := pages(role, place))
            told[role, place] = shown
            assert all(NEEDS[route] in rights for route in found), (role, place)
            if shown and role != "partner":  # who sees lots from the other side
                assert found == {r for r in every[place] if NEEDS[r] in rights}, (role, place)
                alike |= {place} if found == every[place] else set()
    said = told["bench", f"/instruments/{worked}/proof"]
    assert "To file a verdict is left to the role manager." in said
    said = told["bench", f"/instruments/{read}/plan"]
    assert "To take a plan is left to the role engineer or manager." in said
