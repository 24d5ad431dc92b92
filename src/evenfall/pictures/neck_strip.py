"""The neck strip: a whole neck in the space of a word, for lists."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import CodeArray
from evenfall.pictures.inks import INK, LIGHT, RISK, RULE, Theme
from evenfall.pictures.words import said
from evenfall.requirement import State

if TYPE_CHECKING:
    from evenfall.instrument.geometry import StringLines

WIDE_PX, HIGH_PX = 132, 26
_EDGE_PX, _TOOTH_PX = 3.0, 3.2


def neck_strip(lines: StringLines, note_state: CodeArray | None, *, theme: Theme = LIGHT) -> str:
    """Return the strip as SVG: fret places true to scale, a tooth at every note that fails.

    `note_state` is `evenfall.requirement.State` by stopped fret, shape (K, F); None where nothing
    was read yet.
    """
    station = np.asarray(lines.station_mm)
    strings, last = int(station.shape[0]), float(station[:, -1].max())

    def across(x_mm: float) -> float:
        return float(_EDGE_PX + x_mm / last * (WIDE_PX - 2 * _EDGE_PX))

    def row(k: int) -> float:
        return 4.0 + k * (HIGH_PX - 8.0) / max(strings - 1, 1)

    along = "".join(f"M{_EDGE_PX} {row(k):.1f}H{WIDE_PX - _EDGE_PX}" for k in range(strings))
    treble, bass = station[0, 1:], station[-1, 1:]
    frets = "".join(
        f"M{across(a):.1f} 2L{across(b):.1f} {HIGH_PX - 2}"
        for a, b in zip(treble, bass, strict=True)
    )
    teeth, count = "", 0
    if note_state is not None:
        for k, i in np.argwhere(np.asarray(note_state) == State.FAILS):
            x, y = 0.5 * (across(station[k, i]) + across(station[k, i + 1])), row(int(k))
            s = _TOOTH_PX
            teeth += f"M{x - s:.1f} {y + s:.1f}L{x:.1f} {y - s:.1f}L{x + s:.1f} {y + s:.1f}Z"
            count += 1
    told = "not read yet"
    if note_state is not None:
        told = said("{n:count note} {n:plural fails|fail}", n=count) if count else "clear"
    drawn = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE_PX} {HIGH_PX}" '
        f'width="{WIDE_PX}" height="{HIGH_PX}" role="img" aria-label="{told}">'
        f'<path d="{along}" fill="none" stroke="{RULE}"/>'
        f'<path d="{frets}" fill="none" stroke="{RULE}"/>'
        f'<path d="M{_EDGE_PX} 1V{HIGH_PX - 1}" fill="none" stroke="{INK}" stroke-width="2.5"/>'
        f'<path d="{teeth}" fill="{RISK}"/></svg>'
    )
    for name in (RULE, INK, RISK):
        drawn = drawn.replace(f'"{name}"', f'"{theme[name]}"')
    return drawn
