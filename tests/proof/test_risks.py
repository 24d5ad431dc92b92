"""The two risks of a verdict, by seeded draws: what is at its limit is seldom decided wrongly."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from evenfall.proof import prove
from evenfall.proof.decision import one_sided_factor
from evenfall.sheets import SheetFile, read_measurement
from evenfall.strings.clearance import clearance_weights
from proof.made_cases import (
    after_work,
    geometry,
    ideal_heights,
    made_plan,
    specification,
)

HEADER = "quantity,string,fret,value,unit,uncertainty,state"
U_MM = 0.02


@cache
def small():
    """Return a small instrument, its plan, and a sheet that string 1 has no nut and saddle in.

    These follow from its two actions, of which the second is read again and again.
    """
    spec = specification(3, 6)
    nut, top, saddle = ideal_heights(spec)
    rows = [HEADER]
    for k in range(3):
        heights = [("nut_slot", "", nut[k]), ("saddle", "", saddle[k])] if k else []
        heights += [("crown_top", j + 1, top[k, j]) for j in range(6)]
        rows += [f"{q},{k + 1},{fret},{z:.6f},mm,0.001,strung" for q, fret, z in heights]
    first = spec.target.first_fret_gap[0].value_mm
    rows.append(f"action,1,1,{first:.6f},mm,0.001,strung")
    rows += [f"crown_height,{k},{j},1.1,mm,0.01,strung" for k in (1, 2, 3) for j in range(1, 7)]
    return spec, made_plan(spec), rows


def verdict(values_mm):
    """Return the verdict on an action of string 1 that was read as given, through a sheet."""
    spec, plan, rows = small()
    fret = spec.scale.reference_fret
    actions = [f"action,1,{fret},{value:.6f},mm,,strung" for value in values_mm]
    sheet = SheetFile("after.csv", "\n".join([*rows, *actions]).encode())
    measurement, _ = read_measurement([sheet], spec)
    proof = prove(spec, plan, measurement, geometry(spec)[2])
    (item,) = [i for i in proof.items if i.quantity == "action" and i.string == 1]
    assert item.basis == "direct"
    return item.verdict


def accepted_percent(repeats, draws):
    """Return how often an action that lies on its lower limit is accepted [%]."""
    spec = small()[0]
    chance = np.random.default_rng([repeats, 41])
    limit = spec.target.action[0].minimum_mm
    drawn = chance.normal(limit, U_MM, (draws, repeats))
    return 100.0 * sum(verdict(values) == "conforms" for values in drawn) / draws


@pytest.mark.slow
@pytest.mark.parametrize("repeats", [2, 3])
def test_few_repeats_without_a_gauge_accept_one_time_in_twenty(repeats: int) -> None:
    """Student's t with n - 1 degrees of freedom (JCGM 100:2008, G.3), from sheet to verdict.

    A normal factor would accept 17 and 12 %; `test_decision.py` has more repeats and draws.
    """
    draws = 300
    error = 100.0 * math.sqrt(0.05 * 0.95 / draws)
    accepted = accepted_percent(repeats, draws)
    assert accepted == pytest.approx(5.0, abs=4.0 * error)
    assert accepted > 0.0  # 5 % accepts none of 300 once in 5 million runs; 0.2 % in every second


def test_a_normal_factor_would_accept_two_repeats_too_often() -> None:
    """What the check above has to see: 17 % instead of 5, by 1.645 s/sqrt(2) of two readings."""
    chance = np.random.default_rng(2)
    drawn = chance.normal(0.0, 1.0, (2000, 2))
    accepted = drawn.mean(axis=1) > 1.645 * drawn.std(axis=1, ddof=1) / math.sqrt(2.0)
    assert accepted.mean() > 0.14


@pytest.mark.slow
@pytest.mark.parametrize(("strings", "frets"), [(3, 14), (6, 22)])
def test_a_neck_whose_clearances_all_just_hold_is_seldom_refused(strings, frets) -> None:
    """Every clearance on its limit, heights read with one u: refused in 5 % of draws at most."""
    spec = specification(strings, frets)
    draws, risk = 2000, 0.05
    plan = made_plan(spec)
    proof = prove(spec, plan, after_work(spec, plan), geometry(spec)[2])
    weights = clearance_weights(geometry(spec)[0])
    refused = np.zeros(draws, dtype=bool)
    alone = np.zeros(draws, dtype=bool)
    chance = np.random.default_rng(17)
    free = np.triu(np.ones(weights.shape[1:3], dtype=bool), k=1)
    free[-1] = False
    for rows in weights:
        sums = rows[free] / np.linalg.norm(rows[free], axis=1, keepdims=True)
        score = chance.standard_normal((draws, sums.shape[1])) @ sums.T
        refused |= (score < -proof.refusal_factor).any(axis=1)
        alone |= (score < -one_sided_factor(risk)).any(axis=1)
    assert refused.mean() <= risk + 4.0 * math.sqrt(risk * (1.0 - risk) / draws)
    assert refused.mean() > 0.3 * risk  # and the bound is not a wall
    assert alone.mean() > 0.9  # each decided for itself, hardly a neck would pass
