"""The pages of the work and of its proof: bench sheet, one setting, verdict, certificate."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import Form, Request
from fastapi.responses import Response

from evenfall.errors import At, RequestError
from evenfall.pages.sheet import sheet_page
from evenfall.pictures.inks import PAGE
from evenfall.units import LengthUnit
from evenfall.web.guard import DOCUMENT_POLICY
from evenfall.web.instruments import common, to_next
from evenfall.web.part import Part
from evenfall.web.rights import filed_by
from evenfall.web.shop import now
from evenfall.web.together import Seen
from evenfall.web.turns import InTurn
from evenfall.web.view import View, opened, page, see_other, shop_of
from evenfall.work import bench_sheet
from evenfall.work.aims import Aim, aims
from evenfall.workshop import SheetRequest
from evenfall.workshop import sheet as set_sheet
from evenfall.workshop.opening import specification_of_plan
from evenfall.workshop.planning import plan_drawings
from evenfall.workshop.proving import ProveOutcome
from evenfall.workshop.story import needed, report_done

router = Part(prefix="/instruments/{name}", route_class=InTurn)
Kind = Literal["pdf", "html"]


def document(content: bytes, kind: Kind, name: str) -> Response:
    """Return a page for paper as it is: it brings its own style and has no script."""
    if kind == "pdf":
        headers = {"content-disposition": f'inline; filename="{name}.pdf"'}
        return Response(content, media_type="application/pdf", headers=headers)
    headers = {"content-security-policy": DOCUMENT_POLICY}
    return Response(content, media_type="text/html", headers=headers)


@router.get("/work")
def work(request: Request, name: str) -> Response:
    """Show the bench sheet, step by step."""
    shop, told = opened(request, name)
    plan = told.made
    if plan is None:
        return to_next(told)
    spec = specification_of_plan(plan)
    view = View(request, spec)
    content = bench_sheet(spec, plan)
    words: dict[str, Any] = dict(sheet_page(content, unit=view.unit).content)
    named = "removal" if plan.cuts_now and plan.metal_mm else "buzz force planned"
    shown = common(shop, told, view)
    draw = plan_drawings(spec, plan, view.unit, PAGE)[named]
    return page(
        request,
        "work.html",
        view,
        **shown,
        sheet=words,
        aims=told.step == "work" and bool(aims(spec, plan)),
        cuts=plan.cuts_now and told.step == "work",
        done=told.step != "work",
        waits=plan.status in ("ask", "read-again"),
        picture=shop.drawn(told, named, view.unit, draw),
    )


@router.get("/sheet.{kind}")
def paper_sheet(request: Request, name: str, kind: Kind) -> Response:
    """Return the bench sheet for paper."""
    told = shop_of(request).story(name)
    view = View(request, specification_of_plan(needed(told.made, "plan")))
    made = set_sheet(SheetRequest(needed(told.plan, "plan"), (kind,), view.unit))
    return document(made.pages[kind], kind, "bench-sheet")


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


@router.post("/done")
def done(
    request: Request,
    *,
    name: str,
    plan: Annotated[str, Form(max_length=20)] = "",
    by: Annotated[str, Form()] = "",
    station: Annotated[str, Form(max_length=200)] = "",
    cutter: Annotated[str, Form(max_length=200)] = "",
    cutter_uses: Annotated[str, Form(max_length=12)] = "",
    seen: Seen = "",
) -> Response:
    """File that the work of the plan that was shown is done, where and with what if that is said.

    A second press files nothing; work that somebody else reported meanwhile is shown beside it.
    """
    typed = {"station": station.strip(), "cutter": cutter.strip()}
    done_with: dict[str, Any] = {name: text for name, text in typed.items() if text}
    if uses := cutter_uses.strip():
        if not (uses.isascii() and uses.isdecimal()):
            text = "The uses of a cutter are a whole number, not {given:quoted}."
            raise RequestError(text, at=At(field="cutter_uses"), given=uses)
        done_with["cutter_uses"] = int(uses)
    shop, told = opened(request, name)
    newest, person = needed(told.made, "plan"), filed_by(request, by)
    own = not seen or shop.own_since(told, seen, person)
    if told.step == "work" or not own:
        report_done(
            shop.dossiers,
            told.line.dossier,
            plan or newest.code,
            at=now(),
            person=person,
            since=seen,
            done_with=done_with,
        )
    return see_other(f"/instruments/{told.line.dossier}/measure")


@router.get("/proof")
def proof(request: Request, name: str) -> Response:
    """Show the verdict: what was filed, or what the newest readings would come to."""
    shop, told = opened(request, name)
    if told.made is None or told.measurement is None:
        return to_next(told)
    outcome = shop.proof(told)
    view = View(request, outcome.specification)
    judged = outcome.proof
    drawings = outcome.drawings(view.unit, PAGE)
    return page(
        request,
        "proof.html",
        view,
        **common(shop, told, view),
        verdict=judged.verdict,
        filed=told.proved,
        steps=[view.say(one) for one in judged.next_steps],
        findings=[view.told(one) for one in outcome.findings_of_result],
        strip=shop.drawn(told, "verdict", view.unit, drawings["verdict"]),
        map=shop.drawn(told, "after work", view.unit, drawings["buzz force after work"]),
        cautions=[(topic, view.say(said)) for topic, said in outcome.cautions],
    )


@router.post("/proof")
def file_proof(
    request: Request, name: str, by: Annotated[str, Form()] = "", seen: Seen = ""
) -> Response:
    """File the proof of the newest readings."""
    shop, told = opened(request, name)
    outcome = shop.proof(told)
    who = filed_by(request, by)
    shop.dossiers.file(outcome.proof, instrument=told.line.dossier, person=who, since=seen)
    return see_other(f"/instruments/{told.line.dossier}/proof")


@router.get("/certificate.{kind}")
def paper_certificate(request: Request, name: str, kind: Kind) -> Response:
    """Return the certificate of a verdict that is filed, for paper."""
    told = shop_of(request).story(name)
    if not told.proved:
        raise RequestError("No verdict on the newest readings is filed yet; file it first.")
    outcome = shop_of(request).proof(told)
    return certificate_paper(outcome, kind, View(request, outcome.specification).unit)


def certificate_paper(outcome: ProveOutcome, kind: Kind, unit: LengthUnit | None) -> Response:
    """Return the certificate of today of a verdict."""
    return document(outcome.certificate(kind, date=now()[:10], unit=unit), kind, "certificate")
