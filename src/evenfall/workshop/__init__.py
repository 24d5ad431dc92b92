"""One function per step of a job, from checking a specification to proving the result.

Everything that touches files for a job happens here; the doors (command line, web) call these
functions and hold no rules of their own.
"""

from evenfall.workshop.job import (
    KEPT_TABLES,
    DemoJob,
    certificate,
    check_specification,
    demo,
    diagnose,
    diagnosis_pictures,
    excursion,
    make_folder,
    measure,
    open_measurement,
    open_plan,
    plan,
    plan_pictures,
    proof_pictures,
    prove,
    readings_after,
    sheet,
    write_json,
    write_pictures,
)
from evenfall.workshop.pitch_and_neck import (
    PitchReport,
    neck,
    neck_pictures,
    open_measurement_or_plan,
    pitch,
    pitch_pictures,
    plan_pitch_findings,
    write_carried,
)
from evenfall.workshop.readings import measure_pictures, take_readings

__all__ = [
    "KEPT_TABLES",
    "DemoJob",
    "PitchReport",
    "certificate",
    "check_specification",
    "demo",
    "diagnose",
    "diagnosis_pictures",
    "excursion",
    "make_folder",
    "measure",
    "measure_pictures",
    "neck",
    "neck_pictures",
    "open_measurement",
    "open_measurement_or_plan",
    "open_plan",
    "pitch",
    "pitch_pictures",
    "plan",
    "plan_pictures",
    "plan_pitch_findings",
    "proof_pictures",
    "prove",
    "readings_after",
    "sheet",
    "take_readings",
    "write_carried",
    "write_json",
    "write_pictures",
]
