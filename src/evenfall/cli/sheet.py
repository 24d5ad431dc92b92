"""`evenfall sheet`: the bench sheet."""

from __future__ import annotations

from pathlib import Path

import click

from evenfall.cli.desk import Desk, archive_option, tell
from evenfall.cli.door import (
    WORDS,
    json_option,
    path_argument,
    path_option,
    show_json,
    show_written,
    unit_option,
)
from evenfall.cli.waiting import Waiting


@click.command(name="sheet")
@path_argument("plan", help="Plan file.")
@path_option(
    "-o",
    "--output",
    help="PDF or HTML file to write (default: both, named after the plan, in this folder).",
)
@click.option(
    "--paper",
    type=click.Choice(["a4", "us-letter"]),
    default=None,
    help="Paper size of the PDF (default: A4 for mm, US letter for in).",
)
@archive_option
@json_option
@unit_option
def command(
    *,
    plan: Path,
    output: Path | None,
    paper: str | None,
    desk: Desk,
    as_json: bool,
    unit: str | None,
) -> None:
    """Write the bench sheet of PLAN, to print and follow."""
    from evenfall import workshop
    from evenfall.files import keep_apart, write_together
    from evenfall.wording import say

    stem = plan.name.removesuffix(".json").removesuffix(".plan")
    targets = {kind: Path(f"{stem}.sheet.{kind}") for kind in ("pdf", "html")}
    if output is not None:
        targets = {page_kind(output, "The output"): output}
    keep_apart(targets.values(), [plan])
    given = desk.source(plan, "plan", ahead=True)
    request = workshop.SheetRequest(given, tuple(targets), unit, paper)  # type: ignore[arg-type]  # click has checked both
    with Waiting() as waiting:
        outcome = workshop.sheet(request, waiting)
        pages = [workshop.Source(str(p), outcome.pages[k]) for k, p in targets.items()]
        filed = desk.file(given=plan, files=[request.plan, *pages])
        write_together({path: outcome.pages[kind] for kind, path in targets.items()})
    if as_json:
        show_json({"files": [str(path) for path in targets.values()], **outcome.as_dict(WORDS)})
        tell(filed, as_json=as_json)
        return
    click.echo(say(outcome.sheet.banner.headline, outcome.unit, WORDS))
    for note in outcome.sheet.notes:
        if note.waits:
            told = " ".join(say(one, outcome.unit, WORDS) for one in note.sentences)
            click.echo(f" ! {note.topic}. {told}")
    click.echo(f"Plan code {outcome.sheet.code}")
    show_written(targets.values())
    tell(filed, as_json=as_json)


def page_kind(path: Path, what: str) -> str:
    """Return whether a page is to be "pdf" or "html", by the end of its name."""
    kind = {".pdf": "pdf", ".html": "html", ".htm": "html"}.get(path.suffix.lower())
    if kind is None:
        raise click.UsageError(f"{what} must end in .pdf or .html.")
    return kind
