"""Play map: what every stopped string does in motion, at each level of attack.

Laid out as the buzz force map. Each cell has one strip per level, the gentlest on top; a strip
shows by shade and by mark whether the note is clean, touches (one tooth) or rattles (two teeth),
and which fret is met first.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from evenfall.instrument import Specification
from evenfall.pictures.cells import (
    LABEL_PX,
    Cell,
    CellLayout,
    Mark,
    column_names,
    drawn_cells,
    fret_lines,
    key_shade,
)
from evenfall.pictures.chart import Chart, Drawing
from evenfall.pictures.inks import LIGHT, PLAY_SHADES, QUIET, Theme
from evenfall.pictures.svg import shortened, text, text_width_px
from evenfall.strings.playtest import PlayTest
from evenfall.strings.playtest.play_test import Verdict

_STRIP_PX = 14.0
_LEAST_CELL_PX = 28.0
"""Room for a string's number and pitch, one under the other."""
_MARKS: tuple[Mark, ...] = ("", "tooth", "teeth")
_WORDS = ("clean", "touch", "rattle")


def play_map(
    specification: Specification, test: PlayTest, *, title: str, theme: Theme = LIGHT
) -> Drawing:
    """Return the map of what every stopped string does at each level of attack, as SVG.

    The worse direction of the pluck counts. ValueError if the play test is of another instrument.
    """
    cells = play_cells(specification, test)
    strings, columns, levels = *test.verdict.shape[:2], len(test.attacks)
    chart = Chart(title, _summary(test))
    high = max(_LEAST_CELL_PX, levels * _STRIP_PX)
    layout = CellLayout(columns, strings, high, 0.0, chart.end_px, strips=levels)
    chart.add(
        *column_names(specification, layout, ["open", *map(str, range(1, columns))]),
        *_row_names(specification, layout, test),
        *drawn_cells(layout, cells, "stopped_fret"),
        *fret_lines(layout, nut_after=0),
    )
    chart.end_px = layout.end_px
    chart.note(
        "What a note does, the worse of a pluck away from the board and towards it:"
        if len(test.directions) > 1
        else f"What a note does, plucked {test.directions[0].name}:"
    )
    for shade, mark in zip(PLAY_SHADES, _MARKS, strict=True):
        key_shade(chart, shade, mark)
    chart.legend()
    names = [attack.name for attack in test.attacks]
    order = f"In each cell, from the top: {', '.join(names)}. " if levels > 1 else ""
    chart.note(
        f"{order}Left of the cells: the attack in N. The number in a cell is the fret that is "
        f"touched first.",
        f"A note rattles when one strike reaches {100.0 * test.settings.rattle_share:g} % of the "
        f"pluck's own impulse; each is followed for {test.duration_s:g} s.",
    )
    chart.table(
        *("string", "stopped fret", "attack, N", "what it does", "fret touched first"),
        rows=(
            (
                cell.string,
                cell.column,
                float(test.attacks[cell.strip].force_n[cell.string - 1]),
                cell.shade.name,
                cell.beside or None,
            )
            for cell in cells
        ),
    )
    return chart.drawn(theme)


def play_cells(specification: Specification, test: PlayTest) -> tuple[Cell, ...]:
    """Return what the map shows in each cell as data: a strip for each level of attack."""
    shape = (specification.string_count, specification.frets)
    if test.verdict.shape[:2] != shape:
        raise ValueError(f"the play test is not of {shape[0]} strings and {shape[1]} frets")
    time_s = np.where(np.isnan(test.first_contact_s), np.inf, test.first_contact_s)
    first = np.take_along_axis(
        test.first_contact_fret, time_s.argmin(axis=-1, keepdims=True), axis=-1
    )[..., 0]
    names, clean = [attack.name for attack in test.attacks], int(Verdict.CLEAN)
    cells = []
    for (k, p), notes in zip(np.ndindex(shape), test.worst.reshape(-1, len(names)), strict=True):
        note = f"String {k + 1} stopped at fret {p}" if p else f"String {k + 1} open"
        for a, verdict in enumerate(notes.tolist()):
            shade, mark = PLAY_SHADES[verdict], _MARKS[verdict]
            label, fret = f"{note}, {names[a]}: {shade.name}", ""
            if verdict != clean:
                fret = str(first[k, p, a])
                label += f", fret {fret} first"
            cells.append(Cell(k + 1, p, shade, (), label, mark, fret, strip=a))
    return tuple(cells)


def _row_names(specification: Specification, layout: CellLayout, test: PlayTest) -> Iterator[str]:
    """Yield number and pitch of each string, and its attacks beside its strips."""
    for band in layout.bands:
        for k, string in enumerate(specification.strings):
            y = layout.corner(k, band[0])[1]
            forces = [f"{attack.force_n[k]:.2f}" for attack in test.attacks]
            widest = max(text_width_px(force, 9) for force in forces)
            room = LABEL_PX - 9.0 - widest
            yield text(3, y + 13.0, str(string.number), size_px=11, bold=True)
            pitch = shortened(string.pitch, 9.5, room)
            if pitch.strip("…"):
                yield text(3, y + 24.5, pitch, size_px=9.5, ink=QUIET)
            for a, force in enumerate(forces):
                base = y + (a + 0.5) * layout.strip_high_px + 3.2
                yield text(LABEL_PX - 4.0, base, force, size_px=9, anchor="end", ink=QUIET)


def _summary(test: PlayTest) -> str:
    worst = test.worst
    total = worst[:, :, 0].size
    levels = []
    for a, attack in enumerate(test.attacks):
        counts = [int(np.count_nonzero(worst[:, :, a] == v)) for v in Verdict]
        if counts[0] == total:
            levels.append(f"{attack.name}: none touches")
            continue
        told = [f"{n} {word}" for n, word in zip(counts, _WORDS, strict=True) if n]
        levels.append(f"{attack.name}: {', '.join(told)}")
    return f"Of {total} positions, {'; '.join(levels)}."
