"""The page that takes readings: typed into the neck, or uploaded."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any, Literal

from fastapi import File, Form, Request, UploadFile
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, ValidationError

from evenfall.errors import EvenfallError, RequestError, silent
from evenfall.pictures.datum import datum_drawing
from evenfall.pictures.inks import PAGE
from evenfall.records.queue import Task
from evenfall.units import LengthUnit, read_length_mm
from evenfall.web.answering import Since, version_in
from evenfall.web.instruments import common, specified
from evenfall.web.part import Part
from evenfall.web.planning import to_read
from evenfall.web.shop import Shop
from evenfall.web.together import Seen
from evenfall.web.turns import InTurn
from evenfall.web.under_way import told as under_way
from evenfall.web.uploads import MOST_FILES, add, complete, keep
from evenfall.web.view import View, kept, opened, page, see_other, shop_of
from evenfall.workshop import MeasureRequest, Source, TemplateRequest, measure, template
from evenfall.workshop.archive_filing import require_readings
from evenfall.workshop.exploring import Wishes
from evenfall.workshop.story import Story, lacking, needed, readings_files
from evenfall.workshop.tasks import KINDS, Work, sources_in
from evenfall.workshop.tasks import Seen as SeenInFiles
from evenfall.workshop.typed import TypedSheet, check_typed, places, typed_of, undecided_places

if TYPE_CHECKING:
    from pathlib import Path


router = Part(prefix="/instruments/{name}/measure", route_class=InTurn)
LONGEST_SHEET = 400_000  # characters
QUICK_BYTES = 1_000_000
"""Files up to here are read while the page waits: less than a second."""
_MOST_UNCERTAIN_MM = 1.0
FILED: Mapping[str, Any] = {"filed": True}
"""What is left of files that were looked at and then filed: the archive holds them."""


class Typed(BaseModel):
    """A sheet as the page sends it."""

    values: dict[str, str]
    unit: str = "mm"
    uncertainty: str = ""
    strung: bool = True
    finer: dict[str, str] = {}
    air: str = ""

    def sheet(self) -> TypedSheet:
        """Return it as the use case takes it."""
        return TypedSheet(
            self.values,
            "in" if self.unit == "in" else "mm",
            self.uncertainty[:24],
            self.strung,
            self.finer,
            self.air[:60],
        )


@router.get("")
def sheet_to_type(
    request: Request, name: str, add: bool = False, undecided: bool = False
) -> Response:
    """Show the sheet: empty, or with the readings filed last, to add to them or to correct them."""
    shop, told = opened(request, name)
    spec = specified(told.specification)
    view = View(request, spec)
    neck, beside = places(spec)
    files = _files_before(shop, told) if add else ()
    sheet = typed_of(files, spec)
    before = None if sheet is None else asdict(sheet)
    wanted = undecided_places(shop.proof(told).proof, spec) if undecided else ()
    again = [[one.quantity, one.string, one.fret, one.key] for one in wanted if before]
    data: dict[str, Any] = {
        "strings": [{"number": one.number, "pitch": one.pitch} for one in spec.strings],
        "frets": spec.frets,
        "reference": spec.scale.reference_fret,
        "neck": [[one.quantity, one.string, one.fret, one.key] for one in neck],
        "draft": f"{told.line.dossier}:{told.measurement.name if told.measurement else ''}"
        f":{len(told.stops)}:{told.stops[0].fact}",
        "base": f"/instruments/{told.line.dossier}",
        "left": view.left,
        "before": before,
        "again": again,
    }
    return page(
        request,
        "measure.html",
        view,
        **common(shop, told, view),
        spec=spec,
        beside=beside,
        over=spec.target.relief_over,
        data=data,
        asked=_asked(shop, told, view) if add else [],
        files=[] if before else [one.name for one in files],
        by_hand=[view.say(one.said) for one in wanted if not before and one.gap],
        by_scan=any(not one.gap for one in wanted) and not before,
        line_read=told.measurement is not None,
        datum=datum_drawing(PAGE),
    )


def _files_before(shop: Shop, told: Story) -> tuple[Source, ...]:
    """Return the files of the newest readings, while they still hold for the instrument."""
    status = told.made.status if told.made is not None else ""
    holds = told.step in ("plan", "prove") or status == "read-again" or told.undecided
    holds = holds or bool(told.lacking)
    return readings_files(shop.dossiers, told.line.dossier) if holds else ()


def _asked(shop: Shop, told: Story, view: View) -> list[str]:
    """Return what the plan asks to be read before it goes on."""
    if told.lacking:
        return [view.say(told.said)]
    if told.step != "plan":
        return []
    warm = shop.open_exploration(told.line.dossier, told)
    made = warm.plan(Wishes(), recommended=True)
    return [*map(view.told, warm.read_again), *map(view.say, to_read(made))]


@router.post("/check")
def check(request: Request, name: str, typed: Typed) -> Response:
    """Say what is to be said of the sheet so far."""
    told = shop_of(request).story(name)
    source = needed(told.specification, "specification")
    checked = check_typed(typed.sheet(), source, serial=told.line.serial)
    view = View(request, specified(told.specification))
    return JSONResponse(checked.as_dict(view.told))


@router.post("/file")
def file_typed(request: Request, name: str, typed: Typed, since: Since = "") -> Response:
    """File the sheet as readings of the instrument."""
    shop, told = opened(request, name)
    source = needed(told.specification, "specification")
    given = typed.sheet().source()
    made = measure(MeasureRequest((given,), source, serial=told.line.serial))
    who = View(request).person
    shop.dossiers.file(
        made.measurement,
        files=(given,),
        instrument=told.line.dossier,
        person=who,
        since=version_in(since),
    )
    return JSONResponse({"to": f"/instruments/{told.line.dossier}"})


@router.post("/typed")
def file_typed_over(
    request: Request,
    name: str,
    sheet: Annotated[str, Form(max_length=LONGEST_SHEET)],
    seen: Seen = "",
) -> Response:
    """File the sheet as a form sends it: after another's filing, both having been looked at."""
    to = json.loads(bytes(file_typed(request, name, typed_in(sheet), seen).body))["to"]
    return see_other(to)


def typed_in(sheet: str) -> Typed:
    """Return a sheet that a form carries."""
    try:
        return Typed.model_validate_json(sheet)
    except ValidationError:
        text = "This is not a typed sheet; load the page again and type it once more."
        raise RequestError(text) from None


@router.get("/sheet.{kind}")
def empty(request: Request, name: str, kind: Literal["csv", "xlsx"]) -> Response:
    """Return an empty sheet to fill in elsewhere, CSV or XLSX."""
    told = shop_of(request).story(name)
    made = template(TemplateRequest(needed(told.specification, "specification"), kind))
    return kept(made.content, f"readings.{kind}")


@router.post("/upload")
def upload(
    request: Request,
    *,
    name: str,
    file: Annotated[list[UploadFile] | None, File()] = None,
    task: Annotated[str, Form()] = "",
    scan_unit: Annotated[str, Form()] = "",
    strung: Annotated[str, Form()] = "",
    mirrored: Annotated[str, Form()] = "",
    scan_uncertainty: Annotated[str, Form(max_length=40)] = "",
    joined: Annotated[str, Form()] = "",
) -> Response:
    """Look at files that came with this form, or piece by piece before it; nothing is filed yet."""
    shop, told = opened(request, name)
    task = task or keep(request, file or [])
    unit = View(request, specified(told.specification)).unit
    asked = {
        "unit": scan_unit or None,
        "strung": _YES_OR_NO.get(strung),
        "mirrored": _YES_OR_NO.get(mirrored),
        "scan_uncertainty_mm": _uncertainty_mm(scan_uncertainty, unit),
    }
    try:
        here = complete(request, task)
    except RequestError:
        if not _sent_before(shop, told, task):
            raise
    else:
        require_readings(source.name for source in sources_in(here))
        mine = {"dossier": told.line.dossier, "runner": shop.pool.runner}
        if shop.queue.take(task, "measure", asked, **mine):
            _read(shop, told, task, asked, _join(shop, told, here) if joined else sources_in(here))
    return see_other(f"/instruments/{told.line.dossier}/measure/seen/{task}")


_YES_OR_NO = {"yes": True, "no": False}


def _uncertainty_mm(given: str, unit: LengthUnit) -> float:
    """Return the uncertainty of a scanner as a form says it [mm]; 0 where it says none."""
    try:
        found_mm = read_length_mm(given, unit) if given.strip() else 0.0
    except ValueError:
        found_mm = -1.0
    if not 0.0 <= found_mm <= _MOST_UNCERTAIN_MM:
        raise RequestError(
            "The scanner's uncertainty is a length from 0 to {most:length}, such as {such:length}; "
            "write it so, or leave it empty.",
            most=_MOST_UNCERTAIN_MM,
            such=0.005,
        )
    return found_mm


def _sent_before(shop: Shop, told: Story, task: str) -> bool:
    """Say whether this form came before, by a second press of its button."""
    known = shop.pool.shown(task)
    return known.kind == "measure" and known.dossier == told.line.dossier


def _join(shop: Shop, told: Story, here: Path) -> tuple[Source, ...]:
    """Put the files of the newest readings beside those that came."""
    add(here, _files_before(shop, told), MOST_FILES)
    return sources_in(here)


def _read(
    shop: Shop, told: Story, task: str, asked: dict[str, Any], sources: tuple[Source, ...]
) -> None:
    """Read what takes no time while the page waits; leave the rest to a worker."""
    if sum(source.on_disk.stat().st_size for source in sources) > QUICK_BYTES:
        shop.queue.leave(task, shop.pool.runner)
        shop.pool.wake()
        return
    out = shop.queue.folder(task) / "out"
    work = Work(shop.dossiers, told.line.dossier, asked, sources, out, silent)
    try:
        made = KINDS["measure"][1](work)
    except EvenfallError:
        shop.queue.forget(task)
        raise
    shop.queue.end(task, shop.pool.runner, "done", made)


@router.get("/seen/{task}")
def seen(request: Request, name: str, task: str) -> Response:
    """Show what the files hold; they are kept at hand, to be filed as they are."""
    shop, told = opened(request, name)
    known = _task(shop, told, task)
    if known.result == FILED:
        return see_other(f"/instruments/{told.line.dossier}")
    spec = specified(told.specification)
    view = View(request, spec)
    folder = shop.queue.folder(task)
    shown: dict[str, Any] = {
        "task": under_way(known, view),
        "names": [source.name for source in sources_in(folder / "in")],
    }
    if known.state == "done":
        held = SeenInFiles.from_dict(known.result)
        shown |= {
            "findings": [
                (one.severity, view.told(one), one.where if one.at.rows else "")
                for one in held.findings
            ],
            "wanted": [view.told(one) for one in held.wanted],
            "picture": (folder / "out" / f"seen-{view.unit}.svg").read_text(encoding="utf-8"),
            "scanned": held.scanned,
            "lacking": [view.say(one) for one in lacking(held.measurement)],
        }
    return page(request, "upload.html", view, **common(shop, told, view), **shown)


@router.post("/filed")
def file_uploaded(
    request: Request, name: str, key: Annotated[str, Form()], seen: Seen = ""
) -> Response:
    """File what was looked at."""
    shop, told = opened(request, name)
    known = _task(shop, told, key)
    if known.result == FILED:  # a second press of the button
        return see_other(f"/instruments/{told.line.dossier}")
    if known.state != "done":
        raise RequestError("These files are not read yet; wait until they are.")
    who = View(request).person
    sources = sources_in(shop.queue.folder(key) / "in")
    held = SeenInFiles.from_dict(known.result)
    shop.dossiers.file(
        held.measurement, files=sources, instrument=told.line.dossier, person=who, since=seen
    )
    shop.queue.let_go(key, FILED)
    return see_other(f"/instruments/{told.line.dossier}")


def _task(shop: Shop, told: Story, task: str) -> Task:
    known = shop.pool.shown(task)
    if known.kind != "measure" or known.dossier != told.line.dossier:
        raise RequestError("These files are no longer at hand; upload them again.")
    return known
