"""What other programs may ask: each use case, the archive, and what is under way, as JSON.

A layer without rules: an address for each use case, whose body is its request as
`evenfall.workshop.asking` reads it, and one for each verb of the archive.
"""

from __future__ import annotations

import inspect
import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import cache
from pathlib import Path as PathOnDisk
from typing import Annotated, Any

from fastapi import Header, Path, Query, Request
from fastapi.responses import FileResponse, JSONResponse, Response
from fastapi.routing import APIRoute

from evenfall.codec import plain, with_words
from evenfall.codec.forms import Plain
from evenfall.errors import At, EvenfallError, RequestError
from evenfall.records.entries import Entry
from evenfall.records.exchange import SHOWN
from evenfall.records.queue import Refusal, Task
from evenfall.web import api_lots, api_papers, api_quality, under_way, uploads
from evenfall.web.access import NotAllowedError, require
from evenfall.web.answering import (
    ROOT,
    AbsentError,
    Body,
    Key,
    Name,
    Since,
    Unit,
    Whole,
    answered,
    attachment,
    named,
    once,
    parsed,
    tagged,
    version_in,
)
from evenfall.web.api_description import (
    ADDED,
    CONTENTS,
    DOSSIER,
    ENTRIES,
    HISTORY,
    LISTED,
    NOTED,
    STORY,
    TASK,
    TASKS,
    asks,
    asks_for,
    called_answers,
    description,
    gives,
    gives_file,
)
from evenfall.web.part import Part
from evenfall.web.rights import Right, filed_by
from evenfall.web.shop import Shop
from evenfall.web.uploads import files_of
from evenfall.web.view import shop_of
from evenfall.workshop import AddRequest, NoteRequest
from evenfall.workshop.archive_filing import Papers, marks_of, new_only
from evenfall.workshop.archive_tasks import FORMS
from evenfall.workshop.asking import read_request
from evenfall.workshop.calls import LONG, Form, called, use_cases
from evenfall.workshop.tasks import ANSWER

router = Part(prefix=ROOT)
ROUTERS = (router, api_papers.router, api_quality.router, api_lots.judged, api_lots.router)
"""Every address for programs."""
_LISTED = 50
_MOST = 200

TaskId = Annotated[str, Path(max_length=64, description="Id of a task.")]


# ---- use cases -----------------------------------------------------------------------------------


def _came_before(given: Plain) -> bool:
    """Say whether a request names files that came piece by piece."""
    left: list[Any] = [given]
    while left:
        one = left.pop()
        if isinstance(one, Mapping):
            if set(one) == {"upload"}:
                return True
            left += one.values()
        elif isinstance(one, list):
            left += one
    return False


def _caller(name: str) -> Callable[..., Response]:
    _, of = use_cases()[name]

    def call(
        request: Request,
        body: Body,
        *,
        unit: Unit = None,
        form: Whole = "printed",
        pictures: Annotated[bool, Query(description="Whether to draw, as SVG by name.")] = False,
        prefer: Annotated[
            str, Header(max_length=200, description="`respond-async` for a task in any case.")
        ] = "",
        key: Key = "",
    ) -> Response:
        shop = shop_of(request)
        given = parsed(body)
        if name not in LONG and "respond-async" not in prefer and not _came_before(given):
            asked = read_request(of, given, files_of(request, set()))
            made = called(name, asked, unit=unit, form=form, pictures=pictures)
            return Response(json.dumps(made, allow_nan=False), media_type="application/json")
        values = {
            **{"name": name, "request": given, "unit": unit},
            **{"form": form, "pictures": pictures},
        }

        def begin() -> Task:
            tasks: set[str] = set()
            read_request(of, given, files_of(request, tasks))  # what cannot be done is said at once
            if len(tasks) > 1:
                raise RequestError("Send all files of one call in one upload.")
            return (
                shop.put_files(tasks.pop(), "call", values) if tasks else shop.put("call", values)
            )

        return _begun(request, body, key, begin)

    return call


for _name, (_do, _of) in use_cases().items():
    router.add_api_route(
        f"/{_name.replace('_', '-')}",
        _caller(_name),
        methods=["POST"],
        operation_id=_name,
        summary=(inspect.getdoc(_do) or "").partition("\n")[0],
        tags=["use cases"],
        openapi_extra=asks(_of),
        responses=called_answers(_name),
        response_class=JSONResponse,
    )


# ---- the archive ---------------------------------------------------------------------------------


@router.get("/dossiers", tags=["archive"], responses=gives(LISTED))
def dossiers(
    request: Request,
    words: Annotated[
        str, Query(max_length=200, description="Beginnings of words; without, the newest.")
    ] = "",
    limit: Annotated[int, Query(ge=1, le=_MOST)] = _LISTED,
    cursor: Annotated[
        str, Query(max_length=40, description="`next` of the answer before; empty to begin.")
    ] = "",
    form: Whole = "printed",
) -> Response:
    """List dossiers, part by part."""
    lines, after = shop_of(request).dossiers.listed(words, limit, cursor)
    if form == "whole":
        return answered(request, (lines, after), form=form)
    return answered(request, {"dossiers": plain(lines), "next": after})


@router.post(
    "/dossiers",
    status_code=201,
    tags=["archive"],
    openapi_extra=asks(AddRequest),
    responses=gives(ADDED, 201, 412),
)
def add(
    request: Request, body: Body, *, since: Since = "", key: Key = "", form: Whole = "printed"
) -> Response:
    """File documents and files into the dossier of their instrument, opened if need be."""
    shop = shop_of(request)
    return _filed(
        request,
        body,
        lambda asked, papers: (shop.dossiers.add(asked, papers), ""),
        key=key,
        of=AddRequest,
        known={"since": version_in(since)},
        form=form,
    )


@router.get("/dossiers/{name}", tags=["archive"], responses=gives(DOSSIER, 200, 404))
def show(request: Request, name: Name, form: Whole = "printed") -> Response:
    """Show a whole dossier, every entry in words."""
    shop = shop_of(request)
    dossier = named(shop, name)
    shown = shop.dossiers.show(dossier)
    values = shown if form == "whole" else with_words(shown.as_dict())
    erased = shop.dossiers.archive.erased()  # a name that was erased changes what is shown
    return answered(request, values, form=form, version=f"{shown.version}-{erased}")


@router.get("/dossiers/{name}/entries", tags=["archive"], responses=gives(ENTRIES, 200, 404))
def entries(
    request: Request,
    name: Name,
    since: Annotated[
        str, Query(max_length=64, description="`version` of an answer before; empty for all.")
    ] = "",
    form: Whole = "printed",
) -> Response:
    """Tell what was filed into a dossier since a version."""
    shop = shop_of(request)
    dossier = named(shop, name)
    version = shop.dossiers.archive.version(dossier)  # before what it is of: never too new
    told = shop.dossiers.since(dossier, since)
    if form == "whole":
        return answered(request, told, form=form)
    return answered(request, with_words({"version": version, "entries": plain(told)}))


@router.get("/dossiers/{name}/history", tags=["archive"], responses=gives(HISTORY, 200, 404))
def history(request: Request, name: Name, form: Whole = "printed") -> Response:
    """Show relief, action, lowest crown and fret life over the years."""
    shop = shop_of(request)
    made = shop.dossiers.history(named(shop, name))
    return answered(request, made if form == "whole" else made.as_dict(), form=form)


@router.get("/dossiers/{name}/story", tags=["archive"], responses=gives(STORY, 200, 404))
def story(request: Request, name: Name) -> Response:
    """Say where the job on an instrument stands, and the one next step."""
    shop = shop_of(request)
    told = shop.story(named(shop, name))
    stops = [{"name": one.name, "state": one.state, "fact": plain(one.fact)} for one in told.stops]
    said = {"headline": plain(told.headline), "said": plain(told.said)}
    values = {"dossier": told.line.dossier, "step": told.step, "stops": stops, **said}
    return answered(request, with_words(values))


@router.get("/dossiers/{name}/documents/{what}", tags=["archive"], responses=gives_file(200, 404))
def document(
    request: Request,
    name: Name,
    what: Annotated[
        str, Path(max_length=200, description="A kind, for the newest; a code, name or entry.")
    ],
    ahead: Annotated[
        bool, Query(description="Refused where the work that it is for has been done.")
    ] = False,
) -> Response:
    """Return one document or file of a dossier."""
    shop = shop_of(request)
    dossier = named(shop, name)
    if ahead:
        shop.dossiers.latest(dossier, what, ahead=True)
    try:
        kept = shop.dossiers.kept_file(dossier, what)
        source = None if kept else shop.dossiers.document(dossier, what)
    except RequestError as error:
        raise AbsentError(error.said, at=At(field="document")) from None
    if kept is not None:  # of any size: its hash is known, and it goes out piece by piece
        return tagged(request, attachment(kept.name, kept.path), kept.sha256)
    assert source is not None  # noqa: S101
    return tagged(request, attachment(source.name, source.read(10**9)))


@router.post(
    "/dossiers/{name}/notes",
    status_code=201,
    tags=["archive"],
    openapi_extra=asks(NoteRequest, without=("instrument",)),
    responses=gives(NOTED, 201, 404, 412),
)
def note(
    request: Request,
    name: Name,
    body: Body,
    *,
    since: Since = "",
    key: Key = "",
    form: Whole = "printed",
) -> Response:
    """Write a note, a step of work, a calibration or a check reading into a dossier."""
    shop = shop_of(request)
    dossier = named(shop, name)
    return _filed(
        request,
        body,
        lambda asked, _papers: (shop.dossiers.note(asked), dossier),
        key=key,
        of=NoteRequest,
        known={"instrument": dossier, "since": version_in(since)},
        form=form,
    )


def _filed(
    request: Request,
    body: bytes,
    do: Callable[[Any, Sequence[Papers]], tuple[Any, str]],
    *,
    key: str,
    of: type,
    known: Mapping[str, str],
    form: Form,
) -> Response:
    """File what a body asks for; what an address or a header says goes before it."""
    shop = shop_of(request)
    given = {**parsed(body), **{key: one for key, one in known.items() if one}}

    def file() -> Callable[[], Response]:
        came: set[str] = set()
        asked = read_request(of, given, files_of(request, came))
        asked = replace(asked, person=filed_by(request, asked.person))
        papers = shop.dossiers.read(asked) if isinstance(asked, AddRequest) else ()
        for right in _rights_of(shop, asked, papers):
            require(request, right)
        made, dossier = do(asked, papers)
        dossier = dossier or made.line.dossier
        place = {"location": f"{ROOT}/dossiers/{dossier}"}

        def show() -> Response:
            with suppress(EvenfallError):  # the archive holds them from now on; see `Queue.sweep`
                shop.queue.forget(*came)
            values = made if form == "whole" else with_words(plain(made))
            return answered(request, values, form=form, status=201, headers=place)

        return show

    return once(request, key, body, file)


_NEEDED: Mapping[str, Right] = {
    **dict.fromkeys(("plan", "specification", "program", "accepted", "calibration"), "plan"),
    "on chart": "plan",
    **dict.fromkeys(("proof", "lots agreed", "lot", "lot answered"), "release"),
}
"""Rights that filing needs by kind, and taking back, where that is more than the route needs."""


def _rights_of(shop: Shop, asked: AddRequest | NoteRequest, papers: Sequence[Papers]) -> set[Right]:
    """Return what filing this needs besides the right of its route."""
    if isinstance(asked, NoteRequest):  # what it corrects stands no more
        there = _entries(shop, asked.instrument if asked.corrects else "")
        kinds = {asked.kind, *(one.kind for one in there if one.hash == asked.corrects)}
    else:
        filings = [one for some in papers for one in some.filings if one.kind in _NEEDED]
        # readings bring their specification along, which may be there already
        there = _entries(shop, asked.instrument if filings else "")
        known = {mark for entry in there for mark in marks_of(entry)}
        kinds = {one.kind for one in new_only(filings, known)}
    return {_NEEDED[kind] for kind in kinds & set(_NEEDED)}


def _entries(shop: Shop, name: str) -> tuple[Entry, ...]:
    """Return the entries of a dossier by its name; none without one."""
    return shop.dossiers.archive.entries(shop.dossiers.named(name)) if name else ()


@router.get("/archive", tags=["archive"], responses=gives(CONTENTS))
def contents(request: Request, form: Whole = "printed") -> Response:
    """Count what the archive holds, and say when it was last verified and copied."""
    held = shop_of(request).dossiers.contents()
    return answered(request, held if form == "whole" else plain(held), form=form)


_EXPORT: Mapping[str, Any] = {
    "names": {
        "type": "array",
        "items": {"type": "string", "maxLength": 200},
        "maxItems": 5000,
        "description": "Dossiers by number or id; all, if none is named.",
    },
    "form": {"enum": list(FORMS), "default": "dossiers"},
    "shown": {"enum": list(SHOWN), "default": "certificates"},
}
_IMPORT: Mapping[str, Any] = {
    "upload": {
        "type": "string",
        "minLength": 1,
        "maxLength": 64,
        "description": "The task of the upload.",
    },
    "trust_key": {"type": "string", "maxLength": 64, "description": "Key to trust from now on."},
}


@router.post(
    "/archive/verifications",
    status_code=202,
    tags=["archive"],
    openapi_extra=asks_for({"sign": {"type": "boolean", "default": False}}),
    responses=gives(TASK, 202),
)
def verify(request: Request, body: Body, key: Key = "") -> Response:
    """Look at every byte that was filed."""
    given = _checked(parsed(body), {"sign": bool})
    return _task(request, body, key, "verify", {"sign": given.get("sign", False)})


@router.post(
    "/archive/backups",
    status_code=202,
    tags=["archive"],
    openapi_extra=asks_for({"to": {"type": "string", "maxLength": 1000}}, "to"),
    responses=gives(TASK, 202),
)
def back_up(request: Request, body: Body, key: Key = "") -> Response:
    """Copy the archive into a new folder of the server, named from the root on."""
    to = str(_checked(parsed(body), {"to": str}).get("to", "")).strip()
    if not PathOnDisk(to).is_absolute():
        raise RequestError(
            "Name the folder of the copy from the root on, and one that is new.", at=At(field="to")
        )
    return _task(request, body, key, "backup", {"to": to})


@router.post(
    "/archive/exports",
    status_code=202,
    tags=["archive"],
    openapi_extra=asks_for(_EXPORT),
    responses=gives(TASK, 202),
)
def export(request: Request, body: Body, key: Key = "") -> Response:
    """Write one dossier, several or all into a file."""
    given = _checked(parsed(body), {"names": list, "form": FORMS, "shown": SHOWN})
    names = given.get("names", [])
    if not all(isinstance(one, str) for one in names):
        raise RequestError("Name dossiers by texts.", at=At(field="names"))
    dossiers = shop_of(request).dossiers
    asked = {
        "names": [dossiers.named(one) for one in names],
        "form": given.get("form", "dossiers"),
        "shown": given.get("shown", "certificates"),
    }
    return _task(request, body, key, "export", asked)


@router.post(
    "/archive/looks",
    status_code=202,
    tags=["archive"],
    openapi_extra=asks_for({"upload": _IMPORT["upload"]}, "upload"),
    responses=gives(TASK, 202),
)
def look(request: Request, body: Body, key: Key = "") -> Response:
    """Say what a partner's file holds; nothing is filed."""
    shop = shop_of(request)
    upload = _upload(parsed(body), {"upload": str})

    def begin() -> Task:
        uploads.complete(request, upload)
        return shop.put_files(upload, "look", {})

    return _begun(request, body, key, begin)


@router.post(
    "/archive/imports",
    status_code=202,
    tags=["archive"],
    openapi_extra=asks_for(_IMPORT, "upload"),
    responses=gives(TASK, 202),
)
def import_(request: Request, body: Body, key: Key = "") -> Response:
    """File what a partner sent, if their key is trusted."""
    shop = shop_of(request)
    given = parsed(body)
    upload = _upload(given, {"upload": str, "trust_key": str})

    def begin() -> Task:
        folder = uploads.complete(request, upload)
        asked = {"folder": str(folder), "trust_key": given.get("trust_key", "")}
        return shop.put_files(upload, "import", asked)

    return _begun(request, body, key, begin)


def _upload(given: Mapping[str, Any], wanted: Mapping[str, Any]) -> str:
    upload = _checked(given, wanted).get("upload")
    if not upload:
        raise RequestError("This key is missing; give it.", at=At(field="upload"))
    return str(upload)


def _checked(given: Mapping[str, Any], wanted: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return a small body that holds what it may: values of a type, or one of several words."""
    for key, one in given.items():
        if key not in wanted:
            raise RequestError(
                "This key is not known here; there are {known:list}.",
                at=At(field=key[:100]),
                known=tuple(wanted),
            )
        kind = wanted[key]
        if not (isinstance(one, kind) if isinstance(kind, type) else one in tuple(kind)):
            raise RequestError(
                "This value cannot stand here; see the description.", at=At(field=key)
            )
    return given


# ---- what is under way ---------------------------------------------------------------------------


def _task(request: Request, body: bytes, key: str, kind: str, asked: Mapping[str, Any]) -> Response:
    return _begun(request, body, key, lambda: shop_of(request).put(kind, asked))


def _begun(request: Request, body: bytes, key: str, begin: Callable[[], Task]) -> Response:
    """Begin something once, and say where to look how it stands."""

    def do() -> Callable[[], Response]:
        task = begin()
        place = {"location": f"{ROOT}/tasks/{task.id}"}
        return lambda: JSONResponse(task_values(task), 202, place)

    return once(request, key, body, do)


def task_values(task: Task) -> dict[str, Any]:
    """Return how a task stands."""
    error = Refusal.from_dict(task.result).error() if task.state == "refused" else None
    return {
        "id": task.id,
        "kind": task.kind,
        "state": task.state,
        "doing": task.doing,
        "share": task.permille / 1000.0,
        "stopping": task.stop and not task.ended,
        "at": task.at,
        "files": sorted(task.result.get("files", [])) if task.state == "done" else [],
        "error": None if error is None else error.as_dict(),
    }


def _shown(request: Request, name: str) -> Task:
    try:
        return under_way.shown(request, name)
    except NotAllowedError:
        raise
    except RequestError as error:
        raise AbsentError(error.said, at=At(field="task")) from None


@router.get("/tasks", tags=["under way"], responses=gives(TASKS))
def tasks(request: Request) -> Response:
    """List what is under way, and what ended lately: the fifty newest."""
    return answered(request, {"tasks": [*map(task_values, under_way.listed(request))]})


@router.get("/tasks/{task}", tags=["under way"], responses=gives(TASK, 200, 404))
def task_shown(request: Request, task: TaskId) -> Response:
    """Say how far a task is."""
    return answered(request, task_values(_shown(request, task)))


@router.get(
    "/tasks/{task}/events",
    tags=["under way"],
    responses={
        **called_answers("", 404),
        200: {"description": "a task at each change", "content": {"text/event-stream": {}}},
    },
)
def events(request: Request, task: TaskId) -> Response:
    """Tell how a task goes on until it has ended, by server-sent events; `data` is the task."""
    _shown(request, task)
    return under_way.telling(request, task, task_values)


@router.post("/tasks/{task}/stop", tags=["under way"], responses=gives(TASK, 200, 404))
def stop(request: Request, task: TaskId) -> Response:
    """Ask a task to stop."""
    _shown(request, task)
    return JSONResponse(task_values(under_way.pressed(request, task, "ask_to_stop")))


@router.post("/tasks/{task}/again", tags=["under way"], responses=gives(TASK, 200, 404))
def again(request: Request, task: TaskId) -> Response:
    """Begin a task again that was refused or stopped."""
    _shown(request, task)
    return JSONResponse(task_values(under_way.pressed(request, task, "again")))


@router.get("/tasks/{task}/result", tags=["under way"], responses=gives({}, 200, 404))
def result(request: Request, task: TaskId) -> Response:
    """Return what came of a task that is done."""
    known = _shown(request, task)
    if known.state != "done":
        raise AbsentError("This task has no result; see how it stands.", at=At(field="task"))
    if known.kind != "call":
        return answered(request, known.result)
    path = shop_of(request).queue.folder(task) / "out" / ANSWER
    return FileResponse(path, media_type="application/json")


@router.get("/tasks/{task}/files/{file}", tags=["under way"], responses=gives_file(200, 404))
def made(
    request: Request,
    task: TaskId,
    file: Annotated[str, Path(max_length=200, description="One of the `files` of the task.")],
) -> Response:
    """Return a file that a task made."""
    known = _shown(request, task)
    if known.state != "done" or file not in known.result.get("files", []):
        raise AbsentError("This task made no file of that name.", at=At(field="file"))
    path = shop_of(request).queue.folder(task) / "out" / file
    return FileResponse(path, filename=file, media_type="application/octet-stream")


# ---- files that come piece by piece --------------------------------------------------------------

for _path, _do_it, _method in (
    ("/uploads", uploads.begin, "POST"),
    ("/uploads/{task}", uploads.received, "GET"),
    ("/uploads/{task}/{number}", uploads.piece, "PATCH"),
):
    router.add_api_route(
        _path,
        _do_it,
        methods=[_method],
        operation_id=f"upload_{_do_it.__name__}",
        tags=["files"],
        response_class=JSONResponse,
        responses=called_answers("", 200, 422 if _method == "POST" else 404),
    )


# ---- the description -----------------------------------------------------------------------------


@router.get("", tags=["description"], include_in_schema=False)
@router.get("/openapi.json", tags=["description"], include_in_schema=False)
def described(request: Request) -> Response:
    """Return the description of all this, by OpenAPI 3.1."""
    return answered(request, _description())


@cache
def _description() -> Plain:
    return description(ROUTERS)


def methods_at(path: str) -> list[str]:
    """Return the methods that an address takes."""
    found = {
        method
        for one in ROUTERS
        for route in one.routes
        if isinstance(route, APIRoute) and route.path_regex.match(path)
        for method in route.methods or ()
    }
    return sorted(found)
