"""Tension, weight and stiffness of strings: against published tables."""

from __future__ import annotations

import math

import pytest

from evenfall.instrument import Specification, read_specification
from evenfall.instrument.specification import InstrumentString
from levelling.necks import SET, Wishes, specification, text
from open_data import open_data


def string(**given: float) -> InstrumentString:
    """Return a plain string of a 650 mm scale, 0.254 mm of steel at E4 unless given otherwise."""
    values = {
        "frequency_hz": 329.628,
        "gauge_mm": 0.254,
        "core_mm": given.get("gauge_mm", 0.254),
        "linear_density_kg_per_m": 3.98e-4,
        "modulus_n_per_mm2": 200_000.0,
        "scale_mm": 650.0,
        **given,
    }
    return InstrumentString(number=1, pitch="", wound=False, saddle_setback_mm=0.0, **values)


# ---- tension from weight, length and pitch ------------------------------------------------------

# Weight [g/m] and tension [N] of two nylon sets on a 650 mm scale, E4 to E2: M. B. Anderson and
# R. G. Beausoleil, J. Acoust. Soc. Am. 156 (2024) 683, tables of strings (author initials partly
# from memory). Printed to three or four digits.
PITCHES_HZ = (329.628, 246.942, 195.998, 146.832, 110.0, 82.407)
SETS = {
    "normal weight": (0.374, 0.505, 0.836, 1.920, 3.289, 5.470),
    "normal tension": (68.6, 52.0, 54.2, 70.0, 67.3, 62.8),
    "light weight": (0.361, 0.487, 0.808, 1.822, 2.741, 5.158),
    "light tension": (66.4, 50.2, 52.5, 66.4, 56.0, 59.2),
}


@pytest.mark.parametrize(
    ("hertz", "weight", "tension_n"),
    [
        entry
        for kind in ("normal", "light")
        for entry in zip(PITCHES_HZ, SETS[f"{kind} weight"], SETS[f"{kind} tension"], strict=True)
    ],
)
def test_tension_is_that_of_a_published_set(hertz: float, weight: float, tension_n: float) -> None:
    made = string(frequency_hz=hertz, linear_density_kg_per_m=1e-3 * weight)
    assert made.tension_n == pytest.approx(tension_n, rel=3e-3)


# Length [mm], tension [N] and weight [kg/m] of two strings of laboratory experiments:
# C. Issanchou et al., J. Sound Vib. 393 (2017) 229 (steel monochord) and Appl. Acoust. 129 (2018)
# 217 (A string of an electric bass); their pitches, 196.0 and 98.05 Hz, follow.
@pytest.mark.parametrize(
    ("length_mm", "tension_n", "density", "hertz"),
    [(1002.0, 180.5, 1.17e-3, 196.0), (863.0, 191.6, 6.69e-3, 98.05)],
)
def test_tension_is_that_of_published_experiments(
    length_mm: float, tension_n: float, density: float, hertz: float
) -> None:
    made = string(scale_mm=length_mm, frequency_hz=hertz, linear_density_kg_per_m=density)
    assert made.tension_n == pytest.approx(tension_n, rel=1e-3)


def test_inharmonicity_is_that_of_the_published_monochord() -> None:
    """B = 1.78e-5 (1.97e-5 in another file) for 0.43 mm of steel at 180.5 N over 1.002 m."""
    made = string(
        scale_mm=1002.0,
        frequency_hz=196.0,
        linear_density_kg_per_m=1.17e-3,
        gauge_mm=0.43,
        core_mm=0.43,
    )
    assert 1.7e-5 < made.inharmonicity < 2.0e-5


def test_inharmonicity_grows_fourfold_an_octave_up_the_neck() -> None:
    """B = pi^2 E I / (T L^2): stopped at fret 12 the same string has four times as much."""
    whole, half = string(), string(scale_mm=325.0, frequency_hz=2.0 * 329.628)
    assert half.tension_n == pytest.approx(whole.tension_n)
    assert half.inharmonicity == pytest.approx(4.0 * whole.inharmonicity)


# ---- plain steel --------------------------------------------------------------------------------

# Mass per length [lb/in] of plain steel by gauge [in]: J. D'Addario & Company, String tension
# specifications, catalogue supplement (title from memory; digits alike in four copies of it).
CHART = {
    0.008: 0.00001418,
    0.009: 0.00001794,
    0.010: 0.00002215,
    0.011: 0.00002680,
    0.012: 0.00003190,
    0.013: 0.00003744,
    0.016: 0.00005671,
    0.017: 0.00006402,
    0.020: 0.00008861,
    0.026: 0.00014975,
}
POUND_KG, INCH_M, GRAVITY_IN = 0.45359237, 0.0254, 386.089


def plain(gauge_in: float) -> Specification:
    """Return an instrument whose string 1 is plain steel of a gauge, its weight left out."""
    given = text(Wishes(scale="length = 647.7"))
    old = f'pitch = "{SET[0][0]}"\ngauge = {SET[0][1]}'
    assert old in given
    new = f'pitch = "{SET[0][0]}"\ngauge = {gauge_in * 25.4:.6f}'
    return read_specification(given.replace(old, new).replace("setback = 2.0", "setback = 0.0"))[0]


@pytest.mark.parametrize(("gauge_in", "chart_lb_per_in"), CHART.items())
def test_plain_steel_weighs_what_the_chart_says(gauge_in: float, chart_lb_per_in: float) -> None:
    """Steel of 7850 kg/m3 (handbook value, from memory) within 1 % of the chart's own steel."""
    made = plain(gauge_in).strings[0].linear_density_kg_per_m
    assert made == pytest.approx(chart_lb_per_in * POUND_KG / INCH_M, rel=0.01)
    assert made == pytest.approx(7850.0 * math.pi / 4.0 * (gauge_in * INCH_M) ** 2, rel=1e-6)


def test_plain_steel_weights_worked_out_apart() -> None:
    """Grams per metre of 7850 kg/m3 steel by gauge [in], arithmetic done apart from the program."""
    for gauge_in, grams in {
        0.009: 0.322,
        0.010: 0.398,
        0.011: 0.481,
        0.012: 0.573,
        0.013: 0.672,
        0.016: 1.018,
        0.017: 1.150,
    }.items():
        found = plain(gauge_in).strings[0].linear_density_kg_per_m
        assert 1e3 * found == pytest.approx(grams, abs=6e-4)


@pytest.mark.parametrize(("gauge_in", "chart_lb_per_in"), CHART.items())
def test_tension_of_plain_steel_by_the_charts_own_rule(
    gauge_in: float, chart_lb_per_in: float
) -> None:
    """T = mass per length (2 L f)^2 / g in pounds and inches, as the published chart prints it.

    E4 on 647.7 mm (25.5 in); 1 % for the density, as above.
    """
    pounds = chart_lb_per_in * (2.0 * 25.5 * 329.628) ** 2 / GRAVITY_IN
    newtons = pounds * POUND_KG * 9.80665
    assert plain(gauge_in).strings[0].tension_n == pytest.approx(newtons, rel=0.01)


def test_every_plain_gauge_of_the_whole_chart() -> None:
    """The whole published chart of mass per length, which may not be copied here."""
    chart = open_data("strings", "unit_" + "weights_published.csv")  # the chart's own word
    rows = [line.split(",") for line in chart.read_text(encoding="utf-8").splitlines()]
    rows = [row for row in rows if row[1] == "plain steel"]
    assert len(rows) == 22
    for row in rows:
        gauge_in, chart_g_per_m = float(row[3]), float(row[6])
        found = 1e3 * plain(gauge_in).strings[0].linear_density_kg_per_m
        assert found == pytest.approx(chart_g_per_m, rel=0.01), gauge_in


def test_the_examples_wound_weights_are_the_charts() -> None:
    """Round wound on steel, nickel plated, by gauge [lb/in]: the same company's chart as above."""
    chart = {0.660: 0.00012671, 0.914: 0.00023964, 1.168: 0.00038216}  # 0.026, 0.036, 0.046 in
    for made in specification(Wishes(strings=6, frets=12)).strings[3:]:
        weight = chart[made.gauge_mm] * POUND_KG / INCH_M
        assert made.linear_density_kg_per_m == pytest.approx(weight, rel=1e-3)
        assert made.wound
        assert made.bending_stiffness_n_mm2 == pytest.approx(
            200_000.0 * math.pi * made.core_mm**4 / 64.0
        )


# Light electric set on 647.7 mm, derived apart from wire sizes (E = 200 GPa, rho 7850 kg/m3):
# tension [N] and B of the three plain strings.
@pytest.mark.parametrize(
    ("pitch_hz", "gauge_in", "tension_n", "inharmonicity"),
    [
        (329.628, 0.010, 72.5, 1.33e-5),
        (246.942, 0.013, 68.8, 3.99e-5),
        (195.998, 0.0172, 75.9, 1.11e-4),
    ],
)
def test_a_light_set_worked_out_apart(
    pitch_hz: float, gauge_in: float, tension_n: float, inharmonicity: float
) -> None:
    gauge = gauge_in * 25.4
    made = string(
        scale_mm=647.7,
        frequency_hz=pitch_hz,
        gauge_mm=gauge,
        core_mm=gauge,
        linear_density_kg_per_m=7850.0 * math.pi / 4.0 * (1e-3 * gauge) ** 2,
    )
    assert made.tension_n == pytest.approx(tension_n, rel=2e-3)
    assert made.inharmonicity == pytest.approx(inharmonicity, rel=6e-3)
