"""What all commands share: options, errors as one sentence or as JSON, findings, files."""

from __future__ import annotations

import codecs
import json
import os
import re
import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

import click

from evenfall.errors import At, Cancelled, EvenfallError, Finding, RequestError
from evenfall.units import MINUS, LengthUnit
from evenfall.wording import plain_line, say

if TYPE_CHECKING:
    Command = TypeVar("Command", bound=Callable[..., Any])

BAD_INPUT = 2
STOPPED = 130

WORDS: Mapping[str, str] = {
    "door_measure": "evenfall measure",
    "door_plan": "evenfall plan",
    "door_prove": "evenfall prove",
    "door_convert": "evenfall neck --convert",
    "door_spec": "--spec",
    "door_scan_uncertainty": "--scan-uncertainty",
    "door_scan_unit": "--length-unit",
    "door_scan_steps": "--step",
    "door_accept": "--accept",
    "door_attack": "--attack",
    "door_budget": "--budget",
    "door_keep": "--keep",
    "door_method": "--method",
    "door_serial": "--serial",
    "door_confirmed_by": "--confirmed-by",
    "door_settled": "--settled",
    "door_state": "--state strung",
    "door_touch": "--touch",
    "door_found": "--found",
    "door_quantity": "--quantity",
    "door_names": "--names",
    "door_accept_stiffness": "--accept-stiffness",
    "door_machine": "--machine",
    "door_fixture": "--fixture",
    "door_archive_add": "evenfall archive add FILE --instrument ID, or --new",
    "door_archive_doctor": "evenfall archive doctor",
    "door_archive_save": "evenfall archive doctor --save-to FOLDER",
    "door_archive_verify": "evenfall archive verify",
}
"""The command line's words for the places of `evenfall.wording` that only a door can name."""

_LONG_WORD = re.compile(r"(\S{40})\S{260,}?([\"'.:)]*(?=\s|$))")
"""What somebody typed that is too long to be echoed whole, and the punctuation after it."""
_PLAIN_NUMBER = re.compile(r"\s*[-+]?([0-9.]+(e[-+]?[0-9]+)?|inf|nan)\s*", re.IGNORECASE)
_PLAIN = {
    **{MINUS: "-", "–": "-", "×": "x", "≤": "<=", "≥": ">=", "…": "...", "±": "+-"},
    **{"µ": "u", "·": ".", "“": '"', "”": '"', "’": "'"},
}


def _as_plain(error: UnicodeError) -> tuple[str, int]:
    """Return what a terminal is shown in place of letters that it does not have."""
    assert isinstance(error, UnicodeEncodeError)  # noqa: S101 (registered for output alone)
    lost = error.object[error.start : error.end]
    return "".join(_PLAIN.get(letter, "?") for letter in lost), error.end


codecs.register_error("evenfall-plain", _as_plain)


class Commands(click.Group):
    """A command group that lists its commands with their whole first sentences."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands; see `click.Group`."""
        commands = {name: self.get_command(ctx, name) for name in self.list_commands(ctx)}
        rows = [
            (name, command.get_short_help_str(limit=1000))
            for name, command in commands.items()
            if command is not None and not command.hidden
        ]
        with formatter.section("Commands"):
            formatter.write_dl(rows)


class Door(Commands):
    """A command group that turns every foreseen error into one sentence and exit status 2.

    With `--json` the error also goes to standard output as one JSON object.
    """

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
        for stream in (sys.stdout, sys.stderr):
            if hasattr(stream, "reconfigure"):
                stream.reconfigure(errors="evenfall-plain")
        given = list(sys.argv[1:] if args is None else args)
        try:
            _working_folder()
            with _stopped_by_term():
                status = run()
        except (click.Abort, KeyboardInterrupt, Cancelled):
            click.echo("Stopped; nothing was written.", err=True)
            sys.exit(STOPPED)
        except EvenfallError as error:
            fail(error, given)
        except click.exceptions.NoArgsIsHelpError as error:
            click.echo(error.format_message(), err=True)
            sys.exit(BAD_INPUT)
        except click.ClickException as error:
            context = error.ctx if isinstance(error, click.UsageError) else None
            hint = f" Try '{context.command_path} --help'." if context else ""
            field = getattr(getattr(error, "param", None), "name", None) or ""
            message = plain_line(error.format_message())
            said = RequestError("{said}", at=At(field=field), said=message)
            fail(said, given, told=f"{said.sentence}{hint}")
        except BrokenPipeError:
            sys.stderr.close()  # whoever read us has gone; there is nobody to tell
            sys.exit(0)
        except OSError as error:  # files have their own sentences; this is standard output
            _stop_without_output(error)
        sys.exit(status if isinstance(status, int) else 0)


@contextmanager
def _stopped_by_term() -> Iterator[None]:
    """Let a request to terminate stop the work as an interrupt does: nothing is half-written."""

    def stop(_signal: int, _frame: object) -> NoReturn:
        raise Cancelled

    if threading.current_thread() is not threading.main_thread():
        yield  # signals go to the main thread alone
        return
    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _working_folder() -> None:
    """Refuse to work in a folder that was removed: no file could be named in it."""
    try:
        os.getcwd()
    except OSError:
        raise RequestError("The working folder is no longer there; change to another.") from None


def _stop_without_output(error: OSError) -> NoReturn:
    """Leave where standard output itself takes no more, as on a full disk."""
    reason = (error.strerror or str(error)).rstrip(".")
    reason = reason[:1].lower() + reason[1:]
    what = _LONG_WORD.sub(r"\1…\2", str(error.filename or "The result"))
    click.echo(f"evenfall: {what} cannot be written ({reason}); make room, or check it.", err=True)
    sys.stderr.flush()
    if error.filename:  # some file, not standard output
        sys.exit(BAD_INPUT)
    os._exit(BAD_INPUT)  # leaving in order would write what is left and fail again


def fail(error: EvenfallError, given: Sequence[str], told: str = "") -> NoReturn:
    """Show an error to people, to programs too if `--json` was given, and leave."""
    unit: LengthUnit = "in" if _asked(given, "--unit") == "in" else "mm"
    sentence = _LONG_WORD.sub(r"\1…\2", told or error.words(unit, WORDS))
    click.echo(f"evenfall: {sentence}", err=True)
    if "--json" in given:
        click.echo(json.dumps({"error": error.as_dict(unit, WORDS)}, indent=1))
    sys.exit(BAD_INPUT)


def _asked(given: Sequence[str], option: str) -> str:
    """Return the value of an option among arguments that may not have been understood."""
    for name, value in zip(given, [*given[1:], ""], strict=True):
        if name == option:
            return value
        if name.startswith(f"{option}="):
            return name.partition("=")[2]
    return ""


# ---- options ------------------------------------------------------------------------------------


def json_option(command: Command) -> Command:
    """Add `--json`; the command gets `as_json`."""
    return click.option(
        "--json", "as_json", is_flag=True, help="Write the result as JSON to standard output."
    )(command)


def unit_option(command: Command) -> Command:
    """Add `--unit`; the command gets `unit`, None for the specification's own."""
    return click.option(
        "--unit",
        type=click.Choice(["mm", "in"]),
        default=None,
        help="Unit for printed lengths (default: the specification's).",
    )(command)


def pictures_option(command: Command) -> Command:
    """Add `--pictures`."""
    return path_option(
        "--pictures", metavar="FOLDER", help="Write the pictures into this folder, SVG and PNG."
    )(command)


def output_option(after: str) -> Callable[[Command], Command]:
    """Add `-o`; without it the file is named after what `after` says."""
    return path_option(
        "-o", "--output", help=f"File to write (default: named after the {after}, in this folder)."
    )


def sheet_options(command: Command) -> Command:
    """Add `--spec` and `--serial`, for a source that may be a hand sheet."""
    with_serial = click.option(
        "--serial", default="", help="Serial number of the instrument, for a hand sheet."
    )(command)
    return path_option("--spec", help="Specification, for a hand sheet.")(with_serial)


def accept_options(command: Command) -> Command:
    """Add `--accept` and `--accepted-by`, see `evenfall.gates.accepted_gates`."""
    by_whom = click.option(
        "--accepted-by", default="", metavar="NAME", help="Name of the person who accepts it."
    )
    return click.option(
        "--accept",
        "accepted",
        multiple=True,
        metavar="CODE[@FRET[:STRING]]=REASON",
        help="Accept an unusual reading as it is, with a reason, such as 'lone-crown@7:3=burr' for "
        "fret 7, string 3; repeatable.",
    )(by_whom(command))


def path_argument(name: str, **more: Any) -> Callable[[Command], Command]:
    """Add an argument that is a path."""
    return click.argument(name, type=A_PATH, **more)


def path_option(*names: str, **more: Any) -> Callable[[Command], Command]:
    """Add an option that is a path."""
    return click.option(*names, type=A_PATH, **more)


class _Path(click.Path):
    """A path that names something: neither nothing nor a stream."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the path; see `click.Path.convert`."""
        if str(value) in ("", "-"):
            given = f"'{value}' is no name" if value else "it is empty"
            self.fail(f"{given}; name a file or a folder.", param, ctx)
        return super().convert(value, param, ctx)


A_PATH = _Path(path_type=Path)
"""What every option and argument that is a path is converted by."""


class Number(click.ParamType["float"]):
    """An option that is a number in a range."""

    name = "number"

    def __init__(self, low: float = 0.0, high: float = float("inf")) -> None:
        self.low, self.high = low, high

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Return the number; see `click.ParamType.convert`."""
        shown = value if len(str(value)) <= 40 else f"{str(value)[:39]}…"
        try:
            if not _PLAIN_NUMBER.fullmatch(str(value)):
                raise ValueError
            number = float(value)
        except ValueError:
            self.fail(f"{shown!r} is not a number such as 0.5.", param, ctx)
        if not self.low <= number <= self.high or number == float("inf"):
            bounds = f"{self.low:g} or more"
            if self.high != float("inf"):
                bounds = f"a number from {self.low:g} to {self.high:g}"
            self.fail(f"{shown} is out of range; give {bounds}.", param, ctx)
        return number


# ---- results ------------------------------------------------------------------------------------


def show_json(values: Mapping[str, Any]) -> None:
    """Write one JSON object to standard output."""
    click.echo(json.dumps(values, indent=1, allow_nan=False))


def show_findings(findings: Iterable[Finding], unit: LengthUnit) -> None:
    """Write findings, one line each, warnings before notes."""
    order = {"error": 0, "warning": 1, "note": 2}
    show_in_order(sorted(findings, key=lambda f: order[f.severity]), unit)


def show_in_order(findings: Iterable[Finding], unit: LengthUnit) -> None:
    """Write findings, one line each, in their own order."""
    for finding in findings:
        told = say(finding.said, unit, WORDS)
        where = "" if finding.where.lower() in told.lower() else f" ({finding.where})"
        mark = {"error": "!!", "warning": " !", "note": "  "}[finding.severity]
        click.echo(f"{mark} {told}{where}")


def show_gates(gates: Iterable[Finding], unit: LengthUnit, command: str = "") -> None:
    """Write what has to be read again, each with what accepts it as it is."""
    for gate in gates:
        show_in_order([gate], unit)
        show_accept([gate], command)


def show_accept(gates: Iterable[Finding], command: str = "") -> None:
    """Write what accepts each reading that is asked for again."""
    from evenfall.gates import accept_key

    for gate in gates:
        accept = f'{command} --accept "{accept_key(gate)}=REASON"'.strip()
        click.echo(f"      or, if it is right: {accept}")


def show_written(files: Iterable[Path]) -> None:
    """Name the files written; of a picture written twice, the one that every program opens."""
    written = list(files)
    for path in written:
        if path.suffix != ".svg" or path.with_suffix(".png") not in written:
            click.echo(f"Wrote {path}")


def derived_name(path: Path, kind: str) -> Path:
    """Return the name that goes with an input: tesquil.measurement.json gives tesquil.plan.json."""
    stem = path.name
    for ending in (".measurement.json", ".plan.json", ".proof.json", path.suffix):
        if ending and stem.endswith(ending):
            stem = stem[: -len(ending)]
            break
    return Path(f"{stem}.{kind}.json")


def shown_unit(unit: str | None, own: LengthUnit) -> LengthUnit:
    """Return the unit to show: the one asked for, else the specification's own."""
    if unit is None:
        return own
    return "in" if unit == "in" else "mm"
