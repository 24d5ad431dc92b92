"""The pages of instruments: all of them, one of them, a new one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any, Literal

import numpy as np
from fastapi import File, Form, Request, UploadFile
from fastapi.responses import JSONResponse, RedirectResponse, Response

from evenfall.arrays import FloatArray
from evenfall.errors import At, RequestError
from evenfall.instrument import Specification, read_specification, string_lines
from evenfall.instrument.specification import Hand
from evenfall.instrument.starters import STARTERS
from evenfall.names import same_name
from evenfall.pages.drawings import square_code
from evenfall.pictures.fret_map import buzz_force_cells
from evenfall.pictures.inks import PAGE
from evenfall.pictures.neck_strip import neck_strip
from evenfall.requirement import margin_share
from evenfall.web.part import Part
from evenfall.web.rights import who_of
from evenfall.web.shop import Shop
from evenfall.web.turns import InTurn
from evenfall.web.view import View, opened, page, see_other, shop_of
from evenfall.wording import Sentence, sentence, whole_percent
from evenfall.workshop import AddRequest, Source, StarterRequest, starter
from evenfall.workshop.archive_filing import Papers, marks_of, new_only
from evenfall.workshop.diagnosing import DiagnoseOutcome
from evenfall.workshop.opening import open_specification
from evenfall.workshop.specifying import models
from evenfall.workshop.story import Story, lately, needed, specification_of

if TYPE_CHECKING:
    from evenfall.workshop.archives import Dossiers

router = Part(route_class=InTurn)
LISTED = 30
_MODEL = "model:"
"""Before the id of a model, where a kind of starter may stand."""


@router.get("/")
def first(request: Request) -> Response:
    """Lead to the instruments, or where else somebody may be."""
    return see_other("/instruments" if who_of(request).may("look") else "/lots")


@router.get("/instruments")
def instruments(request: Request, words: str = "", part: bool = False) -> Response:
    """List the instruments filed last, or those that some words find."""
    dossiers = shop_of(request).dossiers
    words = words[:200]
    lines = dossiers.find(words, LISTED)
    lines = tuple(line for line in lines if line.subject == "instrument")
    known = lately(dossiers, [line.dossier for line in lines])
    name = "instrument_list.html" if part else "instruments.html"
    return page(request, name, words=words, lines=lines, known=known, most=LISTED)


@router.post("/example")
def example(request: Request) -> Response:
    """File invented instruments into an empty archive."""
    shop_of(request).file_examples()
    return see_other("/instruments")


@router.get("/instruments/{name}/line")
def line(request: Request, name: str) -> Response:
    """Return what a list shows of an instrument: its neck strip, and the next step."""
    shop = shop_of(request)
    entries = shop.dossiers.archive.entries(name)
    drawn, step = shop.lines.get((name, len(entries)), lambda: _line(shop, name))
    return JSONResponse({"strip": drawn, "next": View(request).say(step)})


def _line(shop: Shop, name: str) -> tuple[str, Sentence]:
    told = shop.story(name)
    spec = specified(told.specification)
    state = None
    if told.measurement is not None:
        state = shop.diagnosis(told).diagnosis.judged.note_state
    step = told.headline if told.step != "none" else sentence("")
    return neck_strip(string_lines(spec), state, theme=PAGE), step


@router.get("/instruments/{name}")
def instrument(request: Request, name: str) -> Response:
    """Show one instrument: its story, the next step, and how it stands."""
    shop, told = opened(request, name)
    spec = specified(told.specification)
    view = View(request, spec)
    shown = {
        **common(shop, told, view),
        "spec": spec,
        "why": [],
        "cells": [],
        "picture": "",
        "changed": told.changed,
        "lacking": told.lacking,
    }
    if told.measurement is not None:
        found = shop.diagnosis(told)
        seen = found.diagnosis
        if told.step == "plan":  # a plan that was taken says itself what it waits for
            shown["read_again"] = [view.told(one) for one in found.read_again]
        shown["why"] = [
            {"said": view.told(one), "note": _note(one.at.strings, one.at.frets)}
            for one in seen.findings
        ]
        shown["cells"] = cells_as_found(shop, told, found)
        shown["failing"] = seen.failing
        share = margin_share(seen.buzz_force.force_n, seen.attack_n)
        shown["lowest"] = whole_percent(float(np.nanmin(share)))
        shown["weakest"] = "{}:{}".format(*weakest(share))
        draw = found.drawings(view.unit, PAGE)["neck"]
        shown["picture"] = shop.drawn(told, "neck", view.unit, draw)
        shown["strings"] = [one.pitch for one in spec.strings]
    entries = shop.drawn(
        told, "entries", view.unit, lambda: shop.dossiers.show(told.line.dossier).entries
    )
    shown["scanned"] = any(one.kind == "scan" for one in entries)
    shown["entries"] = entries[::-1]
    return page(request, "instrument.html", view, **shown)


def cells_as_found(shop: Shop, told: Story, found: DiagnoseOutcome) -> list[dict[str, Any]]:
    """Return the cells of the map of an instrument as found, as the browser paints them."""
    seen = found.diagnosis

    def made() -> list[dict[str, Any]]:
        cells = buzz_force_cells(
            found.specification,
            seen.buzz_force.force_n,
            seen.attack_n,
            touch_force_n=seen.touch_force.force_n,
            critical_fret=seen.buzz_force.critical_fret,
            note_state=seen.judged.note_state,
        )
        return [cell.as_dict() for cell in cells]

    return shop.drawn(told, "cells as found", "mm", made)


def _note(strings: tuple[int, ...], frets: tuple[int, ...]) -> str:
    """Return the note behind the fret that a finding is about, as string:stopped fret."""
    return f"{strings[0]}:{frets[0] - 1}" if strings and frets else ""


def weakest(share: FloatArray) -> tuple[int, int]:
    """Return string and stopped fret of the lowest margin, counted from 0."""
    k, i = np.unravel_index(int(np.nanargmin(share)), share.shape)
    return int(k), int(i)


def specified(source: Source | None) -> Specification:
    """Return a specification that is filed, read; refuse where there is none."""
    return open_specification(needed(source, "specification"))[0]


_VERBS = {
    "measure": ("Measure", "measure"),
    "plan": ("Open the plan", "plan"),
    "work": ("Open the bench sheet", "work"),
    "prove": ("Prove the work", "proof"),
    "none": ("Open the certificate", "proof"),
}
"""What the next step is called on its button, and the page that it is done on."""


def to_next(told: Story) -> RedirectResponse:
    """Lead from a page that comes too early to that of the next step."""
    return see_other(f"/instruments/{told.line.dossier}/{_VERBS[told.step][1]}")


def common(shop: Shop, told: Story, view: View) -> dict[str, Any]:
    """Return what every page of one instrument shows."""
    verb, place = _VERBS[told.step]
    if told.undecided:
        verb, place = "Read again what is undecided", "measure?add=1&undecided=1"
    elif told.lacking:
        place = "measure?add=1"
    failing = shop.failing(told)
    facts = {one.name: view.say(one.fact) for one in told.stops}
    if failing is not None:
        facts["Diagnosis"] = f"{failing or 'no'} note{'s fail' if failing > 1 else ' fails'}"
    return {
        "line": told.line,
        "number": told.line.serial or told.line.job or told.line.dossier[:8],
        "version": told.version,
        "base": f"/instruments/{told.line.dossier}",
        "stops": [
            {"name": one.name, "state": one.state, "fact": facts[one.name]} for one in told.stops
        ],
        "headline": view.say(told.headline),
        "said": view.say(told.said),
        "verb": verb,
        "place": place,
        "invented": "invented" in f"{told.line.name} {told.line.serial}".lower(),
        "plan": told.made,
        "read_again": [],
    }


@router.get("/instruments/{name}/label")
def label(request: Request, name: str) -> Response:
    """Show the label of an instrument as it is printed, 60 by 30 mm: a code that opens its page."""
    shop, told = opened(request, name)
    view = View(request)
    opens = f"{request.base_url}instruments/{told.line.dossier}"
    code = square_code(opens, label="Square code that opens the page of this instrument")
    return page(request, "label.html", view, **common(shop, told, view), code=code, opens=opens)


@router.get("/new")
def new(request: Request) -> Response:
    """Show the form for a new instrument."""
    kinds = [(key, one.kind) for key, one in STARTERS.items()]
    filed = models(shop_of(request).dossiers)
    return page(request, "new.html", kinds=kinds, models=filed)


@router.post("/new")
def open_new(
    request: Request,
    *,
    kind: Annotated[str, Form()] = "",
    name: Annotated[str, Form()] = "",
    serial: Annotated[str, Form()] = "",
    job: Annotated[str, Form()] = "",
    maker: Annotated[str, Form()] = "",
    handed: Annotated[str, Form()] = "right",
    unit: Annotated[Literal["mm", "in"], Form()] = "mm",
    file: Annotated[UploadFile | None, File()] = None,
) -> Response:
    """Open a dossier with a specification: the file that was sent, or a starter."""
    if file is not None and file.filename:
        given = Source(file.filename, file.file.read())
        read_specification(given.text(), source=given.name)
    elif kind.startswith(_MODEL):
        dossiers = shop_of(request).dossiers
        given = needed(
            specification_of(dossiers, dossiers.named(kind.removeprefix(_MODEL))), "specification"
        )
    elif kind:
        left = handed == "left"
        hand: Hand = "left" if left else "right"
        wanted = StarterRequest(kind, handed=hand, name=name.strip() or None, unit=unit)
        made = starter(wanted)
        given = Source(made.file_name, made.text.encode())
    else:
        raise RequestError("Choose a kind of instrument, or send its specification.")
    if not given.name.lower().endswith(".toml"):
        given = Source("specification.toml", given.read(1_000_000))
    person = View(request).person
    fresh = not serial.strip()  # by its number, one that is there already is opened again
    asked = AddRequest((given,), serial=serial, job=job, maker=maker, new=fresh, person=person)
    dossiers = shop_of(request).dossiers
    papers = dossiers.read(asked)
    _keep_specification(dossiers, serial.strip(), papers)
    added = dossiers.add(asked, papers)
    return see_other(f"/instruments/{added.line.dossier}")


def _keep_specification(dossiers: Dossiers, serial: str, papers: Sequence[Papers]) -> None:
    """Refuse another specification for an instrument that is only opened again by its number."""
    there = dossiers.archive.named(serial) if serial and dossiers.is_there() else ()
    for line in dossiers.lines(there):
        if not same_name(serial, line.serial) or all(line.name != one.model for one in papers):
            continue
        entries = dossiers.archive.entries(line.dossier)
        known = {mark for entry in entries for mark in marks_of(entry)}
        specified_before = any(entry.kind == "specification" for entry in entries)
        if specified_before and new_only([f for one in papers for f in one.filings], known):
            raise RequestError(
                "{serial:quoted} is here already, with another specification; open it and change "
                "its specification there, or give this one a number of its own.",
                at=At(field="serial"),
                serial=serial,
            )
