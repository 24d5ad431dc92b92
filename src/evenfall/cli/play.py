"""`evenfall play`: which notes are clean, touch and rattle, and what they sound like."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from evenfall.cli.door import (
    Number,
    json_option,
    path_argument,
    path_option,
    show_findings,
    show_json,
)

if TYPE_CHECKING:
    from pathlib import Path

    from evenfall.instrument import Specification
    from evenfall.workshop import PlayReport

_MOST_SHOWN = 10
"""Positions in the table of the worst."""


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
                f"{value!r} is not a string and a position such as 3:5 (open string: 3:0).",
                param,
                ctx,
            )
        return int(string), int(stop)


@click.command(name="play")
@path_argument("source", help="Measurement file, plan, or a hand sheet with --spec.")
@path_option("--spec", help="Specification, if SOURCE is a hand sheet.")
@click.option("--serial", default="", help="What a hand sheet's instrument is called on its label.")
@click.option("--before", is_flag=True, help="Of a plan, play the instrument as found.")
@click.option(
    "--attack",
    "attacks_n",
    type=Number(0.01, 50.0),
    multiple=True,
    metavar="N",
    help="Attack on every string [N]; repeatable. By default 0.7, 1 and 1.4 times the "
    "specification's.",
)
@path_option(
    "--attack-from",
    "recording",
    metavar="WAV",
    help="Add the attack that a recording of one open string tells; name the string with --string.",
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
@path_option("--pictures", metavar="FOLDER", help="Write the picture into this folder.")
@path_option(
    "--wav",
    metavar="FOLDER",
    help="Write notes as sound into this folder, of a plan before and after; all with one gain.",
)
@click.option(
    "--note",
    "notes",
    type=_Note(),
    multiple=True,
    metavar="STRING:STOP",
    help="Note for --wav, such as 3:5, or 3:0 for the open string; repeatable. By default the "
    "worst.",
)
@json_option
def command(
    *,
    source: Path,
    spec: Path | None,
    serial: str,
    before: bool,
    attacks_n: tuple[float, ...],
    recording: Path | None,
    recorded_string: int | None,
    duration_s: float,
    pictures: Path | None,
    wav: Path | None,
    notes: tuple[tuple[int, int], ...],
    as_json: bool,
) -> None:
    """Pluck every string of SOURCE at every position and say what is clean, touches and rattles.

    Each note is followed in time over the measured crowns, plucked away from the board and
    towards it. Of a plan, the instrument after the work; with --before as found.
    """
    from evenfall import workshop
    from evenfall.cli.waiting import Waiting
    from evenfall.files import keep_apart

    if (recording is None) != (recorded_string is None):
        raise click.UsageError("--attack-from and --string go together.")
    if notes and wav is None:
        raise click.UsageError("--note needs --wav, the folder for the sounds.")
    workshop.require_play_test()
    specification, readings, plan, findings = workshop.open_measurement_or_plan(
        source, spec, serial=serial
    )
    if before and plan is None:
        raise click.UsageError("--before needs a plan; a measurement is always as found.")
    level = estimate = None
    if recording is not None and recorded_string is not None:
        estimate, level, told = workshop.attack_from_recording(
            specification, recording, recorded_string
        )
        findings = (*findings, *told)
    sounds = None
    with Waiting() as waiting:
        report = workshop.play(
            specification,
            readings,
            None if before else plan,
            attacks_n=attacks_n,
            recorded=level,
            duration_s=duration_s,
            progress=waiting,
        )
        if wav is not None:
            sounds = workshop.play_sounds(
                specification, readings, plan, report, notes=notes, progress=waiting
            )
    if wav is not None and sounds is not None:
        read = [path for path in (source, spec, recording) if path is not None]
        keep_apart([wav / note.file_name for note in sounds.notes], read)
    drawn = []
    if pictures is not None:
        drawn = workshop.write_pictures(workshop.play_pictures(specification, report), pictures)
    written = [] if wav is None or sounds is None else workshop.write_sounds(sounds, wav)
    if as_json:
        values = report.as_dict()
        values["recording"] = None
        if estimate is not None and recorded_string is not None:
            values["recording"] = workshop.attack_values(recorded_string, estimate)
        values["sounds"] = None if wav is None or sounds is None else sounds.as_dict(wav)
        values["findings"] = [f.as_dict() for f in (*findings, *report.findings)]
        show_json(values)
        return
    when = "after the plan" if report.state == "planned" else "as found"
    click.echo(f"{readings.serial or 'Instrument'}: {readings.model}, {when}")
    _show(specification, report)
    kept = (f for f in findings if f.severity != "note" or f.code == "motion")
    show_findings((*kept, *report.findings))
    for path in drawn:
        click.echo(f"Picture {path}")
    if sounds is not None:
        for path, note in zip(written, sounds.notes, strict=True):
            click.echo(f"Sound {path} ({note.force_n:.2f} N {note.direction})")
        click.echo(
            f"One gain for all sounds: full scale is {sounds.full_scale_mm_per_s:.0f} mm/s of the "
            f"string, {workshop.LISTEN_MM:g} mm from the saddle"
        )


def _show(specification: Specification, report: PlayReport) -> None:
    from evenfall.cli.tables import table

    test = report.test
    worst = test.worst

    def three(of: object) -> str:
        verdicts = [int(v) for v in of]  # type: ignore[attr-defined]
        return " / ".join(str(verdicts.count(v)) for v in range(3))

    headings, alike = [], []
    for attack in test.attacks:
        alike.append(len(set(attack.force_n)) == 1)
        plain = alike[-1] and not attack.name.endswith(" N")
        headings.append(f"{attack.name} ({attack.force_n[0]:.2f} N)" if plain else attack.name)
    rows = [
        [
            str(number),
            specification.strings[k].pitch,
            *(
                ("" if alike[a] else f"{attack.force_n[k]:.2f} N:  ") + three(worst[k, :, a])
                for a, attack in enumerate(test.attacks)
            ),
        ]
        for k, number in enumerate(test.string_numbers)
    ]
    rows.append(["all", "", *(three(worst[:, :, a].ravel()) for a in range(len(headings)))])
    table(
        f"Positions clean / touching / rattling, each followed {test.duration_s:g} s",
        ["string", "pitch", *headings],
        rows,
    )
    if not report.worst:
        return
    rows = [
        [
            str(w.string),
            f"fret {w.position}" if w.position else "open",
            *w.verdicts,
            "at release" if w.first_contact_s == 0.0 else f"{1000.0 * w.first_contact_s:.1f}",
            str(w.first_contact_fret),
        ]
        for w in report.worst[:_MOST_SHOWN]
    ]
    more = len(report.worst) - len(rows)
    table(
        "Worst positions, and their first contact at the gentlest attack that touches"
        + (f" ({more} more touch)" if more else ""),
        ["string", "stopped", *headings, "after ms", "on fret"],
        rows,
    )
