"""The ideal string in closed form, and how much deeper a stiff one swings."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from evenfall.strings.damping import PLAIN_STEEL
from evenfall.strings.modes import PluckedString, pluck_compliance_mm_per_n, string_modes
from evenfall.strings.swing import Swing, deepest_swing, modes_needed
from oracles.parallelogram import parallelogram_excursion_per_newton

FloatArray = NDArray[np.float64]

# Plain 0.010 inch steel string on a 647.7 mm scale (derived: rho 7850 kg/m3, E 200 GPa, E4).
SCALE_MM = 647.7
TENSION_N = 72.5


@dataclass(frozen=True, slots=True)
class Plucked:
    """One string, with its inharmonicity B when open in place of its bending stiffness."""

    scale_mm: float = SCALE_MM
    frets: int = 24
    inharmonicity: float = 1.33e-5
    pluck_mm: float = 80.0
    width_mm: float = 2.0

    @property
    def station_mm(self) -> FloatArray:
        return self.scale_mm * (1.0 - 2.0 ** (-np.arange(self.frets + 1) / 12.0))

    @property
    def stopped_mm(self) -> FloatArray:
        return self.scale_mm - self.station_mm

    def stopped(self, stop: int) -> PluckedString:
        length = float(self.stopped_mm[stop])
        return PluckedString(
            length_mm=length,
            tension_n=TENSION_N,
            linear_density_kg_per_m=0.398e-3,
            bending_stiffness_n_mm2=self.inharmonicity * TENSION_N * self.scale_mm**2 / np.pi**2,
            diameter_mm=0.254,
            pluck_distance_mm=min(self.pluck_mm, length / 2.0),
            pluck_width_mm=self.width_mm,
            damping=PLAIN_STEEL,
        )

    def swing(self, stop: int) -> Swing:
        ahead = self.station_mm[stop + 1 :] - self.station_mm[stop]
        string = self.stopped(stop)
        return deepest_swing(string_modes(string, ahead, modes_needed(string, ahead[0])))

    def parallelogram(self) -> FloatArray:
        return parallelogram_excursion_per_newton(
            speaking_length_mm=self.scale_mm,
            tension_n=TENSION_N,
            station_mm=self.station_mm,
            pluck_distance_mm=self.pluck_mm,
        )


STEEL = Plucked()
IDEAL = Plucked(inharmonicity=0.0, width_mm=0.0)


def test_the_parallelogram_is_the_envelope_of_the_two_moving_half_triangles() -> None:
    # Source: u(x, t) = (g(x - ct) + g(x + ct)) / 2, g the odd periodic triangle of apex h.
    string = replace(IDEAL, frets=20)
    for stop in (0, 5, 13, 19):
        length = string.stopped_mm[stop]
        pluck = min(string.pluck_mm, length / 2.0)
        apex = pluck * (length - pluck) / (TENSION_N * length)

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
    for stop, figure_mm in ((0, 0.358), (1, 0.379), (5, 0.478), (12, 0.716), (17, 0.956)):
        length = IDEAL.stopped_mm[stop]
        free = slice(stop + 1, None)
        clearance = saddle_mm * (IDEAL.station_mm - IDEAL.station_mm[stop])[free] / length
        force_n = (clearance / excursion[stop, free]).min()
        bent_mm = force_n * pluck_compliance_mm_per_n(IDEAL.stopped(stop))
        assert bent_mm == pytest.approx(saddle_mm * 80.0 / length, rel=1e-12)
        assert bent_mm == pytest.approx(figure_mm, abs=6e-4)


@pytest.mark.parametrize(
    ("inharmonicity", "stop", "whole", "first"),
    [
        (1.33e-5, 0, 1.031, 1.016),
        (1.33e-5, 5, 1.050, 1.025),
        (1.33e-5, 12, 1.139, 1.038),
        (1.0e-4, 0, 1.093, 1.034),
        (1.0e-4, 5, 1.154, 1.013),
        (1.0e-4, 12, 1.201, 1.072),
    ],
)
def test_stiffness_deepens_the_swing_over_the_next_fret(
    inharmonicity: float, stop: int, whole: float, first: float
) -> None:
    """Against the ideal string under the same force, at any time and within one period.

    By an independent program. Earlier figures (1.06 to 1.30) were of a pinned string without
    losses over three periods; with losses and ends that run on they no longer apply.
    """
    string = replace(STEEL, inharmonicity=inharmonicity)
    ideal = string.parallelogram()[stop, stop + 1]
    swing = string.swing(stop)
    for deep, ratio in (
        (max(swing.away_mm_per_n[0], swing.towards_mm_per_n[0]), whole),
        (max(swing.away_first_mm_per_n[0], swing.towards_first_mm_per_n[0]), first),
    ):
        assert deep / ideal == pytest.approx(ratio, abs=1.5e-3)


# ---- a neck: relief that gives the most room -----------------------------------


def best_relief_mm(string: Plucked, excursion: FloatArray, joint: int) -> tuple[float, float]:
    """Return the relief [mm] with the most force at stops 0 to 11, and its gain over a flat neck.

    A perfect neck of even stiffness, clamped at the heel: the free part is an arc, the rest is
    straight. Relief is the trade's: the gap under a straightedge on the first and last frets.
    """
    station, scale_mm = string.station_mm, string.scale_mm
    bow = np.maximum(1.0 - station / station[joint], 0.0) ** 2
    edge = np.interp(station, station[[1, -1]], bow[[1, -1]])
    bow /= (edge - bow)[1:].max()

    def force_n(relief_mm: float) -> float:
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
    force = np.array([force_n(relief_mm) for relief_mm in choices_mm])
    best = int(force.argmax())
    return float(choices_mm[best]), float(force[best] / force[0])


@pytest.mark.parametrize("frets", [20, 22, 24])
@pytest.mark.parametrize("joint", [14, 16])
def test_relief_with_most_room_is_what_the_trade_uses(frets: int, joint: int) -> None:
    # 0.2 to 0.3 mm with action 1.5 mm at the 12th fret and 648 mm scale:
    # common practice, no source.
    ideal = replace(IDEAL, scale_mm=648.0, frets=frets)
    relief_mm, gain = best_relief_mm(ideal, ideal.parallelogram(), joint)
    assert 0.2 <= relief_mm <= 0.3
    assert gain > 1.2


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"speaking_length_mm": 0.0}, "speaking_length_mm must be positive, not 0.0"),
        ({"tension_n": float("nan")}, "tension_n must be positive, not nan"),
        ({"pluck_distance_mm": float("inf")}, "pluck_distance_mm must be positive, not inf"),
        ({"station_mm": np.zeros((2, 2))}, r"one row of stations .* shape \(2, 2\)"),
        ({"station_mm": np.array([])}, "one row of stations"),
        ({"station_mm": np.array([0.0, np.nan])}, "start at 0 .* and increase"),
        ({"station_mm": np.array([1.0, 2.0])}, "start at 0 .* and increase"),
        ({"station_mm": np.array([0.0, 9.0, 9.0])}, "start at 0 .* and increase"),
        ({"station_mm": np.array([0.0, 650.0])}, "last fret at 650 mm must lie before"),
    ],
)
def test_a_bad_call_is_refused_in_one_sentence(change: dict[str, object], sentence: str) -> None:
    good: dict[str, object] = {
        "speaking_length_mm": 650.0,
        "tension_n": 70.0,
        "station_mm": np.array([0.0, 36.5, 70.9]),
        "pluck_distance_mm": 80.0,
    }
    assert np.isfinite(parallelogram_excursion_per_newton(**good)).all()  # type: ignore[arg-type]
    with pytest.raises(ValueError, match=sentence):
        parallelogram_excursion_per_newton(**{**good, **change})  # type: ignore[arg-type]
