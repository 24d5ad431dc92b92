"""The generators make what they say."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from evenfall.measurement import Origin
from necks import bench, invented, smooth
from necks.invented import Bump, neck
from necks.kinds import ALL_KINDS, KINDS, OTHER_KINDS, specification
from necks.readings import Reader, exact, read, read_sheet, sheet
from necks.slips import SLIPS

GENERATORS = [*product([invented], KINDS), *product([smooth], OTHER_KINDS)]


@pytest.mark.parametrize("kind", ALL_KINDS)
def test_settings_stand_at_the_targets(kind: str) -> None:
    made = neck(kind)
    target = specification(kind).target
    assert made.relief_mm == target.relief.value_mm
    # strings that spread over an arched board run over a curve, which passes for relief, a little
    assert made.bow.relief_mm(made.level_mm) == pytest.approx(made.relief_mm, abs=0.02)
    np.testing.assert_allclose(made.action_mm, [t.value_mm for t in target.action], atol=1e-9)
    gaps = [t.value_mm for t in target.first_fret_gap]
    np.testing.assert_allclose(made.first_fret_gap_mm, gaps, atol=1e-9)
    assert not made.standing()


@pytest.mark.parametrize(
    "kind", [pytest.param(k, marks=() if k == "ukulele" else pytest.mark.slow) for k in ALL_KINDS]
)
def test_level_frets_at_the_targets_stay_clear_of_the_attack(kind: str) -> None:
    made = neck(kind)
    np.testing.assert_array_equal(made.margin(), made.margin(level=True))
    assert 1.0 < made.margin().min() < 1.6


def test_faults_are_where_they_were_asked_for() -> None:
    made = neck("electric", bumps=[Bump(7, 0.08), Bump(12, 0.0, 0.06), Bump(3, -0.05)])
    assert made.standing() == {3, 7, 12}
    assert made.standing(0.06) == {7, 12}
    np.testing.assert_allclose(made.off_mm[:, 6], 0.08)
    np.testing.assert_allclose(made.off_mm[[0, -1], 11], [0.0, 0.06])
    worn = neck("electric", wear_mm=invented.worn_first_frets(made.specification, 0.1))
    np.testing.assert_allclose(worn.off_mm[0, :3], [-0.1, -0.075, -0.05])
    np.testing.assert_allclose(made.crown_height_mm - worn.crown_height_mm, -worn.off_mm)


@pytest.mark.parametrize(("generator", "kind"), GENERATORS)
def test_the_same_seed_gives_the_same_neck(generator: object, kind: str) -> None:
    for name in ("level", "as_found"):
        make = getattr(generator, name)
        one, two = (make(kind, np.random.default_rng(5)) for _ in range(2))
        np.testing.assert_array_equal(one.height_mm, two.height_mm)
        assert not np.array_equal(one.height_mm, make(kind, np.random.default_rng(6)).height_mm)
        assert (name == "level") == (not one.standing())


def test_a_random_curve_has_the_spread_it_says() -> None:
    """Over many curves the mean square is 1; their own spread is sqrt(5 / (2 n)) at most."""
    place, chance = np.linspace(0.0, 1.0, 5), np.random.default_rng(1)
    curves = np.array([smooth.random_curve(place, 0.25, chance) for _ in range(4000)])
    assert (curves**2).mean() == pytest.approx(1.0, abs=0.1)
    near, far = (curves[:, 0] * curves[:, 1]).mean(), (curves[:, 0] * curves[:, 4]).mean()
    assert near == pytest.approx(np.exp(-0.5), abs=0.1)
    assert far == pytest.approx(0.0, abs=0.1)


@pytest.mark.slow
@pytest.mark.parametrize("acknowledged", [True, False])
def test_readings_err_by_what_they_state(acknowledged: bool) -> None:
    """Errors over stated uncertainty of single crowns have the mean square 1."""
    chance = np.random.default_rng(2)
    uneven = 0.004 + 0.004 * np.linspace(0.0, 1.0, 22)[None, :].repeat(6, axis=0)
    reader = Reader(uneven, string_u_mm=0.004, fret_u_mm=0.003, acknowledged=acknowledged)
    made = neck("electric", bumps=[Bump(7, 0.08)])
    scores = []
    for _ in range(200):
        found = read(made, chance, reader).heights
        error = found.height_mm - made.height_mm
        scores.append((error / found.total_u_mm)[:, 1:-1] ** 2)
        assert len(found.shared) == (2 if acknowledged else 0)
    assert np.mean(scores) == pytest.approx(1.0, abs=0.06)


def test_exact_readings_are_the_neck() -> None:
    made = invented.as_found("bass", np.random.default_rng(3))
    found = exact(made)
    np.testing.assert_array_equal(found.heights.height_mm, made.height_mm)
    assert not found.heights.total_u_mm.any()


def test_a_sheet_is_read_back_with_repeats_and_gaps() -> None:
    made = neck("ukulele", bumps=[Bump(5, 0.06)])
    chance = np.random.default_rng(4)
    text = sheet(made, chance, Reader(0.005), repeats=3, stated=False, missing=[(2, 9)])
    found = read_sheet(made, text)
    assert found.complete
    assert len(found.direct) == 3
    np.testing.assert_allclose(found.crown_top_mm[:, 4], made.crown_top_mm[:, 4], atol=0.02)
    assert np.isfinite(found.heights.own_degrees_of_freedom[0, 3])
    assert found.heights.origin[1, 9] == Origin.INTERPOLATED


def test_a_bench_misses_only_what_it_moves() -> None:
    made, chance = neck("electric"), np.random.default_rng(5)
    assert np.array_equal(bench.set_up(made, chance).height_mm, made.height_mm)
    asked = np.array([0.1, 0.0, 0.0, 0.0, 0.0, -0.2])
    done = bench.set_up(made, chance, relief_mm=-0.1, saddle_mm=asked)
    moved = done.saddle_mm - made.saddle_mm
    assert not moved[1:5].any()
    assert (np.abs(moved - asked) <= 0.05).all()
    assert abs(done.relief_mm - made.relief_mm + 0.1) <= 0.05 + 1e-9
    removal = np.zeros((6, 22))
    removal[:, 6] = 0.05
    filed = bench.cut(made, chance, removal)
    off = made.crown_top_mm - filed.crown_top_mm
    assert not np.delete(off, 6, axis=1).any()
    assert (np.abs(off[:, 6] - 0.05) <= 0.02 + 1e-9).all()
    np.testing.assert_allclose(made.crown_height_mm - filed.crown_height_mm, off)
    exact_ = bench.cut(made, chance, removal, bench.NONE)
    np.testing.assert_allclose(made.crown_top_mm - exact_.crown_top_mm, removal)


@pytest.mark.parametrize("name", SLIPS)
def test_a_slip_changes_heights_alone(name: str) -> None:
    chance = np.random.default_rng(6)
    found = read(invented.as_found("electric", chance), chance)
    slipped = SLIPS[name](found, chance)
    assert not np.array_equal(slipped.heights.height_mm, found.heights.height_mm)
    assert slipped.direct == found.direct
    assert np.isfinite(slipped.heights.height_mm).all()
