"""`evenfall plan`: what to adjust, cut or replace."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from evenfall.cli.door import (
    WORDS,
    Number,
    derived_name,
    json_option,
    output_option,
    path_argument,
    pictures_option,
    sheet_options,
    show_findings,
    show_json,
    show_written,
    unit_option,
)
from evenfall.cli.neck_options import neck_options, source_of
from evenfall.cli.waiting import Waiting

if TYPE_CHECKING:
    from pathlib import Path

    from evenfall.workshop import NeckReadings


@click.command(name="plan")
@path_argument("measurement", help="Measurement file, or a hand sheet with --spec.")
@sheet_options
@click.option("--method", default=None, help="Method (default: the recommended one).")
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
    help="Total metal that may come off [mm]; the design attack is then the largest possible.",
)
@click.option(
    "--keep",
    multiple=True,
    metavar="WHAT",
    help="Leave relief, saddle or nut as it is; repeatable.",
)
@click.option("--compare", is_flag=True, help="Try every method and show them side by side.")
@neck_options
@click.option(
    "--verify-by-motion",
    is_flag=True,
    help="Play the result, and show where its touch force was optimistic or conservative.",
)
@output_option("input")
@pictures_option
@json_option
@unit_option
def command(
    *,
    measurement: Path,
    spec: Path | None,
    serial: str,
    neck: NeckReadings,
    output: Path | None,
    pictures: Path | None,
    as_json: bool,
    unit: str | None,
    **how: Any,
) -> None:
    """Find the plan that removes the least metal, and prove it.

    The methods are: adjust, spot, profile, beam, partial-refret, refret.
    """
    from pathlib import Path

    from evenfall import workshop
    from evenfall.cli.reports import Lengths, show_plan
    from evenfall.files import keep_apart, write_together
    from evenfall.workshop.outputs import json_file, pictures_of

    path = None if as_json and output is None else output or derived_name(measurement, "plan")
    read = [measurement, spec, *(Path(one.name) for one in neck.sources)]
    keep_apart([path], read, folders=[pictures])
    request = workshop.PlanRequest(source_of(measurement), source_of(spec), serial, neck, **how)
    with Waiting() as waiting:
        outcome = workshop.plan(request, waiting)
        lengths = Lengths.asked(unit, outcome.specification.unit)
        files = pictures_of(outcome, pictures, lengths.unit, waiting)
        if path is not None:
            files[path] = json_file(outcome.plan.as_dict())
        write_together(files, folders=[pictures])
    if as_json:
        show_json(outcome.as_dict(lengths.unit, WORDS))
        return
    show_findings((f for f in outcome.findings_of_readings if f.severity != "note"), lengths.unit)
    show_plan(outcome.plan, outcome.specification, lengths)
    show_findings(outcome.findings_ahead, lengths.unit)
    show_written(files)
