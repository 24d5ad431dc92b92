"""Write the drawings of the documentation that come from the program itself.

``python docs/img/generate.py`` writes them beside this file; a test says when they are out of date.
"""

from __future__ import annotations

import runpy
import tempfile
from functools import cache
from importlib import resources
from pathlib import Path

from evenfall import workshop
from evenfall.instrument import Specification
from evenfall.measurement import Measurement
from evenfall.plan import Plan

HERE = Path(__file__).resolve().parent


@cache
def invented_job() -> tuple[Specification, Measurement, Plan, Measurement]:
    """Return the invented instrument, its readings, its plan and the readings after the work."""
    invented = resources.files("evenfall") / "invented"
    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for name in ("kestrel.spec.toml", "kestrel-before.csv", "kestrel-after.csv"):
            path = Path(folder) / name
            path.write_text((invented / name).read_text(encoding="utf-8"), encoding="utf-8")
            paths.append(path)
        specification, _ = workshop.check_specification(paths[0])
        before, _ = workshop.measure([paths[1]], paths[0])
        plan = workshop.plan(specification, before)
        after, _ = workshop.readings_after(plan, paths[2])
    return specification, before, plan, after


def frame() -> str:
    """Return the drawing of the frame of reference."""
    return str(runpy.run_path(str(HERE / "frame.py"))["frame_drawing"]())


def touch_force_as_found() -> str:
    """Return the touch force map of the invented instrument before the work."""
    specification, before, _, _ = invented_job()
    diagnosis = workshop.diagnose(specification, before)
    return workshop.diagnosis_pictures(specification, diagnosis)["touch force as found"]


def removal() -> str:
    """Return the removal map of the invented instrument's plan."""
    specification, _, plan, _ = invented_job()
    return workshop.plan_pictures(specification, plan)["removal"]


def verdict() -> str:
    """Return what decides the verdict on the invented instrument."""
    specification, _, plan, after = invented_job()
    proof = workshop.prove(plan, specification, after)
    return workshop.proof_pictures(specification, proof)["verdict"]


DRAWINGS = {
    "frame.svg": frame,
    "touch-force-as-found.svg": touch_force_as_found,
    "removal.svg": removal,
    "verdict.svg": verdict,
}


def main() -> None:
    """Write every drawing."""
    for name, drawn in DRAWINGS.items():
        (HERE / name).write_text(drawn(), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
