"""What a scan says of a neck beyond crown tops: places, sections and ends of frets, the board."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.instrument import Specification, string_lines
from evenfall.measurement import Scanned
from evenfall.measurement.scanned import StringsScanned
from evenfall.scans.arcs import NORMAL_MAD
from evenfall.scans.crown_line import CAP_SHARE
from evenfall.scans.fret_comb import nominal_lines
from evenfall.scans.gather import FOOT_MM
from evenfall.scans.nut_and_saddle import UNKNOWN, Known

if TYPE_CHECKING:
    from evenfall.scans.board import Board
    from evenfall.scans.crown_kind import CrownSection
    from evenfall.scans.crown_line import CrownLine
    from evenfall.scans.faults import FretHeights
    from evenfall.scans.gather import Gathered
    from evenfall.scans.orientation import Located

LEAST_FRETS = 6
"""Fewer frets make no scale that one of them could be off."""

PLACE_U_MM = 0.002
"""Standard uncertainty of a crown's place across, beside what its scatter shows."""

RADIUS_FORM = 5.0
"""A misfit that a whole fret shares, alike over a sixth of its section, leaves by least squares so
much of itself over the square of the half width fitted as uncertainty of the curvature."""

FOOT_SHARE = 0.85
"""A fret ends where its crown is no higher than this share of it under its top."""

EDGE_SHARE = 0.55
"""What slices between the rows leave of a row's standard uncertainty in the place of an upright
side, on necks of known truth (`tests/studies/scans.py`)."""

LANE_MM, EDGE_REACH_MM = 0.15, 4.0
"""Ends of crown and board are looked for in lanes so wide; the board's this far from the fret."""

LEAST_END_U_MM = 0.005
"""No end is known better."""

PATCH_MM = 10.0
"""The board's form is fitted to, and its flatness told of, patches of this size."""

INSET_MM = 1.5
"""Board this near its edge is rounded or bound."""

WHOLE_SHARE = 0.8
"""A smaller part of the board tells neither bow nor twist from the first fret to the last."""

LEAST_SPREAD = 1e-9
"""Patches that spread less than this part of the widest direction of the form cannot tell it."""


def whole_neck(
    lines: Sequence[CrownLine | None],
    heights: Sequence[FretHeights],
    board: Board,
    *,
    located: Located,
    gathered: Gathered,
    specification: Specification,
    strings: StringsScanned | None,
) -> Scanned:
    """Return places, sections and ends of the frets, and the board's shape."""
    nominal = nominal_lines(string_lines(specification)).base_mm
    frets = len(nominal)
    over = {fret.fret: fret for fret in heights}
    place, radius, width = (np.full((frets, 2), np.nan) for _ in range(3))
    ends, edges = np.full((frets, 3), np.nan), np.full((frets, 2), np.nan)
    for j, line in enumerate(lines):
        if line is None or len(line.along_mm) < 4:
            continue
        place[j] = _place(line)
        radius[j] = _radius(line, specification.fretwire.crown_width_mm)
        width[j] = _width(line, over.get(j + 1), radius[j], specification)
        ends[j], edges[j] = _ends(j, gathered, located, specification)
    miss, miss_u, scale, scale_u = off_scale(nominal, place, specification)
    last = float(nominal[-1])
    flatness, bow, twist = _form(board, float(nominal[0]), last, specification)
    if located.edges_open:  # the scan's own end is no edge of the board, nor of a fret
        ends, edges = np.full_like(ends, np.nan), np.full_like(edges, np.nan)
    widths = _board_width(nominal, edges, ends[:, 2])
    there = (board.station_mm > 0.0) & (board.station_mm < last)
    return Scanned(
        scale_mm=scale,
        scale_u_mm=scale_u,
        numbering_open=located.numbering_open,
        fret_place_mm=miss,
        fret_place_u_mm=miss_u,
        crown_radius_mm=radius[:, 0],
        crown_radius_u_mm=radius[:, 1],
        crown_width_mm=width[:, 0],
        crown_width_u_mm=width[:, 1],
        fret_end_bass_mm=ends[:, 0],
        fret_end_treble_mm=ends[:, 1],
        fret_end_u_mm=ends[:, 2],
        board_place_mm=board.station_mm[there],
        board_radius_mm=board.radius_mm[there],
        board_radius_u_mm=board.radius_u_mm[there],
        board_flatness_mm=flatness[0],
        board_flatness_u_mm=flatness[1],
        board_bow_mm=bow[0],
        board_bow_u_mm=bow[1],
        board_twist_rad=twist[0],
        board_twist_u_rad=twist[1],
        board_width_nut_mm=widths[0],
        board_width_last_mm=widths[1],
        board_width_u_mm=widths[2],
        strings=strings,
    )


def _place(line: CrownLine) -> Known:
    """Return where a crown's top crosses the centre line, and its standard uncertainty."""
    kept = np.ones(len(line.y_mm), dtype=bool)
    spread, at = 0.0, 0.0
    for _ in range(3):
        fit = np.polynomial.Polynomial.fit(line.y_mm[kept], line.x_mm[kept], 1)
        off = line.x_mm - fit(line.y_mm)
        spread = NORMAL_MAD * float(np.median(np.abs(off[kept])))
        kept, at = np.abs(off) <= max(4.0 * spread, 1e-6), float(fit(0.0))
    edge_u = 0.0
    if line.section is not None and line.section.kind in ("flat", "blunt"):
        edge_u = line.section.top_across_u_mm
    elif line.section is not None and line.section.kind == "one-sided":
        # the place of such a top is that of its edge, which lies between two rows
        step = float(np.median(np.diff(line.section.across_mm)))
        edge_u = EDGE_SHARE * step / np.sqrt(12.0)
    return at, float(np.sqrt(spread**2 / kept.sum() + PLACE_U_MM**2 + edge_u**2))


def _radius(line: CrownLine, width_mm: float) -> Known:
    """Return the radius of a round crown, where it is not worn."""
    sound = (line.flat_width_mm == 0.0) & np.isfinite(line.radius_u_mm) & (line.radius_u_mm > 0.0)
    if line.section is not None or int(sound.sum()) < 4:
        return UNKNOWN
    # curvature, not radius: a slice that came out narrower by chance also claims to be surer
    bend, u = 1.0 / line.radius_mm[sound], line.radius_u_mm[sound] / line.radius_mm[sound] ** 2
    middle = float(np.median(bend))
    spread = NORMAL_MAD * float(np.median(np.abs(bend - middle)))
    near = np.abs(bend - middle) <= 4.0 * max(spread, 1e-9)
    weight = 1.0 / u[near] ** 2
    found = float(np.sum(weight) / np.sum(weight * bend[near]))
    own = float(max(1.0 / np.sqrt(np.sum(weight)), spread / np.sqrt(near.sum())))
    shared = RADIUS_FORM * line.form_u_mm / (CAP_SHARE * width_mm) ** 2
    return found, float(found**2 * np.hypot(own, shared))


def _width(
    line: CrownLine, over: FretHeights | None, radius: FloatArray, specification: Specification
) -> Known:
    """Return how wide a crown is where it meets the board, by its circle or its mean section."""
    if over is None:
        return UNKNOWN
    seen = np.isfinite(over.height_mm) & ~over.worn
    if int(seen.sum()) < 3:
        return UNKNOWN
    height = float(np.median(over.height_mm[seen]))
    u = float(np.median(over.u_mm[seen]))
    if line.section is not None:
        return _section_width(line.section, height, specification.fretwire.crown_width_mm)
    if not np.isfinite(radius[0]) or height <= 0.0:
        return UNKNOWN
    r = float(radius[0])
    if height >= r:
        return 2.0 * r, 2.0 * float(radius[1])
    half = float(np.sqrt(2.0 * r * height - height**2))
    parts = np.array([height * radius[1], (r - height) * u]) * 2.0 / half
    return 2.0 * half, float(np.hypot(*parts))


def _section_width(section: CrownSection, height: float, widest: float) -> Known:
    """Return the width of a mean section at its foot, each flank continued to it as it runs."""
    x, z = section.across_mm, section.height_mm
    flank = (z < -0.3 * height) & (z > -0.85 * height)
    step = float(np.median(np.diff(x)))
    ends, u = [], step
    for side in (x < section.top_across_mm, x > section.top_across_mm):
        on = side & flank
        if int(on.sum()) < 4 or float(np.ptp(z[on])) < 0.2 * height:  # an upright side
            upper = x[side & (z > -0.5 * height)]
            if not len(upper):
                return UNKNOWN
            ends.append(float(upper.min() if side[0] else upper.max()))
            continue
        straight, bent = (np.polynomial.Polynomial.fit(z[on], x[on], n) for n in (1, 2))
        miss = [float(np.std(x[on] - fit(z[on]))) for fit in (straight, bent)]
        fit = bent if miss[1] < 0.5 * miss[0] else straight
        u = max(u, min(miss))
        ends.append(float(fit(-height)))
    width = ends[1] - ends[0]
    return (width, u) if 0.0 < width < 2.0 * widest else UNKNOWN


def off_scale(
    nominal_mm: FloatArray, place_mm: FloatArray, specification: Specification
) -> tuple[FloatArray, FloatArray, float, float]:
    """Return how far each fret stands off the scale that all fit, with u, and that scale with u.

    Given are the frets' nominal places, shape (F,), and those found, each with its u, shape (F, 2).
    """
    place, own_u = place_mm.T
    known = np.isfinite(place)
    blank = np.full(len(nominal_mm), np.nan)
    if int(known.sum()) < LEAST_FRETS:
        return blank, blank, *UNKNOWN
    design = np.column_stack([np.ones_like(nominal_mm), nominal_mm])
    kept = known.copy()
    for _ in range(4):
        solved = np.linalg.lstsq(design[kept], place[kept], rcond=None)[0]
        gap = np.abs(place - design @ solved)
        kept = known & (gap <= max(0.05, 3.0 * NORMAL_MAD * float(np.median(gap[kept]))))
    inverse = np.linalg.inv(design[kept].T @ design[kept])
    scatter = float(np.sqrt(np.sum(gap[kept] ** 2) / max(1, int(kept.sum()) - 2)))
    line_u = scatter * np.sqrt(np.einsum("np,pq,nq->n", design, inverse, design))
    scale = 0.5 * (specification.scale.treble_mm + specification.scale.bass_mm)
    return (
        np.asarray(place - design @ solved),
        np.where(known, np.hypot(own_u, line_u), np.nan),
        float(scale * solved[1]),
        float(scale * scatter * np.sqrt(inverse[1, 1])),
    )


def _ends(
    j: int, gathered: Gathered, located: Located, specification: Specification
) -> tuple[FloatArray, FloatArray]:
    """Return how far a fret reaches past the board's edges with u, and where the edges are in y."""
    points, lines = gathered.crowns[j], located.orientation.fret_lines
    none = np.full(3, np.nan), np.full(2, np.nan)
    wire = specification.fretwire
    half = 0.5 * wire.crown_width_mm
    if points is None:
        return none
    top = points.over_guess_mm > -FOOT_SHARE * wire.crown_height_mm
    top &= np.abs(points.across_mm) < 0.5 * half
    sample = located.sample_mm
    near = np.flatnonzero(np.abs(sample[:, 0] - lines.base_mm[j]) < EDGE_REACH_MM + half + 30.0)
    x, y, z = sample[near].T
    lean, cosine = lines.lean_slope[j], lines.cosine[j]
    off = lines.off_mm(j, x, y)
    beside = (np.abs(off) > half + FOOT_MM) & (np.abs(off) < half + FOOT_MM + EDGE_REACH_MM)
    if int(beside.sum()) < 50:
        return none
    beside[beside] &= np.abs(z[beside] - np.median(z[beside])) < wire.crown_height_mm + 1.0
    along = (lean * (x - lines.base_mm[j]) + y) * cosine
    on = [part[top].astype(float) for part in (points.across_mm, points.along_mm)]
    crown = _outermost(on[0], on[1], LANE_MM)
    board = _outermost(off[beside], along[beside], 10.0 * LANE_MM)
    if crown is None or board is None:
        return none
    u = float(np.hypot(crown[2], board[2]))
    past = np.array([board[0] - crown[0], crown[1] - board[1], u])
    return past, np.array([board[0], board[1]]) * cosine


def _outermost(
    across: FloatArray, along: FloatArray, lane_mm: float
) -> tuple[float, float, float] | None:
    """Return the ends of points along a fret on its line, and their standard uncertainty."""
    lane = np.floor(across / lane_mm).astype(np.intp)
    found, pitch = [], []
    for number in np.unique(lane):
        inside = np.sort(along[lane == number].astype(float))
        if len(inside) < 20:
            continue
        # the one next to the last: a wild point makes no end
        found.append(((number + 0.5) * lane_mm, inside[1], inside[-2]))
        rows = len(np.unique(np.round(inside, 2)))
        pitch.append(float(np.ptp(inside)) / max(1, rows - 1))
    if len(found) < 3:
        return None
    lanes, *sides = np.array(found).T
    at, spread = [], 0.0
    for side in sides:  # a board widens along the neck
        fit = np.polynomial.Polynomial.fit(lanes, side, 1)
        at.append(float(fit(0.0)))
        spread = max(spread, NORMAL_MAD * float(np.median(np.abs(side - fit(lanes)))))
    step = float(np.median(pitch))
    # what was seen last lies half a row before the end
    return (
        at[0] - 0.5 * step,
        at[1] + 0.5 * step,
        max(spread, step / np.sqrt(12.0)) + LEAST_END_U_MM,
    )


def _board_width(
    nominal: FloatArray, edges: FloatArray, u: FloatArray
) -> tuple[float, float, float]:
    """Return the board's width at the nut and at the last fret, and its standard uncertainty."""
    width = edges[:, 1] - edges[:, 0]
    known = np.isfinite(width)
    if int(known.sum()) < LEAST_FRETS:
        return float("nan"), float("nan"), float("nan")
    for _ in range(3):
        fit = np.polynomial.Polynomial.fit(nominal[known], width[known], 1)
        off = np.abs(width - fit(nominal))
        known = np.isfinite(off) & (off <= max(0.2, 4.0 * float(np.median(off[known]))))
    return float(fit(0.0)), float(fit(nominal[-1])), float(np.nanmedian(u[known]))


def _form(
    board: Board, first: float, last: float, specification: Specification
) -> tuple[Known, Known, Known]:
    """Return flatness, bow and twist of the board between the first fret and the last."""
    wide, at_nut = specification.board.width_last_mm, specification.board.width_nut_mm
    half = 0.5 * (at_nut + (wide - at_nut) * board.x_mm / last) - INSET_MM
    inside = (board.x_mm > first) & (board.x_mm < last)
    seen = np.isfinite(board.height_mm) & (np.abs(board.y_mm)[None, :] < half[:, None])
    seen &= inside[:, None]
    if int(seen.sum()) < 200 or len(board.station_mm) < 6:
        return UNKNOWN, UNKNOWN, UNKNOWN
    column, row = np.nonzero(seen)
    x, y, z = board.x_mm[column], board.y_mm[row], board.height_mm[column, row]
    # the next term of the circle across, y⁴/8R³, is known well enough beforehand
    bend = np.interp(x, board.station_mm, 1.0 / board.radius_mm)
    z = z + 0.125 * bend**3 * y**4
    patch = (x // PATCH_MM).astype(np.intp) * 1000 + ((y + 200.0) // PATCH_MM).astype(np.intp)
    _, number, many = np.unique(patch, return_inverse=True, return_counts=True)
    t = 2.0 * (x - first) / (last - first) - 1.0
    terms = np.column_stack([np.ones_like(t), t, t**2, y, t * y, y**2, t * y**2, t**2 * y**2])
    means = np.column_stack([np.bincount(number, c) / many for c in (*terms.T, z)])
    full = many > 0.3 * PATCH_MM**2
    if int(full.sum()) < 3 * terms.shape[1]:
        return UNKNOWN, UNKNOWN, UNKNOWN
    design, height = means[full, :-1], means[full, -1]
    kept = np.ones(len(height), dtype=bool)
    for _ in range(4):
        fit, _, rank, _ = np.linalg.lstsq(design[kept], height[kept], rcond=LEAST_SPREAD)
        if rank < len(fit):  # a strip, or patches along one line: bow and twist cannot be told
            return UNKNOWN, UNKNOWN, UNKNOWN
        off = height - design @ fit
        kept = np.abs(off) <= max(1e-4, 4.0 * NORMAL_MAD * float(np.median(np.abs(off[kept]))))
    freedom = max(1, int(kept.sum()) - len(fit))
    variance = float(np.sum(off[kept] ** 2)) / freedom
    inverse = np.linalg.pinv(design[kept])
    cover = variance * inverse @ inverse.T
    patch_u = board.noise_mm / np.sqrt(float(np.median(board.point_count[seen])) * PATCH_MM**2)
    flatness = float(np.max(np.abs(off))), float(np.hypot(patch_u, np.sqrt(variance / len(off))))
    if np.ptp(x) < WHOLE_SHARE * (last - first):
        return flatness, UNKNOWN, UNKNOWN
    return (
        flatness,
        (float(fit[2]), float(np.sqrt(cover[2, 2]))),
        (2.0 * float(fit[4]), 2.0 * float(np.sqrt(cover[4, 4]))),
    )
