"""`evenfall prove`: the verdict after the work."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from evenfall.cli.door import (
    Number,
    derived_name,
    json_option,
    path_argument,
    path_option,
    show_findings,
    show_json,
    shown_unit,
    unit_option,
)


@click.command(name="prove")
@path_argument("plan", help="Plan file that the work followed.")
@path_argument("measurement", help="Readings after the work: a hand sheet or a measurement file.")
@click.option(
    "--attack",
    "attack_n",
    type=Number(high=50.0),
    default=None,
    metavar="N",
    help="Attack to judge by [N]; by default the specification's.",
)
@click.option("--steps", is_flag=True, help="List each step of the uncertainty budgets.")
@path_option(
    "-o", "--output", help="File to write; by default named after the readings, in this folder."
)
@path_option(
    "--certificate",
    help="PDF or HTML file for the certificate; by default a PDF named after the readings.",
)
@click.option(
    "--date", "dated", default=None, metavar="YYYY-MM-DD", help="Date to print; by default today."
)
@path_option("--pictures", metavar="FOLDER", help="Write the pictures into this folder.")
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
    unit: str | None,
) -> int:
    """Judge the readings MEASUREMENT, taken after the work, against PLAN and its specification.

    Exit status 1 if the verdict is not "conforms".
    """
    from evenfall import workshop
    from evenfall.files import keep_apart, write_atomically

    if certificate is not None and certificate.suffix.lower() not in (".pdf", ".html", ".htm"):
        raise click.UsageError("The certificate must end in .pdf or .html.")
    day = _date(dated)
    page, record = certificate, output
    if not as_json:
        page = certificate or derived_name(measurement, "certificate").with_suffix(".pdf")
        record = output or derived_name(measurement, "proof")
    keep_apart([p for p in (page, record) if p is not None], [plan, measurement])
    specification, made = workshop.open_plan(plan)
    readings, findings = workshop.readings_after(made, measurement)
    proof = workshop.prove(made, specification, readings, attack_n=attack_n)
    shown = shown_unit(unit, specification.unit)
    values = proof.as_dict()
    written: list[Path] = []
    if page is not None:
        pages = workshop.certificate(
            specification, proof, date=day, unit=None if unit is None else shown
        )
        write_atomically(page, pages["pdf" if page.suffix.lower() == ".pdf" else "html"])
        written.append(page)
    if record is not None:
        workshop.write_json(record, values)
        written.append(record)
    if pictures is not None:
        drawings = workshop.proof_pictures(specification, proof, unit=shown)
        written += workshop.write_pictures(drawings, pictures)
    if as_json:
        show_json({**values, "findings_of_readings": [f.as_dict() for f in findings]})
    else:
        from evenfall.cli.reports import show_proof

        show_proof(proof, shown, steps=steps)
        show_findings((*findings, *proof.findings))
        for path in written:
            click.echo(f"Wrote {path}")
    return 0 if proof.verdict == "conforms" else 1


def _date(given: str | None) -> str:
    if given is None:
        return date.today().isoformat()
    try:
        return date.fromisoformat(given).isoformat()
    except ValueError:
        raise click.UsageError("--date must be a date such as 2026-03-31.") from None
