"""Play map: what every stopped string does in motion, at each level of attack.

Laid out as the buzz force map. Each cell has one strip per level, the gentlest on top; a strip
shows by shade and by mark whether the note is clean, touches or rattles, and which fret is met
first.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from evenfall.pictures.cells import (
    LABEL_PX,
    CellLayout,
    column_names,
    fret_lines,
    legend_of,
    marks_of,
)
from evenfall.pictures.inks import PLAY_SHADES, QUIET, RULE
from evenfall.pictures.svg import (
    circle,
    document,
    group,
    heading,
    line,
    rect,
    shortened,
    text,
    text_width_px,
)
from evenfall.pictures.words import said
from evenfall.strings.playtest.play_test import Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator

    from evenfall.instrument import Specification
    from evenfall.strings.playtest import PlayTest

_STRIP_PX = 13.0
_LEAST_CELL_PX = 28.0
"""Room for a string's number and pitch, one under the other."""
_EDGE_PX = 1.5
_WORDS = ("clean", "touch", "rattle")


def play_map(specification: Specification, test: PlayTest, *, title: str) -> str:
    """Return the map of what every stopped string does at each level of attack, as SVG.

    The worse direction of the pluck counts. ValueError if the play test is of another instrument.
    """
    shape = (specification.string_count, specification.frets)
    if test.verdict.shape[:2] != shape:
        raise ValueError(f"the play test is not of {shape[0]} strings and {shape[1]} frets")
    summary = _summary(test)
    parts, top = heading(title, *summary)
    levels = len(test.attacks)
    high = max(_LEAST_CELL_PX, levels * _STRIP_PX + 2.0 * _EDGE_PX)
    layout = CellLayout(shape[1], shape[0], high, 0.0, top)
    parts += column_names(
        specification, layout, ["open", *(str(fret) for fret in range(1, shape[1]))]
    )
    parts += _row_names(specification, layout, test)
    for k in range(shape[0]):
        for p in range(shape[1]):
            parts.append(_cell(layout, test, k, p))
    parts += fret_lines(layout, nut_after=0)
    names = [attack.name for attack in test.attacks]
    order = f"In each cell, from the top: {', '.join(names)}. " if levels > 1 else ""
    legend, end = legend_of(
        layout.end_px,
        "What a note does, the worse of a pluck away from the board and towards it:"
        if len(test.directions) > 1
        else f"What a note does, plucked {test.directions[0].name}:",
        PLAY_SHADES,
        f"{order}Left of the cells: the attack in N. The number in a cell is the fret that is "
        f"touched first. A note rattles when one strike reaches "
        f"{100.0 * test.settings.rattle_share:g} % of the pluck's own impulse; each is followed "
        f"for {test.duration_s:g} s.",
    )
    parts += legend
    parts.append(circle(16.5, layout.end_px + 25.5, 0.9, fill=QUIET))  # in the box of "clean"
    return document(end, parts, title=title, description=f"Play map. {' '.join(summary)}")


def _strip(layout: CellLayout, test: PlayTest, level: int) -> tuple[float, float]:
    """Return top and height of a level's strip, from the top of its cell [px]."""
    count = len(test.attacks)
    high = (layout.cell_high_px - 2.0 * _EDGE_PX) / count
    return _EDGE_PX + level * high, high


def _row_names(specification: Specification, layout: CellLayout, test: PlayTest) -> Iterator[str]:
    """Yield number and pitch of each string, its attacks beside its strips, and lines between."""
    for band in layout.bands:
        for k, string in enumerate(specification.strings):
            y = layout.corner(k, band[0])[1]
            forces = [f"{attack.force_n[k]:.2f}" for attack in test.attacks]
            widest = max(text_width_px(force, 9) for force in forces)
            room = LABEL_PX - 9.0 - widest
            yield text(3, y + 13.0, str(string.number), size_px=11, bold=True)
            pitch = shortened(string.pitch, 9.5, room)
            if pitch:
                yield text(3, y + 24.5, pitch, size_px=9.5, ink=QUIET)
            for a, force in enumerate(forces):
                top, high = _strip(layout, test, a)
                base = y + top + high / 2 + 3.2
                yield text(LABEL_PX - 4.0, base, force, size_px=9, anchor="end", ink=QUIET)


def _cell(layout: CellLayout, test: PlayTest, k: int, p: int) -> str:
    x, y = layout.corner(k, p)
    wide = layout.cell_wide_px
    parts = []
    told = []
    for a, attack in enumerate(test.attacks):
        verdict = int(test.worst[k, p, a])
        shade = PLAY_SHADES[verdict]
        top, high = _strip(layout, test, a)
        middle, base = x + wide / 2, y + top + high / 2 + 3.3
        told.append(f"{attack.name} {Verdict(verdict).name.lower()}")
        if verdict == Verdict.CLEAN:
            parts.append(circle(middle, base - 3.3, 0.9, fill=QUIET))
            continue
        d = int(np.nanargmin(test.first_contact_s[k, p, a]))
        shown = str(int(test.first_contact_fret[k, p, a, d]))
        told[-1] += f", fret {shown} first"
        parts.append(rect(x, y + top, wide, high, fill=shade.fill))
        whole = 7.0 + 2.0 + text_width_px(shown, 9)
        parts += marks_of(middle - whole / 2 + 3.5, base, shade)
        parts.append(text(middle - whole / 2 + 9.0, base, shown, size_px=9, ink=shade.ink))
        if a and test.worst[k, p, a - 1] == verdict:
            parts.append(line(x, y + top, x + wide, y + top, ink=RULE, width_px=0.6))
    note = said("{note:stopped}", note=(k + 1, p)).capitalize()
    return group(parts, label=f"{note}: {'; '.join(told)}", string=k + 1, stopped_fret=p)


def _summary(test: PlayTest) -> list[str]:
    total = test.worst[:, :, 0].size
    said = []
    for a, attack in enumerate(test.attacks):
        counts = [int(np.count_nonzero(test.worst[:, :, a] == v)) for v in Verdict]
        if counts[0] == total:
            said.append(f"{attack.name}: none touches")
            continue
        told = [f"{n} {word}" for n, word in zip(counts, _WORDS, strict=True) if n]
        said.append(f"{attack.name}: {', '.join(told)}")
    return [f"Of {total} positions, {'; '.join(said)}."]
