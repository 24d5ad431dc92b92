"""`evenfall play`: which notes are clean, touch and rattle, and what they sound like."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from evenfall.cli.desk import Desk, from_archive_option
from evenfall.cli.door import Number, path_argument, path_option, sheet_options
from evenfall.cli.neck_options import source_of
from evenfall.cli.results import Result, result_options

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
@click.option("--as-found", is_flag=True, help="For a plan, play the instrument as found.")
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
    help="Also play at the attack heard in a recording of one open string; name the string with "
    "--string.",
)
@click.option(
    "--string",
    "recorded_string",
    type=int,
    default=None,
    metavar="NUMBER",
    help="Number of the string in the recording of --attack-from.",
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
@path_option(
    "--wav",
    metavar="FOLDER",
    help="Write notes as sound files into this folder, all with one gain; for a plan, as found and "
    "as planned.",
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
@from_archive_option
@result_options
def command(
    *,
    source: Path,
    spec: Path | None,
    serial: str,
    recording: Path | None,
    recorded_string: int | None,
    wav: Path | None,
    desk: Desk,
    result: Result,
    **how: Any,
) -> None:
    """Compute how every note sounds: clean, touching a fret or rattling.

    Each note is followed in time over the measured crowns, plucked away from the board and
    towards it. For a plan, the instrument after the work is played; with --as-found, before it.
    """
    from evenfall import workshop
    from evenfall.cli.reports import show_play

    if (recording is None) != (recorded_string is None):
        raise click.UsageError("--attack-from and --string go together.")
    if how["notes"] and wav is None:
        raise click.UsageError("--note needs --wav, the folder for the sounds.")
    request = workshop.PlayRequest(
        desk.source(source, "measurement"),
        source_of(spec),
        serial,
        recording=source_of(recording),
        recorded_string=recorded_string or 0,
        sounds=wav is not None,
        **how,
    )
    result.of(
        workshop.play,
        request,
        show_play,
        files=lambda made, _told: (
            {wav / note.file_name: note.wav for note in made.sounds.notes}
            if wav is not None and made.sounds is not None
            else {}
        ),
        inputs=[source, spec, recording],
        folders=[wav],
    )
