"""Whatever was read, the gates answer; and a datum that lies otherwise changes no answer."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenfall.errors import GATE_CODES
from evenfall.gates import next_readings, unmet
from evenfall.instrument import read_specification
from evenfall.measurement import Direct, Heights, Origin
from gates.looked_at import codes, heights, looked_at
from necks import invented
from necks.kinds import ALL_KINDS, specification, text
from necks.readings import Reader, exact, read

SMALL = read_specification(
    text("ukulele")
    .replace("frets = 16", "frets = 5")
    .replace("reference_fret = 12", "reference_fret = 5")
    .replace("joint_fret = 14", "joint_fret = 5")
)[0]


@given(
    seed=st.integers(0, 10_000),
    missing=st.floats(0.0, 0.9),
    spread=st.sampled_from([0.0, 0.05, 3.0]),
)
def test_any_heights_get_an_answer(seed: int, missing: float, spread: float) -> None:
    """Few strings and frets, any of them missing, any height: no error, no warning of NumPy."""
    chance = np.random.default_rng(seed)
    made = [SMALL, specification("electric"), specification("fan")][seed % 3]
    shape = made.string_count, made.frets + 2
    height = np.round(spread * chance.standard_normal(shape), int(chance.integers(1, 5)))
    gone = chance.random(shape) < missing
    origin = np.where(gone, Origin.MISSING, chance.integers(1, 4, shape)).astype(np.int8)
    u = np.where(gone, np.nan, float(chance.choice([0.0, 0.002, 0.05])))
    found = replace(
        exact(invented.neck("electric")),
        heights=Heights(
            height_mm=np.where(gone, np.nan, height),
            origin=origin,
            own_u_mm=u,
            own_degrees_of_freedom=np.full(shape, np.inf),
        ),
        crown_height_mm=np.full((shape[0], made.frets), 1.0),
        crown_height_u_mm=np.full((shape[0], made.frets), 0.01),
        crown_height_origin=np.full((shape[0], made.frets), Origin.READ, dtype=np.int8),
        crown_height_degrees_of_freedom=np.full((shape[0], made.frets), np.inf),
        direct=(
            Direct("action", 1, 5, 1.0, 0.0),
            Direct("relief", 0, 3, 0.1, 0.02),
            Direct("crown-top", 2, 1, 0.0, 0.0),
        ),
    )
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        gates = looked_at(made, found)
        further = next_readings(made, found)
    assert codes(gates) <= set(GATE_CODES)
    assert all(gate.sentence for gate in (*gates.found, *further))
    assert unmet(gates.found, ()) == gates.unmet == gates.found


@given(
    kind=st.sampled_from(sorted(ALL_KINDS)),
    seed=st.integers(0, 1000),
    level=st.floats(-50.0, 50.0),
    slope=st.floats(-0.02, 0.02),
)
def test_a_datum_that_lies_otherwise_changes_nothing(
    kind: str, seed: int, level: float, slope: float
) -> None:
    """Raised and tilted along the neck, alike for all strings: the same answers."""
    chance = np.random.default_rng(seed)
    truth = invented.as_found(kind, chance) if kind in ("electric", "bass") else invented.neck(kind)
    found = read(truth, chance, Reader(0.005))
    x = np.column_stack([truth.lines.station_mm, truth.lines.saddle_station_mm])
    moved = heights(found, lambda height: height + level + slope * x)
    asked = codes(looked_at(truth.specification, found))
    assert codes(looked_at(truth.specification, moved)) == asked


@pytest.mark.parametrize("kind", sorted(ALL_KINDS))
def test_exact_readings_ask_for_nothing(kind: str) -> None:
    """Exact heights repeat wherever the neck does; that is no copying."""
    assert not codes(looked_at(specification(kind), exact(invented.neck(kind))))
