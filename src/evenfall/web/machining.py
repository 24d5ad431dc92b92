"""The page of a machine's program: written, read back, cut virtually, then to be taken along."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Annotated, Any, Literal

from fastapi import File, Form, Request, UploadFile
from fastapi.responses import Response

from evenfall.errors import RequestError
from evenfall.records.kept import hash_of
from evenfall.records.queue import Task
from evenfall.units import LengthUnit, read_length_mm
from evenfall.web.instruments import common, to_next
from evenfall.web.part import Part
from evenfall.web.rights import who_of
from evenfall.web.shop import Shop
from evenfall.web.together import Seen
from evenfall.web.turns import InTurn
from evenfall.web.under_way import told as under_way
from evenfall.web.uploads import add, complete, keep
from evenfall.web.view import View, opened, page, see_other
from evenfall.wording import sentence
from evenfall.work.cautions import machine_cautions
from evenfall.work.descriptions import MATERIALS
from evenfall.workshop.archive_filing import marks_of
from evenfall.workshop.opening import Source, specification_of_plan
from evenfall.workshop.story import Story, needed
from evenfall.workshop.tasks import CUT, LIFT_MM, Told, basis, described_in, sources_in

if TYPE_CHECKING:
    from pathlib import Path


router = Part(prefix="/instruments/{name}/program", route_class=InTurn)


@router.get("")
def form(request: Request, name: str) -> Response:
    """Ask for the machine that cuts, and how the neck lies on it."""
    return _shown(request, name, None)


Texts = Annotated[list[str] | None, Form()]


@router.post("/upload")
def ask(
    request: Request,
    *,
    name: str,
    file: Annotated[list[UploadFile] | None, File()] = None,
    task: Annotated[str, Form()] = "",
    state: Annotated[Literal["strung", "unstrung"], Form()] = "strung",
    material: Annotated[str, Form()] = MATERIALS[0],
    why: Annotated[str, Form()] = "",
    touch_fret: Texts = None,
    touch_string: Texts = None,
    touch_x: Texts = None,
    touch_y: Texts = None,
    touch_z: Texts = None,
) -> Response:
    """Write the program of the newest plan for the machine of these files, or of those before."""
    shop, told = opened(request, name)
    plan = needed(told.made, "plan")
    if told.step != "work":
        raise RequestError("The work of this plan is reported as done; nothing is cut by it again.")
    columns = [one or [] for one in (touch_fret, touch_string, touch_x, touch_y, touch_z)]
    unit = View(request, specification_of_plan(plan)).unit
    asked = {
        "basis": basis(told),
        "state": state,
        "material": material,
        "accepted_stiffness": why[:200],
        "touched": _touched(zip(*columns, strict=False), unit),
    }
    before = _last(shop)
    if not task and any(one.filename for one in file or []):
        task = keep(request, file or [])
    if not task and before is None:
        raise RequestError("Choose the files that describe machine and cutters first.")
    task = task or shop.queue.receive([], who_of(request).account).id
    there = f"/instruments/{told.line.dossier}/program/{task}"
    known = shop.pool.shown(task)
    if known.kind == "program" and known.dossier == told.line.dossier:  # a second press
        return see_other(there)
    here = complete(request, task)
    mine = {"dossier": told.line.dossier, "runner": shop.pool.runner}
    if not shop.queue.take(task, "program", asked, **mine):
        return see_other(there)
    given = [described_in(one) for one in sources_in(here)]
    if before is not None and not any(given):  # the machine of before; never its scan
        kept = filter(described_in, _sources(shop, before))
        add(here, kept, len(given))
    shop.queue.leave(task, shop.pool.runner)
    shop.pool.wake()
    return see_other(there)


def _touched(rows: Iterable[tuple[str, ...]], unit: LengthUnit) -> list[list[float]]:
    """Return fret, string, X, Y and Z [mm] of each crown that was touched; empty rows are none."""
    found = []
    for number, row in enumerate(rows, 1):
        if not any(text.strip() for text in row):
            continue
        try:
            place = [float(int(text)) for text in row[:2]]
            found.append([*place, *(read_length_mm(text, unit) for text in row[2:])])
        except ValueError:
            raise RequestError(
                "Row {number} of the crowns touched needs fret, string, X, Y and Z, each a number; "
                "complete it, or leave all of it empty.",
                number=number,
            ) from None
    return found


@router.get("/{task}")
def made(request: Request, name: str, task: str) -> Response:
    """Show how far the program is, or what its simulated cut leaves."""
    return _shown(request, name, task)


@router.post("/{task}/filed")
def file_program(request: Request, name: str, task: str, seen: Seen = "") -> Response:
    """File the program that cuts into the dossier of its instrument."""
    shop, told = opened(request, name)
    known = _written(shop, told, task)
    if known.state != "done" or known.asked["basis"] != basis(told):
        raise RequestError("Newer papers were filed meanwhile; write the program again.")
    folder = shop.queue.folder(task)
    programs = [
        Source(one, path=folder / "out" / one)
        for one in known.result["files"]
        if one.startswith(CUT)
    ]
    if not programs:
        raise RequestError("Only a program whose simulated cut conforms is filed; plan again.")
    who = View(request).person
    shop.dossiers.file(programs=programs, instrument=told.line.dossier, person=who, since=seen)
    return see_other(f"/instruments/{told.line.dossier}/program/{task}")


def _written(shop: Shop, told: Story, task: str) -> Task:
    known = shop.pool.shown(task)
    if known.kind != "program" or known.dossier != told.line.dossier:
        raise RequestError("This program is no longer at hand; write it again.")
    return known


def _last(shop: Shop) -> Task | None:
    """Return the program that was written last, whose descriptions may be taken again."""
    done = [one for one in shop.queue.listed() if one.kind == "program" and one.state == "done"]
    return max(done, key=lambda one: one.at, default=None)


def _shown(request: Request, name: str, task: str | None) -> Response:
    shop, told = opened(request, name)
    plan = told.made
    if plan is None or not plan.cuts_now:
        return to_next(told)
    spec = specification_of_plan(plan)
    view = View(request, spec)
    before = _last(shop)
    kept = () if before is None else _sources(shop, before)
    shown: dict[str, Any] = {
        "materials": MATERIALS[:3],
        "before": [one.name for one in kept if described_in(one)],
        "strings": spec.string_count,
        "frets": spec.frets,
        "cautions": _cautions(view, MATERIALS[:1], strung=False),
        "lift": view.say(sentence("{lift:size}", lift=LIFT_MM)),
        "done": told.step != "work",
        "task": None,
        "old": False,
    }
    if task is not None:
        known = _written(shop, told, task)
        shown |= {
            "task": under_way(known, view),
            "names": [one.name for one in _sources(shop, known)],
        }
        if known.state == "done":
            shown |= _result(shop, told, known, view)
    return page(request, "program.html", view, **common(shop, told, view), **shown)


def _sources(shop: Shop, task: Task) -> tuple[Source, ...]:
    return sources_in(shop.queue.folder(task.id) / "in")


def _result(shop: Shop, told: Story, task: Task, view: View) -> dict[str, Any]:
    """Return what a program came to, as its page shows it."""
    result, out = task.result, shop.queue.folder(task.id) / "out"
    return {
        "old": task.asked["basis"] != basis(told),
        "filed": _filed(shop, told, [out / one for one in result["files"] if one.startswith(CUT)]),
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


def _filed(shop: Shop, told: Story, programs: Sequence[Path]) -> bool:
    """Say whether one of some programs is in the dossier already."""
    marks = {f"program {hash_of(one)}" for one in programs}
    entries = shop.dossiers.archive.entries(told.line.dossier)
    return any(marks & marks_of(entry) for entry in entries)


def _cautions(view: View, materials: Sequence[str], *, strung: bool) -> list[tuple[str, str]]:
    return [
        (one.topic, view.say(one.sentence)) for one in machine_cautions(materials, strung=strung)
    ]
