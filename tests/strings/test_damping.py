"""Damping of the partials against published strings."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from math import pi
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from evenfall.instrument.specification import InstrumentString
from evenfall.strings.damping import (
    PLAIN_STEEL,
    POLYMER,
    REST,
    WOUND,
    Damping,
    decay_rate_per_s,
    default_damping,
)

PUBLISHED: dict[str, dict[str, Any]] = tomllib.loads(
    (Path(__file__).parent.parent / "authorities" / "string_damping.toml").read_text("utf-8")
)


def rates(case: dict[str, Any], damping: Damping, order: list[int]) -> Any:
    stiffness = case["inharmonicity"] * case["tension_n"] * case["length_mm"] ** 2 / pi**2
    return decay_rate_per_s(
        damping,
        order=np.array(order),
        length_mm=case["length_mm"],
        tension_n=case["tension_n"],
        linear_density_kg_per_m=case["linear_density_kg_per_m"],
        bending_stiffness_n_mm2=stiffness,
        diameter_mm=case["diameter_mm"],
    )


@pytest.mark.parametrize("name", PUBLISHED)
def test_published_strings(name: str) -> None:
    case = PUBLISHED[name]
    damping = Damping(case["bending_loss_factor"], case["constant_loss_factor"])
    orders = [partial["order"] for partial in case["partials"]]
    for partial, rate in zip(case["partials"], rates(case, damping, orders), strict=True):
        quality = pi * partial["frequency_hz"] / rate
        assert quality == pytest.approx(partial["quality"], abs=0.6)
        if "decay_per_s" in partial:
            assert rate == pytest.approx(partial["decay_per_s"], rel=1e-3)


def test_bending_losses_are_those_of_the_published_strings_and_the_rest_is_more() -> None:
    for name, damping in (("monochord", PLAIN_STEEL), ("bass", WOUND)):
        assert damping.bending_loss_factor == PUBLISHED[name]["bending_loss_factor"]
        assert damping.constant_loss_factor == REST > PUBLISHED[name]["constant_loss_factor"]


def test_damping_follows_the_material() -> None:
    plain = InstrumentString(1, 329.63, "E4", 0.254, 0.254, 3.98e-4, 2e5, False, 648.0, 1.6)
    assert default_damping(plain) is PLAIN_STEEL
    assert default_damping(replace(plain, wound=True)) is WOUND
    assert default_damping(replace(plain, modulus_n_per_mm2=5500.0)) is POLYMER


def test_a_vacuum_and_a_perfect_core_lose_nothing() -> None:
    assert not rates(PUBLISHED["bass"], Damping(0.0, 0.0, 0.0, 0.0), [1, 7, 90]).any()
    with pytest.raises(ValueError, match="constant_loss_factor"):
        Damping(0.0, -1e-3)
