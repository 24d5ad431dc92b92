"""The whole job with what a bench misses: read, plan, work, until nothing is left to do."""

from __future__ import annotations

from collections.abc import Iterator

from studies.planning import whole_job
from studies.sources import SOURCES
from studies.study import Row, Study, Told, mean, share

U_MM = (0.002, 0.005)
HELD_PERCENT = 95.0


def run(seed: int, count: int, told: Told) -> Iterator[Row]:
    total, number = len(SOURCES) * len(U_MM), 0
    for source in SOURCES:
        for u_mm in U_MM:
            jobs = []
            for index, (neck, chance) in enumerate(source.necks(seed, count, 7)):
                told(f"{source.name}, u {u_mm}", (number + index / count) / total)
                jobs.append(whole_job(neck, chance, source.reader(u_mm, neck)))
            number += 1
            done = [job for job in jobs if not job.stopped]
            held = sum(not job.broken for job in done)
            yield Row(
                f"{source.name}, u {u_mm:.3f}",
                {
                    "limits hold": share(held, len(done), at_least=HELD_PERCENT),
                    "no note fails": share(sum(job.sound for job in done), len(done)),
                    "came to an end": share(sum(job.settled for job in done), len(done)),
                    "for a person to decide": share(len(jobs) - len(done), len(jobs)),
                    "readings": mean([job.readings for job in done], 1),
                    "not filed": share(sum(job.filings == 0 for job in done), len(done)),
                    "filed once": share(sum(job.filings == 1 for job in done), len(done)),
                    "filed more often": share(sum(job.filings > 1 for job in done), len(done)),
                    "metal, mm": mean([job.metal_mm for job in done]),
                    "level frets cut": mean([job.level_cut for job in done]),
                },
            )


STUDY = Study(
    "whole-job",
    "does the work hold what the plan asked for?",
    """
Each neck is read, planned and worked on, then read again, until a plan finds nothing left to do.
The bench misses what it moves by up to 0.05 (rod, saddle), 0.03 (nut) and 0.02 (file), evenly
spread. **Limits hold**: relief, action and first-fret gaps of the true neck all lie in their limits
at the end, but for those that the plan left out because no setting reaches them. **No note fails**:
by the true heights. **Readings**: in all, the closing one among them. **For a person to decide**:
the plan ended in a gate twice, in new wire, or in an attack that does not fit the targets. Lengths
in mm. Most limits broken are on the wavy boards of the second generator: first-fret gaps beside
groups of frets off next to the nut, which no reading tells from a first fret that is off.
""",
    200,
    10,
    run,
)
