"""A scan that is refused: the scale that its frets fit, and the slip of unit that explains it."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from evenfall.arrays import BoolArray
from evenfall.errors import ReadingsError
from evenfall.gates import Accepted, open_gates
from evenfall.instrument import Specification, read_specification
from evenfall.scans import measure_crowns, to_measurement
from evenfall.scans.laid_flat import StripMap
from evenfall.scans.refused import _in_step
from oracles.surfaces import FloatArray, Recipe, make_scan, specification

#: Coarse, for only the places of the frets matter here.
COARSE = Recipe(step_x=0.15, step_y=0.8, shadow_share=0.0, seed=2)


@cache
def points(model: str) -> FloatArray:
    return make_scan(specification(model), COARSE).points_mm


def refusal(scan: FloatArray, model: str = "electric", *, unit: str | None = None) -> str:
    with pytest.raises(ReadingsError) as refused:
        measure_crowns(scan, specification(model), unit_hint=unit, mirrored=False)
    return str(refused.value)


@pytest.mark.quick(1)
@pytest.mark.parametrize(
    ("factor", "words", "millimetres"),
    [
        pytest.param(1.0 / 304.8, "its numbers are feet", "304.8 mm", marks=pytest.mark.slow),
        (1.0 / 0.0254, "its numbers are thousandths of an inch", "0.0254 mm"),
        pytest.param(0.5, "drawn at half its size", "2 mm", marks=pytest.mark.slow),
        (25.4, "taken for inches and converted", "0.0393701 mm"),
    ],
    ids=["feet", "thousandths", "half size", "converted twice"],
)
def test_a_slip_of_unit_is_named(factor: float, words: str, millimetres: str) -> None:
    told = refusal(points("electric") * factor)
    assert words in told
    assert f"bring the file into mm: {millimetres} are one of them" in told
    found = float(told.split("fit a scale of ")[1].split(" ")[0])
    assert found == pytest.approx(648.0 * factor, rel=0.002)


def test_a_unit_that_was_said_and_does_not_fit_is_named_with_the_one_that_does() -> None:
    told = refusal(points("electric"), unit="in")
    assert "That is the specified scale of 648.0 mm if its numbers are mm; give that unit" in told


@pytest.mark.slow
def test_the_scale_of_another_neck_is_named() -> None:
    told = refusal(points("electric") * [700.0 / 648.0, 1.0, 1.0])
    assert "no unit makes that the specified 648.0 mm" in told
    # of the two scales that are named one is that of the neck: its nut may count as a ridge
    named = [float(part.split(" mm")[0]) for part in told.split("scale of ")[1].split(", ")[:2]]
    assert min(abs(scale - 700.0) for scale in named) < 1.5


SEMITONE = 2.0 ** (1.0 / 12.0)
#: Scales one fret apart, short and long, each within 0.4 % of a semitone of the other.
PAIRS = [
    (610.0, 648.0),
    *(
        pytest.param(short, long, marks=pytest.mark.slow)
        for short, long in (
            (594.0, 629.0),
            (647.7, 686.0),
        )
    ),
]


def necked(scale: float, frets: int = 22) -> Specification:
    text = specification("electric").text
    text = text.replace("length = 648.0", f"length = {scale}")
    text = text.replace("frets = 22", f"frets = {frets}").replace("joint_fret = 22", "")
    return read_specification(text)[0]


def cut(
    scale: float, first: float, last: float, *, frets: int = 22, nut: float = 1.6
) -> FloatArray:
    """Return the scan of a neck from one place to another, counted in frets."""
    recipe = replace(COARSE, nut_height=nut, span=(-3.0, 16.0), seed=int(scale))
    points = make_scan(necked(scale, frets), recipe).points_mm
    low, high = (scale - scale / SEMITONE**n for n in (first, last))
    return points[(points[:, 0] > low) & (points[:, 0] < high)]


@pytest.mark.slow
@pytest.mark.parametrize("nut", [1.6, 0.0], ids=["nut", "no nut"])
@pytest.mark.parametrize(("short", "long"), PAIRS)
def test_a_neck_one_fret_shorter_or_longer_is_refused_with_both_scales(
    short: float, long: float, nut: float
) -> None:
    for scale, said in ((short, long), (long, short)):
        with pytest.raises(ReadingsError) as refused:
            measure_crowns(cut(scale, -1.0, 30.0, nut=nut), necked(said), mirrored=False)
        told = str(refused.value)
        assert f"a scale of {scale:.1f} mm with fret 1 seen first" in told
        assert abs(float(told.split("or of ")[1].split(" mm", maxsplit=1)[0]) / said - 1.0) < 0.004


@pytest.mark.slow
@pytest.mark.parametrize(
    ("scale", "frets", "first", "last", "said"),
    [
        (610.0, 21, -1.0, 30.0, 648.0),  # its nut stands where fret 1 is looked for
        (610.0, 22, 3.5, 18.5, 648.0),
        *(
            pytest.param(*one, marks=pytest.mark.slow)
            for one in (
                (648.0, 22, 1.4, 30.0, 610.0),
                (648.0, 24, 3.5, 20.5, 610.0),
            )
        ),
        (648.0, 22, 3.5, 18.5, 648.0),  # the right neck shows as little
    ],
)
def test_a_scan_that_does_not_show_the_first_fret_is_asked_about(
    scale: float, frets: int, first: float, last: float, said: float
) -> None:
    spec = necked(said)
    survey, findings = measure_crowns(cut(scale, first, last, frets=frets), spec, mirrored=False)
    (told,) = [finding for finding in findings if finding.code == "numbering"]
    measurement = to_measurement(survey, spec)
    (asked,) = [f for f in open_gates(spec, measurement, None).unmet if f.code == "numbering"]
    for finding in (told, asked):
        named = [float(part.split(" mm")[0]) for part in finding.sentence.split("scale of ")[1:]]
        named += [float(part.split(" mm")[0]) for part in finding.sentence.split(", ")[1:3]]
        assert min(abs(number - scale) for number in named) < 0.5
    assert told.said.text == asked.said.text
    accepted = [Accepted("numbering", "", "measured from the nut to fret 12", "")]
    gates = open_gates(spec, measurement, None, accepted)
    assert not [finding for finding in gates.unmet if finding.code == "numbering"]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("scale", "first", "last", "nut"),
    [
        pytest.param(648.0, -1.0, 30.0, 1.6, id="whole"),
        pytest.param(594.0, -1.0, 30.0, 0.0, id="without nut"),
        pytest.param(648.0, 0.05, 30.0, 0.0, id="from the nut"),
        pytest.param(686.0, -1.0, 12.5, 1.6, id="first half"),
        pytest.param(648.0, 0.5, 30.0, 0.0, id="from within the first fret"),
    ],
)
def test_the_right_neck_is_neither_refused_nor_asked_about(
    scale: float, first: float, last: float, nut: float
) -> None:
    if first == 0.5:
        last = 23.2  # past the place where one more fret would be
    scan = cut(scale, first, last, nut=nut)
    _, findings = measure_crowns(scan, necked(scale), mirrored=False)
    assert not [f for f in findings if f.code == "numbering"]


def test_what_is_no_neck_names_no_scale() -> None:
    chance = np.random.default_rng(5)
    plate = np.column_stack(
        [
            chance.uniform(0, 480, 80_000),
            chance.uniform(0, 50, 80_000),
            chance.normal(0, 0.01, 80_000),
        ]
    )
    told = refusal(plate)
    assert "are not in this scan" in told
    assert "nor are those of any other scale" in told


def test_what_is_too_deep_for_an_instrument_is_told_by_its_size() -> None:
    way = np.random.default_rng(6).normal(size=(40_000, 3))
    ball = 300.0 * way / np.linalg.norm(way, axis=1, keepdims=True)
    told = refusal(ball)
    assert "neither a fretboard of a 648.0 mm scale nor an instrument with one" in told
    # of a neck's depth it is looked at as what it may be: a neck among other things
    assert "are not in this scan" in refusal(ball * [1.0, 1.0, 0.5])


def test_a_few_marks_that_happen_to_stand_in_step_make_no_scale() -> None:
    x = np.arange(0.0, 400.0, 0.25)
    blank = np.zeros((1, len(x)))
    strips = StripMap(blank, blank, x, np.zeros(1), 2.0)

    def marked(frets: int) -> BoolArray:
        place = 380.0 - 380.0 / SEMITONE ** np.arange(1, frets + 1)
        return np.asarray((np.abs(x - place[:, None]) < 0.3).any(axis=0))

    assert _in_step(strips, marked(6)) is None
    found = _in_step(strips, marked(12))
    assert found is not None
    assert found.scale_mm == pytest.approx(380.0, rel=0.01)
