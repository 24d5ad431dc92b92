"""Neck curve: heights over the straight line, stated exaggeration, relief and its limits."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from evenfall.instrument import string_lines
from evenfall.neck import default_bow, level_line
from evenfall.pictures.neck import neck_curve
from made_heights import changed
from pictures.drawing import SVG, faults, groups, parsed, shown
from pictures.instruments import measurement, plan, specification

SPEC = specification()
PLAN, _ = plan(SPEC)
BEFORE = PLAN.measurement
AFTER = BEFORE.with_heights(
    crown_top_mm=PLAN.crown_top_after_mm,
    nut_mm=PLAN.nut_after_mm,
    saddle_mm=PLAN.saddle_after_mm,
)


@draws(20)
@given(st.integers(3, 12), st.integers(5, 36), st.integers(0, 50), st.sampled_from(["mm", "in"]))
def test_any_neck_is_drawn_in_order(strings: int, frets: int, seed: int, unit: str) -> None:
    spec = specification(strings, frets, name="Long name " * 20)
    made, _ = plan(spec, measurement(spec, seed=seed))
    for after in (None, made, made.measurement):
        assert faults(neck_curve(spec, made.measurement, after, unit=unit)) == []


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_crowns_stand_at_their_height_over_the_line_at_the_stated_exaggeration(unit: str) -> None:
    picture = neck_curve(SPEC, BEFORE, AFTER, unit=unit)
    stated = float(re.search(r"drawn ([\d.]+) times larger", shown(picture)).group(1))
    stations = string_lines(SPEC).station_mm
    found = groups(picture, "string", "fret", "state")
    assert {k for k, _, _ in found} == {"1", "3", "6"}
    for state, top in (("as found", BEFORE.crown_top_mm), ("after work", AFTER.crown_top_mm)):
        for k in (0, 2, 5):
            x = stations[k, 1:]
            line = np.interp(x, x[[0, -1]], top[k, [0, -1]])
            dots = [found[str(k + 1), str(j), state].find(f"{SVG}circle") for j in range(1, 23)]
            across, down = (np.array([float(d.attrib[n]) for d in dots]) for n in ("cx", "cy"))
            per_mm = (across[-1] - across[0]) / (x[-1] - x[0])
            assert across - across[0] == pytest.approx(per_mm * (x - x[0]), abs=0.02)
            drawn = (down[0] - down) / (per_mm * stated)
            assert drawn == pytest.approx(top[k] - line, abs=0.03 / (per_mm * stated))


def test_whiskers_reach_two_standard_uncertainties_and_a_plan_has_none() -> None:
    u = BEFORE.heights.crown_top_u_mm.copy()
    u[0, 8] = 0.03
    picture = neck_curve(SPEC, changed(BEFORE, crown_top_u_mm=u), PLAN)
    stated = float(parsed(picture).attrib["data-exaggeration"])
    found = groups(picture, "string", "fret", "state")
    ends = [
        float(found["1", str(j), "as found"].find(f"{SVG}circle").attrib["cx"]) for j in (1, 22)
    ]
    x = string_lines(SPEC).station_mm[0]
    per_mm = stated * (ends[1] - ends[0]) / (x[22] - x[1])
    whisker = found["1", "9", "as found"].find(f"{SVG}line")
    reach = abs(float(whisker.attrib["y1"]) - float(whisker.attrib["y2"])) / per_mm
    assert reach == pytest.approx(4.0 * 0.03, abs=0.02 / per_mm)
    assert found["1", "9", "planned"].find(f"{SVG}line") is None


def test_relief_is_read_out_with_its_uncertainty_and_limits() -> None:
    lines = string_lines(SPEC)
    bow = default_bow(SPEC, lines)
    was, now = (level_line(SPEC, readings, lines, bow, 0.02) for readings in (BEFORE, AFTER))
    spread, was = 2.0 * was.relief_u_mm, was.relief_mm
    then, now = 2.0 * now.relief_u_mm, now.relief_mm
    words = shown(neck_curve(SPEC, BEFORE, AFTER)).replace("\n", " ")
    told = f"Relief {was:.3f} ± {spread:.3f} mm as found, {now:.3f} ± {then:.3f} mm after work"
    assert told in words
    assert "allowed 0.100 to 0.300 mm" in words
    words = shown(neck_curve(SPEC, BEFORE, PLAN)).replace("\n", " ")
    assert f"{PLAN.relief_after_mm:.3f} mm planned" in words
    words = shown(neck_curve(SPEC, BEFORE, unit="in")).replace("\n", " ")
    assert f"Relief {was / 25.4:.4f} ± {spread / 25.4:.4f} in as found" in words


def test_the_range_of_the_crown_tops_is_told() -> None:
    x = string_lines(SPEC).station_mm[:, 1:]
    top = AFTER.crown_top_mm
    over = np.array([t - np.interp(s, s[[0, -1]], t[[0, -1]]) for s, t in zip(x, top, strict=True)])
    words = shown(neck_curve(SPEC, BEFORE, AFTER)).replace("\n", " ")
    low, high = (f"{v:.3f}".replace("-", "−") for v in (over.min(), over.max()))
    assert f"Crown tops after work, all strings: {low} to {high} mm about the line" in words


def test_heights_that_are_missing_stay_blank() -> None:
    top = BEFORE.crown_top_mm.copy()
    top[0, 6] = np.nan
    top[2, :] = np.nan
    torn = BEFORE.with_heights(crown_top_mm=top, nut_mm=BEFORE.nut_mm, saddle_mm=BEFORE.saddle_mm)
    picture = neck_curve(SPEC, torn)
    assert faults(picture) == []
    found = groups(picture, "string", "fret", "state")
    assert ("1", "7", "as found") not in found
    assert ("1", "8", "as found") in found
    assert not any(k == "3" for k, _, _ in found)
    assert "Relief not known as found" in shown(picture)


def test_another_instruments_readings_are_refused() -> None:
    with pytest.raises(ValueError, match="shape"):
        neck_curve(specification(4, 20), BEFORE)
