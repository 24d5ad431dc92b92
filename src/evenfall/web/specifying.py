"""The pages of specifications: all models, one specification as form and text side by side."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Form, Request
from fastapi.responses import JSONResponse, Response
from markupsafe import Markup
from pydantic import BaseModel, Field

from evenfall.errors import RequestError
from evenfall.instrument import read_specification
from evenfall.instrument.specification_form import in_unit_text, with_strings, with_value
from evenfall.instrument.starters import STARTERS
from evenfall.pictures.inks import PAGE
from evenfall.records.archive import NOTHING
from evenfall.units import LengthUnit
from evenfall.web.instruments import common, specified
from evenfall.web.part import Part
from evenfall.web.rights import filed_by
from evenfall.web.together import Seen
from evenfall.web.turns import InTurn
from evenfall.web.view import View, kept, opened, page, part, see_other, shop_of
from evenfall.workshop import (
    AddRequest,
    CheckRequest,
    Source,
    StarterRequest,
    check_specification,
    starter,
)
from evenfall.workshop.specifying import (
    Written,
    look_at_text,
    models,
    read_by_newest,
    users_of,
)
from evenfall.workshop.story import needed, specification_of

router = Part(route_class=InTurn)
_LONGEST = 200_000


class Change(BaseModel):
    """A text, and at most one change to it."""

    text: str = Field(max_length=_LONGEST)
    path: str = ""
    value: str = ""
    unit: str = ""
    strings: int = 0

    def written(self) -> Written:
        """Return the text with the change, and what the checks say of it."""
        text = self.text
        if self.path:
            text = with_value(text, self.path, self.value)
        if self.unit:
            text = in_unit_text(text, "in" if self.unit == "in" else "mm")
        if self.strings:
            text = with_strings(text, self.strings)
        return look_at_text(text)


@router.get("/specifications")
def specifications(request: Request) -> Response:
    """List the models that are filed, and the starters by kind."""
    dossiers = shop_of(request).dossiers
    rows = []
    for line in models(dossiers):
        spec = specified(specification_of(dossiers, line.dossier))
        rows.append({"line": line, "spec": spec, "users": _users(request, spec, line.dossier)})
    kinds = [(key, one.kind, list(one.sets)) for key, one in STARTERS.items()]
    return page(request, "specifications.html", rows=rows, kinds=kinds)


@router.get("/specifications/new")
def begin(
    request: Request,
    *,
    kind: str = "electric",
    strings: str = "",
    hand: str = "right",
    unit: str = "mm",
    name: str = "",
) -> Response:
    """Show a starter, to be changed and filed as a model."""
    left: LengthUnit = "in" if unit == "in" else "mm"
    wanted = StarterRequest(
        kind,
        strings=strings or None,
        handed="left" if hand == "left" else "right",
        unit=left,
        name=name.strip()[:200] or None,
    )
    made = starter(wanted)
    return _editor(request, View(request), made.text, title="A new model", dossier="")


@router.get("/specifications/{dossier}")
def model(request: Request, dossier: str) -> Response:
    """Show the specification of a model."""
    dossiers = shop_of(request).dossiers
    found = dossiers.named(dossier)
    version = dossiers.archive.version(found)
    source = needed(specification_of(dossiers, found), "specification")
    (line,) = dossiers.lines([found])
    view = View(request)
    return _editor(request, view, source.text(), title=line.name, dossier=found, version=version)


@router.get("/instruments/{name}/specification")
def of_instrument(request: Request, name: str) -> Response:
    """Show the specification of one instrument."""
    shop, told = opened(request, name)
    source = needed(told.specification, "specification")
    view = View(request, specified(source))
    return _editor(
        request,
        view,
        source.text(),
        title="",
        dossier=told.line.dossier,
        changed=told.changed,
        **common(shop, told, view),
    )


@router.get("/instruments/{name}/specification.toml")
def file(request: Request, name: str) -> Response:
    """Return the specification of an instrument as its file."""
    source = needed(shop_of(request).story(name).specification, "specification")
    return kept(source.read(_LONGEST * 4), "specification.toml", "application/toml")


@router.post("/specifications/check")
def check(request: Request, change: Change) -> Response:
    """Say what the checks say of a text, after one change of it."""
    written = change.written()
    return JSONResponse(_told(View(request, written.specification), written))


@router.post("/specifications/form")
def form(request: Request, change: Change) -> Response:
    """Return the form of a text."""
    written = look_at_text(change.text)
    view = View(request, written.specification)
    return page(request, "specification_form.html", view, written=written)


@router.post("/specifications/ideal")
def ideal(request: Request, change: Change) -> Response:
    """Return what a level neck at the targets of a text can be played at."""
    made = check_specification(CheckRequest(Source("specification.toml", change.text.encode())))
    spec = made.specification
    view = View(request, spec)
    drawings = made.drawings(view.unit, PAGE)
    return page(
        request,
        "ideal.html",
        view,
        spec=spec,
        strings=made.values()["strings"],
        share=made.ideal.least_share,
        total_n=made.values()["total_tension_n"],
        findings=[view.told(one) for one in made.findings_of_result],
        pictures=[draw() for draw in drawings.values()],
    )


@router.post("/specifications/save")
def save(
    request: Request,
    text: Annotated[str, Form(max_length=_LONGEST)],
    dossier: Annotated[str, Form()] = "",
    by: Annotated[str, Form()] = "",
    seen: Seen = "",
) -> Response:
    """File the text as the newest version of a model's or an instrument's specification."""
    dossiers = shop_of(request).dossiers
    given = text.replace("\r\n", "\n").encode()
    read_specification(given.decode(), source="specification.toml")
    source = Source("specification.toml", given)
    who = filed_by(request, by)
    added = dossiers.add(AddRequest((source,), instrument=dossier, person=who, since=seen))
    if added.line.subject == "instrument":
        return see_other(f"/instruments/{added.line.dossier}/specification")
    return see_other(f"/specifications/{added.line.dossier}")


@router.post("/specifications/edit")
def edit(
    request: Request,
    text: Annotated[str, Form(max_length=_LONGEST)],
    dossier: Annotated[str, Form()] = "",
) -> Response:
    """Show a text that is not filed yet, to go on with it by what is filed now."""
    shop = shop_of(request)
    given = text.replace("\r\n", "\n")
    if not dossier:
        return _editor(request, View(request), given, title="A new model", dossier="")
    (line,) = shop.dossiers.lines([shop.dossiers.named(dossier)])
    if line.subject != "instrument":
        return _editor(request, View(request), given, title=line.name, dossier=line.dossier)
    told = shop.story(line.dossier)
    view = View(request, specified(told.specification))
    shown = common(shop, told, view)
    return _editor(request, view, given, title="", dossier=line.dossier, **shown)


@router.post("/instruments/{name}/specification/again")
def again(
    request: Request, name: str, by: Annotated[str, Form()] = "", seen: Seen = ""
) -> Response:
    """File the readings filed last once more, as the newest specification reads them."""
    who = filed_by(request, by)
    read_by_newest(shop_of(request).dossiers, name, person=who, since=seen)
    return see_other(f"/instruments/{name}")


def _editor(
    request: Request, view: View, text: str, *, title: str, dossier: str, **shown: Any
) -> Response:
    written, form = shop_of(request).forms.get(text, lambda: _form_of(text))
    if not written.sections:
        raise RequestError("This specification is not text with tables and keys; file another.")
    users = _users(request, written.specification, dossier) if written.specification else []
    archive = shop_of(request).dossiers.archive
    # of a new model: that nothing of its name is filed
    version = archive.version(dossier) if dossier else NOTHING
    shown = {"changed": False, "version": version, **shown}
    return page(
        request,
        "specification.html",
        view,
        written=written,
        form=form,
        heading=title,
        dossier=dossier,
        users=users,
        data={**_told(view, written), "filed": _filed_text(request, dossier) or written.text},
        **shown,
    )


def _form_of(text: str) -> tuple[Written, Markup]:
    written = look_at_text(text)
    return written, part("specification_form.html", written=written)


def _filed_text(request: Request, dossier: str) -> str:
    """Return the newest specification of a dossier as text; "" where there is none."""
    source = specification_of(shop_of(request).dossiers, dossier) if dossier else None
    return source.text() if source is not None else ""


def _users(request: Request, spec: Any, dossier: str) -> list[Any]:
    lines = users_of(shop_of(request).dossiers, spec)
    return [line for line in lines if line.dossier != dossier]


def _told(view: View, written: Written) -> dict[str, Any]:
    """Return what the page shows of a text as plain values."""
    return {
        "text": written.text,
        "values": written.values,
        "whole": written.specification is not None,
        "findings": [
            {
                "said": view.told(one),
                "path": path,
                "line": one.at.lines[0] if one.at.lines else 0,
                "severity": one.severity,
            }
            for one, path in zip(written.findings, written.paths, strict=True)
        ],
    }
