"""What is under way: how far it is, told as it goes on; stopped, begun again, handed on."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from typing import Any, Literal

from fastapi import Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import FileResponse, JSONResponse, Response, StreamingResponse

from evenfall.errors import RequestError
from evenfall.records.queue import Refusal, Task
from evenfall.web.access import require
from evenfall.web.part import Part
from evenfall.web.rights import who_of
from evenfall.web.view import View, local, page, see_other, shop_of, wants_page
from evenfall.workshop.archive_tasks import ARCHIVE_KINDS
from evenfall.workshop.tasks import KINDS

router = Part(prefix="/under-way")
_LOOK_S = 0.2
_ALIVE_S = 1.0
PLACES = {
    "measure": "/instruments/{dossier}/measure/seen/{id}",
    "methods": "/instruments/{dossier}/plan",
    "play": "/instruments/{dossier}/play",
    "causes": "/charts/causes?{of}&task={id}",
    "points": "/instruments/{dossier}/scan/{of}",
    **dict.fromkeys(ARCHIVE_KINDS, "/archive/task/{id}"),
    "program": "/instruments/{dossier}/program/{id}",
}
"""The page that shows what came of a task, by its kind; others show it on their own."""
_STATES = {
    "receiving": "files are still coming",
    "waiting": "waits for its turn",
    "running": "under way",
    "done": "done",
    "refused": "not possible as asked",
    "stopped": "stopped",
}


def told(task: Task, view: View) -> dict[str, Any]:
    """Return how a task stands, as its page shows it."""
    lines: list[str] = []
    if task.state == "refused":
        lines = view.wrong(Refusal.from_dict(task.result).error()).splitlines()
    place = PLACES.get(task.kind, "/under-way/{id}")
    return {
        "id": task.id,
        "kind": KINDS[task.kind][0] if task.kind in KINDS else task.kind,
        "state": task.state,
        "said": _STATES[task.state],
        "doing": task.doing,
        "percent": task.permille // 10,
        "ended": task.ended,
        "lines": lines,
        "stopping": task.stop and not task.ended,
        "at": local(task.at),
        "place": place.format(dossier=task.dossier, id=task.id, of=task.asked.get("of") or "filed"),
        "files": sorted(task.result.get("files", [])) if task.state == "done" else [],
    }


@router.get("")
def everything(request: Request) -> Response:
    """List what is under way, and what ended lately."""
    view = View(request)
    tasks = [told(task, view) for task in listed(request)]
    return page(request, "under_way.html", view, tasks=tasks)


def listed(request: Request) -> list[Task]:
    """Return the tasks that who asks may see."""
    keeps = who_of(request).may("keep")
    every = shop_of(request).queue.listed()
    return [task for task in every if keeps or task.kind not in ARCHIVE_KINDS]


@router.get("/{name}")
def one(request: Request, name: str) -> Response:
    """Show one task."""
    view = View(request)
    return page(request, "under_way.html", view, tasks=[told(shown(request, name), view)])


def shown(request: Request, name: str) -> Task:
    """Return a task; one on the archive to those alone who look after it."""
    task = shop_of(request).pool.shown(name)
    if task.kind in ARCHIVE_KINDS:
        require(request, "keep")
    return task


@router.get("/{name}/events")
async def events(request: Request, name: str) -> Response:
    """Tell how a task goes on, until it has ended; see the server-sent events of HTML."""
    view = View(request)
    await run_in_threadpool(shown, request, name)  # what is not there is said at once
    return telling(request, name, lambda task: told(task, view))


def telling(request: Request, name: str, of: Callable[[Task], dict[str, Any]]) -> Response:
    """Return what tells how a task goes on, until it has ended."""
    shop = shop_of(request)

    async def lines() -> AsyncIterator[str]:
        yield "retry: 1000\n\n"
        last, silent_s = "", 0.0
        while not shop.pool.leaving:
            try:
                task = await run_in_threadpool(shop.pool.shown, name)
            except RequestError:
                return
            now = json.dumps(of(task))
            if now != last:
                last, silent_s = now, 0.0
                yield f"data: {now}\n\n"
            elif silent_s >= _ALIVE_S:
                silent_s = 0.0
                yield ": alive\n\n"
            if task.ended:
                return
            silent_s += _LOOK_S
            await asyncio.sleep(_LOOK_S)

    return StreamingResponse(
        lines(), media_type="text/event-stream", headers={"cache-control": "no-store"}
    )


def pressed(request: Request, name: str, what: Literal["ask_to_stop", "again"]) -> Task:
    """Ask a task to stop, or begin it again; whoever calls this looked whether it may be seen."""
    shop = shop_of(request)
    task: Task = getattr(shop.queue, what)(name)
    shop.pool.wake()
    return task


def _after(request: Request, task: Task) -> Response:
    """Answer a press of a button: plain values for a script, a page for a form."""
    after = told(task, View(request))
    return see_other(str(after["place"])) if wants_page(request) else JSONResponse(after)


@router.post("/{name}/stop")
def stop(request: Request, name: str) -> Response:
    """Ask a task to stop."""
    shown(request, name)
    return _after(request, pressed(request, name, "ask_to_stop"))


@router.post("/{name}/again")
def again(request: Request, name: str) -> Response:
    """Begin a task again that was refused or stopped."""
    shown(request, name)
    return _after(request, pressed(request, name, "again"))


@router.get("/{name}/file/{file}")
def made(request: Request, name: str, file: str) -> Response:
    """Return a file that a task made."""
    shown(request, name)
    folder = shop_of(request).queue.folder(name) / "out"
    path = folder / file
    if path.parent != folder or not path.is_file():
        raise RequestError("This work made no file of that name.")
    return FileResponse(path, filename=file, media_type="application/octet-stream")
