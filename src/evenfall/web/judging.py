"""The page of lots: where inspection stands, which sample the next lot needs, and the decision.

What a partner's file brought stands here too, with whose signature it bears.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Annotated, Any, Literal

from fastapi import Depends, Form, Request
from fastapi.responses import Response

from evenfall.errors import At, EvenfallError, RequestError
from evenfall.records.figures import QUANTITIES
from evenfall.records.signing import signing_key, trusted_keys
from evenfall.units import LengthUnit, mm_per_unit, read_number
from evenfall.web.access import door_of
from evenfall.web.lots import AUDITED, standing
from evenfall.web.part import Part
from evenfall.web.proving import Kind, document
from evenfall.web.rights import filed_by
from evenfall.web.together import Seen
from evenfall.web.view import View, page, see_other, shop_of
from evenfall.workshop.kept_lots import KeptLots, read_lots, sizes_of
from evenfall.workshop.lot_judging import JudgeRequest
from evenfall.workshop.lot_keeping import settle_lot
from evenfall.workshop.lot_reports import ANSWERS, lot_report
from evenfall.workshop.lots import counted
from evenfall.workshop.tasks import UNITS

router = Part(prefix="/judged")
METHODS = {
    "single": "sorted, one sample",
    "double": "sorted, up to two samples",
    "multiple": "sorted, up to seven samples",
    "s": "measured",
    "sigma": "measured, spread known",
}
_LISTED = 40
_LONGEST = 400


@dataclass(frozen=True)
class Asked:
    """Whose lot it is and by which agreement, as a form says it."""

    supplier: str = ""
    model: str = ""
    receiver: str = ""
    pieces: str = ""
    aql: str = ""
    level: str = ""
    method: str = ""
    quantity: str = ""
    lower: str = ""
    upper: str = ""
    sigma: str = ""
    one_in: str = ""
    begin: str = ""  # why the count begins again
    unit: str = ""  # that the limits were typed in, whatever is chosen since

    @property
    def mm_per_level(self) -> float:
        """What one of the limits typed stands for [mm]; a margin is in percent by any unit."""
        percent = self.quantity == QUANTITIES["margin_percent"]
        return 1.0 if percent else mm_per_unit(self.unit)

    @classmethod
    def read(cls, given: Mapping[str, str], unit: LengthUnit) -> Asked:
        """Return what the fields of a form say; others are left."""
        known = {one.name for one in fields(cls)}
        made = cls(**{name: value[:_LONGEST] for name, value in given.items() if name in known})
        return made if made.unit in UNITS else replace(made, unit=unit)

    def request(self, **found: Any) -> JudgeRequest:
        """Return what is asked for, with what was found."""
        levels = {"lower": self.lower, "upper": self.upper, "sigma": self.sigma}
        found |= {
            f"{name}_mm": _number(given, name) * self.mm_per_level
            for name, given in levels.items()
            if given.strip()
        }
        return JudgeRequest(
            self.supplier,
            self.model,
            _count(self.pieces, "pieces"),
            receiver=self.receiver,
            method=self.method or None,  # type: ignore[arg-type]  # (held against the tables)
            aql_percent=_number(self.aql, "aql") if self.aql.strip() else None,
            level=self.level or None,  # type: ignore[arg-type]
            quantity=self.quantity,
            one_in=_count(self.one_in, "one_in") if self.one_in else None,
            new_agreement=self.begin,
            **found,
        )


def _number(given: str, field: str) -> float:
    try:
        return read_number(given.strip())
    except ValueError:
        text = "{given:quoted} is not a number."
        raise RequestError(text, at=At(field=field), given=given) from None


def _count(given: str, field: str) -> int:
    number = _number(given, field)
    if not (number == round(number) and 0 <= number < 1e9):
        raise RequestError(
            "{given:quoted} is not a count; write a whole number.", at=At(field=field), given=given
        )
    return round(number)


@router.get("")
def judged(request: Request) -> Response:
    """Show where inspection stands with each supplier and, if asked, which sample a lot needs."""
    view, dossiers = View(request), shop_of(request).dossiers
    asked = Asked.read(request.query_params, view.unit)
    shown: dict[str, Any] = {"plan": [], "fault": "", "skip": False, "measured": False}
    if asked.supplier and asked.model and asked.pieces:
        try:
            outcome = dossiers.next_sample(asked.request())
            shown["plan"] = [view.told(one) for one in outcome.findings]
            shown["skip"] = outcome.lots.may_skip
            shown["measured"] = bool(outcome.lots.agreed.quantity)
            shown["counted"] = counted(outcome.plan)
            shown["version"] = outcome.lots.version
            shown["sample"] = sizes_of(outcome.plan) if outcome.plan else ()
        except EvenfallError as error:
            shown["fault"] = view.say(error.said)
    keys = _keys()
    return page(
        request,
        "judged.html",
        view,
        422 if shown["fault"] else 200,
        asked=asked,
        methods=METHODS.items(),
        answers=ANSWERS,
        quantities=tuple(QUANTITIES.values()),
        every=[_shown(one, view, keys) for one in dossiers.lots()],
        **shown,
    )


def _keys() -> dict[str, str]:
    """Return whose the keys are that are known here."""
    try:
        return {
            **dict.fromkeys(trusted_keys(), "a partner trusted here"),
            signing_key().public: "this workplace",
        }
    except EvenfallError:  # all else on the page goes without it
        return {}


def _shown(lots: KeptLots, view: View, keys: dict[str, str]) -> dict[str, Any]:
    return {
        **standing(lots, view),
        "dossier": lots.dossier,
        "version": lots.version,
        "received": not lots.agreed.receiver,
        "lots": [
            (lot, sorted({keys.get(key, "a key not known here") for key in lot.signed_by}))
            for lot in reversed(lots.every[-_LISTED:])
        ],
    }


async def _form(request: Request) -> dict[str, str]:
    """Return the fields of a form."""
    form = await request.form()
    return {name: str(value) for name, value in form.items()}


@router.post("")
def judge(request: Request, given: Annotated[dict[str, str], Depends(_form)]) -> Response:
    """Judge a lot and keep it, signed."""
    asked = Asked.read(given, View(request).unit)
    counts = [one for one in re.split(r"[\s,;]+", given.get("found", "")) if one]
    names = [one.strip() for one in re.split(r"[\n,;]", given.get("names", "")) if one.strip()]
    wanted = asked.request(
        name=given.get("name", ""),
        sample=tuple(_count(one, "sample") for one in given.get("sample", "").split()),
        found=tuple(_count(one, "found") for one in counts),
        instruments=tuple(names),
        skipped=bool(given.get("skipped")),
        person=filed_by(request, given.get("by", "")),
        done=given.get("done", ""),
        reason=given.get("reason", ""),
        since=given.get("seen", ""),
    )
    shop_of(request).dossiers.judge(wanted)
    return see_other("/judged")


@router.post("/{dossier}/{entry}/answer")
def settle(
    request: Request,
    *,
    dossier: str,
    entry: str,
    says: Annotated[Literal["accepted", "sent back"], Form()],
    reason: Annotated[str, Form()] = "",
    by: Annotated[str, Form()] = "",
    seen: Seen = "",
) -> Response:
    """File that a lot that was not accepted was sent back, or taken all the same."""
    who, dossiers = filed_by(request, by), shop_of(request).dossiers
    lot = settle_lot(dossiers, dossier, entry, says, reason=reason, person=who, seen=seen)
    door_of(request).note(request, AUDITED[says], f"lot {lot.name}")
    return see_other("/judged")


@router.get("/{dossier}/{entry}.{kind}")
def report(request: Request, dossier: str, entry: str, kind: Kind) -> Response:
    """Return the report of a lot for paper."""
    lots = read_lots(shop_of(request).dossiers.archive, dossier)
    for lot in lots.every if lots else ():
        if lots is not None and lot.entry == entry:
            return document(lot_report(lots, lot, kind, unit=View(request).unit), kind, "lot")
    raise RequestError("There is no such lot here; choose one of the list.")
