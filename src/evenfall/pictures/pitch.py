"""Pitch map: how far every stopped note stands from equal temperament, strings by frets.

A bar for each note on a line for each string: up is sharp, down is flat, full ink in one
state and an open outline in another. The board lies as in all maps: nut at the left, treble string
on top.
"""

from __future__ import annotations

import math
from functools import partial

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.instrument import Specification
from evenfall.pictures.chart import LEFT_PX, RIGHT_PX, Chart, Drawing, Panel
from evenfall.pictures.inks import INK, LIGHT, QUIET, RISK, WASH, Theme
from evenfall.pictures.svg import group, rect, shortened, text, text_width_px
from evenfall.pictures.words import said
from evenfall.strings.pitch import HEARD_CENTS
from evenfall.units import number_text
from evenfall.wording import sentence

_MOST_COLUMNS = 24
_WIDEST_CELL_PX = 56.0
_BARS_PX = 36.0
_LEAST_SPAN_CENTS = 4.0


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
    ends = min(float(drawn.min()), 0.0), max(float(drawn.max()), _LEAST_SPAN_CENTS / 2.0)
    frets = specification.frets
    columns = math.ceil(frets / math.ceil(frets / _MOST_COLUMNS))
    for first in range(1, frets + 1, columns):
        band = range(first, min(first + columns, frets + 1))
        chart.end_px += 10.0
        for k in range(shape[0]):
            panel = _row(chart, specification, k, band, columns, ends)
            for j in band:
                was = None if other is None else float(other[k, j])
                chart.add(_note(panel, (k, j), float(now[k, j]), was))
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


def _row(  # noqa: PLR0917  (one row of a map: which, and how it is laid out)
    chart: Chart,
    specification: Specification,
    k: int,
    band: range,
    columns: int,
    ends: tuple[float, float],
) -> Panel:
    """Draw the ground of one string: its name, fret numbers over the first, what is heard."""
    string, reference = specification.strings[k], specification.scale.reference_fret
    wide = min(_WIDEST_CELL_PX, (RIGHT_PX - LEFT_PX) / columns)
    panel = chart.panel(
        (band[0] - 0.5, band[-1] + 0.5),
        ends,
        high_px=_BARS_PX,
        right_px=LEFT_PX + len(band) * wide,
        ticks=0,
        levels=0,
    )
    chart.end_px = panel.y.start_px + 2.0
    if k % 2 == 0:
        upper, right = panel.y.end_px - 16.0, panel.x.end_px
        high = chart.end_px - upper
        chart.add(rect(LEFT_PX, upper, right - LEFT_PX, high, fill=WASH))
    for fret in band if k == 0 else ():
        bold = fret in (reference, 2 * reference)
        at = panel.x(fret), panel.y.end_px - 20.0
        chart.add(text(*at, str(fret), size_px=9, anchor="middle", bold=bold, ink=QUIET))
    for limit in (HEARD_CENTS, -HEARD_CENTS):
        if ends[0] <= limit <= ends[1]:
            panel.limit(limit, dash="2 3")
    panel.limit(0.0, ink=QUIET, dash="")
    number, middle = str(string.number), panel.y(0.0) + 4.0
    after = 6.0 + text_width_px(number, 11, bold=True)
    pitch = shortened(string.pitch, 9.5, LEFT_PX - after - 3.0)
    chart.add(text(3, middle, number, size_px=11, bold=True))
    chart.add(text(after, middle, pitch, size_px=9.5, ink=QUIET))
    return panel


def _note(panel: Panel, place: tuple[int, int], cents: float, beside_cents: float | None) -> str:
    """Return one note: bar, outline of what it was, figure."""
    (k, j), middle = place, panel.x(place[1])
    heard = abs(cents) > HEARD_CENTS
    ink = RISK if heard else INK
    wide = min(0.52 * (panel.x(1.0) - panel.x(0.0)), 14.0)

    def bar(value: float, across: float, fill: str = "none", ink: str = "none") -> str:
        base, end = panel.y(0.0), panel.y(value)
        upper = min(base, end)
        at = middle - across / 2, upper, across, abs(base - end)
        return rect(*at, fill=fill, ink=ink, width_px=0.9)

    parts = [bar(cents, wide, fill=ink)]
    label = f"String {k + 1}, fret {j}: {number_text(cents, 1, signed=True)} cents"
    if beside_cents is not None:
        label += f", outlined {number_text(beside_cents, 1, signed=True)}"
        if abs(panel.y(beside_cents) - panel.y(cents)) >= 0.5:
            parts.append(bar(beside_cents, wide + 4.0, ink=QUIET))
    at = middle, panel.y.end_px - 5.0
    parts.append(text(*at, _figure(cents), size_px=9, anchor="middle", bold=heard, ink=ink))
    return group(parts, label=label, string=k + 1, fret=j)


def _figure(cents: float) -> str:
    """Return a deviation for a narrow column: a tenth, or whole cents from ten on."""
    return number_text(cents, 1 if abs(cents) < 9.95 else 0)


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
