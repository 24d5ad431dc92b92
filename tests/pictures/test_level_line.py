"""The level line drawn: crowns at their heights, marks by what stands out, names and words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from evenfall.instrument import Specification, string_lines
from evenfall.measurement import Measurement, Origin
from evenfall.neck import LevelLine, default_bow, level_line
from evenfall.pictures.inks import DARK, LIGHT, PRINT, Theme
from evenfall.pictures.level_line import level_line_chart
from necks import invented
from necks.invented import Bump
from necks.kinds import KINDS
from necks.readings import Reader, read
from pictures.drawing import SVG, faults, groups, in_other_unit, parsed, shown
from pictures.instruments import measurement, specification


def line_of(spec: Specification, found: Measurement) -> LevelLine:
    lines = string_lines(spec)
    return level_line(spec, found, lines, default_bow(spec, lines), 0.02)


TRUTH = invented.neck(
    "electric",
    bumps=[Bump(5, 0.06), Bump(11, 0.0, 0.10), Bump(15, -0.05)],
)
SPEC = TRUTH.specification
FOUND = read(TRUTH, np.random.default_rng(1), Reader(u_mm=0.003))


@draws(12)
@given(st.integers(3, 12), st.integers(5, 36), st.integers(0, 50), st.sampled_from(["mm", "in"]))
def test_any_neck_is_drawn_in_order(strings: int, frets: int, seed: int, unit: str) -> None:
    spec = specification(strings, frets, name="Long name " * 20)
    found = measurement(spec, seed=seed)
    assert faults(level_line_chart(spec, found, line_of(spec, found), unit=unit)) == []


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_instrument_is_drawn_in_order(kind: str) -> None:
    chance = np.random.default_rng(3)
    truth = invented.as_found(kind, chance)
    found = read(truth, chance)
    picture = level_line_chart(truth.specification, found, line_of(truth.specification, found))
    assert faults(picture) == []
    assert shown(picture).startswith(f"{truth.specification.name}, {found.serial}: level line")


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_crowns_stand_at_their_height_over_the_line(unit: str) -> None:
    line = line_of(SPEC, FOUND)
    picture = level_line_chart(SPEC, FOUND, line, unit=unit)
    found = groups(picture, "string", "fret")
    over = FOUND.crown_top_mm - line.level_mm
    circles = [
        (over[k, j], float(shape.attrib["cy"]))
        for k in range(6)
        for j in range(22)
        if (shape := found[str(k + 1), str(j + 1)].find(f"{SVG}circle")) is not None
    ]
    height, down = np.array(circles).T
    slope, foot = np.polyfit(height, down, 1)
    assert slope < 0.0
    assert down == pytest.approx(foot + slope * height, abs=0.02)
    factor = 1.0 if unit == "mm" else 1.0 / 25.4
    values = np.array([row[2] for row in picture.rows], dtype=float).reshape(6, 22)
    np.testing.assert_allclose(values, factor * over)
    assert in_other_unit(picture, unit) == []


def test_what_stands_out_differs_in_shape_and_is_named() -> None:
    origin = FOUND.heights.origin.copy()
    origin[2, 8] = Origin.INTERPOLATED
    found = replace(FOUND, heights=replace(FOUND.heights, origin=origin))
    line = line_of(SPEC, found)
    picture = level_line_chart(SPEC, found, line)
    states = {(int(k), int(j)): state for k, j, state in groups(picture, "string", "fret", "state")}
    assert len(states) == 6 * 22
    assert {states[k, 5] for k in range(1, 7)} == {"high"}
    assert {states[k, 15] for k in range(1, 7)} == {"low"}
    assert (states[1, 11], states[6, 11]) == ("level", "high")
    assert states[3, 8] == "unread"
    for kind, tag in (("high", "path"), ("low", "circle"), ("unread", "line")):
        marks = groups(picture, "state", "string")
        assert marks[kind, "3"].find(f"{SVG}{tag}") is not None
    red = [t for t in parsed(picture).iter(f"{SVG}text") if t.text in {"5", "11", "15"}]
    named = {t.text for t in red if t.attrib.get("fill") == LIGHT["@risk"]}
    assert named == {"5", "11", "15"}


def test_the_sentence_says_what_stands_out_and_what_the_board_does() -> None:
    picture = level_line_chart(SPEC, FOUND, line_of(SPEC, FOUND))
    assert picture.sentence == "Frets 5 and 11 stand high, fret 15 lies low."
    rising = invented.neck("electric", joint_rise_mm=0.12)
    found = read(rising, np.random.default_rng(1), Reader(u_mm=0.003))
    picture = level_line_chart(SPEC, found, line_of(SPEC, found))
    assert picture.sentence.startswith("Every fret is level. Past the joint the board rises by 0.1")
    assert "rise past the joint" in shown(picture)
    level = read(invented.neck("electric"), np.random.default_rng(1), Reader(u_mm=0.003))
    picture = level_line_chart(SPEC, level, line_of(SPEC, level))
    assert picture.sentence == "Every fret is level."


@pytest.mark.parametrize("theme", [LIGHT, DARK, PRINT], ids=["light", "dark", "print"])
def test_it_wears_one_theme(theme: Theme) -> None:
    picture = level_line_chart(SPEC, FOUND, line_of(SPEC, FOUND), theme=theme)
    assert f'fill="{theme["@risk"]}"' in picture
    assert "@" not in picture
    assert "invented" in (parsed(picture).findtext(f"{SVG}title") or "")
