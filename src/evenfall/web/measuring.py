"""The page that takes readings: typed into the neck, or uploaded."""

from __future__ import annotations

import secrets
from dataclasses import asdict
from typing import Annotated, Any, Literal, NoReturn

from fastapi import APIRouter, File, Form, Request, UploadFile
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel

from evenfall.errors import RequestError
from evenfall.instrument import read_specification
from evenfall.pictures.datum import datum_drawing
from evenfall.pictures.inks import PAGE
from evenfall.web.instruments import common, see_other
from evenfall.web.planning import to_read
from evenfall.web.shop import Shop
from evenfall.web.view import View, page, shop_of
from evenfall.workshop import MeasureRequest, Source, TemplateRequest, measure, template
from evenfall.workshop.exploring import Wishes
from evenfall.workshop.measuring import MeasureOutcome
from evenfall.workshop.story import Story, needed, readings_file
from evenfall.workshop.typed import TYPED, TypedSheet, check_typed, places

router = APIRouter(prefix="/instruments/{name}/measure")


class Typed(BaseModel):
    """A sheet as the page sends it."""

    values: dict[str, str]
    unit: str = "mm"
    uncertainty: str = ""
    strung: bool = True

    def sheet(self) -> TypedSheet:
        """Return it as the use case takes it."""
        return TypedSheet(
            self.values, "in" if self.unit == "in" else "mm", self.uncertainty[:24], self.strung
        )


@router.get("")
def sheet_to_type(request: Request, name: str, add: bool = False) -> Response:
    """Show the sheet: empty, or with the readings filed last, to add to them."""
    shop = shop_of(request)
    told = shop.story(name)
    source = needed(told.specification, "specification")
    spec, _ = read_specification(source.text(), source="")
    view = View(request, spec)
    neck, beside = places(spec)
    before = _typed_before(shop, told) if add else None
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
        line_read=told.measurement is not None,
        datum=datum_drawing(PAGE),
    )


def _typed_before(shop: Shop, told: Story) -> dict[str, Any] | None:
    """Return the newest readings as they were typed, while they still hold for the instrument."""
    holds = told.step == "plan" or (told.made is not None and told.made.status == "read-again")
    file = readings_file(shop.dossiers, told.line.dossier) if holds else None
    return asdict(TypedSheet.of(file)) if file is not None and file.name == TYPED else None


def _asked(shop: Shop, told: Story, view: View) -> list[str]:
    """Return what the plan asks to be read before it goes on."""
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
    return JSONResponse(checked.as_dict(View(request).told))


@router.post("/file")
def file_typed(request: Request, name: str, typed: Typed) -> Response:
    """File the sheet as readings of the instrument."""
    shop = shop_of(request)
    told = shop.story(name)
    source = needed(told.specification, "specification")
    given = typed.sheet().source()
    made = measure(MeasureRequest((given,), source, serial=told.line.serial))
    who = View(request).person
    shop.dossiers.file(made.measurement, files=(given,), instrument=told.line.dossier, person=who)
    return JSONResponse({"to": f"/instruments/{told.line.dossier}"})


@router.get("/sheet.{kind}")
def empty(request: Request, name: str, kind: Literal["csv", "xlsx"]) -> Response:
    """Return an empty sheet to fill in elsewhere, CSV or XLSX."""
    told = shop_of(request).story(name)
    made = template(TemplateRequest(needed(told.specification, "specification"), kind))
    named = f'attachment; filename="readings.{kind}"'
    return Response(
        made.content,
        media_type="application/octet-stream",
        headers={"content-disposition": named},
    )


@router.post("/upload")
def upload(
    request: Request,
    *,
    name: str,
    file: Annotated[list[UploadFile], File()],
    scan_unit: Annotated[str, Form()] = "",
    strung: Annotated[str, Form()] = "",
) -> Response:
    """Show what the files hold; they are kept at hand, to be filed as they are."""
    shop = shop_of(request)
    told = shop.story(name)
    sources = tuple(Source(_bare(one.filename), one.file.read()) for one in file if one.filename)
    if not sources:
        raise RequestError("Choose a file of readings or a scan first.")
    made = _measured(told, sources, scan_unit=scan_unit, strung=strung)
    key = secrets.token_urlsafe(16)
    shop.uploads.get(key, lambda: (told.line.dossier, made.measurement, sources))
    view = View(request, made.specification)
    drawings = made.drawings(view.unit, PAGE)
    return page(
        request,
        "upload.html",
        view,
        **common(shop, told, view),
        key=key,
        names=[source.name for source in sources],
        findings=[
            (one.severity, view.told(one), one.where if one.at.rows else "")
            for one in made.findings
            if one not in made.next_readings
        ],
        wanted=[view.told(one) for one in made.next_readings],
        picture=next(iter(drawings.values()))(),
    )


@router.post("/filed")
def file_uploaded(request: Request, name: str, key: Annotated[str, Form()]) -> Response:
    """File what was looked at."""
    shop = shop_of(request)
    dossier, measurement, sources = shop.uploads.get(key, _gone)
    if dossier != shop.dossiers.named(name):
        _gone()
    who = View(request).person
    shop.dossiers.file(measurement, files=sources, instrument=dossier, person=who)
    return see_other(f"/instruments/{dossier}")


def _gone() -> NoReturn:
    raise RequestError("These files are no longer at hand; upload them again.")


def _bare(name: str | None) -> str:
    """Return a file's own name, without the folders that a browser may send before it."""
    return (name or "").replace("\\", "/").rpartition("/")[2][-120:] or "file"


def _measured(
    told: Story, sources: tuple[Source, ...], *, scan_unit: str, strung: str
) -> MeasureOutcome:
    known = {"yes": True, "no": False}.get(strung)
    asked = MeasureRequest(
        sources,
        needed(told.specification, "specification"),
        serial=told.line.serial,
        unit=scan_unit or None,
        strung=known,
    )
    return measure(asked)
