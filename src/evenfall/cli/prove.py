"""`evenfall prove`: the verdict after the work."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from evenfall.cli.door import (
    WORDS,
    Number,
    derived_name,
    json_option,
    output_option,
    path_argument,
    path_option,
    pictures_option,
    show_findings,
    show_json,
    show_written,
    unit_option,
)
from evenfall.cli.neck_options import source_of
from evenfall.cli.sheet import page_kind
from evenfall.cli.waiting import Waiting
from evenfall.units import LengthUnit


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
@click.option("--steps", is_flag=True, help="List each step of the uncertainty budgets.")
@output_option("readings")
@path_option(
    "--certificate",
    help="PDF or HTML file for the certificate (default: a PDF named after the readings).",
)
@click.option(
    "--date", "dated", default=None, metavar="YYYY-MM-DD", help="Date to print (default: today)."
)
@pictures_option
@json_option
@unit_option
def command(
    *,
    plan: Path,
    measurement: Path,
    attack_n: float | None,
    steps: bool,
    output: Path | None,
    certificate: Path | None,
    dated: str | None,
    pictures: Path | None,
    as_json: bool,
    unit: LengthUnit | None,
) -> int:
    """Judge the readings MEASUREMENT, taken after the work, against PLAN and its specification.

    Exit status 1 if the verdict is not "conforms".
    """
    from evenfall import workshop
    from evenfall.cli.reports import Lengths, show_proof
    from evenfall.files import keep_apart, write_together
    from evenfall.workshop.outputs import json_file, pictures_of

    page, record = certificate, output
    if not as_json:
        page = certificate or derived_name(measurement, "certificate").with_suffix(".pdf")
        record = output or derived_name(measurement, "proof")
    kind = "" if page is None else page_kind(page, "The certificate")
    day = _date(dated)
    keep_apart([page, record], [plan, measurement], folders=[pictures])
    with Waiting() as waiting:
        request = workshop.ProveRequest(source_of(plan), source_of(measurement), attack_n)
        outcome = workshop.prove(request, waiting)
        lengths = Lengths.asked(unit, outcome.specification.unit)
        files: dict[Path, bytes] = {}
        if page is not None:
            files[page] = outcome.certificate(kind, date=day, unit=unit, progress=waiting)
        if record is not None:
            files[record] = json_file(outcome.proof.as_dict())
        files |= pictures_of(outcome, pictures, lengths.unit, waiting)
        write_together(files, folders=[pictures])
    if as_json:
        show_json(outcome.as_dict(lengths.unit, WORDS))
    else:
        show_proof(outcome.proof, lengths, steps=steps)
        show_findings(outcome.findings, lengths.unit)
        show_written(files)
    return 0 if outcome.conforms else 1


def _date(given: str | None) -> str:
    if given is None:
        return date.today().isoformat()
    try:
        return date.fromisoformat(given).isoformat()
    except ValueError:
        raise click.UsageError("--date must be a date such as 2026-03-31.") from None
