"""Error over stated uncertainty, on every reading route."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from evenfall.neck import level_line
from evenfall.strings.clearance import open_gap_mm, open_gap_weights
from necks.readings import read
from readings.drawn_routes import ROUTES, WEIGHTS
from studies.sources import GAUGES_MM, SOURCES
from studies.study import Row, Study, Told, chances, number, share

if TYPE_CHECKING:
    from evenfall.arrays import FloatArray
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
            told(f"relief and gaps, {source.name}", 1.0)
            by_neck = [
                over_line(neck, read(neck, chance, source.reader(u_mm, neck)))
                for neck, chance in source.necks(seed, count, 10)
            ]
            for what, each in zip(OVER_LINE, zip(*by_neck, strict=True), strict=True):
                scored = np.concatenate(each)
                ratio = float(np.sqrt(scored.mean()))
                # the gaps of one neck err together: its mean counts as one
                of_neck = np.array([one.mean() for one in each])
                error = np.inf
                if count > 1:
                    error = float(of_neck.std(ddof=1) / np.sqrt(count) / (2.0 * ratio))
                yield Row(
                    f"{what}, {source.name}, u {u_mm:.3f}",
                    {
                        "error over u": number(
                            ratio, 3, standard_error=error, at_least=LOW, at_most=HIGH
                        ),
                        "inside 1.96 u": share(int((scored < NORMAL_95**2).sum()), scored.size),
                    },
                )


OVER_LINE = ("relief", "action", "first-fret gap")


def over_line(neck: Neck, found: Measurement) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the squared errors over u² of relief, actions and first-fret gaps by the level line.

    The truth of a gap is that over level crowns.
    """
    made = neck.specification
    smallest = made.judgement.smallest_cut_file_mm
    line = level_line(made, found, neck.lines, neck.bow, smallest)
    scored = [np.square([(line.relief_mm - neck.relief_mm) / line.relief_u_mm])]
    for fret in (made.scale.reference_fret, 1):
        error = open_gap_mm(
            neck.lines, found.nut_mm, line.level_mm, found.saddle_mm, fret
        ) - open_gap_mm(neck.lines, neck.nut_mm, neck.level_mm, neck.saddle_mm, fret)
        weights = open_gap_weights(neck.lines, fret)
        scored.append(np.square(error / line.sum_u_mm(found.heights, weights)))
    return scored[0], scored[1], scored[2]


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

The last rows are of relief, action and first-fret gap by the level line on necks as they come in,
with frets off, wear, humps, ends that fall away and wavy boards: what the line leaves open is
counted as well as what the readings do. Where groups of frets next to the nut are off together, no
reading tells a low first fret from high neighbours: each line that the crowns might have counts
with its probability.
""",
    500,
    25,
    run,
)
