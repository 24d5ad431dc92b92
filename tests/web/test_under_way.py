"""Work under way: stopped, interrupted, begun again, watched by several; nothing is lost."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient
from playwright.sync_api import Browser, expect

import slow_work
from evenfall import workshop
from evenfall.errors import Cancelled
from evenfall.records.kept import hash_of
from evenfall.records.queue import Queue, State, Task
from evenfall.web.application import application
from evenfall.web.pool import Pool
from evenfall.workshop.archives import Dossiers
from evenfall.workshop.examples import SERIALS
from evenfall.workshop.notices import WEBHOOK
from evenfall.workshop.story import story
from evenfall.workshop.tasks import KINDS, Work, basis
from receiver import receiving
from served import serving, started

MOST_S = 120.0


@contextmanager
def pool_of(dossiers: Dossiers) -> Iterator[Pool]:
    pool = Pool(dossiers.archive, beat_s=slow_work.BEAT_S, do=slow_work.do)
    pool.begin()
    try:
        yield pool
    finally:
        pool.leave()


@pytest.fixture
def dossiers(new_address: Callable[[str], str]) -> Iterator[Dossiers]:
    with workshop.archive(new_address("archive"), make=True) as made:
        yield made


@pytest.fixture
def lone(tmp_path: Path) -> Iterator[Dossiers]:
    """Return an archive on the one engine, where the other has nothing to do with what is shown."""
    with workshop.archive(str(tmp_path / "archive"), make=True) as made:
        yield made


def until(seen: Callable[[], Any], wanted: Callable[[Any], bool]) -> Any:
    """Return what is seen when it is as wanted."""
    end = time.monotonic() + MOST_S
    while not wanted(now := seen()):
        assert time.monotonic() < end, f"still {now}"
        time.sleep(0.02)
    return now


def reaches(pool: Pool, task: Task, *states: State) -> Task:
    found: Task = until(lambda: pool.shown(task.id), lambda now: now.state in states)
    return found


def begun(queue: Queue, task: Task) -> int:
    """Return the process of a task when it has begun."""
    place = queue.folder(task.id) / "out" / "process"
    until(lambda: place.is_file() and place.read_text(encoding="utf-8"), bool)
    return int(place.read_text(encoding="utf-8"))


def gone(process: int) -> bool:
    """Say whether a process has ended."""
    state = Path(f"/proc/{process}/stat")
    try:
        return state.read_text(encoding="utf-8").rsplit(")", 1)[1].split()[0] == "Z"
    except OSError:
        return True


def test_a_task_says_its_steps_and_hands_on_what_came_of_it(dossiers: Dossiers) -> None:
    with pool_of(dossiers) as pool:
        task = pool.queue.put("lasting", {"seconds": 1.0})
        pool.wake()
        seen = until(lambda: pool.shown(task.id), lambda now: now.doing == "Second step")
        assert 400 <= seen.permille <= 1000
        done = reaches(pool, task, "done")
    assert done.result == {"answer": 42, "files": ["process"]}


def test_two_side_by_side_are_told_apart_and_a_stop_ends_only_one(lone: Dossiers) -> None:
    with pool_of(lone) as pool:
        long = pool.queue.put("lasting", {"seconds": 600})
        short = pool.queue.put("lasting", {"seconds": 1.0})
        pool.wake()
        process = begun(pool.queue, long)
        pool.queue.ask_to_stop(long.id)
        pool.wake()
        assert reaches(pool, long, "stopped").result == {}
        assert reaches(pool, short, "done").result["answer"] == 42
        until(lambda: gone(process), bool)


@pytest.mark.slow
def test_notices_to_a_receiver_that_is_away_hold_up_nobody_s_work(lone: Dossiers) -> None:
    with pool_of(lone) as pool:
        notices = [pool.queue.put("notice", {"seconds": 600}) for _ in range(3)]
        pool.wake()
        begun(pool.queue, notices[0])
        work = [pool.queue.put("lasting", {"seconds": 1.0}) for _ in range(3)]
        pool.wake()
        for task in work:
            assert reaches(pool, task, "done").result["answer"] == 42
        states = [pool.shown(task.id).state for task in notices]
    assert states == ["running", "waiting", "waiting"]


def test_an_error_reaches_the_person_and_a_fault_says_that_it_is_one(lone: Dossiers) -> None:
    with pool_of(lone) as pool:
        wrong = pool.queue.put("lasting", {"seconds": 0, "refuses": True})
        broken = pool.queue.put("lasting", {"seconds": 0, "faults": True})
        pool.wake()
        assert reaches(pool, wrong, "refused").result["said"]["values"] == {"count": 3}
        assert "fault of the program" in str(reaches(pool, broken, "refused").result)


@pytest.mark.slow
def test_a_process_that_dies_is_begun_once_more_and_then_left_to_a_person(
    dossiers: Dossiers,
) -> None:
    with pool_of(dossiers) as pool:
        task = pool.queue.put("lasting", {"seconds": 0, "dies": True})
        pool.wake()
        left = reaches(pool, task, "refused")
        assert left.tries == 2
        assert "cut short" in str(left.result)


def test_a_server_that_stops_in_order_puts_its_work_back(dossiers: Dossiers) -> None:
    with pool_of(dossiers) as pool:
        task = pool.queue.put("lasting", {"seconds": 600})
        pool.wake()
        process = begun(pool.queue, task)
    left = Queue(dossiers.archive).get(task.id)
    assert (left.state, left.tries) == ("waiting", 0)
    assert gone(process)


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="only on Linux")
def test_a_server_that_is_killed_leaves_its_work_to_the_next_one(dossiers: Dossiers) -> None:
    queue = Queue(dossiers.archive)
    task = queue.put("lasting", {"seconds": 2.0})
    command = [sys.executable, slow_work.__file__, str(dossiers.archive.address)]
    first = subprocess.Popen(command)
    process = begun(queue, task)
    first.kill()
    first.wait()
    until(lambda: gone(process), bool)  # nobody works on for a server that is gone
    assert queue.get(task.id).state == "running"  # as far as anybody can know
    with pool_of(dossiers) as pool:
        done = reaches(pool, task, "done")
    assert (done.tries, done.result["answer"]) == (2, 42)


def test_two_servers_on_one_archive_do_not_do_a_task_twice(dossiers: Dossiers) -> None:
    with pool_of(dossiers) as one, pool_of(dossiers) as other:
        tasks = [one.queue.put("lasting", {"seconds": 0.2}) for _ in range(3)]
        one.wake()
        other.wake()
        ended = [reaches(one, task, "done") for task in tasks]
    assert [task.tries for task in ended] == [1, 1, 1]


# ---- each kind of task ---------------------------------------------------------------------------


@pytest.fixture(scope="module")
def examples(
    tmp_path_factory: pytest.TempPathFactory, with_examples: Callable[[Path], Path]
) -> Iterator[Dossiers]:
    folder = with_examples(tmp_path_factory.mktemp("examples"))
    with workshop.archive(str(folder)) as made:
        yield made


def work_of(
    dossiers: Dossiers, kind: str, folder: Path, progress: Callable[[str, float], None]
) -> Work:
    """Return a task of a kind, ready to be done."""
    name = dossiers.named(SERIALS[1])
    sent, scan = folder / "sent" / "0" / "parcel", folder / "scan.npy"
    sent.parent.mkdir(parents=True)
    if kind in ("look", "import"):
        dossiers.export([], sent)
    if kind == "points":
        np.save(scan, np.random.default_rng(1).uniform(0.0, 30.0, (5000, 3)))
        dossiers.file(files=(workshop.Source(str(scan)),), instrument=name)
    of_kind: dict[str, dict[str, Any]] = {
        **{key: {"basis": basis(story(dossiers, name))} for key in ("methods", "play")},
        "call": {  # one that draws too; of its files one was sent, one is the archive's
            "name": "plan",
            "request": {
                "source": {"upload": "sent/0"},
                "specification": {"dossier": name, "document": "specification"},
            },
            **{"unit": None, "form": "printed", "pictures": True},
        },
        "notice": {"subject": "Signal", "text": "Point 20.", "place": "/charts"},
        "backup": {"to": str(folder / "copy")},
        "export": {"form": "dossiers", "shown": "all"},
        "import": {"folder": str(folder / "sent")},
        "points": {"sha256": hash_of(scan) if kind == "points" else "", "of": "none"},
    }
    files: tuple[workshop.Source, ...] = ()
    if kind in ("call", "measure"):
        files = (workshop.Source.invented("tesquil-before.csv"),)
    if kind == "look":
        files = (workshop.Source("parcel", path=sent),)
    return Work(dossiers, name, of_kind.get(kind, {}), files, folder / "out", progress)


@pytest.fixture
def posted(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[dict[str, Any]]]:
    """Receive the notices of a test."""
    with receiving(204) as (address, got):
        monkeypatch.setenv(WEBHOOK, address)
        yield got


@pytest.mark.slow
@pytest.mark.parametrize(
    "kind", sorted(KINDS.keys() - {"program", "causes"})
)  # have tests of their own
def test_each_kind_can_be_stopped_in_each_of_its_steps(
    examples: Dossiers,
    kind: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    posted: list[dict[str, Any]],
) -> None:
    monkeypatch.setenv("EVENFALL_SETTINGS", str(tmp_path / "settings"))
    steps: list[str] = []

    def stop(_doing: str, _share: float) -> None:
        raise Cancelled

    if kind == "play":  # a minute's work, stopped in its first step
        with pytest.raises(Cancelled):
            KINDS[kind][1](work_of(examples, kind, tmp_path, stop))
        return
    wanted = work_of(examples, kind, tmp_path, lambda doing, _: steps.append(doing))
    before = [line.dossier for line in examples.newest()]
    json.dumps(KINDS[kind][1](wanted), allow_nan=False)
    assert steps
    for number, step in enumerate(dict.fromkeys(steps)):
        folder = tmp_path / str(number)
        folder.mkdir()

        def progress(doing: str, _share: float, step: str = step) -> None:
            if doing == step:
                raise Cancelled

        with pytest.raises(Cancelled):
            KINDS[kind][1](work_of(examples, kind, folder, progress))
        assert not list(folder.glob("**/*.part"))
        assert not (folder / "copy").exists()
    assert [line.dossier for line in examples.newest()] == before
    assert len(posted) == (kind == "notice")  # the one that was not stopped


# ---- as a browser sees it ------------------------------------------------------------------------


@pytest.mark.slow
def test_two_browsers_see_one_task_and_either_stops_it(browser: Browser, tmp_path: Path) -> None:
    with workshop.archive(str(tmp_path), make=True) as dossiers:
        task = Queue(dossiers.archive).put("lasting", {"seconds": 600})
    with serving(tmp_path, do=slow_work.do) as place:
        pages = [browser.new_context(base_url=place).new_page() for _ in range(2)]
        for page in pages:
            page.goto(f"/under-way/{task.id}")
            expect(page.locator("[data-doing]")).to_have_text("First step", timeout=MOST_S * 1000)
        pages[0].get_by_role("button", name="Stop").click()
        for page in pages:
            expect(page.locator("[data-said]")).to_have_text("stopped", timeout=MOST_S * 1000)
            expect(page.get_by_role("button", name="Begin again")).to_be_visible()
            page.context.close()


@pytest.mark.slow
def test_methods_come_into_the_plan_when_they_are_worked_out(
    browser: Browser, examples: Dossiers
) -> None:
    name = examples.named(SERIALS[1])
    with serving(examples.archive.address.text) as place:
        page = browser.new_context(base_url=place).new_page()
        page.goto(f"/instruments/{name}/plan")
        table = page.locator("#methods table")
        expect(table).to_contain_text("by file", timeout=MOST_S * 1000)
        page.reload()
        expect(table).to_contain_text("by file")  # kept: not worked out again
        page.goto("/under-way")
        expect(page.get_by_text("Comparing the methods")).to_have_count(1)
        page.context.close()


@pytest.mark.skipif(os.name != "posix", reason="only on Linux")
@pytest.mark.slow
def test_a_page_goes_on_when_its_server_is_killed_and_started_again(
    browser: Browser, examples: Dossiers
) -> None:
    name = examples.named(SERIALS[1])
    wanted = {"basis": basis(story(examples, name))}
    task = Queue(examples.archive).put("play", wanted, dossier=name)
    first, place = started(str(examples.archive.address))
    page = browser.new_context(base_url=place).new_page()
    page.goto(f"/under-way/{task.id}")
    expect(page.locator("[data-doing]")).not_to_have_text("", timeout=MOST_S * 1000)
    first.kill()
    first.wait()
    expect(page.locator("#offline")).to_be_visible()
    second, _ = started(str(examples.archive.address), place.rsplit(":", 1)[1].strip("/"))
    expect(page.locator("#offline")).to_be_hidden(timeout=MOST_S * 1000)
    page.wait_for_url("**/play", timeout=4 * MOST_S * 1000)
    second.send_signal(signal.SIGTERM)
    assert second.wait(30) == 0
    for one in (first, second):
        assert one.stdout is not None
        one.stdout.close()
    page.context.close()


def test_the_events_of_a_task_end_with_it(lone: Dossiers) -> None:
    with serving(str(lone.archive.address), do=slow_work.do) as place:
        task = Queue(lone.archive).put("lasting", {"seconds": 0.2})
        url = f"{place}/under-way/{task.id}/events"
        with urllib.request.urlopen(url, timeout=MOST_S) as answer:  # noqa: S310 (our own address)
            assert answer.headers["content-type"].startswith("text/event-stream")
            told = [json.loads(line[6:]) for line in answer if line.startswith(b"data: ")]
    assert told[-1]["state"] == "done"
    assert told[-1]["files"] == ["process"]


def test_only_files_that_a_task_made_are_handed_out(lone: Dossiers) -> None:
    with TestClient(application(lone, port=8417), base_url="http://127.0.0.1:8417") as client:
        queue = Queue(lone.archive)
        task = queue.put("lasting", {}, state="receiving")
        folder = queue.folder(task.id) / "out"
        folder.mkdir(parents=True)
        (folder / "made").write_bytes(b"made")
        (folder.parent / "secret").write_bytes(b"no")
        assert client.get(f"/under-way/{task.id}/file/made").content == b"made"
        for name in ("secret", "..%2Fsecret", "%2e%2e/secret", "nothing"):
            assert client.get(f"/under-way/{task.id}/file/{name}").status_code in (404, 422)
        assert client.get("/under-way/nothing/file/made").status_code == 422
        client.app.state.shop.leave()  # type: ignore[attr-defined]
