"""The uncertainty engine against published worked examples, and Student's t against a library."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenfall.proof.uncertainty import Budget, BudgetLine, student_t_factor, student_tail
from evenfall.sheets.means import mean_of_repeats

CASES = tomllib.loads(
    (Path(__file__).parents[1] / "authorities" / "uncertainty.toml").read_text(encoding="utf-8")
)


def as_printed(published, **found):
    """Fail unless each value agrees with the printed one within the tolerance of its digits."""
    assert found.keys() <= published.keys()
    for name, value in found.items():
        expected = published[name]
        assert value == pytest.approx(expected["value"], abs=expected["tolerance"]), name


def end_gauge_lines():
    case = CASES["end_gauge"]
    sensitivities = {
        "one": 1.0,
        "zero": 0.0,
        "length theta": -case["length_nm"] * case["theta_c"],
        "length alpha": -case["length_nm"] * case["alpha_per_c"],
    }
    return tuple(
        BudgetLine(
            line["name"],
            0.0,
            line["u"] if "u" in line else line["half_width"] / math.sqrt(3.0),
            sensitivities[line["sensitivity"]],
            unit="",
            degrees_of_freedom=line["dof"] or math.inf,
        )
        for line in case["lines"]
    )


def test_end_gauge_h1() -> None:
    case, lines = CASES["end_gauge"], end_gauge_lines()
    difference = Budget(lines[1:4])
    length = Budget(lines)
    as_printed(
        case["published"],
        difference_u_nm=difference.combined_uncertainty,
        difference_dof=difference.effective_degrees_of_freedom,
        combined_nm=length.combined_uncertainty,
        effective_dof=length.effective_degrees_of_freedom,
        coverage_factor=length.coverage_factor(case["coverage"]),
        expanded_nm=length.expanded_uncertainty(case["coverage"]),
    )
    # Unrounded, from an independent calculation of the same example.
    assert length.combined_uncertainty == pytest.approx(31.6639, abs=1e-4)
    assert length.effective_degrees_of_freedom == pytest.approx(16.7519, abs=1e-4)


def test_end_gauge_degrees_of_freedom_are_truncated_not_interpolated() -> None:
    """Interpolating would give k = 2.9036 and U = 91.9 nm, outside what is printed."""
    length = Budget(end_gauge_lines())
    assert length.coverage_factor(0.99) == student_t_factor(0.99, 16)
    assert abs(2.9036 - CASES["end_gauge"]["published"]["coverage_factor"]["value"]) > 0.005


def test_impedance_h2_means_of_repeats() -> None:
    """Of the example that goes on with correlated inputs: here what heights share is a cause."""
    case = CASES["impedance"]
    named = {"voltage": "voltage_v", "current": "current_ma", "phase": "phase_rad"}
    as_printed(
        case["published"],
        **{f"u_{name}": mean_of_repeats(case[key])[1] for name, key in named.items()},
    )


def test_repeated_readings_4_4_3() -> None:
    case = CASES["temperature"]
    mean, u = mean_of_repeats(case["readings_c"])
    as_printed(case["published"], mean=mean, u=u, scatter=u * math.sqrt(20))


def four_inputs(distribution):
    return Budget(tuple(BudgetLine(n, 0.0, 1.0, distribution=distribution) for n in "abcd"))


def test_additive_model_of_the_monte_carlo_supplement() -> None:
    """First order gives 3.92 for rectangular inputs too; the exact interval is 1 % narrower."""
    case = CASES["additive"]
    total = four_inputs("rectangular")
    # Half-width of the sum of four uniforms of standard deviation 1 (Irwin-Hall distribution).
    exact = math.sqrt(3.0) * (4.0 - 2.0 * 0.6**0.25)
    as_printed(
        case["published"],
        u=total.combined_uncertainty,
        half_width_normal=four_inputs("normal").expanded_uncertainty(case["coverage"]),
        half_width_rectangular=exact,
    )
    assert exact < total.expanded_uncertainty(case["coverage"]) < 1.011 * exact


@pytest.mark.parametrize("row", CASES["student"]["rows"], ids=lambda row: f"nu {row[0]}")
def test_student_t_as_in_table_g2(row: list[float]) -> None:
    case = CASES["student"]
    dof, *printed = row
    for coverage, value in zip(case["coverage"], printed, strict=True):
        tolerance = case["tolerance"] if dof < 100 else 0.0005
        assert student_t_factor(coverage, dof) == pytest.approx(value, abs=tolerance + 1e-9)
        # and the table turned round: the chance to exceed what is printed there
        beyond = 0.5 * (1.0 - coverage)
        off = tolerance + 1e-9
        assert student_tail(value + off, dof) <= beyond <= student_tail(value - off, dof)


def test_student_t_without_degrees_of_freedom_is_normal() -> None:
    case = CASES["student"]
    for coverage, value in zip(case["coverage"], case["infinite"], strict=True):
        assert student_t_factor(coverage, math.inf) == pytest.approx(value, abs=5e-4)


@given(st.floats(0.5, 0.999), st.floats(1.0, 500.0).filter(lambda nu: nu % 1 < 1.0 - 1e-6))
def test_student_t_falls_with_degrees_of_freedom(coverage: float, dof: float) -> None:
    assert student_t_factor(coverage, dof) == student_t_factor(coverage, math.floor(dof))
    assert student_t_factor(coverage, dof) > student_t_factor(coverage, dof + 1.0)
    assert student_t_factor(coverage, dof) > student_t_factor(coverage, math.inf)


uncertainties = st.floats(1e-6, 10.0)


sensitivities = st.floats(-5, 5).filter(lambda c: c == 0.0 or abs(c) > 1e-150)  # no underflow


@given(st.lists(st.tuples(uncertainties, sensitivities, st.integers(1, 60)), min_size=1))
def test_effective_degrees_of_freedom_lie_between_the_least_and_the_sum(inputs) -> None:
    lines = tuple(BudgetLine("x", 0.0, u, c, degrees_of_freedom=n) for u, c, n in inputs)
    budget = Budget(lines)
    contributing = [line for line in lines if line.contribution > 0.0]
    if not contributing:
        assert budget.effective_degrees_of_freedom == math.inf
        return
    dofs = [line.degrees_of_freedom for line in contributing]
    found = budget.effective_degrees_of_freedom
    assert min(dofs) * (1 - 1e-9) <= found <= sum(dofs) * (1 + 1e-9)


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="zero or more"):
        BudgetLine("x", 0.0, -1.0)
    with pytest.raises(ValueError, match="zero or more"):
        BudgetLine("x", 0.0, math.nan)
    with pytest.raises(ValueError, match="degrees of freedom"):
        BudgetLine("x", 0.0, 1.0, degrees_of_freedom=0.0)
    with pytest.raises(ValueError, match="between 0 and 1"):
        student_t_factor(1.0, 5)
    with pytest.raises(ValueError, match="at least one"):
        student_t_factor(0.95, 0.5)
