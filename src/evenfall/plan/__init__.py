"""What comes off which crossing, what is adjusted, and why; data only.

Examples
--------
>>> import evenfall as ef
>>> readings = ef.Source.invented("tesquil-before.csv")
>>> outcome = ef.plan(ef.PlanRequest(readings, ef.Source.invented("tesquil.spec.toml")))
>>> isinstance(outcome.plan, Plan), METHODS[outcome.plan.method]
(True, 'by file, on the fewest frets')
"""

from evenfall.plan.methods import METHODS
from evenfall.plan.plan import Plan

__all__ = ["METHODS", "Plan"]
