"""What is under way, on both engines alike."""

from __future__ import annotations

import json
import os
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime

import pytest

from evenfall.errors import At, EvenfallError, Finding, ReadingsError, RequestError
from evenfall.records import Archive
from evenfall.records.queue import MOST_TRIES, Queue, Refusal


@pytest.fixture
def queue(archive: Archive) -> Queue:
    return Queue(archive)


def test_a_task_goes_from_asked_to_done(queue: Queue) -> None:
    asked = queue.put("verify", {"sign": True, "names": ["UY-0417"]}, dossier="d")
    assert (asked.state, asked.asked["names"]) == ("waiting", ["UY-0417"])
    taken = queue.claim("a", {})
    assert taken is not None
    assert (taken.id, taken.state, taken.tries) == (asked.id, "running", 1)
    assert queue.claim("b", {}) is None  # nobody takes what somebody works on
    assert queue.show(taken.id, "a", "Verifying entries", 250)
    shown = queue.get(taken.id)
    assert (shown.doing, shown.permille, shown.beat) == ("Verifying entries", 250, 2)
    assert not queue.show(taken.id, "b", "", 0)
    queue.end(taken.id, "b", "done", {"sound": False})  # not its own
    assert queue.get(taken.id).state == "running"
    queue.end(taken.id, "a", "done", {"sound": True})
    ended = queue.get(taken.id)
    assert ended.ended
    assert ended.result == {"sound": True}
    assert queue.listed(dossier="d") == (ended,)
    assert queue.listed(dossier="other") == ()


def test_equal_wishes_are_one_task_and_no_page_begins_it_again(queue: Queue) -> None:
    first = queue.put("methods", {}, same="readings 1")
    assert queue.put("methods", {}, same="readings 1").id == first.id
    assert queue.put("methods", {}, same="readings 2").id != first.id
    assert queue.put("play", {}, same="readings 1").id != first.id
    queue.ask_to_stop(first.id)
    assert queue.put("methods", {}, same="readings 1").state == "stopped"
    assert queue.again(first.id).state == "waiting"


def test_an_upload_that_was_stopped_is_no_work_to_begin_again(queue: Queue) -> None:
    upload = queue.put("receive", {"sizes": [3]}, state="receiving")
    queue.ask_to_stop(upload.id)
    with pytest.raises(RequestError, match="send the files once more"):
        queue.again(upload.id)
    assert queue.get(upload.id).state == "stopped"


def test_a_call_that_comes_several_times_at_once_is_new_once(queue: Queue) -> None:
    together = threading.Barrier(8)

    def ask(_: int) -> tuple[str, bool]:
        together.wait()
        task, new = queue.answered("account:key", "hash of the call")
        return task.id, new

    with ThreadPoolExecutor(8) as pool:
        asked = list(pool.map(ask, range(8)))
    assert len({name for name, _ in asked}) == 1
    assert sum(new for _, new in asked) == 1


def test_the_one_that_waits_longest_comes_first(queue: Queue) -> None:
    names = [queue.put("verify", {}).id for _ in range(3)]
    assert [queue.claim("a", {}).id for _ in names] == names  # type: ignore[union-attr]
    assert queue.claim("a", {}) is None


def test_no_two_programs_take_the_same_task(queue: Queue) -> None:
    names = [queue.put("verify", {}).id for _ in range(12)]
    together = threading.Barrier(4)

    def take(runner: str) -> list[str]:
        together.wait()
        return [one.id for one in iter(lambda: queue.claim(runner, {}), None)]

    with ThreadPoolExecutor(4) as pool:
        taken = [name for some in pool.map(take, "abcd") for name in some]
    assert sorted(taken) == sorted(names)


def test_what_waits_is_stopped_at_once_and_what_runs_is_asked_to(queue: Queue) -> None:
    runs, waits = queue.put("verify", {}), queue.put("verify", {})
    queue.claim("a", {})
    assert queue.ask_to_stop(waits.id).state == "stopped"
    assert queue.ask_to_stop(runs.id).state == "running"
    assert not queue.show(runs.id, "a", "", 0)
    queue.end(runs.id, "a", "stopped", {})
    assert queue.again(runs.id).state == "waiting"
    assert not queue.get(runs.id).stop


def test_who_falls_silent_loses_the_task_and_cannot_end_it(queue: Queue) -> None:
    task = queue.put("verify", {})
    queue.claim("a", {})
    beat = queue.get(task.id).beat
    assert queue.claim("b", {task.id: beat - 1}) is None  # it gave a sign since
    taken = queue.claim("b", {task.id: beat})
    assert taken is not None
    assert (taken.runner, taken.tries) == ("b", 2)
    queue.end(task.id, "a", "done", {"late": True})
    assert queue.get(task.id).state == "running"


def test_a_task_cut_short_too_often_is_left_to_a_person(queue: Queue) -> None:
    task = queue.put("verify", {})
    for _ in range(MOST_TRIES):
        assert queue.claim("a", {}) is not None
        queue.interrupt(task.id, "a")
    assert queue.claim("a", {}) is None
    left = queue.get(task.id)
    assert left.state == "refused"
    error = Refusal.from_dict(left.result).error()
    assert f"cut short {MOST_TRIES} times" in str(error)
    assert queue.again(task.id).tries == 0
    assert queue.claim("a", {}) is not None


def test_what_a_stopping_server_puts_back_is_not_counted(queue: Queue) -> None:
    task = queue.put("verify", {})
    for _ in range(MOST_TRIES + 2):
        assert queue.claim("a", {}) is not None
        queue.leave(task.id, "a")
    assert queue.get(task.id).tries == 0


def test_an_error_is_kept_with_its_values_and_its_findings() -> None:
    plain = RequestError("Fret {fret} is {high:length} high.", at=At(file="a.csv"), fret=3, high=1)

    def kept(error: EvenfallError) -> EvenfallError:
        return Refusal.from_dict(json.loads(json.dumps(Refusal.of(error).as_dict()))).error()

    again = kept(plain)
    assert again.words("in") == plain.words("in")
    rows = [Finding("row", "This is no number.", At(rows=(n,)), "error") for n in (3, 7)]
    several = ReadingsError(rows, at=At(file="a.csv"))
    again = kept(several)
    assert again.words() == several.words()


@pytest.mark.slow
def test_old_tasks_go_with_their_files_and_open_ones_stay(archive: Archive) -> None:
    queue = Queue(archive)
    old, waits = queue.put("export", {}), queue.put("export", {})
    queue.ask_to_stop(old.id)
    for task in (old, waits):
        folder = queue.folder(task.id)
        folder.mkdir(parents=True)
        (folder / "file").write_bytes(b"x")
    stray = queue.folder("stray")
    stray.mkdir()
    later = datetime.fromisoformat(archive.clock()).timestamp() + 30 * 86_400
    archive.clock = lambda: f"{datetime.fromtimestamp(later):%Y-%m-%dT%H:%M:%S.%f}Z"
    queue.sweep()
    assert [one.id for one in queue.listed()] == [waits.id]
    assert sorted(os.listdir(queue.folder("").parent / "under-way")) == [waits.id]
    with pytest.raises(RequestError, match="no longer kept"):
        queue.get(old.id)


def test_an_erased_person_is_in_no_task(archive: Archive) -> None:
    queue = Queue(archive)
    named = queue.put("plan", {"by": "Q. Ulbrenq-Öz"})
    other = queue.put("plan", {"by": "M. Tessquin"})
    call, _ = queue.answered("account:key", "hash of the call")
    answer = {"text": json.dumps({"person": "Q. Ulbrenq-Öz"})}
    queue.done_at_once(call.id, call.kind, answer, dossier="")
    queue.erase("Q. Ulbrenq-Öz")
    assert [one.id for one in queue.listed()] == [other.id]
    assert named.id != other.id
    with pytest.raises(EvenfallError, match="no longer kept"):
        queue.get(call.id)
