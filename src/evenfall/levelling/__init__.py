"""Clearance and buzz force become a plan: the linear program, the methods, the reasons.

Examples
--------
>>> import evenfall as ef
>>> readings = ef.Source.invented("tesquil-before.csv")
>>> spec_file = ef.Source.invented("tesquil.spec.toml")
>>> taken = ef.measure(ef.MeasureRequest((readings,), spec_file))
>>> plan = make_plan(taken.specification, taken.measurement)
>>> plan.removal_mm.shape
(6, 22)
>>> seen = diagnose(taken.specification, taken.measurement)
>>> type(seen).__name__, seen.failing > 0, seen.adjusting_cures
('Diagnosis', True, False)
>>> against = trade_off(taken.specification, plan)
>>> against.action_mm.shape == against.metal_mm.shape
True
"""

from evenfall.levelling.diagnosis import Diagnosis, diagnose
from evenfall.levelling.session import Session, make_plan
from evenfall.levelling.tradeoff import trade_off

__all__ = ["Diagnosis", "Session", "diagnose", "make_plan", "trade_off"]
