"""`--archive` of the steps of a job: what they work from, and where they file what they made."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from evenfall.cli.neck_options import source_of

if TYPE_CHECKING:
    from evenfall.codec import FileContent
    from evenfall.workshop import Source
    from evenfall.workshop.archives import Dossiers

ADDRESS = "EVENFALL_ARCHIVE"
_FILES = frozenset((".json", ".csv", ".xlsx", ".toml"))  # what no number of an instrument ends in


class Desk(NamedTuple):
    """The archive that a step works with; none unless the address is set."""

    address: str
    person: str = ""
    done: str = ""

    def source(self, given: Path, kind: str, *, ahead: bool = False) -> Source:
        """Return a file that is there, else the newest document of that kind in the dossier.

        With `ahead` it is refused where the work that it is for has been done.
        """
        if not self.address or os.path.exists(given):
            return source_of(given)
        from evenfall import workshop
        from evenfall.errors import RequestError

        if given.suffix.casefold() in _FILES:
            raise RequestError(
                "There is no file {name:quoted}. A step that works with an archive files its "
                "result in it and writes no file: name the instrument by its number.",
                name=str(given),
            )

        with workshop.archive(self.address) as dossiers:
            return dossiers.latest(str(given), kind, ahead=ahead)

    def worked(self, given: Path, named: Iterable[Path]) -> tuple[Source, ...]:
        """Return the plans named, else those of the dossier whose work was reported as done."""
        if plans := tuple(source_of(one) for one in named):
            return plans
        if not self.address or os.path.exists(given):
            return ()
        from evenfall import workshop
        from evenfall.workshop.story import story

        with workshop.archive(self.address) as dossiers:
            return story(dossiers, str(given)).worked

    def file(
        self,
        *made: FileContent,
        given: Path,
        files: Iterable[Source] = (),
        programs: Iterable[Source] = (),
        person: str = "",
    ) -> str:
        """File what a step made, and return a line that says so; "" without an archive."""
        if not self.address:
            return ""
        from evenfall import workshop
        from evenfall.workshop.archive_views import filed_words

        with workshop.archive(self.address, make=True) as dossiers:
            instrument = ""
            if not os.path.exists(given):
                instrument = dossiers.named(str(given))
            added = dossiers.file(
                *made,
                files=files,
                programs=programs,
                instrument=instrument,
                person=self.person or person,
                done=self.done,
            )
        new = [kind for kind in added.new if kind != "opened"]
        into = "the dossier" if len(new) == len(added.new) else "a new dossier"
        title = added.line.title or added.line.dossier
        return f"Filed in {into} of {title}: {filed_words(new)}."


def tell(line: str, *, as_json: bool) -> None:
    """Print what was filed, beside the JSON of a result."""
    if line:
        click.echo(line, err=as_json)


def archive_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add `--archive`, `--by` and `--on`; the command gets `desk`."""

    @address_option("File the result in this archive, and look up in it what is given by number")
    @by_option
    @on_option
    @wraps(command)
    def gathered(*, address: str, person: str, done: str, **rest: Any) -> Any:
        return command(desk=Desk(address, person, done), **rest)

    return gathered


def from_archive_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add `--archive` to a command that files nothing; the command gets `desk`."""

    @address_option("Look up in this archive what is given by number")
    @wraps(command)
    def gathered(*, address: str, **rest: Any) -> Any:
        return command(desk=Desk(address), **rest)

    return gathered


@contextmanager
def opened(address: str, *, make: bool = False) -> Iterator[Dossiers]:
    """Yield the archive that an option or the environment names."""
    if not address:
        raise click.UsageError(f"Name the archive with --archive or in {ADDRESS}.")
    from evenfall import workshop

    with workshop.archive(address, make=make) as dossiers:
        yield dossiers


def address_option(told: str) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Return `--archive`; the command gets `address`, empty where none is named."""
    return click.option(
        "--archive",
        "address",
        envvar=ADDRESS,
        default="",
        metavar="ADDRESS",
        help=f"{told} (default: what the environment variable {ADDRESS} names).",
    )


by_option = click.option(
    "--by",
    "person",
    default="",
    metavar="NAME",
    help="Name of the person who did it, for the archive.",
)
on_option = click.option(
    "--on",
    "done",
    default="",
    metavar="DATE",
    help="Day or time when it was done, for the archive (ISO 8601; default: now).",
)
