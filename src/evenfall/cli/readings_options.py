"""Options of commands over the readings of many instruments."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import wraps
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from evenfall.cli.desk import address_option
from evenfall.cli.door import Number, path_argument
from evenfall.cli.neck_options import source_of

if TYPE_CHECKING:
    from pathlib import Path

    from evenfall.workshop import Source
    from evenfall.workshop.archive_readings import Filed


class Pair(click.ParamType[tuple[str, str]]):
    """An option of the form NAME=WORDS."""

    name = "pair"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, str]:
        """Return name and words; see `click.ParamType.convert`."""
        if isinstance(value, tuple):
            return value
        name, sign, words = str(value).partition("=")
        if not (name.strip() and sign and words.strip()):
            self.fail(f"'{value}' is not of the form {self.shape}.", param, ctx)
        return name.strip(), words.strip()

    def __init__(self, shape: str) -> None:
        self.shape = shape


def pairs(*names: str, shape: str, help: str) -> Callable[[Any], Any]:  # noqa: A002 (as in click)
    """Return a repeatable option of pairs."""
    return click.option(*names, multiple=True, type=Pair(shape), metavar=shape, help=help)


quantity_option = click.option(
    "--quantity", default="", help="Which quantity, where the sheet has several."
)


def level_option(*names: str, low_level: float = -math.inf, help: str) -> Callable[[Any], Any]:  # noqa: A002
    """Return an option that is a value in the unit of the readings; NaN where it is not given."""

    def given(_context: click.Context, _option: click.Parameter, value: float | None) -> float:
        return math.nan if value is None else value

    return click.option(*names, type=Number(low_level), default=None, callback=given, help=help)


class Asked(NamedTuple):
    """Which readings are asked for, as `evenfall.workshop.quality.ReadingsRequest` takes them."""

    source: Source | Filed
    quantity: str
    only: Mapping[str, str]
    subgroup: tuple[str, ...]
    size: int


def readings_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that choose among readings; the command gets them as one `asked`."""

    @path_argument(
        "readings",
        required=False,
        help="Sheet with a row for each reading, CSV or XLSX; without it, the archive.",
    )
    @address_option("Archive whose readings are taken where no sheet is named")
    @quantity_option
    @pairs(
        "--only",
        shape="FACTOR=VALUE",
        help="Take only the readings of this model, station or the like; repeatable.",
    )
    @click.option(
        "--subgroup",
        multiple=True,
        metavar="FACTOR",
        help="What the readings of a subgroup have in common; repeatable. A new one begins "
        "wherever it changes. day, week and shift follow from the times.",
    )
    @click.option(
        "--size",
        type=click.IntRange(0),
        default=0,
        help="How many readings in a row make a subgroup.",
    )
    @click.option(
        "--since",
        default="",
        metavar="TIME",
        help="From an archive: readings from this time on, such as 2026-03-01.",
    )
    @click.option(
        "--until",
        default="",
        metavar="TIME",
        help="From an archive: readings before this time; the newest 20,000 are taken.",
    )
    @wraps(command)
    def gathered(
        *,
        readings: Path | None,
        address: str,
        quantity: str,
        only: Sequence[tuple[str, str]],
        subgroup: tuple[str, ...],
        size: int,
        since: str,
        until: str,
        **rest: Any,
    ) -> Any:
        if readings is None and not address:
            raise click.UsageError("Name a sheet of readings, or an archive with --archive.")
        if readings is not None:
            asked = Asked(source_of(readings), quantity, dict(only), subgroup, size)
            return command(asked=asked, **rest)
        from evenfall import workshop
        from evenfall.workshop.archive_readings import Filed

        with workshop.archive(address) as dossiers:
            filed = Filed(dossiers.archive, since, until)
            return command(asked=Asked(filed, quantity, dict(only), subgroup, size), **rest)

    return gathered
