"""Crowns of a scan: every crown line along its fret, and one crown's section with its fit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import CodeArray, FloatArray
from evenfall.instrument import Specification, string_lines
from evenfall.instrument.geometry import board_drop_at_mm
from evenfall.measurement import Origin
from evenfall.pictures.axes import fine_figure, fine_unit, round_exaggeration
from evenfall.pictures.chart import LEFT_PX, RIGHT_PX, Chart, Drawing, Panel, mark
from evenfall.pictures.inks import BAND, INK, LIGHT, PAPER, QUIET, RISK, RULE, Theme
from evenfall.pictures.svg import PAGE_WIDTH_PX, circle, group, line, path, text
from evenfall.pictures.words import said, titled
from evenfall.units import LengthUnit, in_unit
from evenfall.wording import sentence

if TYPE_CHECKING:
    from evenfall.scans import CrownSurvey
    from evenfall.scans.crown_survey import Section


_LEFT_PX = 30.0
_GUTTER_PX = 26.0
_ROW_PX = 36.0
_ROWS = 12
"""Frets in one column."""
_MOST_PX = 15.0
"""A crown line rises or falls at most this far from its own grey line before it is cut off."""
_GAP_MM = 1.2
"""A crown line with a hole wider than this is broken there."""


# ---- crown lines -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Line:
    """One crown line over the arc of the specified radius, about its own mean [mm]."""

    fret: int
    y: FloatArray
    off: FloatArray
    string_y: FloatArray
    string_off: FloatArray
    origin: CodeArray


def crown_lines(
    specification: Specification,
    survey: CrownSurvey,
    *,
    serial: str = "",
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> Drawing:
    """Return the crown of each fret along its length, over the specified radius, as SVG."""
    lines = [_line(specification, survey, j) for j in range(specification.frets)]
    found = [row for row in lines if row is not None]
    title = titled(specification, serial, "crown lines")
    if not found:
        return Chart(title, "No crown was found.").drawn(theme)
    every = np.abs(np.concatenate([row.off for row in found]))
    widest = max(float(np.abs(row.y).max()) for row in found)
    columns = -(-specification.frets // _ROWS)
    rows = -(-specification.frets // columns)
    wide = (PAGE_WIDTH_PX - 8.0 - columns * _LEFT_PX - (columns - 1) * _GUTTER_PX) / columns
    across_px = wide / (2.0 * widest)
    size = max(float(np.quantile(every, 0.99)), 0.002)
    larger = round_exaggeration(_MOST_PX / (size * across_px))
    summary, scales = _words(found, survey, larger, unit)
    chart = Chart(title, summary, scales)
    top = chart.end_px
    for j, row in enumerate(lines):
        column, place = divmod(j, rows)
        left = column * (_LEFT_PX + wide + _GUTTER_PX) + _LEFT_PX
        middle = top + 22.0 + place * _ROW_PX
        scale = across_px, across_px * larger
        chart.add(*_row(j + 1, row, left=left, wide=wide, middle=middle, scale=scale, unit=unit))
    for column in range(columns):
        left = column * (_LEFT_PX + wide + _GUTTER_PX) + _LEFT_PX
        chart.add(text(left, top + 5, "bass side", size_px=9, ink=QUIET))
        chart.add(text(left + wide, top + 5, "treble side", size_px=9, anchor="end", ink=QUIET))
    chart.end_px = top + 6.0 + rows * _ROW_PX
    chart.marked("dot", "seen under its string", size=2.6)
    chart.marked("open", "interpolated over a shadow", size=2.6)
    chart.marked("dot", "runs out of its row; the number says how far", ink=RISK, size=2.0)
    chart.table(
        *("fret", f"runs over, {unit}"),
        rows=((row.fret, in_unit(float(np.ptp(row.off)), unit)) for row in found),
    )
    return chart.drawn(theme, exaggeration=f"{larger:g}")


def _line(specification: Specification, survey: CrownSurvey, j: int) -> _Line | None:
    """Return a crown line less the arc of the specified radius and its own mean."""
    crown = survey.crown_lines[j]
    if crown is None or not len(crown.top_mm):
        return None
    last = float(np.nanmax(survey.orientation.fret_x_mm))
    shape = crown.top_mm + board_drop_at_mm(specification, crown.x_mm / last, crown.y_mm)
    order = np.argsort(crown.y_mm)
    mean = float(np.median(shape))
    lean = survey.orientation.fret_lean_slope[j]
    x = survey.orientation.fret_x_mm[j]
    string_y = string_lines(specification).y_mm[:, j + 1]
    share = np.asarray((x + lean * string_y) / last)
    string_off = survey.crown_top_mm[:, j] + board_drop_at_mm(specification, share, string_y)
    return _Line(
        j + 1, crown.y_mm[order], shape[order] - mean, string_y, string_off - mean,
        survey.crown_top_origin[:, j],
    )  # fmt: skip


def _row(
    fret: int,
    row: _Line | None,
    *,
    left: float,
    wide: float,
    middle: float,
    scale: tuple[float, float],
    unit: LengthUnit,
) -> Iterator[str]:
    """Yield one fret's line with its crossings."""
    yield text(left - 8, middle + 3.5, str(fret), size_px=9.5, anchor="end", bold=fret % 12 == 0)
    yield line(left, middle, left + wide, middle, ink=RULE, width_px=0.6)
    if row is None:
        yield text(left + 0.5 * wide, middle - 3, "no crown found", size_px=9, anchor="middle",
                   ink=RISK)  # fmt: skip
        return

    def at(y_mm: float, off_mm: float) -> tuple[float, float]:
        rise = min(max(off_mm * scale[1], -_MOST_PX), _MOST_PX)
        return left + 0.5 * wide + y_mm * scale[0], middle - rise

    breaks = np.flatnonzero(np.diff(row.y) > _GAP_MM) + 1
    for piece in np.split(np.column_stack([row.y, row.off]), breaks):
        few = piece[:: max(1, len(piece) // 120)]
        points = [at(y, off) for y, off in few.tolist()]
        if len(points) > 1:
            yield path(points, ink=INK, width_px=1.1)
        else:
            yield circle(*points[0], 0.8, fill=INK)
    for y, off, origin in zip(row.string_y, row.string_off, row.origin, strict=True):
        if np.isfinite(off):
            kind = "dot" if origin == Origin.READ else "open"
            yield mark(kind, *at(float(y), float(off)), size=2.6)
    cut = np.flatnonzero(np.abs(row.off) * scale[1] > _MOST_PX + 0.5)
    if len(cut):
        worst = int(cut[np.argmax(np.abs(row.off[cut]))])
        x, y = at(float(row.y[worst]), float(row.off[worst]))
        up = row.off[worst] > 0.0
        anchor = "end" if x > left + 0.5 * wide else "start"
        shown = fine_figure(float(row.off[worst]), unit)
        shown += " µm" if unit == "mm" else " thou"
        shift = -6.0 if anchor == "end" else 6.0
        yield circle(x, y, 1.6, fill=RISK)
        yield text(x + shift, y + (-4 if up else 11), shown, size_px=9, anchor=anchor, ink=RISK)


def _words(
    found: list[_Line], survey: CrownSurvey, larger: float, unit: LengthUnit
) -> tuple[str, str]:
    worst = max(found, key=lambda row: float(np.ptp(row.off)))
    tilt = [
        (abs(float(np.polyfit(row.y, row.off, 1)[0]) * float(np.ptp(row.y))), row)
        for row in found
        if len(row.y) > 2
    ]
    parts = [
        sentence(
            "{crowns:count crown}; the least straight one, fret {fret}, runs over {span:length}.",
            crowns=len(found),
            fret=worst.fret,
            span=float(np.ptp(worst.off)),
        )
    ]
    if tilt:
        most, row = max(tilt, key=lambda pair: pair[0])
        text_ = "Fret {fret} is tilted most, {most:length} from end to end."
        parts.append(sentence(text_, fret=row.fret, most=most))
    u = survey.crown_top_u_mm[np.isfinite(survey.crown_top_u_mm)]
    if len(u):
        parts.append(sentence("Standard uncertainty {u:uncertainty}.", u=float(np.median(u))))
    summary = said("{parts:sentences}", unit, parts=parts)
    scales = (
        "Each line stands over the arc of the specified radius, about its own median (grey); "
        f"heights are drawn {larger:g} times larger than widths."
    )
    return summary, scales


# ---- one section -------------------------------------------------------------------------------

_TALL_PX = 210.0
_RESIDUAL_PX = 96.0


def widest_flat(survey: CrownSurvey, *, reference_fret: int) -> tuple[int, int]:
    """Return string and fret of the crown most worth showing: the widest worn flat that is seen.

    Where none is worn, one near the reference fret.
    """
    strings, frets = survey.crown_top_mm.shape
    seen = np.array([[s is not None for s in row] for row in survey.sections])
    width = np.where(seen, np.nan_to_num(survey.flat_width_mm), -1.0)
    if width.max() > 0.0:
        k, j = np.unravel_index(int(np.argmax(width)), width.shape)
        return int(k) + 1, int(j) + 1
    order = sorted(
        (abs(j + 1 - reference_fret), abs(k - strings // 2), k, j)
        for k in range(strings)
        for j in range(frets)
        if seen[k, j]
    )
    if not order:
        return strings // 2 + 1, min(reference_fret, frets)
    return order[0][2] + 1, order[0][3] + 1


OVER_SHARE = 0.3
"""So much of a section's height is drawn over its top: dirt shows, a string does not."""


def crown_section(
    specification: Specification,
    survey: CrownSurvey,
    *,
    string: int,
    fret: int,
    serial: str = "",
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> Drawing:
    """Return the section of one crown under one string, with its fit and what is left, as SVG."""
    strings, frets = survey.crown_top_mm.shape
    if not (1 <= string <= strings and 1 <= fret <= frets):
        raise ValueError(f"there is no fret {fret} under string {string}")
    title = titled(specification, serial, f"crown of fret {fret} under string {string}")
    section = survey.sections[string - 1][fret - 1]
    k, j = string - 1, fret - 1
    if section is None or not len(section.across_mm):
        why = "No points lie under the string there: a string or a hole hides the crown."
        return Chart(title, why).drawn(theme)
    left = section.height_mm - section.fitted_mm(section.across_mm)
    inside = section.taken
    summary = _section_words(survey, (k, j), section, left[inside], unit)
    reach = 1.05 * float(np.abs(section.across_mm).max())
    low = min(float(np.quantile(section.height_mm, 0.01)), -0.02)
    # a string far over the crown would leave it no room
    high = max(min(float(np.quantile(section.height_mm, 0.99)), -OVER_SHARE * low), 0.0)
    room = high - low
    along = (RIGHT_PX - LEFT_PX) / (2.0 * reach)
    larger = round_exaggeration(_TALL_PX / (1.1 * room * along))
    scales = (
        "Points near the string's line, over the fitted top; "
        + ("both ways to one scale" if larger == 1.0 else f"heights {larger:g} times larger")
        + ". Below: what the fit leaves."
    )
    chart = Chart(title, summary, scales)
    ends = -in_unit(reach, unit), in_unit(reach, unit)
    panel = chart.panel(
        ends,
        (in_unit(low - 0.05 * room, unit), in_unit(high + 0.05 * room, unit)),
        caption=f"Height, {unit}",
        high_px=1.1 * room * along * larger,
        ticks=0,
    )
    draw_section(panel, section, unit)
    _draw_residuals(
        chart, ends, section.across_mm[inside], left[inside], noise_mm=section.noise_mm, unit=unit
    )
    across, height = in_unit(1.0, unit) * section.across_mm, in_unit(1.0, unit) * section.height_mm
    used = np.where(inside, "yes", "no").tolist()
    columns = f"across, {unit}", f"height, {unit}", "part of the fit"
    chart.table(*columns, rows=zip(across, height, used, strict=True))
    return chart.drawn(theme, exaggeration=f"{larger:g}", string=string, fret=fret)


def _section_words(
    survey: CrownSurvey,
    place: tuple[int, int],
    section: Section,
    left_mm: FloatArray,
    unit: LengthUnit,
) -> str:
    radius_u = float(survey.crown_radius_u_mm[place])
    parts = []
    if section.beside_mm > 0.0:
        text_ = "Seen {away:length} beside the string, which hides what lies under it."
        parts.append(sentence(text_, away=section.beside_mm))
    parts.append(
        sentence(
            "Radius {radius:length}{known}{worn}; standard uncertainty of the top {u:uncertainty}."
            if section.mean is None
            else "The crown is {kind}: the mean section of its fret is fitted; standard "
            "uncertainty of the top {u:uncertainty}.",
            kind=section.mean.kind if section.mean is not None else "round",
            radius=section.radius_mm,
            known=sentence(" (standard uncertainty {u:uncertainty})", u=radius_u)
            if np.isfinite(radius_u)
            else "",
            worn=sentence(", worn flat {wide:length} wide", wide=section.flat_width_mm)
            if section.flat_width_mm > 0.0
            else "",
            u=float(survey.crown_top_u_mm[place]),
        )
    )
    spread = 1.4826 * float(np.median(np.abs(left_mm))) if len(left_mm) else float("nan")
    stray, near = (
        int(np.count_nonzero(some)) for some in (section.near & section.wild, section.near)
    )
    parts.append(
        sentence(
            "The points scatter by {spread} {fine} about the fit{far}.",
            spread=fine_figure(spread, unit).lstrip("+"),
            fine=fine_unit(unit),
            far=sentence("; {n} of {all} lie too far from it and took no part", n=stray, all=near)
            if stray
            else "",
        )
    )
    return said("{parts:sentences}", unit, parts=parts)


def draw_section(panel: Panel, section: Section, unit: LengthUnit) -> None:
    """Draw points and fit."""
    scale, y = in_unit(1.0, unit), panel.y
    half = 0.5 * section.flat_width_mm
    if half > 0.0:
        low, high = (scale * (section.centre_mm + side * half) for side in (-1, 1))
        panel.column(low, high, "worn flat")
        for edge in (low, high):
            panel.upright(edge, dash="3 2")
    dots = [
        circle(
            *(panel.x(scale * float(across)), place, 1.5),
            fill=QUIET if used else PAPER,
            ink=QUIET,
            width_px=0.6,
        )
        for across, height, used in zip(
            section.across_mm, section.height_mm, section.taken, strict=True
        )
        if y.end_px <= (place := y(scale * float(height))) <= y.start_px
    ]
    panel.chart.add(group(dots, label=f"{len(dots)} points"))
    span = np.linspace(-section.fitted_half_mm, section.fitted_half_mm, 121) + section.centre_mm
    fitted = scale * section.fitted_mm(span)
    lowest = max(y.low, -scale * section.fitted_deep_mm)
    shown = np.where(fitted >= lowest, fitted, np.nan)
    panel.line(scale * span, shown, "the fit", ink=RISK, width_px=1.6)


def _draw_residuals(
    chart: Chart,
    ends: tuple[float, float],
    across_mm: FloatArray,
    left_mm: FloatArray,
    *,
    noise_mm: float,
    unit: LengthUnit,
) -> None:
    """Draw what the fit leaves at the points that took part."""
    fine = 1000.0 * in_unit(1.0, unit)  # µm, or thousandths of an inch
    reach = 1.15 * fine * max(float(np.quantile(np.abs(left_mm), 0.98)), 3.0 * noise_mm, 1e-6)
    panel = chart.panel(
        ends,
        (-reach, reach),
        caption=f"Left by the fit, {fine_unit(unit)}",
        high_px=_RESIDUAL_PX,
        ticks=9,
        unit=f" {unit}",
    )
    band = 2.0 * fine * noise_mm
    panel.band(-band, band, "± 2 standard deviations of single points", edge="", fill=BAND)
    dots = [
        circle(panel.x(in_unit(float(a), unit)), panel.y(float(v)), 1.5, fill=QUIET)
        for a, v in zip(across_mm, fine * left_mm, strict=True)
        if abs(v) <= reach
    ]
    chart.add(group(dots, label=f"{len(dots)} residuals"))
    chart.legend()
    chart.note("Across the fret; the bridge lies to the right.")
