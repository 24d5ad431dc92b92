"""Two people on one instrument: each hears of the other, and nobody files over what is unseen."""

from __future__ import annotations

import html
import inspect
import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

import httpx2
import pytest
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient
from playwright.sync_api import Browser, expect

import evenfall as ef
from evenfall import workshop
from evenfall.records import Filing
from evenfall.records.accounts import Accounts
from evenfall.records.queue import Queue
from evenfall.web.application import ROUTERS, application
from evenfall.web.rights import NEEDS
from evenfall.web.together import FILINGS
from evenfall.workshop.typed import typed_of
from served import serving
from steps import by_place, open_new

PORT = 8417
PASSWORD = "four words of a test"  # noqa: S105
BEFORE, SPEC = ef.Source.invented("tesquil-before.csv"), ef.Source.invented("tesquil.spec.toml")


def filed(dossiers: ef.Dossiers) -> str:
    """File an instrument with readings, and return its dossier."""
    made = ef.measure(ef.MeasureRequest((BEFORE,), SPEC, serial="UY-0417")).measurement
    return dossiers.file(made, files=(SPEC, BEFORE), person="Q. Ulbrenq").line.dossier


@pytest.fixture
def dossiers(tmp_path: Path) -> Iterator[ef.Dossiers]:
    with workshop.archive(str(tmp_path / "archive"), make=True) as made:
        yield made


@pytest.mark.slow
def test_a_plan_by_readings_that_are_no_longer_the_newest_is_not_filed(
    dossiers: ef.Dossiers,
) -> None:
    place = f"/instruments/{filed(dossiers)}"
    app = application(dossiers, port=PORT)
    accept = {"accept": "text/html"}
    with TestClient(app, base_url=f"http://127.0.0.1:{PORT}", headers=accept) as client:
        shown = client.get(f"{place}/plan").text
        (seen,) = set(re.findall(r'name="seen" (?:value|content)="([0-9a-f]{32})"', shown))
        dossiers.note(ef.NoteRequest("UY-0417", "Fret 7 seated.", person="A. Dremquil"))
        asked = {"method": "spot", "by": "Q. Ulbrenq", "seen": seen}
        late = client.post(f"{place}/plan/take", data=asked)
        assert late.status_code == 412
        assert "A. Dremquil" in late.text
        assert [one.kind for one in dossiers.show("UY-0417").entries].count("plan") == 0
        fresh = re.findall(r'name="seen" value="([0-9a-f]{32})"', client.get(f"{place}/plan").text)
        with ThreadPoolExecutor(3) as several:  # pressed three times
            form = {**asked, "seen": fresh[0]}
            press = partial(client.post, f"{place}/plan/take", data=form)
            pressed = [several.submit(press) for _ in range(3)]
            assert [one.result().status_code for one in pressed] == [200, 200, 200]
        assert [one.kind for one in dossiers.show("UY-0417").entries].count("plan") == 1
        typed = typed_of((BEFORE,), ef.read_specification(SPEC.text())[0])
        assert typed is not None
        sheet = {"values": dict(typed.values), "uncertainty": typed.uncertainty}
        for since, status, kept in ((seen, 412, 1), ("", 200, 2)):
            headers = {"if-match": since} if since else {}
            sent = client.post(f"{place}/measure/file", json=sheet, headers=headers)
            assert sent.status_code == status
            kinds = [one.kind for one in dossiers.show("UY-0417").entries]
            assert kinds.count("measurement") == kept
        app.state.shop.leave()


# ---- every form that files -----------------------------------------------------------------------


@pytest.fixture
def client(dossiers: ef.Dossiers) -> Iterator[TestClient]:
    app = application(dossiers, port=PORT)
    accept = {"accept": "text/html"}
    with TestClient(app, base_url=f"http://127.0.0.1:{PORT}", headers=accept) as made:
        yield made
    app.state.shop.leave()


def form_in(text: str, action: str) -> dict[str, str]:
    """Return what a form of a page carries without being filled in."""
    (inside,) = re.findall(
        rf'<form [^>]*method="post"[^>]*action="{re.escape(action)}"[^>]*>(.*?)</form>',
        text,
        re.DOTALL,
    )
    pairs = re.findall(r'<input type="hidden" name="([^"]*)" value="([^"]*)">', inside)
    return {name: html.unescape(value) for name, value in pairs}


def not_in_forms() -> set[str]:
    """Return routes by which a page files, or begins something, without a version."""
    return {
        *("/example", "/new", "/gauges"),  # open a dossier
        *("/uploads", "/instruments/{name}/measure/upload", "/instruments/{name}/program/upload"),
        "/instruments/{name}/measure/file",  # by If-Match
        *("/instruments/{name}/play", "/under-way/{name}/stop", "/under-way/{name}/again"),
    }


def test_every_form_that_files_goes_by_what_was_seen() -> None:
    with_version = {
        route.path
        for router in ROUTERS
        for route in router.routes
        if isinstance(route, APIRoute) and "seen" in inspect.signature(route.endpoint).parameters
    } | {"/judged"}  # which reads its form by itself
    assert with_version == set(FILINGS)
    filing = {
        path
        for method, path in map(str.split, NEEDS)
        if method == "POST"
        and NEEDS[f"{method} {path}"] in ("measure", "plan", "release", "lots", "keep")
        and not path.startswith(("/archive/", "/people"))
        and not path.startswith("/api/")
    }
    assert filing - not_in_forms() == with_version


@pytest.mark.slow
def test_work_that_two_report_is_kept_of_both_and_of_the_plan_that_each_saw(
    dossiers: ef.Dossiers, client: TestClient
) -> None:
    """The second report vanished, or counted for a plan that was taken after the work was done."""
    name = filed(dossiers)
    place, action = f"/instruments/{name}", f"/instruments/{name}/done"

    def take(method: str) -> None:
        fields = form_in(client.get(f"{place}/plan").text, f"{place}/plan/take")
        assert client.post(f"{place}/plan/take", data={**fields, "method": method}).is_success

    def told() -> list[tuple[str, str]]:
        return [(one.person, str(one.said)) for one in dossiers.show(name).entries[-2:]]

    take("spot")
    seen = form_in(client.get(f"{place}/work").text, action)
    first = {**seen, "by": "A. Dremquil", "cutter": "file 3"}
    for _ in range(2):  # pressed twice: filed once
        assert client.post(action, data=first, follow_redirects=False).status_code == 303
    second = {**seen, "by": "Q. Ulbrenq", "cutter": "file 4"}
    late = client.post(action, data=second)
    assert late.status_code == 412
    assert "A. Dremquil" in late.text
    assert "file 4" in late.text
    take("level")
    both = client.post(action, data=second)
    chosen = client.post(action, data=form_in(both.text, action), follow_redirects=False)
    assert chosen.status_code == 303
    said = f"Work of plan {seen['plan']} done"
    assert [one for one in told() if one[0] == "Q. Ulbrenq" and one[1].startswith(said)]
    assert len([one for one in dossiers.show(name).entries if str(one.said).startswith(said)]) == 2
    assert form_in(client.get(f"{place}/work").text, action)["plan"] != seen["plan"]  # still to do
    wrong = client.post(action, data={**first, "plan": "0" * 10, "seen": ""})
    assert "There is no plan" in wrong.text


def test_a_number_that_is_there_opens_its_instrument_and_leaves_its_specification(
    dossiers: ef.Dossiers, client: TestClient
) -> None:
    """A new form with another's number replaced the specification unseen, by whatever role."""
    name = filed(dossiers)
    entries = dossiers.show(name).entries
    other = SPEC.text().replace("reference_fret = 12", "reference_fret = 11")
    for serial, text, status in (
        ("UY-0417", other, 422),
        (" uy-0417", other, 422),
        ("UY-0417", SPEC.text(), 303),
    ):
        sent = {"file": ("own.toml", text.encode())}
        answer = client.post("/new", data={"serial": serial}, files=sent, follow_redirects=False)
        assert answer.status_code == status
        told = answer.headers.get("location", answer.text)
        assert ("with another specification" in told) == (status == 422)
        assert status == 422 or told.endswith(name)
    assert dossiers.show(name).entries == entries


def chart_page(dossiers: ef.Dossiers, client: TestClient) -> str:
    """File proofs, and return the address of the chart of their relief."""
    for day in range(2, 12):
        of = {"content_hash": f"{day:064x}", "schema": "evenfall/proof@1", "specification": ""}
        read = {"relief_mm": 0.2 + day % 3 / 100.0, "done": f"2026-04-{day:02}T09:00Z"}
        opened = Filing("opened", {"subject": "instrument", "name": "Tesquil (invented)"})
        dossiers.archive.file(None, [opened, Filing("proof", {**of, **read})])
    return client.get("/charts").text


def conflicts(dossiers: ef.Dossiers) -> Iterator[tuple[str, str, dict[str, str]]]:
    """Yield a page, the form on it, and what is typed there, for forms of several places."""
    name = filed(dossiers)
    at = f"/instruments/{name}"
    gauge = dossiers.add(ef.AddRequest(subject="gauge", name="dial 3")).line.dossier
    text = SPEC.text().replace("extra_clearance = ", "extra_clearance  = ")
    yield f"{at}/plan", f"{at}/plan/take", {"method": "spot"}
    yield f"{at}/specification", "/specifications/save", {"text": text + "\n# mine\n"}
    yield f"/gauges/{gauge}", f"/gauges/{gauge}/calibrated", {"date": "2026-05-04"}
    read = {"standard": "plate", "stated": "1.000", "read": "1.002"}
    yield f"/gauges/{gauge}", f"/gauges/{gauge}/check", read


@pytest.mark.slow
def test_two_versions_stand_side_by_side_and_either_can_be_chosen(
    dossiers: ef.Dossiers, client: TestClient
) -> None:
    for page, action, typed in conflicts(dossiers):
        fields = {**form_in(client.get(page).text, action), **typed}
        dossier = re.findall("[0-9a-f]{32}", page)[0]
        dossiers.note(ef.NoteRequest(dossier, "Fret 7 seated.", person="A. Dremquil"))
        before = len(dossiers.show(dossier).entries)
        late = client.post(action, data={**fields, "by": "Q. Ulbrenq"})
        assert late.status_code == 412, action
        assert len(dossiers.show(dossier).entries) == before
        for said in ("Yours, not filed", "Q. Ulbrenq", "Filed since you looked", "A. Dremquil"):
            assert said in late.text, (action, said)
        assert "Fret 7 seated." in late.text
        mine = form_in(late.text, action)
        assert mine.items() >= {**typed, "by": "Q. Ulbrenq"}.items()
        chosen = client.post(action, data=mine)
        assert chosen.status_code == 200, (action, chosen.text)
        entries = dossiers.show(dossier).entries
        assert len(entries) > before
        assert entries[-1].person == "Q. Ulbrenq"


def test_a_specification_that_two_change_shows_where_they_differ(
    dossiers: ef.Dossiers, client: TestClient
) -> None:
    name = filed(dossiers)
    place = f"/instruments/{name}/specification"
    fields = form_in(client.get(place).text, "/specifications/save")
    mine, theirs = (
        SPEC.text().replace("reference_fret = 12", f"reference_fret = {fret}") for fret in (11, 13)
    )
    assert mine != theirs
    client.post("/specifications/save", data={**fields, "text": theirs, "by": "A. Dremquil"})
    late = client.post("/specifications/save", data={**fields, "text": mine, "by": "Q. Ulbrenq"})
    assert late.status_code == 412
    assert re.search(r"scale\.reference_fret</th><td>11</td><td>13</td>", late.text)
    edited = client.post("/specifications/edit", data=form_in(late.text, "/specifications/edit"))
    assert edited.status_code == 200
    assert "reference_fret = 11" in edited.text
    again = {**form_in(edited.text, "/specifications/save"), "text": mine}
    assert client.post("/specifications/save", data=again).status_code == 200
    filed_now = dossiers.document(name, "specification").text()
    assert "reference_fret = 11" in filed_now


def test_two_new_models_of_one_name_do_not_become_versions_of_each_other_unseen(
    dossiers: ef.Dossiers, client: TestClient
) -> None:
    fields = form_in(client.get("/specifications/new").text, "/specifications/save")
    text = SPEC.text()
    first = client.post("/specifications/save", data={**fields, "text": text, "by": "A. Dremquil"})
    assert first.status_code == 200
    other = text.replace("reference_fret = 12", "reference_fret = 11")
    late = client.post("/specifications/save", data={**fields, "text": other})
    assert late.status_code == 412
    assert "A. Dremquil" in late.text


@pytest.mark.slow
def test_a_chart_that_two_work_on_keeps_what_the_other_did_in_view(
    dossiers: ef.Dossiers, client: TestClient
) -> None:
    shown = chart_page(dossiers, client)
    fields = {**form_in(shown, "/charts"), "act": "left out", "point": "3"}
    first = client.post("/charts", data={**fields, "reason": "dropped", "by": "A. Dremquil"})
    assert first.status_code == 200
    late = client.post("/charts", data={**fields, "point": "5", "reason": "bent", "by": "Q. U."})
    assert late.status_code == 412
    assert "A. Dremquil" in late.text
    assert "bent" in late.text
    assert client.post("/charts", data=form_in(late.text, "/charts")).status_code == 200
    after = client.get("/charts").text
    assert "dropped" in after
    assert "bent" in after


@pytest.mark.slow
def test_typed_readings_stand_beside_those_that_were_filed_meanwhile(
    tmp_path: Path, browser: Browser
) -> None:
    """Two people type one sheet: the second sees both, where they differ, and chooses."""
    serial = "WT-0017 (invented)"
    with serving(tmp_path / "archive") as place:
        contexts = [browser.new_context(base_url=place) for _ in range(2)]
        one, other = (context.new_page() for context in contexts)
        open_new(one, serial)
        at = one.url
        for page, name in ((one, "A. Dremquil"), (other, "Q. Ulbrenq")):
            page.goto("/settings")
            page.fill("#person", name)
            page.get_by_role("button", name="Keep").click()
            page.goto(f"{at}/measure")
        values = by_place("before")
        changed_to = f"{float(values['crown_top:1:1']) + 0.001:.3f}"
        draft = {"unit": "mm", "uncertainty": "0.005", "strung": True, "finer": {}}
        for page, changed in ((one, {}), (other, {"crown_top:1:1": changed_to})):
            kept = {"values": {**values, **changed}, **draft}
            page.evaluate(
                "kept => localStorage.setItem('sheet:' + JSON.parse(document.getElementById("
                "'sheet-data').textContent).draft, JSON.stringify(kept))",
                kept,
            )
            page.reload()
            expect(page.locator("#file")).to_be_enabled()
        one.locator("#file").click()
        one.wait_for_url(at)
        other.locator("#file").click()
        expect(
            other.get_by_role("heading", name="Filed since you looked", exact=True)
        ).to_be_visible()
        expect(other.locator(".sides")).to_contain_text("A. Dremquil")
        row = other.get_by_role("row", name=re.compile("crown top, string 1, fret 1 "))
        expect(row).to_contain_text(f"{changed_to} mm")
        assert other.locator("tbody tr").count() == 1
        other.get_by_role("button", name="File mine as the newest readings").click()
        other.wait_for_url(at)
        expect(other.locator("main")).to_contain_text("Q. Ulbrenq")
        for context in contexts:
            context.close()


@pytest.mark.slow
def test_a_specification_is_edited_by_two_in_two_browsers(tmp_path: Path, browser: Browser) -> None:
    with serving(tmp_path / "archive") as place:
        with ef.connect(place) as there:
            filed_at = there.archive().add(ef.AddRequest((SPEC,), person="Q. Ulbrenq"))
        at = f"/specifications/{filed_at.line.dossier}"
        contexts = [
            browser.new_context(base_url=place, viewport={"width": wide, "height": 900})
            for wide in (1280, 390)
        ]
        pages = [context.new_page() for context in contexts]
        for page, (name, fret) in zip(
            pages, (("A. Dremquil", "13"), ("Q. Ulbrenq", "11")), strict=True
        ):
            page.goto(at)
            page.fill("#by", name)
            field = page.locator('[data-path="scale.reference_fret"]')
            field.evaluate("one => one.closest('details')?.setAttribute('open', '')")
            field.fill(fret)
            field.press("Tab")
            expect(page.locator("#text")).to_have_value(re.compile(f"reference_fret = {fret}"))
            expect(page.locator("#save")).to_be_enabled()
        for page in pages:
            page.locator("#save").click()
            page.wait_for_load_state()
        late = pages[1]
        expect(late.get_by_role("heading", name="Where the two differ")).to_be_visible()
        expect(late.get_by_role("row", name="scale.reference_fret 11 13")).to_be_visible()
        assert late.evaluate("document.documentElement.scrollWidth") <= 390
        late.get_by_role("button", name="Go on editing mine").click()
        expect(late.locator("#text")).to_have_value(re.compile("reference_fret = 11"))
        expect(late.locator("#save")).to_be_enabled()
        late.locator("#save").click()
        late.wait_for_url(re.compile(at))
        expect(late.locator("#text")).to_have_value(re.compile("reference_fret = 11"))
        for context in contexts:
            context.close()


@pytest.mark.slow
def test_who_looks_at_a_page_hears_what_another_files(tmp_path: Path, browser: Browser) -> None:
    with serving(tmp_path / "archive") as place, ef.connect(place) as there:
        archive = there.archive()
        made = ef.measure(ef.MeasureRequest((BEFORE,), SPEC, serial="UY-0417")).measurement
        dossier = archive.file(made, files=(SPEC, BEFORE), person="Q. Ulbrenq").line.dossier
        context = browser.new_context(base_url=place)
        page = context.new_page()
        page.goto(f"/instruments/{dossier}")
        told = page.locator("meanwhile-filed")
        expect(told).to_be_hidden()
        archive.note(ef.NoteRequest("UY-0417", "Fret 7 seated.", person="A. Dremquil"))
        expect(told).to_be_visible(timeout=20_000)
        expect(told).to_contain_text("A. Dremquil filed")
        expect(told).to_contain_text("Fret 7 seated.")
        told.get_by_role("link", name="Load the page again").click()
        expect(page.locator("meanwhile-filed")).to_be_hidden()
        context.close()


@pytest.mark.slow
def test_a_stream_ends_with_the_log_in_that_opened_it(tmp_path: Path) -> None:
    with serving(tmp_path / "archive") as place:
        with ef.archive(str(tmp_path / "archive")) as dossiers:
            made = ef.measure(ef.MeasureRequest((BEFORE,), SPEC, serial="UY-0417")).measurement
            dossier = dossiers.file(made, files=(SPEC, BEFORE)).line.dossier
            task = Queue(dossiers.archive).put("receive", {"sizes": [1]}, state="receiving")
            accounts = Accounts(dossiers.archive)
            made_here = accounts.join(accounts.invite("Q. Ulbrenq", "manager"), PASSWORD)
            key = accounts.log_in_as(made_here.id)
            version = dossiers.show(dossier).version
        headers = {"cookie": f"evenfall-log-in={key}"}
        with httpx2.Client(base_url=place, headers=headers, timeout=60.0) as client:
            for path in (
                f"/instruments/{dossier}/changes?since={version}",
                f"/under-way/{task.id}/events",
            ):
                with client.stream("GET", path) as stream:
                    lines = stream.iter_lines()
                    assert next(lines).startswith("retry")
                    with ef.archive(str(tmp_path / "archive")) as dossiers:
                        Accounts(dossiers.archive).log_out(key)
                    assert not [line for line in lines if "filed" in line]  # it ends
                assert client.get(path).status_code == 401
                with ef.archive(str(tmp_path / "archive")) as dossiers:
                    key = Accounts(dossiers.archive).log_in_as(made_here.id)
                client.headers["cookie"] = f"evenfall-log-in={key}"


@pytest.mark.slow
def test_pages_behind_the_one_that_is_looked_at_hold_no_connection(
    tmp_path: Path, browser: Browser
) -> None:
    """A browser keeps six connections to one server, and a page that watches holds one of them."""
    hide = """hidden => {
        Object.defineProperty(document, "hidden", {get: () => hidden, configurable: true});
        document.dispatchEvent(new Event("visibilitychange"));
    }"""
    with serving(tmp_path / "archive") as place, ef.connect(place) as there:
        archive = there.archive()
        made = ef.measure(ef.MeasureRequest((BEFORE,), SPEC, serial="UY-0417")).measurement
        dossier = archive.file(made, files=(SPEC, BEFORE)).line.dossier
        context = browser.new_context(base_url=place)
        page = context.new_page()
        with page.expect_request(re.compile("/changes")) as watching:
            page.goto(f"/instruments/{dossier}")
        with page.expect_event("requestfailed", lambda one: one == watching.value):
            page.evaluate(hide, True)
        archive.note(ef.NoteRequest("UY-0417", "Fret 7 seated.", person="A. Dremquil"))
        page.evaluate(hide, False)
        expect(page.locator("meanwhile-filed")).to_contain_text("A. Dremquil filed")
        context.close()
