"""Uncertainty budget, decision rule, plan against result, verdict.

Asks nothing of the modules that made the plan: it sees the plan as data and works out every
quantity from the readings again.

Examples
--------
>>> decide(1.64, 0.004, upper_mm=1.65).verdict
'conforms'
>>> decide(1.64, 0.010, upper_mm=1.65).verdict
'undecided'

>>> import evenfall as ef
>>> readings = ef.Source.invented("tesquil-before.csv")
>>> outcome = ef.plan(ef.PlanRequest(readings, ef.Source.invented("tesquil.spec.toml")))
>>> after = ef.Source.invented("tesquil-after.csv"), ef.Source.invented("tesquil.spec.toml")
>>> result = ef.measure(ef.MeasureRequest(after[:1], after[1])).measurement
>>> made = prove(outcome.specification, outcome.plan, result)
>>> type(made).__name__, isinstance(made.items[0], Item)
('Proof', True)
"""

from evenfall.proof.decision import decide
from evenfall.proof.result import Item, Proof
from evenfall.proof.verdict import prove

__all__ = ["Item", "Proof", "decide", "prove"]
