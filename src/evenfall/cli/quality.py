"""`evenfall quality`: what many instruments together say."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

import click

from evenfall.cli.desk import address_option, on_option, opened
from evenfall.cli.door import (
    WORDS,
    Commands,
    Number,
    json_option,
    path_argument,
    path_option,
    show_findings,
    show_in_order,
    unit_option,
)
from evenfall.cli.lots import lot, lot_measured, lot_plan
from evenfall.cli.neck_options import source_of
from evenfall.cli.readings_options import (
    Asked,
    Pair,
    level_option,
    pairs,
    quantity_option,
    readings_options,
)
from evenfall.cli.results import Result, result_options
from evenfall.units import LengthUnit

if TYPE_CHECKING:
    from pathlib import Path

    from evenfall.cli.reports import Lengths
    from evenfall.workshop.daily_report import DailyReport
    from evenfall.workshop.factors import CausesOutcome
    from evenfall.workshop.gauge_studies import GaugeOutcome
    from evenfall.workshop.quality import CapabilityOutcome, ChartOutcome

_KINDS = ("xbar-r", "xbar-s", "median", "individuals", "ewma", "cusum", "p", "np", "c", "u")
_RULES = (
    *("outside-limits", "2-of-3-beyond-2-sigma", "4-of-5-beyond-1-sigma", "8-on-one-side"),
    *("9-on-one-side", "6-rising-or-falling", "14-up-and-down", "15-within-1-sigma"),
    "8-beyond-1-sigma",
)


@click.group(name="quality", cls=Commands)
def command() -> None:
    """Judge a production by many instruments: charts, capability, causes, gauges, lots.

    The readings are a sheet with a row for each, CSV or XLSX: a column value, and where they help
    quantity, unit, time, serial and size (how much was looked at, for counts). Every other column
    is a factor, such as model, station, shift, batch or person.
    """


for _lots in (lot, lot_measured, lot_plan):
    command.add_command(_lots)


@command.command()
@readings_options
@click.option(
    "--kind",
    type=click.Choice(_KINDS),
    default=None,
    help="Kind of chart (default: individuals, or of subgroups xbar-r or, over ten readings, "
    "xbar-s). p, np, c and u are for counts.",
)
@click.option(
    "--rule",
    "rules",
    multiple=True,
    type=click.Choice(_RULES),
    help="Rule to apply; repeatable (default: outside-limits and 9-on-one-side).",
)
@pairs(
    "--freeze",
    shape="POINT=REASON",
    help="Draw the limits from the points up to this one, and keep them; by number or name.",
)
@pairs("--phase", shape="POINT=REASON", help="Begin new limits at this point; repeatable.")
@pairs(
    "--exclude",
    shape="POINT=REASON",
    help="Leave this point out of limits and rules; repeatable.",
)
@click.option("--by", "person", default="", metavar="NAME", help="Person who gives the reasons.")
@level_option(
    "--centre",
    "--target",
    "centre_level",
    help="Centre that is known or wanted [mm, or the unit of the readings].",
)
@level_option(
    "--sigma",
    "sigma_level",
    low_level=0.0,
    help="Standard deviation of a reading, where it is known [mm, or the unit of the readings].",
)
@click.option(
    "--weight", "weight", type=Number(0.0, 1.0), default=0.2, help="ewma: weight of a new point."
)
@click.option(
    "--reach",
    "reach_ratio",
    type=Number(),
    default=None,
    help="ewma and cusum: limit in standard deviations (default: 2.962 and 5).",
)
@click.option(
    "--shift",
    "shift_ratio",
    type=Number(),
    default=1.0,
    help="cusum: change of the mean to find, in standard deviations.",
)
@result_options
def chart(
    *,
    asked: Asked,
    kind: str | None,
    rules: tuple[str, ...],
    freeze: Sequence[tuple[str, str]],
    phase: Sequence[tuple[str, str]],
    exclude: Sequence[tuple[str, str]],
    person: str,
    centre_level: float,
    sigma_level: float,
    weight: float,
    reach_ratio: float | None,
    shift_ratio: float,
    result: Result,
) -> int:
    """Find out whether a process is stable, by a control chart of READINGS.

    The verdict comes first, then what signals, the limits, and how often a stable process would be
    stopped for nothing. Exit status 1 if a point signals.
    """
    from evenfall import workshop
    from evenfall.production.chart_kinds import Known, Memory

    usual = Memory()
    memory = Memory(
        weight=weight,
        weighted_limit_ratio=usual.weighted_limit_ratio if reach_ratio is None else reach_ratio,
        reference_ratio=0.5 * shift_ratio,
        sum_limit_ratio=usual.sum_limit_ratio if reach_ratio is None else reach_ratio,
    )
    request = workshop.ChartRequest(
        *asked,
        kind=kind or "",
        rules=rules,
        frozen=dict(freeze),
        phases=dict(phase),
        excluded=dict(exclude),
        person=person,
        known=Known(centre_level, sigma_level),
        memory=memory,
    )
    made = result.of(workshop.chart, request, _show_chart)
    return 0 if made.chart.stable else 1


def _show_chart(made: ChartOutcome, lengths: Lengths) -> None:
    from evenfall.cli.tables import table
    from evenfall.production.series import amount

    chart = made.chart
    about = f", {made.about}" if made.about else ""
    click.echo(f"{chart.quantity}{about}: {chart.kind}, {chart.point_count} points")
    show_findings(made.findings, lengths.unit)
    hit = chart.hit
    rows = []
    for point in hit[-20:]:
        rules = [s.rule for s in chart.signals if point in s.points]
        figures = [
            lengths.say(amount(float(panel.values[point - 1]), panel.unit))
            for panel in chart.panels
        ]
        rows.append([str(point), chart.label(point), *figures, ", ".join(dict.fromkeys(rules))])
    if rows:
        headings = ["point", "name", *(panel.name for panel in chart.panels), "what"]
        table("Points that signal" + (", the last 20" if len(hit) > 20 else ""), headings, rows)


_FAMILIES = ("normal", "lognormal", "weibull", "gamma", "half-normal")


@command.command()
@readings_options
@level_option("--lower", "lower_level", help="Lower limit [mm, or the unit of the readings].")
@level_option("--upper", "upper_level", help="Upper limit [mm, or the unit of the readings].")
@level_option(
    "--bound",
    "bound_level",
    help="Value that no reading can fall below, such as 0 for a runout, in place of a lower limit.",
)
@click.option(
    "--fit",
    "family",
    type=click.Choice(_FAMILIES),
    default=None,
    help="Distribution to judge by (default: normal where that fits, else what fits best).",
)
@click.option(
    "--required",
    "required_index",
    type=Number(),
    default=1.33,
    help="Index that has to be reached.",
)
@level_option(
    "--uncertainty",
    "uncertainty_level",
    low_level=0.0,
    help="Standard uncertainty of one reading [mm, or the unit of the readings].",
)
@result_options
def capability(
    *,
    asked: Asked,
    lower_level: float,
    upper_level: float,
    bound_level: float,
    family: str | None,
    required_index: float,
    uncertainty_level: float,
    result: Result,
) -> int:
    """Find out whether READINGS keep within their limits, and how surely.

    Stability comes first, then the verdict by the lower confidence limit of the index. Exit status
    1 unless the process is stable and capable.
    """
    from evenfall import workshop
    from evenfall.production import Tolerance

    request = workshop.CapabilityRequest(
        *asked,
        tolerance=Tolerance(lower_level, upper_level, bound_level),
        family=family or "",
        required_index=required_index,
        uncertainty_level=uncertainty_level,
    )
    made = result.of(workshop.capability, request, _show_capability)
    return 0 if made.made.verdict == "capable" else 1


def _show_capability(made: CapabilityOutcome, lengths: Lengths) -> None:
    about = f", {made.about}" if made.about else ""
    click.echo(f"{made.made.quantity}{about}: {len(made.made.values)} readings")
    show_in_order(made.findings, lengths.unit)  # stability first


@command.command()
@readings_options
@click.option(
    "--factor",
    "factors",
    multiple=True,
    metavar="COLUMN",
    help="Factor to examine; repeatable (default: every column that does not name single "
    "readings).",
)
@click.option(
    "--random",
    multiple=True,
    metavar="COLUMN",
    help="Factor whose values are drawn from many of their kind, such as batches of wire; "
    "repeatable (default: those of more than ten values, and those within another factor).",
)
@click.option(
    "--names",
    "levels",
    multiple=True,
    metavar="COLUMN",
    help="Column of numbers that are names, such as stations 1 to 20; repeatable.",
)
@result_options
def causes(
    *,
    asked: Asked,
    factors: tuple[str, ...],
    random: tuple[str, ...],
    levels: tuple[str, ...],
    result: Result,
) -> int:
    """Find out which recorded factors move READINGS, by how much, and how surely.

    One model of all factors together, so that each is judged with the others the same. Factors
    that always go together are named. Exit status 1 if a factor moves the quantity.
    """
    from evenfall import workshop

    request = workshop.CausesRequest(*asked, factors=factors, random=random, levels=levels)
    made = result.of(workshop.causes, request, _show_causes)
    return 1 if made.made.moving else 0


def _show_causes(made: CausesOutcome, lengths: Lengths) -> None:
    from evenfall.cli.tables import table
    from evenfall.production.causes import effect_amount

    about = f", {made.about}" if made.about else ""
    click.echo(f"{made.made.quantity}{about}: {made.made.count} readings")
    show_in_order(made.findings, lengths.unit)
    unit = made.made.unit
    kinds = {"levels": "difference", "number": "change", "random": "standard deviation"}
    rows = [
        [
            one.factor,
            f"{100.0 * one.variance_share:.1f} %",
            f"{kinds[one.kind]} {lengths.say(effect_amount(abs(one.effect_level), unit))}",
            f"{one.f_ratio:.3g} ({one.degrees_of_freedom[0]}, {one.degrees_of_freedom[1]})",
            f"{one.adjusted_chance:.2g}",
            one.against or "readings",
        ]
        for one in made.made.effects
    ]
    headings = ["factor", "of the variance", "effect", "F", "adjusted p", "against"]
    table("Factors", headings, rows)


_METHODS = ("crossed", "nested", "range", "bias", "linearity", "agreement")


class _Width(Pair):
    """An option of the form NAME=WIDTH."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return name and width; see `click.ParamType.convert`."""
        if not isinstance(value, str):
            return value
        name, width = super().convert(value, param, ctx)
        from evenfall.production.gauge import Width

        return Width(name, Number().convert(width, param, ctx))


@command.command()
@path_argument("readings", help="Sheet with a row for each reading, CSV or XLSX.")
@quantity_option
@pairs(
    "--only",
    shape="FACTOR=VALUE",
    help="Take only the readings of this gauge or the like; repeatable.",
)
@click.option(
    "--method",
    type=click.Choice(_METHODS),
    default="crossed",
    help="How the study is worked out: crossed (every person reads every part), nested (each has "
    "parts of their own), range (by mean ranges), bias and linearity (against the column "
    "reference), agreement (sorting; values are kinds such as 1 and 0).",
)
@click.option("--part", default="part", metavar="COLUMN", help="Column that names the part.")
@click.option(
    "--person", default="person", metavar="COLUMN", help="Column that names the person who read."
)
@click.option(
    "--reference", default="reference", metavar="COLUMN", help="Column of the known values."
)
@path_option("--spec", help="Specification whose limits the gauge is to judge.")
@click.option(
    "--width",
    "widths",
    multiple=True,
    type=_Width("NAME=WIDTH"),
    metavar="NAME=WIDTH",
    help="Limits that the gauge is to judge, with their width [mm, or the unit of the readings]; "
    "repeatable.",
)
@click.option(
    "--file-as",
    "gauge_name",
    default="",
    metavar="GAUGE",
    help="File the study in the dossier of this gauge, where measure --gauge finds it.",
)
@address_option("Archive that the study is filed into with --file-as")
@click.option("--by", "filed_by", default="", metavar="NAME", help="Person who files it.")
@on_option
@result_options
def gauge(
    *,
    readings: Path,
    quantity: str,
    only: Sequence[tuple[str, str]],
    spec: Path | None,
    gauge_name: str,
    address: str,
    filed_by: str,
    done: str,
    result: Result,
    **how: Any,
) -> int:
    """Find out how much of the spread of READINGS is the gauge's, and which limits it can judge.

    Exit status 1 if something about the gauge is left to settle.
    """
    from evenfall import workshop

    request = workshop.GaugeRequest(
        source_of(readings),
        quantity,
        dict(only),
        specification=source_of(spec),
        **how,
    )

    def filed(made: GaugeOutcome, _written: object) -> str:
        if not gauge_name:
            return ""
        from evenfall.workshop.gauge_studies import file_study

        with workshop.archive(address, make=True) as dossiers:
            source = source_of(readings)
            return file_study(dossiers, gauge_name, made, source, person=filed_by, done=done)

    if gauge_name and not address:
        raise click.UsageError("Name the archive with --archive, to file the study into it.")
    made = result.of(workshop.study_gauge, request, _show_gauge, filed=filed)
    return 1 if made.to_settle else 0


def _show_gauge(made: GaugeOutcome, lengths: Lengths) -> None:
    from evenfall.cli.tables import table
    from evenfall.production.gauge import GaugeStudy
    from evenfall.production.series import amount

    show_in_order(made.findings, lengths.unit)
    study = made.made
    if not isinstance(study, GaugeStudy):
        return

    def shown(value: float) -> str:
        return lengths.say(amount(value, study.unit)) if math.isfinite(value) else "–"

    rows = [
        [
            one.name,
            shown(one.sigma_level),
            f"{shown(one.low_level)} to {shown(one.high_level)}"
            if math.isfinite(one.low_level)
            else "–",
            f"{100.0 * one.variance_share:.1f} %",
        ]
        for one in study.components
    ]
    table("Components", ["name", "standard deviation", "90 % confidence", "of the variance"], rows)


@command.command(name="gauge-sheet")
@path_option("-o", "--output", required=True, help="CSV file to write.")
@click.option("--part", "parts", multiple=True, required=True, help="Name of a part; repeatable.")
@click.option(
    "--person",
    "persons",
    multiple=True,
    required=True,
    help="A person who reads; repeatable.",
)
@click.option(
    "--trials", type=click.IntRange(2, 20), default=3, help="How often each person reads each part."
)
@click.option("--quantity", default="", help="What is read.")
@click.option("--in-unit", "unit", default="mm", help="Unit of the readings.")
@click.option("--seed", type=int, default=0, help="Another number gives another order.")
def gauge_sheet(
    *,
    output: Path,
    parts: tuple[str, ...],
    persons: tuple[str, ...],
    trials: int,
    quantity: str,
    unit: str,
    seed: int,
) -> None:
    """Write the sheet of a gauge study, in random order, to be read from top to bottom."""
    from evenfall import workshop
    from evenfall.files import write_together

    request = workshop.StudySheetRequest(parts, persons, trials, quantity, unit, seed)
    write_together({output: workshop.study_sheet(request).encode()})
    click.echo(f"Wrote {output}")


@command.command()
@address_option("Archive whose day is reported")
@click.option("--day", required=True, metavar="DAY", help="The day, such as 2026-03-31.")
@path_option(
    "--record",
    "records",
    multiple=True,
    help="Record of lots whose decisions are listed; repeatable.",
)
@path_option("-o", "--output", help="File to write: .pdf or .html.")
@json_option
@unit_option
def report(
    *,
    address: str,
    day: str,
    records: tuple[Path, ...],
    output: Path | None,
    as_json: bool,
    unit: LengthUnit | None,
) -> int:
    """Report a day: what came through, what signals, what is capable, which gauges are due.

    Exit status 1 if there is something to act on.
    """
    from evenfall.workshop.daily_report import ReportRequest, daily_report

    if output is not None and output.suffix not in (".pdf", ".html"):
        raise click.UsageError("--output ends in .pdf or .html.")
    request = ReportRequest(day, tuple(source_of(path) for path in records))

    def files(made: DailyReport, _progress: object) -> dict[Path, bytes]:
        if output is None:
            return {}
        return {output: made.page(output.suffix[1:], unit=unit or "mm", door=WORDS)}

    with opened(address) as dossiers:
        made = Result(None, as_json, unit).of(
            partial(daily_report, dossiers), request, _show_report, files=files, outputs=[output]
        )
    return 1 if made.alarms else 0


def _show_report(made: DailyReport, lengths: Lengths) -> None:
    click.echo(f"{made.day}: {lengths.say(made.headline)}")
    for part in made.parts:
        click.echo(f"\n{part.title}")
        for line in part.lines:
            click.echo(f"{'! ' if line.alarm else '  '}{lengths.say(line.said)}")
