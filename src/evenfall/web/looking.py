"""Pages that look closer: every note played, and a raw scan from all sides."""

from __future__ import annotations

from typing import Any

from fastapi import Request
from fastapi.responses import Response

from evenfall.codec.reading import finding_of
from evenfall.errors import RequestError
from evenfall.records.entries import standing
from evenfall.web.instruments import common, specified, to_next
from evenfall.web.measuring import FILED
from evenfall.web.part import Part
from evenfall.web.turns import InTurn
from evenfall.web.under_way import told as under_way
from evenfall.web.view import View, opened, page, see_other
from evenfall.workshop.tasks import basis

router = Part(prefix="/instruments/{name}", route_class=InTurn)


@router.get("/play")
def played(request: Request, name: str) -> Response:
    """Show what the strings do over the frets, as far as it was worked out for these readings."""
    shop, told = opened(request, name)
    if told.measurement is None:
        return to_next(told)
    view, known = View(request, specified(told.specification)), basis(told)
    tasks = shop.queue.listed(dossier=told.line.dossier)
    found = [one for one in tasks if one.kind == "play" and one.asked.get("basis") == known]
    shown: dict[str, Any] = {"task": None}
    if found:
        task = shop.pool.shown(found[0].id)
        shown["task"] = under_way(task, view)
        if task.state == "done":
            folder = shop.queue.folder(task.id) / "out"
            shown |= {
                "state": task.result["state"],
                "findings": [view.told(finding_of(one)) for one in task.result["findings"]],
                "picture": (folder / f"seen-{view.unit}.svg").read_text(encoding="utf-8"),
            }
    return page(request, "play.html", view, **common(shop, told, view), **shown)


@router.post("/play")
def ask_to_play(request: Request, name: str) -> Response:
    """Have every note played by the newest readings, or as the newest plan leaves them."""
    shop, told = opened(request, name)
    asked = {"basis": basis(told), "planned": told.made is not None and told.step == "work"}
    same = f"{asked['basis']} {asked['planned']}"
    shop.put("play", asked, dossier=told.line.dossier, same=same)
    return see_other(f"/instruments/{told.line.dossier}/play")


@router.get("/scan/{of}")
def raw_scan(request: Request, name: str, of: str) -> Response:
    """Show a raw scan from all sides: the one filed last, or one that is not filed yet."""
    shop, told = opened(request, name)
    view = View(request, specified(told.specification))
    asked: dict[str, Any] = {"of": of}
    if of == "filed":
        entries = shop.dossiers.archive.entries(told.line.dossier)
        kept = [one for entry in standing(entries, "scan") for one in entry.attached]
        if not kept:
            raise RequestError("No scan of this instrument is filed.")
        asked = {"sha256": kept[-1]["sha256"]}
    else:
        held = shop.queue.get(of)
        if held.kind != "measure" or held.dossier != told.line.dossier:
            raise RequestError("This scan is no longer at hand; upload it again.")
        if held.result == FILED:
            return see_other(f"/instruments/{told.line.dossier}/scan/filed")
        asked["unit"] = held.asked.get("unit")
    same = str(asked.get("sha256", of))
    task = shop.put("points", asked, dossier=told.line.dossier, same=same)
    task = shop.pool.shown(task.id)
    shown = {"task": under_way(task, view), "scan": task.result, "of": of}
    return page(request, "scan.html", view, **common(shop, told, view), **shown)
