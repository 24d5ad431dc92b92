"""The report of a day: what came through, what signals, what is capable, which gauges are due.

It is one content, data in words; the page on screen, the page on paper and the command line show
the same.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING, Any, Literal

from evenfall.codec import plain
from evenfall.errors import At, EvenfallError, Finding, Progress, RequestError, silent
from evenfall.instrument import read_specification
from evenfall.pictures.inks import Theme
from evenfall.production import ControlChart
from evenfall.records.figures import Figures, newest_figures, proved_between
from evenfall.sheets.tidy import TidyTable
from evenfall.units import LengthUnit
from evenfall.wording import LIBRARY_WORDS, Sentence, say, sentence
from evenfall.workshop.archive_readings import Filed
from evenfall.workshop.gauges import Gauge, gauges, specified, unfit_said
from evenfall.workshop.kept_charts import chart_name, kept_charts
from evenfall.workshop.kept_lots import all_lots
from evenfall.workshop.lot_reports import decision_findings, next_said
from evenfall.workshop.lots import LotRecord
from evenfall.workshop.opening import Source
from evenfall.workshop.outputs import Shown
from evenfall.workshop.quality import (
    CapabilityRequest,
    ChartRequest,
    capability_of,
    chart,
    tolerance_of,
)
from evenfall.workshop.specifying import models
from evenfall.workshop.story import specification_of

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from evenfall.pages.typesetting import Paper
    from evenfall.workshop.archives import Dossiers

CHARTED = 200
"""Readings of each chart of the report: the newest up to the end of the day."""
_MODELS = 12
_LOTS = 10
_DAY = len("2026-03-01")
_DRAWN = 4
_ACTS = 6
_QUANTITIES = ("relief", "action of string 1", "action of the lowest string")


@dataclass(frozen=True, slots=True)
class ReportRequest:
    """Which day is reported."""

    day: str  # as 2026-03-31, by the clock of this machine
    lots: tuple[Source, ...] = ()  # records of lots, whose newest decisions are listed

    @property
    def hours(self) -> tuple[str, str]:
        """When the day begins and ends, as entries hold a time."""
        try:
            begun = datetime.strptime(self.day, "%Y-%m-%d")
            return _entry_time(begun), _entry_time(begun + timedelta(days=1))
        except (ValueError, OverflowError):
            text = "{given:quoted} is not a day; write it as 2026-03-31."
            raise RequestError(text, at=At(field="day"), given=self.day) from None


def _entry_time(at: datetime) -> str:
    """Return a time by the clock of this machine as entries hold it."""
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the report."""

    said: Sentence
    act: Sentence | None = None  # what somebody has to do, in a few words
    # what it speaks of: the readings of a chart or of a capability, the dossier of a gauge
    asked: dict[str, Any] = field(default_factory=dict)
    leads: Literal["chart", "capability", "gauge"] = "chart"  # which page tells more
    first: bool = False  # whether it comes before all else

    @property
    def alarm(self) -> bool:
        """Whether somebody has to act."""
        return self.act is not None


@dataclass(frozen=True, slots=True)
class Part:
    """What the report says about one thing."""

    title: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class DailyReport(Shown):
    """The report of a day."""

    day: str
    parts: tuple[Part, ...]
    invented: bool  # whether what it is about is an invented example
    charts: Mapping[str, ControlChart] = field(default_factory=dict)  # those that signal, by name

    @property
    def unit(self) -> LengthUnit:
        """The unit of its lengths where nobody asks for another."""
        return "mm"

    @property
    def alarms(self) -> int:
        """How many lines somebody has to act on."""
        return sum(line.alarm for part in self.parts for line in part.lines)

    @property
    def headline(self) -> Sentence:
        """The day in one sentence."""
        lines = [line for part in self.parts for line in part.lines]
        acts = [one.act for one in sorted(lines, key=lambda one: not one.first) if one.act]
        if not acts:
            return sentence("Nothing to act on.")
        shown = acts
        if len(acts) > _ACTS:
            shown = [*acts[: _ACTS - 1], sentence("{more} more", more=len(acts) - _ACTS + 1)]
        text = "{count:count thing} to act on: {acts:list}."
        return sentence(text, count=len(acts), acts=shown)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Nothing beside its lines."""
        return ()

    def values(self) -> dict[str, Any]:
        """Return the report as plain values."""
        return {
            "schema": "evenfall/daily-report@0",
            "day": self.day,
            "headline": plain(self.headline),
            "alarms": self.alarms,
            "parts": [
                {
                    "title": part.title,
                    "lines": [{"said": plain(one.said), "alarm": one.alarm} for one in part.lines],
                }
                for part in self.parts
            ],
        }

    def drawings(self, unit: LengthUnit, theme: Theme) -> dict[str, Callable[[], str]]:
        """Return what draws the charts that signal."""
        from evenfall.pictures.control_chart import control_chart_picture

        return {
            name: partial(
                control_chart_picture,
                made,
                about=name.partition(", ")[2],
                unit=unit,
                theme=theme,
            )
            for name, made in self.charts.items()
        }

    def page(
        self,
        kind: str,
        *,
        unit: LengthUnit = "mm",
        paper: Paper | None = None,
        door: Mapping[str, str] = LIBRARY_WORDS,
    ) -> bytes:
        """Return the report as a page, "pdf" or "html"."""
        from evenfall.pages.daily_report import daily_report_page
        from evenfall.pictures.inks import PAGE, PRINT

        parts = [
            (part.title, [(say(line.said, unit, door), line.alarm) for line in part.lines])
            for part in self.parts
        ]
        headline = say(self.headline, unit, door)
        return daily_report_page(
            day=self.day, headline=headline, parts=parts, unit=unit, invented=self.invented,
            paper=paper,
        ).file(kind, self.pictures(unit, theme=PRINT if kind == "pdf" else PAGE))  # fmt: skip


def daily_report(
    dossiers: Dossiers, request: ReportRequest, progress: Progress = silent
) -> DailyReport:
    """Put together the report of a day."""
    day = _Day(dossiers, request)
    parts = []
    steps: tuple[tuple[str, Callable[[], Iterator[Line]]], ...] = (
        ("What came through", day.came_through),
        ("Is the process in control?", day.signals),
        ("Does it keep within its limits?", day.capable),
        ("Gauges", day.gauges),
        ("Lots", day.lots),
    )
    for number, (title, lines) in enumerate(steps):
        progress(title, number / len(steps))
        parts.append(Part(title, tuple(lines())))
    said = "invented" in str(plain(tuple(parts))).lower()
    return DailyReport(request.day, tuple(parts), day.invented or said, day.charts)


class _Day:
    """One day of an archive."""

    def __init__(self, dossiers: Dossiers, request: ReportRequest) -> None:
        self.dossiers, self.request = dossiers, request
        self.since, self.until = request.hours
        self.charts: dict[str, ControlChart] = {}
        self.tables: dict[str, TidyTable] = {}  # what was charted, by the name of the chart
        with dossiers.archive.reading() as connection:
            self.proved = proved_between(connection, self.since, self.until)
            by_model = Counter(model for model, _ in self.proved)
            self.models = sorted(name for name, _ in by_model.most_common(_MODELS))
            self.read = {model: self._quantities(connection, model) for model in self.models}
        self.of_models = models(dossiers)
        self.specified = {line.name: line.dossier for line in self.of_models}
        names = (*by_model, *self.specified)
        self.invented = any("invented" in name.lower() for name in names)

    def _quantities(self, connection: Connection, model: str) -> list[str]:
        """Return what any proof of a model says of what is charted."""

        def wanted(quantity: str) -> Figures:
            return Figures(quantity, "proof", until=self.until, only={"model": model})

        return [one for one in _QUANTITIES if newest_figures(connection, wanted(one), 1)]

    def came_through(self) -> Iterator[Line]:
        """Yield what was proved, by model."""
        if not self.proved:
            yield Line(sentence("Nothing was proved."))
        by_model: dict[str, Counter[str]] = {}
        for model, status in self.proved:
            by_model.setdefault(model, Counter())[status] += 1
        for model, found in sorted(by_model.items()):
            good = found["conforms"]
            bad = found["does not conform"]
            open_ = found.total() - good - bad
            text = (
                "{model}: {count} proved; {good} {good:plural conforms|conform}, {bad} "
                "{bad:plural does|do} not, {left} undecided."
            )
            said = sentence(text, model=model, count=found.total(), good=good, bad=bad, left=open_)
            act = sentence("keep back what does not conform of {model}", model=model)
            yield Line(said, act if bad else None)

    def signals(self) -> Iterator[Line]:
        """Yield how each chart stands: those a person has worked on, and those of the models."""
        wanted = {kept.name: dict(kept.asked) for kept in kept_charts(self.dossiers.archive)}
        for model in self.models:
            for quantity in self.read[model]:
                asked = _asked(model, quantity)
                request = ChartRequest(self._filed(), **asked)
                wanted.setdefault(chart_name(quantity, "proof", request), asked)
        if not wanted:
            yield Line(sentence("There is no chart yet."))
        for name, asked in wanted.items():
            try:
                made = chart(ChartRequest(self._filed(), **asked))
            except EvenfallError as error:
                yield Line(sentence("{name}: no chart. {why}", name=name, why=error.said))
                continue
            self.tables[name] = made.table
            hit = [
                point
                for point in made.chart.hit
                if made.table.time[int(made.series.starts[point - 1])] >= self.since
            ]
            if not hit:
                text = "{name}: in control."
                if few := made.chart.few_points:
                    text = "{name}: no signal, but limits from {few:count point} tell little."
                yield Line(sentence(text, name=name, few=few), asked=asked)
                continue
            if len(self.charts) < _DRAWN:
                self.charts[name] = made.chart
            labels = [made.series.label(point) or str(point) for point in hit]
            text = (
                "{name}: not in control. {count:count point} of this day "
                "{count:plural signals|signal}: {labels:list}. Stop, and look for what changed. "
                "Each instrument is still judged by its own proof: one that conforms may go out, "
                "unless the cause may lie in its readings."
            )
            said = sentence(text, name=name, count=len(hit), labels=_some(labels))
            yield Line(said, sentence("stop for {name}", name=name), asked)

    def capable(self) -> Iterator[Line]:
        """Yield the capability of each model that has a specification of its name."""
        none = True
        for model in self.models:
            dossier = self.specified.get(model)
            source = specification_of(self.dossiers, dossier) if dossier else None
            if source is None:
                continue
            specification = read_specification(source.text(), source=source.name)[0]
            for quantity in self.read[model]:
                none = False
                tolerance = tolerance_of(specification, quantity)
                line = self._capable(model, quantity, tolerance)
                asked = {**line.asked, "spec": dossier} if line.asked else {}
                yield replace(line, leads="capability", asked=asked)
        if none:
            text = (
                "Not worked out: of no model that came through is the specification filed under "
                "its own name, with readings of what it limits. The proofs above go by the "
                "specification of each instrument."
            )
            yield Line(sentence(text))

    def _capable(self, model: str, quantity: str, tolerance: Any) -> Line:
        name = f"{quantity}, {model}"
        asked = _asked(model, quantity)
        try:
            request = CapabilityRequest(self._filed(), **asked, tolerance=tolerance)
            table = self.tables.get(chart_name(quantity, "proof", request)) or request.read(
                whole=False
            )
            made = capability_of(table, request).made
        except EvenfallError as error:
            return Line(sentence("{name}: no answer. {why}", name=name, why=error.said))
        if not made.stable:
            said = sentence("{name}: no answer while it is not in control.", name=name)
            return Line(said, asked=asked)
        index = made.deciding
        figure = "" if index is None else f" ({index.name} {index.value_index:.2f})"
        words = {
            "capable": "keeps within its limits with room to spare",
            "not capable": "does not keep well enough within its limits",
        }.get(made.verdict, "not sure yet; more readings are needed")
        bad = made.verdict == "not capable"
        text = "{name}: {words}{figure}. {remedy}" if bad else "{name}: {words}{figure}."
        said = sentence(text, name=name, words=words, figure=figure, remedy=made.remedy)
        act = sentence("check each instrument for {name}", name=name) if bad else None
        return Line(said, act, asked)

    def gauges(self) -> Iterator[Line]:
        """Yield the gauges that are due, and those whose check standard reads otherwise."""
        quiet, uncalibrated, caution = True, [], ""
        specified_today = (line for line in self.of_models if line.name in self.read)
        of_models = list(specified(self.dossiers, specified_today))
        for found in gauges(self.dossiers):
            one = replace(found, checks=tuple(c for c in found.checks if c.at < self.until))
            due = one.due(self.request.day)
            name, until = one.line.name, one.valid_until
            if one.caution:
                uncalibrated.append(name)
                caution = one.caution
            if due in ("over", "soon"):
                quiet = False
                text = "{name}: the calibration is due soon (valid until {until})."
                if due == "over":
                    text = (
                        "{name}: the calibration is overdue (valid until {until}). Have it "
                        "calibrated before its readings decide anything more."
                    )
                said = sentence(text, name=name, until=until)
                act = sentence("have {name} calibrated", name=name) if due == "over" else None
                yield Line(said, act, self._gauge(one), "gauge")
            for standard in one.standards:
                made = one.chart(standard)
                if made is not None and made.signals_now:
                    quiet = False
                    text = "{name}: {standard} reads otherwise than before. Look for the cause."
                    said = sentence(text, name=name, standard=standard)
                    act = sentence("find out why {name} reads otherwise", name=name)
                    yield Line(said, act, self._gauge(one), "gauge")
            for unfit in unfit_said(one, of_models):
                text = "{name}: by its study, {unfit}. Read those with another gauge."
                said = sentence(text, name=name, unfit=unfit)
                yield Line(said, None, self._gauge(one), "gauge")
        if quiet and not uncalibrated:
            yield Line(sentence("No gauge is due, and no check standard reads otherwise."))
        if uncalibrated:
            names = _some(uncalibrated)
            text = "Of {names:list} no calibration is filed. {so}"
            act = sentence("have {names:list} calibrated", names=names)
            yield Line(sentence(text, names=names, so=sentence(caution)), act)

    @staticmethod
    def _gauge(one: Gauge) -> dict[str, Any]:
        return {"dossier": one.line.dossier}

    def lots(self) -> Iterator[Line]:
        """Yield the lots of the day and the newest of each record, and how the next is inspected.

        Of the archive, those judged on the day, and whose inspection was stopped by then.
        """
        quiet = not self.request.lots
        for kept in all_lots(self.dossiers.archive):
            until_then = [lot for lot in kept.every if lot.at[:_DAY] <= self.request.day]
            if not until_then:
                continue
            todays = [lot for lot in until_then if lot.at[:_DAY] == self.request.day]
            for today in todays:
                for one in decision_findings(kept, today):
                    said = sentence("{title}: {said}", title=kept.title, said=one.said)
                    act = sentence("sort lot {name} or send it back", name=today.name)
                    yield Line(said, act if today.refused else None)
            then = kept.after(until_then[-1])
            stopped = then.switching.state == "stopped"
            if todays or stopped:
                quiet = False
                said = sentence("{title}: {said}", title=kept.title, said=next_said(then))
                act = sentence("take no more lots of {title}", title=kept.title)
                yield Line(said, act if stopped else None, first=stopped)
        if quiet:
            yield Line(sentence("No lot was judged on this day."))
        for source in self.request.lots:
            record = LotRecord.read(source)
            for lot in record.lots[-_LOTS:]:
                said = sentence(
                    "{supplier}, {model}: lot {name} of {pieces:count piece} {decision}.",
                    supplier=record.supplier,
                    model=record.model,
                    name=lot.name or "–",
                    pieces=lot.pieces,
                    decision=lot.decision,
                )
                refused = lot.decision == "not accepted" and lot is record.lots[-1]
                act = sentence("sort lot {name} or send it back", name=lot.name or "–")
                yield Line(said, act if refused else None)
            said = sentence(
                "{supplier}, {model}: the next lot is on {state} inspection.",
                supplier=record.supplier,
                model=record.model,
                state=record.switching.state,
            )
            stopped = record.switching.state == "stopped"
            act = sentence("take no more lots of {supplier}", supplier=record.supplier)
            yield Line(said, act if stopped else None, first=stopped)

    def _filed(self) -> Filed:
        return Filed(self.dossiers.archive, until=self.until, most=CHARTED)


def _asked(model: str, quantity: str) -> dict[str, Any]:
    """Return the fields of a request for the proofs of a model."""
    return {"quantity": quantity, "only": {"model": model, "document": "proof"}}


def _some(labels: list[str]) -> tuple[str, ...]:
    """Return names for a list, of more than six the first five and how many more."""
    return (*labels[:5], f"{len(labels) - 5} more") if len(labels) > 6 else tuple(labels)
