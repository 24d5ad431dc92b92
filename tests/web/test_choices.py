"""What comes from outside to Settings and Archive: choices that are none, names, work of others."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from evenfall import workshop
from evenfall.web.application import application

PORT = 8417


@pytest.fixture
def client(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[TestClient]:
    monkeypatch.setenv("EVENFALL_SETTINGS", str(tmp_path / "settings"))
    with workshop.archive(str(tmp_path / "archive"), make=True) as dossiers:
        app = application(dossiers, port=PORT)
        client = TestClient(app, base_url=f"http://127.0.0.1:{PORT}", follow_redirects=False)
        client.headers["accept"] = "text/html"
        yield client
        app.state.shop.leave()


def test_choices_that_are_none_are_not_kept(client: TestClient) -> None:
    wrong = {"theme": "red", "unit": "ell", "hand": '"><script>', "room": "none"}
    answer = client.post("/settings", data=wrong)
    assert answer.status_code == 303
    assert not client.cookies
    client.cookies.update({"theme": '"onload=x', "room": "<b>", "person": "%3Cscript%3E%0A\x0b"})
    shown = client.get("/settings").text
    assert "data-theme" not in shown
    assert "data-room" not in shown
    assert "<script>" not in shown
    assert 'value="&lt;script&gt;"' in shown


def test_what_a_bench_chose_holds_on_every_page_and_goes_back(client: TestClient) -> None:
    chosen = {"theme": "dark", "room": "close", "unit": "in", "hand": "left"}
    person = "Žq. Ulbrenq"
    client.post("/settings", data={**chosen, "person": person})
    assert {one: client.cookies[one] for one in chosen} == chosen
    opened = {"kind": "ukulele", "serial": "UY-0999 (invented)"}
    there = client.post("/new", data=opened).headers["location"]
    page, label = client.get(there).text, client.get(f"{there}/label").text
    for shown in (page, label, client.get("/settings").text):
        assert 'data-theme="dark"' in shown
        assert 'data-room="close"' in shown
    assert person in page  # who filed it
    assert opened["serial"] in label
    assert " in</" in client.get(f"{there}/measure").text
    client.post("/settings", data={})
    assert not client.cookies
    assert "data-theme" not in client.get(there).text


@pytest.mark.slow
def test_another_unit_leads_back_to_the_very_page(client: TestClient) -> None:
    there = "/instruments?words=uy%20b&amp;x=1"
    assert f'name="back" value="{there}"' in client.get("/instruments?words=uy%20b&x=1").text
    for back, to in (
        ("/instruments?words=uy%20b&x=1", "/instruments?words=uy%20b&x=1"),
        *(("//evil.example", "/"), ("/\\evil.example", "/"), ("https://evil.example", "/")),
        *(("/a\r\nset-cookie: x=1", "/"), ("", "/")),
    ):
        answer = client.post("/view", data={"unit": "in", "back": back})
        assert (answer.status_code, answer.headers["location"]) == (303, to)
    refused = client.post("/new", data={})  # this page has no address to come back to
    assert 'action="/view"' not in refused.text


def test_a_name_is_kept_as_one_short_line(client: TestClient) -> None:
    client.post("/settings", data={"person": "  Žofq \r\n Ulbrenq; Path=/x \u202e" + "n" * 300})
    shown = client.get("/settings").text
    assert 'value="Žofq Ulbrenq; Path=/x nnn' in shown
    assert "\u202e" not in shown
    assert "n" * 101 not in shown


@pytest.mark.quick(3)
@pytest.mark.parametrize(
    ("place", "data", "status", "said"),
    [
        ("/archive/backup", {"to": "somewhere"}, 422, "from the root on"),
        ("/archive/backup", {"to": " "}, 422, "from the root on"),
        ("/archive/export", {"names": "nobody"}, 422, "No dossier goes by"),
        ("/archive/task/none/file", {}, 422, "no longer kept"),
        ("/archive/sent/upload", {"task": "../../etc"}, 404, "no longer kept"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_sentence(
    client: TestClient, place: str, data: dict[str, str], status: int, said: str
) -> None:
    answer = client.post(place, data=data)
    assert answer.status_code == status
    assert said in answer.text
    assert answer.text.count("<p>") == 2  # the sentence, and how to go on


def test_the_work_of_an_instrument_is_no_work_of_the_archive(client: TestClient) -> None:
    app = client.app
    task = app.state.shop.queue.put("receive", {"sizes": []}, state="receiving")  # type: ignore[attr-defined]
    answer = client.get(f"/archive/task/{task.id}")
    assert answer.status_code == 422
    assert "not work on the archive" in answer.text
    filed = client.post(f"/archive/task/{task.id}/file", data={"trust": "1"})
    assert "no longer at hand" in filed.text
