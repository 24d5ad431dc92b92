"""Setup of fretted instruments, from readings to proof.

The steps of a job are functions of `evenfall.workshop`, under the same names as on the command
line; each takes a request and returns an outcome:

    from evenfall import workshop
    from evenfall.workshop import Source

    spec = Source("tesquil.spec.toml")
    outcome = workshop.plan(workshop.PlanRequest(Source("tesquil-before.csv"), spec))
    outcome.plan.metal_mm, [finding.sentence for finding in outcome.findings]

Importing the package imports nothing heavy.
"""

__version__ = "0.1.0"
