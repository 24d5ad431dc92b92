"""The level line: every crown over the line that level crowns would lie on, and what stands out.

At each fret stand the crowns of all strings side by side, the treble at the left, so that a tilted
fret slopes. Shape says the same as colour: what stands high, what lies low, what was not read.
"""

from __future__ import annotations

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.instrument import Specification
from evenfall.measurement import Measurement
from evenfall.neck import LevelLine
from evenfall.neck.season import COVERAGE_FACTOR
from evenfall.pictures.chart import Chart, Drawing, Panel, span
from evenfall.pictures.inks import BAND, INK, LIGHT, QUIET, RISK, Theme
from evenfall.pictures.words import said, titled
from evenfall.units import LengthUnit, in_unit

_REACH = 0.36
"""How far the strings spread to both sides of their fret, in spaces between frets."""
_MARKS = {
    "high": ("diamond", RISK, "stands high"),
    "low": ("open", RISK, "lies low"),
    "level": ("dot", INK, "level"),
    "unread": ("cross", QUIET, "not read"),
}
_LEAST_SHOWN_MM = 0.03
_HIGH_PX = 210.0
_UNDER_PX = 23.0
"""How far under a low fret its number stands."""
_ASIDE = 0.5
"""How far aside, in spaces between frets, where the joint's line runs through it."""


def level_line_chart(
    specification: Specification,
    measurement: Measurement,
    line: LevelLine,
    *,
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> Drawing:
    """Return the crowns as read over their level line, fret by fret, as SVG."""
    count, frets = line.level_mm.shape
    size = in_unit(1.0, unit)
    over_mm = measurement.crown_top_mm - line.level_mm
    place = np.arange(1, frets + 1) + np.linspace(-_REACH, _REACH, count)[:, None]
    reach = COVERAGE_FACTOR * line.u_mm
    smallest = specification.judgement.smallest_cut_mm("file")
    chart = Chart(
        titled(specification, measurement.serial, "level line"),
        said("{line}", unit, line=line.said),
        "At each fret, from left to right, the crowns from string 1 to the last, over the line "
        "that level crowns would lie on.",
    )
    shown = [*over_mm.ravel(), *reach.ravel(), -_LEAST_SHOWN_MM, _LEAST_SHOWN_MM]
    if any(one.size_mm < 0.0 for one in line.standing):  # room for their numbers
        shown.append(
            np.nanmin(shown) - _UNDER_PX / _HIGH_PX * (np.nanmax(shown) - np.nanmin(shown))
        )
    panel = chart.panel(
        (0.3, frets + 0.7),
        span(size * np.array(shown)),
        caption=f"Crowns over the level line, {unit}",
        high_px=_HIGH_PX,
        ticks={float(j): str(j) for j in range(1, frets + 1)},
        levels=6,
    )
    edges = np.repeat(np.arange(0.5, frets + 1.0), 2)[1:-1]
    wide = np.repeat(np.median(reach, axis=0), 2) * size
    panel.band(-wide, wide, "one crown's uncertainty, ± 2 u", along=edges, fill=BAND, edge="")
    for side in (-size * smallest, size * smallest):
        panel.limit(side, ink=QUIET)
    chart.ruled(
        said("smallest cut by file, {cut:length}", unit, cut=smallest), ink=QUIET, dash="5 3"
    )
    panel.limit(0.0, ink=INK, dash="")
    _past_joint(specification, line, panel, size)
    _crowns(line, panel, place, size * over_mm, specification.board.joint_fret)
    chart.legend()
    chart.table(
        *("string", "fret", f"over the level line, {unit}", f"stands out, {unit}"),
        rows=(
            (k + 1, j + 1, size * float(over_mm[k, j]), size * float(line.off_mm[k, j]))
            for k in range(count)
            for j in range(frets)
        ),
    )
    return chart.drawn(theme)


def _past_joint(specification: Specification, line: LevelLine, panel: Panel, size: float) -> None:
    """Draw where the neck joins the body, and a rise past it."""
    frets, joint = line.level_mm.shape[1], specification.board.joint_fret
    if joint < frets:
        panel.upright(joint, "joint", ink=QUIET, dash="1 2")
    if line.hump_mm > 0.0:
        rise = (line.smooth_mm - line.level_mm).mean(axis=0)
        past = np.arange(np.ceil(joint), frets + 1.0)
        panel.line(past, size * rise[-past.size :], "rise past the joint", ink=RISK, dash="4 3")


def _crowns(
    line: LevelLine, panel: Panel, place: FloatArray, over: FloatArray, joint_fret: float
) -> None:
    """Draw the crowns of every fret, and the number over each that stands out."""
    count, frets = over.shape
    kinds = np.where(line.off_mm > 0.0, "high", np.where(line.off_mm < 0.0, "low", "level"))
    kinds = np.where(line.read, kinds, "unread")
    room = panel.x(place[-1, 0]) - panel.x(place[0, 0])
    dot = min(2.2, max(1.2, 0.4 * room / max(count - 1, 1)))
    for j in range(frets):
        panel.line(place[:, j], over[:, j], ink=QUIET, width_px=0.7)
        for k in np.flatnonzero(np.isfinite(over[:, j])):
            kind, ink, _ = _MARKS[kinds[k, j]]
            panel.point(
                float(place[k, j]),
                float(over[k, j]),
                kind,
                ink=ink,
                size=dot if kinds[k, j] == "level" else dot + 1.2,
                string=int(k) + 1,
                fret=j + 1,
                state=str(kinds[k, j]),
            )
    for kind in dict.fromkeys(kinds.ravel().tolist()):
        shape, ink, name = _MARKS[kind]
        panel.chart.marked(shape, name, ink=ink)
    under = _UNDER_PX * (panel.y.high - panel.y.low) / (panel.y.start_px - panel.y.end_px)
    for one in line.standing:
        of = over[np.array(one.strings) - 1, one.fret - 1]
        at = of.max() if one.size_mm > 0.0 else of.min() - under
        aside = _ASIDE if abs(one.fret - joint_fret) < _ASIDE else 0.0
        panel.write(one.fret + aside, float(at), str(one.fret), ink=RISK)
