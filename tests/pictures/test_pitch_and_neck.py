"""Pitch map and neck forecast: the numbers shown are the data, for every size of instrument."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from evenfall.instrument import read_specification, string_lines
from evenfall.neck import forecast, neck_model
from evenfall.pictures.neck_forecast import neck_forecast
from evenfall.pictures.pitch import pitch_map
from evenfall.units import in_unit
from pictures.drawing import SVG, contents, faults, groups, number, shown
from pictures.instruments import measurement, specification

sizes = st.tuples(st.integers(3, 12), st.integers(5, 36))


@draws(25)
@given(sizes, st.integers(0, 99), st.floats(0.01, 60.0), st.booleans())
def test_pitch_maps_of_any_size_show_the_data(
    size: tuple[int, int], seed: int, spread: float, two: bool
) -> None:
    strings, frets = size
    spec = specification(strings, frets, name="Long " * 30 + "<&> name")
    chance = np.random.default_rng(seed)
    after = spread * chance.standard_normal((strings, frets + 1))
    before = spread * chance.standard_normal((strings, frets + 1)) if two else None
    beside = None if before is None else ("as found", before)
    after[:, 0] = 0.0
    picture = pitch_map(
        spec, after, title=spec.name, beside_cents=beside, u_cents=np.abs(0.1 * after)
    )
    assert faults(picture) == []
    notes = groups(picture, "string", "fret")
    assert len(notes) == strings * frets
    bars = []
    for (k, j), note in notes.items():
        value = after[int(k) - 1, int(j)]
        told = number(contents(note)[-1])
        assert told == pytest.approx(value, abs=0.0501 if abs(value) < 9.9 else 0.501)
        bar = note.find(f"{SVG}rect")
        assert bar is not None
        bars.append((abs(value), float(bar.attrib["height"])))
        heard = bar.attrib["fill"] == "#8a2a4a"
        assert heard == (abs(value) > 5.0)
    largest, highest = max(bars)
    for value, high in bars:  # one scale, coordinates rounded to 0.01 px
        assert high == pytest.approx(value * highest / largest, abs=0.011)


def test_sharp_bars_stand_on_the_line_and_flat_ones_hang_from_it() -> None:
    spec = specification(3, 5)
    cents = np.zeros((3, 6))
    cents[0, 1], cents[0, 2] = 4.0, -4.0
    notes = groups(pitch_map(spec, cents, title="x"), "string", "fret")
    up, down = (notes["1", fret].find(f"{SVG}rect") for fret in ("1", "2"))
    assert up is not None
    assert down is not None
    bottom = float(up.attrib["y"]) + float(up.attrib["height"])
    assert bottom == pytest.approx(float(down.attrib["y"]), abs=0.02)


@pytest.mark.parametrize("bad", [np.zeros((6, 22)), np.full((6, 23), np.nan)])
def test_a_map_of_another_shape_or_without_values_is_refused(bad: np.ndarray) -> None:
    with pytest.raises(ValueError, match="deviations"):
        pitch_map(specification(), bad, title="x")


EXTRA = "[neck]\nturn = 0.25\nrelief_per_moisture = {}\nrelief_per_100n = 0.08\n"


@draws(20)
@given(
    sizes,
    st.sampled_from(["mm", "in"]),
    st.booleans(),
    st.booleans(),
    st.one_of(st.none(), st.tuples(st.floats(5.0, 95.0), st.floats(5.0, 95.0))),
    st.sampled_from([-0.05, -0.001, 0.0, 0.03]),
)
def test_forecasts_of_any_neck_are_in_order_and_show_the_data(  # noqa: PLR0917
    size: tuple[int, int],
    unit: str,
    strung: bool,
    swap: bool,
    humidity: tuple[float, float] | None,
    slope: float,
) -> None:
    plain = specification(*size, name="Long " * 12 + "<&> name")
    spec = read_specification(plain.text + EXTRA.format(slope))[0]
    found = replace(measurement(spec), strung=strung)
    other = specification(*size, tension_n=80.0) if swap else None
    made = forecast(
        spec,
        neck_model(spec, string_lines(spec)),
        found,
        other=other,
        humidity_percent=humidity,
    )
    picture = neck_forecast(spec, made, unit=unit)  # type: ignore[arg-type]
    assert faults(picture) == []
    states = groups(picture, "state")
    assert len(states) == 1 + (not strung) + swap + (humidity is not None)
    digits = 3 if unit == "mm" else 4
    last = [made.relief_mm]
    last += [made.strings.relief_after_mm] if made.strings else []
    last += [made.season.relief_after_mm] if made.season else []
    for state, relief in zip(list(states.values())[-len(last) :], last, strict=True):
        told = number(contents(state)[0])
        assert told == pytest.approx(in_unit(relief, unit), abs=0.51 * 10.0**-digits)  # type: ignore[arg-type]
    words = shown(picture)
    assert ("against the air's humidity" in words) == (humidity is not None)
    if made.season is not None and made.season.holds:
        assert f"{made.season.holds_from_percent:g} to" in words


def test_turns_are_told_once_one_was_measured() -> None:
    plain = specification()
    spec = read_specification(plain.text + EXTRA.format(0.0))[0]
    lines = string_lines(spec)
    found = measurement(spec)
    told = shown(neck_forecast(spec, forecast(spec, neck_model(spec, lines), found)))
    assert "turns" in told
    untold = shown(neck_forecast(plain, forecast(plain, neck_model(plain, lines), found)))
    assert "turns" not in untold
    assert "nothing measured" in untold
