"""Papers and pictures of a dossier for other programs: certificate, bench sheet, drawings."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from importlib.metadata import version
from typing import Annotated

from fastapi import Path, Request
from fastapi.responses import Response

from evenfall.errors import At
from evenfall.pages.drawings import square_code
from evenfall.pictures.inks import LIGHT
from evenfall.records.entries import sha256
from evenfall.units import LengthUnit
from evenfall.web.answering import ROOT, AbsentError, Name, Unit, answered, named, tagged
from evenfall.web.api_description import PAPERS, gives, gives_file
from evenfall.web.part import Part
from evenfall.web.proving import document
from evenfall.web.shop import Shop, now
from evenfall.web.view import shop_of
from evenfall.workshop import SheetRequest, sheet
from evenfall.workshop.opening import specification_of_plan
from evenfall.workshop.planning import plan_drawings
from evenfall.workshop.story import Story

router = Part(prefix=ROOT, tags=["papers"])
Makers = Mapping[str, Callable[[], bytes]]
"""What makes each paper, by its name."""
_KINDS = ("pdf", "html")
_SVG = "image/svg+xml"


def _dossier(shop: Shop, dossier: str, unit: LengthUnit | None) -> Makers:
    shown = shop.dossiers.show(dossier)
    made: dict[str, Callable[[], bytes]] = {
        f"dossier.{kind}": partial(shown.page, kind, unit=unit or "mm") for kind in _KINDS
    }
    if shown.history.points:
        made["history.svg"] = lambda: shown.history.drawing(unit or "mm").encode()
    return made


def _drawn(before: str, drawings: Mapping[str, Callable[[], str]]) -> Makers:
    def encoded(draw: Callable[[], str]) -> bytes:
        return draw().encode()

    return {
        f"{before}-{name.replace(' ', '-')}.svg": partial(encoded, draw)
        for name, draw in drawings.items()
    }


def _found(shop: Shop, told: Story, unit: LengthUnit | None) -> Makers:
    if told.measurement is None:
        return {}
    found = shop.diagnosis(told)
    return _drawn("diagnosis", found.drawings(unit or found.unit, LIGHT))


def _planned(_shop: Shop, told: Story, unit: LengthUnit | None) -> Makers:
    plan, source = told.made, told.plan
    if plan is None or source is None:
        return {}
    spec = specification_of_plan(plan)

    def paper(kind: str) -> bytes:
        return sheet(SheetRequest(source, (kind,), unit)).pages[kind]

    drawn = _drawn("plan", plan_drawings(spec, plan, unit or spec.unit))
    return {**{f"bench-sheet.{kind}": partial(paper, kind) for kind in _KINDS}, **drawn}


def _proved(shop: Shop, told: Story, unit: LengthUnit | None) -> Makers:
    if not told.proved:
        return {}
    proof = shop.proof(told)
    papers = {
        f"certificate.{kind}": partial(proof.certificate, kind, date=now()[:10], unit=unit)
        for kind in _KINDS
    }
    return {**papers, **_drawn("proof", proof.drawings(unit or proof.specification.unit, LIGHT))}


_OF_STORIES: Mapping[str, Callable[[Shop, Story, LengthUnit | None], Makers]] = {
    "diagnosis": _found,
    "bench": _planned,
    "plan": _planned,
    "certificate": _proved,
    "proof": _proved,
}
"""What makes papers of an instrument, by the first word of their names."""


def _makers(request: Request, dossier: str, unit: LengthUnit | None, wanted: str = "") -> Makers:
    """Return what makes the papers of a dossier, or those alone that a name may be of."""
    shop = shop_of(request)
    first = wanted.replace(".", "-").partition("-")[0]
    made: dict[str, Callable[[], bytes]] = {}
    if first in ("", "dossier", "history"):
        made.update(_dossier(shop, dossier, unit))
    (line,) = shop.dossiers.lines([dossier])
    if line.subject != "instrument":
        return made
    if first in ("", "label"):
        opens = f"{request.base_url}instruments/{dossier}"
        label = f"Square code that opens the page of {line.title}"
        made["label.svg"] = lambda: square_code(opens, label=label).encode()
    for make in dict.fromkeys(make for word, make in _OF_STORIES.items() if first in ("", word)):
        made.update(make(shop, shop.story(dossier), unit))
    return made


@router.get("/dossiers/{name}/papers", responses=gives(PAPERS, 200, 404))
def papers(request: Request, name: Name) -> Response:
    """List the papers and pictures that a dossier can be given as now."""
    dossier = named(shop_of(request), name)
    return answered(request, {"papers": sorted(_makers(request, dossier, None))})


@router.get("/dossiers/{name}/papers/{paper}", responses=gives_file(200, 404))
def paper(
    request: Request,
    name: Name,
    paper: Annotated[str, Path(max_length=200, description="One of `papers`.")],
    *,
    unit: Unit = None,
) -> Response:
    """Return a paper or picture: certificate, bench sheet, dossier, label, a drawing."""
    shop = shop_of(request)
    dossier = named(shop, name)
    archive = shop.dossiers.archive
    parts = (archive.version(dossier), archive.erased(), unit or "", now()[:10], paper)
    tag = "\n".join(map(str, (*parts, request.url.netloc, version("evenfall"))))
    known = tagged(request, Response(), sha256(tag)[:32])
    if known.status_code == 304:
        return known
    make = _makers(request, dossier, unit, paper).get(paper)
    if make is None:
        raise AbsentError(
            "This dossier has no such paper now; see which it has.", at=At(field="paper")
        )
    stem, _, kind = paper.rpartition(".")
    content = make()
    if kind == "svg":
        answer = Response(content, media_type=_SVG)
    else:
        answer = document(content, "pdf" if kind == "pdf" else "html", stem)
    answer.headers["etag"] = known.headers["etag"]
    return answer
