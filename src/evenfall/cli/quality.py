"""`evenfall quality`: what many instruments together say."""

from __future__ import annotations

import math
from functools import partial, wraps
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from evenfall.cli.desk import ADDRESS
from evenfall.cli.door import (
    WORDS,
    Commands,
    Number,
    json_option,
    path_argument,
    path_option,
    show_findings,
    show_in_order,
    show_json,
    unit_option,
)
from evenfall.cli.neck_options import source_of
from evenfall.cli.results import Result, result_options

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from evenfall.cli.reports import Lengths
    from evenfall.production.gauge import Width
    from evenfall.units import LengthUnit
    from evenfall.workshop import Source
    from evenfall.workshop.archive_readings import Filed
    from evenfall.workshop.daily_report import DailyReport
    from evenfall.workshop.factors import CausesOutcome
    from evenfall.workshop.gauge_studies import GaugeOutcome
    from evenfall.workshop.lots import LotOutcome
    from evenfall.workshop.measured_lots import MeasuredLotOutcome
    from evenfall.workshop.quality import CapabilityOutcome, ChartOutcome

_KINDS = ("xbar-r", "xbar-s", "median", "individuals", "ewma", "cusum", "p", "np", "c", "u")
_RULES = (
    *("outside-limits", "2-of-3-beyond-2-sigma", "4-of-5-beyond-1-sigma", "8-on-one-side"),
    *("9-on-one-side", "6-rising-or-falling", "14-up-and-down", "15-within-1-sigma"),
    "8-beyond-1-sigma",
)


@click.group(name="quality", cls=Commands)
def command() -> None:
    """Judge what many instruments together say.

    The readings are a sheet with a row for each, CSV or XLSX: a column value, and where they help
    quantity, unit, time, serial and size (how much was looked at, for counts). Every other column
    is a factor, such as model, station, shift, batch or person.
    """


class _Pair(click.ParamType[tuple[str, str]]):
    """An option of the form NAME=WORDS."""

    name = "pair"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, str]:
        """Return name and words; see `click.ParamType.convert`."""
        if isinstance(value, tuple):
            return value
        name, sign, words = str(value).partition("=")
        if not (name.strip() and sign and words.strip()):
            self.fail(f"'{value}' is not of the form {self.shape}.", param, ctx)
        return name.strip(), words.strip()

    def __init__(self, shape: str) -> None:
        self.shape = shape


def _pairs(*names: str, shape: str, help: str) -> Callable[[Any], Any]:  # noqa: A002 (as in click)
    return click.option(*names, multiple=True, type=_Pair(shape), metavar=shape, help=help)


_quantity = click.option(
    "--quantity", default="", help="Which quantity, where the sheet has several."
)


def _level(*names: str, low: float = -math.inf, help: str) -> Callable[[Any], Any]:  # noqa: A002
    """Return an option that is a value in the unit of the readings; NaN where it is not given."""

    def given(_context: click.Context, _option: click.Parameter, value: float | None) -> float:
        return math.nan if value is None else value

    return click.option(*names, type=Number(low), default=None, callback=given, help=help)


class Asked(NamedTuple):
    """Which readings are asked for, as `evenfall.workshop.quality.ReadingsRequest` takes them."""

    source: Source | Filed
    quantity: str
    only: Mapping[str, str]
    subgroup: tuple[str, ...]
    size: int


def readings_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that choose among readings; the command gets them as one `asked`."""

    @wraps(command)
    def gathered(
        *,
        readings: Path | None,
        address: str,
        quantity: str,
        only: Sequence[tuple[str, str]],
        subgroup: tuple[str, ...],
        size: int,
        since: str,
        until: str,
        **rest: Any,
    ) -> Any:
        if readings is None and not address:
            raise click.UsageError("Name a sheet of readings, or an archive with --archive.")
        if readings is not None:
            asked = Asked(source_of(readings), quantity, dict(only), subgroup, size)
            return command(asked=asked, **rest)
        from evenfall import workshop
        from evenfall.workshop.archive_readings import Filed

        with workshop.archive(address) as dossiers:
            filed = Filed(dossiers.archive, since, until)
            return command(asked=Asked(filed, quantity, dict(only), subgroup, size), **rest)

    options = (
        path_argument(
            "readings",
            required=False,
            help="Sheet with a row for each reading, CSV or XLSX; without it, the archive.",
        ),
        click.option(
            "--archive",
            "address",
            envvar=ADDRESS,
            default="",
            metavar="ADDRESS",
            help="Archive whose readings are taken where no sheet is named.",
        ),
        _quantity,
        _pairs(
            "--only",
            shape="FACTOR=VALUE",
            help="Take only the readings of this model, station or the like; repeatable.",
        ),
        click.option(
            "--subgroup",
            multiple=True,
            metavar="FACTOR",
            help="What the readings of a subgroup have in common; repeatable. A new one begins "
            "wherever it changes. day, week and shift follow from the times.",
        ),
        click.option(
            "--size",
            type=click.IntRange(0),
            default=0,
            help="How many readings in a row make a subgroup.",
        ),
        click.option(
            "--since",
            default="",
            metavar="TIME",
            help="Of an archive: readings from this time on, such as 2026-03-01.",
        ),
        click.option(
            "--until",
            default="",
            metavar="TIME",
            help="Of an archive: readings before this time; the newest 20,000 are taken.",
        ),
    )
    decorated: Callable[..., Any] = gathered
    for option in reversed(options):
        decorated = option(decorated)
    return decorated


@command.command()
@readings_options
@click.option(
    "--kind",
    type=click.Choice(_KINDS),
    default=None,
    help="Kind of chart (default: individuals, or of subgroups xbar-r or, over ten readings, "
    "xbar-s). p, np, c and u are of counts.",
)
@click.option(
    "--rule",
    "rules",
    multiple=True,
    type=click.Choice(_RULES),
    help="Rule to ask; repeatable (default: outside-limits and 9-on-one-side).",
)
@_pairs(
    "--freeze",
    shape="POINT=REASON",
    help="Draw the limits from the points up to this one, and keep them; by number or name.",
)
@_pairs("--phase", shape="POINT=REASON", help="Begin new limits at this point; repeatable.")
@_pairs(
    "--exclude",
    shape="POINT=REASON",
    help="Leave this point out of limits and rules; repeatable.",
)
@click.option("--by", "person", default="", metavar="NAME", help="Who notes the reasons.")
@_level(
    "--centre",
    "--target",
    "centre_level",
    help="Centre that is known or wanted [mm, or the unit of the readings].",
)
@_level(
    "--sigma",
    "sigma_level",
    low=0.0,
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
@_level("--lower", "lower_level", help="Lower limit [mm, or the unit of the readings].")
@_level("--upper", "upper_level", help="Upper limit [mm, or the unit of the readings].")
@_level(
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
@_level(
    "--uncertainty",
    "uncertainty_level",
    low=0.0,
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
    help="Factor to ask; repeatable (default: every column that does not name single readings).",
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


class _Width(_Pair):
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
@_quantity
@_pairs(
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
@result_options
def gauge(
    *,
    readings: Path,
    quantity: str,
    only: Sequence[tuple[str, str]],
    method: str,
    part: str,
    person: str,
    reference: str,
    spec: Path | None,
    widths: tuple[Width, ...],
    result: Result,
) -> int:
    """Find out how much of the spread of READINGS the gauge makes, and which limits it can judge.

    Exit status 1 if something about the gauge is left to settle.
    """
    from evenfall import workshop

    request = workshop.GaugeRequest(
        source_of(readings),
        quantity,
        dict(only),
        method=method,  # type: ignore[arg-type]
        part=part,
        person=person,
        reference=reference,
        specification=source_of(spec),
        widths=widths,
    )
    made = result.of(workshop.study_gauge, request, _show_gauge)
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
@click.option("--person", "persons", multiple=True, required=True, help="Who reads; repeatable.")
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
@click.option("--pieces", type=click.IntRange(2), required=True, help="Pieces in the lot.")
@click.option(
    "--aql",
    "aql_percent",
    type=Number(),
    default=1.0,
    help="Acceptance quality limit that was agreed [% nonconforming].",
)
@click.option(
    "--level",
    type=click.Choice(["I", "II", "III", "S-1", "S-2", "S-3", "S-4"]),
    default="II",
    help="Inspection level.",
)
@click.option(
    "--sort",
    type=click.Choice(["single", "double", "multiple"]),
    default="single",
    help="Samples of one lot: one, up to two or up to seven.",
)
@click.option(
    "--found",
    multiple=True,
    type=click.IntRange(0),
    help="Nonconforming pieces in the sample; again for each further stage.",
)
@click.option("--name", default="", help="Name of the lot.")
@path_option(
    "--record",
    help="File that keeps the lots of this supplier and model, and so the state of inspection; "
    "made if it is not there. Its agreement holds.",
)
@click.option("--supplier", default="", help="Whose lots they are, for a new record.")
@click.option("--model", default="", help="Which model they are of, for a new record.")
@result_options
def lot(
    *,
    pieces: int,
    aql_percent: float,
    level: str,
    sort: str,
    found: tuple[int, ...],
    name: str,
    record: Path | None,
    supplier: str,
    model: str,
    result: Result,
) -> int:
    """Tell which sample to take of a lot and, with --found, whether the lot is accepted.

    Normal, tightened and reduced inspection follow each other by the lots in --record. Exit status
    1 if the lot is not accepted, or another stage is needed.
    """
    from evenfall import workshop

    there = record is not None and record.exists()
    request = workshop.LotRequest(
        pieces,
        aql_percent,
        level,
        sort,  # type: ignore[arg-type]
        found,
        name,
        source_of(record) if there else None,
        supplier,
        model,
    )

    def files(made: LotOutcome, _progress: object) -> dict[Path, bytes]:
        kept = record is not None and made.decision is not None
        return {record: made.record.file()} if kept and record is not None else {}

    made = result.of(workshop.lot, request, _show_lot, files=files)
    return 1 if made.decision == "not accepted" else 0


def _show_lot(made: LotOutcome, lengths: Lengths) -> None:
    show_in_order(made.findings, lengths.unit)


@command.command(name="lot-plan")
@click.option("--good", "good_percent", type=Number(), required=True, help="Quality to accept [%].")
@click.option("--bad", "bad_percent", type=Number(), required=True, help="Quality to refuse [%].")
@click.option(
    "--good-accepted",
    "producer_probability",
    type=Number(0.0, 1.0),
    default=0.95,
    help="How often at least lots of the good quality are accepted.",
)
@click.option(
    "--bad-accepted",
    "consumer_probability",
    type=Number(0.0, 1.0),
    default=0.10,
    help="How often at most lots of the bad quality are accepted.",
)
@click.option(
    "--method",
    type=click.Choice(["attributes", "s", "sigma"]),
    default="attributes",
    help="attributes: pieces are sorted; s and sigma: they are measured, and the standard "
    "deviation is that of the sample, or known.",
)
@json_option
def lot_plan(*, method: str, as_json: bool, **risks: Any) -> None:
    """Work out the smallest sampling plan that keeps the risks of producer and consumer."""
    from evenfall import workshop
    from evenfall.codec import plain
    from evenfall.production.sampling import Plan
    from evenfall.workshop.lots import plan_findings

    plan = workshop.plan_for_risks(workshop.RisksRequest(method=method, **risks))
    if as_json:
        show_json({"schema": "evenfall/lot-plan@0", "plan": plain(plan)})
    elif isinstance(plan, Plan):
        show_in_order(plan_findings(plan), "mm")
    else:
        click.echo(
            f"Measure {plan.size_count} pieces. Accept if the mean stays {plan.k_factor:.3f} "
            f"standard deviations inside the limit."
        )


@command.command()
@click.option(
    "--archive",
    "address",
    envvar=ADDRESS,
    required=True,
    metavar="ADDRESS",
    help="The archive whose day is reported.",
)
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
    from evenfall import workshop
    from evenfall.workshop.daily_report import ReportRequest, daily_report

    if output is not None and output.suffix not in (".pdf", ".html"):
        raise click.UsageError("--output ends in .pdf or .html.")
    request = ReportRequest(day, tuple(source_of(path) for path in records))

    def files(made: DailyReport, _progress: object) -> dict[Path, bytes]:
        if output is None:
            return {}
        return {output: made.page(output.suffix[1:], unit=unit or "mm", door=WORDS)}

    with workshop.archive(address) as dossiers:
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


@command.command(name="lot-measured")
@readings_options
@click.option(
    "--pieces", type=click.IntRange(3), default=None, help="Pieces in the lot (default: the read)."
)
@_level("--lower", "lower_level", help="Lower limit [mm, or the unit of the readings].")
@_level("--upper", "upper_level", help="Upper limit [mm, or the unit of the readings].")
@click.option(
    "--aql",
    "aql_percent",
    type=Number(),
    default=1.0,
    help="Acceptance quality limit that was agreed [% nonconforming].",
)
@click.option(
    "--level",
    type=click.Choice(["I", "II", "III", "S-1", "S-2", "S-3", "S-4"]),
    default="II",
    help="Inspection level.",
)
@click.option("--tightened", is_flag=True, help="Judge by the next smaller limit.")
@_level(
    "--sigma",
    "sigma_level",
    low=0.0,
    help="Standard deviation of what is made, where it is known [mm, or the unit of the readings].",
)
@result_options
def lot_measured(*, asked: Asked, pieces: int | None, result: Result, **agreed: Any) -> int:
    """Tell whether a lot is accepted by what was measured of its sample, READINGS.

    The share beyond the limits is estimated from mean and standard deviation, so fewer pieces are
    needed than where they are sorted. Exit status 1 if the lot is not accepted.
    """
    from evenfall import workshop

    request = workshop.MeasuredLotRequest(*asked, pieces=pieces or 0, **agreed)
    made = result.of(workshop.measured_lot, request, _show_measured_lot)
    return 1 if made.made.decision == "not accepted" else 0


def _show_measured_lot(made: MeasuredLotOutcome, lengths: Lengths) -> None:
    show_in_order(made.findings, lengths.unit)
