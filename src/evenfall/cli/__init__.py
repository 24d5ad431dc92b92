"""The command line: a few lines per command, each calling one workshop function."""

from __future__ import annotations

import importlib
import warnings
from typing import Any

import click

from evenfall import __version__
from evenfall.cli.door import Door

#: Command -> module that holds it, imported when the command is asked for.
COMMANDS: dict[str, str] = {
    "demo": "evenfall.cli.demo",
    "spec": "evenfall.cli.spec",
    "measure": "evenfall.cli.measure",
    "diagnose": "evenfall.cli.diagnose",
    "pitch": "evenfall.cli.pitch",
    "neck": "evenfall.cli.neck",
    "play": "evenfall.cli.play",
    "plan": "evenfall.cli.plan",
    "sheet": "evenfall.cli.sheet",
    "prove": "evenfall.cli.prove",
    "machine": "evenfall.cli.machine",
    "program": "evenfall.cli.program",
    "archive": "evenfall.cli.archive",
    "quality": "evenfall.cli.quality",
    "serve": "evenfall.web.command",
}


class _Commands(Door):
    """The commands, in the order of a job, each loaded when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command: Any = importlib.import_module(COMMANDS[cmd_name]).command
        assert isinstance(command, click.Command)  # noqa: S101 (a wrong table is our own fault)
        return command


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="evenfall")
def main() -> None:
    """Set up fretted instruments, from readings to proof.

    The steps of a job: measure, diagnose, plan, sheet, set rod and saddle, measure and plan again,
    sheet, work on the frets, measure, prove.

    Exit status: 0 done; 1 done, but something is left to settle, such as readings to take again
    or a verdict that is not "conforms"; 2 the input cannot be used.
    """
    # it warns of styles and extensions of a workbook, which hold no reading
    warnings.filterwarnings("ignore", module="openpyxl")
