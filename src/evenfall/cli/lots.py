"""`evenfall quality lot`, `lot-measured` and `lot-plan`: lots of a partner are judged."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from evenfall.cli.door import Number, json_option, path_option, show_in_order, show_json
from evenfall.cli.neck_options import source_of
from evenfall.cli.readings_options import Asked, level_option, readings_options
from evenfall.cli.results import Result, result_options

if TYPE_CHECKING:
    from pathlib import Path

    from evenfall.cli.reports import Lengths
    from evenfall.workshop.lots import LotOutcome
    from evenfall.workshop.measured_lots import MeasuredLotOutcome

_aql_option = click.option(
    "--aql",
    "aql_percent",
    type=Number(),
    default=1.0,
    help="Acceptance quality limit that was agreed [% nonconforming].",
)
_level_option = click.option(
    "--level",
    type=click.Choice(["I", "II", "III", "S-1", "S-2", "S-3", "S-4"]),
    default="II",
    help="Inspection level.",
)


@click.command()
@click.option("--pieces", type=click.IntRange(2), required=True, help="Pieces in the lot.")
@_aql_option
@_level_option
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

    made = result.of(workshop.lot, request, _show, files=files)
    return 1 if made.decision == "not accepted" else 0


def _show(made: LotOutcome | MeasuredLotOutcome, lengths: Lengths) -> None:
    show_in_order(made.findings, lengths.unit)


@click.command(name="lot-plan")
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


@click.command(name="lot-measured")
@readings_options
@click.option(
    "--pieces", type=click.IntRange(3), default=None, help="Pieces in the lot (default: the read)."
)
@level_option("--lower", "lower_level", help="Lower limit [mm, or the unit of the readings].")
@level_option("--upper", "upper_level", help="Upper limit [mm, or the unit of the readings].")
@_aql_option
@_level_option
@click.option("--tightened", is_flag=True, help="Judge by the next smaller limit.")
@level_option(
    "--sigma",
    "sigma_level",
    low_level=0.0,
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
    made = result.of(workshop.measured_lot, request, _show)
    return 1 if made.made.decision == "not accepted" else 0
