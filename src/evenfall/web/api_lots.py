"""Lots for other programs: those that are judged and kept, and those shared with a partner.

A partner's program reads what the partner sees: its own lots, no station, no person.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Annotated, Any

from fastapi import Path, Request
from fastapi.responses import JSONResponse, Response

from evenfall.errors import At, RequestError
from evenfall.records.entries import LotAnswer
from evenfall.records.shared_lots import version_of_shared
from evenfall.web.answering import (
    ROOT,
    AbsentError,
    Body,
    Key,
    Since,
    Unit,
    Whole,
    answered,
    attachment,
    once,
    parsed,
    tagged,
    version_in,
)
from evenfall.web.api_description import (
    JUDGED,
    JUDGED_LOTS,
    LOT,
    LOTS,
    SAMPLE,
    asks,
    gives,
    gives_file,
)
from evenfall.web.lots import (
    own_lot,
    released,
    require_partner,
    require_released,
    say_of_lot,
    share_with,
    withdraw_from,
)
from evenfall.web.part import Part
from evenfall.web.proving import Kind, certificate_paper, document
from evenfall.web.rights import filed_by, who_of
from evenfall.web.uploads import files_of
from evenfall.web.view import shop_of
from evenfall.workshop.asking import read_request
from evenfall.workshop.kept_lots import KeptLots, read_lots
from evenfall.workshop.lot_judging import JudgeRequest
from evenfall.workshop.lot_reports import lot_report
from evenfall.workshop.partner_lots import LotListed, LotSeen, lot_parcel, shared_with

judged = Part(prefix=f"{ROOT}/judged", tags=["production"])
router = Part(prefix=ROOT, tags=["lots"])
Lot = Annotated[str, Path(max_length=64, description="`key` of a lot.")]
Lots = Annotated[str, Path(max_length=64, description="Id of the dossier of the lots.")]


# ---- lots that are judged and kept ---------------------------------------------------------------


def _judged(lots: KeptLots) -> dict[str, Any]:
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


def _kept(request: Request, dossier: str) -> KeptLots:
    lots = read_lots(shop_of(request).dossiers.archive, dossier)
    if lots is None:
        raise AbsentError("No lots are kept here; see the list of them.", at=At(field="dossier"))
    return lots


def _asked(request: Request, body: bytes) -> JudgeRequest:
    asked: JudgeRequest = read_request(JudgeRequest, parsed(body), files_of(request, set()))
    return replace(asked, person=filed_by(request, asked.person))


@judged.get("", responses=gives(JUDGED))
def every_supplier(request: Request, form: Whole = "printed") -> Response:
    """List the lots that were judged, by supplier and model, and where inspection stands."""
    every = shop_of(request).dossiers.lots()
    return answered(
        request, every if form == "whole" else {"judged": [*map(_judged, every)]}, form=form
    )


@judged.get("/{dossier}", responses=gives(JUDGED_LOTS, 200, 404))
def of_one_supplier(request: Request, dossier: Lots) -> Response:
    """Show the lots of a supplier and model, and where inspection stands."""
    lots = _kept(request, dossier)
    return answered(request, _judged(lots), version=lots.version)


@judged.post("/samples", openapi_extra=asks(JudgeRequest), responses=gives(SAMPLE))
def next_sample(request: Request, body: Body, *, form: Whole = "printed") -> Response:
    """Say which sample the next lot needs; nothing is filed."""
    made = shop_of(request).dossiers.next_sample(_asked(request, body))
    return answered(request, made if form == "whole" else made.as_dict(), form=form)


@judged.post(
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


@judged.get("/{dossier}/{entry}/report.{kind}", responses=gives_file(200, 404))
def report(
    request: Request,
    dossier: Lots,
    entry: Annotated[str, Path(max_length=64, description="`entry` of a lot.")],
    kind: Kind,
    *,
    unit: Unit = None,
) -> Response:
    """Return the report of a lot as a paper."""
    lots = _kept(request, dossier)
    for lot in lots.every:
        if lot.entry == entry:
            return document(lot_report(lots, lot, kind, unit=unit or "mm"), kind, "lot")
    raise AbsentError("There is no such lot here; see the list of them.", at=At(field="entry"))


# ---- lots that are shared with a partner ---------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LotShared:
    """A lot to be shared with a partner."""

    partner: str  # name of the firm
    lot: str = ""  # its name
    names: tuple[str, ...] = ()  # instruments by number or id
    kept: str = ""  # DOSSIER:ENTRY of a lot that is kept with its decision


@dataclass(frozen=True, slots=True)
class LotAnswered:
    """What a partner says of a lot."""

    says: LotAnswer
    reason: str = ""  # needed where it is not accepted


def _seen(request: Request, key: str) -> LotSeen:
    """Return a lot that is shared with whoever asks; the same answer for another's and for none."""
    try:
        return own_lot(request, key)
    except RequestError as error:
        raise AbsentError(error.said, at=At(field="lot")) from None


def _listed(lots: Iterable[LotListed]) -> list[dict[str, Any]]:
    return [
        {
            **{"key": one.shared.key, "lot": one.shared.lot, "partner": one.shared.partner},
            **{"at": one.shared.at, "answer": one.shared.answer, "answered": one.shared.answered},
            **{"count": one.count, "decision": one.decision, "version": one.shared.version},
        }
        for one in lots
    ]


def _told(request: Request, found: LotSeen) -> Response:
    # what the answer rests on goes into its tag, the version that an answer is held against before
    answer = answered(request, found.values())
    if answer.status_code != 304:
        known = answer.headers["etag"].strip('"')
        answer = tagged(request, answer, f"{found.version}-{known}")
    return answer


@router.get("/lots", responses=gives(LOTS))
def own_lots(request: Request) -> Response:
    """List the lots that are shared with the partner who asks."""
    lots = shared_with(shop_of(request).dossiers, who_of(request).partner)
    return answered(request, {"lots": _listed(lots)})


@router.get("/shared", responses=gives(LOTS))
def every_lot(request: Request) -> Response:
    """List what is shared with partners, and what they answered."""
    lots = shared_with(shop_of(request).dossiers)
    version = version_of_shared(one.shared for one in lots)
    return answered(request, {"lots": _listed(lots)}, version=version)


@router.get("/lots/{lot}", responses=gives(LOT, 200, 404))
@router.get("/shared/{lot}", responses=gives(LOT, 200, 404))
def shared_lot(request: Request, lot: Lot) -> Response:
    """Show a lot as both sides see it: verdicts, decision, state of inspection, answer."""
    return _told(request, _seen(request, lot))


@router.get("/lots/{lot}/sent.zip", responses=gives_file(200, 404))
@router.get("/shared/{lot}/sent.zip", responses=gives_file(200, 404))
def parcel(request: Request, lot: Lot) -> Response:
    """Return a lot as a signed file for the partner's own archive."""
    content = lot_parcel(shop_of(request).dossiers, _seen(request, lot))
    return attachment("lot.zip", content)


@router.get("/lots/{lot}/{dossier}/certificate.{kind}", responses=gives_file(200, 404))
def released_certificate(
    request: Request,
    lot: Lot,
    dossier: Annotated[str, Path(max_length=64, description="`dossier` of an instrument.")],
    kind: Kind,
) -> Response:
    """Return the certificate of an instrument of a lot, once its verdict is released."""
    found = _seen(request, lot)
    try:
        require_released(found, dossier)
    except RequestError as error:
        raise AbsentError(error.said, at=At(field="dossier")) from None
    return certificate_paper(released(request, found, dossier), kind, None)


@router.post(
    "/lots/{lot}/answer",
    openapi_extra=asks(LotAnswered),
    responses=gives(LOT, 200, 404, 412),
)
def answer(request: Request, lot: Lot, body: Body, *, since: Since = "", key: Key = "") -> Response:
    """Accept a lot whose verdicts are all released, ask for another reading, or send it back."""
    asked: LotAnswered = read_request(LotAnswered, parsed(body), files_of(request, set()))
    found = _seen(request, lot)

    def file() -> Callable[[], Response]:
        say_of_lot(request, found, asked.says, asked.reason, version_in(since))
        return lambda: JSONResponse(_seen(request, lot).values())

    return once(request, key, body, file)


@router.post(
    "/shared", status_code=201, openapi_extra=asks(LotShared), responses=gives(LOT, 201, 412)
)
def share(request: Request, body: Body, *, since: Since = "", key: Key = "") -> Response:
    """Share a lot with a partner: one that is kept with its decision, or instruments alone."""
    asked: LotShared = read_request(LotShared, parsed(body), files_of(request, set()))
    require_partner(request, asked.partner)

    def file() -> Callable[[], Response]:
        what = (asked.lot, asked.partner, asked.names, asked.kept)
        made = share_with(request, *what, seen=version_in(since))
        return lambda: JSONResponse(_seen(request, made.key).values(), 201)

    return once(request, key, body, file)


@router.post("/shared/{lot}/withdraw", responses=gives(LOTS, 200, 404, 412))
def withdraw(request: Request, lot: Lot, *, since: Since = "") -> Response:
    """Let a partner see a lot no more."""
    _seen(request, lot)
    withdraw_from(request, lot, version_in(since))
    return JSONResponse({"lots": _listed(shared_with(shop_of(request).dossiers))})
