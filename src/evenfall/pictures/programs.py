"""What a machine program does: its path over the neck, what each pass leaves, the finished crown.

Drawn from the program as it was read back and cut virtually, never from the tool path that it was
written from.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray, runs
from evenfall.instrument import Specification
from evenfall.instrument.geometry import arc_drop_mm
from evenfall.pictures.axes import fine_unit
from evenfall.pictures.chart import LEFT_PX, RIGHT_PX, Chart, Drawing, Panel, span
from evenfall.pictures.inks import BAND, BODY, INK, LIGHT, QUIET, RISK, WASH, Theme
from evenfall.pictures.words import said, titled
from evenfall.units import LengthUnit, in_unit
from evenfall.wording import say, sentence
from evenfall.work.crown_lines import CrownLine, Workpiece
from evenfall.work.descriptions import Cutter
from evenfall.work.simulation import ALONG_MM, Patch, after_each_pass, crown_after, fret_patch

if TYPE_CHECKING:
    from evenfall.work.trace import Traced

_ROOM_MM = 12.0
_END_MM = 3.0  # of a fret, from the edge of the board inwards


def path_over_neck(
    traced: Traced,
    *,
    specification: Specification,
    piece: Workpiece,
    serial: str,
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> Drawing:
    """Return the path seen from above: where it works, and where it crosses high over the neck."""
    per = in_unit(1.0, unit)
    x, y = piece.fret_ends()
    half = 0.5 * piece.width_nut_mm
    far = [float(one.x_mm) for one in piece.parts if one.is_cut]
    low_x = min(float(x.min()), 0.0) - _ROOM_MM
    high_x = max([float(x.max()), *far]) + _ROOM_MM
    low_y, high_y = float(y.min()) - _ROOM_MM, float(y.max()) + _ROOM_MM
    working = traced.at_work(piece.top_mm)
    cut = sum(crown.is_cut for crown in piece.crowns)
    chart = Chart(
        titled(specification, serial, "path of the machine program"),
        said(
            "{lines:count line}; {runs:count run} of work on {cut:count fret}, {far:.1f} m of cut.",
            unit,
            lines=traced.line_count,
            runs=len(runs(working)),
            cut=cut,
            far=float(traced.length_mm[working].sum()) / 1000.0,
        ),
        "Seen from above, to one scale.",
    )
    panel = chart.panel(
        (low_x * per, high_x * per),
        (low_y * per, high_y * per),
        caption=f"Y over X, {unit}",
        high_px=(RIGHT_PX - LEFT_PX) * (high_y - low_y) / (high_x - low_x),
        levels=4,
    )
    outline_x = [0.0, *x[:, 0], *x[::-1, 1], 0.0, 0.0]
    outline_y = [-half, *y[:, 0], *y[::-1, 1], half, -half]
    panel.line(
        [v * per for v in outline_x], [v * per for v in outline_y], "board", ink=QUIET, width_px=0.8
    )
    for n in range(len(piece.crowns)):
        panel.line(x[n] * per, y[n] * per, "fret", ink=BODY, width_px=1.0)
    for part in piece.parts:
        edge = part.place(np.array([part.low_mm, part.high_mm]), 0.0)
        panel.line(edge[0] * per, edge[1] * per, "nut and saddle", ink=BODY, width_px=2.0)
    for first, last in runs(traced.rapid):
        places = np.concatenate([traced.start_mm[first : first + 1], traced.end_mm[first:last]])
        panel.line(
            places[:, 0] * per,
            places[:, 1] * per,
            "rapid, at the safe height",
            ink=QUIET,
            width_px=0.6,
            dash="2 3",
        )
    for first, last in runs(working):
        # a run along one fret is straight from above: its ends say all
        places = np.stack([traced.start_mm[first], traced.end_mm[last - 1]])
        panel.line(places[:, 0] * per, places[:, 1] * per, "work", ink=RISK, width_px=1.6)
    chart.table(
        *("line", f"X, {unit}", f"Y, {unit}", f"lowest Z, {unit}"),
        rows=(
            (
                int(traced.line[first]),
                float(traced.start_mm[first, 0]) * per,
                float(traced.start_mm[first, 1]) * per,
                float(traced.end_mm[first:last, 2].min()) * per,
            )
            for first, last in runs(working)
        ),
    )
    return chart.drawn(theme)


def _deepest(patches: Sequence[Patch], piece: Workpiece) -> CrownLine:
    """Return the fret that loses most."""
    there = [piece.crowns[one.fret - 1] for one in patches if one.fret]
    return max(there, key=lambda crown: float(crown.removal_mm.max()))


def what_is_left(
    traced: Traced,
    cutters: Mapping[int, Cutter],
    *,
    specification: Specification,
    piece: Workpiece,
    patches: Sequence[Patch],
    serial: str,
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> Drawing:
    """Return what stands over the plan after each pass, on the fret that loses most."""
    crown = _deepest(patches, piece)
    patch = fret_patch(piece, crown)
    scale = 1000.0 * in_unit(1.0, unit)
    planned = crown.finished(patch.at_mm)
    passes = list(after_each_pass(patch, traced, cutters))
    tops = [crown.found(patch.at_mm), *(top for _, top in passes)]
    # a bevel takes off many times what a crown loses: it would hide that
    shown_at = crown.bevel(patch.at_mm) > crown.found(patch.at_mm)
    over = [np.where(shown_at, (top - planned) * scale, math.nan) for top in tops]
    chart = Chart(
        titled(specification, serial, f"fret {crown.fret} after each pass"),
        said(
            "Up to {most:length} comes off fret {fret}; after the last pass it stands at most "
            "{left:.1f} {fine} over the plan where it is cut.",
            unit,
            most=float(crown.removal_mm.max()),
            fret=crown.fret,
            left=float(over[-1][crown.is_cut_at(patch.at_mm) & shown_at].max()),
            fine=fine_unit(unit),
        ),
        "Height over the planned crown line along the fret, from the simulated cut.",
    )
    per = in_unit(1.0, unit)
    panel = chart.panel(
        (float(patch.at_mm[0]) * per, float(patch.at_mm[-1]) * per),
        span([0.0, *(float(v) for one in over for v in one[shown_at])], least=1.0),
        caption=f"{fine_unit(unit)} over the plan",
        high_px=190.0,
        ticks={
            float(place) * per: f"string {k + 1}"
            for place, k in zip(crown.at_mm, crown.strings, strict=True)
        },
    )
    ends = [float(patch.at_mm[0]) * per, float(patch.at_mm[-1]) * per]
    panel.line(ends, [0.0, 0.0], "plan", ink=INK, width_px=1.0)
    panel.line(patch.at_mm * per, over[0], "as found", ink=QUIET, dash="4 3")
    # of many passes, the lanes of a ball end, some are enough to see how it goes
    shown = sorted({int(n) for n in np.linspace(1, len(passes), min(len(passes), 6))})
    for n in shown[:-1]:
        panel.line(patch.at_mm * per, over[n], "after earlier passes", ink=BODY, width_px=1.2)
    if shown:
        panel.line(patch.at_mm * per, over[-1], "after the last pass", ink=RISK, width_px=1.8)
    at = np.searchsorted(patch.at_mm, crown.at_mm)
    chart.table(
        *("string", "line", f"over the plan, {fine_unit(unit)}"),
        rows=(
            (k + 1, line, float((top - planned)[at[place]] * scale))
            for line, top in passes
            for place, k in enumerate(crown.strings)
        ),
    )
    return chart.drawn(theme)


def crown_section(
    patches: Sequence[Patch],
    *,
    specification: Specification,
    piece: Workpiece,
    serial: str,
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> Drawing:
    """Return the finished crown beside the planned one, across the fret that loses most."""
    crown = _deepest(patches, piece)
    patch = next(one for one in patches if one.fret == crown.fret)
    place = int(crown.removal_mm.argmax())
    n = int(np.searchsorted(patch.at_mm, crown.at_mm[place]))
    per = in_unit(1.0, unit)
    reach = 1.6 * crown.wire_half_mm
    inside = np.abs(patch.across_mm) <= reach
    s = patch.across_mm[inside]
    board = float(crown.board(crown.at_mm[place : place + 1])[0])
    found, left = (
        (height[n][inside] - board) * per for height in (patch.before_mm, patch.height_mm)
    )
    top = float(crown.planned(crown.at_mm[place : place + 1])[0]) - board
    r = crown.wire_radius_mm
    arc = np.abs(s) <= min(crown.wire_half_mm, r)
    planned = (top - arc_drop_mm(r, s)) * per
    planned = np.where(arc & (planned > 0.0), planned, math.nan)
    chart = Chart(
        titled(
            specification,
            serial,
            f"crown of fret {crown.fret} under string {crown.strings[place] + 1}",
        ),
        said(
            "The crown ends {left:length} high; {plan:length} is planned, from {found:length}.",
            unit,
            left=float(crown_after(patch)[n]) - board,
            plan=top,
            found=float(patch.before_mm[n].max()) - board,
        ),
        "Section across the fret; board at zero. The planned round is that of new wire.",
    )
    high = 1.15 * float(found.max())
    panel = chart.panel(
        (-reach * per, reach * per),
        (-0.1 * float(found.max()), high),
        caption=f"Height over the board, {unit}",
        unit=f" {unit}",
        high_px=min(330.0, (RIGHT_PX - LEFT_PX) * 1.1 * float(found.max()) / (2.0 * reach * per)),
    )
    panel.band([0.0] * len(s), left, "metal that is left", along=s * per, fill=WASH, edge="")
    panel.band(left, found, "metal that comes off", along=s * per, fill=BAND, edge="")
    _three_lines(panel, s * per, found, left, planned)
    chart.table(
        *(f"across, {unit}", f"as found, {unit}", f"after, {unit}", f"planned, {unit}"),
        rows=zip(s * per, found, left, planned, strict=True),
    )
    return chart.drawn(theme)


def nut_section(
    patches: Sequence[Patch],
    *,
    specification: Specification,
    serial: str,
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> Drawing:
    """Return the nut at its playing edge, with every slot as planned and as cut virtually."""
    slots = [(one, one.part) for one in patches if one.part is not None and one.part.part == "nut"]
    per = in_unit(1.0, unit)
    rows: list[tuple[int, float, float, float]] = []
    shapes = []
    for slot, part in slots:
        # aside of a slot counts the way that t turned a quarter goes: along Y or against it
        across = part.y_mm - part.along_x_share * slot.across_mm
        planned = part.after(slot.at_mm, slot.across_mm)[0]
        n = slot.middle
        rows.append((part.string, across[n], slot.height_mm[0, n], planned[n]))
        order = np.argsort(across)
        shapes.append(
            tuple(v[order] * per for v in (across, slot.before_mm[0], slot.height_mm[0], planned))
        )
    worst = max(abs(left - planned) for *_, left, planned in rows)
    chart = Chart(
        titled(specification, serial, "slots of the nut"),
        said(
            "{count:count slot}; each floor ends within {worst:.1f} {fine} of the plan.",
            unit,
            count=sum(part.is_cut for _, part in slots),
            worst=worst * 1000.0 * per,
            fine=fine_unit(unit),
        ),
        "Section at the playing edge, where the strings leave the nut; from the simulated cut.",
    )
    low = min(float(left.min()) for _, _, left, _ in shapes)
    high = max(float(before.max()) for _, before, _, _ in shapes)
    room = 0.15 * (high - low)
    panel = chart.panel(
        (min(float(x[0]) for x, *_ in shapes), max(float(x[-1]) for x, *_ in shapes)),
        (low - room, high + room),
        caption=f"Height over work zero, {unit}",
        high_px=190.0,
    )
    for across, before, left, planned in shapes:
        foot = [low - room] * len(across)
        panel.band(foot, left, "nut that is left", along=across, fill=WASH, edge="")
        panel.band(left, before, "what comes off", along=across, fill=BAND, edge="")
        panel.line(across, left, "after the simulated cut", ink=INK, width_px=1.4)
        panel.line(across, planned, "planned", ink=RISK, width_px=0.8)
    for string, at, _, _ in rows:
        panel.write(at * per, panel.y.low, f"string {string}", ink=QUIET)
    chart.note(f"Foot: place across from the centre line, {unit}.")
    chart.table(
        *("string", f"across, {unit}", f"floor after, {unit}", f"floor planned, {unit}"),
        rows=((k, at * per, left * per, planned * per) for k, at, left, planned in rows),
    )
    return chart.drawn(theme)


def saddle_crest(
    patches: Sequence[Patch],
    *,
    specification: Specification,
    serial: str,
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> Drawing:
    """Return the saddle's top: heights along its crest, and where the crest runs."""
    patch, part = next(
        (one, one.part) for one in patches if one.part is not None and one.part.part == "saddle"
    )
    per = in_unit(1.0, unit)
    t = patch.at_mm
    columns = [int(np.abs(patch.across_mm - s).argmin()) for s in part.along(part.aside_mm, t)]
    rows = np.arange(len(t))
    left, found = patch.height_mm[rows, columns], patch.before_mm[rows, columns]
    planned = part.along(part.planned_mm, t) + part.leant(t, part.along(part.aside_mm, t))
    at = np.searchsorted(t, part.at_mm - 1e-9)
    chart = Chart(
        titled(specification, serial, "top of the saddle"),
        said(
            "Under the strings the crest ends at most {worst:.1f} {fine} over the plan.",
            unit,
            worst=float((left - planned)[at].max()) * 1000.0 * per,
            fine=fine_unit(unit),
        ),
        "Heights along the crest from the simulated cut; below, the crest seen from above: the "
        "line of compensation.",
    )
    ends = (float(t[0]) * per, float(t[-1]) * per)
    heights = np.concatenate([left, found, planned]) * per
    panel = chart.panel(
        ends, span(heights.tolist(), least=1.0 * per), caption=f"Height, {unit}", high_px=170.0
    )
    _three_lines(panel, t * per, found * per, left * per, planned * per)
    for place, k in zip(part.at_mm, part.strings, strict=True):
        panel.write(float(place) * per, panel.y.low, f"string {k + 1}", ink=QUIET)
    half = part.half_mm * per
    above = chart.panel(ends, (-1.2 * half, 1.2 * half), caption=f"Crest, {unit}", high_px=90.0)
    for edge in (-half, half):
        above.line([*ends], [edge, edge], "edge of the saddle", ink=BODY, width_px=1.0)
    above.line(t * per, part.along(part.aside_mm, t) * per, "crest", ink=INK, width_px=1.6)
    chart.note(f"Foot: place along the saddle from the centre line, {unit}.")
    chart.table(
        *("string", f"height after, {unit}", f"planned, {unit}", f"crest aside, {unit}"),
        rows=(
            (k + 1, float(left[n]) * per, float(planned[n]) * per, float(s) * per)
            for k, n, s in zip(part.strings, at, part.aside_mm, strict=True)
        ),
    )
    return chart.drawn(theme)


def fret_ends(
    patches: Sequence[Patch],
    *,
    specification: Specification,
    piece: Workpiece,
    serial: str,
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> Drawing:
    """Return both ends of a fret with their bevels as planned and as cut virtually."""
    per = in_unit(1.0, unit)
    rows: list[tuple[int, tuple[float, float]]] = []
    for patch in patches:
        if patch.fret:
            crown = piece.crowns[patch.fret - 1]
            over = patch.height_mm[:, patch.middle] - crown.bevel(patch.at_mm)
            middle = 0.5 * (crown.low_mm + crown.high_mm)
            sides = (patch.at_mm < middle, patch.at_mm >= middle)
            low, high = (float(over[side].max()) for side in sides)
            rows.append((patch.fret, (low, high)))
    fret = max(rows, key=lambda row: max(abs(v) for v in row[1]))[0]
    worst = max(max(ends) for _, ends in rows)
    crown = piece.crowns[fret - 1]
    patch = next(one for one in patches if one.fret == fret)
    chart = Chart(
        titled(specification, serial, "bevels of the fret ends"),
        said(
            "{count:count fret}: no end stands more than {worst:.1f} {fine} over its bevel.",
            unit,
            count=len(rows),
            worst=max(worst, 0.0) * 1000.0 * per,
            fine=fine_unit(unit),
        ),
        said(
            "Both ends of fret {fret}, along the middle of its crown, to one scale; from the "
            "simulated cut.",
            unit,
            fret=fret,
        ),
    )
    t = patch.at_mm
    found, left = patch.before_mm[:, patch.middle], patch.height_mm[:, patch.middle]
    board = crown.board(t)
    planned = crown.finished(t)
    ground = float(min(board[0], board[-1]))
    high = 1.3 * float((found - board).max())
    treble_high = piece.hand > 0
    for low_end in (True, False):
        end = crown.low_mm if low_end else crown.high_mm
        inwards = 1.0 if low_end else -1.0
        near = np.abs(t - end) <= _END_MM + ALONG_MM
        x = (t[near] - end) * inwards * per
        order = np.argsort(x)
        over_ground = (v[near] - ground for v in (board, found, left, planned))
        base, was, now, plan = (v[order] * per for v in over_ground)
        x = x[order]
        side = sentence("Treble side" if low_end != treble_high else "Bass side")
        panel = chart.panel(
            (-0.5 * per, float(x[-1])),
            (-0.4 * per, high * per),
            caption=say(sentence("{side}: height over the board, {unit}", side=side, unit=unit)),
            high_px=(RIGHT_PX - LEFT_PX) * (high + 0.4) / (_END_MM + 0.5),
            levels=4,
        )
        foot = [-0.4 * per] * len(x)
        panel.band(foot, base, "board", along=x, fill=BODY, edge="")
        panel.band(base, now, "metal that is left", along=x, fill=WASH, edge="")
        panel.band(now, was, "metal that comes off", along=x, fill=BAND, edge="")
        _three_lines(panel, x, was, now, plan)
    chart.note(f"Foot: place from the edge of the board inwards, {unit}.")
    chart.table(
        *("fret", f"low end over its bevel, {unit}", f"high end over its bevel, {unit}"),
        rows=((number, *(v * per for v in ends)) for number, ends in rows),
    )
    return chart.drawn(theme)


def _three_lines(
    panel: Panel, along: FloatArray, found: FloatArray, left: FloatArray, planned: FloatArray
) -> None:
    """Draw heights as found, after the cut and as planned."""
    panel.line(along, found, "as found", ink=QUIET, dash="4 3")
    panel.line(along, left, "after the simulated cut", ink=INK, width_px=1.8)
    panel.line(along, planned, "planned", ink=RISK, width_px=1.0)
