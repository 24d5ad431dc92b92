"""Who works on what is under way: a process for each task, so that a drag never waits for one.

The process ends where the server does, however that ended; the task is then taken up again by the
next server on the same archive.
"""

from __future__ import annotations

import logging
import os
import secrets
import signal
import sys
import threading
import time
import traceback
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from multiprocessing import connection as pipes
from multiprocessing import get_context
from platform import node
from typing import TYPE_CHECKING, Any

from evenfall.errors import Cancelled, EvenfallError, RequestError
from evenfall.records.archive import Archive
from evenfall.records.queue import Queue, Refusal, Task
from evenfall.web.words import FAULT
from evenfall.workshop.notices import KIND as NOTICE

if TYPE_CHECKING:
    from multiprocessing.connection import Connection
    from multiprocessing.process import BaseProcess
    from pathlib import Path


LOG = logging.getLogger("evenfall.web")
AT_ONCE = 2
BEAT_S = 2.0
_SILENT_BEATS = 15.0
"""After how many beats without a sign of life somebody else takes a task up."""
PATIENCE_S = 5.0
"""How long a task that is to stop may take to do so by itself."""
_SWEPT_S = 3600.0
LOOK_S = 20.0
"""How often it is looked whether there is something to give notice of."""
_TOLD_S = 0.1
_LOADED = [
    *("evenfall.web.pool", "evenfall.workshop.tasks", "evenfall.workshop.measuring"),
    *("evenfall.workshop.planning", "evenfall.workshop.proving"),
]


@dataclass
class _Running:
    """A task that this server works on."""

    task: Task
    process: BaseProcess
    pipe: Connection
    doing: str = ""
    permille: int = 0
    shown: float = field(default_factory=time.monotonic)  # when it was last shown as alive
    asked: float = 0.0  # when it was asked to stop; 0 for not yet


class Pool:
    """Takes up what waits in an archive, and watches over it: `look` is called every `LOOK_S`."""

    def __init__(
        self,
        archive: Archive,
        *,
        at_once: int = AT_ONCE,
        beat_s: float = BEAT_S,
        do: Callable[[Connection, str, Task, Path | None], None] | None = None,
        look: Callable[[Queue], None] | None = None,
    ) -> None:
        self._beat_s, self._do, self._look = beat_s, do or work, look
        self._last_look = 0.0
        self.queue = Queue(archive)
        self._address = archive.address.text
        # goes with each task that this server works on
        self.runner = f"{node()} {os.getpid()} {secrets.token_hex(8)}"
        self._at_once = at_once
        self._running: dict[str, _Running] = {}
        self._seen: dict[str, tuple[int, float]] = {}  # sign of life of others, and since when
        self._wake_in, self._wake_out = pipes.Pipe(duplex=False)
        self.leaving = False  # whether the server is about to stop
        self._thread = threading.Thread(target=self._watch, name="pool", daemon=True)
        self._looked = self._swept = 0.0
        self._begun = False

    def begin(self) -> None:
        """Take up what waits from now on."""
        self._begun = True
        self._thread.start()

    def leave(self) -> None:
        """Put everything back and stop, for whoever comes next."""
        self.leaving = True
        if self._begun:
            self.wake()
            self._thread.join()

    def wake(self) -> None:
        """Look at once for what waits, or was asked to stop."""
        with suppress(OSError, ValueError):
            self._wake_out.send_bytes(b".")

    def shown(self, name: str) -> Task:
        """Return a task, as far as it has come by now."""
        task = self.queue.get(name)
        mine = self._running.get(name)
        if mine is None or task.state != "running":
            return task
        return replace(task, doing=mine.doing, permille=mine.permille)

    # ---- the thread that watches -----------------------------------------------------------------

    def _watch(self) -> None:
        while not self.leaving:
            waiting: list[Any] = [self._wake_in, *(r.pipe for r in self._running.values())]
            ready = pipes.wait(waiting, timeout=self._beat_s / 2 if self._running else self._beat_s)
            woken = self._wake_in in ready
            if woken:
                self._wake_in.recv_bytes()
                self._looked = 0.0
            try:
                for running in list(self._running.values()):
                    self._listen(running, woken=woken)
                self._take_up()
            except EvenfallError as error:  # the archive is busy: the next round tries again
                LOG.warning("queue", extra={"told": {"reason": str(error)}})
            except Exception:
                LOG.exception("queue")
        for running in list(self._running.values()):
            self._end_process(running)
            with suppress(EvenfallError):
                self.queue.leave(running.task.id, self.runner)

    def _take_up(self) -> None:
        """Begin what waits, as far as there is room."""
        now = time.monotonic()
        if now - self._swept > _SWEPT_S:
            self._swept = now
            self.queue.sweep()
        if self._look is not None and now - self._last_look > LOOK_S:
            self._last_look = now
            self._look(self.queue)
        full = not (self._room("") or self._room(NOTICE))
        if full or now - self._looked < self._beat_s:
            return
        silent = {}
        waits = self.queue.waits()
        for task in waits:
            if task.state == "running" and task.id not in self._running:
                beat, since = self._seen.get(task.id, (-1, now))
                if beat != task.beat:
                    since = now
                self._seen[task.id] = (task.beat, since)
                if ended(task.runner) or now - since > _SILENT_BEATS * self._beat_s:
                    silent[task.id] = task.beat
        self._seen = {t.id: self._seen[t.id] for t in waits if t.id in self._seen}
        self._looked = now
        while silent or any(task.state == "waiting" for task in waits):
            taken = self.queue.claim(self.runner, silent, self._room)
            if taken is None:
                return
            silent.pop(taken.id, None)
            self._start(taken)

    def _room(self, kind: str) -> bool:
        """Say whether there is room for one more of a kind: notices have a lane of their own."""
        notices = sum(one.task.kind == NOTICE for one in self._running.values())
        if kind == NOTICE:
            return notices == 0
        return len(self._running) - notices < self._at_once

    def _start(self, task: Task) -> None:
        context = _beginning()
        mine, theirs = context.Pipe()
        folder = self.queue.folder(task.id) if self.queue.keeps_files else None
        process = context.Process(
            target=_begun,
            args=(self._do, dict(os.environ), theirs, self._address, task, folder),
            daemon=True,
        )
        process.start()
        theirs.close()
        self._running[task.id] = _Running(task, process, mine)
        LOG.info("task begun", extra={"told": {"task": task.id, "kind": task.kind}})

    def _listen(self, running: _Running, *, woken: bool) -> None:
        """Hear what a process says, and say that it is alive."""
        answer: tuple[str, Any] | None = None
        try:
            while answer is None and running.pipe.poll():
                word, value = running.pipe.recv()
                if word == "doing":
                    running.doing, running.permille = value
                else:
                    answer = (word, value)
        except (EOFError, OSError):
            answer = ("gone", None)
        task, now = running.task, time.monotonic()
        if answer is not None:
            self._ended(running, *answer)
            return
        if woken or now - running.shown >= self._beat_s:
            running.shown = now
            go_on = self.queue.show(task.id, self.runner, running.doing, running.permille)
            if not go_on and not running.asked:
                running.asked = now
                with suppress(OSError):
                    running.pipe.send("stop")
        if running.asked and now - running.asked > PATIENCE_S:
            self._ended(running, "stopped", None)

    def _ended(self, running: _Running, word: str, value: Any) -> None:
        """Write down what came of a task."""
        task = running.task
        self._end_process(running)
        told = {"task": task.id, "kind": task.kind, "how": word}
        LOG.info("task ended", extra={"told": told})
        if word == "gone" and not running.asked:  # killed: begun again, or left to a person
            self.queue.interrupt(task.id, self.runner)
        elif word in ("done", "refused"):
            self.queue.end(task.id, self.runner, "done" if word == "done" else "refused", value)
        elif word == "fault":
            LOG.error("fault", extra={"told": {"task": task.id, "trace": value}})
            refusal = Refusal.of(RequestError(FAULT)).as_dict()
            self.queue.end(task.id, self.runner, "refused", refusal)
        else:
            self.queue.end(task.id, self.runner, "stopped", {})
        self._looked = 0.0

    def _end_process(self, running: _Running) -> None:
        self._running.pop(running.task.id, None)
        running.pipe.close()  # ends a process that still works
        running.process.join(1.0)
        if running.process.is_alive():
            running.process.kill()
            running.process.join()
        running.process.close()


def ended(runner: str) -> bool:
    """Say whether a worker of this computer has ended; of others nobody can say."""
    try:
        host, process, _ = runner.split(" ")
        if host != node() or os.name != "posix":
            return False
        os.kill(int(process), 0)  # no signal: it asks whether there is such a process
    except ProcessLookupError:
        return True
    except (OSError, ValueError):
        return False
    return False


# ---- in the process of a task --------------------------------------------------------------------


def _beginning() -> Any:
    """Return how processes begin: where the system can, from one that has loaded what tasks need.

    That one runs a single thread, so that what it leaves behind is in order; it takes half a second
    of every task away, and shares its memory with all of them.
    """
    if sys.platform != "linux":
        return get_context("spawn")
    context = get_context("forkserver")
    context.set_forkserver_preload(_LOADED)
    return context


def _begun(do: Callable[..., None], environment: Mapping[str, str], *given: Any) -> None:
    """Do a task in the environment that the server has now, which it may not have begun with."""
    os.environ.clear()
    os.environ.update(environment)
    do(*given)


def work(pipe: Connection, address: str, task: Task, folder: Path | None) -> None:
    """Do one task and say what came of it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the server decides what becomes of it
    if hasattr(os, "nice"):
        os.nice(5)
    stop = threading.Event()
    threading.Thread(target=_hear, args=(pipe, stop), daemon=True).start()
    lock = threading.Lock()

    def tell(word: str, value: Any) -> None:
        with lock, suppress(OSError):
            pipe.send((word, value))

    try:
        tell(*_result(address, task, folder, _progress(tell, stop)))
    except Cancelled:
        tell("stopped", None)
    except EvenfallError as error:
        tell("refused", Refusal.of(error).as_dict())
    except BaseException:
        tell("fault", traceback.format_exc())


def _result(
    address: str, task: Task, folder: Path | None, progress: Callable[[str, float], None]
) -> tuple[str, Any]:
    from evenfall import workshop
    from evenfall.workshop.tasks import KINDS, Work, sources_in

    with workshop.archive(address) as dossiers:
        files = sources_in(folder / "in") if folder is not None else ()
        out = folder / "out" if folder is not None else None
        _, do = KINDS[task.kind]
        return "done", do(Work(dossiers, task.dossier, task.asked, files, out, progress))


def _progress(
    tell: Callable[[str, Any], None], stop: threading.Event
) -> Callable[[str, float], None]:
    """Return what takes note of progress, says it now and then, and stops where it is to."""
    last: tuple[str, float] = ("", 0.0)

    def progress(doing: str, share: float) -> None:
        nonlocal last
        if stop.is_set():
            raise Cancelled
        now = time.monotonic()
        if doing != last[0] or now - last[1] > _TOLD_S:
            last = (doing, now)
            tell("doing", (doing, int(1000.0 * min(max(share, 0.0), 1.0))))

    return progress


def _hear(pipe: Connection, stop: threading.Event) -> None:
    """Wait for the word to stop; where the server is gone, end at once."""
    try:
        pipe.recv()
        stop.set()
        pipe.recv()
    except (EOFError, OSError):
        os._exit(0)
