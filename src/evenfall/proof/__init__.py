"""Uncertainty budget, decision rule, plan against result, verdict.

Asks nothing of the modules that made the plan: it sees the plan as data and works out every
quantity from the readings again.
"""

from evenfall.proof.decision import decide
from evenfall.proof.result import Item, Proof
from evenfall.proof.verdict import prove

__all__ = ["Item", "Proof", "decide", "prove"]
