"""`evenfall program`: the program of a machine, written or judged."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from evenfall.cli.desk import Desk, archive_option, from_archive_option, tell
from evenfall.cli.door import (
    WORDS,
    Number,
    json_option,
    path_argument,
    path_option,
    pictures_option,
    show_findings,
    show_json,
    show_written,
    shown_unit,
    unit_option,
)
from evenfall.cli.neck_options import source_of
from evenfall.cli.waiting import Waiting

if TYPE_CHECKING:
    from evenfall.workshop.programs import ProgramOutcome

_PLACE = re.compile(r"(\d+):(\d+)=([^,]+),([^,]+),([^,]+)")
_FARTHEST_MM = 10_000.0
_FILES = ("machine", "cutters", "fixture", "found", "scan", "parts")
_HOW = ("material", "state", "accepted_stiffness", "cuts")
_MATERIALS = ("nickel silver", "stainless", "brass")


def machine_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add what says which machine cuts and how the instrument lies on it, as one `on`."""

    @path_option("--machine", required=True, help="Description of the machine (TOML).")
    @path_option("--cutters", required=True, help="Description of its cutters (TOML).")
    @path_option(
        "--fixture",
        help="Description of the fixture (TOML); without it clamps and the ends of travel are "
        "not judged.",
    )
    @click.option(
        "--material",
        type=click.Choice(_MATERIALS),
        default=_MATERIALS[0],
        show_default=True,
        help="What the frets are made of.",
    )
    @click.option(
        "--state",
        type=click.Choice(["unstrung", "strung"]),
        default="unstrung",
        show_default=True,
        help="State of the neck on the machine; strung: at pitch, or with that pull simulated.",
    )
    @click.option(
        "--touch",
        "touched",
        multiple=True,
        metavar="FRET:STRING=X,Y,Z",
        help="Where a crown top was touched on the machine [mm]; give three, or beside a scan "
        "one or more. Without them work zero is the nut's playing edge on the centre line, at "
        "the datum.",
    )
    @path_option(
        "--found",
        metavar="MEASUREMENT",
        help="Reading taken on the machine in that state, to cut from.",
    )
    @path_option(
        "--scan",
        help="Scan taken on the machine in that state, in its work coordinates: shows how the "
        "neck lies, and its crowns are those to cut from.",
    )
    @click.option(
        "--accept-stiffness",
        "accepted_stiffness",
        default="",
        metavar="REASON",
        help="Why a neck of unmeasured stiffness may be cut unstrung all the same.",
    )
    @path_option(
        "--parts",
        help="Description of nut, saddle and fret ends (TOML), where they are cut too.",
    )
    @click.option(
        "--only",
        "cuts",
        multiple=True,
        type=click.Choice(["frets", "fret ends", "nut", "saddle"]),
        help="Cut only this, and leave the rest as it is; repeatable.",
    )
    @wraps(command)
    def gathered(*, touched: tuple[str, ...], **given: Any) -> Any:
        from evenfall.workshop import MachineRequest

        how = {name: given.pop(name) for name in _HOW}
        files = {name: source_of(given.pop(name)) for name in _FILES}
        on = MachineRequest(**files, **how, touched_mm=dict(map(_touched, touched)))
        return command(on=on, **given)

    return gathered


def _touched(given: str) -> tuple[tuple[int, int], tuple[float, float, float]]:
    """Return fret and string with the place where that crown was touched."""
    parts = _PLACE.fullmatch(given.replace(" ", ""))
    try:
        if parts is None:
            raise ValueError
        x, y, z = (float(part) for part in parts.groups()[2:])
        if not all(abs(value) <= _FARTHEST_MM for value in (x, y, z)):  # nor NaN
            raise ValueError
    except ValueError:
        shown = given if len(given) <= 40 else f"{given[:39]}…"
        form = "FRET:STRING=X,Y,Z, such as 1:6=36.2,-17.5,1.204, each within 10 m of zero"
        text = f"--touch {shown!r} must be {form}."
        raise click.UsageError(text) from None
    return (int(parts[1]), int(parts[2])), (x, y, z)


class _Program(click.Group):
    """A command that writes a program, with a command of its own that judges one."""

    def make_context(
        self,
        info_name: str | None,
        args: list[str],
        parent: click.Context | None = None,
        **extra: Any,
    ) -> click.Context:
        """Go to the command that was named, if one was; see `click.Command.make_context`."""
        if args and args[0] in self.commands:
            name = f"{info_name} {args[0]}"
            return self.commands[args[0]].make_context(name, args[1:], parent=parent, **extra)
        return super().make_context(info_name, args, parent=parent, **extra)


@click.group(
    name="program",
    cls=_Program,
    invoke_without_command=True,
    no_args_is_help=True,
    subcommand_metavar="",
    context_settings={"allow_interspersed_args": True},
)
@path_argument("plan", help="Plan file.")
@machine_options
@click.option(
    "--cutter",
    type=click.IntRange(1, 999),
    default=None,
    help="Number of the cutter for the frets (default: the first that fits).",
)
@click.option(
    "--lift",
    "lift_mm",
    type=Number(high=200.0),
    default=0.0,
    metavar="MM",
    help="Lift the whole program for a dry run over the work [mm].",
)
@path_option("-o", "--output", help="File to write (default: named after the plan, .ngc).")
@archive_option
@pictures_option
@json_option
@unit_option
@click.pass_context
def command(
    context: click.Context,
    *,
    plan: Path,
    on: Any,
    cutter: int | None,
    lift_mm: float,
    output: Path | None,
    desk: Desk,
    pictures: Path | None,
    as_json: bool,
    unit: str | None,
) -> None:
    """Write the program that cuts PLAN, once its simulated cut shows no fault.

    The program starts nothing by itself. Dry run, guards, eye and hearing protection, dust
    extraction, clamps: the cautions stand in its header and below; the machine's manual, local
    rules and qualified persons come first.
    """
    from evenfall import workshop
    from evenfall.files import keep_apart, write_together
    from evenfall.workshop.outputs import picture_files

    stem = plan.name.removesuffix(".json").removesuffix(".plan")
    target = output or Path(f"{stem}{'.dry-run' if lift_mm else ''}.ngc")
    given = (on.machine, on.cutters, on.fixture, on.found, on.scan, on.parts)
    inputs = [plan, *(Path(one.name) for one in given if one is not None)]
    keep_apart([target], inputs, folders=[pictures])
    request = workshop.ProgramRequest(desk.source(plan, "plan", ahead=True), on, cutter, lift_mm)
    with Waiting() as waiting:
        outcome = workshop.program(request, waiting)
        proof = None if lift_mm else outcome.proof(waiting)
        shown = shown_unit(unit, outcome.unit)
        files: dict[Path, bytes] = {target: outcome.program.encode("ascii")}
        if pictures is not None:
            files |= picture_files(outcome.pictures(shown, waiting), pictures, waiting)
        keep_apart(files, inputs, folders=[pictures])
        written = workshop.Source(str(target), files[target])
        filed = desk.file(given=plan, files=[request.plan], programs=[written])
        write_together(files, folders=[pictures])
    verdict = None if proof is None else proof.verdict
    if as_json:
        values = {"files": [str(path) for path in files], **outcome.as_dict(shown, WORDS)}
        show_json({**values, "verdict": verdict})
    else:
        _show(outcome, shown)
        if verdict is not None:
            click.echo(f"The simulated cut, judged as readings after the work: {verdict}.")
        if verdict not in (None, "conforms"):
            click.echo(
                "Do not cut yet: this cut would not prove the setup. Run prove on the plan's "
                "readings to see why, read or plan again, and write the program again."
            )
        show_written(files)
    tell(filed, as_json=as_json)
    if verdict not in (None, "conforms"):
        context.exit(1)


@command.command()
@path_argument("program", help="Program to judge, whoever wrote or edited it.")
@path_option("--plan", required=True, help="Plan that it is to carry out.")
@machine_options
@from_archive_option
@pictures_option
@json_option
@unit_option
@click.pass_context
def check(
    context: click.Context,
    *,
    program: Path,
    plan: Path,
    on: Any,
    desk: Desk,
    pictures: Path | None,
    as_json: bool,
    unit: str | None,
) -> None:
    """Read PROGRAM, cut it virtually, and show where it breaks a limit or departs from the plan."""
    from evenfall import workshop
    from evenfall.files import write_together
    from evenfall.workshop.outputs import picture_files

    request = workshop.ProgramCheckRequest(source_of(program), desk.source(plan, "plan"), on)
    with Waiting() as waiting:
        outcome = workshop.check_program(request, waiting)
        shown = shown_unit(unit, outcome.unit)
        files: dict[Path, bytes] = {}
        if pictures is not None:
            files = picture_files(outcome.pictures(shown, waiting), pictures, waiting)
            write_together(files, folders=[pictures])
    if as_json:
        show_json({"files": [str(path) for path in files], **outcome.as_dict(shown, WORDS)})
    else:
        _show(outcome, shown)
        show_written(files)
    if outcome.faults:
        context.exit(1)


def _show(outcome: ProgramOutcome, unit: Any) -> None:
    """Show what a program does, what was found, and what can hurt."""
    from evenfall.cli.program_report import program_lines
    from evenfall.wording import say

    show_findings(outcome.findings, unit)
    for line in program_lines(outcome):
        click.echo(say(line, unit, WORDS))
