"""Several people on one instrument: each hears what another files, none files over it unseen."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

from fastapi import Form, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response, StreamingResponse

from evenfall.errors import ChangedError
from evenfall.records.shared_lots import version_of_shared
from evenfall.units import read_number
from evenfall.web.part import Part
from evenfall.web.rights import who_of
from evenfall.web.view import View, local, page, problem, shop_of, wants_page
from evenfall.wording import plain_line, say
from evenfall.workshop.lot_reports import ANSWERS
from evenfall.workshop.partner_lots import lot_seen, shared_with
from evenfall.workshop.specifying import look_at_text
from evenfall.workshop.story import readings_files, specification_of
from evenfall.workshop.tasks import sources_in
from evenfall.workshop.typed import Place, TypedSheet

if TYPE_CHECKING:
    from evenfall.web.shop import Shop

router = Part(prefix="/instruments/{name}")
Seen = Annotated[str, Form(max_length=64)]
"""Version of the dossier that a page showed when its form was made."""
_LOOK_S = 2.0
_FEW = 3


@router.get("/changes")
async def changes(
    request: Request, name: str, since: Annotated[str, Query(max_length=64)] = ""
) -> Response:
    """Tell once what was filed since a version, as soon as there is something."""
    shop, view = shop_of(request), View(request)
    dossiers = shop.dossiers
    dossier = await run_in_threadpool(dossiers.named, name)

    def meanwhile() -> list[str]:
        """Return what was filed, and by whom."""
        if dossiers.archive.version(dossier) == since:
            return []
        return [
            f"{plain_line(told.person) or 'Somebody'} filed, {local(told.at)}: "
            f"{plain_line(view.say(told.said).partition(chr(10))[0])[:200]}"
            for told in dossiers.since(dossier, since)[-_FEW:]
        ]

    async def telling() -> AsyncIterator[str]:
        yield "retry: 3000\n\n"
        while not shop.pool.leaving:
            lines = await run_in_threadpool(meanwhile)
            if lines:
                yield f"data: {json.dumps({'lines': lines})}\n\n"
                return
            yield ": alive\n\n"
            await asyncio.sleep(_LOOK_S)

    return StreamingResponse(
        telling(), media_type="text/event-stream", headers={"cache-control": "no-store"}
    )


# ---- two versions, side by side ------------------------------------------------------------------

Given = Mapping[str, str]
Values = Mapping[str, str]
"""What stands where, in words."""
_MOST_ROWS = 60


def _specifications(shop: Shop, given: Given, dossier: str) -> tuple[Values, Values]:
    """Return what a text says by its keys, and what the newest one says."""
    source = specification_of(shop.dossiers, dossier)
    newest = look_at_text(source.text()).values if source is not None else {}
    return look_at_text(given.get("text", "")).values, newest


def _sheets(shop: Shop, given: Given, dossier: str) -> tuple[Values, Values]:
    """Return readings that were typed by their places, and those that were filed last."""
    try:
        sheet = json.loads(given.get("sheet", ""))
        mine = TypedSheet(sheet["values"], sheet.get("unit", "mm"))
    except (ValueError, TypeError, KeyError):
        return {}, {}
    return _read(mine), _filed_last(shop, dossier)


def _files(shop: Shop, given: Given, dossier: str) -> tuple[Values, Values]:
    """Return readings of files that wait by their places, and those that were filed last."""
    mine: dict[str, str] = {}
    for source in sources_in(shop.queue.folder(given.get("key", "")) / "in"):
        sheet = TypedSheet.of(source)
        mine |= {} if sheet is None else _read(sheet)
    return mine, _filed_last(shop, dossier)


def _filed_last(shop: Shop, dossier: str) -> Values:
    found: dict[str, str] = {}
    for source in readings_files(shop.dossiers, dossier):
        sheet = TypedSheet.of(source)
        found |= {} if sheet is None else _read(sheet)
    return found


def _read(sheet: TypedSheet) -> Values:
    made = {}
    for _, (quantity, string, fret, text, unit, *_) in sheet.rows:
        place = Place(quantity, int(string or 0), fret)
        made[say(place.said)] = f"{text} {unit}"
    return made


def _nothing(_shop: Shop, _given: Given, _dossier: str) -> tuple[Values, Values]:
    return {}, {}


@dataclass(frozen=True, slots=True)
class Filing:
    """What a form files: as a person calls it, how it is filed all the same, and where it began."""

    what: str
    choice: str
    place: str
    values: Callable[[Shop, Given, str], tuple[Values, Values]] = _nothing
    shared: bool = False  # whether it is about a shared lot, in place of a dossier


FILINGS: Mapping[str, Filing] = {
    "/instruments/{name}/measure/typed": Filing(
        "readings", "File mine as the newest readings", "/instruments/{dossier}/measure", _sheets
    ),
    "/instruments/{name}/measure/filed": Filing(
        "readings", "File mine as the newest readings", "/instruments/{dossier}/measure", _files
    ),
    "/instruments/{name}/plan/take": Filing(
        "plan", "Work mine out again by what is new, and file it", "/instruments/{dossier}/plan"
    ),
    "/instruments/{name}/specification/again": Filing(
        "readings, read by the newest specification",
        "Read them by the newest specification, and file that",
        "/instruments/{dossier}/specification",
    ),
    "/instruments/{name}/done": Filing(
        "work done", "Mine is done all the same: file it", "/instruments/{dossier}/work"
    ),
    "/instruments/{name}/program/{task}/filed": Filing(
        "machine program", "File mine all the same", "/instruments/{dossier}/program"
    ),
    "/instruments/{name}/proof": Filing(
        "verdict", "Judge again by what is new, and file that", "/instruments/{dossier}/proof"
    ),
    "/specifications/save": Filing(
        "specification",
        "File mine as the newest version",
        "/specifications/{dossier}",
        _specifications,
    ),
    "/gauges/{dossier}/check": Filing("check reading", "File mine too", "/gauges/{dossier}"),
    "/gauges/{dossier}/calibrated": Filing(
        "calibration", "File mine as the newest", "/gauges/{dossier}"
    ),
    "/gauges/{dossier}/study": Filing("study", "File mine too", "/gauges/{dossier}"),
    "/judged": Filing("decision on a lot", "Judge mine too", "/judged"),
    "/judged/{dossier}/{entry}/answer": Filing("answer to a lot", "File mine too", "/judged"),
    "/shared": Filing("lot to share", "Share mine in its place", "/shared", shared=True),
    "/shared/{lot}/withdraw": Filing(
        "lot to withdraw", "Withdraw it all the same", "/shared", shared=True
    ),
    "/lots/{lot}/answer": Filing("answer to a lot", "Answer so all the same", "/lots", shared=True),
    "/charts": Filing("change of a chart", "Do mine too", "/charts?{asked}"),
    "/charts/back": Filing("change of a chart", "Do mine too", "/charts?{asked}"),
}
"""Every form that files by a version, by its route."""
_WORDS = {
    **{"method": "method", "attack_percent": "attack, %", "budget_mm": "metal at most, mm"},
    **{"reason": "reason", "code": "accepted", "act": "what is done", "point": "point"},
    **{"standard": "standard", "stated": "stated", "read": "read", "unit": "unit"},
    **{"date": "calibrated on", "until": "valid until", "result": "result", "value": "readings"},
    **{"lot": "lot", "partner": "partner", "names": "instruments", "says": "answer"},
    **{"name": "lot", "pieces": "pieces", "found": "found", "by": "by"},
    **{"plan": "plan", "station": "station", "cutter": "cutter or file", "cutter_uses": "its uses"},
}
"""What is shown of a form, and how it is called there."""


async def both(request: Request, error: ChangedError) -> Response:
    """Show what somebody was about to file beside what another filed, and what to do."""
    path = request.scope["route"].path if "route" in request.scope else ""
    shown = wants_page(request) and path in FILINGS
    if not shown or not (FILINGS[path].shared or error.said.values.get("dossier")):
        return problem(request, error, 412)
    form = await request.form()
    given = [
        (name, value)
        for name, value in form.multi_items()
        if isinstance(value, str) and name not in ("seen", "csrf")
    ]
    return await run_in_threadpool(_both, request, error, FILINGS[path], given)


def _both(
    request: Request, error: ChangedError, filing: Filing, given: list[tuple[str, str]]
) -> Response:
    shop, view = shop_of(request), View(request)
    fields, place, dossier = dict(given), filing.place, ""
    if filing.shared:
        title, version, theirs = _shared(request, fields)
    else:
        dossier = str(error.said.values["dossier"])
        since = str(error.said.values.get("since", ""))
        version = shop.dossiers.archive.version(dossier)
        (line,) = shop.dossiers.lines([dossier])
        title = line.title
        theirs = [
            {"at": local(told.at), "person": told.person, "said": view.say(told.said)}
            for told in reversed(shop.dossiers.since(dossier, since))
        ]
        if place.startswith("/specifications") and line.subject == "instrument":
            place = "/instruments/{dossier}/specification"
    rows = _differing(*filing.values(shop, fields, dossier))
    asked = fields.get("asked", "")
    return page(
        request,
        "both.html",
        view,
        412,
        filing=filing,
        title=title,
        version=version,
        theirs=theirs,
        given=given,
        yours=[
            (words, ", ".join(value for name, value in given if name == key and value.strip()))
            for key, words in _WORDS.items()
            if fields.get(key, "").strip()
        ],
        rows=rows[:_MOST_ROWS],
        more=len(rows) - _MOST_ROWS,
        compared=filing.values is not _nothing,
        place=place.format(dossier=dossier, asked=asked),
        again=request.url.path,
        text=fields.get("text"),
        dossier=fields.get("dossier", "") or dossier,
    )


def _shared(request: Request, given: Given) -> tuple[str, str, list[dict[str, str]]]:
    """Return what a shared lot is called, its version, and how it stands for whoever asks."""
    who, dossiers = who_of(request), shop_of(request).dossiers
    listed = shared_with(dossiers, None if who.may("keep") else who.partner)
    key = request.path_params.get("lot", "")
    wanted = (given.get("lot", "").strip(), given.get("partner", ""))
    found = [
        one.shared
        for one in listed
        if one.shared.key == key or (not key and (one.shared.lot, one.shared.partner) == wanted)
    ]
    theirs = [
        {
            "at": local(one.answered or one.at),
            "person": one.partner if one.answer else "The workshop",
            "said": f"{one.lot}: {ANSWERS.get(one.answer, f'shared with {one.partner}')}",
        }
        for one in found
    ]
    version = version_of_shared(one.shared for one in listed)
    if key and found:
        partner = None if who.may("keep") else who.partner
        seen = lot_seen(dossiers, key, partner, shop_of(request).story)
        version = seen.version
        theirs += [
            {
                "at": "now",
                "person": "The workshop",
                "said": f"{one.name}: {one.verdict or 'not released yet'}",
            }
            for one in seen.instruments
        ]
    return (found[0].lot if found else "Lots"), version, theirs


def _differing(mine: Values, theirs: Values) -> list[tuple[str, str, str]]:
    """Return where two versions differ, what the one and the other says there."""
    keys = dict.fromkeys((*mine, *theirs))
    pairs = [(key, mine.get(key, ""), theirs.get(key, "")) for key in keys]
    return [(key, one, other) for key, one, other in pairs if not _alike(one, other)]


def _alike(one: str, other: str) -> bool:
    """Say whether two texts are one figure or the same words."""
    (first, _, unit), (second, _, other_unit) = one.partition(" "), other.partition(" ")
    try:
        return unit == other_unit and read_number(first) == read_number(second)
    except ValueError:
        return one.strip() == other.strip()
