"""Decision rules against published figures, and what must hold for any value."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given
from hypothesis import strategies as st
from scipy import integrate, stats

from draws import draws
from evenfall.proof.decision import (
    ROUNDING_MM,
    conformance_probability,
    decide,
    deciding_uncertainty_mm,
    guard_band_mm,
    one_sided_factor,
)
from evenfall.proof.uncertainty import student_tail

CASES = tomllib.loads(
    (Path(__file__).parents[1] / "authorities" / "conformity.toml").read_text(encoding="utf-8")
)
RULES = ("guard band", "probability")
rules = st.sampled_from(RULES)
risks = st.sampled_from([0.4, 0.2, 0.1, 0.05, 0.01])
freedoms = st.sampled_from([1.0, 2.0, 7.5, 300.0, math.inf])
values = st.floats(-1.0, 2.0)
uncertainties = st.floats(1e-4, 1.0)


def test_one_sided_limit_of_jcgm_106() -> None:
    case = CASES["breakdown_voltage"]
    found = conformance_probability(case["value"], case["u"], upper_mm=case["upper"])
    expected = case["probability"]
    assert found == pytest.approx(expected["value"], abs=expected["tolerance"])
    assert found == pytest.approx(stats.norm.cdf(case["standardized"]), abs=1e-12)
    verdict = {
        rule: decide(case["value"], case["u"], upper_mm=case["upper"], rule=rule).verdict
        for rule in RULES
    }
    assert verdict == dict.fromkeys(RULES, "undecided")  # 0.919 is short of 0.95
    at_90 = decide(case["value"], case["u"], upper_mm=case["upper"], false_acceptance=0.10)
    assert at_90.verdict == "conforms"


def test_acceptance_limits_and_risks_of_the_resistors() -> None:
    case = CASES["resistors"]
    limits = {"lower_mm": case["lower"], "upper_mm": case["upper"]}
    risk = stats.norm.sf(case["guard_band_in_u"])
    band = guard_band_mm(case["u"], **limits, false_acceptance=risk)
    assert case["lower"] + band == pytest.approx(case["accept_lower"], abs=1e-9)
    assert case["upper"] - band == pytest.approx(case["accept_upper"], abs=1e-9)
    process = stats.norm(case["process_mean"], case["process_sigma"])

    def accepted(true: float) -> float:
        """Probability that a reading of a true value is accepted."""
        return conformance_probability(
            true, case["u"], lower_mm=case["lower"] + band, upper_mm=case["upper"] - band
        )

    def integral(function, low, high):
        return integrate.quad(function, low, high, epsabs=1e-12, limit=200)[0]

    outside = integral(lambda t: process.pdf(t) * accepted(t), case["upper"], 1501.2)
    consumer = 2.0 * outside  # both sides alike
    producer = integral(
        lambda t: process.pdf(t) * (1.0 - accepted(t)), case["lower"], case["upper"]
    )
    found = {
        "consumer_risk": consumer,
        "producer_risk": producer,
        "process_conformity": conformance_probability(
            case["process_mean"], case["process_sigma"], **limits
        ),
    }
    for name, value in found.items():
        assert value == pytest.approx(case[name]["value"], abs=case[name]["tolerance"]), name
        assert value == pytest.approx(case[name]["printed"], abs=0.005), name


def test_one_sided_factors() -> None:
    for row in CASES["one_sided"]["factors"]:
        assert conformance_probability(row["z"], 1.0, lower_mm=0.0) == pytest.approx(
            row["probability"], abs=row["tolerance"]
        )
    assert one_sided_factor(0.05) == pytest.approx(1.645, abs=5e-4)
    # small chances keep their digits: the standard library's normal distribution
    for chance in (1e-6, 1e-12, 1e-17):
        assert one_sided_factor(chance) == pytest.approx(-NormalDist().inv_cdf(chance), rel=1e-9)
    assert guard_band_mm(
        0.004, lower_mm=0.0, upper_mm=math.inf, false_acceptance=0.05
    ) == pytest.approx(0.00658, abs=5e-6)


def test_guard_bands_in_multiples_of_u() -> None:
    """A value accepted at the guard band is outside its limit with no more than the listed risk."""
    for row in CASES["guard_band_multiples"]["rows"]:
        band = row["multiple"] * 2.0  # U = 2 u, u = 1
        risk = 1.0 - conformance_probability(band, 1.0, lower_mm=0.0)
        assert risk < row["risk_below"]


@pytest.mark.parametrize("rule", RULES)
def test_verdicts_around_one_limit(rule: str) -> None:
    band = one_sided_factor(0.05) * 0.01

    def verdict(value: float) -> str:
        return decide(value, 0.01, lower_mm=1.0, rule=rule).verdict

    assert verdict(1.0 + band + 1e-5) == "conforms"
    assert verdict(1.0 + band) == "conforms"
    assert verdict(1.0 + band - 1e-5) == "undecided"
    assert verdict(1.0) == "undecided"
    assert verdict(1.0 - band + 1e-5) == "undecided"
    assert verdict(1.0 - band - 1e-5) == "does not conform"


@pytest.mark.parametrize("rule", RULES)
def test_without_uncertainty_the_limits_are_compared(rule: str) -> None:
    def verdict(value: float) -> str:
        return decide(value, 0.0, lower_mm=1.0, upper_mm=2.0, rule=rule).verdict

    assert verdict(1.0) == verdict(2.0) == verdict(1.5) == "conforms"
    assert verdict(1.0 - 0.5 * ROUNDING_MM) == verdict(2.0 + 0.5 * ROUNDING_MM) == "conforms"
    assert verdict(1.0 - 2.0 * ROUNDING_MM) == verdict(2.00001) == "does not conform"
    assert decide(0.5, 0.0, lower_mm=1.0).probability == 0.0


@pytest.mark.parametrize("rule", RULES)
def test_what_is_not_known_is_undecided(rule: str) -> None:
    decision = decide(math.nan, 0.0, lower_mm=1.0, rule=rule)
    assert decision.verdict == "undecided"
    assert math.isnan(decision.probability)


@pytest.mark.parametrize("rule", RULES)
def test_a_zone_too_narrow_for_the_gauge_is_never_decided_from_inside(rule: str) -> None:
    """In the middle of a zone of a tenth of u, p_c is 4 %: no proof that it does not conform."""
    decision = decide(1.05, 1.0, lower_mm=1.0, upper_mm=1.1, rule=rule)
    assert decision.probability == pytest.approx(0.0399, abs=1e-4)
    assert decision.guard_band_mm == math.inf
    assert decision.verdict == "undecided"


def test_two_limits_count_together_when_the_uncertainty_is_not_small() -> None:
    limits = {"lower_mm": -1.0, "upper_mm": 1.0}
    wide = guard_band_mm(0.5, **limits, false_acceptance=0.05)
    assert wide > one_sided_factor(0.05) * 0.5
    assert conformance_probability(1.0 - wide, 0.5, **limits) == pytest.approx(0.95, abs=1e-9)
    assert guard_band_mm(0.1, **limits, false_acceptance=0.05) == pytest.approx(0.16449, abs=1e-5)
    # Zone of 2 z u with Phi(z) = 0.975: only the very middle is accepted.
    edge = 1.0 / stats.norm.ppf(0.975)
    assert guard_band_mm(edge * 0.9999, **limits, false_acceptance=0.05) == pytest.approx(
        1.0, abs=0.02
    )
    assert guard_band_mm(edge * 1.0001, **limits, false_acceptance=0.05) == math.inf


@given(values, uncertainties, risks, rules)
def test_the_verdict_is_symmetric(value, u, risk, rule) -> None:
    one = decide(value, u, lower_mm=0.0, upper_mm=1.0, rule=rule, false_acceptance=risk)
    other = decide(-value, u, lower_mm=-1.0, upper_mm=0.0, rule=rule, false_acceptance=risk)
    assert one.verdict == other.verdict
    assert one.probability == pytest.approx(other.probability, abs=1e-12)


@given(values, st.floats(0.0, 0.5), uncertainties)
def test_the_probability_falls_on_the_way_out(value, step, u) -> None:
    near = conformance_probability(value, u, lower_mm=0.0)
    far = conformance_probability(value - step, u, lower_mm=0.0)
    assert 0.0 <= far <= near <= 1.0
    out = 0.5 + abs(value - 0.5)
    within = conformance_probability(out, u, lower_mm=0.0, upper_mm=1.0)
    beyond = conformance_probability(out + step, u, lower_mm=0.0, upper_mm=1.0)
    assert beyond <= within + 1e-15


@given(values, uncertainties)
def test_the_probability_agrees_with_a_general_library(value, u) -> None:
    normal = stats.norm(value, u)
    expected = normal.cdf(1.0) - normal.cdf(0.0)
    assert conformance_probability(value, u, lower_mm=0.0, upper_mm=1.0) == pytest.approx(
        expected, abs=1e-12
    )


@given(values, uncertainties, risks, freedoms)
def test_both_rules_accept_the_same_values(value, u, risk, freedom) -> None:
    """The guard band is drawn where the chance of lying outside reaches the risk."""
    limits = {"lower_mm": 0.0, "upper_mm": 1.0, "degrees_of_freedom": freedom}
    limits |= {"false_acceptance": risk, "false_refusal": risk}
    band, chance = (decide(value, u, **limits, rule=rule) for rule in RULES)
    inside = min(value, 1.0 - value)
    assume(abs(inside - band.guard_band_mm) > 2e-6)
    assert (band.verdict == "conforms") == (chance.verdict == "conforms")
    if band.verdict == "does not conform":  # the one-sided band errs on the safe side
        assert chance.verdict == "does not conform"


@given(
    # A value outside a zone far narrower than u may lose by chance of the far side: leave room.
    st.tuples(values, st.just("guard band")) | st.tuples(st.floats(0.0, 1.0), rules),
    st.floats(-4.0, 0.0).map(lambda power: 10.0**power),  # mostly small enough to decide
    risks,
    st.floats(0.05, 0.999),
)
@draws(100, suppress_health_check=[HealthCheck.filter_too_much])  # many draws are undecided
def test_a_better_gauge_never_unsettles_a_verdict(value_and_rule, u, risk, share) -> None:
    value, rule = value_and_rule
    limits = {"lower_mm": 0.0, "upper_mm": 1.0, "rule": rule}
    limits |= {"false_acceptance": risk, "false_refusal": risk}
    verdict = decide(value, u, **limits).verdict
    assume(verdict == "conforms" or (verdict == "does not conform" and rule == "guard band"))
    assert decide(value, share * u, **limits).verdict == verdict


@given(values, risks, risks)
def test_the_uncertainty_that_would_decide(value, acceptance, refusal) -> None:
    limits = {"lower_mm": 0.0, "upper_mm": 1.0}
    limits |= {"false_acceptance": acceptance, "false_refusal": refusal}
    needed = deciding_uncertainty_mm(value, **limits)
    assume(needed > 1e-3)
    below = decide(value, 0.999 * needed, **limits)
    above = decide(value, 1.002 * needed + 1e-4, **limits)
    assert below.verdict == ("conforms" if 0.0 < value < 1.0 else "does not conform")
    assert above.verdict == "undecided"


def test_no_gauge_decides_a_value_on_its_limit() -> None:
    assert (
        deciding_uncertainty_mm(
            1.0, lower_mm=1.0, upper_mm=2.0, false_refusal=0.05, false_acceptance=0.05
        )
        == 0.0
    )
    assert (
        deciding_uncertainty_mm(
            1.2, lower_mm=1.0, upper_mm=2.0, false_refusal=0.05, false_acceptance=0.5
        )
        == math.inf
    )


@pytest.mark.parametrize("rule", RULES)
def test_how_often_a_bad_instrument_passes(rule: str) -> None:
    """True value on the limit: 5 % of readings are accepted, 5 % refused, the rest undecided."""
    chance = np.random.default_rng(20240501)
    readings = chance.normal(1.0, 0.02, 20_000)
    verdicts = [decide(float(v), 0.02, lower_mm=1.0, rule=rule).verdict for v in readings]
    for verdict in ("conforms", "does not conform"):
        # Four standard deviations of a binomial share of 20 000.
        assert verdicts.count(verdict) / 20_000 == pytest.approx(0.05, abs=0.0062)


def test_a_risk_out_of_range_is_refused() -> None:
    for risk in (0.0, 0.6):
        with pytest.raises(ValueError, match="between"):
            decide(1.0, 0.1, lower_mm=0.0, false_acceptance=risk)


@pytest.mark.slow
@pytest.mark.parametrize(
    "repeats", [2, *(pytest.param(n, marks=pytest.mark.slow) for n in (3, 4, 5))]
)
def test_few_repeats_accept_no_more_often_than_many(repeats: int) -> None:
    """Student's t by GUM G.3: a quantity on its limit, read n times, passes 5 % of the time."""
    chance = np.random.default_rng(repeats)
    drawn = chance.normal(1.0, 0.02, (10_000, repeats))
    mean, u = drawn.mean(axis=1), drawn.std(axis=1, ddof=1) / math.sqrt(repeats)
    for freedom, low, high in ((repeats - 1.0, 0.0413, 0.0587), (math.inf, 0.06, 0.2)):
        verdicts = [
            decide(float(m), float(s), lower_mm=1.0, degrees_of_freedom=freedom).verdict
            for m, s in zip(mean, u, strict=True)
        ]
        # four standard errors of 5 % in 10,000 draws; the normal factor is far off
        assert low < verdicts.count("conforms") / 10_000 < high


@pytest.mark.parametrize("freedom", [1.0, 4.0, 999.0, 1_000.0, 169_275.3, math.inf])
def test_nothing_lies_beyond_a_limit_that_is_not_there(freedom: float) -> None:
    assert student_tail(math.inf, freedom) == 0.0
    chance = conformance_probability(0.9, 0.1, lower_mm=0.6, degrees_of_freedom=freedom)
    assert chance == pytest.approx(1.0 - student_tail(3.0, freedom))
