"""Signals of charts whose limits a person has frozen."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from evenfall.errors import EvenfallError
from evenfall.records.archive import Archive
from evenfall.wording import Sentence, sentence
from evenfall.workshop.archive_readings import Filed
from evenfall.workshop.kept_charts import Kept, kept_charts
from evenfall.workshop.quality import ChartOutcome, ChartRequest, chart

WATCHED = 1000
"""The newest readings of a chart that are looked at."""


@dataclass(frozen=True, slots=True)
class Told:
    """A signal that people are to be told of."""

    chart: str  # name of the chart
    asked: dict[str, object]  # fields of the request for its readings
    point: str  # name of the point
    at: str  # time of its first reading
    rule: str  # one of `evenfall.production.run_rules.RULES`
    dossiers: tuple[str, ...]  # instruments of the point

    @property
    def said(self) -> Sentence:
        """The signal in words."""
        return sentence(
            "{chart}: {point} signals ({rule}). Stop, and look for what changed.",
            chart=self.chart,
            point=self.point,
            rule=self.rule,
        )


def signals_of_frozen(archive: Archive) -> Iterator[Told]:
    """Yield the signals of charts with frozen limits, after the points that those came from."""
    for kept in kept_charts(archive):
        if not kept.since:
            continue
        try:
            made = chart(ChartRequest(Filed(archive, most=WATCHED), **kept.asked))
        except EvenfallError:
            continue  # nothing to chart just now; the page of the chart says why
        yield from _signals(made, kept)


def _signals(made: ChartOutcome, kept: Kept) -> Iterator[Told]:
    starts, times = made.series.starts, made.table.time
    for signal in made.chart.signals:
        for point in signal.points:
            at = times[int(starts[point - 1])]
            if at > kept.since:
                label = made.series.label(point)
                dossiers = made.instruments(point)
                yield Told(kept.name, kept.asked, label, at, signal.rule, dossiers)
