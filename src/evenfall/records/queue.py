"""Work under way: what was asked for, how far it is and what came of it, in the archive.

It is no part of the record. A task outlives the program that began it: whoever works on it shows
signs of life, and where they stop another program takes it up again.

    receiving ── waiting ── running ── done
                    │           ├───── refused   (an error, as plain values)
                    └───────────┴───── stopped   (by a person, or cut short too often)
"""

from __future__ import annotations

import json
import secrets
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Literal, get_args

from sqlalchemy import Connection, Row, delete, select, update

from evenfall.codec import Content
from evenfall.codec.forms import content_dataclass, finding, spoken, text
from evenfall.errors import At, EvenfallError, Finding, FindingsError, RequestError
from evenfall.records.archive import Archive, insert_new
from evenfall.records.tables import ARCHIVE, TASK, UPKEEP
from evenfall.wording import Sentence

State = Literal["receiving", "waiting", "running", "done", "refused", "stopped"]
OPEN: tuple[State, ...] = ("waiting", "running")
ENDED: tuple[State, ...] = ("done", "refused", "stopped")
MOST_TRIES = 2
"""How often a task is begun before it is left to a person: the second time may end as the first."""
KEPT_DAYS = 7
NO_FOLDER = "The address of the archive names no folder for files; add ?files=FOLDER to it."
RECEIVED = "receive"
"""Kind of what waits for files that come piece by piece: nobody works on it."""
ANSWERED = "answered"
"""Kind of a call whose answer is kept for who sends it again; no work, and not listed."""
_MOST_SHOWN = 50


@dataclass(frozen=True, slots=True)
class Task:
    """One piece of work, as it stands."""

    id: str
    kind: str  # what is to be done; the workshop knows the kinds
    dossier: str  # whose page asked for it; "" where no instrument did
    asked: Mapping[str, Any] = field(default_factory=dict)  # what was asked for, as plain values
    state: State = "waiting"
    doing: str = ""  # name of the present step
    permille: int = 0  # thousandths of it that are done
    result: Mapping[str, Any] = field(default_factory=dict)  # what came of it; of an error, itself
    tries: int = 0
    beat: int = 0  # signs of life of who works on it
    stop: bool = False  # whether somebody asked it to stop
    at: str = ""  # when it was asked for
    runner: str = ""  # who works on it

    @property
    def ended(self) -> bool:
        """Whether nothing more happens to it by itself."""
        return self.state in ENDED


@content_dataclass()
class Refusal(Content):
    """An error as plain values, to be said in the unit and the words of whoever asks."""

    said: Sentence = spoken("what is wrong")
    where: str = text("file, rows and field")
    findings: tuple[Finding, ...] = finding("the faults, where there are several")

    @classmethod
    def of(cls, error: EvenfallError) -> Refusal:
        """Return an error as plain values hold it."""
        several = error.findings if isinstance(error, FindingsError) else ()
        return cls(error.said, str(error.at), several)

    def error(self) -> EvenfallError:
        """Return the error again."""
        at = At(file=self.where)
        return (
            FindingsError(self.findings, at=at) if self.findings else RequestError(self.said, at=at)
        )


class Queue:
    """The tasks of an archive, and a folder for the files of each."""

    def __init__(self, archive: Archive) -> None:
        self.archive = archive

    # ---- what a page does ------------------------------------------------------------------------

    def put(
        self,
        kind: str,
        asked: Mapping[str, Any],
        *,
        dossier: str = "",
        same: str = "",
        state: State = "waiting",
    ) -> Task:
        """Ask for something.

        Of tasks that name the `same`, the newest stands for all: one that was refused or stopped
        is begun again by a person, not by a page that is loaded again.
        """
        with self.archive.writing() as connection:
            if same and (known := _like(connection, kind, same)):
                return known
            made = self._insert(connection, kind, asked, dossier=dossier, same=same, state=state)
        return self.get(made)

    def receive(self, sizes: Sequence[int], by: str = "") -> Task:
        """Make a task that waits for files of these sizes [bytes] from an account."""
        return self.put(RECEIVED, {"sizes": list(sizes), "by": by}, state="receiving")

    def put_once(self, kind: str, several: Sequence[Mapping[str, Any]], name: str) -> None:
        """Ask for tasks once for good by their name, for longer than they are kept."""
        with self.archive.writing() as connection:
            take = insert_new(connection, UPKEEP)
            if connection.execute(
                take.values(sort=name, at=self.archive.clock(), said="")
            ).rowcount:
                for asked in several:
                    self._insert(connection, kind, asked, dossier="", same="", state="waiting")

    def _insert(
        self,
        connection: Connection,
        kind: str,
        asked: Mapping[str, Any],
        *,
        dossier: str,
        same: str,
        state: State,
    ) -> str:
        now, name = self.archive.clock(), secrets.token_hex(16)
        values = {
            **{"id": name, "kind": kind, "dossier": dossier, "same": same},
            **{"state": state, "at": now, "changed": now, "runner": "", "doing": ""},
            **{"asked": json.dumps(asked, allow_nan=False), "result": "{}"},
            **{"permille": 0, "beat": 0, "tries": 0, "stop": 0},
        }
        connection.execute(TASK.insert(), values)
        return name

    def get(self, name: str) -> Task:
        """Return a task; `RequestError` where it is not there, or no more."""
        with self.archive.reading() as connection:
            row = connection.execute(select(TASK).where(TASK.c.id == name)).one_or_none()
        if row is None:
            raise RequestError("This work is no longer kept; ask for it again.")
        return _task(row)

    def listed(
        self, *, dossier: str | None = None, states: Sequence[State] = get_args(State)
    ) -> tuple[Task, ...]:
        """Return tasks, the newest first: of a dossier, or of all."""
        wanted = select(TASK).where(TASK.c.state.in_(states), TASK.c.kind != ANSWERED)
        if dossier is not None:
            wanted = wanted.where(TASK.c.dossier == dossier)
        with self.archive.reading() as connection:
            rows = connection.execute(wanted.order_by(TASK.c.at.desc()).limit(_MOST_SHOWN))
            return tuple(map(_task, rows))

    def take(
        self, name: str, kind: str, asked: Mapping[str, Any], *, dossier: str, runner: str
    ) -> bool:
        """Let whoever asks first work on a task whose files have come; say whether that is they.

        They then say what came of it by `end`, or `leave` it for a worker.
        """
        values = {"kind": kind, "asked": json.dumps(asked, allow_nan=False), "dossier": dossier}
        return self._change(name, ("receiving",), state="running", runner=runner, tries=1, **values)

    def ready(self, name: str, kind: str, asked: Mapping[str, Any], dossier: str) -> Task:
        """Let a task whose files have come be worked on."""
        values = {"kind": kind, "asked": json.dumps(asked, allow_nan=False), "dossier": dossier}
        if not self._change(name, ("receiving",), state="waiting", **values):
            raise RequestError("These files are no longer at hand; send them again.")
        return self.get(name)

    def done_at_once(
        self, name: str, kind: str, result: Mapping[str, Any], *, dossier: str
    ) -> None:
        """Say what came of a task that took so little that nobody had to wait for it."""
        values = {"kind": kind, "result": json.dumps(result, allow_nan=False), "dossier": dossier}
        self._change(name, ("receiving",), state="done", **values)

    def answered(self, key: str, call: str) -> tuple[Task, bool]:
        """Return what stands for a call by its key, and whether it is new: nobody sent it before.

        A key that came with another call is refused. `done_at_once` keeps the answer, and `forget`
        lets go of a call that came to nothing.
        """
        mark = secrets.token_hex(8)
        asked = {"call": call, "mark": mark}
        task = self.put(ANSWERED, asked, same=key, state="receiving")
        if task.asked["call"] != call:
            raise RequestError(
                "This key came with another call before; give every call a key of its own.",
                at=At(field="Idempotency-Key"),
            )
        return task, task.asked["mark"] == mark

    def ask_to_stop(self, name: str) -> Task:
        """Ask that a task be stopped: at once where nobody works on it, else soon."""
        if not self._change(name, ("receiving", "waiting"), state="stopped", stop=1):
            self._change(name, ("running",), stop=1)
        return self.get(name)

    def again(self, name: str) -> Task:
        """Let a task that was refused or stopped be worked on again."""
        if self.get(name).kind == RECEIVED:
            raise RequestError(
                "An upload that was stopped cannot be begun again; send the files once more."
            )
        fresh: dict[str, Any] = {"stop": 0, "tries": 0, "result": "{}", "permille": 0, "doing": ""}
        self._change(name, ("refused", "stopped"), state="waiting", **fresh)
        return self.get(name)

    # ---- what a worker does ----------------------------------------------------------------------

    def claim(
        self, runner: str, silent: Mapping[str, int], room: Callable[[str], bool] = lambda _: True
    ) -> Task | None:
        """Take the task that waits longest, or one whose worker has fallen silent.

        `room` says whether there is room for one of a kind. `silent` gives the last sign of life of
        each task that showed no new one for long. A task that was begun too often is left to a
        person.
        """
        with self.archive.writing() as connection:
            rows = connection.execute(
                select(TASK).where(TASK.c.state.in_(OPEN)).order_by(TASK.c.at)
            )
            for row in rows.all():
                if row.state == "running" and silent.get(row.id) != row.beat:
                    continue
                if not room(row.kind):
                    continue
                values: dict[str, Any] = {"changed": self.archive.clock(), "beat": row.beat + 1}
                if row.stop:
                    values["state"] = "stopped"
                elif row.tries >= MOST_TRIES:
                    values |= {"state": "refused", "result": json.dumps(_cut_short(row.tries))}
                else:
                    values |= {"state": "running", "runner": runner, "tries": row.tries + 1}
                    values |= {"doing": "", "permille": 0}
                as_seen = update(TASK).where(
                    TASK.c.id == row.id, TASK.c.state == row.state, TASK.c.beat == row.beat
                )
                taken_here = connection.execute(as_seen.values(values)).rowcount
                if taken_here and values["state"] == "running":
                    taken = select(TASK).where(TASK.c.id == row.id)
                    return _task(connection.execute(taken).one())
        return None

    def waits(self) -> tuple[Task, ...]:
        """Return what waits or is worked on."""
        return self.listed(states=OPEN)

    def show(self, name: str, runner: str, doing: str, permille: int) -> bool:
        """Give a sign of life; say whether to go on."""
        with self.archive.writing() as connection:
            mine = update(TASK).where(
                TASK.c.id == name, TASK.c.runner == runner, TASK.c.state == "running"
            )
            values = {"doing": doing, "permille": permille, "beat": TASK.c.beat + 1}
            row = connection.execute(mine.values(values).returning(TASK.c.stop)).one_or_none()
        return row is not None and not row.stop

    def end(self, name: str, runner: str, state: State, result: Mapping[str, Any]) -> None:
        """Say what came of a task; of one that somebody else took up, nothing."""
        written = json.dumps(result, allow_nan=False)
        self._change(name, ("running",), runner, state=state, result=written, doing="")

    def leave(self, name: str, runner: str) -> None:
        """Put a task back, for whoever comes next: it was not its fault."""
        fewer = {"runner": "", "tries": TASK.c.tries - 1, "doing": ""}
        self._change(name, ("running",), runner, state="waiting", **fewer)

    def interrupt(self, name: str, runner: str) -> None:
        """Put back a task that ended without an answer, unless that happened too often."""
        task = self.get(name)
        if task.tries >= MOST_TRIES:
            self.end(name, runner, "refused", _cut_short(task.tries))
        else:
            self._change(name, ("running",), runner, state="waiting", doing="")

    # ---- keeping ---------------------------------------------------------------------------------

    def folder(self, name: str) -> Path:
        """Return the folder of a task's files, which need not be there yet."""
        if self._base is None:
            raise RequestError(NO_FOLDER)
        return self._base / "under-way" / name

    @property
    def keeps_files(self) -> bool:
        """Whether there is a folder for files."""
        return self._base is not None

    @property
    def _base(self) -> Path | None:
        return self.archive.address.folder or self.archive.address.files

    def forget(self, *names: str) -> None:
        """Drop tasks with their files."""
        with self.archive.writing() as connection:
            connection.execute(delete(TASK).where(TASK.c.id.in_(names)))
        for name in names if self.keeps_files else ():
            shutil.rmtree(self.folder(name), ignore_errors=True)

    def let_go(self, name: str, result: Mapping[str, Any]) -> None:
        """Drop the files of a task that is done, and say what became of them."""
        self._change(name, ("done",), result=json.dumps(result, allow_nan=False))
        shutil.rmtree(self.folder(name), ignore_errors=True)

    def sweep(self) -> None:
        """Drop what nobody came back for, and the files of tasks that are gone."""
        now = datetime.fromisoformat(self.archive.clock())
        before = (now - timedelta(days=KEPT_DAYS)).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        with self.archive.reading() as connection:
            rows = connection.execute(select(TASK.c.id, TASK.c.state, TASK.c.changed)).all()
        old = [r.id for r in rows if r.state not in OPEN and r.changed < before]
        if old:
            self.forget(*old)
        if not self.keeps_files or not (root := self.folder("")).is_dir():
            return
        known = {row.id for row in rows} - set(old)
        for folder in root.iterdir():
            if folder.name not in known and folder.stat().st_mtime < now.timestamp() - 3600.0:
                shutil.rmtree(folder, ignore_errors=True)

    def erase(self, name: str) -> None:
        """Drop every task that names a person."""
        written = json.dumps(name, ensure_ascii=True)[1:-1]
        within = json.dumps(written)[1:-1]  # in an answer that is kept: JSON in JSON
        with self.archive.reading() as connection:
            rows = connection.execute(select(TASK.c.id, TASK.c.asked, TASK.c.result)).all()
        kept = {r.id: r.asked + r.result for r in rows}
        self.forget(*(one for one, text in kept.items() if written in text or within in text))

    def _change(
        self, name: str, states: Sequence[State], by: str | None = None, /, **values: Any
    ) -> bool:
        """Change a task that is in one of some states; say whether it was."""
        wanted = update(TASK).where(TASK.c.id == name, TASK.c.state.in_(states))
        if by is not None:
            wanted = wanted.where(TASK.c.runner == by)
        with self.archive.writing() as connection:
            changed = wanted.values(changed=self.archive.clock(), **values)
            return bool(connection.execute(changed).rowcount)


def _like(connection: Connection, kind: str, same: str) -> Task | None:
    """Return the newest task of a kind that names the same; before None, whoever asks waits."""
    like = select(TASK).where(TASK.c.same == same, TASK.c.kind == kind).order_by(TASK.c.at.desc())
    row = connection.execute(like).first()
    if row is None:  # two who ask at once come here one after the other
        connection.execute(select(ARCHIVE).with_for_update())
        row = connection.execute(like).first()
    return None if row is None else _task(row)


def _cut_short(tries: int) -> dict[str, Any]:
    """Return what is said of a task that ended too often without an answer."""
    said = (
        "This work was cut short {tries} times before it was done, perhaps for lack of memory. "
        "Begin it again when the computer has less to do, or leave it."
    )
    return Refusal.of(RequestError(said, tries=tries)).as_dict()


def _task(row: Row[Any]) -> Task:
    """Return the task that a row holds."""
    plain = ("id", "kind", "dossier", "state", "doing", "permille", "tries", "beat", "at", "runner")
    return Task(
        **{name: getattr(row, name) for name in plain},
        asked=json.loads(row.asked),
        result=json.loads(row.result),
        stop=bool(row.stop),
    )
