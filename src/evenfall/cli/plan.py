"""`evenfall plan`: what to adjust, cut or replace."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from evenfall.cli.desk import Desk, archive_option
from evenfall.cli.door import (
    Number,
    accept_options,
    derived_name,
    output_option,
    path_argument,
    path_option,
    sheet_options,
)
from evenfall.cli.neck_options import neck_options, source_of
from evenfall.cli.results import Result, result_options

if TYPE_CHECKING:
    from pathlib import Path

    from evenfall.workshop import NeckReadings


@click.command(name="plan")
@path_argument("measurement", help="Measurement file, or a hand sheet with --spec.")
@sheet_options
@click.option(
    "--method",
    default=None,
    metavar="METHOD",
    help="Method to use, from the list above (default: the recommended one).",
)
@click.option(
    "--attack",
    "attack_n",
    type=Number(high=50.0),
    default=None,
    metavar="N",
    help="Design attack on every string [N] (default: the specification's).",
)
@click.option(
    "--budget",
    "budget_mm",
    type=Number(),
    default=None,
    metavar="MM",
    help="Total metal that may come off [mm]; the plan is then for the strongest attack that this "
    "allows.",
)
@click.option(
    "--keep",
    multiple=True,
    metavar="WHAT",
    help="What to leave as it is: relief, saddle or nut; repeatable.",
)
@click.option(
    "--settled",
    is_flag=True,
    help="The readings were taken after rod and saddle were set as an earlier plan says.",
)
@path_option(
    "--worked",
    multiple=True,
    metavar="PLAN",
    help="Plan carried out before these readings: what it took off does not count as wear; "
    "repeatable, oldest first (default with --archive and a number: those that the dossier "
    "reports as carried out).",
)
@path_option(
    "--confirmed-by",
    "second",
    help="A second reading of the instrument, where a plan asks for one.",
)
@path_option(
    "--machine",
    help="Description of the machine that cuts (TOML): its smallest cut and working allowance "
    "count, and the method is profile.",
)
@accept_options
@click.option("--compare", is_flag=True, help="Try every method and show them side by side.")
@neck_options
@click.option(
    "--verify-by-motion",
    is_flag=True,
    help="Check the plan by play test, and show where its buzz force is optimistic or "
    "conservative.",
)
@output_option("input")
@archive_option
@result_options
def command(
    *,
    measurement: Path,
    spec: Path | None,
    serial: str,
    neck: NeckReadings,
    second: Path | None,
    worked: tuple[Path, ...],
    machine: Path | None,
    output: Path | None,
    desk: Desk,
    result: Result,
    **how: Any,
) -> int:
    """Find what to set, and what to cut where setting alone does not help.

    The methods are: adjust, spot (by file), profile (by machine), level, beam, partial-refret,
    refret, least-metal. Exit status 1 if readings have to be taken again, a second reading has to
    confirm the plan, notes would still fail, or attack and targets do not fit each other.
    """
    from pathlib import Path

    from evenfall import workshop
    from evenfall.cli.plan_report import show_plan
    from evenfall.workshop.outputs import json_file

    derived = None if result.as_json or desk.address else derived_name(measurement, "plan")
    path = output or derived
    read = [measurement, spec, second, machine, *worked, *(Path(one.name) for one in neck.sources)]
    request = workshop.PlanRequest(
        desk.source(measurement, "measurement", ahead=True),
        source_of(spec),
        serial,
        neck,
        second=source_of(second),
        worked=desk.worked(measurement, worked),
        machine=source_of(machine),
        **how,
    )
    outcome = result.of(
        workshop.plan,
        request,
        show_plan,
        files=lambda made, _told: {} if path is None else {path: json_file(made.plan.as_dict())},
        filed=lambda made, _written: desk.file(
            made.plan, given=measurement, person=how["accepted_by"]
        ),
        outputs=[path],
        inputs=read,
    )
    return 1 if outcome.waits else 0
