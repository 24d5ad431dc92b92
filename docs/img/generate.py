"""Write the drawings of the documentation that come from the program itself.

``python docs/img/generate.py`` writes them beside this file; a test says when they are out of date.
"""

from __future__ import annotations

import runpy
from functools import cache
from pathlib import Path

from evenfall import workshop
from evenfall.workshop import Source
from evenfall.workshop.diagnosing import DiagnoseOutcome
from evenfall.workshop.outputs import json_file
from evenfall.workshop.planning import PlanOutcome

HERE = Path(__file__).resolve().parent


@cache
def planned() -> PlanOutcome:
    """Return the plan of the invented instrument at its settings, as in the tutorial."""
    settled, spec = Source.invented("tesquil-settled.csv"), Source.invented("tesquil.spec.toml")
    return workshop.plan(workshop.PlanRequest(settled, spec, settled=True))


def frame() -> str:
    """Return the drawing of the frame of reference."""
    return str(runpy.run_path(str(HERE / "frame.py"))["frame_drawing"]())


@cache
def found() -> DiagnoseOutcome:
    """Return the diagnosis of the invented instrument before the work."""
    before, spec = Source.invented("tesquil-before.csv"), Source.invented("tesquil.spec.toml")
    return workshop.diagnose(workshop.DiagnoseRequest(before, spec))


def buzz_force_as_found() -> str:
    """Return the buzz force map of the invented instrument before the work."""
    return found().pictures()["buzz force as found"]


def level_line() -> str:
    """Return the level line of the invented instrument before the work."""
    return found().pictures()["level line"]


def removal() -> str:
    """Return the removal map of the invented instrument's plan."""
    return planned().pictures()["removal"]


def verdict() -> str:
    """Return what decides the verdict on the invented instrument."""
    plan = Source("tesquil.plan.json", json_file(planned().plan.as_dict()))
    after = Source.invented("tesquil-after.csv")
    return workshop.prove(workshop.ProveRequest(plan, after)).pictures()["verdict"]


DRAWINGS = {
    "frame.svg": frame,
    "buzz-force-as-found.svg": buzz_force_as_found,
    "level-line.svg": level_line,
    "removal.svg": removal,
    "verdict.svg": verdict,
}


def main() -> None:
    """Write every drawing."""
    for name, drawn in DRAWINGS.items():
        (HERE / name).write_text(drawn(), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
