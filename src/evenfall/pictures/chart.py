"""One chart: title and sentence, panels with what is drawn on them, legend, notes, and a table.

A drawing adds to a `Chart` from top to bottom and hands on what `drawn` returns. Values are in the
units of the panel's axes; a value that is NaN leaves a gap.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby, pairwise
from typing import TYPE_CHECKING, Any, TypeAlias

from evenfall.pictures.axes import Axis
from evenfall.pictures.inks import INK, LIGHT, PAPER, QUIET, RISK, RULE, WASH, Theme
from evenfall.pictures.svg import (
    PAGE_WIDTH_PX,
    circle,
    document,
    group,
    heading,
    line,
    path,
    rect,
    text,
    text_width_px,
    wrapped,
)

if TYPE_CHECKING:
    from evenfall.arrays import FloatArray

    Series: TypeAlias = "Sequence[float] | FloatArray"
    Symbol: TypeAlias = "Callable[[float, float], str]"

LEFT_PX = 52.0
RIGHT_PX = PAGE_WIDTH_PX - 20.0
DOT_PX = 3.6
LIMIT = "5 3"
"""Dashes of a limit."""
_NOTE_PX = 9.5


class Drawing(str):
    """A picture as SVG text, with its one sentence and the numbers behind it.

    They are in the unit of the picture; None for what is not known.
    """

    __slots__ = ("columns", "rows", "sentence")
    sentence: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str | float | None, ...], ...]


def mark(kind: str, x: float, y: float, *, ink: str = INK, size: float = DOT_PX) -> str:
    """Return a mark about a place, of so many px to each side; kinds differ in shape alone."""
    ends = [(x - size, y), (x, y - size), (x + size, y), (x, y + size)]
    thin = 0.6 * size
    saltire = (
        ((x - thin, y - thin), (x + thin, y + thin)),
        ((x - thin, y + thin), (x + thin, y - thin)),
    )
    box = (x - size, y - size, 2 * size, 2 * size)
    shapes = {
        "dot": lambda: circle(x, y, size, fill=ink, ink=PAPER, width_px=1.0),
        "open": lambda: circle(x, y, size, fill=PAPER, ink=ink, width_px=1.2),
        "ring": lambda: circle(x, y, size, ink=ink, width_px=1.4),
        "square": lambda: rect(*box, fill=ink, ink=PAPER),
        "diamond": lambda: path(ends, fill=ink, ink=PAPER, closed=True),
        "cross": lambda: "".join(line(*a, *b, ink=ink, width_px=1.6) for a, b in saltire),
        "conforms": lambda: (
            mark("open", x, y, ink=ink, size=size) + circle(x, y, 0.4 * size, fill=ink)
        ),
        "undecided": lambda: (
            path(ends, fill=PAPER, ink=ink, width_px=1.4, closed=True)
            + path([ends[0], ends[1], ends[3]], fill=ink, closed=True)
        ),
        "does not conform": lambda: (
            rect(*box, fill=RISK) + mark("cross", x, y, ink=PAPER, size=size)
        ),
    }
    return shapes[kind]()


def span(*values: Series, room: float = 0.08, least: float = 0.0) -> tuple[float, float]:
    """Return lowest and highest of the values that are known, with room beyond both."""
    known = [float(v) for some in values for v in some if math.isfinite(v)] or [0.0, 1.0]
    low, high = min(known), max(known)
    more = room * max(high - low, least) or room * max(abs(high), 1.0)
    return low - more, high + more


@dataclass(frozen=True, slots=True)
class Panel:
    """One pair of axes on a chart; every method draws over what is there."""

    x: Axis  # the axes
    y: Axis
    chart: Chart  # where it is drawn, and where the legend of what has a name comes to stand
    _named: list[float] = field(default_factory=list)
    _written: list[tuple[float, float, float]] = field(default_factory=list)
    _marked: list[tuple[float, float]] = field(default_factory=list)
    _level: set[float] = field(default_factory=set)  # heights of steps

    def _places(self, xs: Series, ys: Series) -> list[tuple[float, float]]:
        return [(self.x(float(a)), self.y(float(b))) for a, b in zip(xs, ys, strict=True)]

    def band(
        self,
        low: float | Series,
        high: float | Series,
        name: str = "",
        *,
        along: Series | None = None,
        fill: str = WASH,
        edge: str = QUIET,
    ) -> None:
        """Fill the ground between two heights, or between two curves along some places."""
        if along is None:
            along = self.x.low, self.x.high
        lower, upper = (
            self._places(along, [h] * len(along) if isinstance(h, int | float) else h)
            for h in (low, high)
        )
        if len(along) == 2:
            (left, bottom), (right, top) = lower[0], upper[1]
            self.chart.add(rect(left, top, right - left, bottom - top, fill=fill))
        else:
            self.chart.add(path([*upper, *lower[::-1]], fill=fill, closed=True))
        if edge:
            self.chart.add(*(path(e, ink=edge, width_px=0.7, dash="1 2") for e in (upper, lower)))
        self.chart.filled(name, fill=fill, ink=edge or "none", width_px=0.7)

    def column(
        self, start: float, end: float, name: str = "", *, top: float = math.nan, fill: str = WASH
    ) -> None:
        """Fill the ground between two places, up to a height or to the top."""
        upper = self.y(top) if math.isfinite(top) else self.y.end_px
        left, right = self.x(start), self.x(end)
        self.chart.add(rect(left, upper, right - left, self.y.start_px - upper, fill=fill))
        self.chart.filled(name, fill=fill, ink=RULE)

    def line(
        self,
        xs: Series,
        ys: Series,
        name: str = "",
        *,
        ink: str = INK,
        width_px: float = 1.4,
        dash: str = "",
        point: str = "",
    ) -> None:
        """Draw a line from place to place, with a gap where a value is not known.

        `point` is the kind of mark that its points carry, for the legend.
        """
        for known, run in groupby(zip(xs, ys, strict=True), key=lambda p: math.isfinite(p[1])):
            if known:
                places = [(self.x(float(a)), self.y(float(b))) for a, b in run]
                self.chart.add(path(places, ink=ink, width_px=width_px, dash=dash))
        self.chart.ruled(name, ink=ink, width_px=width_px, dash=dash, point=point)

    def steps(self, edges: Series, ys: Series, name: str = "", *, ink: str = RISK) -> None:
        """Draw a dashed limit that is level between each two edges; `edges` is one longer."""
        level = [(a, b, y) for (a, b), y in zip(pairwise(edges), ys, strict=True)]
        xs = [x for a, b, _ in level for x in (a, b)]
        heights = [y for _, _, y in level for _ in range(2)]
        self._level.update(self.y(y) for y in heights if math.isfinite(y))
        self.line(xs, heights, name, ink=ink, width_px=1.2, dash=LIMIT)

    def limit(self, at: float, said: str = "", *, ink: str = RISK, dash: str = LIMIT) -> None:
        """Draw a level line with words at its right end, clear of those of other limits."""
        x, y = self.x.end_px, self.y(at)
        self.chart.add(line(self.x.start_px, y, x, y, ink=ink, width_px=1.2, dash=dash))
        if said:
            while any(abs(y - other) < 11.0 for other in self._named):
                y += 1.0
            self._named.append(y)
            if x + 4.0 + text_width_px(said, 9.0) <= PAGE_WIDTH_PX:
                self.chart.add(text(x + 4, y + 3.0, said, size_px=9, ink=ink))
            else:  # no room beside the panel: over the line
                self.chart.add(text(x, y - 4.0, said, size_px=9, anchor="end", ink=ink))

    def upright(self, at: float, said: str = "", *, ink: str = RISK, dash: str = LIMIT) -> None:
        """Draw a line from top to bottom with words over it."""
        x, half = self.x(at), text_width_px(said, 9.0) / 2.0
        middle = max(half, min(x, PAGE_WIDTH_PX - 4.0 - half))  # no word leaves the picture
        self.chart.add(
            line(x, self.y.start_px, x, self.y.end_px, ink=ink, width_px=1.2, dash=dash),
            text(middle, self.y.end_px - 3, said, size_px=9, anchor="middle", ink=ink),
        )

    def point(
        self,
        at: float,
        value: float,
        kind: str = "dot",
        *,
        ink: str = INK,
        size: float = DOT_PX,
        reach: float = 0.0,
        said: str = "",
        label: str = "",
        **data: object,
    ) -> None:
        """Draw a mark, with whiskers as far as `reach` where they stand out from it, and words."""
        x, y, ends = self.x(at), self.y(value), [self.y(value - reach), self.y(value + reach)]
        self._marked.append((x, y))
        wide = min(size, 4.0)
        parts = []
        if abs(ends[1] - ends[0]) > 2.0 * size:
            parts.append(line(x, ends[0], x, ends[1], ink=ink, width_px=1.0))
            parts += [line(x - wide, e, x + wide, e, ink=ink, width_px=1.0) for e in ends]
        parts.append(mark(kind, x, y, ink=ink, size=size))
        if said:
            parts.append(text(x + size + 3.5, y + 3.5, said, bold=ink == RISK, ink=ink))
        self.chart.add(group(parts, label=label, **data) if label or data else "".join(parts))

    def write(
        self,
        at: float,
        value: float,
        said: str,
        *,
        ink: str = INK,
        before: float = math.nan,
        after: float = math.nan,
    ) -> None:
        """Write words about a place, just over it, unless words of others stand there.

        On a curve, `before` and `after` are its values at the places beside it: the words stand
        clear of the curve.
        """
        half = text_width_px(said, 9.0) / 2.0
        below = before > value < after or (before > value and math.isnan(after))
        x, y = self.x(at), self.y(value) + (14.0 if below else -6.0)
        if not below and after < value < before:
            x += half
        elif not below and before < value < after:
            x -= half
        if self._is_free(x, y, text_width_px(said, 9.0) / 2.0):
            self._write_px(x, y, said, ink)

    def write_beyond(
        self, at: float, value: float, said: str, *, over: bool, ink: str = INK
    ) -> bool:
        """Write words over or under a mark, in its middle or to one side; say whether it was done.

        They keep clear of the axis, of other marks and the lines between them, of other words and,
        where they can, of limits. Where there is no room, they stand farther off or on the other
        side, and at last are left out. All marks are drawn before.
        """
        half, x = text_width_px(said, 9.0) / 2.0, self.x(at)
        near, far = self.x.start_px + half + 2.0, self.x.end_px - half
        beside = [one for one in (x - half - 3.0, x + half + 3.0) if near <= one <= far]
        asides = (-7.0, -18.0, 14.0) if over else (14.0, 25.0, -7.0)
        places = [
            (place, self.y(value) + aside)
            for aside in asides
            for place in (max(x, near), *beside)
            if aside == asides[0]
            or self.y.end_px + 9.0 < self.y(value) + aside < self.y.start_px - 3.0
        ]
        free = [
            (place, y)
            for place, y in places
            if self._is_free(place, y, half)
            and not any(
                abs(place - a) < half + 4.0 and abs(y - 3.0 - b) < 8.0 and a != x
                for a, b in self._marked
            )
        ]
        clear = [at for at in free if not self._is_crossed(*at, half)]
        if clear:
            level = (
                at for at in clear if not any(at[1] - 8.0 < y < at[1] + 1.0 for y in self._level)
            )
            self._write_px(*next(level, clear[0]), said, ink)
        return bool(clear)

    def _is_crossed(self, x: float, y: float, half: float) -> bool:
        """Say whether a line from mark to mark runs through words."""
        for (a, b), (c, d) in pairwise(sorted(self._marked)):
            left, right = max(a, x - half), min(c, x + half)
            if left < right:
                ends = [b + (d - b) * (at - a) / (c - a) for at in (left, right)]
                if min(ends) < y + 1.0 and max(ends) > y - 8.0:
                    return True
        return False

    def _is_free(self, x: float, y: float, half: float) -> bool:
        return not any(
            abs(x - a) < half + wide and abs(y - b) < 10.0 for a, b, wide in self._written
        )

    def _write_px(self, x: float, y: float, said: str, ink: str) -> None:
        self._written.append((x, y, text_width_px(said, 9.0) / 2.0))
        self.chart.add(text(x, y, said, size_px=9, anchor="middle", ink=ink))


class Chart:
    """A picture in the making, from top to bottom.

    Where sentence, further lines and notes stand beside the picture, they are not `written` on it
    and only describe it.
    """

    def __init__(self, title: str, sentence: str, *more: str, written: bool = True) -> None:
        self.title, self.told, self.written = title, (sentence, *more), written
        lines = [words for words in self.told if words and written]
        self._parts, self.end_px = heading(title, *lines)
        self._keys: dict[str, Symbol] = {}
        self.columns: tuple[str, ...] = ()
        self.rows: list[tuple[str | float | None, ...]] = []

    def add(self, *parts: str) -> None:
        """Add shapes over those that are there."""
        self._parts += parts

    def key(self, name: str, symbol: Symbol) -> None:
        """Take up something into the legend; `symbol` draws it 22 px wide from a left middle."""
        if name:
            self._keys.setdefault(name, symbol)

    def marked(self, kind: str, name: str, *, ink: str = INK, size: float = DOT_PX) -> None:
        """Take up a mark into the legend."""
        self.key(name, lambda x, y: mark(kind, x + 11, y, ink=ink, size=size))

    def filled(self, name: str, *, fill: str, ink: str = "none", width_px: float = 1.0) -> None:
        """Take up a ground into the legend."""
        self.key(name, lambda x, y: rect(x, y - 6, 22, 12, fill=fill, ink=ink, width_px=width_px))

    def ruled(
        self, name: str, *, ink: str, width_px: float = 1.3, dash: str = "", point: str = ""
    ) -> None:
        """Take up a line into the legend, with the kind of mark that its points carry."""

        def symbol(x: float, y: float) -> str:
            rule = line(x, y, x + 22, y, ink=ink, width_px=width_px, dash=dash)
            return rule + (mark(point, x + 11, y, ink=ink, size=2.6) if point else "")

        self.key(name, symbol)

    def panel(
        self,
        across: tuple[float, float],
        up: tuple[float, float],
        *,
        caption: str = "",
        high_px: float = 150.0,
        left_px: float = LEFT_PX,
        right_px: float = RIGHT_PX,
        beside: Panel | None = None,
        ticks: int | Mapping[float, str] = 8,
        levels: int = 5,
        unit: str = "",
    ) -> Panel:
        """Add a pair of axes under what is there, or beside another panel.

        `ticks` are how many round numbers stand along the foot, or names of places there, in one
        line or more; `levels` how many stand at its side.
        """
        top = self.end_px if beside is None else beside.y.end_px - 18.0
        start = top + 18.0
        x = Axis(*across, left_px, right_px, "")
        y = Axis(*up, start + high_px, start, "")
        self.add(text(max(left_px - LEFT_PX, 0.0) + 4.0, top + 11, caption, bold=True))
        for level, shown in y.ticks(levels) if levels else ():
            zero = abs(level) < 1e-12
            at, ink = y(level), QUIET if zero else RULE
            self.add(line(left_px, at, right_px, at, ink=ink, width_px=1.0 if zero else 0.5))
            self.add(text(left_px - 5, at + 3, shown, size_px=9, anchor="end", ink=QUIET))
        self._foot(x, y.start_px, ticks, unit)
        self.end_px = max(self.end_px, y.start_px + (22.0 if ticks else 8.0))
        return Panel(x, y, self)

    def _foot(self, x: Axis, y_px: float, ticks: int | Mapping[float, str], unit: str) -> None:
        """Draw the foot of a panel with its numbers or names."""
        places = x.ticks(ticks) if ticks and isinstance(ticks, int) else ()
        named = places or (ticks.items() if not isinstance(ticks, int) else ())
        if named:
            self.add(line(x.start_px, y_px, x.end_px, y_px, ink=INK))
        room = (x.end_px - x.start_px) / max(len(named), 1) - 6.0
        most = 0
        for at, name in named:
            rows = [f"{name}{unit}"]
            if not places:
                rows = [row for part in name.split("\n") for row in wrapped(part, 9.0, room)]
            most = max(most, len(rows))
            self.add(line(x(at), y_px, x(at), y_px + 3, ink=QUIET, width_px=0.7))
            for number, row in enumerate(rows):
                down = y_px + 13 + 11 * number
                self.add(text(x(at), down, row, size_px=9, anchor="middle", ink=QUIET))
        self.end_px = max(self.end_px, y_px + 11.0 + 11.0 * most)

    def legend(self) -> None:
        """Write the legend of everything that has a name, in as many lines as it takes."""
        x, y = 4.0, self.end_px + 10.0
        for name, symbol in self._keys.items():
            rows = wrapped(name, _NOTE_PX, PAGE_WIDTH_PX - 35.0, most=1)
            wide = 27.0 + text_width_px(rows[0], _NOTE_PX)
            if x > 4.0 and x + wide > PAGE_WIDTH_PX - 4.0:
                x, y = 4.0, y + 16.0
            self.add(symbol(x, y), text(x + 27, y + 3.5, rows[0], size_px=_NOTE_PX))
            x += wide + 16.0
        self.end_px = y + 6.0 if self._keys else self.end_px
        self._keys.clear()

    def note(self, *notes: str, always: bool = False) -> None:
        """Write lines in the second voice, each in up to two rows."""
        told = notes if self.written or always else ()
        for row in (row for note in told for row in wrapped(note, _NOTE_PX, PAGE_WIDTH_PX - 8.0)):
            self.end_px += 13.0
            self.add(text(4, self.end_px, row, size_px=_NOTE_PX, ink=QUIET))

    def table(self, *columns: str, rows: Iterable[Iterable[str | float | None]]) -> None:
        """Keep the numbers behind the chart; what is not known becomes None."""
        self.columns = columns
        self.rows = [tuple(_known(value) for value in row) for row in rows]

    def drawn(self, theme: Theme = LIGHT, **data: Any) -> Drawing:
        """Return the picture in the colours of a theme; the data become `data-` attributes."""
        self.legend()
        described = " ".join(words for words in self.told if words)
        made = Drawing(
            document(
                self.end_px + 8.0,
                self._parts,
                title=self.title,
                description=described,
                theme=theme,
                **data,
            )
        )
        made.sentence, made.columns, made.rows = self.told[0], self.columns, tuple(self.rows)
        return made


_KEPT = (str, int)  # a tuple: a union is made again at each call


def _known(value: str | float | None) -> str | float | None:
    """Return a value as a table holds it: Python's own numbers, None for what is not known."""
    if value is None or isinstance(value, _KEPT):
        return value
    return float(value) if math.isfinite(value) else None
