"""The bench of the demonstration: what was read on the invented Tesquil after each of its plans.

    python tests/necks/tesquil.py

writes the two sheets again. The true neck is drawn once from what the first readings say of it: its
level line, what stands out of that, and a little roughness.
Rod and saddle are then set as the first plan asks, missed by up to the working allowances; the neck
is read with the errors of the same gauge; frets are filed as the second plan asks, missed likewise;
the neck is read again. No figure is chosen by hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from importlib import resources
from pathlib import Path

import numpy as np

from evenfall.instrument import string_lines
from evenfall.levelling import make_plan
from evenfall.measurement import Measurement
from evenfall.neck import default_bow
from evenfall.plan import Plan
from evenfall.workshop.opening import Source, open_instrument
from necks.bench import cut, set_up
from necks.neck import Neck

FOLDER = Path(str(resources.files("evenfall") / "invented"))
SPECIFICATION, BEFORE, SETTLED, AFTER = (
    *("tesquil.spec.toml", "tesquil-before.csv"),
    *("tesquil-settled.csv", "tesquil-after.csv"),
)
SEED = 417
STEP_MM, ROUGHNESS_MM = 0.001, 0.002
U_MM, GAUGE = 0.004, "digital height gauge"
CLOSING_U_MM, CLOSING_GAUGE = 0.002, "dial gauge on a beam"
"""The last reading is taken with the finer gauge: the certificate goes by it."""


@dataclass(frozen=True)
class Bench:
    """The whole job, stage by stage; every stage has chances of its own."""

    seed: int = SEED

    def chance(self, stage: int) -> np.random.Generator:
        return np.random.default_rng((self.seed, stage))

    @cached_property
    def found(self) -> Measurement:
        return opened((FOLDER / BEFORE).read_text(encoding="utf-8"))

    @cached_property
    def truth(self) -> Neck:
        spec, found, plan = SPEC, self.found, self.first_plan
        chance, count = self.chance(0), SPEC.string_count
        rough = ROUGHNESS_MM * chance.standard_normal(found.crown_top_mm.shape)
        return Neck(
            specification=spec,
            nut_mm=found.nut_mm + U_MM * chance.standard_normal(count),
            crown_top_mm=plan.level_mm + plan.stands_out_mm + rough,
            saddle_mm=found.saddle_mm + U_MM * chance.standard_normal(count),
            crown_height_mm=found.crown_height_mm,
            off_mm=self.first_plan.stands_out_mm,
            relief_mm=self.first_plan.relief_before_mm,
            bow_mm_per_mm=default_bow(spec, string_lines(spec)).frets,
        )

    @cached_property
    def first_plan(self) -> Plan:
        return make_plan(SPEC, self.found)

    @cached_property
    def settled(self) -> Neck:
        return set_as_planned(self.truth, self.first_plan, self.chance(1))

    @cached_property
    def settled_sheet(self) -> str:
        return sheet(self.settled, self.chance(2), "with rod and saddle set")

    @cached_property
    def second_plan(self) -> Plan:
        return make_plan(SPEC, opened(self.settled_sheet), settled=True)

    @cached_property
    def after_sheet(self) -> str:
        plan = self.second_plan
        assert plan.cuts_now
        done = cut(self.settled, self.chance(3), plan.removal_mm)
        done = set_as_planned(done, plan, self.chance(4))
        gauge = (CLOSING_U_MM, CLOSING_GAUGE)
        return sheet(done, self.chance(5), "after the work", gauge)


def opened(text: str) -> Measurement:
    """Return what the program reads in a sheet of the Tesquil."""
    spec = Source(SPECIFICATION, (FOLDER / SPECIFICATION).read_bytes())
    return open_instrument(Source("sheet.csv", text.encode()), spec).measurement


def set_as_planned(neck: Neck, plan: Plan, chance: np.random.Generator) -> Neck:
    """Return the neck with rod, saddle and slots set, missed by up to the allowances."""
    return set_up(
        neck,
        chance,
        relief_mm=plan.relief_change_mm,
        saddle_mm=plan.saddle_height_change_mm,
        nut_mm=plan.nut_height_change_mm,
    )


def sheet(
    neck: Neck,
    chance: np.random.Generator,
    when: str,
    gauge: tuple[float, str] = (U_MM, GAUGE),
) -> str:
    """Return readings of a neck as a hand sheet, by a gauge of some uncertainty [mm]."""
    u_mm, name = gauge

    def read(value_mm: float) -> str:
        return f"{round((value_mm + u_mm * chance.standard_normal()) / STEP_MM) * STEP_MM:.3f}"

    rows = [
        f"# Tesquil UY-0417 {when}. Invented, simulated by tests/necks/tesquil.py.",
        "quantity,string,fret,value,unit,uncertainty,state,measured_with",
    ]

    def row(quantity: str, string: object, fret: object, value_mm: float) -> None:
        value = read(value_mm)
        rows.append(f"{quantity},{string},{fret},{value},mm,{u_mm},strung,{name}")

    for k, height in enumerate(neck.nut_mm):
        row("nut_slot", k + 1, "", height)
    for k, height in enumerate(neck.saddle_mm):
        row("saddle", k + 1, "", height)
    for j in range(neck.specification.frets):
        row("crown_height", "", j + 1, float(neck.crown_height_mm[:, j].min()))
        for k, height in enumerate(neck.crown_top_mm[:, j]):
            row("crown_top", k + 1, j + 1, height)
    return "\n".join(rows) + "\n"


SPEC = open_instrument(
    Source(BEFORE, (FOLDER / BEFORE).read_bytes()),
    Source(SPECIFICATION, (FOLDER / SPECIFICATION).read_bytes()),
).specification


if __name__ == "__main__":
    made = Bench()
    (FOLDER / SETTLED).write_text(made.settled_sheet, encoding="utf-8")
    (FOLDER / AFTER).write_text(made.after_sheet, encoding="utf-8")
