"""A team on one archive: from the invitation to the partner's answer, each in an own browser.

The instruments are invented, and so are the workshops and their partner.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st
from playwright.sync_api import Browser, Page, expect

import slow_work
from evenfall import workshop
from evenfall.records import audit
from evenfall.records.accounts import Accounts
from evenfall.records.shared_lots import SharedLot, SharedLots
from evenfall.web.application import application
from evenfall.web.rights import NEEDS, ROLE_RIGHTS
from evenfall.workshop.examples import SERIALS
from evenfall.workshop.lot_keeping import agreement, keep_lot, proposed
from evenfall.workshop.partner_lots import share_lot
from kept_lots import lot_to_keep
from served import serving
from steps import open_new, readings_file
from web.test_pages import AXE, AXE_RUN

PORT = 8417
HERE = f"http://127.0.0.1:{PORT}"
PASSWORD = "four words of a test"  # noqa: S105
SERIAL = "WT-0001 (invented)"
TOUCHED = ".button, select, input:not([type=hidden]), nav a, summary"
SMALL = f"""[...document.querySelectorAll('{TOUCHED}')]
    .filter((one) => one.checkVisibility() && !one.closest('.check'))
    .filter((one) => one.getBoundingClientRect().height < 43.5)
    .map((one) => one.outerHTML.slice(0, 90))"""
AXE_COLOURS = "axe.run({runOnly: ['color-contrast']}).then(r => r.violations)"
FIRMS = ("Quandlemere", "Tessquin and Gorb")


def joined(page: Page, link: str, name: str = "") -> None:
    page.goto(link)
    if name:
        page.fill("#name", name)
    page.fill("#password", PASSWORD)
    page.fill("#again", PASSWORD)
    page.get_by_role("button", name="Join").click()
    page.wait_for_url(re.compile("/(instruments|lots)$"))


def invited(owner: Page, name: str, role: str, firm: str = "") -> str:
    owner.goto("/people")
    owner.fill("#name", name)
    owner.select_option("#role", value=role)
    owner.fill("#partner", firm)
    owner.get_by_role("button", name="Make a link", exact=True).click()
    return owner.locator(".secret").inner_text()


def refused(page: Page, place: str) -> bool:
    """Say whether what no page offers is refused to who sends it all the same."""
    mark = page.locator("meta[name=csrf]").get_attribute("content") or ""
    answer = page.request.post(place, headers={"x-csrf": mark})
    return answer.status == 403 and "Your role may not do this" in answer.text()


@pytest.mark.slow
def test_owner_invites_bench_measures_engineer_plans_manager_releases_partner_accepts(
    browser: Browser, tmp_path: Path
) -> None:
    with ExitStack() as stack:
        place = stack.enter_context(serving(tmp_path / "archive", do=slow_work.but_methods))

        def fresh() -> Page:
            context = browser.new_context(base_url=place, viewport={"width": 1280, "height": 900})
            stack.callback(context.close)
            return context.new_page()

        owner = fresh()
        owner.goto("/settings")
        owner.get_by_role("link", name="Begin with accounts").click()
        owner.get_by_role("button", name="Begin with accounts").click()
        joined(owner, owner.locator(".secret").inner_text(), "Q. Ulbrenq")
        bench, engineer, partner = fresh(), fresh(), fresh()
        joined(bench, invited(owner, "M. Tessquin", "bench"))
        joined(engineer, invited(owner, "T. Gorbel", "engineer"))
        joined(partner, invited(owner, "U. Quenlo", "partner", "Quandlemere"))
        expect(partner.get_by_role("heading", name="No lot yet")).to_be_visible()
        assert partner.request.get("/instruments").status == 403

        open_new(bench, SERIAL)
        at = bench.url
        for stage in ("before", "settled", "after"):
            bench.goto(f"{at}/measure")
            bench.set_input_files("#files", readings_file(stage))
            bench.get_by_role("button", name="Look at it").click()
            bench.get_by_role("button", name="File these readings").click()
            expect(bench.locator("#map-head")).to_be_visible()
            if stage == "after":
                break
            if stage == "before":
                bench.goto(f"{at}/plan")
                expect(bench.get_by_text("To take a plan is left to the role")).to_be_visible()
                assert refused(bench, f"{at}/plan/take")
            engineer.goto(f"{at}/plan")
            engineer.get_by_role("button", name="Take this plan").click()
            engineer.wait_for_url(at)
            bench.goto(f"{at}/work")
            bench.get_by_role("button", name="Done, read again").click()
            bench.wait_for_url(f"{at}/measure")
        engineer.goto(f"{at}/proof")
        expect(engineer.get_by_text("To file a verdict is left to the role")).to_be_visible()
        assert refused(engineer, f"{at}/proof")

        owner.goto("/shared")
        owner.fill("#lot", "lot 7")
        owner.fill("#names", SERIAL)
        owner.get_by_role("button", name="Share it").click()
        expect(owner.get_by_role("row", name=re.compile("lot 7"))).to_contain_text("not answered")
        partner.goto("/lots")
        partner.get_by_role("link", name="lot 7").click()
        expect(partner.get_by_role("row", name=re.compile(SERIAL[:7]))).to_contain_text(
            "not released yet"
        )
        expect(partner.get_by_role("button", name="Accept the lot")).to_have_count(0)
        owner.goto(f"{at}/proof")
        owner.get_by_role("button", name="File this verdict").click()
        expect(owner.get_by_role("link", name="Certificate (PDF)")).to_be_visible()
        partner.reload()
        expect(partner.get_by_role("row", name=re.compile(SERIAL[:7]))).to_contain_text("conforms")
        link = partner.get_by_role("link", name=re.compile("certificate of"))
        paper = partner.request.get(link.get_attribute("href") or "")
        assert paper.body().startswith(b"%PDF")
        shown = partner.request.get((link.get_attribute("href") or "").replace(".pdf", ".html"))
        for person in ("Ulbrenq", "Tessquin", "Gorbel"):
            assert person not in shown.text()
        partner.get_by_role("button", name="Accept the lot").click()
        expect(partner.locator(".mark")).to_contain_text("accepted")
        owner.goto("/shared")
        expect(owner.get_by_role("row", name=re.compile("lot 7"))).to_contain_text("accepted")

        owner.goto("/audit")
        told = owner.locator("tbody").inner_text()
        for name, what in (
            ("Q. Ulbrenq", "invited"),
            ("M. Tessquin", "joined"),
            ("M. Tessquin", "filed"),
            ("M. Tessquin", "refused"),
            ("T. Gorbel", "filed"),
            ("Q. Ulbrenq", "lot shared"),
            ("U. Quenlo", "lot accepted"),
        ):
            assert re.search(rf"{re.escape(name)}\s+{what}", told), (name, what)
        owner.goto(at)
        story = owner.locator("main").inner_text()
        for name in ("M. Tessquin", "T. Gorbel", "Q. Ulbrenq"):
            assert name in story


@pytest.mark.slow
def test_back_to_a_secret_that_is_shown_once_makes_no_second_one(
    browser: Browser, tmp_path: Path
) -> None:
    with workshop.archive(str(tmp_path / "archive"), make=True) as dossiers:
        accounts = Accounts(dossiers.archive)
        accounts.join(accounts.invite("Q. Ulbrenq", "manager"), PASSWORD)
    with serving(tmp_path / "archive") as place:
        context = browser.new_context(base_url=place)
        page = context.new_page()
        page.goto("/log-in")
        page.fill("#name", "Q. Ulbrenq")
        page.fill("#password", PASSWORD)
        page.get_by_role("button", name="Log in").click()
        page.wait_for_url(re.compile("/instruments$"))
        page.goto("/tokens")
        page.fill("#name", "scales at the door")
        page.get_by_role("checkbox").first.check()
        page.get_by_role("button", name="Make it").click()
        secret = page.locator(".secret").inner_text()
        page.get_by_role("link", name="Instruments", exact=True).click()
        page.wait_for_url(re.compile("/instruments$"))
        page.go_back(wait_until="networkidle")
        assert page.locator(".secret").inner_text() == secret
        page.goto("/tokens")
        expect(page.get_by_role("heading", name="1 token", exact=True)).to_be_visible()
        context.close()


PAGES = ("/people", "/tokens", "/audit", "/shared", "/judged", "/settings")


@pytest.mark.slow
def test_the_pages_of_a_team_keep_nobody_out(
    browser: Browser, tmp_path: Path, with_examples: Callable[[Path], Path]
) -> None:
    """On a phone in dark colours; then the same on a wide screen in light ones."""
    if not AXE.is_file():
        pytest.skip("axe-core is not installed; npm ci installs it")
    with workshop.archive(str(with_examples(tmp_path / "a"))) as dossiers:
        accounts, lots = Accounts(dossiers.archive), SharedLots(dossiers.archive)
        accounts.join(accounts.invite("Q. Ulbrenq", "manager"), PASSWORD)
        accounts.join(accounts.invite("U. Quenlo", "partner", partner=FIRMS[0]), PASSWORD)
        judged = proposed(agreement("Ulqor Yard (invented)", "Tesquil", receiver=FIRMS[0]), None)
        for name, found in (("lot 6", 2), ("lot 7", 0)):
            judged = keep_lot(dossiers, judged, lot_to_keep(name, 500, (found,)))
        kept = f"{judged.dossier}:{judged.lots[-1].entry}"
        share_lot(dossiers, "", FIRMS[0], SERIALS, kept=kept)
        code, lot = accounts.invite("N. Tesk", "bench"), lots.of()[0].key
    found: list[str] = []
    with serving(tmp_path / "a") as place:
        context = browser.new_context(
            base_url=place,
            viewport={"width": 390, "height": 900},
            color_scheme="dark",
            reduced_motion="reduce",  # no colour on its way to another
            bypass_csp=True,  # for the checker, which is no part of the pages
        )
        page = context.new_page()

        def look(at: str) -> None:
            if at:
                page.goto(at)
            page.wait_for_load_state("networkidle")
            if page.evaluate("document.documentElement.scrollWidth") > 390:
                found.append(f"{at}: wider than the screen")
            found.extend(f"{at}: too small to touch: {one}" for one in page.evaluate(SMALL))
            page.add_script_tag(path=AXE)
            for fault in page.evaluate(AXE_RUN):
                if fault["impact"] != "minor":
                    nodes = [node["html"][:150] for node in fault["nodes"][:3]]
                    found.append(f"{at}: {fault['id']} ({fault['impact']}): {nodes}")
            page.emulate_media(color_scheme="light")
            page.set_viewport_size({"width": 1280, "height": 900})
            if page.evaluate("document.documentElement.scrollWidth") > 1280:
                found.append(f"{at}: wider than a wide screen")
            for fault in page.evaluate(AXE_COLOURS):
                found.append(f"{at}, light: {[node['html'][:150] for node in fault['nodes'][:3]]}")
            page.emulate_media(color_scheme="dark")
            page.set_viewport_size({"width": 390, "height": 900})

        def log_in(name: str, password: str) -> None:
            page.goto("/log-in")
            page.fill("#name", name)
            page.fill("#password", password)
            page.get_by_role("button", name="Log in").click()

        look("/log-in")
        look("/join")
        look(f"/join?code={code}")
        log_in("Q. Ulbrenq", "wrong")
        look("")
        log_in("Q. Ulbrenq", PASSWORD)
        page.wait_for_url(re.compile("/instruments$"))
        for at in PAGES:
            look(at)
        look(f"/shared/{lot}")
        whose = urlencode({"supplier": "Ulqor Yard (invented)", "receiver": FIRMS[0]})
        look(f"/judged?{whose}&model=Tesquil&pieces=500")
        page.goto("/people")
        page.locator("summary").first.click()
        look("")
        page.get_by_role("button", name="Log out").click()
        page.wait_for_url(re.compile("/log-in$"))
        log_in("U. Quenlo", PASSWORD)
        page.wait_for_url(re.compile("/lots$"))
        look("/lots")
        look(f"/lots/{lot}")
        context.close()
    assert not found, "\n".join(found)


# ---- what a partner sees -------------------------------------------------------------------------

Team = tuple[TestClient, list[SharedLot], list[SharedLot], list[str]]


@pytest.fixture(scope="module")
def team(
    tmp_path_factory: pytest.TempPathFactory, with_examples: Callable[[Path], Path]
) -> Iterator[Team]:
    """Return a partner's browser, their lots, the other partner's, and all instruments."""
    folder = with_examples(tmp_path_factory.mktemp("lots"))
    with workshop.archive(str(folder)) as dossiers:
        names = [dossiers.named(serial) for serial in SERIALS]
        accounts, lots = Accounts(dossiers.archive), SharedLots(dossiers.archive)
        for number, firm in enumerate(FIRMS):
            code = accounts.invite(f"partner {number}", "partner", partner=firm)
            accounts.join(code, PASSWORD)
        lots.share("lot 7", FIRMS[0], names[2:])
        lots.share("lot 7", FIRMS[1], names[:2])
        lots.share("lot 8", FIRMS[1], names)
        app = application(dossiers, port=PORT)
        with TestClient(app, base_url=HERE, raise_server_exceptions=False) as client:
            client.post("/log-in", data={"name": "partner 0", "password": PASSWORD})
            yield client, lots.of(FIRMS[0]), lots.of(FIRMS[1]), names
        app.state.shop.leave()


def asked(client: TestClient, method: str, path: str) -> tuple[int, str]:
    (mark,) = re.findall(r'name="csrf" content="(\w+)"', client.get("/settings").text)
    sent = {"says": "read again", "reason": "fret 7 looks high"}
    how: dict[str, Any] = {"headers": {"x-csrf": mark}, "follow_redirects": False}
    if method == "POST":
        how |= {"json": sent} if path.startswith("/api/") else {"data": {**sent, "csrf": mark}}
    answer = client.request(method, path, **how)
    return answer.status_code, answer.text


def test_a_partner_sees_the_own_lot_and_nothing_of_another_s(team: Team) -> None:
    client, own, others, names = team
    listed = client.get("/lots").text
    assert own[0].key in listed
    assert all(lot.key not in listed and lot.partner not in listed for lot in others)
    shown = client.get(f"/lots/{own[0].key}")
    assert shown.status_code == 200
    assert SERIALS[2] in shown.text
    assert not any(serial in shown.text for serial in SERIALS[:2])
    nothing = asked(client, "GET", "/lots/0123456789abcdef")
    for lot in others:
        absent = asked(client, "GET", "/api/v1/lots/0123456789abcdef")
        assert absent[0] == 404
        assert asked(client, "GET", f"/api/v1/lots/{lot.key}") == absent
        assert asked(client, "POST", f"/api/v1/lots/{lot.key}/answer") == absent
        assert asked(client, "GET", f"/lots/{lot.key}") == nothing
        assert asked(client, "POST", f"/lots/{lot.key}/answer") == nothing
        for name in names:
            where = f"/lots/{lot.key}/{name}/certificate.html"
            assert asked(client, "GET", where) == nothing
    for name in names[:2]:  # another's instrument by the own lot
        assert asked(client, "GET", f"/lots/{own[0].key}/{name}/certificate.html")[0] == 422


def test_a_partner_is_not_told_where_the_archive_lies(team: Team) -> None:
    client, _, _, _ = team
    archive = client.app.state.door.archive  # type: ignore[attr-defined]
    shown = client.get("/settings").text
    assert "partner 0, partner" in shown
    assert str(archive.address) not in shown


ROUTES = [route.split() for route, right in NEEDS.items() if right != "anyone"]

PARTNER_ROUTES = [
    route.split() for route, right in NEEDS.items() if right in ROLE_RIGHTS["partner"]
]


@given(data=st.data())
def test_no_identifier_leads_to_another_s_lot(team: Team, data: st.DataObject) -> None:
    """Whatever is asked for by whatever known or made-up identifier, nothing of it comes."""
    client, own, others, names = team
    known = [*names, *SERIALS, *(lot.key for lot in (*own, *others)), "lot 7", "lot 8", *FIRMS]
    part = st.sampled_from([*known, "..", "%2e%2e", "0" * 32]) | st.text(
        alphabet="0123456789abcdef", min_size=1, max_size=40
    )
    method, path = data.draw(st.sampled_from(PARTNER_ROUTES) | st.sampled_from(ROUTES))
    if path in ("/log-out", "/under-way/{name}/events"):
        return
    place = re.sub(r"\{[^}]*\}", lambda _: data.draw(part), path)
    status, text = asked(client, method, place)
    right = NEEDS[f"{method} {path}"]
    if right not in ROLE_RIGHTS["partner"] and ".." not in place.split("/"):
        assert status in (403, 404, 405)  # a client makes another address of one with ".."
    assert status < 500
    for secret in (FIRMS[1], *SERIALS[:2]):
        assert secret not in text or secret in place


def test_the_partner_answers_and_the_audit_log_tells_it(team: Team) -> None:
    client, own, _, _ = team
    status, _ = asked(client, "POST", f"/lots/{own[0].key}/answer")
    assert status == 303
    assert "to be read again" in client.get("/lots").text
    (mark,) = re.findall(r'name="csrf" content="(\w+)"', client.get("/settings").text)
    early = client.post(f"/lots/{own[0].key}/answer", data={"says": "yes", "csrf": mark})
    assert early.status_code == 422
    archive = client.app.state.door.archive  # type: ignore[attr-defined]
    assert audit.lines(archive)[0].what == "lot to be read again"
    page = client.get(f"/lots/{own[0].key}").text
    assert re.findall(r'name="says" value="([^"]+)"', page)[-2:] == ["read again", "sent back"]
    back = {"says": "sent back", "reason": "dents", "csrf": mark}
    assert client.post(f"/lots/{own[0].key}/answer", data=back).status_code in (200, 303)
    assert "sent back" in client.get("/lots").text
    assert audit.lines(archive)[0].what == "lot sent back"
