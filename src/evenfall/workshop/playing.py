"""The play test as a step: played, heard, and held against what a plan promises."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite
from typing import TYPE_CHECKING, Any, Literal

from evenfall.errors import Finding, RequestError
from evenfall.files import read_bytes, write_atomically
from evenfall.workshop.heights import heights
from evenfall.workshop.job import excursion, make_folder

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from evenfall.instrument import Specification
    from evenfall.measurement import Measurement
    from evenfall.plan import Plan
    from evenfall.strings.attack import AttackEstimate
    from evenfall.strings.playtest import Attack, PlayTest
    from evenfall.workshop.heights import Heights

    FloatArray = NDArray[np.float64]
    Progress = Callable[[str, float], None]

State = Literal["found", "planned"]
MOST_LEVELS = 6
"""Levels of attack that one table and one picture can hold."""
MOST_NOTES = 48
"""Notes that are written as sound in one go."""
RECORDED = "as recorded"
"""Name of the level that comes from a recording."""
SOUND_S = 2.0
"""Length of a sound."""
LISTEN_MM = 50.0
"""Where the string is listened to, from the saddle."""
_FREE_DB = 1.0
"""Left free under full scale by the loudest sound."""


def _silent(_what: str, _share: float) -> None:
    """Tell nobody."""


PLAY_TEST = "The play test"
"""What it is called where it lacks a height."""


# ---- playing ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PlayedPosition:
    """What one stopped position does, over all levels of attack.

    Parameters
    ----------
    string, position
        String number, and the fret at which it is stopped (0 = open).
    verdicts
        Worst verdict over the directions, by level: "clean", "touches" or "rattles".
    level
        Index of the gentlest level that touches; -1 if none does.
    first_contact_s, first_contact_fret
        When and where it first touches at that level: time after release [s] and fret; NaN and 0
        if it does not.
    largest_strike_n_s
        Strongest strike over all levels [N s].
    """

    string: int
    position: int
    verdicts: tuple[str, ...]
    level: int
    first_contact_s: float
    first_contact_fret: int
    largest_strike_n_s: float

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        from evenfall.codec import plain

        return {
            "string": self.string,
            "position": self.position,
            "verdicts": list(self.verdicts),
            "first_contact_s": plain(self.first_contact_s),
            "first_contact_fret": self.first_contact_fret,
            "largest_strike_n_s": self.largest_strike_n_s,
        }


@dataclass(frozen=True, slots=True)
class PlayReport:
    """A play test of one instrument, and what stands out.

    Parameters
    ----------
    state
        "found": as the readings stand; "planned": after the work of the plan.
    test
        The play test.
    worst
        The positions that touch, worst first.
    findings
        All that in words.
    """

    state: State
    test: PlayTest
    worst: tuple[PlayedPosition, ...]
    findings: tuple[Finding, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        values = self.test.as_dict()
        return {
            "schema": values.pop("schema"),
            "state": self.state,
            **values,
            "worst": [position.as_dict() for position in self.worst],
            "findings": [finding.as_dict() for finding in self.findings],
        }


def play(
    specification: Specification,
    measurement: Measurement,
    plan: Plan | None = None,
    *,
    attacks_n: Sequence[float] = (),
    recorded: Attack | None = None,
    duration_s: float = 0.25,
    progress: Progress | None = None,
) -> PlayReport:
    """Pluck every string at every position and say which notes are clean, touch and rattle.

    Parameters
    ----------
    specification
        The instrument.
    measurement
        Its readings.
    plan
        What is to be done to it: the instrument after that work is played.
    attacks_n
        Levels of attack, each for every string [N]; by default 0.7, 1 and 1.4 times the
        specification's.
    recorded
        One more level, from a recording.
    duration_s
        How long each note is followed [s].
    progress
        Told what is being done and how far it is.

    Raises
    ------
    RequestError
        Readings are missing, or a value is out of range.
    UnsupportedError
        numba is not installed.
    """
    from evenfall.strings.playtest import Attack
    from evenfall.strings.playtest.play_test import attack_levels

    if not 0.0 < duration_s <= 30.0:
        raise RequestError(f"A note can be followed for up to 30 s, not for {duration_s:g} s.")
    if any(not 0.0 < force <= 50.0 for force in attacks_n):
        raise RequestError("An attack lies over 0 and up to 50 N.", where="attack")
    count = specification.string_count
    asked = tuple(Attack(f"{force:g} N", (force,) * count) for force in sorted(set(attacks_n)))
    levels = asked or attack_levels(specification)
    if recorded is not None:
        levels = (*levels, recorded)
    if len(levels) > MOST_LEVELS:
        raise RequestError(
            f"{len(levels)} levels of attack are more than can be shown; give {MOST_LEVELS} or "
            "fewer.",
            where="attack",
        )
    test = play_levels(
        specification,
        heights(measurement, plan, needed_by=PLAY_TEST),
        levels,
        duration_s=duration_s,
        progress=progress,
    )
    worst = _worst(test)
    findings = (*_play_findings(test, worst), *_trust_findings(measurement, plan))
    return PlayReport("found" if plan is None else "planned", test, worst, findings)


def play_levels(
    specification: Specification,
    where: Heights,
    attacks: Sequence[Attack],
    *,
    duration_s: float = 0.25,
    progress: Progress | None = None,
) -> PlayTest:
    """Play every position at some levels of attack, with the excursion table that is kept.

    Parameters
    ----------
    specification
        The instrument.
    where
        Heights of nut, crown tops and saddle over the datum [mm].
    attacks
        The levels.
    duration_s
        How long each note is followed [s].
    progress
        Told what is being done and how far it is.

    Raises
    ------
    RequestError
        A value is out of range.
    UnsupportedError
        numba is not installed.
    """
    from evenfall.strings.playtest import play as play_all
    from evenfall.strings.playtest.notes import load_kernel

    tell = progress or _silent
    tell("Making the play test ready (longer the first time)", 0.0)
    load_kernel()
    return play_all(
        specification,
        *where,
        attacks=attacks,
        duration_s=duration_s,
        excursion=excursion(specification),
        progress=tell,
    )


def require_play_test() -> None:
    """Make sure that the play test can run, before any work is done.

    Raises
    ------
    UnsupportedError
        numba is not installed.
    """
    from evenfall.strings.playtest.notes import load_kernel

    load_kernel()


def _worst(test: PlayTest) -> tuple[PlayedPosition, ...]:
    """Return the positions that touch: first by what the gentler levels do, then by strength."""
    import numpy as np

    from evenfall.strings.playtest.play_test import Verdict

    found = []
    for k, number in enumerate(test.string_numbers):
        for p in range(test.verdict.shape[1]):
            verdicts = test.worst[k, p]
            touching = np.flatnonzero(verdicts > Verdict.CLEAN)
            if not len(touching):
                continue
            level = int(touching[0])
            first = test.first_contact_s[k, p, level]
            d = int(np.nanargmin(first))
            found.append(
                PlayedPosition(
                    string=number,
                    position=p,
                    verdicts=tuple(Verdict(v).name.lower() for v in verdicts),
                    level=level,
                    first_contact_s=float(first[d]),
                    first_contact_fret=int(test.first_contact_fret[k, p, level, d]),
                    largest_strike_n_s=float(test.largest_strike_n_s[k, p].max()),
                )
            )

    def gravity(position: PlayedPosition) -> tuple[int, int, float]:
        rattling = position.verdicts.count("rattles")
        touching = sum(verdict != "clean" for verdict in position.verdicts)
        return -rattling, -touching, -position.largest_strike_n_s

    return tuple(sorted(found, key=gravity))


def _play_findings(test: PlayTest, worst: tuple[PlayedPosition, ...]) -> list[Finding]:
    import numpy as np

    from evenfall.strings.playtest.play_test import Verdict

    total = test.worst[:, :, 0].size
    findings = []
    names = [attack.name for attack in test.attacks]
    judged = names.index("as specified") if "as specified" in names else len(names) - 1
    if "as specified" in names:
        lead = "At the specified attack"
    else:
        of = "" if names[judged] == RECORDED else " of"
        lead = f"At an attack{of} {names[judged]}"
    verdict = test.worst[:, :, judged]
    touching, rattling = (int(np.count_nonzero(verdict == v)) for v in list(Verdict)[1:])
    sentence = f"{lead} none of {total} positions touches"
    if touching + rattling:
        sentence = (
            f"{lead} {total - touching - rattling} of {total} positions are clean, {touching} "
            f"touch and {rattling} rattle"
        )
        bad = next(w for w in worst if w.verdicts[judged] != "clean")
        sentence += f"; the worst is {place_text(bad.string, bad.position)}"
    findings.append(
        Finding("motion", f"{sentence}.", "", "warning" if touching + rattling else "note")
    )
    bold = int(np.count_nonzero(test.touch_force_optimistic))
    careful = int(np.count_nonzero(test.touch_force_conservative))
    findings.append(
        Finding(
            "motion",
            f"Of {test.worst.size} notes over all levels, the touch force called {bold} clean that "
            f"touch in motion, and {careful} touching that stay clean.",
            "",
            "note",
        )
    )
    return findings


def _trust_findings(measurement: Measurement, plan: Plan | None) -> list[Finding]:
    if measurement.strung or plan is not None:
        return []
    return [
        Finding(
            "state",
            "The readings were taken without strings: at pitch the neck has more relief, and the "
            "notes differ; carry the readings to playing tension first (evenfall neck --convert).",
            "",
            "warning",
        )
    ]


def place_text(string: int, position: int) -> str:
    """Return a stopped position in words.

    Parameters
    ----------
    string, position
        String number, and the fret at which it is stopped (0 = open).
    """
    return f"string {string} " + (f"stopped at fret {position}" if position else "open")


def play_pictures(specification: Specification, report: PlayReport) -> dict[str, str]:
    """Draw a play test; SVG text by name.

    Parameters
    ----------
    specification
        The instrument.
    report
        Its play test.
    """
    from evenfall.pictures.play_map import play_map

    when = "planned" if report.state == "planned" else "as found"
    title = f"{specification.name or 'Instrument'}: play test {when}"
    return {f"play test {when}": play_map(specification, report.test, title=title)}


# ---- listening ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class HeardNote:
    """One note as a sound.

    Parameters
    ----------
    string, position
        String number, and the fret at which it is stopped (0 = open).
    state
        "found", or "planned": after the work.
    direction
        Direction of the pluck.
    force_n
        Its force [N].
    peak_mm_per_s
        Largest velocity of the string at the listening point [mm/s].
    wav
        The bytes of a WAV file: one channel, 16 bit.
    """

    string: int
    position: int
    state: State
    direction: str
    force_n: float
    peak_mm_per_s: float
    wav: bytes

    @property
    def file_name(self) -> str:
        """Name of its file."""
        when = "before" if self.state == "found" else "after"
        return f"string-{self.string}-fret-{self.position}-{when}.wav"


@dataclass(frozen=True, slots=True)
class Sounds:
    """Notes as sounds that can be compared by ear: all with one gain.

    Parameters
    ----------
    full_scale_mm_per_s
        Velocity of the string that fills the scale of every file [mm/s].
    notes
        The notes.
    """

    full_scale_mm_per_s: float
    notes: tuple[HeardNote, ...]

    def as_dict(self, folder: Path) -> dict[str, Any]:
        """Return plain values for JSON.

        Parameters
        ----------
        folder
            Where the files are.
        """
        return {
            "full_scale_mm_per_s": self.full_scale_mm_per_s,
            "listen_mm": LISTEN_MM,
            "files": [
                {
                    "file": str(folder / note.file_name),
                    "string": note.string,
                    "position": note.position,
                    "state": note.state,
                    "direction": note.direction,
                    "force_n": note.force_n,
                    "peak_mm_per_s": note.peak_mm_per_s,
                }
                for note in self.notes
            ],
        }


def play_sounds(
    specification: Specification,
    measurement: Measurement,
    plan: Plan | None,
    report: PlayReport,
    *,
    notes: Sequence[tuple[int, int]] = (),
    progress: Progress | None = None,
) -> Sounds:
    """Return the sound of notes, before and after the plan if there is one, with one gain.

    Each note is plucked at the specified level of the report (else its strongest), in the
    direction in which it strikes the frets harder.

    Parameters
    ----------
    specification
        The instrument.
    measurement
        Its readings.
    plan
        What is to be done to it.
    report
        Its play test, for levels and for the worst note.
    notes
        String number and position (0 = open) of each; the worst note if left out.
    progress
        Told what is being done and how far it is.

    Raises
    ------
    RequestError
        There is no such note, or readings are missing.
    UnsupportedError
        numba is not installed.
    """
    import numpy as np

    from evenfall.strings.playtest.sound import Sound, sound, wav_bytes

    test = report.test
    wanted = list(dict.fromkeys(notes)) or [_loudest(report)]
    for string, position in wanted:
        if string not in test.string_numbers or not 0 <= position < specification.frets:
            raise RequestError(
                f"There is no string {string} stopped at {position}: strings are 1 to "
                f"{specification.string_count}, positions 0 to {specification.frets - 1}.",
                where="note",
            )
    if len(wanted) > MOST_NOTES:
        raise RequestError(
            f"{len(wanted)} notes are too many at once; name at most {MOST_NOTES}.", where="note"
        )
    names = [attack.name for attack in test.attacks]
    level = names.index("as specified") if "as specified" in names else len(names) - 1
    states: tuple[State, ...] = ("found",) if plan is None else ("found", "planned")
    tell = progress or _silent
    made: list[tuple[HeardNote, Sound]] = []
    for n, (string, position) in enumerate(wanted):
        k = test.string_numbers.index(string)
        force = test.attacks[level].force_n[k]
        d = int(np.argmax(test.impulse_n_s[k, position, level].sum(axis=1)))
        direction = test.directions[d]
        for m, state in enumerate(states):
            tell("Listening to the notes", (n + m / len(states)) / len(wanted))
            heard = sound(
                specification,
                *heights(measurement, plan if state == "planned" else None, needed_by=PLAY_TEST),
                string=string,
                stopped_fret=position,
                force_n=force,
                direction=direction,
                duration_s=SOUND_S,
                listen_mm=LISTEN_MM,
            )
            note = HeardNote(
                string, position, state, direction.name, force, heard.peak_mm_per_s, b""
            )
            made.append((note, heard))
    loudest = max(note.peak_mm_per_s for note, _ in made)
    full_scale = loudest * 10.0 ** (_FREE_DB / 20.0)
    return Sounds(
        full_scale,
        tuple(
            replace(note, wav=wav_bytes(heard, full_scale_mm_per_s=full_scale))
            for note, heard in made
        ),
    )


def _loudest(report: PlayReport) -> tuple[int, int]:
    """Return the worst note; where all are clean, the one with the least room in motion."""
    import numpy as np

    if report.worst:
        return report.worst[0].string, report.worst[0].position
    least = report.test.motion_touch_force_n.min(axis=2) / report.test.normal_attack_n[:, :1]
    k, p = np.unravel_index(int(np.argmin(least)), least.shape)
    return report.test.string_numbers[int(k)], int(p)


def write_sounds(sounds: Sounds, folder: Path) -> list[Path]:
    """Write sounds as WAV files; return them.

    Parameters
    ----------
    sounds
        The sounds.
    folder
        Where to; made if it is not there.

    Raises
    ------
    RequestError
        A file cannot be written.
    """
    make_folder(folder)
    for note in sounds.notes:
        write_atomically(folder / note.file_name, note.wav)
    return [folder / note.file_name for note in sounds.notes]


# ---- how hard a player plucks -------------------------------------------------------------------


def attack_from_recording(
    specification: Specification, recording: Path, string: int
) -> tuple[AttackEstimate, Attack | None, tuple[Finding, ...]]:
    """Estimate the attack from the sound of one plucked open string.

    Parameters
    ----------
    specification
        The instrument; its player says where the string was plucked.
    recording
        A WAV file of that string, open, plucked once.
    string
        String number.

    Returns
    -------
    The estimate; the level of attack that pulls every string as far aside (None if the recording
    only gives a bound); and both in words.

    Raises
    ------
    EvenfallError
        The file cannot be used, it is not of this string, or there is no such string.
    """
    from evenfall.strings.attack import PublishedAttack, attack_from_sound
    from evenfall.strings.playtest import Attack
    from evenfall.strings.recording import LIMIT_BYTES, read_recording

    if not 1 <= string <= specification.string_count:
        raise RequestError(
            f"There is no string {string}: strings are 1 to {specification.string_count}.",
            where="string",
        )
    data = read_bytes(recording, limit_bytes=LIMIT_BYTES)
    samples, rate = read_recording(data, recording.name)
    try:
        found = attack_from_sound(
            samples,
            rate,
            specification.strings[string - 1],
            pluck_distance_mm=specification.player.pluck_distance_mm,
            pluck_width_mm=specification.player.pluck_width_mm,
        )
    except RequestError as error:
        error.at = error.at.in_file(recording.name)
        raise
    if not isfinite(found.displacement_mm):
        told = Finding(
            "motion",
            f"The pitch of the recorded string {string} falls too little to tell the attack: it "
            f"was pulled aside by less than {found.most_displacement_mm:.2f} mm; the levels stay "
            "as they are.",
            recording.name,
            "note",
        )
        return found, None, (told,)
    even = PublishedAttack(RECORDED, None, found.displacement_mm, recording.name)
    level = Attack(even.name, even.per_string_n(specification))
    told = Finding(
        "motion",
        f"By the fall of its pitch the recorded string {string} was pulled "
        f"{found.displacement_mm:.2f} mm ± {2.0 * found.u_displacement_mm:.2f} mm aside, with "
        f"{found.force_n:.2f} N; the level 'as recorded' pulls every string as far, straight from "
        "and to the board, which is the most that it can have been.",
        recording.name,
        "note",
    )
    return found, level, (told,)


def attack_values(string: int, found: AttackEstimate) -> dict[str, Any]:
    """Return an estimate of the attack as plain values for JSON.

    Parameters
    ----------
    string
        String number.
    found
        The estimate.
    """
    from evenfall.codec import plain

    return {
        "string": string,
        "displacement_mm": plain(found.displacement_mm),
        "u_displacement_mm": plain(found.u_displacement_mm),
        "most_displacement_mm": found.most_displacement_mm,
        "force_n": plain(found.force_n),
        "pitch_hz": found.pitch_hz,
        "glide_cents": found.glide_cents,
        "partials_count": found.partials_count,
    }
