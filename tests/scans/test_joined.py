"""Several scans of one neck put together: against the truth, and against each other."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from evenfall.errors import ReadingsError, RequestError
from evenfall.instrument import string_lines
from evenfall.measurement import Heights, Measurement
from evenfall.pictures.board_map import board_map
from evenfall.pictures.crown_views import crown_lines
from evenfall.pictures.scan_frets import board_along
from evenfall.readings import read_files
from evenfall.scans import CrownSurvey, measure_crowns, to_measurement
from evenfall.scans.fret_comb import nominal_lines
from evenfall.scans.joined import drawn_together, join_scans
from oracles.surfaces import FloatArray, Recipe, Scan, drawn, make_scan, specification, turned
from pictures.drawing import texts

SPEC = specification("ukulele")
LINES = string_lines(SPEC)
RECIPE = Recipe(seed=8, step_x=0.1, step_y=0.3, noise=0.0, outlier_share=0.0, shadow_share=0.0)
U_MM = 0.004


@cache
def neck() -> Scan:
    return make_scan(SPEC, RECIPE)


def scanned(seed: int, low: float = -10.0, high: float = 400.0) -> FloatArray:
    """Return one scan of the neck, of a part of it, in a frame of its own."""
    points = neck().points_mm
    points = points[(points[:, 0] > low) & (points[:, 0] < high)]
    chance = np.random.default_rng(seed)
    points = points + chance.normal(0.0, 0.005, points.shape) * [0.0, 0.0, 1.0]
    return turned(points, seed=seed)


@cache
def surveyed(seed: int, low: float = -10.0, high: float = 400.0) -> CrownSurvey:
    return measure_crowns(scanned(seed, low, high), SPEC, mirrored=False)[0]


@cache
def measured(seed: int, low: float = -10.0, high: float = 400.0) -> Measurement:
    return to_measurement(surveyed(seed, low, high), SPEC, source=(f"scan {seed}",))


def made(
    chance: np.random.Generator, there: slice, u: float = U_MM, stated: float = U_MM
) -> Measurement:
    """Return a measurement of the neck's true crowns, or of some frets, over a datum of its own."""
    like = measured(1)
    plane = chance.normal(0.0, [0.5, 0.001, 0.003]) @ np.stack(
        [np.ones_like(LINES.x_mm[:, 1:]), LINES.x_mm[:, 1:], LINES.y_mm[:, 1:]], axis=1
    )
    top = np.full(like.crown_top_mm.shape, np.nan)
    true = neck().crown_top_mm + plane
    top[:, there] = (true + chance.normal(0.0, u, true.shape))[:, there]
    heights = Heights.independent(
        nut_mm=np.nan, crown_top_mm=top, saddle_mm=np.nan, crown_top_u_mm=stated
    )
    return replace(like, heights=heights, source=(f"{there}",))


def clear_of_plane(height: FloatArray) -> FloatArray:
    """Return crown tops less the plane nearest to them."""
    x, y = LINES.x_mm[:, 1:], LINES.y_mm[:, 1:]
    design = np.stack([np.ones_like(x), x, y], axis=-1).reshape(-1, 3)
    fit = np.linalg.lstsq(design, height.ravel(), rcond=None)[0]
    return height - (design @ fit).reshape(height.shape)


@pytest.mark.slow
def test_two_scans_joined_are_nearer_to_the_truth_and_say_how_near() -> None:
    each = [measured(1), measured(2)]
    joined, findings = join_scans(each, SPEC)
    truth = clear_of_plane(neck().crown_top_mm)
    error = clear_of_plane(joined.crown_top_mm) - truth
    alone = [clear_of_plane(one.crown_top_mm) - truth for one in each]
    assert error.std() < 0.9 * min(one.std() for one in alone)
    u = np.sqrt(
        joined.heights.own_u_mm[:, 1:-1] ** 2
        + sum(one.effect_mm[:, 1:-1] ** 2 for one in joined.heights.shared)
    )
    assert 0.7 < float(np.sqrt(np.mean((error / u) ** 2))) < 1.3
    (route,) = [f for f in findings if f.code == "route"]
    assert "2 scans were joined by 72 crowns" in route.sentence
    assert np.isfinite(joined.heights.own_degrees_of_freedom[:, 1:-1]).all()
    assert joined.source == ("scan 1", "scan 2")


@pytest.mark.slow
def test_parts_are_joined_by_the_frets_that_they_share() -> None:
    head, body = measured(3, high=165.0), measured(4, low=95.0)
    assert np.isnan(head.crown_top_mm).any()
    assert np.isnan(body.crown_top_mm).any()
    joined, _ = join_scans([head, body], SPEC)
    assert np.isfinite(joined.crown_top_mm).all()
    error = clear_of_plane(joined.crown_top_mm) - clear_of_plane(neck().crown_top_mm)
    assert error.std() < 0.004
    assert {one.name for one in joined.heights.shared} == {"scan-joint", "crown-form"}
    # what each tells of its own frets and its own board
    told = joined.scanned
    assert told is not None
    for of_fret in (told.fret_place_mm, told.crown_radius_u_mm, told.crown_width_mm):
        assert np.isfinite(of_fret).all()
    assert told.board_place_mm[0] < 10.0
    assert told.board_place_mm[-1] > 230.0
    assert (np.diff(told.board_place_mm) > 0.0).all()
    # the frets of both stand off one scale
    nominal, base = nominal_lines(LINES).base_mm, drawn(neck()).base
    line = np.polynomial.Polynomial.fit(nominal, base, 1)
    assert np.abs(told.fret_place_mm - (base - line(nominal))).max() < 0.002
    assert told.scale_mm == pytest.approx(382.0 * float(line.deriv()(0.0)), abs=0.005)
    assert head.scanned is not None
    assert np.isnan([head.scanned.board_bow_mm, head.scanned.board_twist_rad]).all()
    # the radius is told of what was seen, not of the whole board
    for part, words in ((head, "at the nut to 80.0 mm at 1"), (body, "90.0 mm at 9")):
        assert part.scanned is not None
        arched = np.linspace(90.0, 80.0, len(part.scanned.board_place_mm))
        said = replace(part.scanned, board_radius_mm=arched).said[1]
        assert words in str(said)


@pytest.mark.slow
def test_what_a_part_says_is_brought_over_to_the_scale_of_the_fullest() -> None:
    """A second scanner, 0.1 % off, saw the edges of the board that the fuller scan lacks."""
    head, body = measured(3, high=165.0), measured(4, low=95.0)
    assert head.scanned is not None
    assert body.scanned is not None
    nan = float("nan")
    cut = dict.fromkeys(("board_width_nut_mm", "board_width_last_mm", "board_width_u_mm"), nan)
    fuller = replace(body, scanned=replace(body.scanned, **cut))
    whole = join_scans([head, body], SPEC)[0].scanned
    # places off another scale: shifted and stretched
    nominal = nominal_lines(LINES).base_mm
    other = replace(
        head.scanned,
        scale_mm=1.001 * head.scanned.scale_mm,
        fret_place_mm=1.001 * head.scanned.fret_place_mm + 0.05 - 0.0003 * nominal,
    )
    told = join_scans([replace(head, scanned=other), fuller], SPEC)[0].scanned
    assert whole is not None
    assert told is not None
    assert told.fret_place_mm == pytest.approx(whole.fret_place_mm, abs=0.001)
    assert told.scale_mm == pytest.approx(whole.scale_mm, abs=0.001)
    assert told.board_width_nut_mm == head.scanned.board_width_nut_mm
    # what the few frets that both show leave open of the far ones
    assert told.fret_place_u_mm[0] > told.fret_place_u_mm[8]


@pytest.mark.slow
def test_joined_scans_are_drawn_with_the_crowns_of_both() -> None:
    """What is drawn was the fuller scan alone, and six crowns that were seen were "not found"."""
    head, body = surveyed(3, high=165.0), surveyed(4, low=95.0)
    joined, _ = join_scans([measured(3, high=165.0), measured(4, low=95.0)], SPEC)
    both = drawn_together([head, body], joined)
    assert all(line is not None for line in both.crown_lines)
    assert "no crown found" in crown_lines(SPEC, body)
    assert "no crown found" not in crown_lines(SPEC, both)
    assert both.scanned is joined.scanned
    first = next(t.content for t in texts(board_map(SPEC, both)) if t.content.isdigit())
    assert int(first) > 3, "its board begins after some frets of the other"
    # of a part of an arched board the radius alone is drawn
    for survey, start in ((body, 90.0), (both, 0.0)):
        told = survey.scanned
        arched = np.full_like(told.board_radius_mm, 300.0)
        along = board_along(SPEC, replace(survey, scanned=replace(told, board_radius_mm=arched)))
        assert "Radius across" in along
        assert "too little of it in one scan to tell bow or twist" in along
        assert "over the line on its ends" not in along
        # in words, table and picture it is what all scans saw
        assert len(along.rows) == len(told.board_place_mm)
        assert start <= along.rows[0][0] < start + 15.0
    # and of a flat one that it is
    flat = board_along(SPEC, both)
    assert "The board is flat across" in flat
    assert "Too little" not in flat


@pytest.mark.slow
@given(seed=st.integers(0, 10_000))
@draws(3)
def test_the_uncertainty_of_relief_over_a_joint_is_its_error(seed: int) -> None:
    weights = np.zeros((SPEC.string_count, SPEC.frets + 2))
    at = LINES.station_mm[1, [1, 9, 18]]
    share = (at[1] - at[0]) / (at[2] - at[0])
    weights[1, [1, 9, 18]] = -(1.0 - share), 1.0, -share
    scores = []
    for draw in range(60):
        chance = np.random.default_rng((seed, draw))
        joined, _ = join_scans([made(chance, slice(0, 12)), made(chance, slice(7, 18))], SPEC)
        relief = float(np.sum(weights * np.nan_to_num(joined.heights.height_mm)))
        truth = float(np.sum(weights[:, 1:-1] * neck().crown_top_mm))
        scores.append((relief - truth) / float(joined.heights.u_mm(weights)))
    # the root mean square of 60 draws scatters by a tenth; the measured ratio by as much
    assert 0.65 < float(np.sqrt(np.mean(np.square(scores)))) < 1.4


@pytest.mark.slow
def test_repeats_measure_the_route_where_points_say_too_little() -> None:
    chance = np.random.default_rng(5)
    each = [made(chance, slice(0, 18), u=0.012, stated=0.003) for _ in range(3)]
    joined, findings = join_scans(each, SPEC)
    (route,) = [f for f in findings if f.code == "route"]
    assert 3.0 < float(route.said.values["what"].values["times"]) < 5.0  # type: ignore[union-attr, arg-type]
    assert float(np.median(joined.heights.own_u_mm[:, 1:-1])) == pytest.approx(
        0.012 / np.sqrt(3.0), rel=0.25
    )
    # and what repeats share they cannot show: the stated uncertainty stays
    chance = np.random.default_rng(6)
    each = [made(chance, slice(0, 18), u=0.0001, stated=0.003) for _ in range(3)]
    joined, _ = join_scans(each, SPEC)
    assert float(np.median(joined.heights.own_u_mm[:, 1:-1])) == pytest.approx(0.003, rel=0.05)


@pytest.mark.slow
def test_dirt_in_one_scan_is_named_and_counted() -> None:
    chance = np.random.default_rng(7)
    clean, dirty = made(chance, slice(0, 18)), made(chance, slice(0, 18))
    height = dirty.heights.height_mm.copy()
    height[2, 5] += 0.2
    dirty = replace(dirty, heights=replace(dirty.heights, height_mm=height))
    joined, findings = join_scans([clean, dirty], SPEC)
    (apart,) = [f for f in findings if f.code == "disagree"]
    assert (apart.at.strings, apart.at.frets) == ((3,), (5,))
    assert joined.heights.own_u_mm[2, 5] > 0.08
    assert float(np.median(joined.heights.own_u_mm[:, 1:-1])) < 1.5 * U_MM


def test_a_neck_that_bent_between_scans_is_told() -> None:
    chance = np.random.default_rng(9)
    first, second = made(chance, slice(0, 18)), made(chance, slice(0, 18))
    x = LINES.x_mm / LINES.x_mm.max()
    height = second.heights.height_mm.copy()
    height[:, 1:-1] += 0.15 * x[:, 1:] ** 2
    second = replace(second, heights=replace(second.heights, height_mm=height))
    _, findings = join_scans([first, second], SPEC)
    (state,) = [f for f in findings if f.code == "state"]
    assert "the neck bent by" in state.sentence


def test_scans_of_other_necks_or_hands_and_parts_too_far_apart_are_refused() -> None:
    chance = np.random.default_rng(10)
    first = made(chance, slice(0, 18))
    other = replace(
        first,
        heights=first.heights.at(
            crown_top_mm=first.crown_top_mm + chance.normal(0.0, 0.1, first.crown_top_mm.shape)
        ),
        source=("other",),
    )
    with pytest.raises(ReadingsError, match="not of one neck in one state"):
        join_scans([first, other], SPEC)
    hands = [made(chance, slice(0, 18)) for _ in range(2)]
    waves = chance.normal(0.0, 0.1, first.crown_top_mm.shape)
    waves = [waves, waves[::-1]]
    hands = [
        replace(one, heights=one.heights.at(crown_top_mm=one.crown_top_mm + wave))
        for one, wave in zip(hands, waves, strict=True)
    ]
    with pytest.raises(ReadingsError, match="of different hands"):
        join_scans(hands, SPEC)
    with pytest.raises(ReadingsError, match="too few to join"):
        join_scans([made(chance, slice(0, 9)), made(chance, slice(8, 18))], SPEC)


@pytest.mark.slow
def test_one_scan_in_two_files_is_no_repeat(tmp_path: Path) -> None:
    first = measured(1)
    turned_over = scanned(1)[::-1].astype(np.float32)  # in another order, to other digits
    survey, _ = measure_crowns(turned_over, SPEC, mirrored=False)
    again = to_measurement(survey, SPEC, source=("again",))
    with pytest.raises(ReadingsError, match="scan 1 and again hold the same points"):
        join_scans([first, again], SPEC)
    with pytest.raises(ReadingsError, match="hold the same points"):
        join_scans([measured(2), first, again], SPEC)
    paths = [tmp_path / name for name in ("a.npy", "b.npy", "copy.npy")]
    for path, seed in zip(paths, (1, 2, 1), strict=True):
        np.save(path, scanned(seed)[:5000])
    with pytest.raises(RequestError, match=r"a\.npy and copy\.npy are the same file"):
        read_files(paths, SPEC)
    with pytest.raises(RequestError, match=r"a\.npy and a\.npy are the same file"):
        read_files(paths[:1] * 2, SPEC)


@pytest.mark.slow
def test_files_of_parts_become_one_measurement(tmp_path: Path) -> None:
    paths = [tmp_path / "head.npy", tmp_path / "body.npy"]
    np.save(paths[0], scanned(3, high=165.0))
    np.save(paths[1], scanned(4, low=95.0))
    taken = read_files(paths, SPEC)
    assert np.isfinite(taken.measurement.crown_top_mm).all()
    assert taken.measurement.source == ("head.npy", "body.npy")
    assert {f.at.file for f in taken.findings if f.code == "recognised"} == {
        "head.npy", "body.npy"
    }  # fmt: skip
    assert not {"scan", "numbering"} & {f.code for f in taken.findings}
    sheet = tmp_path / "actions.csv"
    rows = [f"action,{k},{fret},1,mm,0.1" for k in range(1, 5) for fret in (1, 12)]
    sheet.write_text("\n".join(["quantity,string,fret,value,unit,uncertainty", *rows]))
    beside = read_files([*paths, sheet], SPEC).measurement
    assert beside.source == ("head.npy", "body.npy", "actions.csv")
    assert beside.complete
