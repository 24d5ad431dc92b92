"""The deepest swing against an independent program and against brute force.

The check values come from a brute-force time grid on modes found by the 4 x 4 determinant of the
end conditions (NumPy and SciPy only), followed until the bound rules out any deeper excursion.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from draws import draws
from evenfall.strings.damping import Damping
from evenfall.strings.modes import PluckedString, string_modes
from evenfall.strings.swing import Swing, _directions, _Search, deepest_swing, modes_needed
from strings.made_strings import stations, stopped

FINE_SHARE = 0.002  # of the excursion: what the table may miss


def swing(string: PluckedString, fret: int, last: int = 22) -> Swing:
    ahead = np.array(stations(fret, last))
    return deepest_swing(string_modes(string, ahead, modes_needed(string, ahead[0])))


def whole(found: Swing) -> np.ndarray:
    return np.maximum(found.away_mm_per_n, found.towards_mm_per_n)


def first(found: Swing) -> np.ndarray:
    return np.maximum(found.away_first_mm_per_n, found.towards_first_mm_per_n)


NEXT_FRET = {  # whole motion and first period over the next fret [mm/N]
    0: "41397/40595 46119/42836 44899/40404 38500/36076 37495/34396 42541/38648",
    5: "29309/28253 33520/30307 32277/27303 27934/25362 26966/23862 30531/26191",
    12: "17832/15878 20126/16330 20105/16514 16683/13819 16400/13224 18716/15309",
    17: "12071/10023 14071/11097 14220/11008 11629/09086 11564/09042 13226/10417",
    21: "09952/07791 11851/09216 11521/08874 09705/07618 09465/07417 10644/08463",
}


@pytest.mark.parametrize("fret", NEXT_FRET)
def test_over_the_next_fret(fret: int) -> None:
    for name, pair in zip(
        ("E4", "B3", "G3", "D3", "A2", "E2"), NEXT_FRET[fret].split(), strict=True
    ):
        deep, early = (int(digits) * 1e-5 for digits in pair.split("/"))
        found = swing(stopped(name, fret), fret)
        assert whole(found)[0] == pytest.approx(deep, rel=FINE_SHARE), name
        assert first(found)[0] == pytest.approx(early, rel=FINE_SHARE), name


def test_over_every_fret_ahead() -> None:
    found = whole(swing(stopped("G3", 12), 12))
    expected = "20105 35643 48139 58627 69029 78592 87678 96057 99822 98110"
    assert found == pytest.approx([int(v) * 1e-5 for v in expected.split()], rel=FINE_SHARE)


@pytest.mark.parametrize(
    ("ends", "rest", "deep"),
    [
        ((np.inf, 0.0), 5e-4, 0.18962),
        ((np.inf, 1.0), 5e-4, 0.18981),
        ((0.0, 0.0), 5e-4, 0.21250),
        ((1.0, 1.0), 0.0, 0.23349),
        ((1.0, 1.0), 2e-4, 0.21848),
        ((1.0, 1.0), 1e-3, 0.18934),
    ],
)
def test_other_ends_and_losses(ends: tuple[float, float], rest: float, deep: float) -> None:
    found = whole(swing(stopped("G3", 12, ends=ends, rest=rest), 12))
    assert found[0] == pytest.approx(deep, rel=FINE_SHARE)


@pytest.mark.parametrize("name", ["E4", "G3", "E2"])
def test_it_falls_as_losses_grow_and_the_first_period_is_the_lesser(name: str) -> None:
    before = None
    for rest in (0.0, 2e-4, 5e-4, 1e-3, 2e-3):
        found = swing(stopped(name, 7, rest=rest), 7)
        assert (found.away_mm_per_n >= found.away_first_mm_per_n).all()
        assert (found.towards_mm_per_n >= found.towards_first_mm_per_n).all()
        if before is not None:
            assert (whole(found) < before).all()
        before = whole(found)
    pinned = swing(stopped(name, 7, ends=(0.0, 0.0)), 7)
    assert (whole(pinned) > whole(swing(stopped(name, 7), 7))).all()


@pytest.mark.parametrize("fret", [0, 5, 12, 21])
def test_an_ideal_string_stays_in_its_parallelogram(fret: int) -> None:
    """D'Alembert: the static triangle, and the same turned half round half a period later."""
    plain = dataclasses.replace(
        stopped("E4", fret, width_mm=0.0),
        bending_stiffness_n_mm2=0.0,
        damping=Damping(0.0, 0.0, 0.0, 0.0),
    )
    ahead = np.array(stations(fret))
    search = _Search(string_modes(plain, ahead, 4096))
    search.look_at_first_period()
    away, towards = _directions(search.measured()[0])
    length, pluck = plain.length_mm, plain.pluck_distance_mm
    near, far = ahead, length - ahead
    static = np.minimum(near * pluck, far * (length - pluck)) / (plain.tension_n * length)
    turned = np.minimum(near * (length - pluck), far * pluck) / (plain.tension_n * length)
    assert towards == pytest.approx(static, rel=1e-4)
    assert away == pytest.approx(turned, rel=1e-4)


@draws(4)
@given(
    st.sampled_from(["E4", "B3", "G3", "D3", "A2", "E2"]),
    st.integers(0, 20),
    st.floats(60.0, 160.0),
    st.floats(0.0, 6.0),
)
def test_no_moment_is_deeper(name: str, fret: int, pluck_mm: float, width_mm: float) -> None:
    """The sum itself at 2,000 random moments of the first 60 periods, and of the first."""
    string = stopped(name, fret, pluck_mm=pluck_mm, width_mm=width_mm)
    ahead = np.array(stations(fret))
    modes = string_modes(string, ahead, modes_needed(string, ahead[0]))
    found = deepest_swing(modes)
    damped = np.sqrt(modes.angular_per_s**2 - modes.decay_per_s**2)
    period = 2.0 * np.pi / modes.angular_per_s[0]
    drawn = np.random.default_rng(3).random(2_000)
    part = modes.shape_fraction * modes.amplitude_mm_per_n
    for periods, up, down in (
        (60.0, found.towards_mm_per_n, found.away_mm_per_n),
        (1.0, found.towards_first_mm_per_n, found.away_first_mm_per_n),
    ):
        for times in np.split(drawn * periods * period, 4):
            phase = np.multiply.outer(damped, times)
            left = np.cos(phase) + (modes.decay_per_s / damped)[:, None] * np.sin(phase)
            moved = part @ (left * np.exp(-np.multiply.outer(modes.decay_per_s, times)))
            assert (moved.max(axis=1) <= up * (1.0 + 1e-3)).all()
            assert (-moved.min(axis=1) <= down * (1.0 + 1e-3)).all()


def test_a_string_without_losses_has_no_deepest_swing() -> None:
    still = dataclasses.replace(stopped("E4", 3), damping=Damping(0.0, 0.0, 0.0, 0.0))
    with pytest.raises(ValueError, match="without losses"):
        deepest_swing(string_modes(still, np.array(stations(3)), 40))
