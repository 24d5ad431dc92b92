"""What the bench or the machine has to do, in order."""

from evenfall.work.sheet import BenchSheet, bench_sheet

__all__ = ["BenchSheet", "bench_sheet"]
