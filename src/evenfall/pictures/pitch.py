"""Pitch map: how far every stopped note stands from equal temperament, strings by frets.

A bar for each note on a line for each string: up is sharp, down is flat, full ink in one
state and an open outline in another. The board lies as in all maps: nut at the left, treble string
on top.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from evenfall.pictures.chart import Chart, Drawing
from evenfall.pictures.inks import INK, LIGHT, QUIET, RISK, WASH
from evenfall.pictures.svg import PAGE_WIDTH_PX, group, line, rect, shortened, text, text_width_px
from evenfall.pictures.words import figure, said
from evenfall.strings.pitch import HEARD_CENTS
from evenfall.wording import sentence

if TYPE_CHECKING:
    from collections.abc import Iterator

    from evenfall.arrays import FloatArray
    from evenfall.instrument import Specification
    from evenfall.pictures.inks import Theme


_LABEL_PX = 48.0
_MOST_COLUMNS = 24
_WIDEST_CELL_PX = 56.0
_HEADER_PX = 15.0
_BARS_PX = 40.0
_FIGURE_PX = 11.0
_ROW_EDGE_PX = 3.0
_LEAST_SPAN_CENTS = 4.0


@dataclass(frozen=True, slots=True)
class _Rows:
    """Where the bars of each string lie: cents to pixels, in bands of columns."""

    frets: int
    strings: int
    sharpest_cents: float
    flattest_cents: float
    top_px: float

    @property
    def per_band(self) -> int:
        return math.ceil(self.frets / math.ceil(self.frets / _MOST_COLUMNS))

    @property
    def bands(self) -> list[range]:
        step = self.per_band
        return [range(first, min(first + step, self.frets)) for first in range(0, self.frets, step)]

    @property
    def cell_px(self) -> float:
        return min(_WIDEST_CELL_PX, (PAGE_WIDTH_PX - _LABEL_PX - 6.0) / self.per_band)

    @property
    def px_per_cent(self) -> float:
        return _BARS_PX / (self.sharpest_cents - self.flattest_cents)

    @property
    def row_px(self) -> float:
        return 2.0 * _ROW_EDGE_PX + _BARS_PX + _FIGURE_PX

    @property
    def band_px(self) -> float:
        return _HEADER_PX + self.strings * self.row_px + 6.0

    @property
    def end_px(self) -> float:
        return self.top_px + len(self.bands) * self.band_px

    def base(self, k: int, column: int) -> tuple[float, float]:
        """Return the left end of a note's place on its line."""
        band, place = divmod(column, self.per_band)
        top = self.top_px + band * self.band_px + _HEADER_PX + k * self.row_px + _ROW_EDGE_PX
        return _LABEL_PX + place * self.cell_px, top + self.sharpest_cents * self.px_per_cent

    def figures(self, k: int, column: int) -> float:
        """Return the base line of a string's figures."""
        return self.base(k, column)[1] - self.flattest_cents * self.px_per_cent + _FIGURE_PX - 1.0


def pitch_map(
    specification: Specification,
    deviation_cents: FloatArray,
    *,
    title: str,
    state: str = "as found",
    beside_cents: tuple[str, FloatArray] | None = None,
    u_cents: FloatArray | None = None,
    theme: Theme = LIGHT,
) -> Drawing:
    """Return the deviation of every stopped note from equal temperament, as SVG.

    In one state, and outlined in another beside it, both by fret 0..F, shape (K, F + 1); open
    strings are not drawn. ValueError for arrays of another shape, or what is not finite.
    """
    shape = (specification.string_count, specification.frets + 1)
    now = np.asarray(deviation_cents, dtype=float)
    beside, other = ("", None) if beside_cents is None else beside_cents
    for given in (now, other, u_cents):
        if given is not None and np.shape(given) != shape:
            raise ValueError(f"deviations must have shape {shape}")
    drawn = now if other is None else np.concatenate([now, other])
    if not bool(np.isfinite(drawn).all()):
        raise ValueError("deviations must be finite")
    earlier = [] if other is None else [(beside, other)]
    states = [*earlier, (state, now)]
    chart = Chart(title, *_summary(states, u_cents))
    sharpest = max(float(drawn.max()), _LEAST_SPAN_CENTS / 2.0)
    flattest = min(float(drawn.min()), 0.0)
    rows = _Rows(shape[1] - 1, shape[0], sharpest, flattest, chart.end_px)
    chart.add(*_ground(specification, rows))
    for k in range(shape[0]):
        for j in range(rows.frets):
            was = None if other is None else float(other[k, j + 1])
            chart.add(_note(rows, (k, j), float(now[k, j + 1]), was))
    chart.end_px = rows.end_px
    heard = f"beyond the dashed line at {HEARD_CENTS:g} cents: a good player hears it"
    for name, fill, ink in (
        ("sharp is up, flat is down; cents", INK, "none"),
        (beside, "none", QUIET),
        (heard, RISK, "none"),
    ):
        chart.key(name, partial(_swatch, fill=fill, ink=ink))
    chart.legend()
    chart.note(
        "Against equal temperament on the open string as tuned; from the heights as read, the "
        "places of the frets as specified, the stretch and the stiffness of the strings."
    )
    chart.table(
        *("string", "fret", *(f"{name}, cents" for name, _ in states)),
        rows=(
            (k + 1, j, *(float(cents[k, j]) for _, cents in states))
            for k in range(shape[0])
            for j in range(shape[1])
        ),
    )
    return chart.drawn(theme)


def _swatch(x: float, y: float, *, fill: str, ink: str) -> str:
    return rect(x + 6, y - 6.5, 11, 13, fill=fill, ink=ink, width_px=0.9)


def _ground(specification: Specification, rows: _Rows) -> Iterator[str]:
    """Yield fret numbers, the line of each string, and the lines of what is heard."""
    wide = rows.cell_px
    reference = specification.scale.reference_fret
    for number, band in enumerate(rows.bands):
        base = rows.top_px + number * rows.band_px + _HEADER_PX - 4.0
        right = _LABEL_PX + len(band) * wide
        for column in band:
            fret = column + 1
            yield text(
                rows.base(0, column)[0] + wide / 2,
                base,
                str(fret),
                size_px=9.5 if wide >= 24.0 else 9.0,
                anchor="middle",
                bold=fret in (reference, 2 * reference),
                ink=QUIET,
            )
        for k, string in enumerate(specification.strings):
            y = rows.base(k, band[0])[1]
            if k % 2 == 0:
                top = y - rows.sharpest_cents * rows.px_per_cent - _ROW_EDGE_PX
                yield rect(_LABEL_PX, top, right - _LABEL_PX, rows.row_px, fill=WASH)
            for limit in (HEARD_CENTS, -HEARD_CENTS):
                if rows.flattest_cents <= limit <= rows.sharpest_cents:
                    at = y - limit * rows.px_per_cent
                    yield line(_LABEL_PX, at, right, at, ink=RISK, width_px=0.7, dash="2 3")
            yield line(_LABEL_PX, y, right, y, ink=QUIET, width_px=1.0)
            figure = str(string.number)
            middle = y + 4.0
            yield text(3, middle, figure, size_px=11, bold=True)
            after = 3 + text_width_px(figure, 11, bold=True) + 3
            pitch = shortened(string.pitch, 9.5, _LABEL_PX - after - 3)
            if pitch:
                yield text(after, middle, pitch, size_px=9.5, ink=QUIET)


def _note(rows: _Rows, place: tuple[int, int], cents: float, beside_cents: float | None) -> str:
    """Return one note: bar, outline of what it was, figure."""
    x, y = rows.base(*place)
    wide = rows.cell_px
    heard = abs(cents) > HEARD_CENTS
    bar = min(0.52 * wide, 14.0)
    parts = [_bar(x + wide / 2, y, bar, cents * rows.px_per_cent, fill=RISK if heard else INK)]
    if beside_cents is not None and abs(beside_cents - cents) * rows.px_per_cent >= 0.5:
        parts.append(
            _bar(
                x + wide / 2, y, bar + 4.0, beside_cents * rows.px_per_cent, ink=QUIET, fill="none"
            )
        )
    parts.append(
        text(
            x + wide / 2,
            rows.figures(*place),
            _figure(cents),
            size_px=9.0,
            anchor="middle",
            bold=heard,
            ink=RISK if heard else INK,
        )
    )
    k, j = place
    label = f"String {k + 1}, fret {j + 1}: {figure(cents, 1, signed=True)} cents"
    if beside_cents is not None:
        label += f", outlined {figure(beside_cents, 1, signed=True)}"
    return group(parts, label=label, string=k + 1, fret=j + 1)


def _bar(
    middle_px: float,
    base_px: float,
    across_px: float,
    up_px: float,
    *,
    fill: str,
    ink: str = "none",
) -> str:
    return rect(
        middle_px - across_px / 2,
        base_px - max(up_px, 0.0),
        across_px,
        abs(up_px),
        fill=fill,
        ink=ink,
        width_px=0.9,
    )


def _figure(cents: float) -> str:
    """Return a deviation for a narrow column: a tenth, or whole cents from ten on."""
    return figure(cents, 1 if abs(cents) < 9.95 else 0)


def _summary(states: list[tuple[str, FloatArray]], u_cents: FloatArray | None) -> list[str]:
    parts = []
    for name, cents in states:
        k, n = np.unravel_index(int(np.argmax(np.abs(cents))), cents.shape)
        parts.append(
            sentence(
                "{name}: {worst:+.1f} cents at most ({note:stopped}), {root:.1f} root mean square.",
                name=name[:1].upper() + name[1:],
                worst=float(cents[k, n]),
                note=(int(k) + 1, int(n)),
                root=float(np.sqrt((cents[:, 1:] ** 2).mean())),
            )
        )
    shown = [said("{parts:sentences}", parts=parts)]
    if u_cents is not None and float(np.max(u_cents)) > 0.0:
        shown.append(said("Standard uncertainty up to {u:cents}.", u=float(np.max(u_cents))))
    return shown
