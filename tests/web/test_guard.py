"""Who is let in, how much comes in, and the one shape of an error."""

from __future__ import annotations

import asyncio
import json
import os
import re
import signal
import sqlite3
import subprocess
import urllib.request
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from evenfall import workshop
from evenfall.errors import At, RequestError
from evenfall.web.application import application
from evenfall.web.guard import FORM_LIMIT_BYTES, POLICY
from evenfall.web.transport import listen
from evenfall.web.words import WORDS
from evenfall.wording import LIBRARY_WORDS
from evenfall.workshop import Source
from evenfall.workshop.opening import on_disk
from served import started

PORT = 8417
HERE = f"http://127.0.0.1:{PORT}"


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    folder = tmp_path_factory.mktemp("archive")
    with workshop.archive(str(folder), make=True) as dossiers:
        app = application(dossiers, port=PORT)
        with TestClient(app, base_url=HERE, raise_server_exceptions=False) as made:
            yield made


def test_the_pages_have_a_word_for_each_place_and_no_other() -> None:
    assert WORDS.keys() == LIBRARY_WORDS.keys()


def test_an_empty_archive_offers_the_first_step(client: TestClient) -> None:
    page = client.get("/")
    assert page.status_code == 200
    assert page.url.path == "/instruments"
    assert "No instrument yet" in page.text
    assert page.headers["content-security-policy"] == POLICY
    assert "unsafe" not in POLICY
    assert "<script>" not in page.text
    assert "style=" not in page.text
    assert "http://" not in page.text
    assert "https://" not in page.text


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", f"localhost:{PORT + 1}", ""])
def test_another_host_is_refused(client: TestClient, host: str) -> None:
    refused = client.get("/instruments", headers={"host": host})
    assert refused.status_code == 421
    assert "use that address" in refused.json()["error"]["sentence"]


@pytest.mark.parametrize(
    "headers",
    [
        [("transfer-encoding", "chunked"), ("content-length", "3")],
        [("host", f"127.0.0.1:{PORT}"), ("host", f"127.0.0.1:{PORT}")],
        [("x-forwarded-proto", "http"), ("x-forwarded-proto", "https")],
        [("x-forwarded-for", "192.0.2.1"), ("x-forwarded-for", "192.0.2.2")],
        [("authorization", "Bearer a"), ("authorization", "Bearer b")],
    ],
)
def test_what_two_readers_could_read_differently_is_refused(
    client: TestClient, headers: list[tuple[str, str]]
) -> None:
    """Of a proxy and of these pages: a request could hide in another (RFC 9112, 6.3 and 11.2)."""
    answer = client.post("/log-in", headers=headers, content=b"a=b")
    assert answer.status_code == 400, answer.text
    assert answer.headers["connection"] == "close"


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": f"https://127.0.0.1:{PORT}"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_what_another_site_sends_is_refused(client: TestClient, headers: dict[str, str]) -> None:
    assert client.post("/example", headers=headers).status_code == 403
    assert "No instrument yet" in client.get("/instruments").text


def test_too_much_is_one_sentence(client: TestClient) -> None:
    stated = client.post("/new", content=b"x" * (FORM_LIMIT_BYTES + 1))
    assert stated.status_code == 413

    def unstated() -> Iterator[bytes]:
        for _ in range(5):
            yield b"x" * (FORM_LIMIT_BYTES // 4)

    headers = {"content-type": "application/x-www-form-urlencoded"}
    streamed = client.post("/new", content=unstated(), headers=headers)
    assert streamed.status_code == 413
    for refused in (stated, streamed):
        assert refused.json()["error"]["sentence"].startswith("More than 2 MB were sent")
        assert "in parts" not in refused.text  # nobody who fills in a form can do that
    program = client.post("/api/v1/plan", content=b"", headers={"content-length": "9000000"})
    assert program.status_code == 413
    assert program.json()["error"]["sentence"].endswith("a large file as an upload in parts.")


def test_errors_have_one_shape_for_scripts_and_one_page_for_people(client: TestClient) -> None:
    for place in ("/instruments/nobody", "/instruments/nobody/plan", "/no/such/page"):
        told = client.get(place)
        assert told.status_code in (404, 422)
        assert told.json()["error"].keys() == {
            *("code", "at", "text", "values", "sentence", "findings")
        }
        seen = client.get(place, headers={"accept": "text/html"})
        assert seen.status_code == told.status_code
        assert told.json()["error"]["sentence"].split("{")[0][:20] in unescape(seen.text)
    malformed = client.post("/instruments/nobody/plan/look", json={"attack_percent": "much"})
    assert malformed.status_code == 422
    assert malformed.json()["error"]["code"] == "request"


def test_a_damaged_entry_is_one_sentence(client: TestClient) -> None:
    folder: Path = client.app.state.shop.dossiers.archive.address.folder  # type: ignore[attr-defined]
    made = client.post("/new", data={"kind": "electric"}, follow_redirects=False)
    page = made.headers["location"]
    with closing(sqlite3.connect(folder / "archive.db")) as broken, broken:
        broken.execute("UPDATE entry SET facts = substr(facts, 1, 20) WHERE kind = 'specification'")
    for place in (page, f"/api/v1/dossiers/{page.rpartition('/')[2]}"):
        told = client.get(place)
        assert told.status_code == 500
        assert told.json()["error"]["code"] == "broken-file"
        assert "What an entry says is damaged." in told.json()["error"]["sentence"]
    seen = client.get(page, headers={"accept": "text/html"})
    assert "What an entry says is damaged." in seen.text


@pytest.mark.parametrize("back", ["//evil.example", "https://evil.example", "/\\evil.example", ""])
def test_a_choice_of_view_leads_back_to_these_pages_alone(client: TestClient, back: str) -> None:
    form = {"unit": "in", "hand": "up", "back": back}
    chosen = client.post("/view", data=form, follow_redirects=False)
    assert chosen.headers["location"] == "/"
    assert "unit=in" in chosen.headers["set-cookie"]
    assert "hand" not in chosen.headers["set-cookie"]
    client.cookies.clear()


def test_a_file_outside_is_not_served(client: TestClient) -> None:
    for place in ("/static/../view.py", "/static/%2e%2e/view.py", "/static/..%2f..%2fwords.py"):
        assert client.get(place).status_code == 404


def test_only_this_machine_can_listen_to_it() -> None:
    with listen(0) as listening:
        assert listening.getsockname()[0] == "127.0.0.1"
        port = listening.getsockname()[1]
        with pytest.raises(Exception, match="choose another, or 0"):
            listen(port)


def test_scripts_and_style_name_no_other_host() -> None:
    static = Path(workshop.__file__).parent.parent / "web" / "static"
    files = [*static.glob("*.js"), *static.glob("*.css")]
    assert len(files) > 5
    for file in files:
        assert "://" not in file.read_text(encoding="utf-8").replace("http://www.w3.org", "")


def test_every_block_of_a_style_sheet_ends_once() -> None:
    """A brace too many takes the rule after it along, and no browser says so."""
    for sheet in (Path(workshop.__file__).parent.parent / "web" / "static").glob("*.css"):
        depth = 0
        for n, line in enumerate(sheet.read_text(encoding="utf-8").splitlines(), 1):
            for brace in re.findall("[{}]", line):
                depth += 1 if brace == "{" else -1
                assert depth >= 0, f"{sheet.name}, line {n}"
        assert depth == 0, sheet.name


def test_a_page_that_comes_too_early_leads_to_the_next_step(client: TestClient) -> None:
    opened = client.post("/new", data={"kind": "ukulele", "serial": "WB-9 (invented)"})
    base = opened.url.path
    for page in ("work", "plan", "proof"):
        assert client.get(f"{base}/{page}").url.path == f"{base}/measure"
    assert "Take the readings" in client.get(base).text


def test_an_error_names_a_file_as_it_was_sent_and_no_folder_of_this_machine() -> None:
    sent = Source("big.csv", b"x")

    def refuse(name: str) -> None:
        with pytest.raises(RequestError) as refused, on_disk([sent]) as (path,):
            raise RequestError("Too large.", at=At(file=str(path) if name == "path" else path.name))
        assert refused.value.at.file == "big.csv"

    refuse("path")
    refuse("name")


def listened_at(process: int) -> set[str]:
    """Return the addresses that a process listens at."""
    own = {os.readlink(one) for one in Path(f"/proc/{process}/fd").iterdir()}
    found = set()
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/{process}/net/{table}").read_text().splitlines()[1:]:
            cells = line.split()
            if cells[3] == "0A" and f"socket:[{cells[9]}]" in own:
                address = bytes.fromhex(cells[1].split(":")[0])
                found.add(".".join(map(str, address[::-1])))
    return found


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="only on Linux")
def test_it_starts_with_one_command_and_stops_in_order(tmp_path: Path) -> None:
    server, place = started(str(tmp_path / "archive"), log=subprocess.PIPE)
    assert server.stdout is not None
    server.stdout.readline()
    assert server.stdout.readline() == "Stop with Ctrl+C.\n"
    with urllib.request.urlopen(place, timeout=30) as answer:  # noqa: S310 (our own address)
        assert b"No instrument yet" in answer.read()
    assert listened_at(server.pid) == {"127.0.0.1"}
    server.send_signal(signal.SIGTERM)
    out, log = server.communicate(timeout=30)
    assert server.returncode == 0
    assert out == "Stopped; what was filed is in the archive.\n"
    events = [json.loads(line) for line in log.splitlines()]
    assert any(e.get("path") == "/instruments" and e["status"] == 200 for e in events)
    assert (tmp_path / "archive").is_dir()


def test_who_opens_one_number_at_once_finds_one_dossier(client: TestClient) -> None:
    asked = {"kind": "electric", "name": "Tesquil (invented)", "serial": "WB-TWICE"}

    def press(_: int) -> str:
        answer = client.post("/new", data=asked, follow_redirects=False)
        return answer.headers["location"]

    with ThreadPoolExecutor(4) as pool:
        assert len(set(pool.map(press, range(4)))) == 1


def test_half_a_character_is_one_sentence(client: TestClient) -> None:
    asked = {"kind": "electric", "name": "Tesquil (invented)", "serial": "WB-HALF"}
    place = client.post("/new", data=asked, follow_redirects=False).headers["location"]
    for page in ("check", "file"):
        said = client.post(
            f"{place}/measure/{page}",
            content=b'{"values": {"crown_top:1:1": "\\ud800"}}',
            headers={"content-type": "application/json", "accept": "application/json"},
        )
        assert said.status_code == 422
        assert said.json()["error"]["sentence"].startswith("A character is damaged")


@pytest.mark.parametrize("path", ["/instruments/1/plan/look", "/api/v1/diagnose"])
def test_who_leaves_while_sending_is_no_fault(
    client: TestClient, path: str, caplog: pytest.LogCaptureFixture
) -> None:
    told: list[dict[str, Any]] = []

    async def leaves() -> dict[str, Any]:
        return {"type": "http.disconnect"}

    async def tell(message: dict[str, Any]) -> None:
        told.append(message)

    scope = {
        "type": "http",
        "http_version": "1.1",
        "method": "POST",
        "scheme": "http",
        "path": path,
        "query_string": b"",
        "headers": [(b"host", client.base_url.netloc), (b"content-type", b"application/json")],
    }
    # in a thread of its own: a browser that another test left open keeps this one's loop running
    with ThreadPoolExecutor(1) as apart:
        apart.submit(asyncio.run, client.app(scope, leaves, tell)).result()  # type: ignore[arg-type]
    assert told[0]["status"] == 400
    assert not [one for one in caplog.records if one.levelname == "ERROR"]
