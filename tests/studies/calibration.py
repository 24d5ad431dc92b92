"""Error over stated uncertainty, on every reading route."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from evenfall.neck import level_line
from necks.readings import read
from readings.drawn_routes import ROUTES, WEIGHTS
from studies.sources import GAUGES_MM, SOURCES
from studies.study import Row, Study, Told, chances, number, share

if TYPE_CHECKING:
    from evenfall.measurement import Measurement
    from necks.neck import Neck

LOW, HIGH = 0.8, 1.25
NORMAL_95 = 1.959964


def run(seed: int, count: int, told: Told) -> Iterator[Row]:
    for number_, (name, route) in enumerate(ROUTES.items()):
        told(name, number_ / len(ROUTES))
        scores = []
        for chance in chances(seed, count, number_):
            found, truth = route(chance)
            error = np.einsum("nkc,kc->n", WEIGHTS, found.height_mm - truth)
            scores.append(error**2 / found.variance(WEIGHTS))
        scored = np.array(scores)
        ratio = np.sqrt(scored.mean(axis=0))
        one = 1.0 / np.sqrt(2.0 * count)  # standard error of one ratio near 1, normal errors
        # the extremes of n ratios lie further out than one of them
        extreme = one * np.sqrt(2.0 * np.log(scored.shape[1]))
        whole = float(np.sqrt(scored.mean()))
        inside = int((scored < NORMAL_95**2).sum())
        yield Row(
            name,
            {
                "error over u": number(whole, 3, standard_error=one, at_least=LOW, at_most=HIGH),
                "least": number(float(ratio.min()), 2, standard_error=extreme, at_least=LOW),
                "largest": number(float(ratio.max()), 2, standard_error=extreme, at_most=HIGH),
                "inside 1.96 u": share(inside, scored.size),
            },
        )
    for source in SOURCES:
        for u_mm in GAUGES_MM:
            told(f"relief, {source.name}", 1.0)
            error, stated = np.array(
                [
                    relief(neck, read(neck, chance, source.reader(u_mm, neck)))
                    for neck, chance in source.necks(seed, count, 10)
                ]
            ).T
            scored = np.square(error / stated)
            ratio = float(np.sqrt(scored.mean()))
            one = (
                float(scored.std(ddof=1) / np.sqrt(count) / (2.0 * ratio)) if count > 1 else np.inf
            )
            yield Row(
                f"relief, {source.name}, u {u_mm:.3f}",
                {
                    "error over u": number(
                        ratio, 3, standard_error=one, at_least=LOW, at_most=HIGH
                    ),
                    "inside 1.96 u": share(int((scored < NORMAL_95**2).sum()), count),
                },
            )


def relief(neck: Neck, found: Measurement) -> tuple[float, float]:
    """Return the error of the relief of the level line, and the uncertainty stated of it [mm]."""
    made = neck.specification
    smallest = made.judgement.smallest_cut_file_mm
    line = level_line(made, found, neck.lines, neck.bow, smallest)
    return line.relief_mm - neck.relief_mm, line.relief_u_mm


STUDY = Study(
    "calibration",
    "is a stated uncertainty the error that readings make?",
    """
A known neck is read over and over with errors drawn from the stated uncertainties, through the
program's own reading functions, by every route that a sheet or a scan can take. Of relief, action,
first-fret gap and clearances the error is divided by the uncertainty that the program states for
it: the root of the mean square should be 1. Over all quantities of a route together, for the
quantity where the program is most conservative, and where it is most optimistic; and how many of
the errors lie inside 1.96 u, which should be 95 %.

The last rows are of the relief of the level line on necks as they come in, with frets off, wear,
humps, ends that fall away and wavy boards: what the line leaves open of the bow is counted as well
as what the readings do.
""",
    500,
    run,
)
