"""`evenfall demo`: the whole job on an invented instrument."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from evenfall.cli.door import WORDS, json_option, path_argument, show_findings, show_json
from evenfall.cli.waiting import Waiting


@click.command(name="demo")
@path_argument(
    "folder",
    default=Path("evenfall-demo"),
    help="Folder to write into (default: evenfall-demo).",
)
@click.option("--open", "opened", is_flag=True, help="Open the picture of the result.")
@json_option
def command(*, folder: Path, opened: bool, as_json: bool) -> None:
    """Run a whole job on an invented instrument and write its files into FOLDER.

    The workshop, the instrument and every reading are invented. Copy the folder and put your own
    readings in their place.
    """
    from evenfall import workshop
    from evenfall.files import keep_apart, write_together
    from evenfall.wording import say
    from evenfall.workshop.demonstration import PICTURE
    from evenfall.workshop.showing import show

    keep_apart((), (), folders=[folder, (folder / PICTURE).parent])
    with Waiting() as waiting:
        outcome = workshop.demo(workshop.DemoRequest(date.today().isoformat()), waiting)
        write_together(outcome.files_for(folder), folders=[folder, (folder / PICTURE).parent])
    values = outcome.as_dict()
    picture = folder / values["picture"]
    if as_json:
        values["files"] = [str(folder / name) for name in values["files"]]
        show_json({"folder": str(folder), **values, "picture": str(picture)})
    else:
        for step in outcome.steps:
            click.echo(say(step, door=WORDS))
        show_findings(outcome.findings, "mm")
        click.echo(f"The result: {picture}")
        click.echo(f"Everything is in {folder}; copy it and put your own readings in its place.")
    if opened:
        show(str(picture))
