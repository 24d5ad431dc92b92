"""The pages of the work and of its proof: bench sheet, verdict, certificate."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Form, Request
from fastapi.responses import Response

from evenfall.codec.parsing import parse_json
from evenfall.pages.sheet import sheet_page
from evenfall.pictures.inks import PAGE
from evenfall.proof import Proof
from evenfall.web.guard import DOCUMENT_POLICY
from evenfall.web.instruments import common, see_other
from evenfall.web.shop import now
from evenfall.web.view import View, page, shop_of
from evenfall.work import bench_sheet
from evenfall.workshop import ProveRequest, SheetRequest, prove
from evenfall.workshop import sheet as set_sheet
from evenfall.workshop.opening import open_plan
from evenfall.workshop.planning import plan_drawings
from evenfall.workshop.proving import ProveOutcome
from evenfall.workshop.story import Story, needed, report_done

router = APIRouter(prefix="/instruments/{name}")
Kind = Literal["pdf", "html"]
_LARGEST = 64_000_000


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
    told = shop_of(request).story(name)
    spec, plan = open_plan(needed(told.plan, "plan"))
    view = View(request, spec)
    content = bench_sheet(spec, plan)
    words: dict[str, Any] = dict(sheet_page(content, unit=view.unit).content)
    named = "removal" if plan.cuts_now and plan.metal_mm else "buzz force planned"
    shown = common(told, view)
    return page(
        request,
        "work.html",
        view,
        **shown,
        sheet=words,
        done=told.step != "work",
        picture=plan_drawings(spec, plan, view.unit, PAGE)[named](),
    )


@router.get("/sheet.{kind}")
def paper_sheet(request: Request, name: str, kind: Kind) -> Response:
    """Return the bench sheet for paper."""
    told = shop_of(request).story(name)
    view = View(request, open_plan(needed(told.plan, "plan"))[0])
    made = set_sheet(SheetRequest(needed(told.plan, "plan"), (kind,), view.unit))
    return document(made.pages[kind], kind, "bench-sheet")


@router.post("/done")
def done(request: Request, name: str, by: Annotated[str, Form()] = "") -> Response:
    """File that the work of the newest plan is done."""
    shop = shop_of(request)
    told = shop.story(name)
    plan = open_plan(needed(told.plan, "plan"))[1]
    if told.step == "work":
        report_done(shop.dossiers, told.line.dossier, plan.code, at=now(), person=by)
    return see_other(f"/instruments/{told.line.dossier}/measure")


def _proved(told: Story) -> ProveOutcome:
    return prove(ProveRequest(needed(told.plan, "plan"), needed(told.measurement, "readings")))


@router.get("/proof")
def proof(request: Request, name: str) -> Response:
    """Show the verdict: what was filed, or what the newest readings would come to."""
    told = shop_of(request).story(name)
    outcome = _proved(told)
    view = View(request, outcome.specification)
    judged = outcome.proof
    drawings = outcome.drawings(view.unit, PAGE)
    return page(
        request,
        "proof.html",
        view,
        **common(told, view),
        verdict=judged.verdict,
        filed=_filed(told),
        steps=[view.say(one) for one in judged.next_steps],
        findings=[view.told(one) for one in outcome.findings_of_result],
        strip=drawings["verdict"](),
        map=drawings["buzz force after work"](),
        cautions=[(topic, view.say(said)) for topic, said in outcome.cautions],
    )


def _filed(told: Story) -> bool:
    """Say whether the proof of the newest readings is in the dossier."""
    if told.proof is None or told.measurement is None:
        return False
    filed = Proof.from_dict(parse_json(told.proof.read(_LARGEST), name="proof"))
    after = parse_json(told.measurement.read(_LARGEST), name="readings")
    return bool(filed.after_hash == after["content_hash"])


@router.post("/proof")
def file_proof(request: Request, name: str, by: Annotated[str, Form()] = "") -> Response:
    """File the proof of the newest readings."""
    shop = shop_of(request)
    told = shop.story(name)
    outcome = _proved(told)
    shop.dossiers.file(outcome.proof, instrument=told.line.dossier, person=by)
    return see_other(f"/instruments/{told.line.dossier}/proof")


@router.get("/certificate.{kind}")
def paper_certificate(request: Request, name: str, kind: Kind) -> Response:
    """Return the certificate for paper."""
    told = shop_of(request).story(name)
    outcome = _proved(told)
    view = View(request, outcome.specification)
    made = outcome.certificate(kind, date=now()[:10], unit=view.unit)
    return document(made, kind, "certificate")
