"""The archive as a whole: what is in it, and what goes out, comes in, is proved and copied."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import File, Form, Request, UploadFile
from fastapi.responses import Response

from evenfall.errors import EvenfallError, RequestError
from evenfall.records.queue import Task
from evenfall.records.signing import signing_key
from evenfall.web.part import Part
from evenfall.web.shop import Shop, now
from evenfall.web.under_way import told
from evenfall.web.uploads import complete, keep
from evenfall.web.view import View, page, see_other, shop_of
from evenfall.workshop.archive_tasks import ARCHIVE_KINDS, SeenWhole, Sent

router = Part(prefix="/archive")
_MOST_LISTED = 200
_LATELY = 6


@router.get("")
def contents(request: Request, erased: str = "") -> Response:
    """Show what the archive holds, when it was looked after, and what can be done with it."""
    shop = shop_of(request)
    view = View(request)
    key, keyless = "", ""
    try:
        key = signing_key().public
    except EvenfallError as error:  # all else on the page goes without it
        keyless = view.say(error.said)
    lately = [task for task in shop.queue.listed() if task.kind in ARCHIVE_KINDS][:_LATELY]
    return page(
        request,
        "archive.html",
        view,
        **_held(shop, waiting=True),
        erased=erased[:60],
        key=key,
        keyless=keyless,
        to=_backup_place(shop.dossiers.archive.address.folder),
        lately=[told(shop.pool.shown(task.id), view) for task in lately],
    )


@router.get("/held")
def counted(request: Request) -> Response:
    """Count some more of a large archive, and return the part of the page that says so."""
    return page(request, "archive_held.html", **_held(shop_of(request), step=True))


def _held(shop: Shop, **how: bool) -> dict[str, Any]:
    """Return what is in the archive, as its page shows it."""
    held = shop.dossiers.contents(**how)
    return {
        "address": str(shop.dossiers.archive.address),
        "held": held,
        "kinds": ("measurement", "plan", "proof", "scan", "note"),
        "database": _size(held.database_bytes),
        "files": _size(held.files_bytes),
        "verified": held.verified,
        "backup": held.backup,
    }


def _size(count: int) -> str:
    """Return a number of bytes as people read it."""
    if count < 1_000_000:
        return f"{count / 1000:.0f} kB"
    return f"{count / 1e6:.1f} MB" if count < 1e9 else f"{count / 1e9:.1f} GB"


def _backup_place(folder: Path | None) -> str:
    """Return a folder that a copy of today could go into."""
    base = (folder or Path.home() / "evenfall-archive").absolute()
    wanted = base.with_name(f"{base.name}-backup-{now()[:10]}")
    place, number = wanted, 1
    while place.exists():
        number += 1
        place = wanted.with_name(f"{wanted.name}-{number}")
    return str(place)


@router.post("/verify")
def verify(request: Request, sign: Annotated[str, Form()] = "") -> Response:
    """Look at every byte that was filed."""
    return _ask(request, "verify", {"sign": bool(sign)})


@router.post("/backup")
def back_up(request: Request, to: Annotated[str, Form()] = "") -> Response:
    """Copy the archive into a new folder."""
    if not to.strip() or not Path(to.strip()).is_absolute():
        raise RequestError("Name the folder of the copy from the root on, and one that is new.")
    return _ask(request, "backup", {"to": to.strip()})


@router.post("/erase")
def erase(
    request: Request, person: Annotated[str, Form()] = "", sure: Annotated[str, Form()] = ""
) -> Response:
    """Replace a person's name by a pseudonym in everything that is kept."""
    if not sure:
        raise RequestError("A name that is erased does not come back: say that you are sure.")
    shop = shop_of(request)
    pseudonym = shop.dossiers.erase(person.strip())
    shop.forget()
    return see_other(f"/archive?{urlencode({'erased': pseudonym})}#erased")


@router.post("/export")
def export(
    request: Request,
    names: Annotated[str, Form()] = "",
    form: Annotated[str, Form()] = "dossiers",
    shown: Annotated[str, Form()] = "certificates",
) -> Response:
    """Write one dossier, several or all into a file."""
    wanted = [name.strip() for name in re.split(r"[\n,;]", names) if name.strip()]
    dossiers = [shop_of(request).dossiers.named(name) for name in wanted]
    return _ask(request, "export", {"names": dossiers, "form": form, "shown": shown})


@router.post("/sent/upload")
def sent(
    request: Request,
    file: Annotated[list[UploadFile] | None, File()] = None,
    task: Annotated[str, Form()] = "",
) -> Response:
    """Look at a partner's file; nothing is filed yet."""
    shop = shop_of(request)
    task = task or keep(request, file or [])
    complete(request, task)
    shop.put_files(task, "look", {})
    return see_other(f"/archive/task/{task}")


@router.post("/task/{name}/file")
def file_sent(request: Request, name: str, trust: Annotated[str, Form()] = "") -> Response:
    """File what was looked at."""
    shop = shop_of(request)
    looked = shop.queue.get(name)
    folder = shop.queue.folder(name) / "in"
    if looked.kind != "look" or looked.state != "done" or not folder.is_dir():
        raise RequestError("This file is no longer at hand; send it again.")
    key = Sent.from_dict(looked.result).key if trust else ""
    return _ask(request, "import", {"folder": str(folder), "trust_key": key}, same=name)


@router.get("/task/{name}")
def task_page(request: Request, name: str) -> Response:
    """Show how far something is, and what came of it."""
    shop = shop_of(request)
    view = View(request)
    task = shop.pool.shown(name)
    if task.kind not in ARCHIVE_KINDS:
        raise RequestError("This is not work on the archive; see what is under way.")
    came = _came_of(task, view) if task.state == "done" else {}
    return page(request, "archive_task.html", view, task=told(task, view), kind=task.kind, **came)


def _came_of(task: Task, view: View) -> Mapping[str, Any]:
    if task.kind == "verify":
        seen = SeenWhole.from_dict(task.result)
        found = [(one.severity, view.told(one), one.where) for one in seen.findings]
        return {"seen": seen, "findings": found[:_MOST_LISTED]}
    if task.kind in ("look", "import"):
        held = Sent.from_dict(task.result)
        return {
            "held": held,
            "coming": held.coming[:_MOST_LISTED],
            "collisions": [view.say(one) for one in held.collisions],
        }
    return {"result": task.result}


def _ask(request: Request, kind: str, asked: Mapping[str, Any], *, same: str = "") -> Response:
    task = shop_of(request).put(kind, asked, same=same)
    return see_other(f"/archive/task/{task.id}")
