"""Side view: what is stated (exaggeration, smallest gap) is what is drawn."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from evenfall.instrument import string_lines
from evenfall.pictures import inks
from evenfall.pictures.side_view import string_side_view
from pictures.drawing import SVG, faults, groups, parsed, path_points, shown, texts
from pictures.instruments import PITCHES, measurement, plan, specification

SPEC = specification()
PLAN, SWING = plan(SPEC, measurement(SPEC, uneven_mm=0.05))
LINES = string_lines(SPEC)


def gaps_by_hand(k: int, stop: int, *, after: bool) -> dict[int, float]:
    """Return the gap over each fret at the deepest swing, fret by fret from the chord."""
    m = PLAN.measurement
    nut, top, saddle = (
        (PLAN.nut_after_mm, PLAN.crown_top_after_mm, PLAN.saddle_after_mm)
        if after
        else (m.nut_mm, m.crown_top_mm, m.saddle_mm)
    )
    heights = [nut[k], *top[k]]
    x = LINES.station_mm[k]
    gaps = {}
    for j in range(stop + 1, 23):
        a = (x[j] - x[stop]) / (LINES.saddle_station_mm[k] - x[stop])
        chord = (1 - a) * heights[stop] + a * saddle[k]
        swing = PLAN.attack_n[k] * SWING.buzz_mm_per_n[k, stop, j]
        gaps[j] = float(chord - swing - heights[j])
    return gaps


@draws(20)
@given(st.integers(3, 12), st.integers(5, 36), st.data())
def test_any_string_of_any_instrument_is_drawn_in_order(
    strings: int, frets: int, data: st.DataObject
) -> None:
    fanned = data.draw(st.booleans())
    scale = "bass = 700.0\ntreble = 580.0\nsquare_fret = 5" if fanned else "length = 648.0"
    spec = specification(strings, frets, name="Long name " * 20, scale=scale)
    made, swing = plan(spec, measurement(spec, seed=data.draw(st.integers(0, 50))))
    picture = string_side_view(
        spec,
        made,
        swing,
        string=data.draw(st.integers(1, strings)),
        stopped_fret=data.draw(st.integers(0, frets - 1)),
        unit=data.draw(st.sampled_from(["mm", "in"])),
    )
    assert faults(picture) == []
    leader = next(
        line.attrib
        for line in parsed(picture).iter(f"{SVG}line")
        if line.attrib["stroke-width"] == "0.7" and line.attrib["x1"] == line.attrib["x2"]
    )
    for text in texts(picture):
        beside = text.left > float(leader["x1"]) or text.right < float(leader["x1"])
        assert beside or text.bottom < float(leader["y1"]) or text.top > float(leader["y2"])


@pytest.mark.parametrize(("string", "stop"), [(1, 0), (3, 5), (6, 9), (6, 21)])
@pytest.mark.parametrize("unit", ["mm", "in"])
def test_the_stated_exaggeration_is_the_one_drawn(string: int, stop: int, unit: str) -> None:
    picture = string_side_view(SPEC, PLAN, SWING, string=string, stopped_fret=stop, unit=unit)
    stated = float(re.search(r"drawn ([\d.]+) times larger", shown(picture)).group(1))
    assert parsed(picture).attrib["data-exaggeration"] == f"{stated:g}"
    crowns = groups(picture, "fret")
    after = {
        int(j): next(r for r in g.iter(f"{SVG}rect") if r.attrib["fill"] == inks.LIGHT[inks.INK])
        for (j,), g in crowns.items()
    }
    assert sorted(after) == list(range(1, 23))
    middle = {j: float(r.attrib["x"]) + float(r.attrib["width"]) / 2 for j, r in after.items()}
    x = LINES.station_mm[string - 1]
    across = (middle[22] - middle[1]) / (x[22] - x[1])
    for j, crown in after.items():
        up = float(crown.attrib["height"]) / PLAN.crown_height_after_mm[string - 1, j - 1]
        assert up / across == pytest.approx(stated, rel=2e-3)
        assert middle[j] - middle[1] == pytest.approx(across * (x[j] - x[1]), abs=0.02)


@pytest.mark.parametrize(("string", "stop"), [(1, 0), (2, 9), (6, 9)])
def test_the_smallest_gap_is_named_with_its_fret(string: int, stop: int) -> None:
    words = shown(string_side_view(SPEC, PLAN, SWING, string=string, stopped_fret=stop))
    after = gaps_by_hand(string - 1, stop, after=True)
    fret = min(after, key=after.__getitem__)
    assert f"{after[fret]:.3f} mm over fret {fret}" in words
    before = gaps_by_hand(string - 1, stop, after=False)
    was = min(before, key=before.__getitem__)
    said = (
        f"closest over fret {was}, with {before[was]:.3f} mm left"
        if before[was] > 0
        else f"reaches {-before[was]:.3f} mm below the top of fret {was}"
    )
    assert f"as found it {'comes ' if before[was] > 0 else ''}{said}" in words.replace("\n", " ")
    inches = shown(string_side_view(SPEC, PLAN, SWING, string=string, stopped_fret=stop, unit="in"))
    assert f"{after[fret] / 25.4:.4f} in over fret {fret}" in inches


def test_the_lower_panel_stands_on_one_scale() -> None:
    picture = string_side_view(SPEC, PLAN, SWING, string=6, stopped_fret=9)
    after, before = (gaps_by_hand(5, 9, after=state) for state in (True, False))
    places = []
    for (fret,), group in groups(picture, "gap-fret").items():
        for dot in group.findall(f"{SVG}circle"):
            gaps = after if dot.attrib["fill"] == inks.LIGHT[inks.INK] else before
            places.append((gaps[int(fret)], float(dot.attrib["cy"])))
        title = group.find(f"{SVG}title").text
        assert f"{after[int(fret)]:.3f} mm planned".replace("-", "−") in title
    assert len(places) >= 6
    gaps, heights = np.array(places).T
    slope, start = np.polyfit(gaps, heights, 1)
    assert np.abs(heights - start - slope * gaps).max() < 0.02
    zero = [
        line
        for line in parsed(picture).iter(f"{SVG}line")
        if line.attrib["stroke-width"] == "1.4" and line.attrib["stroke"] == inks.LIGHT[inks.INK]
    ]
    assert [float(line.attrib["y1"]) for line in zero] == [pytest.approx(start, abs=0.02)]


def test_the_swing_is_drawn_through_its_points() -> None:
    picture = string_side_view(SPEC, PLAN, SWING, string=6, stopped_fret=5)
    (curve,) = (
        p
        for p in parsed(picture).iter(f"{SVG}path")
        if p.attrib.get("stroke") == inks.LIGHT[inks.RISK] and "C" in p.attrib["d"]
    )
    through = path_points(curve.attrib["d"])[::3]
    assert len(through) == 22 - 5 + 1
    crowns = groups(picture, "fret")
    exaggeration = float(parsed(picture).attrib["data-exaggeration"])
    per_mm = (
        exaggeration
        * (through[-1][0] - through[0][0])
        / (LINES.station_mm[5, 22] - LINES.station_mm[5, 5])
    )
    for fret, gap in gaps_by_hand(5, 5, after=True).items():
        crown = next(
            r
            for r in crowns[(str(fret),)].iter(f"{SVG}rect")
            if r.attrib["fill"] == inks.LIGHT[inks.INK]
        )
        drawn = (float(crown.attrib["y"]) - through[fret - 5][1]) / per_mm
        assert drawn == pytest.approx(gap, abs=0.02 / per_mm)


def test_a_straight_line_added_to_every_height_changes_nothing_drawn() -> None:
    tilt = 0.7 - 0.002 * LINES.station_mm
    end = 0.7 - 0.002 * LINES.saddle_station_mm
    m = PLAN.measurement
    tilted = replace(
        PLAN,
        measurement=m.with_heights(
            crown_top_mm=m.crown_top_mm + tilt[:, 1:],
            nut_mm=m.nut_mm + tilt[:, 0],
            saddle_mm=m.saddle_mm + end,
        ),
        crown_top_after_mm=PLAN.crown_top_after_mm + tilt[:, 1:],
        nut_after_mm=PLAN.nut_after_mm + tilt[:, 0],
        saddle_after_mm=PLAN.saddle_after_mm + end,
    )
    one, other = (
        string_side_view(SPEC, p, SWING, string=4, stopped_fret=3) for p in (PLAN, tilted)
    )
    assert shown(one) == shown(other)
    numbers = [
        [float(n) for n in re.findall(r'(?<=")-?\d+\.?\d*(?=")', picture)]
        for picture in (one, other)
    ]
    assert numbers[0] == pytest.approx(numbers[1], abs=0.02)


def test_a_string_that_would_touch_is_shown_to_touch() -> None:
    hard = replace(PLAN, attack_n=4.0 * PLAN.attack_n)
    picture = string_side_view(SPEC, hard, SWING, string=6, stopped_fret=9)
    assert "buzzes" in shown(picture)
    assert re.search(r"the string reaches \d\.\d{3} mm below the top of fret", shown(picture))
    assert faults(picture) == []


def test_what_cannot_be_drawn_is_refused() -> None:
    for string, stop in ((0, 0), (7, 0), (1, -1), (1, 22)):
        with pytest.raises(ValueError, match="string"):
            string_side_view(SPEC, PLAN, SWING, string=string, stopped_fret=stop)
    missing = PLAN.measurement.crown_top_mm.copy()
    missing[2, 3] = np.nan
    m = PLAN.measurement
    torn = replace(
        PLAN,
        measurement=m.with_heights(crown_top_mm=missing, nut_mm=m.nut_mm, saddle_mm=m.saddle_mm),
    )
    with pytest.raises(ValueError, match="string 3: a height is missing"):
        string_side_view(SPEC, torn, SWING, string=3, stopped_fret=0)


def test_the_heading_names_string_and_stop() -> None:
    words = shown(string_side_view(SPEC, PLAN, SWING, string=2, stopped_fret=0))
    assert f"string 2 ({PITCHES[1]}), open" in words
    assert "nut" in words
    assert "saddle" in words
