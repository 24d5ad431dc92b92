"""The quenlo's sheets after the work fit the plan that they are proved against."""

from __future__ import annotations

import pytest

from evenfall import workshop
from evenfall.workshop import Source
from evenfall.workshop.outputs import json_file
from readings.quenlo_after import EXAMPLES, SHEETS, quenlo_plan, read_after


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "verdict"),
    [("quenlo-after.csv", "undecided"), ("quenlo-after-finer.csv", "conforms")],
)
def test_the_sheets_are_what_a_reader_finds_at_the_settings_of_the_plan(
    name: str, verdict: str
) -> None:
    plan = quenlo_plan()
    text = (EXAMPLES / name).read_text(encoding="utf-8")
    assert text == read_after(plan, name), "python tests/readings/quenlo_after.py"
    after = Source(name, text.encode())
    plan_file = Source("quenlo.plan.json", json_file(plan.as_dict()))
    proof = workshop.prove(workshop.ProveRequest(plan_file, after)).proof
    assert proof.verdict == verdict
    assert not [f for f in proof.findings if f.code in ("off-plan", "disagree")]


def test_what_is_read_at_the_settings_is_what_the_plan_states() -> None:
    plan = quenlo_plan()
    after = Source("after.csv", read_after(plan, "quenlo-after-finer.csv").encode())
    plan_file = Source("quenlo.plan.json", json_file(plan.as_dict()))
    proof = workshop.prove(workshop.ProveRequest(plan_file, after)).proof
    planned_mm = {"action": plan.action_after_mm, "first-fret-gap": plan.first_fret_gap_after_mm}
    for item in proof.items:
        if item.quantity in planned_mm and item.string is not None:
            off_mm = item.value - planned_mm[item.quantity][item.string - 1]
            assert abs(off_mm) < 3.0 * item.standard_uncertainty


def test_the_finer_gauge_differs_in_the_action_alone() -> None:
    coarse, fine = (
        [
            line
            for line in (EXAMPLES / name).read_text(encoding="utf-8").splitlines()[1:]
            if not line.startswith("action,") or ",12," not in line
        ]
        for name in SHEETS
    )
    assert coarse == fine


@pytest.mark.slow
@pytest.mark.parametrize("name", ["tesquil-before.csv", "tesquil-settled.csv"])
def test_plan_diagnosis_neck_and_proof_show_one_relief(name: str) -> None:
    """That of the bow of the level line: a fret that stands out and a falling tongue are no bow."""
    readings, spec = Source.invented(name), Source.invented("tesquil.spec.toml")
    plan = workshop.plan(workshop.PlanRequest(readings, spec)).plan
    plan_file = Source("tesquil.plan.json", json_file(plan.as_dict()))
    proof = workshop.prove(workshop.ProveRequest(plan_file, readings)).proof
    [relief] = [item for item in proof.items if item.quantity == "relief"]
    assert relief.value == pytest.approx(plan.relief_before_mm, abs=1e-3)
    assert relief.value == pytest.approx(
        sum(line.sensitivity * line.value for line in relief.lines), abs=1e-9
    )
    forecast = workshop.neck(workshop.NeckRequest(readings, spec)).forecast
    assert forecast.relief_mm == pytest.approx(plan.relief_before_mm, abs=1e-3)
    assert forecast.relief_u_mm == pytest.approx(relief.standard_uncertainty, rel=0.05)
