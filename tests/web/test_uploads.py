"""Files that come piece by piece: resumed, refused, never half-written; hostile ones included."""

from __future__ import annotations

import errno
import io
import json
import os
import time
import zipfile
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from playwright.sync_api import Browser, Page, Route, expect

from evenfall import workshop
from evenfall.instrument import read_specification
from evenfall.records.queue import Queue
from evenfall.web.application import application
from evenfall.web.uploads import bare
from evenfall.workshop import AddRequest, Source, StarterRequest, starter
from evenfall.workshop.archives import Dossiers
from oracles.surfaces import Recipe, make_scan
from served import serving
from web.test_job import by_place, open_new

PORT = 8417
JSON = {"accept": "application/json"}
CORPUS = sorted(
    path
    for path in (Path(__file__).parents[1] / "scans" / "formats" / "corpus").glob("*/*")
    if path.is_file()
)


@pytest.fixture(scope="module")
def dossiers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Dossiers]:
    with workshop.archive(str(tmp_path_factory.mktemp("archive")), make=True) as made:
        made.add(AddRequest((Source.invented("tesquil.spec.toml"),), serial="WB-UP", new=True))
        yield made


@pytest.fixture(scope="module")
def client(dossiers: Dossiers) -> Iterator[TestClient]:
    yield from _client(dossiers)


def _client(dossiers: Dossiers) -> Iterator[TestClient]:
    app = application(dossiers, port=PORT)
    with TestClient(
        app, base_url=f"http://127.0.0.1:{PORT}", raise_server_exceptions=False
    ) as made:
        yield made
    app.state.shop.leave()


def announce(client: TestClient, *files: tuple[str, int]) -> str:
    asked = {"files": [{"name": name, "size": size} for name, size in files]}
    return str(client.post("/uploads", json=asked).json()["task"])


def send(
    client: TestClient, task: str, at: int, content: bytes, number: int = 0
) -> tuple[int, int]:
    headers = {**JSON, "upload-offset": str(at)}
    answer = client.patch(f"/uploads/{task}/{number}", content=content, headers=headers)
    return answer.status_code, answer.json().get("received", -1)


def look(client: TestClient, dossiers: Dossiers, task: str) -> tuple[int, str]:
    place = f"/instruments/{dossiers.named('WB-UP')}/measure/upload"
    answer = client.post(place, data={"task": task}, headers=JSON)
    return answer.status_code, answer.text


def sheet(stage: str = "before") -> bytes:
    content = Source.invented(f"tesquil-{stage}.csv").content
    assert content is not None
    return content


@pytest.mark.slow
def test_a_file_goes_on_where_it_broke_off_at_another_server_too(
    client: TestClient, dossiers: Dossiers
) -> None:
    content = sheet()
    task = announce(client, ("before.csv", len(content)))
    assert send(client, task, 0, content[:1000]) == (200, 1000)
    assert send(client, task, 0, content[:1000]) == (409, 1000)  # sent again: nothing twice
    assert send(client, task, 1500, content[1500:]) == (409, 1000)  # and nothing left out
    status, said = look(client, dossiers, task)
    assert status == 422
    assert "Not all of the files came" in said
    for other in _client(dossiers):
        assert other.get(f"/uploads/{task}", headers=JSON).json()["received"] == [1000]
        assert send(other, task, 1000, content[1000:]) == (200, len(content))
        status, said = look(other, dossiers, task)
        assert status == 200
        assert "before.csv: not filed yet" in said
        assert f'value="{task}"' in said
    assert send(client, task, len(content), b"more")[0] == 422


@pytest.mark.slow
def test_one_form_sent_several_times_at_once_is_read_once(
    client: TestClient, dossiers: Dossiers
) -> None:
    """A second press, or the same tab twice: each leads to the one page of what was read."""
    spec, before = Source.invented("tesquil.spec.toml"), Source.invented("tesquil-before.csv")
    made = workshop.measure(workshop.MeasureRequest((before,), spec, serial="WB-UT"))
    dossier = dossiers.file(made.measurement, files=(spec, before)).line.dossier
    place = f"/instruments/{dossier}/measure"
    content = b"quantity,string,fret,value\ncrown_height,,1,1.163\n"
    task = announce(client, ("crown.csv", len(content)))
    send(client, task, 0, content)
    form = {"task": task, "joined": "1"}

    def press(_: int) -> tuple[int, str]:
        answer = client.post(f"{place}/upload", data=form, headers=JSON)
        return answer.status_code, str(answer.url)

    with ThreadPoolExecutor(4) as pool:
        answers = set(pool.map(press, range(4)))
    assert answers == {(200, f"http://127.0.0.1:{PORT}{place}/seen/{task}")}
    queue = Queue(dossiers.archive)
    assert len(list((queue.folder(task) / "in").glob("*/*"))) == 2
    count = len(dossiers.archive.entries(dossier))
    for _ in range(2):
        filed = client.post(f"{place}/filed", data={"key": task}, headers={"accept": "text/html"})
        assert str(filed.url).endswith(f"/instruments/{dossier}")
    assert client.get(f"{place}/seen/{task}").url == filed.url
    kinds = [one.kind for one in dossiers.archive.entries(dossier)[count:]]
    assert kinds.count("measurement") == 1
    assert not queue.folder(task).exists()  # the archive holds what was filed


@pytest.mark.slow
def test_a_scan_alone_leads_to_a_sheet_beside_it(client: TestClient, dossiers: Dossiers) -> None:
    """A scan shows no strings: once it was filed, its instrument had no page but an error."""
    made = starter(StarterRequest("ukulele", name="Vesprel (invented)"))
    spec = Source(made.file_name, made.text.encode())
    dossier = dossiers.add(AddRequest((spec,), serial="WB-UL", new=True)).line.dossier
    recipe = Recipe(step_x=0.2, step_y=0.5, shadow_share=0.0)
    points = make_scan(read_specification(made.text)[0], recipe).points_mm
    scan = "\n".join(f"{x:.3f} {y:.3f} {z:.4f}" for x, y, z in points).encode()
    strings = [f"action,{k},{fret},{mm}" for k in range(1, 5) for fret, mm in ((1, 0.6), (12, 2.6))]
    action = "\n".join(("quantity,string,fret,value", *strings)).encode()
    place, page = f"/instruments/{dossier}", {"accept": "text/html"}
    shop = client.app.state.shop  # type: ignore[attr-defined]
    for name, content, joined in (("scan.xyz", scan, ""), ("action.csv", action, "1")):
        task = announce(client, (name, len(content)))
        send(client, task, 0, content)
        form = {"task": task, "joined": joined, "scan_uncertainty": "0,005", "scan_unit": "mm"}
        shown = client.post(f"{place}/measure/upload", data=form, headers=page)
        while not (known := shop.pool.shown(task)).ended:
            time.sleep(0.1)
        assert known.state == "done", known.result
        shown = client.get(f"{place}/measure/seen/{task}", headers=page)
        assert ("The job cannot go on from these alone" in shown.text) == (not joined)
        assert "add the scanner's own" not in shown.text  # it was said
        after = client.post(f"{place}/measure/filed", data={"key": task}, headers=page)
        assert (after.status_code, str(after.url)[-32:]) == (200, dossier)
        assert ("Read what is missing" in after.text) == (not joined)
        assert ("nut slots of every string" in after.text) == (not joined)
        assert ("Not read whole yet" in after.text) == (not joined)
        assert client.get(f"{place}/line").status_code == 200
        assert client.get(f"{place}/plan", headers=page).status_code == 200
        measure = client.get(f"{place}/measure?add=1", headers=page).text
        assert ('name="joined" value="1" checked' in measure) == (not joined)
    assert "by the newest readings" in after.text


@pytest.mark.parametrize("given", ["-1", "2", "sure", "1e9", "nan"])
def test_what_is_no_uncertainty_of_a_scanner_is_one_sentence(
    client: TestClient, dossiers: Dossiers, given: str
) -> None:
    task = announce(client, ("before.csv", len(sheet())))
    send(client, task, 0, sheet())
    place = f"/instruments/{dossiers.named('WB-UP')}/measure/upload"
    said = client.post(place, data={"task": task, "scan_uncertainty": given}, headers=JSON)
    assert said.status_code == 422
    assert said.json()["error"]["sentence"].startswith("The scanner's uncertainty is a length from")


def test_more_than_was_announced_is_refused_and_of_a_refused_sheet_nothing_stays(
    client: TestClient, dossiers: Dossiers
) -> None:
    task = announce(client, ("a.csv", 10))
    assert send(client, task, 0, bytes(11))[0] == 422
    assert send(client, task, 0, b"quantity,x")[0] == 200
    assert look(client, dossiers, task)[0] == 422
    queue = Queue(dossiers.archive)
    assert task not in {one.id for one in queue.listed()}
    assert not queue.folder(task).exists()


@pytest.mark.parametrize("name", ["before.txt", "before.png", "before.csv.toml", "before"])
def test_what_could_not_be_filed_as_readings_is_said_before_it_is_read(
    client: TestClient, dossiers: Dossiers, name: str
) -> None:
    """It was read and shown, and then could not be filed, or was filed as a photo."""
    task = announce(client, (name, len(sheet())))
    send(client, task, 0, sheet())
    status, said = look(client, dossiers, task)
    assert status == 422
    assert "readings end in .csv or .xlsx" in said


def test_two_gigabytes_are_refused_before_a_byte_is_sent(client: TestClient) -> None:
    asked = {"files": [{"name": "scan.ply", "size": 2_000_000_000}]}
    refused = client.post("/uploads", json=asked)
    assert refused.status_code == 413
    assert refused.json()["error"]["sentence"].startswith("These files are more than 400 MB")
    stated = client.post(
        "/uploads/x/0", content=b"", headers={"content-length": "2000000000", "accept": "text/html"}
    )
    assert stated.status_code == 413
    assert "More than 8 MB were sent" in stated.text
    assert stated.headers["content-type"].startswith("text/html")


@pytest.mark.parametrize(
    ("sent", "kept"),
    [
        ("../../outside.csv", "outside.csv"),
        ("C:\\temp\\scan.ply", "scan.ply"),
        ("..", "file"),
        ("", "file"),
        ("/", "file"),
        (None, "file"),
        ("a\0b\n.csv", "ab.csv"),
        ("x" * 500 + ".csv", "x" * 116 + ".csv"),
        ("q.csv:stream", "q.csvstream"),
        ("\N{MUSICAL SYMBOL G CLEF}" * 120 + ".csv", "\N{MUSICAL SYMBOL G CLEF}" * 59 + ".csv"),
    ],
)
def test_a_name_is_no_way_out_of_its_folder(sent: str | None, kept: str, tmp_path: Path) -> None:
    assert bare(sent) == kept
    assert (tmp_path / kept).parent == tmp_path
    (tmp_path / kept).touch()  # no file system takes more than 255 bytes


def test_a_full_disk_is_said_and_is_no_fault_of_the_program(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_given: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    task = announce(client, ("a.csv", 4))
    monkeypatch.setattr(os, "fsync", full)
    place, headers = f"/uploads/{task}/0", {**JSON, "upload-offset": "0"}
    answer = client.patch(place, content=b"abcd", headers=headers)
    assert answer.status_code == 507
    assert "No room is left on the disk" in answer.json()["error"]["sentence"]


def test_no_task_but_one_that_waits_for_files_takes_any(
    client: TestClient, dossiers: Dossiers
) -> None:
    other = Queue(dossiers.archive).put("verify", {}, state="receiving")
    Queue(dossiers.archive).ask_to_stop(other.id)
    for task in (other.id, "nothing", "..%2f..", "%00"):
        assert send(client, task, 0, b"x")[0] in (404, 422)
    task = announce(client, ("a.csv", 4))
    for number in (-1, 1, 99):
        assert send(client, task, 0, b"x", number)[0] in (404, 422)
    assert client.post("/uploads", json={"files": []}).status_code == 422
    many = {"files": [{"name": "a", "size": 1}] * 1000}
    assert client.post("/uploads", json=many).status_code == 422


def bomb() -> bytes:
    """Return a workbook whose one sheet unpacks to 300 MB of nothing."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as book:
        book.writestr("[Content_Types].xml", "<Types/>")
        with book.open("xl/worksheets/sheet1.xml", "w") as stream:
            for _ in range(300):
                stream.write(bytes(1_000_000))
    return packed.getvalue()


def one_sentence(client: TestClient, dossiers: Dossiers, name: str, content: bytes) -> None:
    """Upload a file; whatever it is, there is a page or one sentence, and nothing is filed."""
    before = len(dossiers.archive.entries(dossiers.named("WB-UP")))
    task = announce(client, (name, len(content)))
    if content:
        assert send(client, task, 0, content) == (200, len(content))
    status, said = look(client, dossiers, task)
    assert status in (200, 422), (name, said)
    if status == 422:
        told = json.loads(said)["error"]["sentence"]
        assert 10 < len(told) < 3000, (name, told)
        assert "Traceback" not in told
        assert str(dossiers.archive.address) not in said  # no folder of this machine
    assert len(dossiers.archive.entries(dossiers.named("WB-UP"))) == before


@pytest.mark.quick(1)
@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("bomb.xlsx", bomb),
        ("nothing.csv", b""),
        ("zeros.ply", bytes(100_000)),
        ("program.xlsx", b"MZ\x90\0" * 1000),
        ("page.csv", b"<script>alert(1)</script>" * 50),
        ("deep.csv", b"[" * 200_000),
        ("long.csv", b"quantity," + b"9" * 900_000),
    ],
    ids=lambda given: given if isinstance(given, str) else "",
)
def test_a_hostile_file_is_one_sentence(
    client: TestClient, dossiers: Dossiers, name: str, content: bytes | Callable[[], bytes]
) -> None:
    one_sentence(client, dossiers, name, content() if callable(content) else content)


@pytest.mark.slow
@pytest.mark.parametrize("part", [0, pytest.param(10, marks=pytest.mark.slow)])
def test_a_damaged_scan_is_one_sentence(client: TestClient, dossiers: Dossiers, part: int) -> None:
    """Every tenth; tests/scans/formats gives the reader every one."""
    assert len(CORPUS) > 200
    endings = {"text": "xyz", "tiff": "tif"}
    for path in CORPUS[part::20]:
        kind = path.parent.name
        name = f"{path.name}.{endings.get(kind, kind)}"
        one_sentence(client, dossiers, name, path.read_bytes())


def test_a_browser_gets_a_page_and_a_script_plain_values(client: TestClient) -> None:
    person = {"accept": "text/html,application/xhtml+xml"}
    for status, headers in (
        (421, {"host": "evil.example"}),
        (403, {"origin": "http://evil.example"}),
        (413, {"content-length": "9000000"}),
    ):
        seen = client.post("/new", content=b"", headers={**headers, **person})
        assert seen.status_code == status
        assert seen.headers["content-type"].startswith("text/html")
        assert "This is not possible as asked" in seen.text
        assert "content-security-policy" in seen.headers
        told = client.post("/new", content=b"", headers=headers)
        assert told.status_code == status
        assert told.json()["error"]["sentence"].split("{")[0][:30] in seen.text


def test_an_erased_name_is_nowhere_warm(dossiers: Dossiers) -> None:
    for client in _client(dossiers):
        name = dossiers.named("WB-UP")
        shop = client.app.state.shop  # type: ignore[attr-defined]
        dossiers.note(workshop.NoteRequest(name, "Nut worn.", person="Q. Ulbrenq"))
        first = shop.story(name)
        assert shop.story(name) is first
        dossiers.erase("Q. Ulbrenq")  # as another program would
        assert shop.story(name) is not first


# ---- in a browser --------------------------------------------------------------------------------


@pytest.fixture
def page(browser: Browser, tmp_path: Path) -> Iterator[Page]:
    with serving(tmp_path / "archive") as place:
        context = browser.new_context(base_url=place)
        yield context.new_page()
        context.close()


@pytest.mark.slow
def test_an_upload_outlives_a_lost_connection(page: Page) -> None:
    open_new(page, "WB-0101 (invented)")
    page.get_by_role("link", name="Measure").first.click()
    lost: list[str] = []

    def lose_twice(route: Route) -> None:
        if route.request.method == "PATCH" and len(lost) < 2:
            lost.append(route.request.url)
            route.abort("connectionreset")
        else:
            route.continue_()

    page.wait_for_load_state()  # without its script the page sends the file as a form
    page.route("**/uploads/**", lose_twice)
    page.set_input_files(
        "#files", {"name": "before.csv", "mimeType": "text/csv", "buffer": sheet()}
    )
    page.get_by_role("button", name="Look at it").click()
    expect(page.get_by_role("heading", name="before.csv: not filed yet")).to_be_visible(
        timeout=30_000
    )
    assert len(lost) == 2
    page.reload()  # what was looked at is still there
    page.get_by_role("button", name="File these readings").click()
    expect(page.locator("#map-head")).to_contain_text("fail by the newest readings")


def test_a_file_that_is_too_large_is_one_sentence_at_once(page: Page, tmp_path: Path) -> None:
    large = tmp_path / "scan.ply"
    with large.open("wb") as stream:
        stream.truncate(2_000_000_000)  # sparse: it takes no room
    open_new(page, "WB-0102 (invented)")
    page.get_by_role("link", name="Measure").first.click()
    page.wait_for_url("**/measure")  # loaded, or no script would keep the browser from sending it
    page.set_input_files("#files", large)
    page.get_by_role("button", name="Look at it").click()
    expect(page.locator("#upload [data-said]")).to_contain_text("more than 400 MB together")


@pytest.mark.slow
def test_what_was_typed_is_sent_when_the_connection_is_back(page: Page) -> None:
    open_new(page, "WB-0103 (invented)")
    page.get_by_role("link", name="Measure").first.click()
    values = by_place("before")
    expect(page.locator("typed-sheet [data-key='saddle:6:']")).to_be_visible()
    page.evaluate(
        """(values) => { for (const [key, value] of Object.entries(values)) {
            const field = document.querySelector(`[data-key='${key}']`);
            if (field) { field.value = value; }
        } document.querySelector('#gauge').value = '0.004'; }""",
        values,
    )
    page.locator("#gauge").press("Tab")
    page.fill("#gauge", "0.0040")
    expect(page.locator("#file")).to_be_enabled(timeout=20_000)
    page.context.set_offline(True)
    page.locator("#file").click()
    expect(page.locator("#kept")).to_contain_text("Not sent yet")
    expect(page.locator("#offline")).to_be_visible()
    page.context.set_offline(False)
    expect(page.locator("#map-head")).to_contain_text("fail by the newest readings", timeout=30_000)
