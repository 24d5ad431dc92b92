"""The pages of gauges: which are due, what their check standards say, what each can judge."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Form, Request
from fastapi.responses import Response

from evenfall.errors import At, RequestError
from evenfall.pictures.control_chart import control_chart_picture
from evenfall.pictures.inks import PAGE
from evenfall.units import read_length_mm
from evenfall.web.instruments import specified
from evenfall.web.part import Part
from evenfall.web.rights import filed_by
from evenfall.web.shop import Shop, now
from evenfall.web.together import Seen
from evenfall.web.view import View, page, see_other, shop_of
from evenfall.workshop import AddRequest, NoteRequest
from evenfall.workshop.gauges import Gauge, gauge, gauges, unfit_said
from evenfall.workshop.gauges import specified as specified_models
from evenfall.workshop.specifying import models
from evenfall.workshop.story import specification_of

router = Part()
_LISTED = 10
_MODELS = 20
"""Models whose limits a list of gauges is held against."""
Text = Annotated[str, Form(max_length=200)]


@router.get("/gauges")
def every(request: Request) -> Response:
    """List the gauges, what is due first."""
    dossiers, view = shop_of(request).dossiers, View(request)
    found = gauges(dossiers)
    studied = any(one.studies for one in found)
    of_models = list(specified_models(dossiers, models(dossiers)[:_MODELS])) if studied else []
    rows = [
        {
            "gauge": one,
            "due": one.due(now()),
            "not_for": [view.say(said) for said in unfit_said(one, of_models)],
            "studied": [
                f"{study.quantity.replace('_', ' ')} {study.studied[:10]}".strip()
                for study in one.studies
            ],
        }
        for one in found
    ]
    caution = next((one.caution for one in found if one.caution), "")
    return page(request, "gauges.html", view, rows=rows, caution=caution)


@router.post("/gauges")
def add(request: Request, name: Text = "", by: Text = "") -> Response:
    """Open the dossier of a gauge."""
    if not name.strip():
        raise RequestError("A gauge needs a name; write it as it is marked on the gauge.")
    dossiers = shop_of(request).dossiers
    if any(one.line.name.casefold() == name.strip().casefold() for one in gauges(dossiers)):
        text = "There is a gauge {name:quoted} already; give this one another name."
        raise RequestError(text, name=name.strip())
    added = dossiers.add(
        AddRequest(subject="gauge", name=name.strip(), person=filed_by(request, by))
    )
    return see_other(f"/gauges/{added.line.dossier}")


@router.get("/gauges/{dossier}")
def one(request: Request, dossier: str, spec: str = "") -> Response:
    """Show one gauge: its charts, what it can judge, and the forms to add to it."""
    shop = shop_of(request)
    version = shop.dossiers.archive.version(shop.dossiers.named(dossier))
    found = gauge_of(shop, dossier)
    view = View(request)
    choices = _specified(shop)
    chosen = spec if spec in dict(choices) else (choices[0][0] if choices else "")
    filed = shop.dossiers.show(found.line.dossier).entries
    charts = []
    for standard in found.standards:
        chart = found.chart(standard)
        read = [check for check in found.checks if check.standard == standard]
        charts.append(
            {
                "standard": standard,
                "stated": view.length(read[-1].reference_mm),
                "few": chart.few_points if chart else 0,
                "signals_now": chart is not None and chart.signals_now,
                "picture": control_chart_picture(
                    chart, about=f"{found.line.name}, {standard}", unit=view.unit, theme=PAGE
                )
                if chart
                else "",
                "read": [
                    {
                        "at": check.at[:16].replace("T", " "),
                        "figure": view.length(check.read_mm),
                        "off": view.length(check.off_mm),
                    }
                    for check in reversed(read)
                ],
            }
        )
    return page(
        request,
        "gauge.html",
        view,
        gauge=found,
        version=version,
        due=found.due(now()),
        today=now()[:10],
        charts=charts,
        u=view.length(found.u_mm) if found.u_mm == found.u_mm else "",
        choices=choices,
        chosen=chosen,
        judges=_judged(shop, found, chosen, view),
        entries=[one for one in filed[::-1] if one.kind != "check"],
    )


@router.post("/gauges/{dossier}/check")
def check(
    request: Request,
    *,
    dossier: str,
    standard: Text = "",
    stated: Text = "",
    read: Text = "",
    unit: Text = "mm",
    by: Text = "",
    seen: Seen = "",
) -> Response:
    """File one reading of a check standard."""
    shop = shop_of(request)
    found = gauge_of(shop, dossier)
    if not standard.strip():
        raise RequestError("Which standard was read? Write its name, always the same.")
    facts = {
        "standard": standard.strip(),
        "reference_mm": _length_mm("stated length", stated, unit),
        "read_mm": _length_mm("reading", read, unit),
    }
    shop.dossiers.note(
        NoteRequest(found.line.dossier, "", person=filed_by(request, by), facts=facts, since=seen)
    )
    return see_other(f"/gauges/{found.line.dossier}#check")


@router.post("/gauges/{dossier}/calibrated")
def calibrated(
    request: Request,
    *,
    dossier: str,
    date: Text = "",
    until: Text = "",
    result: Text = "",
    by: Text = "",
    seen: Seen = "",
) -> Response:
    """File a calibration."""
    shop = shop_of(request)
    found = gauge_of(shop, dossier)
    if not date.strip():
        raise RequestError("On which day was it calibrated?", at=At(field="calibrated"))
    facts = {"date": date.strip()} | ({"valid_until": until.strip()} if until.strip() else {})
    words = result.strip() or "no remark"
    shop.dossiers.note(
        NoteRequest(
            found.line.dossier, words, person=filed_by(request, by), facts=facts, since=seen
        )
    )
    return see_other(f"/gauges/{found.line.dossier}")


def gauge_of(shop: Shop, dossier: str) -> Gauge:
    """Return a gauge by its dossier; refuse a dossier of something else."""
    found = gauge(shop.dossiers, dossier)
    if found.line.subject != "gauge":
        raise RequestError("This dossier is of no gauge; choose one in the list of gauges.")
    return found


def _length_mm(what: str, given: str, unit: str) -> float:
    try:
        return read_length_mm(given.strip(), "in" if unit == "in" else "mm")
    except ValueError:
        raise RequestError(
            "The {what} {given:quoted} is not a length; write a figure such as 5.003.",
            what=what,
            given=given.strip()[:40],
        ) from None


def _specified(shop: Shop) -> list[tuple[str, str]]:
    """Return the specifications to judge by: the models, then the instruments filed last."""
    lines = list(models(shop.dossiers))
    lines += [line for line in shop.dossiers.newest(_LISTED) if line.subject == "instrument"]
    return [(line.dossier, line.title) for line in lines]


def _judged(shop: Shop, found: Gauge, chosen: str, view: View) -> list[dict[str, Any]]:
    """Return what a gauge can judge of a specification, in words."""
    source = specification_of(shop.dossiers, chosen) if chosen else None
    if source is None:
        return []
    return [
        {
            "name": view.say(one.name),
            "limits": f"{view.figure(one.lower_mm)} to {view.length(one.upper_mm)}",
            "accepted": f"{view.figure(one.lower_mm + one.band_mm)} to "
            f"{view.length(one.upper_mm - one.band_mm)}"
            if one.left_share > 0.0
            else "",
            "percent": int(100.0 * one.left_share),
        }
        for one in found.judges(specified(source))
    ]
