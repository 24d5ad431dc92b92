"""Lots that are judged and kept, for other programs: sample, decision, state, report."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Annotated, Any, Literal

from fastapi import Path, Request
from fastapi.responses import Response

from evenfall.errors import At
from evenfall.web.answering import (
    ROOT,
    AbsentError,
    Body,
    Key,
    Since,
    Unit,
    Whole,
    answered,
    once,
    parsed,
    version_in,
)
from evenfall.web.api_description import JUDGED, JUDGED_LOTS, SAMPLE, asks, gives, gives_file
from evenfall.web.part import Part
from evenfall.web.proving import document
from evenfall.web.rights import filed_by
from evenfall.web.uploads import files_of
from evenfall.web.view import shop_of
from evenfall.workshop.asking import read_request
from evenfall.workshop.kept_lots import KeptLots, read_lots
from evenfall.workshop.lot_judging import JudgeRequest
from evenfall.workshop.lot_reports import lot_report

router = Part(prefix=f"{ROOT}/judged", tags=["production"])
Lots = Annotated[str, Path(max_length=64, description="Id of the dossier of the lots.")]


def _told(lots: KeptLots) -> dict[str, Any]:
    kept = [
        {
            **{"entry": lot.entry, "name": lot.name, "pieces": lot.pieces, "at": lot.at},
            **{"inspection": lot.state, "decision": lot.decision, "follows": lot.follows},
            "answer": lot.answer.answer if lot.answer else "",
        }
        for lot in lots.every
    ]
    told = {"dossier": lots.dossier, "version": lots.version, "title": lots.title}
    return {**told, "lots": kept, "sampling": lots.values()}


def _read(request: Request, dossier: str) -> KeptLots:
    lots = read_lots(shop_of(request).dossiers.archive, dossier)
    if lots is None:
        raise AbsentError("No lots are kept here; see the list of them.", at=At(field="dossier"))
    return lots


def _asked(request: Request, body: bytes) -> JudgeRequest:
    asked: JudgeRequest = read_request(JudgeRequest, parsed(body), files_of(request, set()))
    return replace(asked, person=filed_by(request, asked.person))


@router.get("", responses=gives(JUDGED))
def every_supplier(request: Request, form: Whole = "printed") -> Response:
    """List the lots that were judged, by supplier and model, and where inspection stands."""
    every = shop_of(request).dossiers.lots()
    return answered(
        request, every if form == "whole" else {"judged": [*map(_told, every)]}, form=form
    )


@router.get("/{dossier}", responses=gives(JUDGED_LOTS, 200, 404))
def of_one_supplier(request: Request, dossier: Lots) -> Response:
    """Show the lots of a supplier and model, and where inspection stands."""
    lots = _read(request, dossier)
    return answered(request, _told(lots), version=lots.version)


@router.post("/samples", openapi_extra=asks(JudgeRequest), responses=gives(SAMPLE))
def next_sample(request: Request, body: Body, *, form: Whole = "printed") -> Response:
    """Say which sample the next lot needs; nothing is filed."""
    made = shop_of(request).dossiers.next_sample(_asked(request, body))
    return answered(request, made if form == "whole" else made.as_dict(), form=form)


@router.post(
    "", status_code=201, openapi_extra=asks(JudgeRequest), responses=gives(SAMPLE, 201, 412)
)
def judge(
    request: Request, body: Body, *, since: Since = "", key: Key = "", form: Whole = "printed"
) -> Response:
    """Judge a lot by what was found of its sample, and keep it, signed."""

    def file() -> Callable[[], Response]:
        asked = _asked(request, body)
        asked = replace(asked, since=version_in(since) or asked.since)
        made = shop_of(request).dossiers.judge(asked)
        place = {"location": f"{ROOT}/judged/{made.lots.dossier}"}
        return lambda: answered(
            request,
            made if form == "whole" else made.as_dict(),
            form=form,
            status=201,
            headers=place,
        )

    return once(request, key, body, file)


@router.get("/{dossier}/{entry}/report.{kind}", responses=gives_file(200, 404))
def report(
    request: Request,
    dossier: Lots,
    entry: Annotated[str, Path(max_length=64, description="`entry` of a lot.")],
    kind: Literal["pdf", "html"],
    *,
    unit: Unit = None,
) -> Response:
    """Return the report of a lot as a paper."""
    lots = _read(request, dossier)
    for lot in lots.every:
        if lot.entry == entry:
            return document(lot_report(lots, lot, kind, unit=unit or "mm"), kind, "lot")
    raise AbsentError("There is no such lot here; see the list of them.", at=At(field="entry"))
