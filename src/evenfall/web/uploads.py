"""Files that come piece by piece, so that a lost connection costs the piece under way alone."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import Header, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, Field
from starlette.requests import ClientDisconnect

from evenfall.errors import At, RequestError
from evenfall.records.queue import Queue, Task
from evenfall.web.answering import AbsentError
from evenfall.web.guard import UPLOAD_LIMIT_BYTES, TooLargeError
from evenfall.web.part import Part
from evenfall.web.rights import who_of
from evenfall.web.view import shop_of
from evenfall.workshop import Source
from evenfall.workshop.archive_readings import Filed
from evenfall.workshop.asking import source_of
from evenfall.workshop.tasks import sources_in

if TYPE_CHECKING:
    from fastapi import UploadFile


router = Part(prefix="/uploads")
MOST_FILES = 20
_LONGEST_NAME_BYTES = 240


class Announced(BaseModel):
    """A file that is to come."""

    name: str = Field(max_length=1000)
    size: int = Field(ge=0, strict=True)


class Coming(BaseModel):
    """The files of one set that are to come."""

    files: list[Announced] = Field(max_length=MOST_FILES, json_schema_extra={"minItems": 1})


@router.post("")
def begin(request: Request, coming: Coming) -> Response:
    """Make room for files; what is too large is said before a byte is sent."""
    if sum(one.size for one in coming.files) > UPLOAD_LIMIT_BYTES:
        text = (
            "These files are more than {limit:.0f} MB together, which is not taken; choose fewer, "
            "or a scan with fewer points."
        )
        raise TooLargeError(text, at=At(field="files"), limit=UPLOAD_LIMIT_BYTES / 1e6)
    if not coming.files:
        raise RequestError("Choose a file of readings or a scan first.")
    task, places = _room(request, [(one.name, one.size) for one in coming.files])
    for place in places:
        place.touch()
    return JSONResponse({"task": task, "received": [0] * len(places)})


def _room(request: Request, files: Sequence[tuple[str | None, int]]) -> tuple[str, list[Path]]:
    """Make room for files by name and size: the task that they wait for, and where each goes."""
    queue = shop_of(request).queue
    task = queue.receive([size for _, size in files], who_of(request).account)
    places = [_place(queue, task.id, n) / bare(name) for n, (name, _) in enumerate(files)]
    for place in places:
        place.parent.mkdir(parents=True)
    return task.id, places


@router.get("/{task}")
def received(request: Request, task: str) -> Response:
    """Say how much of each file is here."""
    queue = shop_of(request).queue
    known = _receiving(request, task)
    sizes = [
        _file(queue, task, number).stat().st_size for number in range(len(known.asked["sizes"]))
    ]
    return JSONResponse({"task": task, "received": sizes})


@router.patch("/{task}/{number}")
async def piece(
    request: Request, task: str, number: int, upload_offset: Annotated[int, Header()]
) -> Response:
    """Take the piece of a file that follows what is here; of one cut short, what came of it."""
    queue = shop_of(request).queue
    known = await run_in_threadpool(_receiving, request, task)
    sizes = known.asked["sizes"]
    if not 0 <= number < len(sizes):
        raise RequestError("No such file was announced; choose the files again.")
    path = _file(queue, task, number)
    with path.open("r+b") as stream:
        there = stream.seek(0, os.SEEK_END)
        if upload_offset != there:  # the other side begins where this one stands
            return JSONResponse({"received": there}, 409)
        try:
            async for part in request.stream():
                if there + len(part) > sizes[number]:
                    raise RequestError("More came than was announced; choose the files again.")
                there += stream.write(part)
        except ClientDisconnect:
            pass
        stream.flush()
        if there == sizes[number]:
            await run_in_threadpool(os.fsync, stream.fileno())
    return JSONResponse({"received": there})


def complete(request: Request, task: str) -> Path:
    """Return the folder of files that came whole from whoever asks; refuse others."""
    queue = shop_of(request).queue
    sizes = _receiving(request, task).asked["sizes"]
    for number, size in enumerate(sizes):
        if _file(queue, task, number).stat().st_size != size:
            raise RequestError("Not all of the files came; send them again.")
    return queue.folder(task) / "in"


def files_of(
    request: Request, tasks: set[str]
) -> Callable[[Mapping[str, Any], str], Source | Filed]:
    """Return what finds the files of a request; the tasks that uploads belong to go into a set."""
    shop = shop_of(request)

    def resolve(given: Mapping[str, Any], place: str) -> Source | Filed:
        if "filed" in given:
            return Filed(shop.dossiers.archive, **given["filed"])
        found = source_of(given, place)
        if found is not None:
            return found
        if "upload" not in given:
            return shop.dossiers.document(str(given["dossier"]), str(given["document"]))
        task, _, number = str(given["upload"]).partition("/")
        files = sources_in(complete(request, task))
        if not (number.isascii() and number.isdigit() and int(number[:4]) < len(files)):
            raise RequestError("No such file was sent; name it TASK/NUMBER.", at=At(field=place))
        tasks.add(task)
        return files[int(number[:4])]

    return resolve


def keep(request: Request, files: list[UploadFile]) -> str:
    """Keep files that a form brought, and return the task that they wait for."""
    named = [one for one in files if one.filename]
    if not named:
        raise RequestError("Choose a file of readings or a scan first.")
    task, places = _room(request, [(one.filename, one.size or 0) for one in named])
    for one, place in zip(named, places, strict=True):
        with place.open("xb") as stream:
            shutil.copyfileobj(one.file, stream)
    return task


def add(folder: Path, sources: Iterable[Source], first: int) -> None:
    """Put files that are kept beside those that came, numbered from the first on."""
    for number, one in enumerate(sources, first):
        (folder / str(number)).mkdir(parents=True)
        shutil.copyfile(one.on_disk, folder / str(number) / one.name)


def bare(name: str | None) -> str:
    """Return a file's own name, without the folders that a browser may send before it."""
    own = (name or "").replace("\\", "/").rpartition("/")[2]
    own = "".join(c for c in own if c.isprintable() and c not in ':*?"<>|')[-120:]
    # as long as a file system takes, which counts bytes
    own = own.encode()[-_LONGEST_NAME_BYTES:].decode(errors="ignore").strip()
    return own if own.strip(".") else "file"


def _receiving(request: Request, task: str) -> Task:
    """Return an upload of whoever asks: nobody adds to what another will file, or takes it."""
    try:
        known = shop_of(request).queue.get(task)
    except RequestError as error:
        raise AbsentError(error.said, at=At(field="task")) from None
    account = who_of(request).account
    if known.asked.get("by", account) != account:
        raise AbsentError("Somebody else sends these files; send yours.", at=At(field="task"))
    if known.state != "receiving":
        raise RequestError("These files came already, or were let go of; send them again.")
    return known


def _place(queue: Queue, task: str, number: int) -> Path:
    return queue.folder(task) / "in" / str(number)


def _file(queue: Queue, task: str, number: int) -> Path:
    (path,) = _place(queue, task, number).iterdir()
    return path
