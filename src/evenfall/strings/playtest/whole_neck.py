"""The play test: every string at every fret, several attacks and directions, over the real crowns.

Each string has two polarisations. Along the board nothing stands in its way and the motion is
linear; normal to the board the crowns do, without friction. Until something touches, the motion is
that of the excursion table, so the table says which notes are clean, direction by direction, at
any later time. Only the others are played with contact, to tell which of them rattle.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from types import ModuleType
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, IntArray
from evenfall.errors import At, Progress, RequestError, silent
from evenfall.instrument import Specification, string_lines
from evenfall.strings.clearance import rest_clearance_mm
from evenfall.strings.excursion import AWAY as FROM_BOARD
from evenfall.strings.excursion import TOWARDS as TO_BOARD
from evenfall.strings.excursion import ExcursionTable, excursion_table
from evenfall.strings.playtest.modes import StoppedString
from evenfall.strings.playtest.notes import (
    PULSE_RATE_HZ,
    Note,
    StoppedStrings,
    load_kernel,
    run_notes,
)
from evenfall.strings.playtest.play_test import (
    AWAY,
    BAND_HZ,
    TOWARDS,
    Attack,
    Direction,
    PlayTest,
    Settings,
    Strikes,
    Verdict,
    attack_levels,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from evenfall.strings.playtest.notes import NoteResults

_BATCH_S = 128.0  # of notes played at once: bounds the memory for force histories to 50 MB
_LONGEST_S = 30.0
_DOING = "Playing every string at every fret"
_MODES_SHARE = 0.05  # done when the modes are set up
_LOOKED_PERIODS = 4.0 * 1.12 ** np.arange(72)  # where the bound on the motion is known


def play(
    specification: Specification,
    nut_mm: FloatArray,
    crown_top_mm: FloatArray,
    saddle_mm: FloatArray,
    *,
    attacks: Sequence[Attack] | None = None,
    directions: Sequence[Direction] = (AWAY, TOWARDS),
    duration_s: float = 0.25,
    excursion: ExcursionTable | None = None,
    settings: Settings | None = None,
    progress: Progress = silent,
) -> PlayTest:
    """Play every string at every fret and find which notes are clean, touch and rattle.

    Parameters
    ----------
    specification
        The instrument.
    nut_mm, crown_top_mm, saddle_mm
        Heights over one straight datum, shapes (K,), (K, F) and (K,) [mm].
    attacks
        Levels of attack; by default 0.7, 1 and 1.4 times the specified one.
    directions
        Directions of the pluck; by default straight away from the board and towards it.
    duration_s
        How long each note is followed at least [s]; longer where it may touch for the first time
        only later.
    excursion
        Excursion table of this specification, and of the damping in `settings` if it names one, if
        it is at hand already.
    settings
        How the motion is computed and judged.
    progress
        Called some twenty times a second; the play test ends where it raises.

    Raises
    ------
    RequestError
        Heights are missing or of the wrong shape, or an attack does not fit the strings.
    UnsupportedError
        numba is not installed.
    Cancelled
        As `progress` raised it.

    Examples
    --------
    >>> from evenfall.instrument import read_specification
    >>> from evenfall.instrument.specification_template import specification_template
    >>> specification, _ = read_specification(specification_template())
    >>> count, frets = specification.string_count, specification.frets
    >>> nut, saddle = np.full(count, 0.5), np.full(count, 4.0)
    >>> test = play(specification, nut, np.zeros((count, frets)), saddle, duration_s=0.02)
    >>> test.counts()
    {'clean': 384, 'touches': 11, 'rattles': 1}
    """
    settings = settings or Settings()
    attacks = tuple(attack_levels(specification) if attacks is None else attacks)
    directions = tuple(directions)
    _check(specification, (nut_mm, crown_top_mm, saddle_mm), attacks, directions, duration_s)
    kernel = load_kernel()
    lines = string_lines(specification)
    clearance = rest_clearance_mm(lines, nut_mm, crown_top_mm, saddle_mm)
    if excursion is None:
        excursion = excursion_table(specification, lines, settings.damping)

    def part(low: float, high: float) -> Callable[[float], None]:
        return lambda share: progress(_DOING, low + (high - low) * share)

    stopped = StoppedStrings.of(
        specification, lines, clearance, settings,
        duration_s=duration_s, tell=part(0.0, _MODES_SHARE),
    )  # fmt: skip
    touch_n, critical = _force_by_direction(clearance, excursion.whole_mm_per_n)
    buzz_n, _ = _force_by_direction(clearance, excursion.first_mm_per_n)
    notes = _notes(stopped, touch_n, attacks, directions)
    followed_s = np.full(len(stopped.strings), duration_s)
    for note in notes:
        k, p, _, _ = note.index
        deepest = excursion.whole_mm_per_n[_side(note.force_n), k, p, p + 1 :]
        reached = abs(note.force_n) * deepest > stopped.clearance_mm[note.place]
        settled = _settled_s(stopped.strings[note.place], deepest, reached)
        followed_s[note.place] = max(followed_s[note.place], settled)
    stopped = stopped.followed(np.minimum(followed_s, max(duration_s, _LONGEST_S)))
    arrays = _ResultArrays(specification, attacks, directions)
    for note in notes:
        arrays.touches(note, int(critical[(*note.index[:2], _side(note.force_n))]))
    order = _even_order(len(notes))
    size = max(kernel.CORES, int(_BATCH_S / followed_s.max()))
    for first in range(0, len(order), size):
        batch = order[first : first + size]
        low, high = (
            _MODES_SHARE + (1.0 - _MODES_SHARE) * done / len(order)
            for done in (first, first + len(batch))
        )
        played = run_notes(
            kernel, stopped, [notes[i] for i in batch], settings, tell=part(low, high)
        )
        arrays.fill(kernel, played)
    progress(_DOING, 1.0)
    return arrays.play_test(
        stopped, settings, duration_s, touch_force_n=touch_n, buzz_force_n=buzz_n
    )


def _force_by_direction(
    clearance_mm: FloatArray, swing_mm_per_n: FloatArray
) -> tuple[FloatArray, IntArray]:
    """Return the force [N] that takes the swing to a crown, and which, by direction: (K, P, 2)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        force = np.where(swing_mm_per_n > 0.0, clearance_mm / swing_mm_per_n, np.inf)[:, :, :-1]
    least, fret = force.min(axis=3), force.argmin(axis=3)
    return np.moveaxis(least, 0, 2), np.moveaxis(fret, 0, 2).astype(np.int64)


def _notes(
    table: StoppedStrings,
    touch_force_n: FloatArray,
    attacks: Sequence[Attack],
    directions: Sequence[Direction],
) -> list[Note]:
    """Return the notes that touch."""
    notes = []
    for place, (k, p) in enumerate(table.place):
        for a, attack in enumerate(attacks):
            for d, direction in enumerate(directions):
                force = attack.force_n[k] * direction.normal_share
                if abs(force) > touch_force_n[k, p, _side(force)]:
                    notes.append(Note((k, p, a, d), place, force))
    return notes


def _side(force_n: float) -> int:
    """Return the direction in an excursion table of a force normal to the board."""
    return FROM_BOARD if force_n > 0.0 else TO_BOARD


def _settled_s(stopped: StoppedString, deepest_mm_per_n: FloatArray, reached: BoolArray) -> float:
    """Return the time after which the motion has been its deepest over these free frets [s].

    It is at most sum |a_n phi_n| exp(-s_n t), which falls for ever; once that is under the deepest
    excursion, this must have been before.
    """
    modes = len(stopped.frequency_hz)
    size = np.abs(stopped.shape_fraction[reached, :modes] * stopped.pluck_mm_per_n[:modes])
    time_s = _LOOKED_PERIODS / stopped.frequency_hz[0]
    bound = size @ np.exp(-np.outer(stopped.decay_per_s, time_s))
    over = int((bound > deepest_mm_per_n[reached, None]).any(axis=0).sum())
    return float(time_s[min(over, len(time_s) - 1)])


class _ResultArrays:
    """The arrays of a `PlayTest`, filled batch by batch."""

    def __init__(
        self,
        specification: Specification,
        attacks: tuple[Attack, ...],
        directions: tuple[Direction, ...],
    ) -> None:
        self._numbers = tuple(s.number for s in specification.strings)
        self._attacks, self._directions = attacks, directions
        shape = (len(self._numbers), specification.frets, len(attacks), len(directions))
        whole = ("verdict", "first_contact_fret", "strike_count", "strikes_over_count")
        real = ("largest_strike_n_s", "peak_force_n", "energy_lost_share", "penetration_um")
        self._of: dict[str, NDArray[Any]] = {
            **{name: np.zeros(shape, np.int64) for name in whole},
            **{name: np.zeros(shape) for name in real},
            "first_contact_s": np.full(shape, np.nan),
            "impulse_n_s": np.zeros((*shape, specification.frets)),
            "spectrum_n_s": np.zeros((*shape, len(BAND_HZ))),
            "played": np.zeros(shape, dtype=bool),
        }
        self._logs: list[FloatArray] = []

    def touches(self, note: Note, fret: int) -> None:
        """Note that a note touches, and the fret that it would reach first by its deepest swing."""
        self._of["verdict"][note.index] = Verdict.TOUCHES
        self._of["first_contact_fret"][note.index] = fret

    def fill(self, kernel: ModuleType, played: NoteResults) -> None:
        """Fill in what the kernel, which knows its columns, says about some notes."""
        stopped, of = played.stopped, self._of
        free_left = {
            place: _free_energy_left(stopped.strings[place], stopped.steps[place])
            for place in {note.place for note in played.notes}
        }
        bands = _band_levels(played.pulse_n_s)
        for r, note in enumerate(played.notes):
            at, stopped_fret = note.index, note.index[1]
            counts, numbers = played.counts[r], played.numbers[r]
            of["played"][at] = True
            fret = counts[kernel.FIRST_FRET]
            if fret >= 0:
                if counts[kernel.STRIKES_OVER] > 0:
                    of["verdict"][at] = Verdict.RATTLES
                of["first_contact_fret"][at] = stopped_fret + 1 + fret
                of["first_contact_s"][at] = numbers[kernel.FIRST_S]
            free = stopped.flat["frets"][note.place]
            of["impulse_n_s"][at][stopped_fret:] = played.impulse_n_s[r, :free]
            of["largest_strike_n_s"][at] = numbers[kernel.LARGEST_STRIKE]
            of["peak_force_n"][at] = numbers[kernel.PEAK]
            of["strike_count"][at] = counts[kernel.STRIKES]
            of["strikes_over_count"][at] = counts[kernel.STRIKES_OVER]
            of["penetration_um"][at] = 1000.0 * numbers[kernel.PENETRATION]
            left = played.energy_n_mm[r, 1] / played.energy_n_mm[r, 0]
            of["energy_lost_share"][at] = 1.0 - left / free_left[note.place] if fret >= 0 else 0.0
            of["spectrum_n_s"][at] = bands[r]
            log = played.strikes[r][played.strikes[r, :, kernel.STRIKE_IMPULSE] > 0.0]
            log = log[np.argsort(log[:, kernel.STRIKE_START_S], kind="stable")]
            log[:, kernel.STRIKE_FRET] += stopped_fret + 1
            self._logs.append(np.hstack([np.tile(at, (len(log), 1)), log]))

    def play_test(
        self,
        stopped: StoppedStrings,
        settings: Settings,
        duration_s: float,
        *,
        touch_force_n: FloatArray,
        buzz_force_n: FloatArray,
    ) -> PlayTest:
        """Return the whole; both forces in N by direction."""
        logs = np.vstack([np.empty((0, 9)), *self._logs])
        logs = logs[np.lexsort(logs[:, [5, 3, 2, 1, 0]].T)]
        grid = self._of["verdict"].shape[:2]
        return PlayTest(
            string_numbers=self._numbers,
            attacks=self._attacks,
            directions=self._directions,
            duration_s=duration_s,
            settings=settings,
            **self._of,
            strikes=Strikes(
                run=logs[:, :4].astype(np.int64),
                fret=logs[:, 4].astype(np.int64),
                start_s=logs[:, 5],
                length_s=logs[:, 6],
                impulse_n_s=logs[:, 7],
                peak_n=logs[:, 8],
            ),
            touch_force_n=touch_force_n,
            buzz_force_n=buzz_force_n,
            rate_hz=np.array([s.rate_hz for s in stopped.strings]).reshape(grid),
            mode_count=np.array([len(s.frequency_hz) for s in stopped.strings]).reshape(grid),
        )


def _free_energy_left(stopped: StoppedString, steps: int) -> float:
    """Return the share of the energy that damping alone leaves after so many steps."""
    first, last = (
        stopped.energy_n_mm(
            stopped.from_rest(stopped.pluck_mm_per_n, n / stopped.rate_hz),
            stopped.from_rest(stopped.pluck_mm_per_n, (n + 1) / stopped.rate_hz),
        )
        for n in (0, steps)
    )
    return last / first


def _band_levels(pulse_n_s: FloatArray) -> FloatArray:
    """Return the root mean square of the pulses' spectrum in each octave band [N s]."""
    samples = 1 << (pulse_n_s.shape[1] - 1).bit_length()
    power = np.abs(np.fft.rfft(pulse_n_s, samples, axis=1)) ** 2
    frequency = np.arange(power.shape[1]) * (PULSE_RATE_HZ / samples)
    levels = [
        power[:, (frequency >= band / 2**0.5) & (frequency < band * 2**0.5)].mean(axis=1)
        for band in BAND_HZ
    ]
    return np.asarray(np.sqrt(np.stack(levels, axis=1)))


def _check(
    specification: Specification,
    heights_mm: tuple[FloatArray, FloatArray, FloatArray],
    attacks: Sequence[Attack],
    directions: Sequence[Direction],
    duration_s: float,
) -> None:
    """Raise RequestError if the play test cannot be carried out as asked."""
    strings, frets = specification.string_count, specification.frets
    expected = {"nut_mm": (strings,), "crown_top_mm": (strings, frets), "saddle_mm": (strings,)}
    for (name, shape), height in zip(expected.items(), heights_mm, strict=True):
        if np.shape(height) != shape:
            raise RequestError(
                "{name} has the shape {given:phrases}; it must be {needed:phrases}.",
                at=At(field=name),
                name=name,
                given=np.shape(height),
                needed=shape,
            )
        if not np.isfinite(height).all():
            raise RequestError(
                "{name} has missing heights; the play test needs every nut slot, crown and saddle: "
                "complete the readings first.",
                at=At(field=name),
                name=name,
            )
    if not attacks or not directions:
        raise RequestError("The play test needs at least one attack and one direction.")
    for attack in attacks:
        if len(attack.force_n) != strings:
            raise RequestError(
                "Attack {name:quoted} has {given:count force}, but the instrument has "
                "{strings:count string}; give one force per string.",
                at=At(field="attacks"),
                name=attack.name,
                given=len(attack.force_n),
                strings=strings,
            )
    if not 0.0 < duration_s <= _LONGEST_S:
        raise RequestError(
            "A note can be followed for up to {longest:g} s, not for {given:g} s.",
            at=At(field="duration_s"),
            longest=_LONGEST_S,
            given=duration_s,
        )


def _even_order(count: int) -> IntArray:
    """Return an order in which any run of neighbours is a fair sample of the whole."""
    return np.argsort((np.arange(count) * 0.6180339887498949) % 1.0, kind="stable")
