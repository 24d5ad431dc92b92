"""The page of causes: which recorded factors move a quantity, over what was filed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import Form, Request
from fastapi.responses import Response

from evenfall.codec.reading import finding_of
from evenfall.errors import EvenfallError, RequestError
from evenfall.pictures.causes import causes_picture
from evenfall.pictures.inks import PAGE
from evenfall.pictures.words import began
from evenfall.web.charts import FACTORS, Wanted, filled, read_wanted
from evenfall.web.part import Part
from evenfall.web.shop import now
from evenfall.web.under_way import told as under_way
from evenfall.web.view import View, page, see_other, shop_of
from evenfall.wording import sentence
from evenfall.workshop import CausesRequest, causes

router = Part(prefix="/charts/causes")
_MOSTS = (1000, 5000, 10_000, 100_000)
_AT_ONCE = 10_000
"""Over more readings than this it is a task, which may be stopped."""
_AIR_AND_TOOL = ("cutter", "cutter_uses", "humidity", "temperature")
_ASKED = (
    *(name for name in FACTORS if name not in ("serial", *_AIR_AND_TOOL)),
    *("shift", *_AIR_AND_TOOL),
)
_NAMES = ("model", "station", "batch", "cutter", "person")
"""Factors whose names may be numbers, such as station 7 or batch 0042."""
_FIRST_STEP = "What goes with a factor"
"""How the finding begins that says what to do; it stands with the verdict."""
_VERDICTS = {
    "moves": "goes with it",
    "little": "goes with it, too little to matter",
    "not seen": "not seen to move it",
    "cannot tell": "cannot be told",
}


@router.get("")
def show(request: Request, task: str = "") -> Response:
    """Show which factors move a quantity."""
    shop, view = shop_of(request), View(request)
    asked, choices = filled(shop, read_wanted(request.url.query))
    shown: dict[str, Any] = {"result": None, "task": None, "fault": ""}
    status = 200
    if task:
        known = shop.pool.shown(task)
        if known.kind != "causes":
            raise RequestError("This work is not a search for causes; ask again.")
        shown["task"] = under_way(known, view)
        if known.state == "done":
            drawn = shop.queue.folder(known.id) / "out" / f"seen-{view.unit}.svg"
            shown |= _shown(known.result, drawn.read_text(encoding="utf-8"), asked, view)
    elif asked.quantity and asked.most <= _AT_ONCE:
        try:
            made = causes(CausesRequest(**_fields(asked.readings(shop), asked)))
            picture = causes_picture(
                made.made, about=made.about, unit=view.unit, theme=PAGE, written=False
            )
            shown |= _shown(made.told(), picture, asked, view)
        except EvenfallError as error:
            shown["fault"], status = view.wrong(error), 422
    choices |= {"mosts": _MOSTS, "at_once": _AT_ONCE}
    factors = [(name, not asked.factor or name in asked.factor) for name in _ASKED]
    choices["names"] = [(name, name in asked.levels) for name in _NAMES]
    return page(
        request, "causes.html", view, status, asked=asked, factors=factors, **choices, **shown
    )


@router.post("")
def ask(request: Request, asked: Annotated[str, Form(max_length=4000)] = "") -> Response:
    """Have more readings asked than a page waits for."""
    shop = shop_of(request)
    wanted = filled(shop, read_wanted(asked))[0]
    fields = _fields(wanted.readings(shop, _MOSTS[-1]), wanted)
    filed = fields.pop("source")
    told = {"since": filed.since, "until": filed.until, "most": filed.most}
    same = f"{now()[:16]} {wanted.address()}"  # pressed twice it is begun once
    task = shop.put("causes", {"filed": told, "of": wanted.address(), **fields}, same=same)
    return see_other(f"/charts/causes?{wanted.address()}&task={task.id}")


def _fields(fields: dict[str, Any], asked: Wanted) -> dict[str, Any]:
    """Return the fields of a request: all readings one by one, and the factors that are asked."""
    kept = {name: fields[name] for name in ("source", "quantity", "only")}
    names = [name for name in asked.factor if name in _ASKED and name not in fields["only"]]
    levels = tuple(name for name in _NAMES if name in asked.levels)
    return {**kept, "factors": tuple(names) if set(names) < set(_ASKED) else (), "levels": levels}


def _shown(told: Mapping[str, Any], picture: str, asked: Wanted, view: View) -> dict[str, Any]:
    """Return what the page shows of a result."""
    findings = [finding_of(one) for one in told["findings"]]
    effects = told["effects"]
    rest = len(effects) + told["missing_count"]
    said = [(one.severity, began(view.told(one))) for one in findings]
    first_step = [one.said.text.startswith(_FIRST_STEP) for one in findings]
    moving = [one["factor"] for one in effects if one["verdict"] == "moves"]
    unknown = [one["factor"] for one in effects if one["verdict"] == "cannot tell"]
    left = [
        name.replace("_", " ")
        for name in (_ASKED if asked.factor else ())
        if name not in asked.factor and not getattr(asked, name, "")
    ]
    text = "The {quantity} goes with {factors:list}."
    if not moving:
        text = "None of the factors examined is seen to move the {quantity}."
        if unknown:
            text = (
                "None of the factors examined is seen to move the {quantity}; of {unknown:list} "
                "these readings cannot tell."
            )
    return {
        "result": told,
        "headline": began(
            view.say(sentence(text, factors=moving, unknown=unknown, quantity=asked.quantity))
        ),
        "left": view.say(sentence("{left:list}", left=left)) if left else "",
        "moving": moving,
        "effects": [
            {
                "factor": one["factor"],
                "verdict": _VERDICTS[one["verdict"]],
                "moves": one["verdict"] == "moves",
                "share": "–"
                if one["verdict"] == "cannot tell"
                else view.say(sentence("{share:percent}", share=100.0 * one["share"])),
                "said": words,
            }
            for one, (_, words) in zip(effects, said, strict=False)
        ],
        "missing": [words for _, words in said[len(effects) : rest]],
        "warned": [words for kind, words in said[rest:] if kind == "warning"],
        "first_step": [words for (_, words), is_it in zip(said, first_step, strict=True) if is_it],
        "noted": [
            words
            for (kind, words), is_it in list(zip(said, first_step, strict=True))[rest:]
            if kind != "warning" and not is_it
        ],
        "picture": picture,
    }
