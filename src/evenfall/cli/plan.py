"""`evenfall plan`: what to adjust, cut or replace."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from evenfall.cli.door import (
    Number,
    derived_name,
    output_option,
    path_argument,
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
    help="Play the result, and show where its buzz force was optimistic or conservative.",
)
@output_option("input")
@result_options
def command(
    *,
    measurement: Path,
    spec: Path | None,
    serial: str,
    neck: NeckReadings,
    output: Path | None,
    result: Result,
    **how: Any,
) -> None:
    """Find the plan that removes the least metal, and prove it.

    The methods are: adjust, spot, profile, beam, partial-refret, refret.
    """
    from pathlib import Path

    from evenfall import workshop
    from evenfall.cli.reports import show_plan
    from evenfall.workshop.outputs import json_file

    path = output or (None if result.as_json else derived_name(measurement, "plan"))
    read = [measurement, spec, *(Path(one.name) for one in neck.sources)]
    request = workshop.PlanRequest(source_of(measurement), source_of(spec), serial, neck, **how)
    result.of(
        workshop.plan,
        request,
        show_plan,
        files=lambda made, _told: {} if path is None else {path: json_file(made.plan.as_dict())},
        outputs=[path],
        inputs=read,
    )
