"""The example on the page about verdicts is what the program computes."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from evenfall.instrument import fret_distance_mm
from evenfall.proof.decision import guard_band_mm
from evenfall.proof.uncertainty import Budget, BudgetLine

PAGE = (Path(__file__).parents[2] / "docs/explanation/verdicts.md").read_text(encoding="utf-8")


def test_the_budget_on_the_page() -> None:
    share = float(fret_distance_mm(648.0, 12)) / (648.0 + 1.6)
    lines = (
        BudgetLine("nut slot", 0.0, 0.010, 1.0 - share),
        BudgetLine("saddle", 0.0, 0.010, share),
        BudgetLine("crown top, fret 12", 0.0, 0.005, -1.0),
    )
    budget = Budget(lines)
    rows = re.findall(r"^\| (\w[^|]*) \| ([\d.]+) \| ([-\d.]+) \| ([\d.]+) \|$", PAGE, re.MULTILINE)
    assert [row[0] for row in rows] == [str(line.name) for line in lines]
    for (_, u, c, contribution), line in zip(rows, lines, strict=True):
        assert float(u) == line.standard_uncertainty
        assert float(c) == pytest.approx(line.sensitivity, abs=5e-5)
        assert float(contribution) == pytest.approx(line.contribution, abs=5.1e-5)
    together = float(re.search(r"\*\*together\*\*.*?\*\*([\d.]+)\*\*", PAGE).group(1))
    assert together == pytest.approx(budget.combined_uncertainty, abs=5e-5)
    stated = float(re.search(r"U = ([\d.]+) mm", PAGE).group(1))
    assert stated == pytest.approx(budget.expanded_uncertainty(0.95), abs=5e-5)
    band = guard_band_mm(
        budget.combined_uncertainty, lower_mm=0.0, upper_mm=float("inf"), false_acceptance=0.05
    )
    assert float(re.search(r"g = ([\d.]+) mm", PAGE).group(1)) == pytest.approx(band, abs=5e-5)
