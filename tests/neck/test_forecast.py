"""Other strings, the rod, readings without strings, and what a pair of profiles shows.

Expected values are worked out by hand from the neck that is made here.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from evenfall.errors import RequestError
from evenfall.instrument import Specification, fret_distance_mm, read_specification, string_lines
from evenfall.measurement import Measurement, Origin
from evenfall.neck import default_bow, forecast, level_line, neck_model
from evenfall.neck.bow import crown_shift_mm
from evenfall.neck.calibration import calibrate
from evenfall.neck.forecast import converted_to_tension
from evenfall.pictures.neck_forecast import neck_forecast
from evenfall.workshop.necks import known_neck
from levelling.necks import readings
from made_heights import changed
from neck.test_beam import instrument

SPEC = instrument("[neck]\nturn = 0.20\n", joint=17.0)
LINES = string_lines(SPEC)
MODEL = neck_model(SPEC, LINES)


def tuned(spec: Specification, semitones: float) -> Specification:
    """Return the same instrument tuned otherwise."""
    text = spec.text
    for string in spec.strings:
        hertz = string.frequency_hz * 2.0 ** (semitones / 12.0)
        text = text.replace(f'pitch = "{string.pitch}"\n', f"frequency = {hertz!r}\n", 1)
    return read_specification(text)[0]


def relief_of(measurement: Measurement) -> float:
    """Return the relief of the bow alone."""
    return level_line(SPEC, measurement, LINES, MODEL.rod_bow, 0.02).relief_mm


def relief_u_of(measurement: Measurement) -> float:
    """Return what the readings leave uncertain of it."""
    line = level_line(SPEC, measurement, LINES, MODEL.rod_bow, 0.02)
    return line.relief_u_over_mm(measurement.heights)


# ---- strings and rod ----------------------------------------------------------------------------


def test_tuning_down_a_whole_tone_takes_a_known_share_of_the_tension() -> None:
    """Tension goes with the square of pitch: two semitones down leave 2^(-1/3) of it."""
    found = readings(SPEC, noise_mm=0.0, relief_mm=0.2)
    made = forecast(SPEC, MODEL, found, other=tuned(SPEC, -2.0))
    swap = made.strings
    assert swap is not None
    assert swap.tension_after_n == pytest.approx(swap.tension_before_n * 2.0 ** (-1 / 3))
    less = swap.tension_before_n - swap.tension_after_n
    assert swap.relief_change_mm == pytest.approx(-MODEL.relief_mm_per_n * less)
    assert swap.relief_after_mm == pytest.approx(made.relief_mm + swap.relief_change_mm)
    assert made.relief_mm == pytest.approx(0.2, abs=1e-9)
    assert swap.relief_after_u_mm > made.relief_u_mm
    assert any("pull" in f.sentence and "less" in f.sentence for f in made.findings)


def test_the_rod_brings_the_relief_to_the_wanted_value() -> None:
    found = readings(SPEC, noise_mm=0.0, relief_mm=0.275, u_mm=0.004)
    made = forecast(SPEC, MODEL, found)
    wanted = SPEC.target.relief.value_mm  # 0.175 mm: half a turn of 0.2 mm tighter
    assert made.rod is not None
    assert made.rod.turns_count == pytest.approx((0.275 - wanted) / 0.20)
    assert made.rod.relief_change_mm == pytest.approx(wanted - 0.275)
    spread = np.hypot(made.relief_u_mm / 0.20, made.rod.turns_count * MODEL.turn_u_mm / 0.20)
    assert made.rod.turns_u_count == pytest.approx(spread)
    after = 0.275 - made.rod.turns_count * MODEL.turn_mm
    assert after == pytest.approx(wanted)
    measured = neck_model(SPEC, LINES, turn_mm=0.5, turn_u_mm=0.01)
    assert forecast(SPEC, measured, found).rod.turns_count == pytest.approx(0.2)


def test_no_turns_are_given_before_one_was_measured() -> None:
    spec = instrument(joint=17.0)
    made = forecast(spec, neck_model(spec, LINES), readings(spec))
    assert np.isnan(made.rod.turns_count)
    values = made.as_dict()
    assert values["rod"]["turns_count"] is None
    json.dumps(values, allow_nan=False)


def test_another_neck_is_refused() -> None:
    other = instrument(scale="length = 863.6")
    with pytest.raises(RequestError, match="another neck"):
        forecast(SPEC, MODEL, readings(SPEC), other=other)


def test_origin_says_what_the_stiffness_rests_on() -> None:
    assert MODEL.origin == "default"
    assert len(MODEL.assumed) == 3
    size = "[neck]\ndepth_nut = 20.0\ndepth_joint = 23.0\nboard_thickness = 6.0\n"
    section = neck_model(instrument(size), LINES)
    assert section.origin == "section"
    assert (
        section.relief_u_mm_per_n / section.relief_mm_per_n
        < MODEL.relief_u_mm_per_n / MODEL.relief_mm_per_n
    )
    stiff = neck_model(instrument("[neck]\nstiffness = 400.0\n"), LINES)
    assert stiff.origin == "stiffness"
    assert (stiff.section.bending_stiffness_n_mm2 == 400e6).all()
    told = neck_model(instrument("[neck]\nrelief_per_100n = 0.09\n"), LINES)
    assert told.origin == "specification"
    assert told.relief_mm_per_n == pytest.approx(0.0009)
    assert told.relief_u_mm_per_n == pytest.approx(0.00009)


# ---- without strings ----------------------------------------------------------------------------


def without_strings(found: Measurement, relief_mm_per_n: float) -> Measurement:
    """Return the readings of the same neck with its strings off."""
    less = relief_mm_per_n * MODEL.tension_n * MODEL.bow.frets
    return changed(found, crown_top_mm=found.crown_top_mm - less, strung=False)


def test_readings_without_strings_come_back_to_those_with() -> None:
    strung = readings(SPEC, relief_mm=0.2, noise_mm=0.003)
    unstrung = without_strings(strung, MODEL.relief_mm_per_n)
    carried = converted_to_tension(MODEL, unstrung)
    np.testing.assert_allclose(carried.measurement.crown_top_mm, strung.crown_top_mm, atol=1e-12)
    assert carried.measurement.strung
    assert (carried.measurement.heights.origin[:, 1:-1] == Origin.DERIVED).all()
    assert (carried.measurement.heights.crown_top_u_mm >= unstrung.heights.crown_top_u_mm).all()
    again = Measurement.from_dict(carried.measurement.as_dict())
    assert "converted to" in str(again.routes[-1])
    made = forecast(SPEC, MODEL, unstrung)
    assert made.converted is not None
    assert made.relief_mm == pytest.approx(relief_of(strung), abs=1e-4)
    # the line has the rod's bow, and takes the strings' bow for a relief 2e-4 larger than it is
    weights = level_line(SPEC, strung, LINES, MODEL.rod_bow, 0.02).relief_weights
    seen = float((weights * MODEL.bow.frets).sum())
    assert seen == pytest.approx(1.0, abs=5e-4)
    assert made.relief_u_mm == pytest.approx(
        np.hypot(relief_u_of(strung), seen * carried.relief_change_u_mm), rel=1e-4
    )
    assert {f.code for f in made.findings} >= {"state", "neck"}
    with pytest.raises(RequestError, match="nothing to convert"):
        converted_to_tension(MODEL, strung)


def test_one_stiffness_carries_and_changes_strings() -> None:
    """Carried to the other set at once, its uncertainty counts once, over the whole tension."""
    found = readings(SPEC, noise_mm=0.003)
    unstrung = without_strings(found, MODEL.relief_mm_per_n)
    made = forecast(SPEC, MODEL, unstrung, other=tuned(SPEC, -5.0))
    assert made.strings is not None
    direct = converted_to_tension(MODEL, unstrung, tension_n=made.strings.tension_after_n)
    after = relief_of(direct.measurement)
    # strings and rod do not bend this neck to one shape, and the line has the rod's
    assert made.strings.relief_after_mm == pytest.approx(after, abs=0.01)
    reading = relief_u_of(found)  # the line, and how rough it finds the neck, is that at pitch
    assert made.strings.relief_after_u_mm == pytest.approx(
        np.hypot(reading, direct.relief_change_u_mm), rel=1e-4
    )
    assert made.strings.relief_after_u_mm < made.relief_u_mm, "slacker strings, less to guess"


# ---- a pair of profiles -------------------------------------------------------------------------


def bowed(found: Measurement, change_mm: float, lean: float, chance: Any) -> Measurement:
    """Return a second set of readings of a neck that bowed, on another datum, with noise."""
    joint = float(fret_distance_mm(1.0, 17.0))
    place = np.linspace(0.0, joint, 33)
    shift = crown_shift_mm(SPEC, LINES, place, 1.0 + lean * (place / joint - 0.5))
    shift *= change_mm / default_bow(SPEC, LINES).relief_mm(shift)
    datum = (
        chance.normal(0.0, 1.0, (6, 1))
        + chance.normal(0.0, 0.01, (6, 1)) * (LINES.station_mm[:, 1:])
    )
    noise = 0.004 * chance.standard_normal(shift.shape)
    return changed(found, crown_top_mm=found.crown_top_mm + shift + datum + noise)


@draws(25)
@given(st.floats(0.05, 0.6), st.integers(0, 10_000))
def test_a_pair_of_profiles_gives_back_the_stiffness(change: float, seed: int) -> None:
    chance = np.random.default_rng(seed)
    first = readings(SPEC, seed=seed, u_mm=0.004)
    first = changed(
        first, crown_top_mm=first.crown_top_mm + 0.004 * chance.standard_normal((6, 22))
    )
    # the first profile's own noise is in both: only the second's and the added one differ
    second = bowed(
        changed(first, crown_top_mm=readings(SPEC, seed=seed).crown_top_mm), change, 0.0, chance
    )
    found = calibrate(SPEC, LINES, first, second, tension_n=MODEL.tension_n)
    assert found.relief_change_mm == pytest.approx(change, abs=5.0 * found.relief_change_u_mm)
    assert found.relief_change_u_mm < 0.004
    assert 0.7 < found.residual_ratio < 1.3
    assert found.residual_mm == pytest.approx(0.004 * np.sqrt(2.0), rel=0.3)
    model = neck_model(SPEC, LINES, calibration=found)
    assert model.origin == "pair"
    assert model.relief_mm_per_n * MODEL.tension_n == pytest.approx(found.relief_change_mm)


@pytest.mark.slow
def test_uncertainty_of_a_pair_covers_as_often_as_it_says() -> None:
    """200 random pairs: the true change lies within ± 2 u in 95 % of them, give or take."""
    inside = 0
    base = readings(SPEC, u_mm=0.004)
    for seed in range(200):
        chance = np.random.default_rng(seed)
        first = changed(
            base, crown_top_mm=base.crown_top_mm + 0.004 * chance.standard_normal((6, 22))
        )
        found = calibrate(SPEC, LINES, first, bowed(base, 0.3, 0.0, chance), tension_n=460.0)
        inside += abs(found.relief_change_mm - 0.3) < 2.0 * found.relief_change_u_mm
    assert 180 <= inside <= 199  # binomial, 191 ± 3 wanted; a lean taken for real costs a few


def test_a_leaning_curvature_is_seen_and_its_shape_found() -> None:
    chance = np.random.default_rng(3)
    first = readings(SPEC, u_mm=0.004)
    found = calibrate(SPEC, LINES, first, bowed(first, 0.5, 1.6, chance))
    assert found.leaning
    joint = float(fret_distance_mm(1.0, 17.0))
    place = np.linspace(0.0, joint, 33)
    true = crown_shift_mm(SPEC, LINES, place, 1.0 + 1.6 * (place / joint - 0.5))
    true /= default_bow(SPEC, LINES).relief_mm(true)
    even = default_bow(SPEC, LINES).frets
    left = np.abs(found.bow.frets - true).max()
    assert left < 0.25 * np.abs(even - true).max(), "nearer to the truth than the default shape"


def test_readings_without_uncertainty_judge_themselves() -> None:
    chance = np.random.default_rng(5)
    first = readings(SPEC, u_mm=0.0)
    found = calibrate(SPEC, LINES, first, bowed(first, 0.3, 0.0, chance))
    assert found.relief_change_mm == pytest.approx(0.3, abs=5.0 * found.relief_change_u_mm)
    assert 0.0 < found.relief_change_u_mm < 0.003
    assert found.as_dict()["residual_ratio"] is None


def test_profiles_of_another_neck_or_with_too_few_frets_are_refused() -> None:
    first = readings(SPEC)
    other = instrument()
    small = read_specification(other.text.replace("frets = 22", "frets = 20"))[0]
    with pytest.raises(RequestError, match="this instrument"):
        calibrate(SPEC, LINES, first, readings(small))
    gaps = first.crown_top_mm.copy()
    gaps[:, 4:] = np.nan
    with pytest.raises(RequestError, match="five frets"):
        calibrate(SPEC, LINES, first, changed(first, crown_top_mm=gaps))
    with pytest.raises(RequestError, match="crown tops"):
        forecast(SPEC, MODEL, changed(first, crown_top_mm=gaps))


def test_a_neck_without_a_rod_has_no_turns() -> None:
    spec = instrument("[neck]\ntruss_rod = false\n", joint=17.0)
    found = readings(spec, noise_mm=0.0, relief_mm=0.275)
    made = forecast(spec, neck_model(spec, string_lines(spec)), found)
    assert made.rod is None
    assert made.as_dict()["rod"] is None
    assert made.relief_mm == pytest.approx(0.275)
    drawn = neck_forecast(spec, made, unit="mm")
    assert "rod" not in drawn
    assert "Wanted" not in drawn
    for asked in ({"relief_per_turn_mm": 0.2}, {"before_turning": found, "turns_count": 1.0}):
        with pytest.raises(RequestError, match="no truss rod"):
            known_neck(spec, found, **asked)
