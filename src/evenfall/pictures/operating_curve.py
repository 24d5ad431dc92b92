"""Operating characteristic of a sampling plan: how often lots of each quality are accepted."""

from __future__ import annotations

import numpy as np

from evenfall.pictures.chart import Chart, Drawing
from evenfall.pictures.inks import INK, LIGHT, QUIET, RISK, Theme
from evenfall.pictures.words import said
from evenfall.production.sampling import Plan, VariablesPlan


def operating_curve(plan: Plan | VariablesPlan, lot_count: int, *, theme: Theme = LIGHT) -> Drawing:
    """Return acceptance and average outgoing quality over the quality of the lots, as SVG."""
    good, even, bad = (plan.quality_at(p) for p in (0.95, 0.5, 0.10))
    each = isinstance(plan, Plan) and plan.each_counts
    what = "nonconformities per 100 pieces" if each else "% nonconforming"
    worst = 1.3 * plan.quality_at(0.02)
    worst = worst if each else min(worst, 1.0)
    share = np.linspace(0.0, worst, 120)
    accepted = np.array([plan.acceptance(float(p)) for p in share])
    outgoing = np.array([plan.outgoing_share(float(p), lot_count) for p in share])
    size = plan.most_count
    chart = Chart(
        said("Sampling plan: up to {size} of {lot} pieces", size=size, lot=lot_count),
        said(
            "Lots with {good:.2f} {what} are accepted in 95 of 100 cases, with {even:.2f} in 50, "
            "with {bad:.2f} in 10."
            if each
            else "Lots with {good:.2f} % nonconforming are accepted in 95 of 100 cases, with "
            "{even:.2f} % in 50, with {bad:.2f} % in 10.",
            what=what,
            good=100.0 * good,
            even=100.0 * even,
            bad=100.0 * bad,
        ),
        said(
            "If lots that are not accepted are sorted and corrected, at most {most:.2f} {percent} "
            "go out.",
            percent=what if each else "%",
            most=100.0 * float(outgoing.max()),
        ),
    )
    across = (0.0, 100.0 * worst)
    panel = chart.panel(
        across,
        (0.0, 105.0),
        caption="Lots accepted, %",
        high_px=190.0,
        ticks=10,
        unit="" if each else " %",
    )
    panel.line(100.0 * share, 100.0 * accepted, ink=INK, width_px=1.6)
    for at, height in ((good, 95.0), (even, 50.0), (bad, 10.0)):
        panel.point(100.0 * at, height, "diamond", ink=RISK, size=4.4)
    below = chart.panel(
        across,
        (0.0, 115.0 * max(float(outgoing.max()), 1e-6)),
        caption=f"Average outgoing quality, {what}, over the quality of the lots",
        high_px=90.0,
        ticks=10,
        unit="" if each else " %",
    )
    below.line(100.0 * share, 100.0 * outgoing, ink=QUIET, width_px=1.6)
    chart.table(
        "per 100 pieces" if each else "nonconforming, %",
        "accepted, %",
        "outgoing per 100" if each else "outgoing, %",
        rows=(100.0 * np.column_stack([share, accepted, outgoing])).tolist(),
    )
    return chart.drawn(theme)
