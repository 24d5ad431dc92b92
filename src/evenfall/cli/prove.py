"""`evenfall prove`: the verdict after the work."""

from __future__ import annotations

from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from evenfall.cli.desk import Desk, archive_option
from evenfall.cli.door import (
    Number,
    accept_options,
    derived_name,
    output_option,
    path_argument,
    path_option,
)
from evenfall.cli.neck_options import source_of
from evenfall.cli.results import Result, result_options
from evenfall.cli.sheet import page_kind
from evenfall.errors import Progress

if TYPE_CHECKING:
    from evenfall.workshop.proving import ProveOutcome


@click.command(name="prove")
@path_argument("plan", help="Plan file that the work followed.")
@path_argument("measurement", help="Readings after the work: a hand sheet or a measurement file.")
@click.option(
    "--attack",
    "attack_n",
    type=Number(high=50.0),
    default=None,
    metavar="N",
    help="Attack to judge by [N] (default: the specification's).",
)
@path_option(
    "--worked",
    multiple=True,
    metavar="PLAN",
    help="Plan carried out before PLAN: what it took off does not count as wear; repeatable, "
    "oldest first (default with --archive and a number: those that the dossier reports "
    "as carried out).",
)
@accept_options
@click.option("--steps", is_flag=True, help="List each step of the uncertainty budgets.")
@output_option("readings")
@path_option(
    "--certificate",
    help="PDF or HTML file for the certificate (default: a PDF named after the readings).",
)
@click.option(
    "--date",
    "dated",
    default=None,
    metavar="YYYY-MM-DD",
    help="Date on the certificate (default: today).",
)
@archive_option
@result_options
def command(
    *,
    plan: Path,
    measurement: Path,
    attack_n: float | None,
    worked: tuple[Path, ...],
    accepted: tuple[str, ...],
    accepted_by: str,
    steps: bool,
    output: Path | None,
    certificate: Path | None,
    dated: str | None,
    desk: Desk,
    result: Result,
) -> int:
    """Judge MEASUREMENT, taken after the work, against PLAN and its specification.

    Exit status 1 if the verdict is not "conforms".
    """
    from evenfall import workshop
    from evenfall.cli.reports import show_proof
    from evenfall.workshop.outputs import json_file

    page, record = certificate, output
    if not result.as_json:
        page = certificate or derived_name(measurement, "certificate").with_suffix(".pdf")
        record = output or (None if desk.address else derived_name(measurement, "proof"))
    kind = "" if page is None else page_kind(page, "The certificate")
    day = _date(dated)
    request = workshop.ProveRequest(
        desk.source(plan, "plan"),
        source_of(measurement),
        attack_n,
        accepted,
        accepted_by,
        desk.worked(plan, worked),
    )

    def files(made: ProveOutcome, told: Progress) -> dict[Path, bytes]:
        written: dict[Path, bytes] = {}
        if page is not None:
            unit = result.unit
            written[page] = made.certificate(kind, date=day, unit=unit, progress=told)
        if record is not None:
            written[record] = json_file(made.proof.as_dict())
        return written

    made = result.of(
        workshop.prove,
        request,
        partial(show_proof, steps=steps),
        files=files,
        filed=lambda made, written: desk.file(
            made.after,
            made.proof,
            given=plan,
            files=[
                workshop.Source(str(measurement)),
                *(workshop.Source(str(p), content) for p, content in written.items() if p == page),
            ],
            person=accepted_by,
        ),
        outputs=[page, record],
        inputs=[plan, measurement, *worked],
    )
    return 0 if made.conforms else 1


def _date(given: str | None) -> str:
    if given is None:
        return date.today().isoformat()
    try:
        return date.fromisoformat(given).isoformat()
    except ValueError:
        raise click.UsageError("--date must be a date such as 2026-03-31.") from None
