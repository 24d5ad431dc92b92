"""Lots that a partner sees: their own page of them, and the one where a manager shares them.

A partner sees instruments, verdicts, certificates and the state of inspection of the lots that are
shared with their firm: no other partner's, no station and no person. A manager sees the same page.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Any

from fastapi import Form, Request
from fastapi.responses import Response

from evenfall.errors import At, EvenfallError, RequestError
from evenfall.pictures.inks import PAGE
from evenfall.pictures.lot_strip import lot_strip
from evenfall.records import audit
from evenfall.records.shared_lots import SharedLot, version_of_shared
from evenfall.records.signing import signing_key
from evenfall.web.access import door_of
from evenfall.web.part import Part
from evenfall.web.proving import Kind, certificate_paper, document
from evenfall.web.rights import filed_by, who_of
from evenfall.web.together import Seen
from evenfall.web.view import View, kept, page, see_other, shop_of
from evenfall.workshop.kept_lots import KeptLots, all_lots
from evenfall.workshop.lot_reports import (
    ANSWERS,
    lot_outcome,
    lot_report,
    next_said,
    report_lines,
    state_said,
    strip_of,
)
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
from evenfall.workshop.proving import ProveOutcome

router = Part()
Text = Annotated[str, Form()]
_SAID = {"": "not answered yet", **ANSWERS}
AUDITED: Mapping[str, audit.What] = {
    "accepted": "lot accepted",
    "read again": "lot to be read again",
    "sent back": "lot sent back",
}
"""How an answer stands in the audit log."""
_LISTED = 40


def own_lot(request: Request, key: str) -> LotSeen:
    """Return a lot that is shared with whoever asks; a manager sees those of all."""
    who, shop = who_of(request), shop_of(request)
    partner = None if who.may("keep") else who.partner
    return lot_seen(shop.dossiers, key, partner, shop.story)


def say_of_lot(request: Request, lot: LotSeen, says: str, reason: str, seen: str) -> None:
    """Keep what a partner says of a lot, and note that it was said."""
    answer_shared(
        shop_of(request).dossiers,
        lot,
        says,
        reason=reason,
        party=who_of(request).partner,
        person=filed_by(request, ""),
        seen=seen,
    )
    door_of(request).note(request, AUDITED[says], f"lot {lot.shared.lot}")


def _firms(request: Request) -> list[str]:
    """Return the partners that somebody can log in for."""
    people = door_of(request).accounts.listed()
    return sorted({one.partner for one in people if one.open and one.partner})


def require_partner(request: Request, partner: str) -> None:
    """Refuse a firm of which nobody could see what is shared with it."""
    if partner not in _firms(request):
        text = "Nobody of this firm has an account; invite them first."
        raise RequestError(text, at=At(field="partner"))


def share_with(
    request: Request, lot: str, partner: str, names: Sequence[str], kept: str, *, seen: str
) -> SharedLot:
    """Share a lot with a partner, and note that it was shared."""
    made = share_lot(shop_of(request).dossiers, lot, partner, names, kept=kept, seen=seen)
    door_of(request).note(request, "lot shared", f"lot {made.lot}, {partner}")
    return made


def withdraw_from(request: Request, lot: str, seen: str) -> None:
    """Let a partner see a lot no more, and note that."""
    found = withdraw_lot(shop_of(request).dossiers, lot, seen=seen)
    door_of(request).note(request, "lot withdrawn", f"lot {found.lot}, {found.partner}")


@router.get("/lots")
def lots(request: Request) -> Response:
    """List the lots that are shared with the partner who asks, and where inspection stands."""
    there = shared_with(shop_of(request).dossiers, who_of(request).partner)
    states = _states(request, there)
    return page(request, "lots.html", lots=there, states=states, answers=_SAID)


def _states(request: Request, listed: Iterable[LotListed]) -> list[dict[str, Any]]:
    """Return where the inspection of each supplier and model stands."""
    view = View(request)
    made: dict[str, KeptLots] = {one.lots.dossier: one.lots for one in listed if one.lots}
    return [standing(lots, view) for lots in made.values()]


def standing(lots: KeptLots, view: View) -> dict[str, Any]:
    """Return what a page shows of where the inspection of a supplier and model stands."""
    return {
        "title": lots.title,
        "said": view.say(state_said(lots)),
        "next": view.say(next_said(lots)),
        "alarm": lots.refused is not None or lots.switching.state in ("tightened", "stopped"),
        "strip": lot_strip(strip_of(lots), theme=PAGE) if lots.lots else "",
        "invented": _invented(lots),
    }


def _invented(lots: KeptLots) -> bool:
    return "invented" in lots.title.lower()


@router.get("/lots/{lot}")
@router.get("/shared/{lot}")
def one(request: Request, lot: str) -> Response:
    """Show one lot as both sides see it: decision, state, instruments, certificates, signature."""
    found = own_lot(request, lot)
    view = View(request)
    try:
        key = signing_key().public
    except EvenfallError:  # all else on the page goes without it
        key = ""
    shown: dict[str, Any] = {"parts": [], "drawings": [], "keys": (), "invented": False}
    if found.lots is not None and found.kept is not None:
        made = lot_outcome(found.lots, found.kept)
        shown = {
            "parts": [
                (title, [view.say(line) for line in lines])
                for title, lines in report_lines(made, found.kept)
                if lines and title != "Signature"
            ],
            "drawings": [(name, draw()) for name, draw in made.drawings(view.unit, PAGE).items()],
            "keys": found.kept.signed_by,
            "invented": _invented(found.lots),
        }
    return page(
        request,
        "lot.html",
        view,
        lot=found.shared,
        answer=_SAID[found.shared.answer],
        instruments=found.instruments,
        released=found.released_count,
        decision=found.kept.decision if found.kept else "",
        own_key=key,
        partner=not view.who.may("keep"),
        may_send_back=found.may_be_sent_back,
        may_take=found.may_be_taken,
        back="/shared" if view.who.may("keep") else "/lots",
        version=found.version,
        **shown,
    )


@router.get("/lots/{lot}/report.{kind}")
@router.get("/shared/{lot}/report.{kind}")
def report(request: Request, lot: str, kind: Kind) -> Response:
    """Return the report of a lot for paper."""
    found = own_lot(request, lot)
    if found.lots is None or found.kept is None:
        raise RequestError("No decision on this lot is kept; it was shared as instruments alone.")
    made = lot_report(found.lots, found.kept, kind, unit=View(request).unit)
    return document(made, kind, "lot")


@router.get("/lots/{lot}/sent.zip")
@router.get("/shared/{lot}/sent.zip")
def parcel(request: Request, lot: str) -> Response:
    """Return the lot as a signed file for the partner's own archive."""
    found = own_lot(request, lot)
    content = lot_parcel(shop_of(request).dossiers, found)
    name = re.sub(r"[^A-Za-z0-9-]+", "-", found.shared.lot).strip("-") or "lot"
    return kept(content, f"{name}.zip", "application/zip")


@router.get("/lots/{lot}/{dossier}/certificate.{kind}")
def partner_certificate(request: Request, lot: str, dossier: str, kind: Kind) -> Response:
    """Return the certificate of an instrument of a lot, once its verdict is released."""
    outcome = released(request, own_lot(request, lot), dossier)
    return certificate_paper(outcome, kind, View(request, outcome.specification).unit)


def released(request: Request, lot: LotSeen, dossier: str) -> ProveOutcome:
    """Return the verdict on an instrument of a lot, once it is released."""
    require_released(lot, dossier)
    shop = shop_of(request)
    return shop.proof(shop.story(dossier))


def require_released(lot: LotSeen, dossier: str) -> None:
    """Refuse an instrument that is not in a lot, and one whose verdict is not released yet."""
    if dossier not in {one.dossier for one in lot.instruments if one.verdict}:
        raise RequestError("There is no released certificate of it in this lot.")


@router.post("/lots/{lot}/answer")
def answer(
    request: Request, lot: str, says: Text = "", reason: Text = "", seen: Seen = ""
) -> Response:
    """Accept a lot whose verdicts are all released, ask for another reading, or send it back."""
    found = own_lot(request, lot)
    say_of_lot(request, found, says, reason, seen)
    return see_other(f"/lots/{found.shared.key}")


# ---- sharing -------------------------------------------------------------------------------------


@router.get("/shared")
def shared(request: Request) -> Response:
    """List what is shared with partners, what they answered, and where inspection stands."""
    dossiers = shop_of(request).dossiers
    there = shared_with(dossiers)
    kept = [
        (f"{lots.dossier}:{lot.entry}", f"{lot.name}, {lots.title}: {lot.decision}")
        for lots in all_lots(dossiers.archive)
        for lot in reversed(lots.every[-_LISTED:])
    ]
    return page(
        request,
        "shared.html",
        lots=there,
        answers=_SAID,
        states=_states(request, there),
        firms=_firms(request),
        kept=kept,
        version=version_of_shared(one.shared for one in there),
    )


@router.post("/shared")
def share(
    request: Request,
    *,
    lot: Text = "",
    partner: Text = "",
    names: Text = "",
    kept: Text = "",
    seen: Seen = "",
) -> Response:
    """Share a lot with a partner: one that is kept, or instruments by number, one on a line."""
    require_partner(request, partner)
    wanted = [name.strip() for name in re.split(r"[\n,;]", names) if name.strip()]
    share_with(request, lot, partner, wanted, kept, seen=seen)
    return see_other("/shared")


@router.post("/shared/{lot}/withdraw")
def withdraw(request: Request, lot: str, seen: Seen = "") -> Response:
    """Let a partner see a lot no more."""
    withdraw_from(request, lot, seen)
    return see_other("/shared")
