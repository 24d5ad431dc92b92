"""What all commands share: options, errors as one sentence or as JSON, findings, file names."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

import click

from evenfall.errors import EvenfallError, FindingsError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from evenfall.errors import Finding
    from evenfall.units import LengthUnit

    Command = TypeVar("Command", bound=Callable[..., Any])

BAD_INPUT = 2


class Door(click.Group):
    """A command group that turns every foreseen error into one sentence and exit status 2.

    With `--json` the error also goes to standard output as one JSON object.
    """

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands, each with its whole first sentence; see `click.Group`."""
        commands = {name: self.get_command(ctx, name) for name in self.list_commands(ctx)}
        rows = [
            (name, command.get_short_help_str(limit=1000))
            for name, command in commands.items()
            if command is not None and not command.hidden
        ]
        with formatter.section("Commands"):
            formatter.write_dl(rows)

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: Any,
    ) -> Any:
        """Run the command line; see `click.Group.main`."""

        def run() -> Any:
            return super(Door, self).main(
                args, prog_name, complete_var, standalone_mode=False, **extra
            )

        if not standalone_mode:
            return run()
        as_json = "--json" in (sys.argv[1:] if args is None else args)
        try:
            status = run()
        except EvenfallError as error:
            fail(error.code, str(error), error.sentence, error.where, error, as_json=as_json)
        except click.exceptions.NoArgsIsHelpError as error:
            click.echo(error.format_message(), err=True)
            sys.exit(BAD_INPUT)
        except click.UsageError as error:
            where = error.ctx.command_path if error.ctx else ""
            sentence = error.format_message()
            hint = f"{sentence} Try '{where} --help'." if where else sentence
            fail("request", hint, sentence, where, None, as_json=as_json)
        except click.ClickException as error:
            fail(
                "request", error.format_message(), error.format_message(), "", None, as_json=as_json
            )
        except (click.Abort, KeyboardInterrupt):
            click.echo("Stopped; nothing was left half-written.", err=True)
            sys.exit(130)
        except BrokenPipeError:
            sys.stderr.close()  # whoever read us has gone; there is nobody to tell
            sys.exit(0)
        except OSError as error:  # files have their own sentences; this is standard output
            _stop_without_output(error)
        sys.exit(status if isinstance(status, int) else 0)


def _stop_without_output(error: OSError) -> NoReturn:
    """Leave where standard output itself takes no more, as on a full disk."""
    reason = (error.strerror or str(error)).rstrip(".")
    reason = reason[:1].lower() + reason[1:]
    what = error.filename or "The result"
    click.echo(f"evenfall: {what} cannot be written ({reason}); make room, or check it.", err=True)
    sys.stderr.flush()
    os._exit(BAD_INPUT)  # leaving in order would write what is left and fail again


def fail(
    code: str,
    text: str,
    sentence: str,
    where: str,
    error: EvenfallError | None,
    *,
    as_json: bool,
) -> None:
    """Show an error and leave with exit status 2.

    Parameters
    ----------
    code
        Error code.
    text
        What a person reads, on standard error.
    sentence, where
        What a program reads.
    error
        The error itself, if it carries findings.
    as_json
        Whether to write the JSON object.
    """
    click.echo(f"evenfall: {text}", err=True)
    if as_json:
        body: dict[str, Any] = {"code": code, "sentence": sentence, "where": where}
        if isinstance(error, FindingsError):
            body["findings"] = [f.as_dict() for f in error.findings]
        click.echo(json.dumps({"error": body}, indent=1))
    sys.exit(BAD_INPUT)


def json_option(command: Command) -> Command:
    """Add `--json`.

    Parameters
    ----------
    command
        The command's function; gets `as_json`.
    """
    return click.option(
        "--json", "as_json", is_flag=True, help="Write the result as JSON to standard output."
    )(command)


def unit_option(command: Command) -> Command:
    """Add `--unit`.

    Parameters
    ----------
    command
        The command's function; gets `unit`, None for the specification's own.
    """
    return click.option(
        "--unit",
        type=click.Choice(["mm", "in"]),
        default=None,
        help="Unit of what people read; by default the specification's.",
    )(command)


def path_argument(name: str, **more: Any) -> Callable[[Command], Command]:
    """Add an argument that is a path.

    Parameters
    ----------
    name
        Name of the argument.
    **more
        Passed on to click.
    """
    return click.argument(name, type=click.Path(path_type=Path), **more)


def path_option(*names: str, **more: Any) -> Callable[[Command], Command]:
    """Add an option that is a path.

    Parameters
    ----------
    *names
        Names of the option.
    **more
        Passed on to click.
    """
    return click.option(*names, type=click.Path(path_type=Path), **more)


def show_json(values: Mapping[str, Any]) -> None:
    """Write one JSON object to standard output.

    Parameters
    ----------
    values
        Plain values.
    """
    click.echo(json.dumps(values, indent=1, allow_nan=False))


def show_findings(findings: Iterable[Finding], *, err: bool = False) -> None:
    """Write findings, one line each, warnings before notes.

    Parameters
    ----------
    findings
        What was found.
    err
        Write to standard error, where standard output carries JSON.
    """
    order = {"error": 0, "warning": 1, "note": 2}
    for finding in sorted(findings, key=lambda f: order[f.severity]):
        told = finding.where.lower() in finding.sentence.lower()
        where = "" if told else f" ({finding.where})"
        mark = {"error": "!!", "warning": " !", "note": "  "}[finding.severity]
        click.echo(f"{mark} {finding.sentence}{where}", err=err)


class Number(click.ParamType["float"]):
    """An option that is a number.

    Parameters
    ----------
    low, high
        Range that it must lie in.
    """

    name = "number"

    def __init__(self, low: float = 0.0, high: float = float("inf")) -> None:
        self.low, self.high = low, high

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return the number; see `click.ParamType.convert`."""
        try:
            number = float(value)
        except ValueError:
            self.fail(f"{value!r} is not a number such as 0.5.", param, ctx)
        if not self.low <= number <= self.high or number == float("inf"):
            bounds = f"{self.low:g} or more"
            if self.high != float("inf"):
                bounds = f"a number from {self.low:g} to {self.high:g}"
            self.fail(f"{value} is out of range; give {bounds}.", param, ctx)
        return number


def derived_name(path: Path, kind: str) -> Path:
    """Return the file name that goes with an input, in the current folder.

    Parameters
    ----------
    path
        The input, e.g. `kestrel.measurement.json`.
    kind
        What is written, e.g. "plan" for `kestrel.plan.json`.
    """
    stem = path.name
    for ending in (".measurement.json", ".plan.json", ".proof.json", path.suffix):
        if ending and stem.endswith(ending):
            stem = stem[: -len(ending)]
            break
    return Path(f"{stem}.{kind}.json")


def shown_unit(unit: str | None, own: LengthUnit) -> LengthUnit:
    """Return the unit to show: the one asked for, else the specification's own.

    Parameters
    ----------
    unit
        "mm", "in" or None.
    own
        The specification's unit.
    """
    if unit is None:
        return own
    return "in" if unit == "in" else "mm"
