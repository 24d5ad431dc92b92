"""The pages of a production: control charts and capability over what was filed."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Annotated, Any, get_args
from urllib.parse import parse_qs, urlencode

from fastapi import Form, Request
from fastapi.responses import Response

from evenfall.errors import At, EvenfallError, RequestError
from evenfall.pictures.capability import capability_picture
from evenfall.pictures.control_chart import control_chart_picture
from evenfall.pictures.inks import PAGE
from evenfall.production import Capability, Tolerance
from evenfall.production.charts import FEW_POINTS, STEPS, ControlChart, Panel, Signal
from evenfall.production.run_rules import RULES, USUAL
from evenfall.production.series import amount
from evenfall.records.entries import ChartAct
from evenfall.records.figures import Figures, factor_values, kinds_of_figures, newest_figures
from evenfall.units import mm_per_unit, read_length_mm, read_number
from evenfall.web.instruments import specified
from evenfall.web.part import Part
from evenfall.web.proving import document
from evenfall.web.rights import filed_by
from evenfall.web.shop import Shop
from evenfall.web.together import Seen
from evenfall.web.view import View, local, page, see_other, shop_of
from evenfall.web.words import WORDS
from evenfall.workshop import CapabilityRequest, ChartRequest, capability, chart
from evenfall.workshop.archive_readings import Filed
from evenfall.workshop.daily_report import Line, ReportRequest, daily_report
from evenfall.workshop.kept_charts import act_on, query_of, version_of_chart
from evenfall.workshop.quality import ChartOutcome, act_on_chart, tolerance_of
from evenfall.workshop.specifying import models
from evenfall.workshop.story import specification_of
from evenfall.workshop.tasks import UNITS

router = Part(prefix="/charts")
_DOCUMENTS = ("proof", "measurement", "plan", "check", "step")
FACTORS = ("model", "station", "site", "batch", "cutter", "person", "serial")
_LISTED = 200
_SIGNALS = 20
_POINTS = 100
_DIGITS = 9  # of a count that an address names
_NAMED = 5
_KINDS = (
    ("", "as the readings ask for"),
    ("individuals", "single readings and their moving range"),
    ("xbar-r", "mean and range of each subgroup"),
    ("xbar-s", "mean and standard deviation of each subgroup"),
    ("median", "median and range of each subgroup"),
    ("ewma", "weighted moving average"),
    ("cusum", "cumulative sums"),
)
_GATHERED = (
    ("", "single readings"),
    *((str(n), f"{n} in a row") for n in (3, 4, 5, 10)),
    *((name, f"of one {name}") for name in ("shift", "day", "week")),
    *((f"{name} station", f"of one {name} and station") for name in ("shift", "day")),
    *((f"day {name}", f"of one day and {name}") for name in ("model", "site", "batch")),
)
_GO_ON, _STOP = "In control: go on.", "Not in control: stop, and look for the cause."
_FEW = "Too few points to tell: go on, and watch."
_LOOK_FEW = "Some earlier points stood out, but there are too few points to tell: go on, and watch."
_LOOK = "In control now: go on. Some earlier points stood out."
_MOST = (200, 1000, 5000, 10_000)
_USUAL_MOST = 1000
_QUANTITY_FIRST = ("relief", "action of string 1", "action of the lowest string")

Words = Annotated[str, Form(max_length=2000)]


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which readings a page is of, as its address says it."""

    quantity: str = ""
    document: str = ""
    model: str = ""
    station: str = ""
    site: str = ""
    batch: str = ""
    cutter: str = ""
    person: str = ""
    serial: str = ""
    gather: str = ""
    since: str = ""
    until: str = ""
    most: int = _USUAL_MOST
    kind: str = ""
    rule: tuple[str, ...] = ()
    lower: str = ""
    upper: str = ""
    unit: str = ""  # that the limits were typed in, whatever is chosen since
    spec: str = ""
    factor: tuple[str, ...] = ()
    levels: tuple[str, ...] = ()  # factors whose numbers are names

    @property
    def only(self) -> dict[str, str]:
        """The factors that are asked for."""
        names = (*FACTORS, "document")
        return {name: given for name in names if (given := getattr(self, name).strip())}

    def address(self, *left_out: str) -> str:
        """Return what asks for the same again, as the end of an address."""
        given = {
            name: getattr(self, name)
            for name in Wanted.__dataclass_fields__
            if name not in left_out
        }
        usual = {"most": _USUAL_MOST}
        kept = {
            name: value for name, value in given.items() if value not in ("", (), usual.get(name))
        }
        return urlencode(kept, doseq=True)

    def readings(self, shop: Shop, largest: int = _MOST[-1]) -> dict[str, Any]:
        """Return the fields that every request for readings has."""
        for name in ("since", "until"):
            if (given := getattr(self, name)) and not given[:4].isdecimal():
                raise RequestError("Write a day such as 2026-03-01.", at=At(field=name))
        most = min(max(self.most, 2), largest)
        gather = self.gather.split()
        size = int(gather[0]) if gather and gather[0].isdecimal() else 0
        return {
            "source": Filed(shop.dossiers.archive, self.since, _day_after(self.until), most),
            "quantity": self.quantity,
            "only": self.only,
            "subgroup": () if size else tuple(gather),
            "size": size,
        }

    def chart(self, shop: Shop, person: str = "") -> ChartRequest:
        """Return the request for the chart."""
        fields = self.readings(shop)
        return ChartRequest(**fields, kind=self.kind, rules=self.rule, person=person)


def _day_after(until: str) -> str:
    """Return the time that a day ends before, as times are compared."""
    return f"{until}~" if until else ""


@router.get("")
def show(request: Request, done: str = "") -> Response:
    """Show the control chart of what is asked for."""
    shop, view = shop_of(request), View(request)
    asked, choices = filled(shop, read_wanted(request.url.query))
    shown: dict[str, Any] = {"made": None, "fault": "", "done": done}
    status = 200
    if asked.quantity:
        try:
            made = chart(asked.chart(shop))
            shown["version"] = version_of_chart(shop.dossiers.archive, made.name)
            shown |= _shown_chart(made, view)
        except EvenfallError as error:
            shown["fault"] = view.wrong(error)
            status = 422 if request.url.query else 200  # who opens the page has asked nothing yet
    return page(
        request,
        "charts.html",
        view,
        status,
        asked=asked,
        first=status == 200,
        rules=_rules(asked),
        **choices,
        **shown,
    )


@router.post("")
def do(
    request: Request,
    *,
    asked: Annotated[str, Form(max_length=4000)] = "",
    act: Words = "",
    point: Words = "",
    reason: Words = "",
    by: Words = "",
    counted: Words = "",
    seen: Seen = "",
) -> Response:
    """File what a person does to a chart: freeze its limits, begin new ones, leave a point out."""
    shop = shop_of(request)
    wanted = read_wanted(asked)
    chosen = next((one for one in get_args(ChartAct) if one == act), None)
    if chosen is None:
        raise RequestError("Choose what is to be done to the chart.")
    asks = wanted.chart(shop, filed_by(request, by))
    act_on_chart(asks, chosen, point.strip(), reason, since=seen, counted=counted)
    return see_other(f"/charts?{wanted.address()}&done={act.replace(' ', '+')}#acts")


@router.post("/back")
def take_back(
    request: Request,
    *,
    asked: Annotated[str, Form(max_length=4000)] = "",
    entry: Words = "",
    reason: Words = "",
    by: Words = "",
    seen: Seen = "",
) -> Response:
    """Take back what was done to a chart."""
    shop = shop_of(request)
    wanted = read_wanted(asked)
    made = chart(wanted.chart(shop))
    if entry not in {one.entry for one in made.acts}:
        raise RequestError("This was taken back already; load the chart again.")
    act_on(
        shop.dossiers.archive,
        made.name,
        {"reason": reason.strip()},
        person=filed_by(request, by),
        takes_back=entry,
        since=seen,
    )
    return see_other(f"/charts?{wanted.address()}#acts")


@router.get("/capability")
def show_capability(request: Request) -> Response:
    """Show what the process is capable of."""
    shop, view = shop_of(request), View(request)
    asked, choices = filled(shop, read_wanted(request.url.query))
    asked = replace(asked, unit=_unit_of_limits(shop, asked, view))
    shown: dict[str, Any] = {"made": None, "fault": ""}
    status = 200
    filed = [(line.dossier, line.title) for line in models(shop.dossiers)]
    if asked.quantity and (asked.lower or asked.upper or asked.spec):
        try:
            limits = _tolerance(shop, asked)
            fields = asked.readings(shop)
            made = capability(CapabilityRequest(**fields, tolerance=limits))
            shown["made"] = made.made
            shown["findings"] = [
                (one.severity, view.told(one))
                for one in made.findings
                if not one.said.text.startswith("{name} {value")  # they stand in the table
            ]
            shown["picture"] = capability_picture(
                made.made, about=made.about, unit=view.unit, theme=PAGE, written=False
            )
            shown["outside"], shown["outside_count"] = made.outside[:_NAMED], len(made.outside)
            shown["headline"], shown["alarm"] = _capable(made.made)
            shown["indices"] = [
                (
                    one.name,
                    f"{one.value_index:.2f}",
                    _between(one.low_index, one.high_index),
                    _INDICES[one.name],
                    one == made.made.deciding,
                )
                for one in made.made.indices
            ]
        except EvenfallError as error:
            shown["fault"], status = view.wrong(error), 422
    return page(
        request, "capability.html", view, status, asked=asked, specs=filed, **choices, **shown
    )


@router.get("/report")
def report(request: Request, day: str = "") -> Response:
    """Show the report of a day; by default of yesterday."""
    shop, view = shop_of(request), View(request)
    wanted = day or f"{datetime.now().astimezone() - timedelta(days=1):%Y-%m-%d}"
    made = daily_report(shop.dossiers, ReportRequest(wanted[:40]))
    parts = [
        {
            "title": part.title,
            "lines": [
                {
                    "said": _whole(view.say(one.said)),
                    "alarm": one.alarm,
                    "place": _place(one) if one.asked else "",
                    "leads": _LEADS[one.leads],
                }
                for one in part.lines
            ],
        }
        for part in made.parts
    ]
    headline = view.say(made.headline)
    return page(
        request,
        "daily_report.html",
        view,
        day=wanted,
        headline=headline,
        alarms=made.alarms,
        invented=made.invented,
        parts=parts,
    )


@router.get("/report.pdf")
def report_pdf(request: Request, day: str = "") -> Response:
    """Return the report of a day for paper."""
    view = View(request)
    made = daily_report(shop_of(request).dossiers, ReportRequest(day[:40]))
    return document(made.page("pdf", unit=view.unit, door=WORDS), "pdf", f"report-{made.day}")


def _place(line: Line) -> str:
    """Return the page that tells more about a line of the report."""
    if line.leads == "gauge":
        return f"/gauges/{line.asked['dossier']}"
    asked = query_of(line.asked)
    if line.leads == "capability":
        return f"/charts/capability?{asked}&spec={line.asked['spec']}"
    return f"/charts?{asked}"


def _whole(said: str) -> list[str]:
    """Return words in parts, each second one a name or day that a page does not break."""
    return _HYPHENED.split(said)


_HYPHENED = re.compile(r"([^\s,;:()]{1,20}-[^\s,;:()]{0,19}\d)")
_LEADS = {"chart": "See the chart", "capability": "See the readings", "gauge": "See the gauge"}
_INDICES = {
    "Cp": "The spread alone: what Cpk would be with the middle between the limits.",
    "Cpk": "Spread and middle, by the change from one point to the next.",
    "Pp": "As Cp, by all readings as they are.",
    "Ppk": "As Cpk, by all readings as they are.",
}


def _capable(made: Capability) -> tuple[str, bool]:
    """Return the verdict as somebody without statistics reads it, and whether it is an alarm."""
    if not made.stable:
        return "No answer yet: the process is not stable. See its control chart first.", True
    if made.verdict == "not capable" and made.hopeless:
        return "Stop: most instruments lie outside the limits.", True
    return _ANSWERS[made.verdict]


_ANSWERS = {
    "capable": ("The process keeps within its limits with room to spare. Go on.", False),
    "not capable": (
        "Check each instrument: the process does not keep well enough within its limits.",
        True,
    ),
    "undecided": (
        "Not sure yet whether it keeps well enough within its limits. Gather more readings.",
        False,
    ),
}


def _between(low: float, high: float) -> str:
    return f"{low:.2f} to {high:.2f}" if math.isfinite(low) and math.isfinite(high) else "–"


def _unit_of_limits(shop: Shop, asked: Wanted, view: View) -> str:
    """Return what limits are typed in: a length as it was or is shown, else as it was filed."""
    with shop.dossiers.archive.reading() as connection:
        rows = newest_figures(connection, Figures(asked.quantity, asked.document), 1)
    if rows and rows[0].unit != "mm":
        return str(rows[0].unit)
    return asked.unit if asked.unit in UNITS else view.unit


def _tolerance(shop: Shop, asked: Wanted) -> Tolerance:
    if asked.lower or asked.upper:
        return Tolerance(_level(asked.lower, asked.unit), _level(asked.upper, asked.unit))
    specification = specified(specification_of(shop.dossiers, shop.dossiers.named(asked.spec)))
    return tolerance_of(specification, asked.quantity)


def _level(given: str, unit: str) -> float:
    if not given.strip():
        return float("nan")
    for length in UNITS:
        if length == unit:
            try:
                return read_length_mm(given.strip(), length)
            except ValueError:
                break
    try:
        return read_number(given.strip())
    except ValueError:
        raise RequestError(
            "The limit {given:quoted} is not a figure; write one such as 0.15.", given=given[:40]
        ) from None


def filled(shop: Shop, asked: Wanted) -> tuple[Wanted, dict[str, Any]]:
    """Return what is asked for with what follows where nothing is, and what can be chosen."""
    with shop.dossiers.archive.reading() as connection:
        there = kinds_of_figures(connection)
        if not asked.quantity and there:
            first = next((name for name in _QUANTITY_FIRST if name in there), next(iter(there)))
            asked = replace(asked, quantity=first)
        kinds = there.get(asked.quantity, [])
        if not asked.document and kinds:
            asked = replace(asked, document=min(kinds, key=_DOCUMENTS.index))
        values = {
            name: factor_values(connection, asked.quantity, asked.document, name, _LISTED)
            for name in ("model", "station")
        }
    models_asked = [asked.model] if asked.model else values["model"]
    return asked, {
        "invented": any("invented" in name.lower() for name in models_asked),
        "quantities": list(there),
        "documents": kinds,
        "values": values,
        "gathered": _GATHERED,
        "kinds": _KINDS,
        "mosts": _MOST,
    }


def _rules(asked: Wanted) -> list[tuple[str, bool]]:
    chosen = asked.rule or USUAL
    return [(name, name in chosen) for name in RULES]


def read_wanted(address: str) -> Wanted:
    """Return what a page was of, from its address."""
    known = Wanted.__dataclass_fields__
    given = {name: values for name, values in parse_qs(address).items() if name in known}
    one = {
        name: values[0][:200]
        for name, values in given.items()
        if name not in ("rule", "factor", "levels", "most")
    }
    most = given.get("most", [""])[0][:_DIGITS]
    return Wanted(
        **one,
        rule=tuple(given.get("rule", ())),
        factor=tuple(one[:100] for one in given.get("factor", ())),
        levels=tuple(one[:100] for one in given.get("levels", ())),
        most=int(most) if most.isascii() and most.isdecimal() else _USUAL_MOST,
    )


def _shown_chart(made: ChartOutcome, view: View) -> dict[str, Any]:
    """Return what the page of a chart shows."""
    of = made.chart
    first_point = of.phases[-1].first
    left_out = sum(one.point >= first_point for one in of.excluded)
    can_freeze = of.point_count - first_point + 1 - left_out >= FEW_POINTS
    first, *rest = of.findings
    go_on = _FEW if of.few_points else _GO_ON
    look = _LOOK_FEW if of.few_points else _LOOK
    notes = [one for one in (*rest, *made.findings_of_readings) if one.severity != "warning"]
    return {
        "made": of,
        "about": made.about,
        "headline": go_on if of.stable else _STOP if of.signals_now else look,
        "alarm": of.signals_now,
        "verdict": _whole(view.told(first)),
        "warned": [_whole(view.told(one)) for one in rest if one.severity == "warning"],
        "noted": [view.told(one) for one in notes],
        "counted": made.counts[-1],
        "picture": control_chart_picture(
            of, about=made.about, unit=view.unit, theme=PAGE, written=False
        ),
        "signals": _signals(made, view),
        "more_signals": max(len(of.hit) - _SIGNALS, 0),
        "panels": [one.name for one in of.panels],
        "points": [_row(of, point, view) for point in _last(of.point_count)],
        "can_freeze": can_freeze,
        "enough": FEW_POINTS,
        "acts": made.acts[::-1],
    }


def _last(points: int) -> range:
    return range(points, max(points - _POINTS, 0), -1)


def _row(of: ControlChart, point: int, view: View) -> dict[str, Any]:
    return {
        "point": point,
        "label": of.label(point),
        "figures": [
            view.say(amount(float(one.values[point - 1]), one.unit))
            if math.isfinite(one.values[point - 1])
            else "–"
            for one in of.panels
        ],
    }


def _signal_label(of: ControlChart, point: int, found: Sequence[Signal]) -> str:
    """Return the name of a point that signals; where only a step does, of both its ends."""
    if of.labels and all(one.panel == STEPS for one in found):
        return f"{of.label(point - 1)} to {of.label(point)}"
    return of.label(point)


def _beside_limit(panel: Panel, point: int, view: View) -> str:
    """Return the figure of a point; where it reads as its limit does, both with more digits."""

    def shown(value: float) -> str:
        return view.say(amount(value, panel.unit)) if math.isfinite(value) else "–"

    value, low, high = (float(of[point - 1]) for of in (panel.values, panel.lower, panel.upper))
    for outside, limit, words in (
        (value > high, high, "over the upper limit of"),
        (value < low, low, "under the lower limit of"),
    ):
        if outside and shown(value) == shown(limit):
            return f", {words} ".join(_apart(value, limit, panel, view))
    return shown(value)


def _apart(value: float, limit: float, panel: Panel, view: View) -> tuple[str, str]:
    """Return two figures with as many digits as it takes to tell them apart."""
    unit, size = panel.unit, 1.0
    if unit == "mm":
        unit, size = view.unit, mm_per_unit(view.unit)
    for digits in range(4, 17):
        first, second = (f"{one / size:.{digits}g} {unit}".rstrip() for one in (value, limit))
        if first != second:
            break
    return first, second


def _signals(made: ChartOutcome, view: View) -> list[dict[str, Any]]:
    """Return the last points that signal, each with its rules and its instruments."""
    of = made.chart
    columns = made.table.factors
    serials = dict(zip(columns.get("dossier", ()), columns.get("serial", ()), strict=True))
    shown = []
    for point in reversed(of.hit[-_SIGNALS:]):
        found = [one for one in of.signals if point in one.points]
        rules = dict.fromkeys(f"{one.panel}: {one.rule.replace('-', ' ')}" for one in found)
        dossiers = made.instruments(point)
        if any(one.panel == STEPS for one in found):  # either of the two may be the odd one
            dossiers = tuple(dict.fromkeys((*made.instruments(point - 1), *dossiers)))
        start = int(made.series.starts[point - 1])
        most = _NAMED if len(dossiers) > _NAMED + 1 else len(dossiers)
        shown.append(
            {
                **_row(of, point, view),
                "label": _signal_label(of, point, found),
                "figures": [_beside_limit(one, point, view) for one in of.panels],
                "at": local(made.table.time[start]),
                "rules": list(rules),
                "dossiers": [(dossier, serials.get(dossier, "")) for dossier in dossiers[:most]],
                "more": len(dossiers) - most,
            }
        )
    return shown
