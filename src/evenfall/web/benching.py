"""The page at the bench: one reading brought to its target, in figures to be read from afar."""

from __future__ import annotations

from typing import Any

from fastapi import Request
from fastapi.responses import Response

from evenfall.web.instruments import common, to_next
from evenfall.web.part import Part
from evenfall.web.view import View, page, shop_of
from evenfall.work.aims import Aim, aims
from evenfall.workshop.opening import specification_of_plan

router = Part(prefix="/instruments/{name}")


@router.get("/target")
def target(request: Request, name: str) -> Response:
    """Show one setting at a time: what it reads, how far it is from its target, which way."""
    told = shop_of(request).story(name)
    plan = told.made
    if plan is None:
        return to_next(told)
    spec = specification_of_plan(plan)
    view = View(request, spec)
    found = aims(spec, plan)
    if not found or told.step != "work":  # newer readings ask for a plan of their own
        return to_next(told)
    data = {"unit": view.unit, "aims": [_told(one, view) for one in found]}
    return page(request, "target.html", view, **common(shop_of(request), told, view), data=data)


def _told(aim: Aim, view: View) -> dict[str, Any]:
    """Return one aim as the page takes it: lengths as numbers [mm], words in the page's unit."""
    return {
        "setting": aim.setting,
        "name": view.say(aim.name),
        "target": aim.target_mm,
        "stop": aim.stop_mm,
        "limits": aim.limits_mm,
        "over": view.say(aim.over),
        "under": view.say(aim.under),
        "final": "" if aim.final is None else view.say(aim.final),
    }
