"""Scans that are no fretboard, or are spoilt: a clear sentence or a sound answer, never a crash."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given
from hypothesis import strategies as st
from numpy.typing import NDArray

from draws import draws
from evenfall.errors import EvenfallError, ReadingsError
from evenfall.instrument import read_specification
from evenfall.scans import HeightMap, Mesh, find_slots, measure_crowns
from evenfall.scans.covered import _slope
from evenfall.scans.faults import FretHeights, _seating
from evenfall.scans.refused import no_board
from oracles.surfaces import Recipe, crown_errors, drawn, make_scan, specification

FloatArray = NDArray[np.float64]
SPEC = specification("ukulele")
SCAN = make_scan(SPEC, Recipe(step_x=0.15, step_y=0.4, shadow_share=0.0, seed=1))
QUIET = {"derandomize": True, "suppress_health_check": list(HealthCheck)}


def answered(given_scan: object) -> bool:
    """Measure; say whether there was an answer, and check that it makes sense."""
    told = ""
    try:
        survey, findings = measure_crowns(given_scan, SPEC)  # type: ignore[arg-type]
    except EvenfallError as error:
        told = str(error)
    if told:
        assert 20 < len(told) < 600
        return False
    known = np.isfinite(survey.crown_top_mm)
    assert (np.isfinite(survey.crown_top_u_mm) == known).all()
    assert (survey.crown_top_u_mm[known] > 0.0).all()
    assert (survey.crown_radius_mm[known] > 0.0).all()
    assert findings
    return True


@given(seed=st.integers(0, 10_000), shape=st.integers(0, 5), size=st.sampled_from([1e-6, 1.0, 1e6]))
@draws(12, **QUIET)
def test_clouds_of_any_shape(seed: int, shape: int, size: float) -> None:
    rng = np.random.default_rng(seed)
    points = rng.normal(size=(6_000, 3)) * size
    if shape == 1:
        points[:, 2] = 0.0
    elif shape == 2:
        points[:, 1:] = 0.0
    elif shape == 3:
        points[:] = points[0]
    elif shape == 4:
        points *= [200.0, 20.0, 1.0]
    elif shape == 5:
        points = np.round(points / size) * size
    assert not answered(points)


@pytest.mark.slow
@given(
    mad=st.sampled_from([1e7, -1e9, 1e30, 1e300, np.inf, np.nan]),
    share=st.sampled_from([0.0001, 0.001]),
    axis=st.integers(0, 2),
)
@draws(5, **QUIET)  # a whole survey each
def test_a_few_mad_coordinates_change_nothing(mad: float, share: float, axis: int) -> None:
    points = SCAN.points_mm.copy()
    points[:: int(1 / share), axis] = mad
    survey, _ = measure_crowns(points, SPEC, mirrored=False)
    error = crown_errors(SCAN, lambda p: p, survey)
    assert np.nanstd(error) < 0.004


@pytest.mark.slow
@given(
    low=st.floats(-10.0, 240.0),
    length=st.floats(1.0, 260.0),
    side=st.floats(-25.0, 20.0),
    width=st.floats(0.5, 50.0),
)
@draws(12, **QUIET)
def test_any_cut_of_a_scan(low: float, length: float, side: float, width: float) -> None:
    x, y, _ = SCAN.points_mm.T
    inside = (x > low) & (x < low + length) & (y > side) & (y < side + width)
    answered(SCAN.points_mm[inside])


@pytest.mark.quick(1)
@pytest.mark.parametrize(("length", "side"), [(146.0, 0.0), (146.0, 5.0), (160.0, 0.0)])
def test_a_strip_too_narrow_to_tell_bow_and_twist(length: float, side: float) -> None:
    x, y, _ = SCAN.points_mm.T
    strip = SCAN.points_mm[(x > 0.0) & (x < length) & (y > side) & (y < side + 12.0)]
    survey, _ = measure_crowns(strip, SPEC)
    assert survey.scanned is not None
    assert np.isnan([survey.scanned.board_bow_mm, survey.scanned.board_twist_rad]).all()


@pytest.mark.slow
@given(every=st.integers(1, 400), digits=st.integers(0, 4), noise=st.sampled_from([0.0, 0.1, 0.5]))
@draws(12, **QUIET)
def test_thinned_rounded_and_noisy_scans(every: int, digits: int, noise: float) -> None:
    rng = np.random.default_rng(every)
    points = SCAN.points_mm[::every]
    points = np.round(points + rng.normal(0.0, noise, points.shape) * [0, 0, 1], digits)
    answered(points)


@pytest.mark.parametrize(
    "scan",
    [
        HeightMap(np.zeros((100, 600)), 0.5, 0.5),
        HeightMap(np.full((100, 3000), np.nan), 0.1, 0.5),
        HeightMap(np.zeros((100, 3000)), 0.0, 0.5),
        HeightMap(np.zeros(300_000), 0.1, 0.5),
        pytest.param(
            HeightMap(np.random.default_rng(0).normal(size=(100, 3000)), -0.1, 0.5),
            marks=pytest.mark.slow,
        ),
        Mesh(np.zeros((0, 3, 3))),
        Mesh(np.zeros((50, 3, 3))),
        Mesh(np.full((50, 3, 3), np.nan)),
        Mesh(np.full((50, 3, 3), 1e200)),
        Mesh(np.zeros((50, 3))),
        pytest.param(
            Mesh(np.random.default_rng(0).normal(size=(500, 3, 3))), marks=pytest.mark.slow
        ),
        np.zeros((0, 3)),
        np.zeros((5_000, 3), dtype=np.float32),
        np.zeros(9),
    ],
    ids=[
        "level map",
        "missing map",
        "map without a step",
        "map of one row",
        "random map",
        "mesh of nothing",
        "mesh of one spot",
        "missing mesh",
        "mesh beyond all measure",
        "mesh of odd shape",
        "random mesh",
        "no points",
        "one spot",
        "numbers",
    ],
)
def test_maps_and_meshes_of_nothing(scan: object) -> None:
    assert not answered(scan)
    with pytest.raises(EvenfallError):
        find_slots(scan)  # type: ignore[arg-type]


@pytest.mark.slow
def test_whole_numbers_are_points_too() -> None:
    micrometres = np.round(SCAN.points_mm * 1000.0).astype(np.int32)
    survey, _ = measure_crowns(micrometres, SPEC, mirrored=False)
    assert survey.orientation.unit == "um"
    error = crown_errors(SCAN, lambda p: p * 1000.0, survey)
    assert np.nanstd(error) < 0.004


@pytest.mark.slow
def test_a_scan_far_from_the_origin_keeps_its_micrometres() -> None:
    away = np.array([4e5, -3e6, 2e4])
    survey, _ = measure_crowns(SCAN.points_mm + away, SPEC, mirrored=False)
    error = crown_errors(SCAN, lambda p: p + away, survey)
    assert np.nanstd(error) < 0.004


@pytest.mark.slow
def test_a_fretless_board_has_no_frets_to_find() -> None:
    bare = make_scan(
        SPEC, replace(SCAN.recipe, missing=tuple(range(1, SPEC.frets + 1)), nut_height=0.0)
    )
    assert not answered(bare.points_mm)


RANDOM = np.random.default_rng(7)
TRIANGLE = np.array([[[0.0, 0.0, 0.0], [240.0, 0.0, 0.0], [0.0, 48.0, 0.0]]])


def comb(pitch: float) -> Mesh:
    """Return a board with crowns on it that stand evenly, as no frets do."""
    x, y = np.meshgrid(np.linspace(0.0, 350.0, 1400), np.linspace(0.0, 48.0, 9), indexing="ij")
    off = (x + 0.5 * pitch) % pitch - 0.5 * pitch
    z = np.sqrt(np.maximum(1.0 - off**2, 0.0))
    corner = np.stack([x, y, z], axis=-1)
    a, b, c, d = corner[:-1, :-1], corner[1:, :-1], corner[:-1, 1:], corner[1:, 1:]
    both = [np.stack(part, axis=2).reshape(-1, 3, 3) for part in ((a, b, c), (b, d, c))]
    return Mesh(np.concatenate(both))


@pytest.mark.quick(1)
@pytest.mark.parametrize(
    ("scan", "words"),
    [
        (Mesh(TRIANGLE), "The mesh has 1 triangle; a fretboard needs at least 50"),
        pytest.param(
            Mesh(RANDOM.uniform(-600.0, 600.0, (60, 3, 3))),
            "neither a fretboard of a 382.0 mm scale nor an instrument with one",
            marks=pytest.mark.slow,
        ),
        pytest.param(
            RANDOM.uniform(0.0, 300.0, (200_000, 3)),
            "neither a fretboard of a 382.0 mm scale nor an instrument with one",
            marks=pytest.mark.slow,
        ),
        (SCAN.points_mm * [1.0, 1.0, 1000.0], "x, y and z are in one unit"),
        (comb(20.0), "are not in this scan"),
        pytest.param(comb(5.0), "are not in this scan", marks=pytest.mark.slow),
    ],
    ids=[
        "one triangle",
        "sixty triangles",
        "random points",
        "heights in another unit",
        "a comb of crowns",
        "a fine comb of crowns",
    ],
)
def test_what_is_no_board_is_refused_with_the_reason(scan: object, words: str) -> None:
    with pytest.raises(ReadingsError, match=words):
        measure_crowns(scan, SPEC)  # type: ignore[arg-type]


def test_a_few_points_far_off_make_no_long_map() -> None:
    plate = RANDOM.uniform(0.0, 3000.0, (20_000, 3)) * [1.0, 1.0, 0.0]
    plate[:40, 0] *= 1e5
    assert "neither a fretboard of a 382.0 mm scale" in no_board(plate, SPEC, "mm").sentence


@pytest.mark.slow
def test_a_side_of_a_body_with_nothing_near_one_plane_is_no_candidate() -> None:
    """A tilted triangle, of which no point lies near the plane of its edge."""
    corners = [
        [-440.086, 399.313, 224.264],
        [577.989, 307.811, 113.028],
        [47.092, -588.158, 340.578],
    ]
    middle = np.mean(corners, axis=0)
    parts = np.array([[*corners[i], *corners[i - 1], *middle] for i in range(3)]).reshape(-1, 3, 3)
    while len(parts) < 60:  # the same triangle, cut smaller
        middles = parts.mean(axis=1)
        parts = np.concatenate(
            [np.stack([parts[:, i], parts[:, i - 1], middles], axis=1) for i in range(3)]
        )
    assert not answered(Mesh(parts))


@pytest.mark.slow
def test_a_second_neck_in_the_scan_is_told() -> None:
    both = np.concatenate([SCAN.points_mm, SCAN.points_mm - np.array([330.0, 0.0, 0.0])])
    survey, findings = measure_crowns(both, SPEC, mirrored=False)
    assert np.isfinite(survey.crown_top_mm).all()
    assert any(f.code == "ambiguous" and "second neck" in f.sentence for f in findings)
    _, findings = measure_crowns(SCAN.points_mm, SPEC, mirrored=False)
    assert not any("second neck" in f.sentence for f in findings)


@pytest.mark.filterwarnings("error")
def test_a_fret_seen_at_its_ends_alone_is_not_said_to_stand_up_there() -> None:
    along = np.array([-20.0, -19.0, -18.0, 18.0, 19.0, 20.0])
    height = np.array([1.4, 1.3, 1.2, 1.0, 1.0, 1.0])
    fret = FretHeights(5, along, height, np.full(6, 0.002), np.zeros(6, dtype=bool))
    assert _seating(fret, 1.0) == []
    seen = np.array([-20.0, -2.0, -1.0, 0.0, 1.0, 20.0])
    (told,) = _seating(replace(fret, along_mm=seen, height_mm=height[[0, 3, 3, 3, 3, 3]]), 1.0)
    assert told.code == "lifted-end"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("axis", "turn_rad", "beside"),
    [
        ("along", 0.6, [0.0, 120.0, 0.0]),
        ("across", -0.35, [0.0, 0.0, 80.0]),
    ],
)
def test_a_second_neck_that_lies_tilted_is_told(
    axis: str, turn_rad: float, beside: list[float]
) -> None:
    cosine, sine = np.cos(turn_rad), np.sin(turn_rad)
    turn = {
        "along": [[1.0, 0.0, 0.0], [0.0, cosine, -sine], [0.0, sine, cosine]],
        "across": [[cosine, 0.0, sine], [0.0, 1.0, 0.0], [-sine, 0.0, cosine]],
    }[axis]
    second = SCAN.points_mm @ np.array(turn).T + beside
    _, findings = measure_crowns(np.concatenate([SCAN.points_mm, second]), SPEC, mirrored=False)
    assert any(f.code == "ambiguous" and "second neck" in f.sentence for f in findings)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("place", "hidden"),
    [
        pytest.param("between", (), marks=pytest.mark.slow),
        pytest.param("over", (5,), marks=pytest.mark.slow),
        ("fingers", (5, 6, 7)),
    ],
)
def test_what_covers_the_board_is_left_out_and_told(place: str, hidden: tuple[int, ...]) -> None:
    """A capo of 12 mm over fret 5 was crown and board before, and its top 11 mm off."""
    base, points = drawn(SCAN).base, SCAN.points_mm.copy()
    x, y, _ = points.T
    if place == "fingers":
        for middle in (0.5 * (base[4] + base[5]), 0.5 * (base[5] + base[6])):
            off = x - middle + 0.1 * y
            under = (np.abs(off) < 10.0) & (y < 17.0)
            points[under, 2] = 10.0 + np.sqrt(100.0 - off[under] ** 2)
    else:
        middle = base[4] - 2.0 if place == "over" else 0.5 * (base[0] + base[1])
        bar = np.abs(x - middle) < 6.0
        points[bar, 2] = 10.0 + 2.0 * np.cos((x[bar] - middle) / 4.0)
    survey, findings = measure_crowns(points, SPEC, mirrored=False)
    (told,) = [f for f in findings if f.code == "covered"]
    assert told.at.frets == hidden
    seen = np.isfinite(survey.crown_top_mm).all(axis=0)
    assert tuple((np.flatnonzero(~seen) + 1).tolist()) == hidden
    assert np.nanmax(np.abs(crown_errors(SCAN, lambda p: p, survey))) < 0.02
    assert not {f.code for f in findings} & {"missing-fret", "extra-bump", "board-shape"}


def test_a_sloping_board_is_told_from_what_covers_it() -> None:
    """Strings over the end of a board that rose by 5 mm with its body counted as a cover."""
    column, row = np.arange(120.0)[:, None], np.arange(22.0)[None, :]
    board = 0.04 * column + 0.01 * row - 0.01 * (row - 10.5) ** 2
    board[::7] = np.nan
    board[40:60] += 12.0
    assert _slope(board) == pytest.approx(0.04, abs=1e-3)
    assert _slope((board - 0.04 * column).T) == pytest.approx(0.01, abs=1e-3)
    assert _slope(board[:1]) == 0.0


@pytest.mark.slow
@pytest.mark.parametrize("side", [1.0, pytest.param(-1.0, marks=pytest.mark.slow)])
def test_a_fret_that_the_scan_ends_on_is_not_seen(side: float) -> None:
    """Half of it was a crown with one upright side, 0.2 mm off its place."""
    place = float(drawn(SCAN).base[7])
    half = SCAN.points_mm[side * (SCAN.points_mm[:, 0] - place) < 0.1]
    survey, findings = measure_crowns(half, SPEC, mirrored=False)
    assert survey.crown_lines[7] is None
    assert not {f.code for f in findings} & {"crown-kind", "fret-place", "missing-fret"}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("cut", "code"), [((-30.0, 2.0), "orientation"), ((-9.0, 9.0), "ambiguous")]
)
def test_a_strip_of_the_board_does_not_blame_its_width(cut: tuple[float, float], code: str) -> None:
    y = SCAN.points_mm[:, 1]
    strip = SCAN.points_mm[(y > cut[0]) & (y < cut[1])]
    survey, findings = measure_crowns(strip, SPEC, mirrored=False)
    (edges,) = [f for f in findings if "not both in it" in f.sentence]
    assert edges.code == code
    assert not any(f.code == "board-width" for f in findings)
    told = survey.scanned
    assert np.isnan(told.board_width_nut_mm)
    # where crown and board are both cut no fret ends with its board
    for end in (told.fret_end_bass_mm, told.fret_end_treble_mm, told.fret_end_u_mm):
        assert np.isnan(end).all()


@pytest.mark.slow
def test_a_board_of_another_width_is_told_with_its_centre_line_known() -> None:
    """Twice the tolerance off, its edges were said not to be in the scan."""
    text = SPEC.text.replace("width_nut = 36.0", "width_nut = 40.0")
    text = text.replace("width_last = 46.0", "width_last = 50.0")
    survey, findings = measure_crowns(SCAN.points_mm, read_specification(text)[0], mirrored=False)
    (told,) = [f for f in findings if f.code == "board-width"]
    assert told.said.values["nut"] == pytest.approx(36.0, abs=0.3)
    assert not any("not both in it" in f.sentence for f in findings)
    assert np.nanmax(np.abs(crown_errors(SCAN, lambda p: p, survey))) < 0.02


@pytest.mark.slow
def test_two_necks_that_point_apart_are_refused_as_two() -> None:
    cosine, sine = np.cos(0.2), np.sin(0.2)
    turn = np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])
    both = np.concatenate([SCAN.points_mm, SCAN.points_mm @ turn.T + [0.0, 120.0, 0.0]])
    with pytest.raises(ReadingsError, match="of two things with a gap between them"):
        measure_crowns(both, SPEC, mirrored=False)


@pytest.mark.slow
def test_waves_of_a_scanner_are_told_and_not_taken_for_strings() -> None:
    x = SCAN.points_mm[:, 0]
    for size, period in ((0.05, 1.0), (0.3, 12.0)):
        points = SCAN.points_mm.copy()
        points[:, 2] += size * np.sin(2.0 * np.pi * x / period)
        _, findings = measure_crowns(points, SPEC, mirrored=False)
        (told,) = [f for f in findings if f.code == "scan"]
        assert "check the scanner" in told.sentence
        assert not any(f.code in ("strings-seen", "extra-bump") for f in findings)
