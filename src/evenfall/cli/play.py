"""`evenfall play`: which notes are clean, touch and rattle, and what they sound like."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from evenfall.cli.door import (
    WORDS,
    Number,
    json_option,
    path_argument,
    path_option,
    pictures_option,
    sheet_options,
    show_findings,
    show_json,
    show_written,
    unit_option,
)
from evenfall.cli.neck_options import source_of
from evenfall.cli.waiting import Waiting

if TYPE_CHECKING:
    from pathlib import Path


class _Note(click.ParamType["tuple[int, int]"]):
    """An option such as 3:5: string 3 stopped at fret 5."""

    name = "note"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, int]:
        string, colon, stop = str(value).partition(":")
        parts = (string, stop)
        if not colon or not all(p.isascii() and p.isdigit() and len(p) < 4 for p in parts):
            self.fail(
                f"{str(value)[:40]!r} is not a string and a stopped fret such as 3:5 (open string: "
                "3:0).",
                param,
                ctx,
            )
        return int(string), int(stop)


@click.command(name="play")
@path_argument("source", help="Measurement file, plan, or a hand sheet.")
@sheet_options
@click.option("--as-found", is_flag=True, help="Of a plan, play the instrument as found.")
@click.option(
    "--attack",
    "attacks_n",
    type=Number(0.01, 50.0),
    multiple=True,
    metavar="N",
    help="Attack on every string [N]; repeatable (default: 0.7, 1 and 1.4 times the "
    "specification's).",
)
@path_option(
    "--attack-from",
    "recording",
    metavar="WAV",
    help="Add the attack that a recording of one open string shows; name the string with --string.",
)
@click.option(
    "--string",
    "recorded_string",
    type=int,
    default=None,
    metavar="NUMBER",
    help="String of that recording.",
)
@click.option(
    "--duration",
    "duration_s",
    type=Number(0.01, 30.0),
    default=0.25,
    show_default=True,
    metavar="S",
    help="How long each note is followed [s].",
)
@pictures_option
@path_option(
    "--wav",
    metavar="FOLDER",
    help="Write notes as sound into this folder, of a plan as found and planned; all with one "
    "gain.",
)
@click.option(
    "--note",
    "notes",
    type=_Note(),
    multiple=True,
    metavar="STRING:FRET",
    help="Note for --wav, such as 3:5, or 3:0 for the open string; repeatable (default: the "
    "worst).",
)
@json_option
@unit_option
def command(
    *,
    source: Path,
    spec: Path | None,
    serial: str,
    as_found: bool,
    attacks_n: tuple[float, ...],
    recording: Path | None,
    recorded_string: int | None,
    duration_s: float,
    pictures: Path | None,
    wav: Path | None,
    notes: tuple[tuple[int, int], ...],
    as_json: bool,
    unit: str | None,
) -> None:
    """Pluck every string at every position: which notes are clean, touch and rattle.

    Each note is followed in time over the measured crowns, plucked away from the board and
    towards it. Of a plan, the instrument after the work; with --as-found before it.
    """
    from evenfall import workshop
    from evenfall.cli.reports import Lengths, show_play, show_sounds
    from evenfall.files import keep_apart, write_together
    from evenfall.workshop.outputs import pictures_of

    if (recording is None) != (recorded_string is None):
        raise click.UsageError("--attack-from and --string go together.")
    if notes and wav is None:
        raise click.UsageError("--note needs --wav, the folder for the sounds.")
    keep_apart([], [], folders=[pictures, wav])
    request = workshop.PlayRequest(
        source_of(source),
        source_of(spec),
        serial,
        as_found,
        attacks_n,
        source_of(recording),
        recorded_string or 0,
        duration_s,
        wav is not None,
        notes,
    )
    with Waiting() as waiting:
        outcome = workshop.play(request, waiting)
        lengths = Lengths.asked(unit, outcome.specification.unit)
        files = pictures_of(outcome, pictures, lengths.unit, waiting)
        if wav is not None and outcome.sounds is not None:
            files |= {wav / note.file_name: note.wav for note in outcome.sounds.notes}
        keep_apart(files, [source, spec, recording], folders=[pictures, wav])
        write_together(files, folders=[pictures, wav])
    if as_json:
        show_json(outcome.as_dict(lengths.unit, WORDS))
        return
    show_play(outcome)
    kept = (f for f in outcome.findings_of_readings if f.severity != "note" or f.code == "motion")
    show_findings((*kept, *outcome.findings_of_motion), lengths.unit)
    show_written(files)
    if outcome.sounds is not None:
        show_sounds(outcome.sounds, lengths)
