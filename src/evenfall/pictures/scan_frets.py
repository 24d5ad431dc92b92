"""What a scan says beyond heights: places of the frets, their kinds of crown, board along neck."""

from __future__ import annotations

import numpy as np

from evenfall.instrument import Specification, string_lines
from evenfall.instrument.geometry import board_radius_mm
from evenfall.measurement import Scanned
from evenfall.pictures.chart import LEFT_PX, RIGHT_PX, Chart, Drawing, span
from evenfall.pictures.crown_views import draw_section
from evenfall.pictures.inks import BAND, INK, LIGHT, QUIET, RISK, Theme
from evenfall.pictures.words import said, titled
from evenfall.scans import CrownSurvey
from evenfall.scans.crown_survey import Section
from evenfall.scans.fret_comb import nominal_lines
from evenfall.scans.fret_findings import PLACE_MM, off_place
from evenfall.units import LengthUnit, in_unit, number_text
from evenfall.wording import sentence

_GAP_PX = 40.0
_SECTIONS_PX = 130.0


def fret_places_chart(
    specification: Specification,
    scanned: Scanned,
    *,
    serial: str = "",
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> Drawing:
    """Return how far each fret stands from its place on the scale that all fit, as SVG."""
    title = titled(specification, serial, "fret places")
    off, u = scanned.fret_place_mm, scanned.fret_place_u_mm
    known = np.flatnonzero(np.isfinite(off))
    if not len(known):
        return Chart(title, "Too few frets were found to fit a scale to.").drawn(theme)
    worst = int(known[np.argmax(np.abs(off[known]))])
    cents = scanned.cents_off
    words = said(
        "The frets fit a scale of {scale:length} (± {scale_u:uncertainty}); fret {fret} stands "
        "furthest off, {off:length} towards the {side}, and plays {cents:.1f} cents {pitch}.",
        unit,
        scale=scanned.scale_mm,
        scale_u=2.0 * scanned.scale_u_mm,
        fret=worst + 1,
        off=abs(float(off[worst])),
        side="bridge" if off[worst] > 0.0 else "nut",
        cents=abs(float(cents[worst])),
        pitch="sharp" if off[worst] > 0.0 else "flat",
    )
    chart = Chart(title, words, "Whiskers reach two standard uncertainties to each side.")
    scale = in_unit(1.0, unit)
    low, high = span(
        scale * (off[known] - 2.0 * u[known]),
        scale * (off[known] + 2.0 * u[known]),
        np.array([-1.2, 1.2]) * scale * PLACE_MM,
    )
    count = len(off)
    panel = chart.panel(
        (0.0, count + 1.0),
        (low, high),
        caption=f"Towards the bridge, {unit}",
        ticks={float(n): str(n) for n in range(1, count + 1)},
    )
    for sign in (-1.0, 1.0):
        panel.limit(sign * scale * PLACE_MM)
    reported = off_place(scanned)
    for j in known.tolist():
        panel.point(
            j + 1.0,
            scale * float(off[j]),
            ink=RISK if reported[j] else INK,
            reach=2.0 * scale * float(u[j]),
            said=f"{number_text(cents[j], 1, signed=True)} cents" if reported[j] else "",
        )
    chart.ruled("more is reported", ink=RISK, dash="4 3")
    chart.legend()
    chart.note("Fret numbers at the foot; the nut lies to the left.")
    chart.table(
        *("fret", f"off its place, {unit}", f"standard uncertainty, {unit}", "cents"),
        rows=((j + 1, scale * off[j], scale * u[j], cents[j]) for j in range(count)),
    )
    return chart.drawn(theme)


def board_along(
    specification: Specification,
    survey: CrownSurvey,
    *,
    serial: str = "",
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> Drawing:
    """Return the board along the neck, its height in the middle and its radius across, as SVG."""
    board, scanned = survey.board, survey.scanned
    title = titled(specification, serial, "board along the neck")
    nominal = nominal_lines(string_lines(specification)).base_mm
    first, last = float(nominal[0]), float(nominal[-1])
    on = (board.station_mm > 0.0) & (board.station_mm < last + 3.0)
    # of joined scans the form is that of the fullest alone, and the radius that of all
    whole = bool(np.isfinite(scanned.board_bow_mm)) and int(on.sum()) > 2
    place = scanned.board_place_mm
    if len(place) < 3:
        return Chart(title, "Too little of the board was seen.").drawn(theme)
    x, scale = board.station_mm[on] if whole else place, in_unit(1.0, unit)
    chart = Chart(
        title,
        said(
            "Between the first fret and the last the board's middle lies {bow:length} {side} its "
            "ends (± {u:uncertainty}), it turns by {twist:.2f}°, and stands off its own arch and "
            "bow by at most {off:uncertainty}."
            if whole
            else "The board was seen from {start:size} to {end:size} from the nut, but too little "
            "of it in one scan to tell bow or twist.",
            unit,
            bow=abs(scanned.board_bow_mm),
            side="under" if scanned.board_bow_mm >= 0.0 else "over",
            u=2.0 * scanned.board_bow_u_mm,
            twist=float(np.degrees(scanned.board_twist_rad)),
            off=scanned.board_flatness_mm,
            start=float(place[0]),
            end=float(place[-1]),
        ),
    )
    across = scale * min(0.0, float(x[0])), scale * (last + 4.0)
    height = np.full_like(place, np.nan)
    if whole:
        ends = np.interp([first, last], x, board.crest_mm[on])
        crest = board.crest_mm[on] - np.interp(x, [first, last], ends)
        crest -= (x < first) * (x - first) * (ends[1] - ends[0]) / (last - first)
        height = np.interp(place, x, crest, left=np.nan, right=np.nan)
        low, high = span(scale * crest, room=0.15, least=scale * 0.1)
        panel = chart.panel(
            across, (low, high), caption=f"Middle of the board over the line on its ends, {unit}",
            high_px=110.0, ticks=0,
        )  # fmt: skip
        panel.line(scale * x, scale * crest, "as scanned")
    radius, u = scanned.board_radius_mm, scanned.board_radius_u_mm
    seen = np.isfinite(radius)
    wanted = board_radius_mm(specification, place / last)
    if seen.any():
        drawn = [scale * radius[seen]]
        drawn += [scale * wanted] if np.isfinite(wanted).all() else []
        panel = chart.panel(
            across, span(*drawn, room=0.15), caption=f"Radius across, {unit}",
            high_px=110.0, unit=f" {unit}",
        )  # fmt: skip
        if int(seen.sum()) > 2:
            lower, upper = (
                np.clip(scale * (radius + s * 2.0 * u)[seen], panel.y.low, panel.y.high)
                for s in (-1.0, 1.0)
            )
            panel.band(
                lower, upper, "± 2 standard uncertainties", along=scale * place[seen], fill=BAND
            )
        panel.line(scale * place, np.where(seen, scale * radius, np.nan), "as scanned")
        if np.isfinite(wanted).all():
            panel.line(scale * place, scale * wanted, "as specified", ink=QUIET, dash="4 3")
    chart.legend()
    chart.note(
        "The nut lies to the left."
        if seen.any()
        else "The nut lies to the left. The board is flat across."
    )
    chart.table(
        *(f"from the nut, {unit}", f"height, {unit}", f"radius, {unit}"),
        rows=zip(scale * place, scale * height, scale * radius, strict=True),
    )
    return chart.drawn(theme)


def crown_kinds_chart(
    specification: Specification,
    survey: CrownSurvey,
    *,
    serial: str = "",
    unit: LengthUnit = "mm",
    theme: Theme = LIGHT,
) -> Drawing:
    """Return a section of each kind of crown that a neck has, with what was fitted, as SVG."""
    title = titled(specification, serial, "kinds of crown")
    kinds: dict[str, list[int]] = {}
    for line in survey.crown_lines:
        if line is not None:
            name = "round" if line.section is None else line.section.kind
            kinds.setdefault(name, []).append(line.fret)
    shown: list[tuple[str, list[int], int, Section]] = []
    for kind, frets in kinds.items():
        middle = len(frets) // 2
        for fret in frets[middle:] + frets[:middle]:
            rows = [row[fret - 1] for row in survey.sections]
            section = next((s for s in rows[len(rows) // 2 :] + rows if s is not None), None)
            if section is not None and len(section.across_mm):
                shown.append((kind, frets, fret, section))
                break
    if not shown:
        return Chart(title, "No crown was seen under a string.").drawn(theme)
    told = [
        sentence(
            "{all} crowns are {kind}."
            if len(kinds) == 1
            else "{frets:count crown} {frets:plural is|are} {kind}.",
            all=sentence("All"),
            frets=len(frets),
            kind=kind,
        )
        for kind, frets, _, _ in shown
    ]
    chart = Chart(
        title,
        said("{told:sentences}", unit, told=told),
        "One section of each kind, both ways to one scale: points near a string, and the fit.",
    )
    scale = in_unit(1.0, unit)
    reach = 1.05 * max(float(np.abs(s.across_mm).max()) for *_, s in shown)
    low = min(float(np.quantile(s.height_mm, 0.01)) for *_, s in shown) - 0.05
    columns = min(2, len(shown))
    wide = (RIGHT_PX - LEFT_PX - _GAP_PX * (columns - 1)) / columns
    beside = None
    for number, (kind, _, fret, section) in enumerate(shown):
        left = LEFT_PX + (number % columns) * (wide + _GAP_PX)
        high = min(_SECTIONS_PX * 2.0, wide * (0.1 - low) / (2.0 * reach))
        caption = f"{kind.capitalize()}, fret {fret}; height, {unit}"
        panel = chart.panel(
            (-scale * reach, scale * reach),
            (scale * low, scale * 0.1),
            caption=caption,
            high_px=high,
            left_px=left,
            right_px=left + wide,
            beside=beside if number % columns else None,
            ticks=5,
            levels=4,
            unit=f" {unit}",
        )
        draw_section(panel, section, unit)
        beside = panel
    chart.legend()
    chart.note("Across the fret; the bridge lies to the right.")
    scanned = survey.scanned
    chart.table(
        *("fret", "kind", f"radius, {unit}", f"width at the board, {unit}"),
        rows=(
            (n, kind, scale * scanned.crown_radius_mm[n - 1], scale * scanned.crown_width_mm[n - 1])
            for kind, frets in kinds.items()
            for n in frets
        ),
    )
    return chart.drawn(theme)
