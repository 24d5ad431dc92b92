"""One note of the play test as sound: the velocity of the string near the saddle.

That is what a pickup there would sense of a string; what a body would make of it is not in it.
Both polarisations are heard: normal to the board with contact, and along it without.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from math import cos, isfinite

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.errors import NOWHERE, At, Progress, RequestError, silent
from evenfall.instrument import Specification, string_lines
from evenfall.strings.clearance import rest_clearance_mm
from evenfall.strings.modes import string_modes
from evenfall.strings.playtest.modes import StoppedString
from evenfall.strings.playtest.notes import (
    PULSE_RATE_HZ,
    Note,
    StoppedStrings,
    load_kernel,
    run_notes,
)
from evenfall.strings.playtest.play_test import Direction, Settings

_FADE_HZ = (18_000.0, 20_000.0)  # partials above are not heard, and would fold back
_MOST_16_BIT = 32767
_DOING = "Listening to the notes"


@dataclass(frozen=True, slots=True)
class Sound:
    """Samples of one note."""

    samples_mm_per_s: FloatArray  # velocity of the string at the listening point, shape (N,) [mm/s]
    rate_hz: float  # samples per second

    @property
    def peak_mm_per_s(self) -> float:
        """Largest velocity, either way [mm/s]."""
        return float(np.abs(self.samples_mm_per_s).max(initial=0.0))


def sound(
    specification: Specification,
    nut_mm: FloatArray,
    crown_top_mm: FloatArray,
    saddle_mm: FloatArray,
    *,
    string: int,
    stopped_fret: int,
    force_n: float,
    direction: Direction,
    duration_s: float = 2.0,
    listen_mm: float = 50.0,
    parallel_share: float = 0.3,
    settings: Settings | None = None,
    progress: Progress = silent,
) -> Sound:
    """Return the sound of one note over heights [mm], shapes (K,), (K, F) and (K,).

    It is listened to some way from the saddle, at most an eighth of the string. How loud motion
    along the board is beside motion normal to it is our own choice.
    """
    settings = settings or Settings()
    numbers = [s.number for s in specification.strings]
    if string not in numbers or not 0 <= stopped_fret < specification.frets:
        raise no_such_note(specification, string, stopped_fret)
    if not (isfinite(force_n) and force_n > 0.0 and 0.0 < duration_s <= 30.0 and listen_mm > 0.0):
        raise RequestError(
            "force_n and listen_mm must be positive, and duration_s must lie between 0 and 30."
        )
    kernel = load_kernel()
    lines = string_lines(specification)
    clearance = rest_clearance_mm(lines, nut_mm, crown_top_mm, saddle_mm)
    k = numbers.index(string)
    if not np.isfinite(clearance[k, stopped_fret, stopped_fret + 1 :]).all():
        raise RequestError(
            "Heights are missing under string {string}; complete the readings first.",
            at=At(strings=(string,), stopped_fret=stopped_fret),
            string=string,
        )
    place = ((k, stopped_fret),)
    table = StoppedStrings.of(
        specification, lines, clearance, settings, duration_s=duration_s, only=place
    )
    stopped = table.strings[0]
    weight = _listening(stopped, min(listen_mm, stopped.string.length_mm / 8.0))
    note = Note((k, stopped_fret, 0, 0), 0, force_n * direction.normal_share)
    played = run_notes(
        kernel, table, [note], settings, listen_weight=[weight],
        tell=lambda share: progress(_DOING, 0.5 * share),
    )  # fmt: skip
    samples = played.sound_mm_per_s[0]
    along = parallel_share * force_n * cos(direction.angle_rad)
    if abs(along) > 1e-9 * force_n:
        free = StoppedStrings.joined([stopped], place, [np.full(len(table.clearance_mm[0]), 1e9)],
                                    duration_s)  # fmt: skip
        beside = run_notes(kernel, free, [Note((k, stopped_fret, 0, 0), 0, along)], settings,
                           listen_weight=[weight],
                           tell=lambda share: progress(_DOING, 0.5 + 0.5 * share))  # fmt: skip
        samples = samples + beside.sound_mm_per_s[0]
    every = max(1, round(stopped.rate_hz / PULSE_RATE_HZ))
    return Sound(samples, stopped.rate_hz / every)


def no_such_note(
    specification: Specification, string: int, stopped_fret: int, at: At = NOWHERE
) -> RequestError:
    """Return the refusal of a string or a stopped fret that the instrument does not have."""
    return RequestError(
        "There is no string {string} stopped at fret {stopped_fret}: strings are 1 to {strings}, "
        "stopped frets 0 to {last}.",
        at=at,
        string=string,
        stopped_fret=stopped_fret,
        strings=specification.string_count,
        last=specification.frets - 1,
    )


def _listening(stopped: StoppedString, distance_mm: float) -> FloatArray:
    """Return the weight of each mode at a distance from the saddle, faded out above hearing."""
    modes = len(stopped.frequency_hz)
    station = np.array([stopped.string.length_mm - distance_mm])
    shape = string_modes(stopped.string, station, modes).shape_fraction[0]
    low, high = _FADE_HZ
    fade = np.clip((high - stopped.frequency_hz) / (high - low), 0.0, 1.0)
    return np.pad(shape * fade, (0, len(stopped.turn_factor) - modes))


def wav_bytes(sound: Sound, *, full_scale_mm_per_s: float) -> bytes:
    """Return a sound as the bytes of a WAV file: one channel, 16 bit, linear, clipped.

    Two sounds can be compared by ear only if both are written with the same full scale. RIFF
    container with a `fmt ` and a `data` chunk (Multimedia Programming Interface and Data
    Specifications 1.0, IBM and Microsoft 1991).
    """
    if not (isfinite(full_scale_mm_per_s) and full_scale_mm_per_s > 0.0):
        raise ValueError(f"full_scale_mm_per_s must be positive, not {full_scale_mm_per_s}.")
    scaled = np.clip(sound.samples_mm_per_s / full_scale_mm_per_s, -1.0, 1.0)
    data = np.round(scaled * _MOST_16_BIT).astype("<i2").tobytes()
    rate = round(sound.rate_hz)
    form = struct.pack("<HHIIHH", 1, 1, rate, 2 * rate, 2, 16)
    chunks = b"fmt " + struct.pack("<I", len(form)) + form
    chunks += b"data" + struct.pack("<I", len(data)) + data
    return b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks
