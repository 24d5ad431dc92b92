"""The mass of strings by construction, against published masses per length."""

from __future__ import annotations

import csv
import math
from statistics import fmean

import pytest

from evenfall.errors import SpecificationError
from evenfall.instrument import read_specification
from evenfall.instrument.construction import (
    USUAL_CORE_SHARE,
    WRAPS_KG_PER_M3,
    plain_mass,
    wound_mass,
)
from evenfall.instrument.specification_template import specification_template
from open_data import open_data

# Published masses by kind of string, gauges of 0.45 mm up: what each is made of, and by how
# much the mean and each single string may differ from the computed mass (u 2.5 % round, 4 % flat).
PUBLISHED = {
    "NW": ("nickel-plated steel", "round", 33),
    "PB": ("phosphor bronze", "round", 28),
    "BW": ("80/20 bronze", "round", 23),
    "XB": ("nickel-plated steel", "round", 25),
    "CG": ("stainless steel", "flat", 17),
    "BC": ("stainless steel", "flat", 16),
}


@pytest.fixture(scope="module")
def published() -> dict[str, list[tuple[float, float]]]:
    """Return gauge [mm] and mass [g/m] of published strings by kind: charts of masses per length.

    Two XB gauges under 0.6 mm are plain or nearly so, as their weights say, and are left out.
    """
    found: dict[str, list[tuple[float, float]]] = {}
    with open_data("strings/unit_weights_published.csv").open(encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            gauge = float(row["gauge_mm"])
            if row["code"] != "XB" or gauge > 0.6:
                pair = (gauge, float(row["linear_density_g_per_m"]))
                found.setdefault(row["code"], []).append(pair)
    return found


@pytest.mark.parametrize("kind", PUBLISHED)
def test_wound_strings_weigh_what_is_published(
    kind: str, published: dict[str, list[tuple[float, float]]]
) -> None:
    wrap, winding, count = PUBLISHED[kind]
    ratios, u_share = [], 0.0
    for gauge, mass in published[kind]:
        made = wound_mass(gauge, USUAL_CORE_SHARE * gauge, 7850.0, wrap, winding)  # type: ignore[arg-type]
        u_share = made.u_share
        ratios.append(mass / (1e3 * made.kg_per_m))
    assert len(ratios) == count
    assert abs(fmean(ratios) - 1.0) < u_share
    assert max(abs(ratio - 1.0) for ratio in ratios) < 4.0 * u_share
    # the stated uncertainty is neither too small nor too large for these strings
    scatter = math.sqrt(fmean((ratio - 1.0) ** 2 for ratio in ratios))
    assert 0.25 * u_share < scatter < 1.5 * u_share


def test_plain_steel_weighs_what_is_published(
    published: dict[str, list[tuple[float, float]]],
) -> None:
    for gauge, mass in published["PL"]:
        made = plain_mass(gauge, 7850.0)
        assert mass == pytest.approx(1e3 * made.kg_per_m, rel=1.2 * made.u_share)


def test_the_core_hardly_shows_in_the_mass() -> None:
    thin, thick = (wound_mass(1.0, core, 7850.0, "nickel-plated steel") for core in (0.35, 0.50))
    assert thick.kg_per_m == pytest.approx(thin.kg_per_m, rel=0.03)


def test_a_wrap_of_no_thickness_is_a_plain_string() -> None:
    for wrap in WRAPS_KG_PER_M3:
        assert wound_mass(1.0, 1.0, 7850.0, wrap).kg_per_m == plain_mass(1.0, 7850.0).kg_per_m


def _read(*sixth: str) -> str:
    text = specification_template()
    old = 'core = 0.406\nwrap = "nickel-plated steel"'
    assert old in text, text
    return text.replace(old, "\n".join(sixth))


def test_a_usual_core_stands_in_for_one_that_is_not_stated() -> None:
    specification, _ = read_specification(_read('wrap = "nickel"'))
    low = specification.strings[5]
    assert low.wound
    assert low.core_mm == pytest.approx(USUAL_CORE_SHARE * low.gauge_mm)
    assert low.mass_u_share == 0.025


def test_a_measured_tension_takes_the_place_of_the_mass() -> None:
    specification, _ = read_specification(_read("core = 0.406", "tension = 82.5"))
    assert specification.strings[5].tension_n == pytest.approx(82.5)
    assert specification.strings[5].mass_u_share == 0.0


def test_a_weighed_mass_overrides_the_construction() -> None:
    given = ("core = 0.406", 'wrap = "nickel"', "mass_per_length = 6.5")
    specification, _ = read_specification(_read(*given))
    assert specification.strings[5].linear_density_kg_per_m == pytest.approx(6.5e-3)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (("core = 0.406",), "wrap is missing; say what the string is wrapped with"),
        (
            ('wrap = "silver-plated copper"', 'material = "nylon"'),
            "core is missing; only of steel is there a usual one.",
        ),
        (
            ("core = 0.406", "mass_per_length = 6.5", "tension = 80"),
            "Give either mass_per_length or tension",
        ),
        (("core = 0.406", 'wrap = "gold"'), "nickel-plated steel"),
    ],
)
def test_what_does_not_fit_is_named(given: tuple[str, ...], said: str) -> None:
    with pytest.raises(SpecificationError, match=said):
        read_specification(_read(*given))
