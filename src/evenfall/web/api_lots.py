"""Lots that are shared with a partner, for programs of either side.

A partner's program reads what the partner sees: its own lots, no station, no person.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from fastapi import Path, Request
from fastapi.responses import JSONResponse, Response

from evenfall.errors import At, RequestError
from evenfall.records import audit
from evenfall.records.entries import LotAnswer
from evenfall.records.shared_lots import version_of_shared
from evenfall.web.access import door_of
from evenfall.web.answering import (
    ROOT,
    AbsentError,
    Body,
    Key,
    Since,
    answered,
    attachment,
    once,
    parsed,
    tagged,
    version_in,
)
from evenfall.web.api_description import LOT, LOTS, asks, gives, gives_file
from evenfall.web.lots import AUDITED
from evenfall.web.part import Part
from evenfall.web.proving import document
from evenfall.web.rights import filed_by, who_of
from evenfall.web.shop import now
from evenfall.web.uploads import files_of
from evenfall.web.view import shop_of
from evenfall.workshop.asking import read_request
from evenfall.workshop.partner_lots import (
    LotListed,
    LotSeen,
    answer_shared,
    lot_parcel,
    lot_seen,
    share_lot,
    shared_with,
    withdraw_lot,
)

router = Part(prefix=ROOT, tags=["lots"])
Lot = Annotated[str, Path(max_length=64, description="`key` of a lot.")]
Kind = Literal["pdf", "html"]


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
    who, shop = who_of(request), shop_of(request)
    partner = None if who.may("keep") else who.partner
    try:
        return lot_seen(shop.dossiers, key, partner, shop.story)
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
    shop, found = shop_of(request), _seen(request, lot)
    if dossier not in {one.dossier for one in found.instruments if one.verdict}:
        text = "There is no released certificate of it in this lot."
        raise AbsentError(text, at=At(field="dossier"))
    made = shop.proof(shop.story(dossier)).certificate(kind, date=now()[:10])
    return document(made, kind, "certificate")


@router.post(
    "/lots/{lot}/answer",
    openapi_extra=asks(LotAnswered),
    responses=gives(LOT, 200, 404, 412),
)
def answer(request: Request, lot: Lot, body: Body, *, since: Since = "", key: Key = "") -> Response:
    """Accept a lot whose verdicts are all released, ask for another reading, or send it back."""
    shop = shop_of(request)
    asked: LotAnswered = read_request(LotAnswered, parsed(body), files_of(request, set()))
    found = _seen(request, lot)

    def file() -> Callable[[], Response]:
        answer_shared(
            shop.dossiers,
            found,
            asked.says,
            reason=asked.reason,
            party=who_of(request).partner,
            person=filed_by(request, ""),
            seen=version_in(since),
        )

        def show() -> Response:
            _note(request, AUDITED[asked.says], f"lot {found.shared.lot}")
            return JSONResponse(_seen(request, lot).values())

        return show

    return once(request, key, body, file)


def _note(request: Request, what: audit.What, said: str) -> None:
    door_of(request).note(request, what, said)
    request.state.noted = True


@router.post(
    "/shared", status_code=201, openapi_extra=asks(LotShared), responses=gives(LOT, 201, 412)
)
def share(request: Request, body: Body, *, since: Since = "", key: Key = "") -> Response:
    """Share a lot with a partner: one that is kept with its decision, or instruments alone."""
    shop = shop_of(request)
    asked: LotShared = read_request(LotShared, parsed(body), files_of(request, set()))
    people = door_of(request).accounts.listed()
    if asked.partner not in {one.partner for one in people if one.open and one.partner}:
        text = "Nobody of this firm has an account; invite them first."
        raise RequestError(text, at=At(field="partner"))

    def file() -> Callable[[], Response]:
        made = share_lot(
            shop.dossiers,
            asked.lot,
            asked.partner,
            asked.names,
            kept=asked.kept,
            seen=version_in(since),
        )

        def show() -> Response:
            _note(request, "lot shared", f"lot {made.lot}, {asked.partner}")
            return JSONResponse(_seen(request, made.key).values(), 201)

        return show

    return once(request, key, body, file)


@router.post("/shared/{lot}/withdraw", responses=gives(LOTS, 200, 404, 412))
def withdraw(request: Request, lot: Lot, *, since: Since = "") -> Response:
    """Let a partner see a lot no more."""
    _seen(request, lot)
    dossiers = shop_of(request).dossiers
    found = withdraw_lot(dossiers, lot, seen=version_in(since))
    _note(request, "lot withdrawn", f"lot {found.lot}, {found.partner}")
    return JSONResponse({"lots": _listed(shared_with(dossiers))})
