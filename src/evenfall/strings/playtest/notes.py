"""Notes laid end to end for the compiled kernel, played in threads, and what it says about them.

Every call has its own threads, so two users never wait for each other; in between it asks its
caller whether to go on.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from math import ceil
from types import ModuleType
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.arrays import FloatArray, IntArray
from evenfall.errors import At, RequestError, UnsupportedError
from evenfall.instrument import Specification, StringLines
from evenfall.strings.playtest.modes import StoppedString, stopped_string
from evenfall.strings.playtest.play_test import Settings
from evenfall.wording import plain_line

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Table = FloatArray  # columns in different units
    Tell = Callable[[float], None]

PULSE_RATE_HZ = 48_000.0
"""Rate at which contact forces are summed for their spectrum; the sound has the same."""

_BOUND_MARGIN = 1.02  # damping enters the bound on the reach to second order
_MOST_LOGGED = 192  # strikes noted per note
_LOG_FLOOR = 0.1  # least strike noted, as a share of the threshold of rattling
_LOOK_S = 0.05  # how often the caller is asked whether to go on


def load_kernel() -> ModuleType:
    """Return the compiled kernel."""
    try:
        from evenfall.strings.playtest import contact
    except ModuleNotFoundError as missing:
        if (missing.name or "").split(".")[0] not in ("numba", "llvmlite"):
            raise
        raise UnsupportedError(
            "The play test needs the package numba, which is not installed; in the folder of "
            "evenfall's own files, python3 dev.py setup installs it."
        ) from missing
    except ImportError as broken:
        raise UnsupportedError(
            "The play test needs the package numba, which is installed but does not load "
            "({reason}); in the folder of evenfall's own files, python3 dev.py setup installs one "
            "that fits.",
            reason=plain_line(str(broken)).rstrip("."),
        ) from broken
    return contact


def _unwatched(_share: float) -> None:
    """Take note of nothing."""


def _in_threads(
    kernel: ModuleType, count: int, work: Callable[[int, IntArray], None], tell: Tell
) -> None:
    """Do `count` pieces of work, as many at once as there are cores; stop where `tell` raises.

    `work` is given the number of a piece, and an array whose first entry turns from 0 to 1 when it
    should stop.
    """
    stop = np.zeros(1, np.int64)
    pool = ThreadPoolExecutor(min(kernel.CORES, max(count, 1)))
    left = {pool.submit(work, piece, stop) for piece in range(count)}
    try:
        while left:
            done, left = wait(left, timeout=_LOOK_S)
            for piece in done:
                piece.result()
            tell(1.0 - len(left) / count)
    except BaseException:
        stop[0] = 1
        raise
    finally:  # compiling, at the very first call, cannot be stopped and is not waited for
        pool.shutdown(wait=not stop[0], cancel_futures=True)


@dataclass(frozen=True, slots=True)
class Note:
    """One pluck of one stopped string."""

    index: tuple[int, int, int, int]  # indices of string, stopped fret, attack and direction
    place: int  # which of the stopped strings
    force_n: float  # force normal to the board, positive away from it [N]


@dataclass(frozen=True, slots=True)
class StoppedStrings:
    """Stopped strings laid end to end, as the kernel reads them."""

    strings: tuple[StoppedString, ...]  # the modes of each
    place: tuple[tuple[int, int], ...]  # index of the string and stopped fret (0 = open) of each
    clearance_mm: tuple[FloatArray, ...]  # rest clearance over the free frets of each [mm]
    steps: tuple[int, ...]  # steps of each
    flat: dict[str, NDArray[Any]]  # the arrays of the kernel by name

    @staticmethod
    def of(
        specification: Specification,
        lines: StringLines,
        clearance_mm: FloatArray,
        settings: Settings,
        *,
        duration_s: float,
        only: tuple[tuple[int, int], ...] | None = None,
        tell: Tell = _unwatched,
    ) -> StoppedStrings:
        """Return strings of an instrument stopped at some frets, by default each at every fret.

        Clearance [mm] has the shape (K, F + 1, F + 1); each note is followed for `duration_s`.
        """
        wanted = only or tuple(
            (k, p) for k in range(specification.string_count) for p in range(specification.frets)
        )
        strings, clearances = [], []
        for n, (k, p) in enumerate(wanted):
            tell(n / len(wanted))
            string, station = specification.strings[k], lines.station_mm[k]
            stopped = stopped_string(
                string,
                length_mm=float(lines.saddle_station_mm[k] - station[p]),
                fret_distance_mm=station[p + 1 :] - station[p],
                pluck_distance_mm=specification.player.pluck_distance_mm,
                pluck_width_mm=specification.player.pluck_width_mm,
                damping=settings.damping,
                rate_hz=settings.rate_hz,
            )
            strings.append(stopped)
            clearances.append(clearance_mm[k, p, p + 1 :])
        return StoppedStrings.joined(strings, wanted, clearances, duration_s)

    @staticmethod
    def joined(
        strings: Sequence[StoppedString],
        place: Sequence[tuple[int, int]],
        clearance_mm: Sequence[FloatArray],
        duration_s: float,
    ) -> StoppedStrings:
        """Return some stopped strings, laid end to end."""
        steps = tuple(ceil(duration_s * s.rate_hz) for s in strings)
        flat = _flat(strings, clearance_mm, steps)
        return StoppedStrings(tuple(strings), tuple(place), tuple(clearance_mm), steps, flat)

    def followed(self, duration_s: FloatArray) -> StoppedStrings:
        """Return the same, each stopped string followed for a time of its own [s]."""
        steps = tuple(
            ceil(time * s.rate_hz) for time, s in zip(duration_s, self.strings, strict=True)
        )
        return replace(self, steps=steps, flat={**self.flat, "steps": np.array(steps)})


def _flat(
    strings: Sequence[StoppedString], clearances: Sequence[FloatArray], steps: Sequence[int]
) -> dict[str, NDArray[Any]]:
    """Return every array of the kernel that belongs to stopped strings."""
    modes = np.array([len(s.turn_factor) for s in strings])
    frets = np.array([len(c) for c in clearances])

    def starts(sizes: IntArray) -> IntArray:
        return np.concatenate([[0], np.cumsum(sizes)[:-1]])

    return {
        "modes": modes,
        "frets": frets,
        "mode_start": starts(modes),
        "shape_start": starts(modes * frets),
        "fret_start": starts(frets),
        "compliance_start": starts(frets**2),
        "steps": np.array(steps),
        "rate": np.array([s.rate_hz for s in strings]),
        "turn": np.concatenate([s.turn_factor for s in strings]),
        "keep": np.concatenate([s.keep_factor for s in strings]),
        "gain": np.concatenate([s.gain_mm_per_n for s in strings]),
        "shape": np.concatenate([s.shape_fraction.ravel() for s in strings]),
        "compliance": np.concatenate([s.step_compliance_mm_per_n.ravel() for s in strings]),
        "crown": -np.concatenate(clearances),
    }


@dataclass(frozen=True, slots=True)
class NoteResults:
    """What the kernel says about R notes."""

    stopped: StoppedStrings  # what was played
    notes: Sequence[Note]
    numbers: Table  # results as the kernel lays them out
    counts: IntArray
    impulse_n_s: FloatArray
    strikes: Table
    pulse_n_s: FloatArray
    sound_mm_per_s: FloatArray
    # energy of string and crowns at the beginning, and at the end [N mm], shape (R, 2)
    energy_n_mm: FloatArray


def run_notes(
    kernel: ModuleType,
    table: StoppedStrings,
    notes: Sequence[Note],
    settings: Settings,
    *,
    listen_weight: Sequence[FloatArray] | None = None,
    tell: Tell = _unwatched,
) -> NoteResults:
    """Play notes with contact; with sound where each stopped string has weights of its modes."""
    for note in notes:
        stopped = table.strings[note.place]
        if stopped.rate_hz < stopped.least_rate_hz:
            raise RequestError(
                "{rate:g} steps per second are too low a rate for contact with frets this close: "
                "at least {least} are needed.",
                at=_at(table, note),
                rate=stopped.rate_hz,
                least=ceil(stopped.least_rate_hz),
            )
    flat = table.flat
    most_frets = int(flat["frets"].max())
    weight = np.zeros(flat["turn"].shape)
    sound_every = np.zeros(len(table.strings), np.int64)
    longest: int = 0
    if listen_weight is not None:
        weight = np.concatenate(listen_weight)
        sound_every[:] = [max(1, round(s.rate_hz / PULSE_RATE_HZ)) for s in table.strings]
        longest = max(
            -(-n // int(every)) for n, every in zip(table.steps, sound_every, strict=True)
        )
    counts = np.zeros((len(notes), kernel.COUNTS), np.int64)
    counts[:, kernel.FIRST_FRET] = -1
    numbers = np.zeros((len(notes), kernel.NUMBERS))
    impulse = np.zeros((len(notes), most_frets))
    strikes = np.zeros((len(notes), _MOST_LOGGED, kernel.STRIKE_COLUMNS))
    last_s = max(n / s.rate_hz for n, s in zip(table.steps, table.strings, strict=True))
    pulse = np.zeros((len(notes), int(last_s * PULSE_RATE_HZ) + 2))
    sound = np.zeros((len(notes), longest))
    place = np.array([note.place for note in notes], np.int64)
    sizes = flat["modes"][place]
    state_start = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    before, now = np.empty(state_start[-1]), np.empty(state_start[-1])
    half_period_impulse = np.empty(len(notes))
    depth_mm = settings.elastic_depth_um / 1000.0

    def energy_n_mm(place: int, part: slice) -> float:
        stopped, states = table.strings[place], np.stack([before[part], now[part]])
        crowns = _stored(stopped, table.clearance_mm[place], states, depth_mm)
        return stopped.energy_n_mm(*states) + crowns

    energy = np.empty((len(notes), 2))
    for r, note in enumerate(notes):
        stopped = table.strings[note.place]
        part = slice(state_start[r], state_start[r + 1])
        pressed, before[part], now[part] = _release(
            stopped, table.clearance_mm[note.place], note.force_n
        )
        if pressed >= 0:
            counts[r, kernel.FIRST_FRET] = pressed
        half_period_impulse[r] = abs(note.force_n) / (2.0 * stopped.frequency_hz[0])
        energy[r, 0] = energy_n_mm(note.place, part)
    within_reach = np.array(
        [
            _within_reach(table.strings[note.place], table.clearance_mm[note.place], energy[r, 0])
            for r, note in enumerate(notes)
        ],
        np.int64,
    )
    floor_n_s = half_period_impulse * (settings.rattle_share * _LOG_FLOOR)
    over_n_s = half_period_impulse * settings.rattle_share
    by_string = [flat[name] for name in (
        "modes", "frets", "mode_start", "shape_start", "fret_start", "compliance_start",
        "steps", "rate", "turn", "keep", "gain", "shape", "compliance", "crown",
    )]  # fmt: skip

    def one(r: int, stop: IntArray) -> None:
        kernel.play_run(
            r, *by_string, weight,
            place, within_reach, state_start, before, now,
            depth_mm, settings.strike_gap_s, floor_n_s, over_n_s,
            numbers, counts, impulse, strikes, pulse, PULSE_RATE_HZ, sound, sound_every, stop,
        )  # fmt: skip

    _in_threads(kernel, len(notes), one, tell)
    for r, note in enumerate(notes):
        part = slice(state_start[r], state_start[r + 1])
        energy[r, 1] = energy_n_mm(note.place, part)
    return NoteResults(table, notes, numbers, counts, impulse, strikes, pulse, sound, energy)


def _at(table: StoppedStrings, note: Note) -> At:
    """Return which string stopped at which fret a note is."""
    k, stopped_fret = table.place[note.place]
    return At(strings=(k + 1,), stopped_fret=stopped_fret)


def _stored(
    stopped: StoppedString, clearance_mm: FloatArray, states_mm: FloatArray, depth_mm: float
) -> float:
    """Return the energy in elastic crowns [N mm], mean of two successive states (2, M)."""
    if depth_mm == 0.0:
        return 0.0
    depth = -clearance_mm - states_mm @ stopped.shape_fraction.T
    return float(0.2 * depth_mm**-1.5 * np.sum(np.maximum(depth, 0.0) ** 2.5))


def _within_reach(stopped: StoppedString, clearance_mm: FloatArray, energy_n_mm: float) -> int:
    """Return how many of the first frets the string can get to with its energy, at any time.

    By Cauchy and Schwarz no point moves further than sqrt(2 H g), g = sum over modes of
    shape^2 G / sin(wk)^2, since a mode of amplitude a has the energy a^2 sin(wk)^2 / (2 G) and H
    never grows.
    """
    modes = len(stopped.frequency_hz)
    sine = np.sin(2.0 * np.pi * stopped.frequency_hz / stopped.rate_hz)
    give = stopped.shape_fraction[:, :modes] ** 2 @ (stopped.gain_mm_per_n[:modes] / sine**2)
    near = np.flatnonzero(clearance_mm <= _BOUND_MARGIN * np.sqrt(2.0 * energy_n_mm * give))
    return int(near[-1]) + 1 if len(near) else 0


def _release(
    stopped: StoppedString, clearance_mm: FloatArray, force_n: float
) -> tuple[int, FloatArray, FloatArray]:
    """Return the fret pressed before release (-1: none) and the states at release and after.

    The string is held by the static force, resting on any fret that this presses it against,
    and let go from rest; the first step is the symmetric start of the two-step scheme.
    """
    shape = stopped.shape_fraction
    held = force_n * stopped.pluck_mm_per_n
    missing = -clearance_mm - shape @ held
    pressed = -1
    if (missing > 0.0).any():
        compliance = (shape * stopped.static_mm_per_n) @ shape.T
        push = complementary_force_n(compliance, missing)
        pressed = int(np.argmax(push))
        held = held + stopped.static_mm_per_n * (push @ shape)
    after = held * stopped.first_factor
    missing = -clearance_mm - shape @ after
    if (missing > 0.0).any():
        push = complementary_force_n(0.5 * stopped.step_compliance_mm_per_n, missing)
        after = after + 0.5 * stopped.gain_mm_per_n * (push @ shape)
    return pressed, held, after


def complementary_force_n(compliance_mm_per_n: FloatArray, missing_mm: FloatArray) -> FloatArray:
    """Return the least forces that lift a string off the crowns: f >= 0, C f >= m, f (C f - m) = 0.

    Least-index pivoting, which ends for every positive definite matrix (K. G. Murty, Linear
    Complementarity, Linear and Nonlinear Programming, Heldermann 1988; from memory).
    """
    count = len(missing_mm)
    active = np.zeros(count, dtype=bool)
    force = np.zeros(count)
    tolerance = 1e-12 * float(np.abs(missing_mm).max())
    for _ in range(50 * count + 50):
        force = np.zeros(count)
        chosen = np.flatnonzero(active)
        if len(chosen):
            force[chosen] = np.linalg.solve(
                compliance_mm_per_n[np.ix_(chosen, chosen)], missing_mm[chosen]
            )
        short = missing_mm - compliance_mm_per_n @ force
        wrong = np.flatnonzero((active & (force < 0.0)) | (~active & (short > tolerance)))
        if not len(wrong):
            break
        active[wrong[0]] = not active[wrong[0]]
    return np.maximum(force, 0.0)
