"""What the bench or the machine has to do, in order.

Examples
--------
>>> import evenfall as ef
>>> readings = ef.Source.invented("tesquil-before.csv")
>>> outcome = ef.plan(ef.PlanRequest(readings, ef.Source.invented("tesquil.spec.toml")))
>>> type(bench_sheet(outcome.specification, outcome.plan)).__name__
'BenchSheet'
"""

from evenfall.work.parts import BenchSheet
from evenfall.work.sheet import bench_sheet

__all__ = ["BenchSheet", "bench_sheet"]
