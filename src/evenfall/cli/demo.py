"""`evenfall demo`: the whole job on an invented instrument."""

from __future__ import annotations

from pathlib import Path

import click

from evenfall.cli.door import json_option, path_argument, show_findings, show_json


@click.command(name="demo")
@path_argument(
    "folder",
    default=Path("evenfall-demo"),
    help="Folder to write into; evenfall-demo if left out.",
)
@click.option("--open", "opened", is_flag=True, help="Open the picture of the result.")
@json_option
def command(*, folder: Path, opened: bool, as_json: bool) -> None:
    """Run the whole job on an invented instrument and leave it in FOLDER as a start of your own.

    The workshop, the instrument and every reading are invented.
    """
    from evenfall import workshop

    job = workshop.demo(folder, say=(lambda _line: None) if as_json else click.echo)
    if as_json:
        show_json(
            {
                "folder": str(folder),
                "files": [str(p) for p in job.files],
                "picture": str(job.picture),
                "status": job.plan.status,
                "method": job.plan.method,
                "metal_mm": job.plan.metal_mm,
                "verdict": job.proof.verdict,
            }
        )
    else:
        show_findings(job.findings)
        click.echo(f"Picture: {job.picture}")
        click.echo(f"Everything is in {folder}; copy it and put your own readings in its place.")
    if opened:
        click.launch(str(job.picture))
