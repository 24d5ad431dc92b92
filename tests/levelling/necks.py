"""Invented instruments and their readings for the tests of levelling: seeded, small and plain.

A neck is perfect but for what is asked for: relief along the bow, noise on every crown, wear.
Masses of wound strings: the chart that `tests/instrument/test_strings.py` cites.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray

from evenfall.instrument import Specification, read_specification, string_lines
from evenfall.instrument.geometry import board_drop_mm
from evenfall.measurement import Heights, Measurement, Origin
from evenfall.neck import default_bow
from evenfall.strings.excursion import ExcursionTable, excursion_key, excursion_table

FloatArray = NDArray[np.float64]

# Pitch, gauge [mm], core [mm] or None for plain steel, mass [g/m] or None to have it computed; as
# on charts for nickel-plated steel round wound strings, or near them.
SET = (
    ("E4", 0.254, None, None),
    ("B3", 0.330, None, None),
    ("G3", 0.432, None, None),
    ("D3", 0.660, 0.330, 2.263),
    ("A2", 0.914, 0.381, 4.280),
    ("E2", 1.168, 0.406, 6.825),
    ("B1", 1.422, 0.430, 10.29),
    ("F#1", 1.778, 0.450, 15.95),
    ("C#1", 2.032, 0.500, 20.54),
    ("G1", 1.600, 0.440, 13.0),
    ("D2", 1.270, 0.410, 7.9),
    ("C2", 1.300, 0.410, 8.3),
)


@dataclass(frozen=True)
class Wishes:
    """What a specification of the tests asks for; lengths in mm, forces in N."""

    strings: int = 3
    frets: int = 6
    scale: str = "length = 648.0"
    reference: int | None = None  # the last fret, at most the 12th
    joint: float | None = None
    action: float = 1.2
    action_bass: float = 1.4
    tolerance: float = 0.25
    first: float = 0.35
    first_tolerance: float = 0.2
    relief: tuple[float, float] = (0.0, 0.35)
    saddle: tuple[float, float] = (0.4, 0.4)  # down, up
    nut: tuple[float, float] = (0.2, 0.0)
    attack: float = 0.5
    attack_step: float = 0.05  # from string to string
    crown: float = 1.2
    minimum: float = 0.75
    extra: float = 0.02
    allowance: float = 0.0
    coverage: float = 0.95
    across: float | None = None
    along: float | None = None
    reversed: bool = False  # string 1 where the last was

    @property
    def reference_fret(self) -> int:
        return self.reference or min(12, self.frets)


def text(wishes: Wishes) -> str:
    """Return the specification as TOML."""
    count = wishes.strings
    ends = (wishes.action, wishes.action_bass)
    attack = [round(wishes.attack + wishes.attack_step * k, 9) for k in range(count)]
    strings = [SET[k] for k in range(count)]
    scale = wishes.scale
    if wishes.reversed:
        ends, attack, strings = ends[::-1], attack[::-1], strings[::-1]
        scale = scale.replace("bass", "BASS").replace("treble", "bass").replace("BASS", "treble")
    lines = [
        'schema = "evenfall/spec@1"',
        "[model]",
        'name = "Test neck (invented)"',
        f"frets = {wishes.frets}",
        "[scale]",
        *scale.split("; "),
        f"reference_fret = {wishes.reference_fret}",
        "[board]",
        "radius_nut = 254.0",
        "radius_last = 305.0",
        f"width_nut = {7.2 * count + 3.0}",
        f"width_last = {9.0 * count + 3.0}",
        f"string_spread_nut = {7.2 * (count - 1)}",
        f"string_spread_saddle = {10.4 * (count - 1)}",
        *([] if wishes.joint is None else [f"joint_fret = {wishes.joint}"]),
        "[fretwire]",
        f"crown_height = {wishes.crown}",
        "crown_width = 2.4",
        f"least_crown_height = {wishes.minimum!r}",
        "[target]",
        f"action = {{ treble = {ends[0]!r}, bass = {ends[1]!r}, "
        f"tolerance = {wishes.tolerance!r} }}",
        f"relief = {{ value = {0.5 * sum(wishes.relief)!r}, minimum = {wishes.relief[0]!r}, "
        f"maximum = {wishes.relief[1]!r} }}",
        f"first_fret_gap = {{ value = {wishes.first!r}, tolerance = {wishes.first_tolerance!r} }}",
        f"saddle_travel = {{ down = {wishes.saddle[0]!r}, up = {wishes.saddle[1]!r} }}",
        f"nut_travel = {{ down = {wishes.nut[0]!r}, up = {wishes.nut[1]!r} }}",
        *([] if wishes.across is None else [f"across = {wishes.across!r}"]),
        *([] if wishes.along is None else [f"along = {wishes.along!r}"]),
        "[player]",
        f"attack = {attack}",
        "pluck_distance = 130.0",
        "[rule]",
        f"extra_clearance = {wishes.extra!r}",
        f"working_allowance = {wishes.allowance!r}",
        f"coverage = {wishes.coverage!r}",
    ]
    for number, (pitch, gauge, core, weight) in enumerate(strings, start=1):
        lines += ["[[string]]", f"number = {number}", f'pitch = "{pitch}"', f"gauge = {gauge}"]
        lines += [] if core is None else [f"core = {core}"]
        lines += [] if weight is None else [f"mass_per_length = {weight}"]
        lines += ["saddle_setback = 2.0"]
    return "\n".join(lines) + "\n"


@cache
def specification(wishes: Wishes) -> Specification:
    """Return the specification that asks for `wishes`."""
    return read_specification(text(wishes))[0]


_TABLES: dict[str, ExcursionTable] = {}


def table(spec: Specification) -> ExcursionTable:
    """Return the excursion table of a specification, computed once."""
    key = excursion_key(spec)
    if key not in _TABLES:
        _TABLES[key] = excursion_table(spec, string_lines(spec))
    return _TABLES[key]


def readings(
    spec: Specification,
    *,
    seed: int = 0,
    noise_mm: float = 0.03,
    relief_mm: float = 0.15,
    action_off_mm: float = 0.0,
    first_off_mm: float = 0.0,
    crown_height_mm: float = 1.15,
    worn: dict[int, float] | None = None,
    high: dict[int, float] | None = None,
    u_mm: float = 0.004,
    tilted: bool = True,
) -> Measurement:
    """Return readings of a neck.

    Nut and saddle stand so that action and first-fret gap are as wanted, give or take
    `..._off_mm`, over the neck without noise. `worn` and `high` are what single frets lack or
    have too much [mm]. `tilted` gives each string's heights a slope of their own.
    """
    chance = np.random.default_rng(seed)
    lines = string_lines(spec)
    bow = default_bow(spec, lines)
    count, frets = spec.string_count, spec.frets
    smooth = relief_mm * bow.frets
    top = smooth + noise_mm * chance.standard_normal((count, frets))
    height = np.full((count, frets), crown_height_mm) + 0.01 * chance.uniform(
        -1.0, 1.0, (count, frets)
    )
    for fret, depth in (worn or {}).items():
        top[:, fret - 1] -= depth
        height[:, fret - 1] -= depth
    for fret, rise in (high or {}).items():
        top[:, fret - 1] += rise
    reference = spec.scale.reference_fret
    share = lines.station_mm / lines.saddle_station_mm[:, None]
    first = np.array([limit.value_mm for limit in spec.target.first_fret_gap]) + first_off_mm
    action = np.array([limit.value_mm for limit in spec.target.action]) + action_off_mm
    # a straight string through two gaps: nut (1 - a) + saddle a = fret + gap
    nut, saddle = np.zeros(count), np.zeros(count)
    for k in range(count):
        near, far = share[k, 1], share[k, reference]
        matrix = np.array([[1.0 - near, near], [1.0 - far, far]])
        wanted = np.array([smooth[k, 0] + first[k], smooth[k, reference - 1] + action[k]])
        nut[k], saddle[k] = np.linalg.solve(matrix, wanted)
    top -= board_drop_mm(spec, lines)[:, 1:]
    nut -= board_drop_mm(spec, lines)[:, 0]
    # the drop at the saddle is the readings' business only; keep the string over the frets
    drop = board_drop_mm(spec, lines)
    middle = drop[:, 0] + (drop[:, -1] - drop[:, 0]) / share[:, -1]
    saddle -= middle
    top += drop[:, 1:] - (drop[:, :1] + (middle - drop[:, 0])[:, None] * share[:, 1:])
    if tilted:
        lift, slope = chance.normal(5.0, 1.0, count), chance.normal(0.0, 2.0, count)
        top += lift[:, None] + slope[:, None] * share[:, 1:]
        nut += lift
        saddle += lift + slope
    shape = (count, frets)

    def full(size: tuple[int, ...], value: Any) -> Any:
        return np.full(size, value)

    return Measurement(
        serial="UY-0142 (invented)",
        model=spec.name,
        specification_hash=spec.content_hash,
        source=("readings.csv",),
        strung=True,
        humidity_percent=45.0,
        heights=Heights.independent(
            nut_mm=nut,
            crown_top_mm=top,
            saddle_mm=saddle,
            nut_u_mm=u_mm,
            crown_top_u_mm=u_mm,
            saddle_u_mm=u_mm,
        ),
        crown_height_mm=height,
        crown_height_u_mm=full(shape, 0.01),
        crown_height_origin=np.full(shape, Origin.READ, dtype=np.int8),
        crown_height_degrees_of_freedom=full(shape, np.inf),
        specification_text=spec.text,
    )


def mirrored(measurement: Measurement) -> Measurement:
    """Return the readings of the same neck with the strings counted from the other side."""
    names = [f"crown_height_{part}" for part in ("mm", "u_mm", "origin", "degrees_of_freedom")]
    parts = ("height_mm", "origin", "own_u_mm", "own_degrees_of_freedom")
    heights = measurement.heights
    turned = replace(heights, **{name: getattr(heights, name)[::-1] for name in parts})
    crowns = {name: getattr(measurement, name)[::-1] for name in names}
    return replace(measurement, heights=turned, **crowns)


SCALES = (
    "length = 648.0",
    "length = 863.6",
    "bass = 685.8; treble = 660.4; square_fret = 5",
    "bass = 889.0; treble = 838.2; square_fret = 3.5",
)


@dataclass(frozen=True)
class Neck:
    """One instrument with its readings, as the property tests draw them."""

    wishes: Wishes
    seed: int = 0
    noise_mm: float = 0.03
    relief_mm: float = 0.15
    action_off_mm: float = 0.0
    u_mm: float = 0.004

    @property
    def spec(self) -> Specification:
        return specification(self.wishes)

    @property
    def found(self) -> Measurement:
        return readings(
            self.spec,
            seed=self.seed,
            noise_mm=self.noise_mm,
            relief_mm=self.relief_mm,
            action_off_mm=self.action_off_mm,
            u_mm=self.u_mm,
        )

    @property
    def table(self) -> ExcursionTable:
        return table(self.spec)


def necks(**fixed: Any) -> st.SearchStrategy[Neck]:
    """Return a strategy for small necks of all kinds; `fixed` wishes are not drawn."""
    drawn: dict[str, Any] = {
        "strings": st.sampled_from([3, 4]),
        "frets": st.sampled_from([5, 6, 7]),
        "scale": st.sampled_from(SCALES),
        "attack": st.floats(0.1, 1.2),
        "extra": st.sampled_from([0.0, 0.02]),
        "allowance": st.sampled_from([0.0, 0.02]),
        "coverage": st.sampled_from([0.5, 0.95]),
        "minimum": st.sampled_from([0.7, 0.9]),
    }
    drawn.update({name: st.just(value) for name, value in fixed.items()})
    return st.builds(
        Neck,
        wishes=st.builds(Wishes, **drawn),
        seed=st.integers(0, 10_000),
        noise_mm=st.floats(0.0, 0.05),
        relief_mm=st.floats(-0.05, 0.4),
        action_off_mm=st.floats(-0.3, 0.3),
        u_mm=st.sampled_from([0.0, 0.004, 0.01]),
    )
