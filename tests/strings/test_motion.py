"""The excursion per newton: against textbook solutions, a slow independent sum, and itself."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from evenfall.strings.motion import (
    excursion_per_newton,
    parallelogram_excursion_per_newton,
    pluck_compliance_mm_per_n,
)
from oracles.stiff_string_modal_sum import (
    air_and_internal_decay_per_s,
    deepest_excursion_mm_per_n,
    static_displacement_mm_per_n,
)

FloatArray = NDArray[np.float64]

# Plain 0.010 inch steel string on a 647.7 mm scale (derived: rho 7850 kg/m3, E 200 GPa, E4).
SCALE_MM = 647.7
TENSION_N = 72.5
LINEAR_DENSITY_KG_PER_M = 0.398e-3
DIAMETER_M = 0.254e-3


@dataclass(frozen=True, slots=True)
class Plucked:
    """One string, with its inharmonicity B when open in place of its bending stiffness."""

    scale_mm: float = SCALE_MM
    frets: int = 24
    tension_n: float = TENSION_N
    linear_density_kg_per_m: float = LINEAR_DENSITY_KG_PER_M
    inharmonicity: float = 1.3e-5
    pluck_mm: float = 80.0
    width_mm: float = 2.0

    @property
    def station_mm(self) -> FloatArray:
        return self.scale_mm * (1.0 - 2.0 ** (-np.arange(self.frets + 1) / 12.0))

    @property
    def stopped_mm(self) -> FloatArray:
        return self.scale_mm - self.station_mm

    @property
    def stopped_pluck_mm(self) -> FloatArray:
        return np.minimum(self.pluck_mm, self.stopped_mm / 2.0)

    @property
    def stiffness_n_mm2(self) -> float:
        return self.inharmonicity * self.tension_n * self.scale_mm**2 / np.pi**2

    def excursion(self, periods: int = 2) -> FloatArray:
        return excursion_per_newton(
            speaking_length_mm=self.scale_mm,
            tension_n=self.tension_n,
            linear_density_kg_per_m=self.linear_density_kg_per_m,
            bending_stiffness_n_mm2=self.stiffness_n_mm2,
            station_mm=self.station_mm,
            pluck_distance_mm=self.pluck_mm,
            pluck_width_mm=self.width_mm,
            periods=periods,
        )

    def compliance(self) -> FloatArray:
        return pluck_compliance_mm_per_n(
            speaking_length_mm=self.scale_mm,
            tension_n=self.tension_n,
            linear_density_kg_per_m=self.linear_density_kg_per_m,
            bending_stiffness_n_mm2=self.stiffness_n_mm2,
            station_mm=self.station_mm,
            pluck_distance_mm=self.pluck_mm,
            pluck_width_mm=self.width_mm,
        )

    def parallelogram(self) -> FloatArray:
        return parallelogram_excursion_per_newton(
            speaking_length_mm=self.scale_mm,
            tension_n=self.tension_n,
            station_mm=self.station_mm,
            pluck_distance_mm=self.pluck_mm,
        )

    def oracle(self, stop: int, **choices: object) -> FloatArray:
        return deepest_excursion_mm_per_n(
            length_mm=float(self.stopped_mm[stop]),
            tension_n=self.tension_n,
            linear_density_kg_per_m=self.linear_density_kg_per_m,
            bending_stiffness_n_mm2=self.stiffness_n_mm2,
            from_stop_mm=(self.station_mm - self.station_mm[stop])[stop + 1 :],
            pluck_from_saddle_mm=float(self.stopped_pluck_mm[stop]),
            pluck_width_mm=self.width_mm,
            **choices,
        )


STEEL = Plucked()
IDEAL = Plucked(inharmonicity=0.0, width_mm=0.0)


# ---- the ideal string: d'Alembert's solution ----------------------------------------------------


@pytest.mark.parametrize(
    ("scale_mm", "frets", "pluck_mm"),
    [(647.7, 24, 80.0), (350.0, 18, 60.0), (863.6, 24, 130.0)],
    ids=["guitar", "ukulele", "bass"],
)
def test_without_stiffness_the_sum_is_the_parallelogram(
    scale_mm: float, frets: int, pluck_mm: float
) -> None:
    # Source: d'Alembert's solution, any acoustics text (Fletcher & Rossing, chapter 2).
    # Tolerance 0.1 %: the series ends, so the kink of a point pluck is a little round.
    string = replace(IDEAL, scale_mm=scale_mm, frets=frets, pluck_mm=pluck_mm)
    above = np.triu_indices(frets + 1, k=1)
    np.testing.assert_allclose(string.excursion()[above], string.parallelogram()[above], rtol=1e-3)


def test_the_parallelogram_is_the_envelope_of_the_two_moving_half_triangles() -> None:
    # Source: u(x, t) = (g(x - ct) + g(x + ct)) / 2, g the odd periodic triangle of apex h.
    string = replace(IDEAL, frets=20)
    for stop in (0, 5, 13, 19):
        length, pluck = string.stopped_mm[stop], string.stopped_pluck_mm[stop]
        apex = pluck * (length - pluck) / (string.tension_n * length)

        def triangle(x: FloatArray, length: float, pluck: float, apex: float) -> FloatArray:
            folded = (x + length) % (2.0 * length) - length
            near = np.abs(folded)
            height = np.minimum(near / (length - pluck), (length - near) / pluck) * apex
            return np.sign(folded) * height

        x = (string.station_mm - string.station_mm[stop])[stop + 1 :, None]
        travelled = np.linspace(0.0, 2.0 * length, 40001)
        moved = [triangle(x + s * travelled, length, pluck, apex) for s in (-1.0, 1.0)]
        deepest = np.abs(sum(moved) / 2.0).max(axis=1)
        np.testing.assert_allclose(
            string.parallelogram()[stop, stop + 1 :], deepest, atol=2e-4 * apex
        )


def test_stiffness_fading_away_leads_to_the_parallelogram_as_its_cube_root() -> None:
    # The crests run ahead by the phase pi B n^3 per period: they are as long as B^(-1/3) modes,
    # so the excess over the ideal string falls tenfold when B falls a thousandfold.
    above = np.triu_indices(25, k=1)
    ideal = IDEAL.parallelogram()[above]
    excess = {
        b: replace(IDEAL, inharmonicity=b).excursion()[above] / ideal - 1.0
        for b in (1e-5, 1e-7, 1e-8)
    }
    assert np.median(excess[1e-8]) < 0.003
    assert np.median(excess[1e-5] / excess[1e-8]) == pytest.approx(10.0, rel=0.1)
    assert np.median(excess[1e-7] / excess[1e-8]) == pytest.approx(10.0 ** (1.0 / 3.0), rel=0.1)


def test_clearance_over_the_next_fret_is_the_same_share_of_saddle_height_at_every_stop() -> None:
    # Exact: straight level frets, saddle height H above them, clearance H (1 - 2^(-1/12)).
    saddle_mm = 2.9
    station, length = STEEL.station_mm, STEEL.stopped_mm
    next_fret_mm = saddle_mm * (station[1:] - station[:-1]) / length[:-1]
    np.testing.assert_allclose(next_fret_mm / saddle_mm, 0.056126, atol=5e-7)


def test_ideal_string_just_clears_level_frets_at_the_pluck_slope_of_the_rest_slope() -> None:
    # Exact for the ideal string: h = H p / X_n, H = 2.9 mm, p = 80 mm, X_n = stopped length.
    # Worked apart from this program: 0.358 mm open; 0.379, 0.478, 0.716 and 0.956 mm at frets 1,
    # 5, 12 and 17.
    saddle_mm = 2.9
    excursion = IDEAL.parallelogram()
    compliance = IDEAL.compliance()
    for stop, figure_mm in ((0, 0.358), (1, 0.379), (5, 0.478), (12, 0.716), (17, 0.956)):
        length = IDEAL.stopped_mm[stop]
        free = slice(stop + 1, None)
        clearance = saddle_mm * (IDEAL.station_mm - IDEAL.station_mm[stop])[free] / length
        touch_force_n = (clearance / excursion[stop, free]).min()
        touch_force_mm = touch_force_n * compliance[stop]
        assert touch_force_mm == pytest.approx(saddle_mm * 80.0 / length, rel=1e-12)
        assert touch_force_mm == pytest.approx(figure_mm, abs=6e-4)


# ---- the stiff string: figures of an independent script -----------------------------------------

# Excursion over the next fret against the ideal string's, equal displacement at the pluck, p = 80
# mm, three periods; figures as computed apart from this program, some of them as a span over the
# shape of the pluck. Computed here, rounding of the figures +- 0.01.
THREE_PERIODS = [
    (1.3e-5, 0, 1.06, 1.06),
    (1.3e-5, 5, 1.07, 1.07),
    (1.3e-5, 12, 1.08, 1.08),
    (1.0e-4, 0, 1.12, 1.13),
    (1.0e-4, 5, 1.18, 1.20),
    (1.0e-4, 12, 1.29, 1.30),
]


def over_the_next_fret(string: Plucked, excursion: FloatArray, stop: int) -> float:
    per_mm = excursion[stop, stop + 1] / string.compliance()[stop]
    pluck, length = string.stopped_pluck_mm[stop], string.stopped_mm[stop]
    ideal_per_mm = string.parallelogram()[stop, stop + 1] / (
        pluck * (length - pluck) / (string.tension_n * length)
    )
    return float(per_mm / ideal_per_mm)


@pytest.mark.parametrize(("inharmonicity", "stop", "low", "high"), THREE_PERIODS)
def test_stiffness_deepens_the_swing_over_the_next_fret_as_computed_apart(
    inharmonicity: float, stop: int, low: float, high: float
) -> None:
    string = replace(STEEL, inharmonicity=inharmonicity)
    ratio = over_the_next_fret(string, string.excursion(periods=3), stop)
    assert low - 0.01 <= ratio <= high + 0.01


@pytest.mark.parametrize(
    ("inharmonicity", "stop", "ratio"),
    [
        (1.3e-5, 0, 1.043),
        (1.3e-5, 5, 1.072),
        (1.3e-5, 12, 1.077),
        (1.0e-4, 0, 1.088),
        (1.0e-4, 5, 1.154),
        (1.0e-4, 12, 1.243),
    ],
)
def test_within_two_periods_the_swing_is_less_deep_than_within_three(
    inharmonicity: float, stop: int, ratio: float
) -> None:
    # The ratios are the slow independent sum's, to the digits given.
    string = replace(STEEL, inharmonicity=inharmonicity)
    slow = np.zeros_like(string.parallelogram())
    slow[stop, stop + 1 :] = string.oracle(stop, modes=1000, samples_per_period=4096)
    assert over_the_next_fret(string, slow, stop) == pytest.approx(ratio, abs=6e-4)
    assert over_the_next_fret(string, string.excursion(), stop) == pytest.approx(ratio, abs=6e-4)
    assert string.excursion()[stop, stop + 1] < string.excursion(periods=3)[stop, stop + 1]


def test_damping_changes_little_within_two_periods_but_later_crests_reach_deeper() -> None:
    # The two statements of the module's docstring, with air and internal losses (published:
    # thermoelastic loss angle 2.03e-4 of a steel monochord string).
    stop = 12
    length_m = float(STEEL.stopped_mm[stop]) * 1e-3

    def decay(order: FloatArray) -> FloatArray:
        return air_and_internal_decay_per_s(
            order,
            length_m=length_m,
            tension_n=TENSION_N,
            linear_density_kg_per_m=LINEAR_DENSITY_KG_PER_M,
            inharmonicity=STEEL.inharmonicity * 4.0,
            diameter_m=DIAMETER_M,
            internal_loss=2.03e-4,
        )

    def next_fret(periods: int, *, damped: bool) -> float:
        table = np.zeros_like(STEEL.parallelogram())
        table[stop, stop + 1 :] = STEEL.oracle(
            stop,
            periods=periods,
            modes=250,
            samples_per_period=1500,
            decay_per_s=decay if damped else None,
        )
        return over_the_next_fret(STEEL, table, stop)

    assert 0.99 < next_fret(2, damped=True) / next_fret(2, damped=False) < 1.0
    assert next_fret(2, damped=True) == pytest.approx(1.075, abs=0.005)
    assert next_fret(30, damped=True) == pytest.approx(1.22, abs=0.01)


# ---- against the slow sum -----------------------------------------------------------------------


def random_string(seed: int) -> tuple[Plucked, NDArray[np.int64]]:
    chance = np.random.default_rng(seed)
    scale_mm = chance.uniform(340.0, 880.0)
    frets = int(chance.integers(12, 28))
    pluck_mm = chance.uniform(0.06, 0.3) * scale_mm
    shortest_mm = scale_mm * 2.0 ** (-frets / 12.0)
    string = Plucked(
        scale_mm=scale_mm,
        frets=frets,
        tension_n=chance.uniform(30.0, 200.0),
        linear_density_kg_per_m=10.0 ** chance.uniform(-3.5, -2.0),
        inharmonicity=10.0 ** chance.uniform(-5.5, -3.5),
        pluck_mm=pluck_mm,
        width_mm=chance.choice([0.0, chance.uniform(0.5, min(pluck_mm, shortest_mm) / 4.0)]),
    )
    return string, chance.choice(frets, 2, replace=False)


@pytest.mark.parametrize("seed", range(5))
def test_excursion_equals_the_slow_sum_on_random_strings(seed: int) -> None:
    string, stops = random_string(seed)
    excursion = string.excursion()
    for stop in stops:
        slow = string.oracle(int(stop), modes=1500, samples_per_period=5120)
        np.testing.assert_allclose(excursion[stop, stop + 1 :], slow, rtol=5e-4)


@pytest.mark.slow
@pytest.mark.parametrize(
    "string",
    [
        STEEL,
        replace(STEEL, inharmonicity=1.27e-4, width_mm=0.0),
        Plucked(350.0, 18, 50.0, 0.7e-3, 7.0e-5, 55.0, 4.0),
        Plucked(863.6, 24, 191.6, 6.69e-3, 3.1e-4, 120.0, 6.0),
        Plucked(762.0, 21, 160.0, 8.0e-3, 1.0e-6, 100.0, 8.0),
    ],
    ids=["plain steel", "wound, point pluck", "ukulele", "heavy bass", "limp bass"],
)
def test_excursion_equals_the_slow_sum_at_every_position(string: Plucked) -> None:
    excursion = string.excursion()
    for stop in range(string.frets):
        slow = string.oracle(stop, modes=1500, samples_per_period=5120)
        np.testing.assert_allclose(excursion[stop, stop + 1 :], slow, rtol=5e-4)


@pytest.mark.parametrize("periods", [1, 3])
def test_excursion_equals_the_slow_sum_for_other_numbers_of_periods(periods: int) -> None:
    slow = STEEL.oracle(7, modes=1000, samples_per_period=4096, periods=periods)
    np.testing.assert_allclose(STEEL.excursion(periods)[7, 8:], slow, rtol=5e-4)


def test_deepest_point_at_the_very_end_of_the_two_periods_is_found() -> None:
    # Found by random search: over some frets the string is still falling when the window closes.
    string = Plucked(837.5, 24, 100.0, 1.0e-3, 4.791e-5, 191.0, 0.0)
    slow = string.oracle(11, modes=1500, samples_per_period=5120)
    np.testing.assert_allclose(string.excursion()[11, 12:], slow, rtol=5e-4)


@pytest.mark.parametrize("inharmonicity", [0.0, 1e-6, 1.3e-5, 4e-4])
@pytest.mark.parametrize("width_mm", [0.0, 1e-6, 2.0, 20.0])
def test_compliance_equals_the_static_modal_sum(inharmonicity: float, width_mm: float) -> None:
    string = replace(STEEL, inharmonicity=inharmonicity, width_mm=width_mm)
    compliance = string.compliance()
    for stop in (0, 12, 24):
        slow = static_displacement_mm_per_n(
            length_mm=float(string.stopped_mm[stop]),
            tension_n=string.tension_n,
            bending_stiffness_n_mm2=string.stiffness_n_mm2,
            pluck_from_saddle_mm=float(string.stopped_pluck_mm[stop]),
            pluck_width_mm=width_mm,
        )
        assert compliance[stop] == pytest.approx(slow, rel=2e-5)


def test_compliance_of_the_ideal_string_is_the_lever_formula() -> None:
    # Source: F = T h l / (p (l - p)), any acoustics text. Size: M. Zollner, Physics of the Electric
    # Guitar, section 1.5: lateral stiffness of about 1000 to 2000 N/m where a pick plucks.
    stiffness_n_per_mm = 1.0 / IDEAL.compliance()[0]
    assert stiffness_n_per_mm == pytest.approx(72.5 * 647.7 / (80.0 * 567.7), rel=1e-12)
    assert 1.0 <= stiffness_n_per_mm <= 2.0


# ---- laws ---------------------------------------------------------------------------------------

strings = st.builds(
    Plucked,
    scale_mm=st.floats(340.0, 880.0),
    frets=st.integers(1, 24),
    tension_n=st.floats(20.0, 250.0),
    linear_density_kg_per_m=st.floats(2e-4, 2e-2),
    inharmonicity=st.floats(1e-6, 3e-4),
    pluck_mm=st.floats(20.0, 300.0),
    width_mm=st.sampled_from([0.0, 1.0, 2.0, 8.0]),
)
few = settings(max_examples=15, deadline=None)


@few
@given(string=strings)
def test_excursion_is_positive_over_the_frets_ahead_and_zero_behind(string: Plucked) -> None:
    excursion = string.excursion()
    size = string.frets + 1
    assert excursion.shape == (size, size)
    ahead = np.triu(np.ones((size, size), dtype=bool), k=1)
    assert (excursion[ahead] > 0.0).all()
    assert (excursion[~ahead] == 0.0).all()


@few
@given(string=strings, factor=st.floats(0.25, 4.0))
def test_at_fixed_ratio_of_stiffness_to_tension_excursion_goes_as_one_over_tension(
    string: Plucked, factor: float
) -> None:
    # 2e-4: rounding may tip the choice between two crests whose samples are equally high.
    tighter = replace(string, tension_n=string.tension_n * factor)
    np.testing.assert_allclose(tighter.excursion() * factor, string.excursion(), rtol=2e-4)
    np.testing.assert_allclose(tighter.compliance() * factor, string.compliance(), rtol=1e-9)


@few
@given(string=strings, factor=st.floats(0.5, 2.0))
def test_a_larger_copy_of_a_string_swings_larger_by_its_size(
    string: Plucked, factor: float
) -> None:
    larger = replace(
        string,
        scale_mm=string.scale_mm * factor,
        pluck_mm=string.pluck_mm * factor,
        width_mm=string.width_mm * factor,
    )
    np.testing.assert_allclose(larger.excursion(), string.excursion() * factor, rtol=2e-4)
    np.testing.assert_allclose(larger.parallelogram(), string.parallelogram() * factor, rtol=1e-9)


@few
@given(string=strings, density=st.floats(2e-4, 2e-2))
def test_linear_density_sets_the_clock_and_not_the_depth(string: Plucked, density: float) -> None:
    heavier = replace(string, linear_density_kg_per_m=density)
    np.testing.assert_array_equal(heavier.excursion(), string.excursion())
    np.testing.assert_array_equal(heavier.compliance(), string.compliance())


@few
@given(string=strings)
def test_motion_contains_the_static_shape_and_is_held_by_the_sum_of_amplitudes(
    string: Plucked,
) -> None:
    # t = 0 counts: at least the static triangle, which stiffness and width only flatten near the
    # pluck; at most every mode at its crest at once, sum 2 l / (pi^2 T n^2) = l / (3 T).
    excursion = string.excursion()
    length, pluck = string.stopped_mm[:, None], string.stopped_pluck_mm[:, None]
    from_stop = length - string.stopped_mm[None, :]
    straight = (from_stop > 0.0) & (from_stop < 0.5 * (length - pluck))
    static = from_stop * pluck / (length * string.tension_n)
    assert (excursion[straight] >= 0.99 * static[straight]).all()
    assert (excursion <= length / (3.0 * string.tension_n)).all()


@few
@given(
    scale_mm=st.floats(340.0, 880.0),
    pluck_share=st.floats(0.1, 0.45),
    place_share=st.floats(0.1, 0.45),
    inharmonicity=st.floats(1e-6, 1e-4),
)
def test_pluck_and_place_can_change_roles(
    scale_mm: float, pluck_share: float, place_share: float, inharmonicity: float
) -> None:
    # Reciprocity (Rayleigh), exact for a point pluck: pluck at p and look at x, or the reverse.
    def seen(pluck_mm: float, place_mm: float) -> float:
        table = excursion_per_newton(
            speaking_length_mm=scale_mm,
            tension_n=TENSION_N,
            linear_density_kg_per_m=LINEAR_DENSITY_KG_PER_M,
            bending_stiffness_n_mm2=inharmonicity * TENSION_N * scale_mm**2 / np.pi**2,
            station_mm=np.array([0.0, scale_mm - place_mm]),
            pluck_distance_mm=pluck_mm,
            pluck_width_mm=0.0,
        )
        return float(table[0, 1])

    pluck_mm, place_mm = scale_mm * pluck_share, scale_mm * place_share
    assert seen(pluck_mm, place_mm) == pytest.approx(seen(place_mm, pluck_mm), rel=1e-9)


@pytest.mark.parametrize("inharmonicity", [0.0, 1.3e-5, 3e-4])
@pytest.mark.parametrize("width_mm", [0.0, 3.0])
def test_a_fret_right_under_the_pluck_is_pushed_at_by_the_release_itself(
    inharmonicity: float, width_mm: float
) -> None:
    # The last place lies under the pluck: t = 0 counts, and there the string is at its compliance.
    string = replace(STEEL, inharmonicity=inharmonicity, width_mm=width_mm)
    quantities = {
        "speaking_length_mm": SCALE_MM,
        "tension_n": TENSION_N,
        "linear_density_kg_per_m": LINEAR_DENSITY_KG_PER_M,
        "bending_stiffness_n_mm2": string.stiffness_n_mm2,
        "station_mm": np.array([0.0, SCALE_MM - 80.0]),
        "pluck_distance_mm": 80.0,
        "pluck_width_mm": width_mm,
    }
    deepest = excursion_per_newton(**quantities)[0, 1]
    pushed = pluck_compliance_mm_per_n(**quantities)[0]
    assert deepest >= pushed * (1.0 - 1e-3)
    if inharmonicity == 0.0:
        assert deepest == pytest.approx(pushed, rel=1e-3)


# ---- a neck: relief that gives the most touch force -----------------------------------


def best_relief_mm(string: Plucked, excursion: FloatArray, joint: int) -> tuple[float, float]:
    """Return the relief [mm] with most touch force for stops 0 to 11, and its gain over a flat one.

    A perfect neck of even stiffness, clamped at the heel: the free part is an arc, the rest is
    straight. Relief is the trade's: the gap under a straightedge on the first and last frets.
    """
    station, scale_mm = string.station_mm, string.scale_mm
    bow = np.maximum(1.0 - station / station[joint], 0.0) ** 2
    edge = np.interp(station, station[[1, -1]], bow[[1, -1]])
    bow /= (edge - bow)[1:].max()

    def touch_force_n(relief_mm: float) -> float:
        height = relief_mm * bow
        nut_mm = height[0] + 0.35
        share = station[12] / scale_mm
        saddle_mm = (height[12] + 1.5 - (1.0 - share) * nut_mm) / share
        lowest = np.inf
        for stop in range(12):
            rest_mm = nut_mm if stop == 0 else height[stop]
            share = (station - station[stop]) / (scale_mm - station[stop])
            clearance = (1.0 - share) * rest_mm + share * saddle_mm - height
            ahead = slice(stop + 1, None)
            lowest = min(lowest, (clearance[ahead] / excursion[stop, ahead]).min())
        return lowest

    choices_mm = np.arange(0.0, 0.605, 0.005)
    touch_force = np.array([touch_force_n(relief_mm) for relief_mm in choices_mm])
    best = int(touch_force.argmax())
    return float(choices_mm[best]), float(touch_force[best] / touch_force[0])


@pytest.mark.parametrize("frets", [20, 22, 24])
@pytest.mark.parametrize("joint", [14, 16])
def test_relief_with_most_touch_force_is_what_the_trade_uses(frets: int, joint: int) -> None:
    # 0.2 to 0.3 mm with action 1.5 mm at the 12th fret and 648 mm scale:
    # common practice, no source.
    ideal = replace(IDEAL, scale_mm=648.0, frets=frets)
    relief_mm, gain = best_relief_mm(ideal, ideal.parallelogram(), joint)
    assert 0.2 <= relief_mm <= 0.3
    assert gain > 1.2

    # A stiff string swings deeper over the next frets, and asks for up to 0.05 mm more.
    for inharmonicity in (1.3e-5, 1e-4):
        stiff = replace(STEEL, scale_mm=648.0, frets=frets, inharmonicity=inharmonicity)
        stiff_relief_mm, gain = best_relief_mm(stiff, stiff.excursion(), joint)
        assert relief_mm <= stiff_relief_mm <= relief_mm + 0.05
        assert gain > 1.2


# ---- the call -----------------------------------------------------------------------------------

GOOD_CALL = {
    "speaking_length_mm": 650.0,
    "tension_n": 70.0,
    "linear_density_kg_per_m": 4e-4,
    "bending_stiffness_n_mm2": 40.0,
    "station_mm": np.array([0.0, 36.5, 70.9]),
    "pluck_distance_mm": 80.0,
    "pluck_width_mm": 2.0,
}


@pytest.mark.parametrize("function", [excursion_per_newton, pluck_compliance_mm_per_n])
@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"speaking_length_mm": 0.0}, "speaking_length_mm must be positive, not 0.0"),
        ({"tension_n": float("nan")}, "tension_n must be positive, not nan"),
        ({"linear_density_kg_per_m": -1.0}, "linear_density_kg_per_m must be positive"),
        ({"bending_stiffness_n_mm2": -1.0}, "bending_stiffness_n_mm2 must be zero or more"),
        ({"pluck_distance_mm": float("inf")}, "pluck_distance_mm must be positive, not inf"),
        ({"pluck_width_mm": -0.1}, "pluck_width_mm must be at least 0 and less than 160 mm"),
        ({"pluck_width_mm": 160.0}, "pluck_width_mm must be at least 0 and less than 160 mm"),
        ({"station_mm": np.zeros((2, 2))}, r"one row of stations .* shape \(2, 2\)"),
        ({"station_mm": np.array([])}, "one row of stations"),
        ({"station_mm": np.array([0.0, np.nan])}, "start at 0 .* and increase"),
        ({"station_mm": np.array([1.0, 2.0])}, "start at 0 .* and increase"),
        ({"station_mm": np.array([0.0, 9.0, 9.0])}, "start at 0 .* and increase"),
        ({"station_mm": np.array([0.0, 650.0])}, "last fret at 650 mm must lie before"),
    ],
)
def test_a_bad_call_is_refused_in_one_sentence(
    function: Callable[..., FloatArray], change: dict[str, object], sentence: str
) -> None:
    assert np.isfinite(function(**GOOD_CALL)).all()
    with pytest.raises(ValueError, match=sentence):
        function(**{**GOOD_CALL, **change})


def test_fewer_than_one_period_is_refused() -> None:
    with pytest.raises(ValueError, match="periods must be 1 or more, not 0"):
        excursion_per_newton(**GOOD_CALL, periods=0)


def test_a_string_without_frets_has_an_empty_table() -> None:
    np.testing.assert_array_equal(Plucked(frets=0).excursion(), [[0.0]])


def test_the_module_starts_without_the_heavy_libraries() -> None:
    started = subprocess.run(
        [
            sys.executable,
            "-c",
            "import sys, evenfall.strings.motion; "
            "print(*sorted({'scipy', 'numba', 'pandas'} & set(sys.modules)))",
        ],
        capture_output=True,
        check=True,
        text=True,
    )
    assert started.stdout.split() == []
