"""`evenfall archive`: dossiers of instruments, gauges and machines."""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from evenfall.cli.desk import ADDRESS, address_option, by_option, on_option, opened
from evenfall.cli.door import (
    WORDS,
    Commands,
    Number,
    json_option,
    path_argument,
    path_option,
    show_findings,
    show_json,
    shown_unit,
    unit_option,
)
from evenfall.cli.neck_options import source_of
from evenfall.cli.waiting import Waiting
from evenfall.wording import Value

if TYPE_CHECKING:
    from evenfall.records.copying import Copied
    from evenfall.workshop.archives import Dossiers

_FEW = 20

_address = address_option("The archive: a folder, or postgresql://user@host/database?files=FOLDER")
_instrument = click.argument("instrument", help="Number, name or id of the dossier.")
_place = click.argument("place", help="Folder, or address of a database.")


@click.group(name="archive", cls=Commands)
def command() -> None:
    """Keep dossiers: what was measured, planned, done and proved.

    An archive is a folder with a database in it, made when something is first added; a team may use
    a PostgreSQL server instead.
    """


def _print(text: str, **values: Value) -> None:
    from evenfall.wording import say, sentence

    click.echo(say(sentence(text, **values), "mm", WORDS))


@command.command()
@path_argument("files", nargs=-1, help="Measurements, plans, proofs, specifications, scans, pages.")
@click.option(
    "--instrument", default="", metavar="NUMBER", help="Dossier to file into, by number or id."
)
@click.option("--new", is_flag=True, help="Open a new dossier even if another goes by this number.")
@click.option("--serial", default="", help="Serial number to add or to correct.")
@click.option("--job", default="", help="Job number to add or to correct.")
@click.option("--maker", default="", help="Who made the instrument, for a new dossier.")
@click.option(
    "--subject",
    type=click.Choice(["instrument", "model", "gauge", "machine", "wire batch", "part"]),
    default="instrument",
    help="What a new dossier is for.",
)
@click.option("--name", default="", help="Name of a model, gauge, machine, wire batch or part.")
@by_option
@on_option
@_address
@json_option
def add(*, files: tuple[Path, ...], address: str, as_json: bool, **how: Any) -> None:
    """File FILES into the dossier of their instrument.

    The dossier is that of the serial number in the files, and is opened if there is none; a
    specification alone goes into the dossier of its model. A file that is already there is not
    filed again.
    """
    from evenfall import workshop
    from evenfall.workshop.archive_views import filed_words

    request = workshop.AddRequest(files=tuple(map(source_of, files)), **how)
    with opened(address, make=True) as dossiers:
        added = dossiers.add(request)
    if as_json:
        show_json(added.as_dict())
        return
    new = [kind for kind in added.new if kind != "opened"]
    _print(
        "{title}: {opened}filed {new}.{known}",
        title=added.line.title or added.line.dossier,
        opened="new dossier; " * (len(new) < len(added.new)),
        new=filed_words(new),
        known=f" Known already: {added.known}." if added.known else "",
    )


@command.command()
@click.argument("words", nargs=-1, help="Beginnings of words or numbers; without, the latest.")
@click.option(
    "--most", type=click.IntRange(1, 1000), default=_FEW, help="Largest number of dossiers to list."
)
@_address
@json_option
def find(*, words: tuple[str, ...], most: int, address: str, as_json: bool) -> int:
    """List the dossiers in which each of WORDS begins a number, name, maker or code.

    Without WORDS, those in which something was filed last. Exit status 1 if there is none.
    """
    from evenfall.codec import plain

    with opened(address) as dossiers:
        found = dossiers.find(" ".join(words), most)
    if as_json:
        show_json({"dossiers": [plain(line) for line in found]})
    else:
        for line in found:
            mark = "  two sites disagree" if line.conflict else ""
            click.echo(f"{line.dossier[:12]}  {line.subject:10}  {line.title}{mark}")
        if not found:
            empty = "Nothing is filed here yet."
            click.echo("Nothing found; give less of the number or name." if words else empty)
    return 0 if found else 1


@command.command()
@_instrument
@path_option("-o", "--output", help="PDF or HTML file for the dossier as one page.")
@_address
@json_option
@unit_option
def show(
    *, instrument: str, output: Path | None, address: str, as_json: bool, unit: str | None
) -> None:
    """Show the whole dossier of INSTRUMENT, named by number or id."""
    from evenfall.cli.sheet import page_kind
    from evenfall.codec import with_words
    from evenfall.files import keep_apart, write_together
    from evenfall.wording import plain_line, say
    from evenfall.workshop.archive_views import shown_lines

    kind = "" if output is None else page_kind(output, "The output")
    keep_apart([output], ())
    with opened(address) as dossiers:
        shown = dossiers.show(instrument)
    lengths = shown_unit(unit, "mm")
    from evenfall.workshop.archive_views import called

    if output is not None:
        write_together({output: shown.page(kind, unit=lengths)})
    if as_json:
        show_json(with_words(shown.as_dict(), lengths, WORDS))
        return
    click.echo(f"{shown.line.title}  (id {shown.line.dossier})")
    for told in shown.conflicts:
        click.echo(f" ! {say(told, lengths, WORDS)}")
    for entry in shown.entries:
        words = f"\n{' ' * 33}".join(shown_lines(entry.said, lengths))
        who = f"  [{plain_line(entry.person)}]" if entry.person else ""
        marks = f"{'  corrected later' * entry.corrected}{'  signed' * entry.signed}"
        click.echo(f"{entry.shown_at:16}  {called(entry.kind):13}  {words}{who}{marks}")
    if output is not None:
        click.echo(f"Wrote {output}")


@command.command()
@_instrument
@path_option("--picture", help="SVG file for the picture of the history.")
@_address
@json_option
@unit_option
def history(
    *, instrument: str, picture: Path | None, address: str, as_json: bool, unit: str | None
) -> None:
    """Show relief, action, lowest crown and fret life of INSTRUMENT over the years."""
    from evenfall.cli.tables import table
    from evenfall.files import keep_apart, write_together
    from evenfall.pictures.story import NOTHING_YET
    from evenfall.units import length_text

    keep_apart([picture], ())
    lengths = shown_unit(unit, "mm")
    with opened(address) as dossiers:
        told = dossiers.history(instrument)
    if picture is not None:
        write_together({picture: told.drawing(lengths).encode()})
    if as_json:
        show_json(told.as_dict())
        return

    def figure(value_mm: float) -> str:
        return length_text(value_mm, lengths).split()[0] if math.isfinite(value_mm) else "–"

    rows = [
        [
            point.at[:10],
            f"{point.kind} {point.code}",
            point.status or "–",
            *map(
                figure,
                (
                    point.relief_mm,
                    point.action_bass_mm,
                    point.action_treble_mm,
                    point.lowest_crown_mm,
                    point.fret_life_mm,
                ),
            ),
        ]
        for point in told.points
    ]
    if not rows:
        click.echo(f"{told.line.title}: {NOTHING_YET}")
    headings = ["date", "what", "verdict", "relief", "action bass", "action treble"]
    headings += ["lowest crown", "fret life"]
    if rows:
        table(f"{told.line.title}, lengths in {lengths}", headings, rows)
    if picture is not None:
        click.echo(f"Wrote {picture}")


@command.command()
@_instrument
@click.argument("words", help="The note, or what was done.")
@by_option
@on_option
@path_option("--photo", "photos", multiple=True, help="Photo that goes with it; repeatable.")
@click.option("--station", default="", help="Where a step of work was done.")
@click.option("--gauge", default="", help="What it was measured with.")
@click.option("--cutter", default="", help="What it was cut with.")
@click.option(
    "--cutter-uses",
    type=click.IntRange(0, 1_000_000),
    default=None,
    metavar="COUNT",
    help="How often that cutter was used since it was changed or sharpened.",
)
@click.option("--started", default="", metavar="TIME", help="When it began, ISO 8601.")
@click.option("--ended", default="", metavar="TIME", help="When it was done, ISO 8601.")
@click.option("--calibrated", "date", default="", metavar="DATE", help="Day of a calibration.")
@click.option("--valid-until", default="", metavar="DATE", help="When the next one is due.")
@click.option(
    "--check-standard",
    "check",
    type=(str, float, float),
    default=None,
    metavar="NAME STATED READ",
    help="Reading of a check standard: its name, its length and what was read [mm].",
)
@click.option(
    "--part",
    default="",
    metavar="NUMBER",
    help="Part, or batch of wire, that was fitted: its name, number or id; WORDS say where.",
)
@click.option("--amount", default="", help="How much was received of a batch of wire or of a part.")
@click.option("--material", default="", help="Material of what was received.")
@click.option(
    "--crown-height",
    "crown_height_mm",
    type=Number(high=10.0),
    metavar="MM",
    help="Crown height of the wire that was received [mm].",
)
@click.option(
    "--crown-width",
    "crown_width_mm",
    type=Number(high=20.0),
    metavar="MM",
    help="Crown width of the wire that was received [mm].",
)
@click.option("--corrects", default="", metavar="ENTRY", help="Entry that this one corrects.")
@_address
@json_option
def note(
    *,
    instrument: str,
    words: str,
    person: str,
    photos: tuple[Path, ...],
    check: tuple[str, Any, Any] | None,
    corrects: str,
    address: str,
    as_json: bool,
    **facts: Any,
) -> None:
    """Write WORDS into the dossier of INSTRUMENT, or of a gauge, machine, batch or part.

    The options say what it is: a note, a step of work, a calibration, a reading of a check
    standard, goods received, or a part that was fitted.
    """
    from evenfall import workshop
    from evenfall.codec import plain, with_words
    from evenfall.workshop.archive_views import shown_lines

    given = {name: value for name, value in facts.items() if value not in ("", None)}
    if check is not None:
        given |= {"standard": check[0], "reference_mm": check[1], "read_mm": check[2]}
    request = workshop.NoteRequest(
        instrument, words, person, tuple(map(source_of, photos)), given, corrects
    )
    with opened(address) as dossiers:
        told = dossiers.note(request)
        (line,) = dossiers.lines([dossiers.named(instrument)])
    if as_json:
        show_json(with_words(plain(told), "mm", WORDS))
    else:
        words = f"\n{' ' * 4}".join(shown_lines(told.said))
        click.echo(f"{line.title}: filed {told.kind} {told.entry[:12]}: {words}")


@command.command()
@click.argument("instruments", nargs=-1, help="Dossiers, by number, name or id; without any, all.")
@path_option("-o", "--output", required=True, help="File to write, or folder for tables.")
@click.option(
    "--as",
    "form",
    type=click.Choice(["dossiers", "qif", "csv", "parquet"]),
    default="dossiers",
    show_default=True,
    help="One signed file (ZIP) for a partner; the newest proof of each as QIF 3.0 results (ISO "
    "23952, XML); or a folder of tables with a data dictionary, without names and notes.",
)
@click.option(
    "--showing",
    "shown",
    type=click.Choice(["certificates", "measurements", "all"]),
    default="certificates",
    show_default=True,
    help="What the partner may see: proofs and pages; specifications, measurements and plans too; "
    "or notes, steps and names as well.",
)
@click.option(
    "--document",
    default="",
    metavar="WHAT",
    help="Only this document of one dossier, as the original file: a code that `show` prints, "
    "a kind (the newest of it), or the name of a file.",
)
@_address
@json_option
def export(
    *,
    instruments: tuple[str, ...],
    output: Path,
    form: str,
    shown: str,
    document: str,
    address: str,
    as_json: bool,
) -> None:
    """Write dossiers of INSTRUMENTS for a partner or an analyst.

    In a signed file, what is not shown leaves the hash of its facts behind, so that the chain can
    be followed. With --document, write one document of a dossier as it was filed.
    """
    from evenfall.files import keep_apart, write_together

    tables = form in ("csv", "parquet") and not document
    keep_apart([] if tables else [output], (), folders=[output] if tables else [])
    if document:
        if len(instruments) != 1:
            raise click.UsageError("--document needs the number of one dossier.")
        with opened(address) as dossiers:
            source = dossiers.document(instruments[0], document)
        write_together({output: source.content or b""})
        if as_json:
            show_json({"file": str(output), "name": source.name})
        else:
            click.echo(f"Wrote {output}")
        return
    if form != "dossiers":
        _write_other(instruments, output, form, address, as_json=as_json)
        return
    with opened(address) as dossiers, Waiting() as waiting:
        count, full = dossiers.export(instruments, output, shown=shown, progress=waiting)
    if as_json:
        show_json({"file": str(output), "entries": count, "in_full": full, "shown": shown})
        return
    _print(
        "{count} {count:plural entry|entries} exported: {full} in full, {hashes} as "
        "{hashes:plural hash|hashes}.",
        count=count,
        full=full,
        hashes=count - full,
    )
    click.echo(f"Wrote {output}")


def _write_other(
    instruments: tuple[str, ...], output: Path, form: Any, address: str, *, as_json: bool
) -> None:
    """Write results in a standard's form, or tables."""
    from evenfall.files import write_together

    counts: dict[str, int] = {}
    with opened(address) as dossiers, Waiting() as waiting:
        if form == "qif":
            write_together({output: dossiers.results(instruments, waiting)})
        else:
            counts = dossiers.extract(instruments, output, form, progress=waiting)
    if as_json:
        show_json({"file": str(output), "form": form, "rows": counts})
        return
    for name, count in counts.items():
        _print("{name}: {count:count row}.", name=name, count=count)
    click.echo(f"Wrote {output}")


@command.command(name="import")
@path_argument("file", help="File that a partner exported.")
@click.option(
    "--trust",
    "trust_key",
    default="",
    metavar="KEY",
    help="Trust this key from now on; first compare it with the one that the partner reads out to "
    "you.",
)
@click.option("--look", is_flag=True, help="Only show what would be filed.")
@_address
@json_option
def import_(*, file: Path, trust_key: str, look: bool, address: str, as_json: bool) -> int:
    """File what a partner sent in FILE; what is already known stays as it is.

    A file whose key is not trusted is shown and not filed. Exit status 1 then, and where two sites
    disagree about a number.
    """
    if look and trust_key:
        raise click.UsageError("Give --look or --trust, not both.")
    from evenfall.codec import with_words
    from evenfall.wording import say

    with opened(address, make=True) as dossiers, Waiting() as waiting:
        source = source_of(file)
        if look:
            made = dossiers.look(source, progress=waiting)
        else:
            made = dossiers.import_(source, trust_key=trust_key, progress=waiting)
    status = 1 if not made.trusted or made.conflicts else 0
    if as_json:
        show_json(with_words(made.as_dict(), "mm", WORDS))
        return status
    _print(
        "{entries} {entries:plural entry|entries} of {dossiers:count dossier}, made {day}, showing "
        "{shown}.",
        entries=made.entries,
        dossiers=made.dossiers,
        day=made.made_at[:10],
        shown=made.shown,
    )
    for one in made.coming[:_FEW]:
        _print(
            "  {title}: {new} of {entries} new",
            title=one.line.title or one.line.dossier[:12],
            new=one.new,
            entries=one.entries,
        )
    if len(made.coming) > _FEW:
        click.echo(f"  and {len(made.coming) - _FEW} more")
    if made.absorbed is not None:
        _print(
            "{new} new, {known} known already, {completed} completed.",
            new=made.absorbed.new,
            known=made.absorbed.known,
            completed=made.absorbed.completed,
        )
    for told in made.collisions:
        click.echo(f" ! {say(told, 'mm', WORDS)}")
    if not made.trusted:
        click.echo(f"Not filed: nobody here trusts the key {made.key}.")
        click.echo("Compare it with what the partner reads out to you, then give it to --trust.")
    elif made.absorbed is None:
        click.echo("Nothing was filed.")
    return status


@command.command()
@click.option("--sign", is_flag=True, help="Sign what is sound and not signed yet.")
@_address
@json_option
def verify(*, sign: bool, address: str, as_json: bool) -> int:
    """Check chains, signatures, documents and files; find any changed byte.

    Exit status 1 if something is not as it was filed.
    """
    from evenfall.codec import plain

    with opened(address) as dossiers, Waiting() as waiting:
        seen = dossiers.verify(sign=sign, progress=waiting)
    if as_json:
        values = plain(seen) | {"findings": [f.as_dict("mm", WORDS) for f in seen.findings]}
        show_json({**values, "sound": seen.sound})
        return 0 if seen.sound else 1
    show_findings(seen.findings, "mm")
    if seen.sound and not seen.entries:
        click.echo("The archive is empty.")
        return 0
    _print(
        "{entries} {entries:plural entry|entries} in {dossiers:count dossier}, "
        "{documents:count document}, "
        "{files:count file} and {signatures:count signature} verified.",
        entries=seen.entries,
        dossiers=seen.dossiers,
        documents=seen.documents,
        files=seen.files,
        signatures=seen.signatures,
    )
    if seen.unsigned:
        _print(
            "{count:count dossier} {count:plural has|have} entries that no signature covers yet; "
            "sign them with --sign.",
            count=seen.unsigned,
        )
    click.echo("Everything is as it was filed." if seen.sound else "Not everything is as filed.")
    return 0 if seen.sound else 1


def _copying(name: str, told: str) -> Callable[[Callable[..., Any]], Any]:
    """Add a command that copies a whole archive, with its argument and options."""

    def add_command(work: Callable[[Dossiers, str, Any], Copied]) -> click.Command:
        def run(*, place: str, address: str, as_json: bool) -> None:
            with opened(address, make=name == "restore") as dossiers, Waiting() as waiting:
                copied = work(dossiers, place, waiting)
            if as_json:
                show_json({"rows": copied.rows, "sha256": copied.sha256})
                return
            _print(
                "{entries} {entries:plural entry|entries}, {documents:count document} and "
                "{files:count file} copied; both sides give {hash}.",
                entries=copied.rows["entry"],
                documents=copied.rows["document"],
                files=copied.rows["kept_file"],
                hash=copied.sha256[:16],
            )

        decorated = _place(_address(json_option(run)))
        return command.command(name=name, help=told)(decorated)

    return add_command


backup = _copying("backup", "Copy the archive into a new folder PLACE, as it is at this moment.")(
    lambda dossiers, place, waiting: dossiers.backup(place, waiting)
)
restore = _copying(
    "restore", "Copy the backup at PLACE into the archive, which must be empty or not there yet."
)(lambda dossiers, place, waiting: dossiers.restore(place, waiting))
move = _copying(
    "move",
    "Move the archive to PLACE, on either engine. All that it holds is counted and hashed on both "
    "sides. The old archive stays as it is; use the new address from then on.",
)(lambda dossiers, place, waiting: dossiers.move(place, waiting))


@command.command()
@path_option(
    "--save-to", help="Folder of a new archive for what can still be read of a damaged one."
)
@click.option("--erase", default="", metavar="NAME", help="Replace a person's name everywhere.")
@_address
@json_option
def doctor(*, save_to: Path | None, erase: str, address: str, as_json: bool) -> int:
    """Look after the archive: tidy it, save what can be read of a damaged one, erase a name.

    Exit status 1 if a part of a damaged archive is lost.
    """
    from evenfall.wording import say
    from evenfall.workshop.archives import saved_from

    if save_to is not None:
        address = address or os.environ.get(ADDRESS, "")
        with Waiting() as waiting:
            saved = saved_from(address, str(save_to), waiting)
        from evenfall.codec import plain

        if as_json:
            show_json(plain(saved))
            return 0 if saved.whole else 1
        _print(
            "{e} {e:plural entry|entries}, {d:count document} and {f:count file} saved; {le} "
            "{lp:plural entry|entries}, {ld:count document} and {lf:count file} lost.",
            e=saved.entries,
            d=saved.documents,
            f=saved.files,
            le="an unknown number of" if saved.lost_entries is None else saved.lost_entries,
            lp=2 if saved.lost_entries is None else saved.lost_entries,
            ld=saved.lost_documents,
            lf=saved.lost_files,
        )
        return 0 if saved.whole else 1
    with opened(address) as dossiers:
        if erase:
            told = [f"{erase} reads {dossiers.erase(erase)} from now on."]
        else:
            told = [say(one, "mm", WORDS) for one in dossiers.doctor()]
    if as_json:
        show_json({"done": told})
    else:
        for line in told:
            click.echo(line)
    return 0


@command.command()
@path_argument("folder", help="Folder to make; it must not be there yet.")
@json_option
def example(*, folder: Path, as_json: bool) -> None:
    """Make an archive to look at: six invented instruments over three years, and three in work.

    Workshops, partner, persons, instruments and every reading are invented.
    """
    from evenfall import workshop
    from evenfall.wording import say

    with Waiting() as waiting:
        made = workshop.example_archive(str(folder), waiting)
    if as_json:
        show_json({"archive": made.address, "dossiers": made.dossiers})
        return
    for step in made.steps:
        click.echo(say(step, "mm", WORDS))
    _print("{n} invented dossiers are in {folder}.", n=made.dossiers, folder=made.address)
    click.echo(f"To look at one: evenfall archive show UY-0431 --archive {folder}")
