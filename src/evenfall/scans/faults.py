"""What is wrong with frets and board in a scan, each as a finding with numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, runs
from evenfall.errors import At, Finding
from evenfall.instrument import Specification, string_lines
from evenfall.measurement import Origin
from evenfall.measurement.missing import missing_places
from evenfall.scans.fret_comb import nominal_lines
from evenfall.scans.fret_findings import (
    SIGMA,
    WIRE_MM,
    board_widths,
    crown_kinds,
    fret_ends,
    fret_places,
    wire_found,
)
from evenfall.scans.gather import CELL_MM, DEEP_MM, nearest_fret
from evenfall.scans.string_findings import string_findings
from evenfall.scans.strung import string_cells
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from evenfall.scans.crown_survey import CrownSurvey
    from evenfall.scans.gather import Gathered
    from evenfall.scans.orientation import Located


LIFT_MM = 0.06
"""A fret end this much higher over the board than the fret's middle stands up; a 0.05 mm feeler
goes under it (common practice, no source)."""

END_ZONE_MM = 5.0
"""Length of a fret's end."""

GAP_RUN_MM = 4.0
"""A stretch of fret shorter than this that stands high is a nick or dirt."""

LEAST_BUMP_CELLS = 3
"""A bump smaller than this many square millimetres is dust."""

MOST_BUMPS = 12
"""More bumps than this are told in one sentence."""

WAVE_MM = 0.015
"""So much more than three times their noise points lie apart where layers or waves are in a scan;
wild points near the board make less."""

CLEAR_MM = 3.0
"""Further past the last fret only frets count: there the board ends."""

FRETS_AFTER = 6
"""Frets looked for after the last one."""

PLACE_AFTER_MM = 2.5
"""A fret after the last one stands within this of the place in step with the others."""

LEVELLED_SHARE = 0.7
"""If more than this share of the frets is flat along most of its length they were levelled and not
yet crowned."""

SHAPE_MM = 0.06
"""A hump or a rising end lower than this is told by the relief alone (common practice)."""

FINE_SAGITTA_MM = 0.002
"""Facets that cut no deeper say nothing worth a sentence."""


@dataclass(frozen=True, slots=True)
class FretHeights:
    """Height of a crown over the board along one fret, N nodes."""

    fret: int  # fret number, from 1
    along_mm: FloatArray  # places from the centre line, towards the treble [mm], shape (N,)
    # height over the board and its standard uncertainty [mm], NaN where not seen, shape (N,)
    height_mm: FloatArray
    u_mm: FloatArray
    worn: BoolArray  # whether the top is worn flat there, shape (N,)


def find_faults(
    survey: CrownSurvey,
    specification: Specification,
    located: Located,
    gathered: Gathered,
    heights: Sequence[FretHeights],
) -> tuple[Finding, ...]:
    """Return what is wrong with frets and board, and what the scan could not see."""
    strings, cells = string_cells(gathered, specification, survey.strings)
    found = [
        *_absent(survey, specification, located),
        *string_findings(strings, survey, specification),
        *_bumps(gathered, located, specification, cells),
        *_flats(survey),
    ]
    found += crown_kinds(survey)
    found += fret_places(survey.scanned)
    found += fret_ends(survey.scanned)
    found += wire_found(survey.scanned, heights, specification)
    found += board_widths(survey.scanned, specification)
    # wire that is higher than specified on the whole neck is no fret that stands up
    usual = [
        float(np.nanmedian(fret.height_mm)) for fret in heights if np.isfinite(fret.height_mm).any()
    ]
    wire_mm = max(
        [specification.fretwire.crown_height_mm, *([float(np.median(usual))] if usual else [])]
    )
    for fret in heights:
        found += _seating(fret, wire_mm)
    found += _shape(survey, specification)
    found += _waves(survey, gathered)
    found += _hidden(survey, strung=bool(strings))
    found += _facets(survey, located)
    return tuple(found)


def _facets(survey: CrownSurvey, located: Located) -> list[Finding]:
    """Return how coarse a mesh is, and which one would be fine enough."""
    if located.facets is None:
        return []
    sagitta, edge = (float(at.max()) for at in (located.facets.sagitta_mm, located.facets.edge_mm))
    rounds = [line for line in survey.crown_lines if line and line.section is None]
    if rounds and edge > 0.0:
        return [
            Finding(
                "facets",
                "The crowns of the mesh are level facets between edges: bars with broken edges, or "
                "round crowns in three facets, whose tops would stand {edge:length} higher. Which "
                "is meant cannot be seen, and the tops are uncertain by as much; export the mesh "
                "with a chord tolerance of {fine:length}, or eight facets a crown.",
                edge=edge,
                fine=FINE_SAGITTA_MM,
            )
        ]
    if sagitta < FINE_SAGITTA_MM:
        return []
    return [
        Finding(
            "facets",
            "The mesh has facets {width:length} wide across the crowns, which cut {sagitta:length} "
            "under the surface that they stand for. That was put back, to ± {u:uncertainty}; a "
            "mesh with a chord tolerance of {fine:length} would need none.",
            severity="note",
            width=float(np.median(located.facets.width_mm[located.facets.width_mm > 0.0])),
            sagitta=sagitta,
            u=2.0 * float(located.facets.u_mm.max()),
            fine=FINE_SAGITTA_MM,
        )
    ]


def _absent(survey: CrownSurvey, specification: Specification, located: Located) -> list[Finding]:
    """Return frets that are not there, apart from those that the scan does not reach."""
    nominal = nominal_lines(string_lines(specification))
    sample = located.sample_mm
    missing: list[int] = []
    outside: list[int] = []
    for j, line in enumerate(survey.crown_lines):
        if line is not None:
            continue
        off = sample[:, 0] - nominal.base_mm[j] - nominal.lean_slope[j] * sample[:, 1]
        # a scan that ends at the fret's place does not show that nothing stands there
        wire = specification.fretwire.crown_width_mm
        zones = (
            np.abs(off) < 0.5 * wire,
            (off < -wire) & (off > -3.0 * wire),
            (off > wire) & (off < 3.0 * wire),
        )
        parts = [sample[zone, 1] for zone in zones]
        least = 0.4 * specification.board.width_nut_mm
        wide = all(len(y) > 20 and np.ptp(y) > least for y in parts)
        (missing if wide else outside).append(j + 1)
    found = [
        Finding(
            "missing-fret",
            "Fret {fret} is missing: nothing stands {place:size} from the nut, where the scale has "
            "it.",
            At(frets=(fret,)),
            fret=fret,
            place=float(nominal.base_mm[fret - 1]),
        )
        for fret in missing
    ]
    if outside:
        found.append(
            Finding(
                "scan",
                "The scan does not show {frets:frets}.",
                At(frets=tuple(outside)),
                frets=tuple(outside),
            )
        )
    return found


def _bumps(
    gathered: Gathered, located: Located, specification: Specification, strung: BoolArray
) -> list[Finding]:
    """Return what stands on the board between the frets, and frets after the last one.

    `strung` says which cells belong to strings.
    """
    grid, cells = gathered.grid, gathered.cells
    shape = (grid.columns, grid.rows)
    high, low = cells.high_count.reshape(shape), cells.count.reshape(shape)
    raised = (high >= 3.0) & (high > 0.5 * (high + low)) & ~grid.off_board.reshape(shape)
    raised &= ~strung
    after = _places_after(specification, located.orientation.scale_ratio)
    across: dict[int, set[int]] = {}
    beyond: list[tuple[int, int]] = []
    found: list[Finding] = []
    last = float(np.nanmax(located.orientation.fret_x_mm))
    for patch in _patches(raised):
        if len(patch) < LEAST_BUMP_CELLS:
            continue
        columns, rows = np.array(patch).T
        total, count = cells.high_mm.reshape(shape)[columns, rows], high[columns, rows]
        weight = float(count.sum())
        x = float((grid.x_mm[columns] * count).sum() / weight)
        y = float((grid.y_mm[rows] * count).sum() / weight)
        height = float((total / count).max())
        if height > 0.9 * DEEP_MM:
            continue
        off = grid.x_mm[columns] - after[0][:, None] - after[1][:, None] * grid.y_mm[rows]
        in_step = np.abs(off).max(axis=1)
        if in_step.min() < PLACE_AFTER_MM:
            across.setdefault(int(in_step.argmin()), set()).update(rows.tolist())
            beyond.append((int(in_step.argmin()), len(found)))
        elif x > last + CLEAR_MM:
            continue  # the end of the board, and what lies beyond
        distance = nearest_fret(np.array([x]), np.array([y]), located.orientation.fret_lines)
        before = int((located.orientation.fret_x_mm < x).sum())
        long, wide = np.ptp(columns) * CELL_MM + CELL_MM, np.ptp(rows) * CELL_MM + CELL_MM
        found.append(
            Finding(
                "extra-bump",
                "Something {height:length} high, {long:size} by {wide:size}, stands on the board "
                "{x:size} from the nut, {y:size} to the {side} side of the centre line, "
                "{distance:size} from the nearest fret; it is no fret of this scale.",
                At(frets=(before, before + 1) if 0 < before < specification.frets else ()),
                height=height,
                long=float(long),
                wide=float(wide),
                x=x,
                y=abs(y),
                side="treble" if y > 0 else "bass",
                distance=float(distance[0]),
            )
        )
    least = 0.4 * specification.board.width_nut_mm / CELL_MM
    past = [np.abs(grid.x_mm - x - 4.0) < 2.0 for x in after[0]]  # a fret has board on both sides
    frets = sorted(
        n
        for n, rows in across.items()
        if len(rows) > least and (low[past[n]] >= 3.0).any(axis=0).sum() > least
    )
    found = [f for i, f in enumerate(found) if i not in {k for _, k in beyond}]
    if len(found) > MOST_BUMPS:
        found = [_uneven(found)]
    if frets:
        found.append(_after_last([specification.frets + 1 + n for n in frets], after[0][frets]))
    return found


def _uneven(bumps: Sequence[Finding]) -> Finding:
    """Return one finding for bumps all over the board."""
    heights = [float(f.said.values["height"]) for f in bumps]  # type: ignore[arg-type]
    return Finding(
        "scan",
        "The board is uneven all over: {count} places stand {low:figure} to {high:length} over the "
        "board around them. That is a scanner that shakes or several layers of points rather than "
        "dirt, and the crowns are no better; check the scanner and scan again.",
        count=len(bumps),
        low=min(heights),
        high=max(heights),
    )


def _waves(survey: CrownSurvey, gathered: Gathered) -> list[Finding]:
    """Return that points waver within a millimetre by more than they scatter: no board does."""
    scatter, noise = gathered.cells.scatter_mm, survey.noise_mm
    if survey.facet_mm > 0.0 or scatter < WAVE_MM + 3.0 * noise:
        return []
    return [
        Finding(
            "scan",
            "Within a square millimetre of the board the points lie {scatter:uncertainty} apart "
            "(standard deviation), but about the crowns only {noise:uncertainty}: a fine wave of "
            "the scanner, or layers of points that do not lie on each other. Crowns may be off by "
            "as much, and their uncertainty does not hold it; check the scanner and scan again.",
            scatter=scatter,
            noise=noise,
        )
    ]


def _places_after(specification: Specification, scale_ratio: float) -> FloatArray:
    """Return place and lean of the frets that would follow the last one, shape (2, 6)."""
    nominal = nominal_lines(string_lines(specification))
    # fret places are a geometric series, and so are the steps between them
    steps = 2.0 ** (-np.arange(1, FRETS_AFTER + 1) / 12.0)
    last = np.stack([nominal.base_mm * scale_ratio, nominal.lean_slope])[:, -2:]
    return np.asarray(last[:, 1:] + (last[:, 1:] - last[:, :1]) * np.cumsum(steps))


def _after_last(numbers: Sequence[int], place_mm: FloatArray) -> Finding:
    """Return the finding for frets in step after the last one specified."""
    return Finding(
        "extra-bump",
        "{frets:count fret} {frets:plural stands|stand} after the last one specified, {places} "
        "from the nut, where {frets:frets} of this scale would be: the specification has too few "
        "frets, or it is of a longer scale and every fret is numbered too low; take the "
        "specification of this neck.",
        At(frets=tuple(numbers)),
        frets=tuple(numbers),
        places=tuple(sentence("{x:size}", x=x) for x in place_mm.tolist()),
    )


def _patches(raised: BoolArray) -> list[list[tuple[int, int]]]:
    """Return the connected patches of cells."""
    left = {(int(a), int(b)) for a, b in np.argwhere(raised)}
    patches = []
    while left:
        front = [left.pop()]
        patch = list(front)
        while front:
            a, b = front.pop()
            around = [(a + i, b + j) for i in (-1, 0, 1) for j in (-1, 0, 1)]
            new = [cell for cell in around if cell in left]
            left.difference_update(new)
            front += new
            patch += new
        patches.append(sorted(patch))
    return sorted(patches)


def _flats(survey: CrownSurvey) -> list[Finding]:
    """Return frets worn flat, or the word that all were levelled."""
    share, widest = {}, {}
    runs: dict[int, list[tuple[float, float]]] = {}
    for line in survey.crown_lines:
        if line is None:
            continue
        flat = line.flat_width_mm > 0.0
        runs[line.fret] = _runs(line.along_mm, flat)
        share[line.fret] = float(flat.mean())
        widest[line.fret] = float(line.flat_width_mm.max())
    whole = [fret for fret, part in share.items() if part > 0.6]
    if len(share) >= 4 and len(whole) > LEVELLED_SHARE * len(share):
        widths = [widest[fret] for fret in whole]
        return [
            Finding(
                "worn-flat",
                "{count} of {all} frets are flat along their whole length, up to {low:figure} to "
                "{high:length} wide: levelled and not crowned.",
                At(frets=tuple(whole)),
                count=len(whole),
                all=len(share),
                low=min(widths),
                high=max(widths),
            )
        ]
    found = []
    for fret, places in runs.items():
        if not places:
            continue
        strings = tuple((np.flatnonzero(survey.flat_width_mm[:, fret - 1] > 0.0) + 1).tolist())
        stretches = tuple(sentence("{long:size}", long=max(1.0, abs(b - a))) for a, b in places)
        found.append(
            Finding(
                "worn-flat",
                "Fret {fret} is worn flat over {stretches}, under {strings:strings}: up to "
                "{width:length} wide."
                if strings
                else "Fret {fret} is worn flat over {stretches}: up to {width:length} wide.",
                At(frets=(fret,), strings=strings),
                fret=fret,
                stretches=stretches,
                strings=strings,
                width=widest[fret],
            )
        )
    return found


def _runs(along: FloatArray, flag: BoolArray) -> list[tuple[float, float]]:
    """Return the ends of runs of at least two slices that carry a flag."""
    return [(float(along[a]), float(along[b - 1])) for a, b in runs(flag) if b - a >= 2]


def _seating(fret: FretHeights, wire_height: float) -> list[Finding]:
    """Return ends that stand up and stretches that are not seated."""
    known = np.isfinite(fret.height_mm)
    if int(known.sum()) < 6:
        return []
    along, height, u = fret.along_mm[known], fret.height_mm[known], fret.u_mm[known]
    worn = fret.worn[known]
    low, high = float(along.min()), float(along.max())
    span = high - low
    middle = np.abs(along - 0.5 * (low + high)) < 0.25 * span
    if not middle.any():  # nothing to hold the ends against
        return []
    sound = middle & ~worn if int((middle & ~worn).sum()) >= 3 else middle
    usual = float(np.median(height[sound]))
    found = []
    lifted = np.zeros(len(along), dtype=bool)
    for name, zone in (("treble", along > high - END_ZONE_MM), ("bass", along < low + END_ZONE_MM)):
        rise = height[zone] - usual
        if not len(rise):
            continue
        at = int(np.argmax(rise))
        if rise[at] > max(LIFT_MM, SIGMA * float(u[zone][at])):
            # the rise of an end reaches as far in as the fret still stands high
            lifted |= zone
            found.append(
                Finding(
                    "lifted-end",
                    "Fret {fret} stands up at its {end} end: {rise:length} higher over the board "
                    "than in its middle.",
                    At(frets=(fret.fret,)),
                    fret=fret.fret,
                    end=name,
                    rise=float(rise[at]),
                )
            )
            inward = np.argsort(-along if name == "treble" else along)
            for i in inward:
                if height[i] - usual < 0.3 * LIFT_MM:
                    break
                lifted[i] = True
    over_wire = height - wire_height - WIRE_MM
    above = (np.maximum(over_wire, height - usual) > np.maximum(LIFT_MM, SIGMA * u)) & ~lifted
    for start, end in _runs(along, above):
        if end - start < GAP_RUN_MM:
            continue
        part = above & (along >= start) & (along <= end)
        gap = float(np.max(np.maximum(over_wire, height - usual)[part]))
        found.append(
            Finding(
                "tang-gap",
                "Fret {fret} stands {gap:length} higher over the board than {than} over "
                "{long:size}, from {start} to {end}: not seated.",
                At(frets=(fret.fret,)),
                fret=fret.fret,
                gap=gap,
                than="its wire" if float(np.max(over_wire[part])) >= gap else "elsewhere",
                long=end - start,
                start=_side(start),
                end=_side(end),
            )
        )
    return found


def _side(along: float) -> Sentence:
    """Return a place along a fret."""
    if abs(along) < 0.5:
        return sentence("the centre line")
    side = "treble" if along > 0 else "bass"
    return sentence("{off:size} on the {side} side", off=abs(along), side=side)


def _shape(survey: CrownSurvey, specification: Specification) -> list[Finding]:
    """Return a rising or falling end of the board, a hump, a twist."""
    board = survey.board
    nominal = nominal_lines(string_lines(specification)).base_mm
    first, last = float(nominal[0]), float(nominal[-1])
    joint_fret = min(specification.board.joint_fret, 0.75 * specification.frets)
    joint = float(np.interp(joint_fret, np.arange(1, len(nominal) + 1), nominal))
    used = (board.station_mm > first) & (board.station_mm < last + 3.0)
    x, crest = board.station_mm[used], board.crest_mm[used]
    if len(x) < 12 or x.max() < 0.5 * (joint + last):
        return []
    bend = np.maximum(0.0, x - joint)
    design = np.column_stack([np.ones_like(x), x - joint, np.minimum(x - joint, 0.0) ** 2, bend])
    weight = np.ones_like(x)
    for _ in range(8):
        fit = np.linalg.lstsq(design * weight[:, None], crest * weight, rcond=None)[0]
        off = crest - design @ fit
        limit = max(0.02, 3.0 * 1.4826 * float(np.median(np.abs(off))))
        weight = np.maximum(1.0 - np.minimum(np.abs(off) / limit, 1.0) ** 2, 1e-4)
    found = []
    rise = float(fit[3]) * (last - joint)
    if abs(rise) > SHAPE_MM:
        found.append(
            Finding(
                "board-shape",
                "From fret {fret} on the board rises: at the last fret it lies {rise:length} over "
                "the line of the neck before it."
                if rise > 0
                else "From fret {fret} on the board falls away: at the last fret it lies "
                "{rise:length} under the line of the neck before it.",
                At(frets=tuple(range(round(joint_fret), specification.frets + 1))),
                fret=round(joint_fret),
                rise=abs(rise),
            )
        )
    at = int(np.argmax(np.abs(off)))
    u = float(board.crest_u_mm[used][at])
    if abs(off[at]) > max(SHAPE_MM, SIGMA * u):
        near = int(np.argmin(np.abs(nominal - x[at]))) + 1
        found.append(
            Finding(
                "board-shape",
                "The board has a {shape} of {size:length} at {x:size} from the nut, near fret "
                "{near}.",
                At(frets=(near,)),
                shape="hump" if off[at] > 0 else "dip",
                size=float(abs(off[at])),
                x=float(x[at]),
                near=near,
            )
        )
    roll = board.roll_rad[used]
    slope = np.polynomial.Polynomial.fit(x, roll, 1)
    twist = float(slope(last) - slope(first))
    across = twist * specification.board.width_last_mm
    if abs(across) > 2.0 * SHAPE_MM:
        found.append(
            Finding(
                "board-shape",
                "The neck is twisted: from fret 1 to the last the board turns so that its {side} "
                "edge rises by {rise:length}.",
                At(field="twist"),
                side="treble" if across > 0 else "bass",
                rise=abs(across),
            )
        )
    return found


def _hidden(survey: CrownSurvey, *, strung: bool) -> list[Finding]:
    """Return which crossings a string or a hole hides.

    Shadows along most string lines are those of strings, even where no string is seen.
    """
    origin = survey.crown_top_origin
    there = np.array([line is not None for line in survey.crown_lines])
    bridged = int((origin == Origin.INTERPOLATED).sum())
    gone = (origin == Origin.MISSING) & there
    found = []
    if bridged:
        found.append(
            Finding(
                "shadow",
                "{bridged} of {all} crowns lie hidden under their string: their height is "
                "interpolated from both sides; wear right under the string does not show."
                if strung or 2 * bridged > origin.size
                else "{bridged} of {all} crowns have too few points on their string's line: their "
                "height is interpolated from both sides. A finer scan would read them.",
                severity="note",
                bridged=bridged,
                all=origin.size,
            )
        )
    if gone.any():
        found.append(
            Finding(
                "shadow",
                "{count:count crown} cannot be seen near the string's line: {places}.",
                At(
                    strings=tuple((np.flatnonzero(gone.any(axis=1)) + 1).tolist()),
                    frets=tuple((np.flatnonzero(gone.any(axis=0)) + 1).tolist()),
                ),
                count=int(gone.sum()),
                places=missing_places(gone),
            )
        )
    return found
