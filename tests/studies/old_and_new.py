"""The rules beside the linear program that uses every limit to the full."""

from __future__ import annotations

from collections.abc import Iterator

from necks import bench
from necks.readings import read
from studies.judgement import figures
from studies.planning import plan, worked
from studies.sources import FIRST, GAUGES_MM
from studies.study import Row, Study, Told

METHODS = {"the rules": None, "least metal": "least-metal"}


def run(seed: int, count: int, told: Told) -> Iterator[Row]:
    for number, u_mm in enumerate(GAUGES_MM):
        found = []
        for neck, chance in FIRST.necks(seed, count, 6):
            found.append((neck, read(neck, chance, FIRST.reader(u_mm, neck)), chance))
        for name, method in METHODS.items():
            done = []
            for index, (neck, readings, chance) in enumerate(found):
                told(f"{name}, u {u_mm}", (number + index / count) / len(GAUGES_MM))
                made = plan(neck, readings, method)
                done.append((neck, made, worked(neck, made, chance, bench.NONE)))
            shown = figures(done, **({"level": 1.0} if method is None else {}))
            yield Row(f"{name}, u {u_mm:.3f}", shown)


STUDY = Study(
    "old-and-new",
    "what do the rules change?",
    """
The same necks and the same readings, planned by the rules and by the linear program that finds the
least metal with every limit used to its edge (method `least-metal`), which was once the only way a
plan was made. Columns as in the [study of judgement](judgement.md).
""",
    60,
    6,
    run,
)
