"""Lots that a partner sees: their own page of them, and the one where a manager shares them.

A partner sees instruments, verdicts and certificates of the lots that are shared with their firm:
no other partner's, no station and no person.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated, Any, Literal

from fastapi import APIRouter, Form, Request
from fastapi.responses import Response

from evenfall.errors import RequestError
from evenfall.records import audit
from evenfall.records.shared_lots import SharedLot, SharedLots
from evenfall.web.access import door_of
from evenfall.web.proving import document
from evenfall.web.rights import who_of
from evenfall.web.shop import now
from evenfall.web.view import View, local, page, see_other, shop_of

if TYPE_CHECKING:
    from evenfall.web.shop import Shop

router = APIRouter()
Text = Annotated[str, Form()]
Kind = Literal["pdf", "html"]
_SAID = {"": "not answered yet", "accepted": "accepted", "read again": "to be read again"}


def _lots(request: Request) -> SharedLots:
    return SharedLots(door_of(request).archive)


def _own(request: Request, key: str) -> SharedLot:
    """Return a lot that is shared with whoever asks."""
    return _lots(request).one(key, who_of(request).partner)


@router.get("/lots")
def lots(request: Request) -> Response:
    """List the lots that are shared with the partner who asks."""
    listed = [_told(one) for one in _lots(request).of(who_of(request).partner)]
    return page(request, "lots.html", lots=listed)


def _told(lot: SharedLot) -> dict[str, Any]:
    return {
        "key": lot.key,
        "lot": lot.lot,
        "partner": lot.partner,
        "count": len(lot.dossiers),
        "at": local(lot.at),
        "answer": _SAID[lot.answer],
        "answered": local(lot.answered) if lot.answered else "",
    }


def _instrument(shop: Shop, dossier: str) -> dict[str, Any]:
    """Return what a partner sees of an instrument: its verdict, once that is released."""
    told = shop.story(dossier)
    verdict = shop.proof(told).proof.verdict if told.proved else ""
    name = told.line.serial or told.line.name
    return {"dossier": dossier, "name": name, "model": told.line.name, "verdict": verdict}


@router.get("/lots/{lot}")
def one(request: Request, lot: str) -> Response:
    """Show one lot: its instruments, their verdicts and certificates, and what was answered."""
    found = _own(request, lot)
    instruments = [_instrument(shop_of(request), name) for name in found.dossiers]
    return page(
        request,
        "lot.html",
        lot=_told(found),
        instruments=instruments,
        released=sum(bool(each["verdict"]) for each in instruments),
    )


@router.get("/lots/{lot}/{dossier}/certificate.{kind}")
def partner_certificate(request: Request, lot: str, dossier: str, kind: Kind) -> Response:
    """Return the certificate of an instrument of a lot, once its verdict is released."""
    found = _own(request, lot)
    shop = shop_of(request)
    if dossier not in found.dossiers or not (told := shop.story(dossier)).proved:
        raise RequestError("There is no released certificate of it in this lot.")
    outcome = shop.proof(told)
    view = View(request, outcome.specification)
    made = outcome.certificate(kind, date=now()[:10], unit=view.unit)
    return document(made, kind, "certificate")


@router.post("/lots/{lot}/answer")
def answer(request: Request, lot: str, says: Text = "") -> Response:
    """Accept a lot whose verdicts are all released, or ask that it be read again."""
    found = _own(request, lot)
    if says not in ("accepted", "read again"):
        raise RequestError("The answer to a lot is to accept it, or to ask for another reading.")
    stories = (shop_of(request).story(name) for name in found.dossiers)
    if says == "accepted" and not all(told.proved for told in stories):
        raise RequestError("Not every verdict of this lot is released yet; accept it after that.")
    _lots(request).answer(found, "accepted" if says == "accepted" else "read again")
    what: audit.What = "lot accepted" if says == "accepted" else "lot to be read again"
    door_of(request).note(request, what, f"lot {found.lot}")
    request.state.noted = True
    return see_other(f"/lots/{found.key}")


# ---- sharing -------------------------------------------------------------------------------------


@router.get("/shared")
def shared(request: Request) -> Response:
    """List what is shared with partners, and what they answered."""
    people = door_of(request).accounts.listed()
    firms = sorted({one.partner for one in people if one.open and one.partner})
    listed = [_told(each) for each in _lots(request).of()]
    return page(request, "shared.html", lots=listed, firms=firms)


@router.post("/shared")
def share(request: Request, lot: Text = "", partner: Text = "", names: Text = "") -> Response:
    """Share a lot with a partner: the instruments by number, one on a line."""
    people = door_of(request).accounts.listed()
    if partner not in {one.partner for one in people if one.open and one.partner}:
        raise RequestError("Nobody of this firm has an account; invite them first.")
    wanted = [name.strip() for name in re.split(r"[\n,;]", names) if name.strip()]
    shop = shop_of(request)
    dossiers = [shop.dossiers.named(name) for name in wanted]
    for name, dossier in zip(wanted, dossiers, strict=True):
        if shop.story(dossier).line.subject != "instrument":
            raise RequestError("{name:quoted} is no instrument; a lot has only those.", name=name)
    _lots(request).share(lot, partner, dossiers)
    door_of(request).note(request, "lot shared", f"lot {lot.strip()[:100]}, {partner}")
    request.state.noted = True
    return see_other("/shared")


@router.post("/shared/{lot}/withdraw")
def withdraw(request: Request, lot: str) -> Response:
    """Let a partner see a lot no more."""
    found = _lots(request).one(lot)
    _lots(request).withdraw(found)
    door_of(request).note(request, "lot withdrawn", f"lot {found.lot}, {found.partner}")
    request.state.noted = True
    return see_other("/shared")
