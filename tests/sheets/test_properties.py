"""What must hold for any readings."""

from __future__ import annotations

import dataclasses
import json
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from evenfall.errors import BrokenFileError, FormatMismatchError
from evenfall.measurement import Measurement
from evenfall.sheets.means import mean_of_repeats
from sheets.made_sheets import height_rows, heights, read, sheet, write

seeds = st.integers(0, 2**32 - 1)
gaps = st.lists(st.tuples(st.integers(1, 4), st.integers(1, 15)), max_size=2)

EXTRA = [
    "relief,,7,0.11,mm,0.01,strung,,",
    "relief,,7,0.12,mm,,strung 44%,,",
    "action,1,12,2.2,mm,0.02,,,",
    "action,all,1,0.4,mm,,,,",
    "crown_height,,3,0.95,mm,,strung 46%,,",
    "crown_height,2,3,0.91,mm,0.01,,,",
    "saddle,1,,4.11,mm,0.02,,,",
]


def measured(rows: list[str]) -> Measurement:
    with tempfile.TemporaryDirectory() as folder:
        return read(Path(folder), sheet(rows))[0]


def rows_of(seed: int, left_out: list[tuple[int, int]], unit: str = "mm") -> list[str]:
    if len({fret for _, fret in left_out}) < len(left_out):
        left_out = left_out[:1]
    return height_rows(*heights(seed), unit=unit, left_out=left_out)


@draws(25)
@given(seed=seeds, left_out=gaps, shuffle=seeds)
def test_the_order_of_rows_changes_nothing(
    seed: int, left_out: list[tuple[int, int]], shuffle: int
) -> None:
    rows = rows_of(seed, left_out) + EXTRA
    mixed = [rows[i] for i in np.random.default_rng(shuffle).permutation(len(rows))]
    assert measured(rows).as_dict() == measured(mixed).as_dict()


@draws(25)
@given(seed=seeds, left_out=gaps)
def test_inches_give_the_same_measurement_as_mm(seed: int, left_out: list[tuple[int, int]]) -> None:
    metric, imperial = measured(rows_of(seed, left_out)), measured(rows_of(seed, left_out, "in"))
    pairs = [
        (getattr(one, field.name), getattr(other, field.name))
        for one, other in ((metric, imperial), (metric.heights, imperial.heights))
        for field in dataclasses.fields(one)
        if field.name not in ("humidity_percent", "temperature_celsius", "heights", "shared")
    ]
    shared = zip(metric.heights.shared, imperial.heights.shared, strict=True)
    pairs += [(one.effect_mm, other.effect_mm) for one, other in shared]
    for here, there in pairs:
        if isinstance(here, np.ndarray):
            np.testing.assert_allclose(here, there, rtol=1e-9, atol=1e-12)
        else:
            assert here == there


@draws(25)
@given(
    seed=seeds,
    tilt=st.lists(st.floats(-0.002, 0.002), min_size=4, max_size=4),
    left_out=gaps,
)
def test_a_tilted_datum_tilts_what_is_filled_in_as_well(
    seed: int, tilt: list[float], left_out: list[tuple[int, int]]
) -> None:
    """Adding a + b x to a string's heights changes no clearance, so it may change no gap."""
    from sheets.made_sheets import lines

    crowns, nut, saddle = heights(seed)
    if len({fret for _, fret in left_out}) < len(left_out):
        left_out = left_out[:1]
    slope = np.array(tilt)[:, None]
    station, end = lines().station_mm[:, 1:], lines().saddle_station_mm
    level = measured(height_rows(crowns, nut, saddle, left_out=left_out))
    tilted = measured(
        height_rows(
            crowns + slope * station,
            nut,
            saddle + slope[:, 0] * end,
            left_out=left_out,
        )
    )
    np.testing.assert_allclose(tilted.crown_top_mm, level.crown_top_mm + slope * station, atol=1e-9)
    np.testing.assert_allclose(
        tilted.heights.crown_top_u_mm, level.heights.crown_top_u_mm, atol=1e-9
    )


@draws(25)
@given(seed=seeds, left_out=gaps, serial=st.text(max_size=20))
def test_a_measurement_survives_its_file(
    seed: int, left_out: list[tuple[int, int]], serial: str
) -> None:
    made = dataclasses.replace(measured(rows_of(seed, left_out) + EXTRA), serial=serial)
    back = Measurement.from_dict(json.loads(json.dumps(made.as_dict())))
    assert back.as_dict() == made.as_dict()
    assert back.content_hash == made.content_hash
    for field in dataclasses.fields(Measurement):
        one, other = getattr(made, field.name), getattr(back, field.name)
        if isinstance(one, np.ndarray):
            np.testing.assert_array_equal(one, other)
        elif field.name not in ("humidity_percent", "temperature_celsius"):
            assert one == other


def test_a_measurement_changed_by_hand_is_refused() -> None:
    values = measured(rows_of(1, [])).as_dict()
    values["heights"]["height_mm"][0][0] += 0.001
    with pytest.raises(BrokenFileError):
        Measurement.from_dict(values)
    with pytest.raises(FormatMismatchError):
        Measurement.from_dict({"schema": "other"})


@given(
    st.lists(st.floats(-100, 100), min_size=1, max_size=30),
    st.floats(0, 1),
    st.floats(-100, 100),
)
def test_mean_and_uncertainty_follow_a_shift_and_a_scale(
    values: list[float], gauge: float, shift: float
) -> None:
    mean, u = mean_of_repeats(values, gauge)
    assert u >= gauge
    assert min(values) - 1e-9 <= mean <= max(values) + 1e-9
    moved, u_moved = mean_of_repeats([v + shift for v in values], gauge)
    assert moved == pytest.approx(mean + shift, abs=1e-9)
    assert u_moved == pytest.approx(u, abs=1e-9)
    scaled, u_scaled = mean_of_repeats([v * 25.4 for v in values], gauge * 25.4)
    assert scaled == pytest.approx(mean * 25.4, abs=1e-7)
    assert u_scaled == pytest.approx(u * 25.4, abs=1e-7)


def test_reading_leaves_the_sheet_as_it_was(tmp_path: Path) -> None:
    path = write(tmp_path, sheet(rows_of(1, [])))
    before = path.read_bytes()
    from sheets.made_sheets import read_file

    read_file(path)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]
