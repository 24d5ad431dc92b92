"""A task that lasts as long as it is asked to, for tests of what is under way."""

from __future__ import annotations

import os
import sys
import time
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from evenfall.errors import RequestError
from evenfall.records import open_archive
from evenfall.records.queue import Task
from evenfall.web import pool
from evenfall.workshop import tasks

BEAT_S = 0.5


def lasting(work: tasks.Work) -> dict[str, Any]:
    """Last for some seconds, or end as asked; leave the number of the process behind."""
    work.out("process").write_text(str(os.getpid()), encoding="utf-8")
    count = int(work.asked["seconds"] / 0.02)
    for number in range(count):
        work.progress("First step" if number < count / 2 else "Second step", number / count)
        time.sleep(0.02)
    if work.asked.get("dies"):
        os._exit(3)
    if work.asked.get("refuses"):
        raise RequestError("There are {count:count fret} too many.", count=3)
    if work.asked.get("faults"):
        raise ZeroDivisionError
    return {"answer": 42, "files": ["process"]}


def do(pipe: Connection, address: str, task: Task, folder: Path | None) -> None:
    """Do one task, the lasting one among its kinds."""
    kinds: Any = tasks.KINDS
    kinds["lasting"] = kinds["notice"] = ("Lasting", lasting)
    pool.work(pipe, address, task, folder)


def but_methods(pipe: Connection, address: str, task: Task, folder: Path | None) -> None:
    """Do one task; where every plan's methods are to be compared, none is: it takes seconds."""
    kinds: Any = tasks.KINDS
    kinds["methods"] = ("Comparing the methods", lambda _: {"methods": []})
    pool.work(pipe, address, task, folder)


def nothing(*_args: object) -> None:
    """Do a task: its process ends at once, as one that was killed does."""


def serve(address: str) -> None:
    """Work on what waits in an archive until killed."""
    with open_archive(address) as archive:
        pool.Pool(archive, beat_s=BEAT_S, do=do).begin()
        time.sleep(600)


if __name__ == "__main__":
    serve(sys.argv[1])
