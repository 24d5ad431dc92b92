"""Notes laid end to end for the compiled kernel, and what it says about them."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from threading import Lock
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.errors import RequestError, UnsupportedError
from evenfall.strings.damping import default_damping
from evenfall.strings.playtest.modes import StoppedString, stopped_string

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import ModuleType

    from numpy.typing import NDArray

    from evenfall.instrument import Specification, StringLines
    from evenfall.strings.playtest.result import Settings

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]
    Table = NDArray[np.float64]  # columns in different units

PULSE_RATE_HZ = 48_000.0
"""Rate at which contact forces are summed for their spectrum; the sound has the same."""

_BOUND_MARGIN = 1.02  # damping enters the bound on the reach to second order
_MOST_LOGGED = 192  # strikes noted per note
_LOG_FLOOR = 0.1  # least strike noted, as a share of the threshold of rattling

# Two calls at once would share numba's threads, which its simplest scheduler does not allow.
_ONE_AT_A_TIME = Lock()


def load_kernel() -> ModuleType:
    """Return the compiled kernel.

    Raises
    ------
    UnsupportedError
        If numba is not installed, or does not load.
    """
    try:
        from evenfall.strings.playtest import contact
    except ModuleNotFoundError as missing:
        if (missing.name or "").split(".")[0] not in ("numba", "llvmlite"):
            raise
        raise UnsupportedError(
            "The play test needs the package numba, which is not installed; "
            "install it with: pip install 'evenfall[play]'"
        ) from missing
    except ImportError as broken:
        raise UnsupportedError(
            "The play test needs the package numba, which is installed but does not load "
            f"({str(broken).strip().rstrip('.')}); install one that fits with: "
            "pip install --upgrade 'evenfall[play]'"
        ) from broken
    return contact


@dataclass(frozen=True, slots=True)
class Note:
    """One pluck of one position.

    Parameters
    ----------
    index
        Indices of string, position, attack and direction.
    place
        Which position of the table.
    force_n
        Force normal to the board, positive away from it [N].
    """

    index: tuple[int, int, int, int]
    place: int
    force_n: float


@dataclass(frozen=True, slots=True)
class PositionTable:
    """All positions laid end to end, as the kernel reads them.

    Parameters
    ----------
    strings
        The modes of each position.
    place
        Indices of string and position.
    clearance_mm
        Rest clearance over the free frets of each position [mm].
    steps
        Steps of each position.
    flat
        The arrays of the kernel by name.
    """

    strings: tuple[StoppedString, ...]
    place: tuple[tuple[int, int], ...]
    clearance_mm: tuple[FloatArray, ...]
    steps: tuple[int, ...]
    flat: dict[str, NDArray[Any]]

    @staticmethod
    def of(
        specification: Specification,
        lines: StringLines,
        clearance_mm: FloatArray,
        settings: Settings,
        *,
        duration_s: float,
        only: tuple[tuple[int, int], ...] | None = None,
    ) -> PositionTable:
        """Return the table of an instrument.

        Parameters
        ----------
        specification, lines
            The instrument and its string lines.
        clearance_mm
            Rest clearance, shape (K, F + 1, F + 1) [mm].
        settings
            How the motion is computed.
        duration_s
            How long each note is followed [s].
        only
            The positions wanted; by default all.
        """
        wanted = only or tuple(
            (k, p) for k in range(specification.string_count) for p in range(specification.frets)
        )
        strings, clearances = [], []
        for k, p in wanted:
            string, station = specification.strings[k], lines.station_mm[k]
            try:
                stopped = stopped_string(
                    string,
                    length_mm=float(lines.saddle_station_mm[k] - station[p]),
                    fret_distance_mm=station[p + 1 :] - station[p],
                    pluck_distance_mm=specification.player.pluck_distance_mm,
                    pluck_width_mm=specification.player.pluck_width_mm,
                    damping=settings.damping or default_damping(string),
                    rate_hz=settings.rate_hz,
                )
            except ValueError as reason:
                raise RequestError(str(reason), where=f"string {string.number}") from reason
            strings.append(stopped)
            clearances.append(clearance_mm[k, p, p + 1 :])
        return PositionTable.joined(strings, wanted, clearances, duration_s)

    @staticmethod
    def joined(
        strings: Sequence[StoppedString],
        place: Sequence[tuple[int, int]],
        clearance_mm: Sequence[FloatArray],
        duration_s: float,
    ) -> PositionTable:
        """Return the table of some stopped strings.

        Parameters
        ----------
        strings
            The stopped strings.
        place
            What each is called: indices of string and position.
        clearance_mm
            Rest clearance over the free frets of each [mm].
        duration_s
            How long each note is followed [s].
        """
        steps = tuple(ceil(duration_s * s.rate_hz) for s in strings)
        flat = _flat(strings, clearance_mm, steps)
        return PositionTable(tuple(strings), tuple(place), tuple(clearance_mm), steps, flat)


def _flat(
    strings: Sequence[StoppedString], clearances: Sequence[FloatArray], steps: Sequence[int]
) -> dict[str, NDArray[Any]]:
    """Return every array of the kernel that belongs to positions."""
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
class Played:
    """What the kernel says about some notes.

    Parameters
    ----------
    table, notes
        What was played.
    numbers, counts, impulse_n_s, strikes, pulse_n_s, sound_mm_per_s
        Results as the kernel lays them out.
    energy_n_mm
        Energy of string and crowns at the beginning, and at the end [N mm], shape (R, 2).
    """

    table: PositionTable
    notes: Sequence[Note]
    numbers: Table
    counts: IntArray
    impulse_n_s: FloatArray
    strikes: Table
    pulse_n_s: FloatArray
    sound_mm_per_s: FloatArray
    energy_n_mm: FloatArray


def run_notes(
    kernel: ModuleType,
    table: PositionTable,
    notes: Sequence[Note],
    settings: Settings,
    *,
    listen_weight: Sequence[FloatArray] | None = None,
) -> Played:
    """Play notes with contact.

    Parameters
    ----------
    kernel
        The compiled kernel.
    table
        The positions.
    notes
        What to play.
    settings
        How the motion is computed and judged.
    listen_weight
        Weight of each mode in the sound, per position; None for no sound.

    Raises
    ------
    RequestError
        If the rate is too low to tell neighbouring frets apart.
    """
    for note in notes:
        stopped = table.strings[note.place]
        if stopped.rate_hz < stopped.least_rate_hz:
            raise RequestError(
                f"A rate of {stopped.rate_hz:g} Hz is too low for contact with frets this close: "
                f"it must be at least {ceil(stopped.least_rate_hz)} Hz here."
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
    position = np.array([note.place for note in notes], np.int64)
    sizes = flat["modes"][position]
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
    with _ONE_AT_A_TIME:
        kernel.play_runs(
            *(flat[name] for name in (
                "modes", "frets", "mode_start", "shape_start", "fret_start", "compliance_start",
                "steps", "rate", "turn", "keep", "gain", "shape", "compliance", "crown",
            )),
            weight,
            position, within_reach, state_start[:-1], before, now, depth_mm, settings.strike_gap_s,
            half_period_impulse * (settings.rattle_share * _LOG_FLOOR),
            half_period_impulse * settings.rattle_share,
            numbers, counts, impulse, strikes, pulse, PULSE_RATE_HZ, sound, sound_every,
        )  # fmt: skip
    for r, note in enumerate(notes):
        part = slice(state_start[r], state_start[r + 1])
        energy[r, 1] = energy_n_mm(note.place, part)
    return Played(table, notes, numbers, counts, impulse, strikes, pulse, sound, energy)


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

    Parameters
    ----------
    compliance_mm_per_n
        C, symmetric positive definite, shape (F, F) [mm/N].
    missing_mm
        m, how far each point lies under its crown without forces, shape (F,) [mm].
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


def reach_mm_per_n(kernel: ModuleType, table: PositionTable) -> list[FloatArray]:
    """Return how far each position swings per newton at each free fret, away and towards.

    Shape (2, F) per position [mm/N]: plucked away from the board, and towards it.

    Parameters
    ----------
    kernel
        The compiled kernel.
    table
        The positions; crowns do not matter.
    """
    flat = table.flat
    before = np.concatenate([s.pluck_mm_per_n for s in table.strings])
    now = np.concatenate([s.pluck_mm_per_n * s.first_factor for s in table.strings])
    start = np.concatenate([s.shape_fraction @ s.pluck_mm_per_n for s in table.strings])
    deepest, highest = start.copy(), start.copy()
    with _ONE_AT_A_TIME:
        kernel.reach_all(
            *(flat[name] for name in (
                "modes", "frets", "mode_start", "shape_start", "fret_start", "steps",
                "turn", "keep", "shape",
            )),
            before, now, deepest, highest,
        )  # fmt: skip
    cuts = flat["fret_start"][1:]
    return [
        np.stack([-low, top])
        for low, top in zip(np.split(deepest, cuts), np.split(highest, cuts), strict=True)
    ]
