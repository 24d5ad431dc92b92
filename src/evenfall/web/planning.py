"""The page that plans: sliders, methods side by side, one plan to take."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Annotated, Any

import numpy as np
from fastapi import Form, Query, Request
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, Field

from evenfall.errors import ChangedError, RequestError
from evenfall.pictures.inks import PAGE, Theme
from evenfall.plan import METHODS, Plan
from evenfall.plan.methods import MethodResult
from evenfall.plan.ranges import LEAST_SHOWN_MM
from evenfall.requirement import margin_share
from evenfall.units import LengthUnit
from evenfall.web.instruments import cells_as_found, common, to_next, weakest
from evenfall.web.part import Part
from evenfall.web.rights import filed_by
from evenfall.web.together import Seen
from evenfall.web.turns import InTurn
from evenfall.web.under_way import told as under_way
from evenfall.web.view import View, opened, page, see_other, shop_of
from evenfall.wording import Sentence, sentence, whole_percent
from evenfall.workshop.exploring import Exploration, GivesWay, Wishes

router = Part(prefix="/instruments/{name}/plan", route_class=InTurn)


class Asked(BaseModel):
    """What the sliders say, lengths in mm."""

    method: str = "spot"
    attack_percent: float = Field(100.0, ge=1.0, le=1000.0)
    action_change_mm: float = Field(0.0, ge=-10.0, le=10.0)
    relief_mm: float | None = Field(None, ge=-10.0, le=10.0)
    budget_mm: float | None = Field(None, ge=0.0, le=1000.0)

    def wishes(self) -> Wishes:
        """Return them as the use case takes them."""
        return Wishes(
            self.method,
            self.attack_percent / 100.0,
            self.action_change_mm,
            self.relief_mm,
            self.budget_mm,
        )


_SECOND = sentence(
    "Take this plan, then read the instrument a second time, every height from the start."
)
"""The next step where a second reading has to confirm a plan: here it is filed like any other."""


def to_read(made: Plan) -> list[Sentence]:
    """Return what has to be read before metal comes off."""
    frets = tuple(one.fret for one in made.read_first)
    text = "Read the crown height of {frets:frets}."
    if any(one.strings for one in made.read_first):
        text = "Read {frets:frets} under every string."
    return [sentence(text, frets=frets)] if frets else []


def _warm(request: Request, name: str) -> Exploration:
    """Return the instrument of a page that is open, warm: a drag asks the archive for nothing."""
    return shop_of(request).open_exploration(name)


Texts = Annotated[list[str] | None, Form()]


def _accepted(code: list[str] | None, reason: list[str] | None) -> tuple[tuple[str, str], ...]:
    """Return what somebody accepts, with the reason; what has none is not accepted."""
    pairs = zip(code or [], reason or [], strict=False)
    return tuple((what, why.strip()) for what, why in pairs if why.strip())


@router.get("")
def planned(
    request: Request,
    name: str,
    code: Annotated[list[str] | None, Query()] = None,
    reason: Annotated[list[str] | None, Query()] = None,
    by: str = "",
) -> Response:
    """Show what the plan would be, and what other wishes would come to."""
    shop, told = opened(request, name)
    if told.measurement is None:
        return to_next(told)
    accepted = _accepted(code, reason)
    by = filed_by(request, by)
    warm = shop.open_exploration(name, told, tuple(map("=".join, accepted)), by)
    spec = warm.specification
    view = View(request, spec)
    outcome = shop.diagnosis(told)
    found = outcome.diagnosis
    asked = f"by {by}: {accepted}"
    made = shop.drawn(
        told, f"plan {asked}", view.unit, lambda: warm.plan(Wishes(), recommended=True)
    )
    chosen = made.method
    first = shop.drawn(
        told,
        f"look {asked}",
        view.unit,
        lambda: _told(warm.look(Wishes(chosen), view.unit), view),
    )
    data: dict[str, Any] = {
        "base": f"/instruments/{told.line.dossier}",
        "strings": [one.pitch for one in spec.strings],
        "frets": spec.frets,
        "reference": spec.scale.reference_fret,
        "left": view.left,
        "unit": view.unit,
        "method": chosen,
        "asks": made.status == "read-again",
        "preview": made.part == "settings" and made.metal_mm > 0.0,
        "weakest": weakest(margin_share(found.buzz_force.force_n, found.attack_n)),
        "found": cells_as_found(shop, told, outcome),
        "first": first,
        "ranges": [
            {"control": one.control, "low": one.low, "high": one.high, "wanted": one.value}
            for one in warm.ranges
        ],
        "action": [
            view.number(limit.value_mm) for limit in (spec.target.action[0], spec.target.action[-1])
        ],
    }
    return page(
        request,
        "plan.html",
        view,
        **common(shop, told, view),
        data=data,
        made=made,
        accepted=accepted,
        by=by,
        made_said=view.say(made.headline),
        next_said=view.say(_SECOND if made.status == "ask" else made.next_step),
        reasons=[view.say(one) for one in (*made.reasons, made.reason, *made.ask)],
        asked=[view.say(one) for one in to_read(made)],
        unmet=[
            {
                "said": view.told(one),
                "code": one.code,
                "at": str(one.at.frets[0]) if one.at.frets else "",
            }
            for one in warm.read_again
        ],
        methods=METHODS,
        relief=view.length(warm.ranges[2].value),
    )


@router.post("/look")
def look(request: Request, name: str, asked: Asked) -> Response:
    """Say what some wishes come to."""
    begun = time.perf_counter()
    warm = _warm(request, name)
    view = View(request, warm.specification)
    told = _told(warm.look(asked.wishes(), view.unit), view)
    return JSONResponse({**told, "ms": round(1000.0 * (time.perf_counter() - begun), 1)})


@router.post("/spans")
def spans(request: Request, name: str, asked: Asked) -> Response:
    """Say where along each control the neck holds uncut, holds with cuts, or does not hold."""
    return JSONResponse(_warm(request, name).spans(asked.wishes()))


@router.get("/methods")
def methods(request: Request, name: str) -> Response:
    """Return the table of what each method comes to, or how far it is."""
    shop, told = opened(request, name)
    spec = _warm(request, name).specification
    view = View(request, spec)
    task = shop.methods(told)
    rows = []
    for one in map(MethodResult.from_dict, task.result.get("methods", [])):
        said = [view.say(risk) for risk in one.risks]
        rows.append(
            {
                "name": METHODS[one.method],
                "method": one.method,
                "holds": one.holds,
                "metal": view.length(one.metal_mm) if np.isfinite(one.metal_mm) else "",
                "frets": one.frets_touched,
                "new": one.frets_replaced,
                "lowest": view.length(one.lowest_crown_mm),
                "margin": whole_percent(one.lowest_margin_percent / 100.0) if one.holds else 0,
                "minutes": one.minutes,
                "said": " ".join([*([view.say(one.remark)] if one.remark else []), *said]),
            }
        )
    into = f"/instruments/{told.line.dossier}/plan/methods"
    return page(request, "methods.html", view, rows=rows, task=under_way(task, view), into=into)


@router.post("/side")
def side(request: Request, name: str, asked: Asked, string: int = 1, fret: int = 0) -> Response:
    """Return one string from the side, as SVG."""
    return _picture(request, name, asked, Exploration.side_view, (string, fret))


@router.post("/crown")
def crown(request: Request, name: str, asked: Asked, string: int = 1, fret: int = 1) -> Response:
    """Return the section of one crown, as SVG."""
    return _picture(request, name, asked, Exploration.crown, (string, fret))


def _picture(
    request: Request,
    name: str,
    asked: Asked,
    draw: Callable[[Exploration, Wishes, int, int, LengthUnit, Theme], str],
    place: tuple[int, int],
) -> Response:
    """Return a picture of a place on the neck, or nothing where it gives way to a drag."""
    warm = _warm(request, name)
    view = View(request, warm.specification)
    try:
        drawn = draw(warm, asked.wishes(), *place, view.unit, PAGE)
    except GivesWay:
        return Response(status_code=204)
    return Response(drawn, media_type="image/svg+xml")


@router.post("/take")
def take(
    request: Request,
    *,
    name: str,
    method: Annotated[str, Form()],
    attack_percent: Annotated[float, Form(ge=1.0, le=1000.0)] = 100.0,
    budget_mm: Annotated[str, Form()] = "",
    by: Annotated[str, Form()] = "",
    seen: Seen = "",
    code: Texts = None,
    reason: Texts = None,
) -> Response:
    """File the plan that was chosen, with the readings that were accepted for it.

    A second press files nothing.
    """
    shop, told = opened(request, name)
    accepted = tuple(map("=".join, _accepted(code, reason)))
    by = filed_by(request, by)
    warm = shop.exploration(told, accepted, by)
    try:
        budget = float(budget_mm) if budget_mm.strip() else None
    except ValueError:
        raise RequestError("The metal that may come off must be a number.") from None
    made = warm.plan(Wishes(method, attack_percent / 100.0, budget_mm=budget))
    try:
        shop.dossiers.file(made, instrument=told.line.dossier, person=by, since=seen)
    except ChangedError:
        now = shop.story(name)
        if now.made is None or now.made.code != made.code or not shop.own_since(now, seen, by):
            raise
    return see_other(f"/instruments/{told.line.dossier}")


def _told(seen: dict[str, Any], view: View) -> dict[str, Any]:
    """Return an answer with its lengths and sentences in words."""
    why = seen["why"]
    moves = np.asarray(seen["saddle_mm"])
    rod = seen["relief_change_mm"]
    least, most = view.figure(moves.min()), view.figure(moves.max())
    span = view.length(moves.max()) if least == most else f"{least} to {view.length(moves.max())}"
    return {
        **seen,
        "why": view.say(why) if isinstance(why, Sentence) else "",
        "metal": view.length(seen["metal_mm"]),
        "lowest": view.length(seen["lowest_crown_mm"]),
        "relief_change": view.length(rod) if abs(rod) >= LEAST_SHOWN_MM else "stays",
        "saddle_change": span if (abs(moves) >= LEAST_SHOWN_MM).any() else "stays",
    }
