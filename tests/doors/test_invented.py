"""Every picture and page of an invented instrument names it, and says that it is invented."""

from __future__ import annotations

import pytest

from evenfall import workshop
from evenfall.workshop.on_machine import MachineRequest
from evenfall.workshop.outputs import Outcome, json_file

SPEC = workshop.Source.invented("tesquil.spec.toml")
BEFORE = workshop.Source.invented("tesquil-before.csv")
SETTLED = workshop.Source.invented("tesquil-settled.csv")
AFTER = workshop.Source.invented("tesquil-after.csv")
SERIAL = "UY-0417"


@pytest.fixture(scope="module")
def plan() -> workshop.Source:
    """Return the plan for the frets, as a file."""
    request = workshop.PlanRequest(SETTLED, SPEC, serial=SERIAL, settled=True)
    return workshop.Source("p.json", json_file(workshop.plan(request).plan.as_dict()))


@pytest.fixture(scope="module")
def outcomes(plan: workshop.Source) -> list[Outcome]:
    """Return the outcome of every verb that draws."""
    machine, cutters = map(workshop.Source.invented, ("yard.machine.toml", "yard.cutters.toml"))
    cut = MachineRequest(machine, cutters, state="strung")
    return [
        workshop.check_specification(workshop.CheckRequest(SPEC)),
        workshop.measure(workshop.MeasureRequest((BEFORE,), SPEC, serial=SERIAL)),
        workshop.diagnose(workshop.DiagnoseRequest(BEFORE, SPEC, serial=SERIAL)),
        workshop.plan(workshop.PlanRequest(BEFORE, SPEC, serial=SERIAL)),
        workshop.pitch(workshop.PitchRequest(plan)),
        workshop.neck(workshop.NeckRequest(plan, humidity_percent=(45.0, 60.0))),
        workshop.program(workshop.ProgramRequest(plan, cut)),
        workshop.prove(workshop.ProveRequest(plan, AFTER)),
    ]


@pytest.mark.slow
def test_pictures_name_the_instrument_and_say_that_it_is_invented(outcomes: list[Outcome]) -> None:
    drawn = [(name, svg) for one in outcomes for name, svg in one.pictures().items()]
    assert len(drawn) >= 20
    for name, svg in drawn:
        title = svg.partition("<title")[2].partition("</title>")[0]
        assert "Tesquil (invented)" in title, name
        assert SERIAL in title or "ideal" in name, name  # the ideal neck is that of a model
