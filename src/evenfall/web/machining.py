"""The page of a machine's program: written, read back, cut virtually, then to be taken along."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING, Annotated, Any, Literal

from fastapi import APIRouter, File, Form, Request, UploadFile
from fastapi.responses import Response

from evenfall.errors import RequestError
from evenfall.web.instruments import common, to_next
from evenfall.web.under_way import told as under_way
from evenfall.web.uploads import complete, keep
from evenfall.web.view import View, page, see_other, shop_of
from evenfall.wording import sentence
from evenfall.work.cautions import machine_cautions
from evenfall.work.descriptions import MATERIALS
from evenfall.workshop.opening import specification_of_plan
from evenfall.workshop.story import Story, needed
from evenfall.workshop.tasks import LIFT_MM, Told, basis, sources_in

if TYPE_CHECKING:
    from collections.abc import Sequence

    from evenfall.records.queue import Task
    from evenfall.web.shop import Shop

router = APIRouter(prefix="/instruments/{name}/program")


@router.get("")
def form(request: Request, name: str) -> Response:
    """Ask for the machine that cuts, and how the neck lies on it."""
    return _shown(request, name, None)


@router.post("")
def ask(
    request: Request,
    *,
    name: str,
    file: Annotated[list[UploadFile] | None, File()] = None,
    state: Annotated[Literal["strung", "unstrung"], Form()] = "strung",
    material: Annotated[str, Form()] = MATERIALS[0],
    why: Annotated[str, Form()] = "",
) -> Response:
    """Write the program of the newest plan for the machine of these files, or of those before."""
    shop = shop_of(request)
    told = shop.story(name)
    needed(told.plan, "plan")
    if told.step != "work":
        raise RequestError("The work of this plan is reported as done; nothing is cut by it again.")
    before = _last(shop)
    new = [one for one in file or [] if one.filename]
    if not new and before is None:
        raise RequestError("Choose the files that describe machine and cutters first.")
    asked = {
        "basis": basis(told),
        "state": state,
        "material": material,
        "accepted_stiffness": why[:200],
    }
    if new or before is None:
        task = keep(shop.queue, new)
        complete(shop.queue, task)
    else:
        task = shop.queue.put("receive", {"sizes": []}, state="receiving").id
        there = shop.queue.folder(before.id) / "in"
        shutil.copytree(there, shop.queue.folder(task) / "in")
    shop.queue.ready(task, "program", asked, told.line.dossier)
    shop.pool.wake()
    return see_other(f"/instruments/{told.line.dossier}/program/{task}")


@router.get("/{task}")
def made(request: Request, name: str, task: str) -> Response:
    """Show how far the program is, or what its simulated cut leaves."""
    return _shown(request, name, task)


def _last(shop: Shop) -> Task | None:
    """Return the program that was written last, whose descriptions may be taken again."""
    done = [one for one in shop.queue.listed() if one.kind == "program" and one.state == "done"]
    return max(done, key=lambda one: one.at, default=None)


def _shown(request: Request, name: str, task: str | None) -> Response:
    shop = shop_of(request)
    told = shop.story(name)
    plan = told.made
    if plan is None or not plan.cuts_now:
        return to_next(told)
    spec = specification_of_plan(plan)
    view = View(request, spec)
    before = _last(shop)
    shown: dict[str, Any] = {
        "materials": MATERIALS[:3],
        "before": [] if before is None else _names(shop, before),
        "cautions": _cautions(view, MATERIALS[:1], strung=False),
        "lift": view.say(sentence("{lift:size}", lift=LIFT_MM)),
        "done": told.step != "work",
        "task": None,
        "old": False,
    }
    if task is not None:
        known = shop.pool.shown(task)
        if known.kind != "program" or known.dossier != told.line.dossier:
            raise RequestError("This program is no longer at hand; write it again.")
        shown |= {"task": under_way(known, view), "names": _names(shop, known)}
        if known.state == "done":
            shown |= _result(shop, told, known, view)
    return page(request, "program.html", view, **common(shop, told, view), **shown)


def _names(shop: Shop, task: Task) -> list[str]:
    return [one.name for one in sources_in(shop.queue.folder(task.id) / "in")]


def _result(shop: Shop, told: Story, task: Task, view: View) -> dict[str, Any]:
    """Return what a program came to, as its page shows it."""
    result, out = task.result, shop.queue.folder(task.id) / "out"
    return {
        "old": task.asked["basis"] != basis(told),
        "verdict": result["verdict"],
        "state": result["state"],
        "minutes": result["minutes"],
        "findings": [
            (one.severity, view.told(one)) for one in Told.from_dict(result["told"]).findings
        ],
        "cautions": _cautions(view, result["materials"], strung=result["state"] == "strung"),
        "pictures": [
            (name, (out / f"seen-{n}-{view.unit}.svg").read_text(encoding="utf-8"))
            for n, name in enumerate(result["pictures"])
        ],
    }


def _cautions(view: View, materials: Sequence[str], *, strung: bool) -> list[tuple[str, str]]:
    return [
        (one.topic, view.say(one.sentence)) for one in machine_cautions(materials, strung=strung)
    ]
