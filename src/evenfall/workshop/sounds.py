"""Notes as sounds that can be compared by ear, before and after a plan, all with one gain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from evenfall.errors import At, Progress, RequestError
from evenfall.instrument import Specification
from evenfall.strings.playtest import PlayTest
from evenfall.strings.playtest.sound import Sound, no_such_note, sound, wav_bytes
from evenfall.workshop.opening import Opened, heights

MOST_NOTES = 48
"""Notes that are written as sound in one go."""
SOUND_S = 2.0
"""Length of a sound."""
LISTEN_MM = 50.0
"""Where the string is listened to, from the saddle."""
_FREE_DB = 1.0
"""Left free under full scale by the loudest sound."""


@dataclass(frozen=True, slots=True)
class HeardNote:
    """One note as a sound."""

    string: int  # string number, and the fret at which it is stopped (0 = open)
    stopped_fret: int
    state: str  # "as found" or "planned"
    direction: str  # direction of the pluck
    force_n: float  # its force [N]
    peak_mm_per_s: float  # largest velocity of the string at the listening point [mm/s]
    wav: bytes  # the bytes of a WAV file: one channel, 16 bit

    @property
    def file_name(self) -> str:
        """Name of its file."""
        state = self.state.replace(" ", "-")
        return f"string-{self.string}-fret-{self.stopped_fret}-{state}.wav"


@dataclass(frozen=True, slots=True)
class Sounds:
    """Notes as sounds that can be compared by ear: all with one gain."""

    full_scale_mm_per_s: float  # velocity of the string that fills the scale of every file [mm/s]
    listen_mm: float  # where the string is listened to, from the saddle [mm]
    notes: tuple[HeardNote, ...]  # the notes

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON, each file by its name."""
        return {
            "full_scale_mm_per_s": self.full_scale_mm_per_s,
            "listen_mm": self.listen_mm,
            "files": [
                {
                    "file": note.file_name,
                    "string": note.string,
                    "stopped_fret": note.stopped_fret,
                    "state": note.state,
                    "direction": note.direction,
                    "force_n": note.force_n,
                    "peak_mm_per_s": note.peak_mm_per_s,
                }
                for note in self.notes
            ],
        }


def check_notes(specification: Specification, notes: Sequence[tuple[int, int]]) -> None:
    """Refuse notes (string number, stopped fret) that there are not, and too many at once."""
    at = At(field="note")
    for string, stopped in notes:
        known = 1 <= string <= specification.string_count
        if not (known and 0 <= stopped < specification.frets):
            raise no_such_note(specification, string, stopped, at)
    if len(notes) > MOST_NOTES:
        raise RequestError(
            "{count} notes are too many at once; name at most {most}.",
            at=at,
            count=len(notes),
            most=MOST_NOTES,
        )


def play_sounds(
    opened: Opened,
    test: PlayTest,
    judged: int,
    notes: Sequence[tuple[int, int]],
    progress: Progress,
) -> Sounds:
    """Return the sound of notes (string number, stopped fret), as found and as planned.

    Each is plucked at the judged level of the play test, in the direction in which it strikes the
    frets harder.
    """
    specification = opened.specification
    notes = tuple(dict.fromkeys(notes))
    plans = {"as found": None} | ({"planned": opened.plan} if opened.plan else {})
    made: list[tuple[HeardNote, Sound]] = []
    for string, stopped in notes:
        k = test.string_numbers.index(string)
        force = test.attacks[judged].force_n[k]
        d = int(np.argmax(test.impulse_n_s[k, stopped, judged].sum(axis=1)))
        direction = test.directions[d]
        for state, plan in plans.items():
            progress("Listening to the notes", len(made) / (len(notes) * len(plans)))
            heard = sound(
                specification,
                *heights(opened.measurement, plan),
                string=string,
                stopped_fret=stopped,
                force_n=force,
                direction=direction,
                duration_s=SOUND_S,
                listen_mm=LISTEN_MM,
            )
            note = HeardNote(
                string, stopped, state, direction.name, force, heard.peak_mm_per_s, b""
            )
            made.append((note, heard))
    loudest = max(note.peak_mm_per_s for note, _ in made)
    full_scale = loudest * 10.0 ** (_FREE_DB / 20.0)
    return Sounds(
        full_scale,
        LISTEN_MM,
        tuple(
            replace(note, wav=wav_bytes(heard, full_scale_mm_per_s=full_scale))
            for note, heard in made
        ),
    )
