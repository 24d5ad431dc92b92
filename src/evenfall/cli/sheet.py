"""`evenfall sheet`: the bench sheet."""

from __future__ import annotations

from pathlib import Path

import click

from evenfall.cli.door import (
    json_option,
    path_argument,
    path_option,
    show_json,
    shown_unit,
    unit_option,
)


@click.command(name="sheet")
@path_argument("plan", help="Plan file.")
@path_option(
    "-o",
    "--output",
    help="PDF or HTML file to write; by default both, named after the plan, in this folder.",
)
@click.option(
    "--paper",
    type=click.Choice(["a4", "us-letter"]),
    default=None,
    help="Paper of the PDF; by default A4 for mm, US letter for in.",
)
@json_option
@unit_option
def command(
    *, plan: Path, output: Path | None, paper: str | None, as_json: bool, unit: str | None
) -> None:
    """Write the bench sheet of PLAN, to print and follow at the bench."""
    from evenfall import workshop
    from evenfall.files import write_atomically

    specification, made = workshop.open_plan(plan)
    if output is not None and output.suffix.lower() not in (".pdf", ".html", ".htm"):
        raise click.UsageError("The output must end in .pdf or .html.")
    pages = workshop.sheet(
        specification,
        made,
        unit=None if unit is None else shown_unit(unit, specification.unit),
        paper=None if paper is None else ("a4" if paper == "a4" else "us-letter"),
    )
    stem = plan.name.removesuffix(".json").removesuffix(".plan")
    if output is not None:
        kind = "pdf" if output.suffix.lower() == ".pdf" else "html"
        targets = {output: pages[kind]}
    else:
        targets = {Path(f"{stem}.sheet.{kind}"): page for kind, page in pages.items()}
    for path, page in targets.items():
        write_atomically(path, page)
    if as_json:
        show_json({"files": [str(p) for p in targets], "code": made.code})
        return
    for path in targets:
        click.echo(f"Wrote {path}")
    click.echo(f"Plan code {made.code}")
