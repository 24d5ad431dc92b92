"""The sheets of the invented quenlo after its work: read at its plan's settings, with noise.

`python tests/readings/quenlo_after.py` writes both into docs/examples again.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from evenfall import workshop
from evenfall.instrument import read_specification, string_lines
from evenfall.plan import Plan
from evenfall.strings.clearance import open_gap_mm
from evenfall.workshop import Source

EXAMPLES = Path(__file__).resolve().parents[2] / "docs" / "examples"
SEED = 52
RULE_STEP_MM = 0.5

#: Gauge of the action over the reference fret: what it is called, its standard uncertainty [mm].
SHEETS = {
    "quenlo-after.csv": ("a steel rule in half millimetres", "steel rule", 0.15),
    "quenlo-after-finer.csv": ("a digital depth gauge", "digital depth gauge", 0.01),
}


def quenlo_plan() -> Plan:
    """Return the plan that the how-to makes: the nut stays."""
    before, spec = (
        Source(name, (EXAMPLES / name).read_bytes())
        for name in ("quenlo-readings.csv", "quenlo.spec.toml")
    )
    return workshop.plan(workshop.PlanRequest(before, spec, keep=("nut",))).plan


def read_after(plan: Plan, name: str) -> str:
    """Return one sheet: what the plan says, each reading off by its gauge, to its last digit."""
    gauge, called, u_mm = SHEETS[name]
    chance = np.random.default_rng(SEED)

    def reading(true_mm: float, u: float, step: float) -> float:
        return round(round((true_mm + u * chance.standard_normal()) / step) * step, 4)

    lines = [
        f"# Quenlo TR-0052 after the work, action read with {gauge}. Invented example.",
        "quantity,string,fret,value,unit,uncertainty,state,measured_with,note",
    ]
    [relief] = [one for one in plan.measurement.direct if one.quantity == "relief"]
    gap = reading(relief.value_mm, 0.01, 0.01)  # nothing on this neck moves the relief
    lines.append(f"relief,,{relief.fret},{gap:.2f},mm,0.01,strung 47%,feeler leaves under a ")
    lines[-1] += "straightedge,"
    spec, _ = read_specification(plan.measurement.specification_text, source="")
    # over the crown as it stands: the gap that a plan states is that to the level line
    heights = (plan.nut_after_mm, plan.crown_top_after_mm, plan.saddle_after_mm)
    for string, true_mm in enumerate(open_gap_mm(string_lines(spec), *heights, 1), start=1):
        inch = reading(float(true_mm) / 25.4, 0.0005, 0.0005)
        lines.append(f"action,{string},1,{inch:.4f},in,0.0005,strung,feeler leaves,")
    for string, true_mm in enumerate(plan.action_after_mm, start=1):
        by_rule = u_mm > 0.1
        value = reading(
            float(true_mm), 0.02 if by_rule else u_mm, RULE_STEP_MM if by_rule else 0.01
        )
        lines.append(f"action,{string},12,{value:.2f},mm,{u_mm:g},strung,{called},")
    for string, over, true_mm in ((1, 8, 0.20), (1, 6, 0.21), (2, 8, 0.14), (2, 6, 0.13)):
        value = reading(true_mm, 0.01, 0.01)  # fret 7 stands as it did
        lines.append(
            f"rocking,{string},7 gap at {over},{value:.2f},mm,0.01,strung,short straightedge,"
        )
    for fret in (1, 7, 12):
        value = reading(float(plan.crown_height_after_mm[0, fret - 1]), 0.01, 0.01)
        lines.append(f"crown_height,,{fret},{value:.2f},mm,0.01,strung,dial indicator,")
    return "\n".join(lines) + "\n"


def write() -> None:
    """Write both sheets."""
    plan = quenlo_plan()
    for name in SHEETS:
        (EXAMPLES / name).write_text(read_after(plan, name), encoding="utf-8")


if __name__ == "__main__":
    write()
