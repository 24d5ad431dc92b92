"""Setup of fretted instruments, from readings to proof.

The steps of a job are functions of `evenfall.workshop`, under the same names as on the command
line:

    from pathlib import Path
    from evenfall import workshop

    specification, remarks = workshop.check_specification(Path("kestrel.spec.toml"))
    measurement, findings = workshop.measure([Path("before.csv")], Path("kestrel.spec.toml"))
    diagnosis = workshop.diagnose(specification, measurement)
    plan = workshop.plan(specification, measurement)
    pages = workshop.sheet(specification, plan)
    after, findings = workshop.readings_after(plan, Path("after.csv"))
    proof = workshop.prove(plan, specification, after)

Importing the package imports nothing heavy.
"""

__version__ = "0.1.0"
