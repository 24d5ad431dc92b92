"""The readings of the demonstration are what its simulated bench gives, not figures by hand."""

from __future__ import annotations

import pytest

from evenfall.proof import prove
from necks.tesquil import AFTER, FOLDER, SETTLED, SPEC, Bench, opened

BENCH = Bench()


@pytest.mark.parametrize("name", [pytest.param(SETTLED, marks=pytest.mark.slow), AFTER])
def test_the_sheets_are_those_of_the_bench(name: str) -> None:
    made = BENCH.settled_sheet if name == SETTLED else BENCH.after_sheet
    kept = (FOLDER / name).read_text(encoding="utf-8")
    assert kept == made, "run: PYTHONPATH=tests python tests/necks/tesquil.py"
    assert "Invented" in kept.splitlines()[0]


def test_the_job_goes_from_settings_over_frets_to_a_certificate() -> None:
    first, second = BENCH.first_plan, BENCH.second_plan
    assert (first.status, first.part) == ("settings", "settings")
    assert (second.status, second.part) == ("cut", "whole")
    assert not first.cuts_now
    assert first.gates == second.gates == ()
    cut = [int(j) + 1 for j in (second.removal_mm > 0.0).any(axis=0).nonzero()[0]]
    assert cut == [5, 11, 16]
    assert prove(SPEC, second, opened(BENCH.after_sheet)).verdict == "conforms"


@pytest.mark.slow
def test_another_bench_comes_to_the_same_end() -> None:
    """The certificate hangs on no lucky seed: these were not looked at when it was chosen.

    Where the bench missed a setting by much, the second plan sets it once more and cuts nothing.
    """
    verdicts = []
    for seed in range(101, 107):
        other = Bench(seed)
        if other.second_plan.cuts_now:
            verdicts.append(prove(SPEC, other.second_plan, opened(other.after_sheet)).verdict)
        else:
            assert other.second_plan.status == "settings"
    assert len(verdicts) >= 4
    assert set(verdicts) == {"conforms"}
