"""What many instruments together say, for other programs: gauges, charts, the report of a day."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Annotated, Any, Literal

from fastapi import Path, Request
from fastapi.responses import JSONResponse, Response

from evenfall.codec import plain, with_words
from evenfall.errors import At, RequestError
from evenfall.records.entries import ChartAct
from evenfall.web.answering import (
    ROOT,
    AbsentError,
    Body,
    Key,
    Name,
    Since,
    Unit,
    Whole,
    answered,
    named,
    once,
    parsed,
    version_in,
)
from evenfall.web.api_description import (
    CHART,
    CHARTS,
    GAUGE,
    GAUGES,
    REPORT,
    asks,
    gives,
    gives_file,
)
from evenfall.web.part import Part
from evenfall.web.proving import document
from evenfall.web.rights import filed_by
from evenfall.web.shop import Shop, now
from evenfall.web.uploads import files_of
from evenfall.web.view import shop_of
from evenfall.workshop import ChartRequest, GaugeRequest, Source, study_gauge
from evenfall.workshop.asking import read_request
from evenfall.workshop.daily_report import ReportRequest, daily_report
from evenfall.workshop.gauge_studies import file_study
from evenfall.workshop.gauges import Gauge, gauge, gauges
from evenfall.workshop.kept_charts import Kept, act_on, acts_on, kept_charts, version_of_chart
from evenfall.workshop.quality import act_on_chart

router = Part(prefix=ROOT, tags=["production"])
Chart = Annotated[str, Path(max_length=64, description="Id of the dossier of a kept chart.")]
Day = Annotated[
    str,
    Path(
        max_length=40,
        description="As 2026-03-31, by the server's clock.",
        json_schema_extra={"format": "date"},
    ),
]


@dataclass(frozen=True, slots=True)
class StudyFiled:
    """A gauge study that is judged and filed in the dossier of its gauge."""

    study: GaugeRequest
    person: str = ""  # who files it
    done: str = ""  # when it was read, if not now


@dataclass(frozen=True, slots=True)
class ChartActed:
    """What is done to a chart over the archive."""

    chart: ChartRequest  # its source readings of the archive
    act: ChartAct
    point: str  # name or number of the point
    reason: str
    person: str = ""


@dataclass(frozen=True, slots=True)
class TakenBack:
    """Why something that was done to a chart no longer stands."""

    reason: str
    person: str = ""


# ---- gauges --------------------------------------------------------------------------------------


def _gauge(found: Gauge) -> dict[str, Any]:
    charts = {name: found.chart(name) for name in found.standards}
    return {
        "dossier": found.line.dossier,
        "name": found.line.name,
        "calibrated": found.calibrated,
        "valid_until": found.valid_until,
        "due": found.due(now()),
        "u_mm": plain(found.u_mm),
        "standards": [
            {
                "standard": name,
                "stable": None if chart is None else chart.stable,
                "few_points": None if chart is None else chart.few_points,
                "signals_now": None if chart is None else chart.signals_now,
            }
            for name, chart in charts.items()
        ],
    }


@router.get("/gauges", responses=gives(GAUGES))
def every_gauge(request: Request, form: Whole = "printed") -> Response:
    """List the gauges, what is due first."""
    found = gauges(shop_of(request).dossiers)
    if form == "whole":
        return answered(request, found, form=form)
    return answered(request, {"gauges": [_gauge(one) for one in found]})


@router.get("/gauges/{name}", responses=gives(GAUGE, 200, 404))
def one_gauge(request: Request, name: Name, form: Whole = "printed") -> Response:
    """Show a gauge: calibration, uncertainty, and each reading of its check standards."""
    shop = shop_of(request)
    found = gauge(shop.dossiers, named(shop, name))
    _of_a_gauge(found)
    if form == "whole":
        return answered(request, found, form=form)
    return answered(request, {**_gauge(found), "checks": plain(found.checks)})


def _of_a_gauge(found: Gauge) -> None:
    if found.line.subject != "gauge":
        raise AbsentError("This dossier is of no gauge; see the list of gauges.", at=At("name"))


@router.post(
    "/gauges/{name}/studies",
    status_code=201,
    openapi_extra=asks(StudyFiled),
    responses=gives(GAUGE, 201, 404),
)
def file_gauge_study(request: Request, name: Name, body: Body, key: Key = "") -> Response:
    """Judge a study of a gauge, and file it in its dossier."""
    shop = shop_of(request)
    dossier = named(shop, name)
    _of_a_gauge(gauge(shop.dossiers, dossier))
    asked: StudyFiled = read_request(StudyFiled, parsed(body), files_of(request, set()))
    sheet = asked.study.source
    if not isinstance(sheet, Source):
        raise RequestError("A study is filed with its sheet; give it.", at=At(field="study.source"))

    def file() -> Callable[[], Response]:
        made = study_gauge(asked.study)
        who = filed_by(request, asked.person)
        file_study(shop.dossiers, dossier, made, sheet, person=who, done=asked.done)

        def show() -> Response:
            found = gauge(shop.dossiers, dossier)
            values = {**_gauge(found), "checks": plain(found.checks)}
            return JSONResponse(values, 201, {"location": f"{ROOT}/gauges/{dossier}"})

        return show

    return once(request, key, body, file)


# ---- charts that people work on ------------------------------------------------------------------


def _kept(shop: Shop, chart: str) -> Kept:
    for one in kept_charts(shop.dossiers.archive):
        if one.dossier == chart:
            return one
    raise AbsentError("No such chart is kept; see the list of charts.", at=At(field="chart"))


def _chart(shop: Shop, kept: Kept) -> dict[str, Any]:
    archive = shop.dossiers.archive
    version = version_of_chart(archive, kept.name)
    acts = plain(acts_on(archive, kept.name))
    return {**plain(kept), "version": version, "acts": acts}


def _charts(shop: Shop) -> Response:
    kept = kept_charts(shop.dossiers.archive)
    return JSONResponse({"charts": [plain(one) for one in kept]}, 201)


@router.get("/charts", responses=gives(CHARTS))
def every_chart(request: Request, form: Whole = "printed") -> Response:
    """List the charts that people have worked on: limits frozen, begun again, points left out."""
    kept = tuple(kept_charts(shop_of(request).dossiers.archive))
    if form == "whole":
        return answered(request, kept, form=form)
    return answered(request, {"charts": [plain(one) for one in kept]})


@router.get("/charts/{chart}", responses=gives(CHART, 200, 404))
def one_chart(request: Request, chart: Chart, form: Whole = "printed") -> Response:
    """Show what was done to a chart and stands."""
    shop = shop_of(request)
    kept = _kept(shop, chart)
    values = _chart(shop, kept)
    made = acts_on(shop.dossiers.archive, kept.name) if form == "whole" else values
    return answered(request, made, form=form, version=values["version"])


@router.post(
    "/charts/acts",
    status_code=201,
    openapi_extra=asks(ChartActed),
    responses=gives(CHARTS, 201, 412),
)
def act(request: Request, body: Body, *, since: Since = "", key: Key = "") -> Response:
    """Freeze the limits of a chart, begin new ones, or leave a point out, with the reason."""
    shop = shop_of(request)
    asked: ChartActed = read_request(ChartActed, parsed(body), files_of(request, set()))
    chart = replace(asked.chart, person=filed_by(request, asked.person))

    def file() -> Callable[[], Response]:
        act_on_chart(chart, asked.act, asked.point, asked.reason, since=version_in(since))
        return lambda: _charts(shop)

    return once(request, key, body, file)


@router.post(
    "/charts/{chart}/acts/{entry}/back",
    status_code=201,
    openapi_extra=asks(TakenBack),
    responses=gives(CHARTS, 201, 404, 412),
)
def take_back(
    request: Request,
    chart: Chart,
    entry: Annotated[str, Path(max_length=64, description="`entry` of what was done.")],
    body: Body,
    *,
    since: Since = "",
    key: Key = "",
) -> Response:
    """Take back what was done to a chart, with the reason."""
    shop = shop_of(request)
    archive = shop.dossiers.archive
    asked: TakenBack = read_request(TakenBack, parsed(body), files_of(request, set()))

    def file() -> Callable[[], Response]:
        kept = _kept(shop, chart)
        if entry not in {one.entry for one in acts_on(archive, kept.name)}:
            raise AbsentError("Nothing like that stands on this chart.", at=At(field="entry"))
        who = filed_by(request, asked.person)
        reason = {"reason": asked.reason.strip()}
        act_on(archive, kept.name, reason, person=who, takes_back=entry, since=version_in(since))
        return lambda: _charts(shop)

    return once(request, key, body, file)


# ---- the report of a day -------------------------------------------------------------------------


@router.get("/reports/{day}", responses=gives(REPORT))
def report(request: Request, day: Day, unit: Unit = None, *, form: Whole = "printed") -> Response:
    """Report a day: what came through, what signals, what is capable, which gauges are due."""
    made = daily_report(shop_of(request).dossiers, ReportRequest(day))
    if form == "whole":
        return answered(request, made, form=form)
    return answered(request, with_words(made.values(), unit or "mm"))


@router.get("/reports/{day}/report.{kind}", responses=gives_file(200))
def report_on_paper(
    request: Request, day: Day, kind: Literal["pdf", "html"], unit: Unit = None
) -> Response:
    """Return the report of a day as a paper."""
    made = daily_report(shop_of(request).dossiers, ReportRequest(day))
    return document(made.page(kind, unit=unit or "mm"), kind, f"report-{made.day}")
