"""Which frets stand out: one high fret is not two low neighbours, nor the other way round."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from evenfall.levelling.diagnosis import _odd_frets
from evenfall.levelling.problem import build_problem
from levelling.necks import Wishes, readings, specification, table
from made_heights import changed

SPEC = specification(Wishes(strings=3, frets=20))
U_MM = 0.004


def stand_out(steps: dict[int, float], *, relief_mm=0.2, seed=0, noise_mm=0.0, u_mm=U_MM, rows=...):
    """Return (fret, step, strings) of a neck smooth but for `steps` [mm] and the noise."""
    found = readings(SPEC, noise_mm=0.0, relief_mm=relief_mm, u_mm=u_mm)
    tops = found.crown_top_mm.copy()
    tops += noise_mm * np.random.default_rng(seed).standard_normal(tops.shape)
    for fret, step in steps.items():
        tops[rows, fret - 1] += step
    return _odd_frets(build_problem(SPEC, changed(found, crown_top_mm=tops), excursion=table(SPEC)))


@pytest.mark.parametrize("relief_mm", [-0.1, 0.0, 0.4])
@pytest.mark.parametrize(
    "steps",
    [
        {9: 0.10},
        {9: -0.10},
        {3: -0.10, 5: -0.10},
        {3: 0.10, 5: 0.10},
        {8: 0.08, 9: 0.12},
        {11: -0.12, 12: -0.08},
        {8: 0.10, 9: 0.10, 10: 0.10},
        {4: 0.10, 5: -0.10},
        {1: 0.10},
        {2: 0.10},
        {2: 0.10, 3: 0.10},
        {1: -0.10, 2: -0.10},
        {19: -0.10, 20: 0.10},
        {20: -0.10},
        {3: 0.10, 17: -0.10},
    ],
    ids=str,
)
def test_the_frets_that_are_off_are_named_and_no_others(steps, relief_mm) -> None:
    named = stand_out(steps, relief_mm=relief_mm, noise_mm=0.002)
    assert {fret for fret, _, _ in named} == set(steps)
    for fret, step, strings in named:
        assert step == pytest.approx(steps[fret], abs=0.02)
        assert strings == (1, 2, 3)


def test_only_the_strings_where_it_is_off_are_named() -> None:
    ((fret, step, strings),) = stand_out({7: 0.08}, rows=1)
    assert (fret, strings) == (7, (2,))
    assert step == pytest.approx(0.08, abs=0.01)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([0.006, 0.01, 0.02]))
def test_noise_of_the_readings_alone_names_nothing(seed, u_mm) -> None:
    """Readings off by no more than their uncertainty allows; 60 crossings are looked at."""
    chance = np.random.default_rng(seed)
    found = readings(SPEC, noise_mm=0.0, relief_mm=0.2, u_mm=u_mm)
    noise = u_mm * np.clip(chance.standard_normal(found.crown_top_mm.shape), -1.8, 1.8)
    noisy = changed(found, crown_top_mm=found.crown_top_mm + noise)
    assert _odd_frets(build_problem(SPEC, noisy, excursion=table(SPEC))) == []


def test_noise_names_a_fret_as_rarely_as_is_said() -> None:
    """Plain normal noise, 200 necks: a fret is named by chance on about 5 % of them at most."""
    count = sum(bool(stand_out({}, seed=seed, noise_mm=0.02, u_mm=0.02)) for seed in range(200))
    assert count <= 20  # 5 % of 200 is 10, with three standard deviations of that


def test_a_smooth_neck_names_nothing_however_exact_the_readings() -> None:
    assert stand_out({}, u_mm=0.0) == []
    assert stand_out({}, u_mm=0.0, noise_mm=0.004) == []


def test_a_neck_of_five_frets_is_looked_at_too() -> None:
    spec = specification(Wishes(strings=3, frets=5))
    found = readings(spec, noise_mm=0.0, u_mm=U_MM)
    tops = found.crown_top_mm.copy()
    tops[:, 2] += 0.1
    odd = _odd_frets(build_problem(spec, changed(found, crown_top_mm=tops), excursion=table(spec)))
    assert [fret for fret, _, _ in odd] == [3]


def test_where_all_frets_scatter_a_truly_high_one_still_stands_out() -> None:
    """Frets that are uneven by 0.03 mm: no long list of all of them, and the high one is there."""
    for seed in range(5):
        assert len({fret for fret, _, _ in stand_out({}, seed=seed, noise_mm=0.03)}) <= 10
        named = stand_out({9: 0.25}, seed=seed, noise_mm=0.03)
        assert 9 in [fret for fret, _, _ in named]
