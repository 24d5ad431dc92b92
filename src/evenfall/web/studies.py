"""The page of a gauge study: who reads what, the sheet in random order, the verdict in words."""

from __future__ import annotations

import csv
import io
import math
import secrets
from dataclasses import dataclass
from typing import Annotated, Any
from urllib.parse import parse_qs, urlencode

from fastapi import Form, Request
from fastapi.responses import Response

from evenfall.errors import EvenfallError, RequestError
from evenfall.pictures.gauge import gauge_picture
from evenfall.pictures.inks import PAGE
from evenfall.production.gauge import GOOD_SHARE, USABLE_SHARE, GaugeStudy
from evenfall.production.series import amount
from evenfall.web.gauges import gauge_of
from evenfall.web.part import Part
from evenfall.web.rights import filed_by
from evenfall.web.shop import now
from evenfall.web.together import Seen
from evenfall.web.view import View, page, shop_of
from evenfall.wording import sentence
from evenfall.workshop import GaugeRequest, Source, StudySheetRequest, study_gauge, study_sheet
from evenfall.workshop.gauge_studies import GaugeOutcome, study_filing
from evenfall.workshop.gauges import Gauge
from evenfall.workshop.specifying import models
from evenfall.workshop.story import specification_of

router = Part(prefix="/gauges/{dossier}/study")
_LARGEST = 2000
"""Readings of one sheet on a page."""
_NOT_FOR = "Do not use this gauge for {names:list}: it cannot judge {names:plural it|them}"
_TRIALS = (2, 3, 4, 5)


@dataclass(frozen=True, slots=True)
class Planned:
    """Who reads what, as the address of the page says it."""

    parts: str = ""  # names, a comma between
    persons: str = ""
    trials: int = 3
    quantity: str = ""
    unit: str = "mm"
    seed: int = 0

    @classmethod
    def read(cls, address: str) -> Planned:
        """Return it from an address."""
        given = {name: values[0][:2000] for name, values in parse_qs(address).items()}

        def whole(name: str, usual: int) -> int:
            text = given.get(name, "")
            return int(text[:9]) if text.isascii() and text.isdecimal() else usual

        return cls(
            given.get("parts", "").strip(),
            given.get("persons", "").strip(),
            whole("trials", 3),
            given.get("quantity", "").strip()[:100],
            "in" if given.get("unit") == "in" else "mm",
            whole("seed", 0),
        )

    @property
    def address(self) -> str:
        """The end of the address that says it."""
        return urlencode({name: getattr(self, name) for name in Planned.__dataclass_fields__})

    def rows(self) -> list[dict[str, str]]:
        """Return the rows of the sheet, in the order of reading."""
        if self.trials not in _TRIALS:
            raise RequestError("Each part is read 2 to 5 times by each person.")
        asked = StudySheetRequest(
            _names(self.parts),
            _names(self.persons),
            self.trials,
            self.quantity or "reading",
            self.unit,
            self.seed,
        )
        if len(asked.parts) * len(asked.persons) * self.trials > _LARGEST:
            text = "That is more than {most} readings; take fewer parts or persons."
            raise RequestError(text, most=_LARGEST)
        return list(csv.DictReader(io.StringIO(study_sheet(asked))))


def _names(text: str) -> tuple[str, ...]:
    """Return names between commas; a whole number alone means so many, numbered."""
    names = tuple(name.strip() for name in text.split(",") if name.strip())
    if len(names) == 1 and names[0].isascii() and names[0].isdecimal():
        return tuple(str(n) for n in range(1, min(int(names[0][:4]), _LARGEST) + 1))
    return names


@router.get("")
def study(request: Request, dossier: str) -> Response:
    """Show the form of a study or, once it says who reads what, the sheet to type into."""
    planned = Planned.read(request.url.query)
    return _sheet(request, gauge_of(shop_of(request), dossier), planned)


def _sheet(
    request: Request,
    found: Gauge,
    planned: Planned,
    typed: list[str] | None = None,
    *,
    fault: str = "",
    seen: str = "",
) -> Response:
    view, rows = View(request), []
    if planned.parts or planned.persons:
        try:
            rows = planned.rows()
        except EvenfallError as error:
            fault = view.wrong(error)
    shop = shop_of(request)
    return page(
        request,
        "study.html",
        view,
        422 if fault else 200,
        gauge=found,
        version=seen or shop.dossiers.archive.version(found.line.dossier),
        planned=planned,
        seed=planned.seed or secrets.randbelow(999_999) + 1,
        trials=_TRIALS,
        rows=rows,
        turns=_turns(rows, typed or []),
        specs=[(line.dossier, line.title) for line in models(shop.dossiers)],
        fault=fault,
    )


def _turns(rows: list[dict[str, str]], typed: list[str]) -> list[list[dict[str, str]]]:
    """Return the rows of the sheet in turns, in each of which one person reads every part once."""
    filled = [{**row, "typed": typed[n] if n < len(typed) else ""} for n, row in enumerate(rows)]
    parts = len({row["part"] for row in rows}) or 1
    return [filled[n : n + parts] for n in range(0, len(filled), parts)]


@router.post("")
def judge(
    request: Request,
    *,
    dossier: str,
    asked: Annotated[str, Form(max_length=8000)] = "",
    value: Annotated[list[str] | None, Form()] = None,
    spec: Annotated[str, Form(max_length=64)] = "",
    by: Annotated[str, Form(max_length=100)] = "",
    seen: Seen = "",
) -> Response:
    """File the readings of a study with the gauge, and show what they say of it."""
    shop, view = shop_of(request), View(request)
    found = gauge_of(shop, dossier)
    planned = Planned.read(asked)
    typed = [one.strip()[:40] for one in value or []]
    try:
        rows = planned.rows()
        missing = [n for n, _ in enumerate(rows, start=1) if not "".join(typed[n - 1 : n])]
        if missing:
            text = "Not read yet: {rows:numbers}. Read them, or plan a smaller study."
            raise RequestError(text, rows=missing)
        sheet = _filled(rows, typed)
        source = specification_of(shop.dossiers, spec) if spec else None
        made = study_gauge(GaugeRequest(sheet, specification=source))
    except EvenfallError as error:
        fault = view.wrong(error)
        return _sheet(request, found, planned, typed, fault=fault, seen=seen)
    filing = study_filing(made, sheet, person=filed_by(request, by))
    shop.dossiers.archive.file(found.line.dossier, [filing], since=seen)
    return page(request, "study_result.html", view, gauge=found, **_shown(made, found, view))


def _filled(rows: list[dict[str, str]], typed: list[str]) -> Source:
    stream = io.StringIO()
    writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    for row, value in zip(rows, typed, strict=False):
        writer.writerow({**row, "value": value})
    return Source(f"study-{now()[:10]}.csv", stream.getvalue().encode())


def _shown(made: GaugeOutcome, found: Gauge, view: View) -> dict[str, Any]:
    study, readings = made.made, made.readings
    assert isinstance(study, GaugeStudy)  # noqa: S101 (crossed studies are)
    assert readings is not None  # noqa: S101 (of crossed studies they are kept)

    def said(value: float) -> str:
        return view.say(amount(value, study.unit)) if math.isfinite(value) else "–"

    cannot = [one.name for one in made.limits if _can(study.share_of(one.width_level)) == "no"]
    verdict = 1 + len(made.limits)  # the uncertainty, then each of the limits
    findings = [
        (view.told(one), one.severity == "warning" or (n < verdict and not made.to_settle))
        for n, one in enumerate(made.findings)
    ]
    return {
        "alarm": made.to_settle,
        "overdue": found.due(now()) == "over",
        "first": [told for told, leads in findings if leads],
        "noted": [told for told, leads in findings if not leads],
        "picture": gauge_picture(
            study,
            readings,
            made.limits,
            quantity=made.quantity,
            unit=view.unit,
            theme=PAGE,
            written=False,
        ),
        "careful": any(study.share_of(one.width_level) > GOOD_SHARE for one in made.limits),
        "cannot": view.say(sentence(_NOT_FOR, names=cannot)) if cannot else "",
        "judged": [
            (
                one.name,
                said(one.width_level),
                view.say(sentence("{share:taken}", share=study.share_of(one.width_level))),
                _can(study.share_of(one.width_level)),
            )
            for one in made.limits
        ],
        "components": [
            (one.name, said(one.sigma_level), f"{100.0 * one.variance_share:.1f} %")
            for one in study.components
        ],
    }


def _can(share: float) -> str:
    return "yes" if share <= GOOD_SHARE else "with care" if share <= USABLE_SHARE else "no"
