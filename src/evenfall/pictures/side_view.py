"""Side view of one string line: crowns, the stopped string at rest and its first swing.

Heights are over the straight line from the nut slot to the saddle top after the work, the one
line that means something on every instrument; adding a straight line to all heights changes no
clearance, so both states may be drawn over the same one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.instrument import Specification, string_lines
from evenfall.pictures.axes import Axis, exaggeration_text, fret_numbers, round_exaggeration
from evenfall.pictures.chart import Chart, Drawing, mark
from evenfall.pictures.inks import INK, LIGHT, PAPER, QUIET, RISK, RISK_WASH, RULE, WASH, Theme
from evenfall.pictures.svg import (
    PAGE_WIDTH_PX,
    circle,
    group,
    line,
    path,
    rect,
    text,
    text_width_px,
)
from evenfall.pictures.words import length, said, titled
from evenfall.strings.clearance import rest_clearance_mm
from evenfall.units import LengthUnit, in_unit
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from evenfall.plan import Plan
    from evenfall.strings.excursion import ExcursionTable


_LEFT_PX = 46.0
_RIGHT_PX = PAGE_WIDTH_PX - 34.0
_SIDE_HIGH_PX = 170.0
_GAP_HIGH_PX = 108.0
_SKY_PX = 34.0
"""Room over the string for labels."""


@dataclass(frozen=True, slots=True)
class _State:
    """One string line in one state, heights [mm] over the reference line, places 0..F."""

    height: FloatArray
    saddle: float
    gap: FloatArray
    """Between first swing and crown, for frets beyond the stopped one."""

    @property
    def closest(self) -> int:
        """Return how many frets past the stopped one the string comes closest, less one."""
        return int(np.argmin(self.gap))


@dataclass(frozen=True, slots=True)
class _View:
    """What is drawn, and where."""

    station: FloatArray
    saddle_station: float
    stopped_fret: int
    attack: float
    found: _State
    planned: _State
    board: FloatArray
    x: Axis
    y: Axis
    unit: LengthUnit

    def chord(self, state: _State) -> FloatArray:
        """Return the string at rest over every place from the stopped fret on."""
        reach = self.station[self.stopped_fret :] - self.station[self.stopped_fret]
        share = reach / (self.saddle_station - self.station[self.stopped_fret])
        return np.asarray((1.0 - share) * state.height[self.stopped_fret] + share * state.saddle)

    def deepest(self, state: _State) -> FloatArray:
        """Return the lowest place the string reaches, from the stopped fret to the last one."""
        swung = state.height[self.stopped_fret + 1 :] + state.gap
        return np.concatenate([[state.height[self.stopped_fret]], swung])


def string_side_view(
    specification: Specification,
    plan: Plan,
    excursion: ExcursionTable,
    *,
    string: int,
    stopped_fret: int,
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> Drawing:
    """Return one string line from the side, as found and as planned, as SVG.

    `stopped_fret` is 0 for the open string. ValueError if there is no such note, or a height is
    missing.
    """
    if not 1 <= string <= specification.string_count:
        raise ValueError(f"there is no string {string}")
    if not 0 <= stopped_fret < specification.frets:
        raise ValueError(f"no fret is left over when a string is stopped at fret {stopped_fret}")
    view = _view(specification, plan, excursion, (string - 1, stopped_fret), unit)
    exaggeration = _exaggeration(view)
    pitch = specification.strings[string - 1].pitch
    where = f"stopped at fret {stopped_fret}" if stopped_fret else "open"
    what = f"string {string}{f' ({pitch})' if pitch else ''}, {where}"
    scales = (
        f"{exaggeration_text(exaggeration)[:-1]}, over a straight line from nut slot to saddle; "
        "crown widths are not to scale."
    )
    title = titled(specification, plan.measurement.serial, what)
    chart = Chart(title, _summary(view), scales)
    top = chart.end_px
    view = _placed(view, top + _SKY_PX, exaggeration)
    chart.add(*_neck(view, specification.fretwire.crown_width_mm))
    chart.add(*_strings(view), *_pluck(view, specification), *_closest_label(view, top))
    chart.end_px = view.y(view.y.low) + 14.0
    places = {j: view.x(float(x)) for j, x in enumerate(view.station)}
    first = (_fret(view, view.planned), stopped_fret, _fret(view, view.found))
    chart.add(*fret_numbers(places, chart.end_px, first=first), *_scale_bars(view))
    chart.end_px += 8.0
    chart.key("crown planned; as found: outline or notch", _crown_key)
    for name, ink, dash in (
        ("string at rest", INK, ""),
        (f"its first swing, plucked with {view.attack:.2f} N", RISK, ""),
        ("the same as found", QUIET, "4 3"),
    ):
        chart.ruled(name, ink=ink, dash=dash)
    _draw_gaps(chart, view)
    return chart.drawn(theme, exaggeration=f"{exaggeration:g}")


def _view(
    specification: Specification,
    plan: Plan,
    excursion: ExcursionTable,
    place: tuple[int, int],
    unit: LengthUnit,
) -> _View:
    k, i = place
    lines = string_lines(specification)
    measured = plan.measurement
    found = (measured.nut_mm, measured.crown_top_mm, measured.saddle_mm)
    planned = (plan.nut_after_mm, plan.crown_top_after_mm, plan.saddle_after_mm)
    attack = float(plan.attack_n[k])
    swing = attack * excursion.buzz_mm_per_n[k, i, i + 1 :]
    station = lines.station_mm[k]
    saddle_station = float(lines.saddle_station_mm[k])

    nut_after, saddle_after = float(planned[0][k]), float(planned[2][k])
    rise = (saddle_after - nut_after) / saddle_station
    reference = nut_after + rise * station

    def state(nut: FloatArray, top: FloatArray, saddle: FloatArray) -> _State:
        rest = rest_clearance_mm(lines, nut, top, saddle)[k, i, i + 1 :]
        height = np.concatenate([nut[k : k + 1], top[k]]) - reference
        if not bool(np.isfinite(height).all() and np.isfinite(rest).all()):
            raise ValueError(f"string {k + 1}: a height is missing")
        return _State(height, float(saddle[k]) - saddle_after, rest - swing)

    states = state(*found), state(*planned)
    board = plan.crown_top_after_mm[k] - plan.crown_height_after_mm[k] - reference[1:]
    unplaced = Axis(0.0, 1.0, 0.0, 1.0, "mm")
    return _View(
        station=station,
        saddle_station=saddle_station,
        stopped_fret=i,
        attack=attack,
        found=states[0],
        planned=states[1],
        board=board if bool(np.isfinite(board).all()) else np.empty(0),
        x=Axis(0.0, saddle_station, _LEFT_PX, _RIGHT_PX, "mm"),
        y=unplaced,
        unit=unit,
    )


def _reach(view: _View) -> tuple[float, float]:
    """Return the lowest and highest height that is drawn [mm]."""
    heights = np.concatenate(
        [
            view.board,
            *(s.height for s in (view.found, view.planned)),
            *(view.deepest(s) for s in (view.found, view.planned)),
            [view.found.saddle, view.planned.saddle, 0.0],
        ]
    )
    low = float(heights.min())
    return low - 0.08 * (float(heights.max()) - low), float(heights.max())


def _exaggeration(view: _View) -> float:
    low, high = _reach(view)
    along = (view.x.end_px - view.x.start_px) / view.saddle_station
    return round_exaggeration(_SIDE_HIGH_PX / ((high - low) * along))


def _placed(view: _View, top_px: float, exaggeration: float) -> _View:
    """Return the view with its height scale set to exactly the stated exaggeration."""
    low, high = _reach(view)
    per_mm = exaggeration * (view.x.end_px - view.x.start_px) / view.saddle_station
    y = Axis(low, high, top_px + (high - low) * per_mm, top_px, "mm")
    return replace(view, y=y)


def _fret(view: _View, state: _State) -> int:
    return view.stopped_fret + 1 + state.closest


# ---- the drawing -------------------------------------------------------------------------------


def _neck(view: _View, crown_width_mm: float) -> Iterator[str]:
    """Yield board, crowns in both states, nut and saddle."""
    x, y = view.x, view.y
    floor = y(y.low)
    places = [x(float(s)) for s in view.station]
    if len(view.board):
        ground = [y(float(b)) for b in view.board]
        last = places[-1] + 8.0
        outline = [
            (places[0] - 9.0, ground[0]),
            (places[0], ground[0]),
            *zip(places[1:], ground, strict=True),
            (last, ground[-1]),
        ]
        yield path([*outline, (last, floor), (outline[0][0], floor)], fill=WASH, closed=True)
        yield path(outline, ink=QUIET, width_px=1.2)
    else:
        ground = [floor] * (len(places) - 1)
    nut = rect(places[0] - 9.0, y(0.0), 9.0, ground[0] - y(0.0), fill=PAPER, ink=INK, width_px=1.2)
    yield group([nut], stop=0)
    yield text(places[0] - 12, y(0.0) + 4, "nut", size_px=9.5, anchor="end", ink=QUIET)
    at = x(view.saddle_station)
    yield path(
        [
            (at - 5, floor),
            (at - 5, y(0.0) + 5),
            (at, y(0.0)),
            (at + 5, y(0.0) + 5),
            (at + 5, floor),
        ],
        fill=PAPER,
        ink=INK,
        width_px=1.2,
    )
    yield line(places[0], floor, at + 5, floor, ink=RULE, width_px=0.8)
    yield text(PAGE_WIDTH_PX - 2, floor + 14, "saddle", size_px=9.5, anchor="end", ink=QUIET)
    # Crowns are a few pixels wide at true width; never wider than half the way to the next one.
    true = crown_width_mm * (x.end_px - x.start_px) / view.saddle_station
    room = 0.5 * min(b - a for a, b in pairwise(places))
    half = 0.5 * min(max(true, 4.0), room)
    for j, (place, base) in enumerate(zip(places[1:], ground, strict=True), start=1):
        was, now = y(float(view.found.height[j])), y(float(view.planned.height[j]))
        crown = rect(place - half, now, 2 * half, base - now, fill=INK, round_px=min(half, 1.5))
        if was < now:
            parts = [
                rect(place - half, was, 2 * half, base - was, fill=PAPER, ink=QUIET, width_px=0.7),
                crown,
            ]
        else:  # the neck rose by more than the cut took off
            parts = [crown]
            if was - now > 0.5:
                parts.append(line(place - half, was, place + half, was, ink=PAPER, width_px=1.2))
        yield group(parts, fret=j, stop=j)


def _strings(view: _View) -> Iterator[str]:
    """Yield the string at rest and its first swing, in both states."""
    x, y = view.x, view.y
    places = [x(float(s)) for s in view.station]
    beyond = places[view.stopped_fret :]
    end = x(view.saddle_station)
    rest, swing = (
        [(p, y(float(h))) for p, h in zip(beyond, heights, strict=True)]
        for heights in (view.chord(view.planned), view.deepest(view.planned))
    )
    yield path([*rest, *swing[::-1]], fill=RISK_WASH, closed=True)
    for state, dash, ink, width in (
        (view.found, "4 3", QUIET, 0.9),
        (view.planned, "", INK, 1.3),
    ):
        stopped = (places[view.stopped_fret], y(float(state.height[view.stopped_fret])))
        route = [(places[0], y(float(state.height[0]))), stopped, (end, y(state.saddle))]
        yield path(route if view.stopped_fret else route[1:], ink=ink, width_px=width, dash=dash)
        curve = [(p, y(float(h))) for p, h in zip(beyond, view.deepest(state), strict=True)]
        yield path(
            curve,
            ink=QUIET if dash else RISK,
            width_px=width,
            dash=dash,
            smooth=True,
        )


def _pluck(view: _View, specification: Specification) -> Iterator[str]:
    """Yield an arrow where the string is plucked."""
    free = view.saddle_station - float(view.station[view.stopped_fret])
    distance = min(specification.player.pluck_distance_mm, 0.5 * free)
    at = view.x(view.saddle_station - distance)
    share = 1.0 - distance / free
    low, high = float(view.planned.height[view.stopped_fret]), view.planned.saddle
    height = (1.0 - share) * low + share * high
    tip = view.y(height) - 3.0
    tail = view.y(view.y.high) - 15.0
    yield line(at, tail, at, tip - 4, ink=RISK, width_px=1.4)
    yield path([(at - 3.5, tip - 6), (at + 3.5, tip - 6), (at, tip)], fill=RISK, closed=True)
    shown = f"plucked, {view.attack:.2f} N"
    wide = text_width_px(shown, 9.5)
    leader = view.x(float(view.station[_fret(view, view.planned)]))
    starts = (at + 6, at - 6 - wide, leader - 6 - wide)
    left = next(
        x
        for x in starts
        if x == starts[-1] or (x + wide < PAGE_WIDTH_PX - 4 and not x - 2 < leader < x + wide + 2)
    )
    yield text(left, tail + 7, shown, size_px=9.5, ink=RISK)


def _closest_label(view: _View, top_px: float) -> Iterator[str]:
    """Yield the smallest gap as planned, with a leader to its fret."""
    fret = _fret(view, view.planned)
    gap = float(view.planned.gap[view.planned.closest])
    at = view.x(float(view.station[fret]))
    shown = f"{length(gap, view.unit)} over fret {fret}"
    yield line(at, top_px + 12, at, view.y(float(view.planned.height[fret])), ink=INK, width_px=0.7)
    wide = text_width_px(shown, 10, bold=True)
    shift, anchor = (-4, "end") if at - 4 - wide > 90.0 else (4, "start")
    yield text(at + shift, top_px + 10, shown, bold=True, anchor=anchor)


def _scale_bars(view: _View) -> Iterator[str]:
    """Yield a bar of height and a bar of length under the string, past the last fret."""
    per_unit = 25.4 if view.unit == "in" else 1.0
    per_px = (view.x.end_px - view.x.start_px) / view.saddle_station
    per_height_px = view.y(0.0) - view.y(1.0)
    high = max(
        h
        for h in (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0)
        if h == 0.001 or h * per_unit * per_height_px <= 44.0
    )
    long = max(
        n
        for n in (0.1, 0.2, 0.5, 1.0, 2.0, 4.0, 5.0, 10.0, 20.0, 50.0)
        if n == 0.1 or n * per_unit * per_px <= 48.0
    )
    wide, tall = long * per_unit * per_px, high * per_unit * per_height_px
    shown = f"{high:g} {view.unit}"
    right = view.x.end_px - 12.0 - max(0.0, 4.0 + text_width_px(shown, 9) - wide)
    foot = view.y(view.y.low) - 20.0
    left = right - wide
    yield path([(left, foot - tall), (left, foot), (right, foot)], ink=INK, width_px=1.6)
    yield text(left + 4, foot - tall / 2 + 3, shown, size_px=9)
    yield text(left + wide / 2, foot + 11, f"{long:g} {view.unit}", size_px=9, anchor="middle")


# ---- the gap panel -----------------------------------------------------------------------------


def _draw_gaps(chart: Chart, view: _View) -> None:
    """Draw the lower panel: the gap left over each fret at the first swing."""
    unit = view.unit
    planned, found = (
        [in_unit(float(g), unit) for g in state.gap] for state in (view.planned, view.found)
    )
    least = min(*planned, *found, 0.0)
    # Far frets have room to spare; the scale is for the frets where it is short.
    most = min(
        max(in_unit(0.3, unit), 4.0 * abs(min(planned)), 4.0 * abs(min(found))),
        max(*planned, *found, in_unit(0.05, unit)) * 1.05,
    )
    lowest = min(least * 1.15, -0.16 * most) if least < 0.0 else 0.0  # room for a word below zero
    panel = chart.panel(
        (view.x.low, view.x.high),
        (lowest, most),
        caption=f"Gap left over each fret at the first swing, {unit}",
        high_px=_GAP_HIGH_PX,
        left_px=view.x.start_px,
        right_px=view.x.end_px,
        ticks=0,
    )
    y, x1, upper = panel.y, view.x.end_px, panel.y.end_px
    if least < 0.0:
        panel.band(lowest, 0.0, fill=RISK_WASH, edge="")
        chart.add(text(x1 - 4, y.start_px - 4, "buzzes", size_px=9.5, anchor="end", ink=RISK))
    chart.add(line(view.x.start_px, y(0.0), x1, y(0.0), ink=INK, width_px=1.4))
    places = [view.x(float(s)) for s in view.station[view.stopped_fret + 1 :]]
    room = min((b - a for a, b in pairwise(places)), default=12.0)
    radius = min(3.0, max(1.4, 0.42 * room))
    for number, place in enumerate(places):
        parts = []
        if found[number] <= most:
            parts.append(mark("open", place, y(found[number]), ink=QUIET, size=radius))
        if planned[number] <= most:
            at = y(planned[number])
            parts.insert(0, line(place, y(0.0), place, at, ink=INK, width_px=0.9))
            parts.append(circle(place, at, radius, fill=INK))
        else:
            parts.append(line(place, y(0.0), place, upper, ink=RULE, width_px=0.9))
            tip = [(place - radius, upper + 5), (place, upper), (place + radius, upper + 5)]
            parts.append(path(tip, ink=INK))
        fret = view.stopped_fret + 1 + number
        label = (
            f"Fret {fret}: {length(float(view.planned.gap[number]), unit)} planned, "
            f"{length(float(view.found.gap[number]), unit)} as found"
        )
        chart.add(group(parts, label=label, gap_fret=fret))
    for gaps, state in ((found, view.found), (planned, view.planned)):
        place = places[state.closest]
        if gaps[state.closest] <= most:
            chart.add(mark("ring", place, y(gaps[state.closest]), size=radius + 3.0))
    chart.marked("dot", "gap planned", size=3.0)
    chart.marked("open", "as found", ink=QUIET, size=3.0)
    chart.marked("ring", "smallest", size=6.0)
    more = "more than the scale shows"
    chart.key(more, lambda x, y: path([(x + 8, y + 2), (x + 11, y - 3), (x + 14, y + 2)], ink=INK))
    chart.table(
        *("fret", f"gap planned, {unit}", f"as found, {unit}"),
        rows=zip(range(view.stopped_fret + 1, len(view.station)), planned, found, strict=True),
    )


def _crown_key(x: float, y: float) -> str:
    outline = rect(x + 8, y - 6, 6, 12, fill=PAPER, ink=QUIET, width_px=0.7)
    return outline + rect(x + 8, y - 2, 6, 8, fill=INK)


def _summary(view: _View) -> str:
    """Return in words where the string comes closest, planned and as found."""
    return said(
        "Plucked with {attack:force}, the string {planned} after the planned work; as found it "
        "{found}.",
        view.unit,
        attack=view.attack,
        planned=_nearness(view, view.planned),
        found=_nearness(view, view.found),
    )


def _nearness(view: _View, state: _State) -> Sentence:
    gap, fret = float(state.gap[state.closest]), _fret(view, state)
    if in_unit(abs(gap), view.unit) < (5e-5 if view.unit == "in" else 5e-4):
        return sentence("just reaches fret {fret}", fret=fret)
    if gap < 0.0:
        return sentence("reaches {gap:length} below the top of fret {fret}", gap=-gap, fret=fret)
    return sentence("comes closest over fret {fret}, with {gap:length} left", gap=gap, fret=fret)
