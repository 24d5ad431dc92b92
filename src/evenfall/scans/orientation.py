"""How a scan lies: unit, axes, which end is the nut, which side is up; and where its frets are.

The specification is the only hint. What it cannot settle is said, never guessed silently.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, along_axes, runs
from evenfall.errors import At, Finding, Progress, ReadingsError, silent
from evenfall.instrument import Specification, string_lines
from evenfall.instrument.geometry import SEMITONE
from evenfall.scans.candidates import Candidate, Views, candidates, closer, holds_more
from evenfall.scans.centre_line import CentreLine, board_edges, straight_centre
from evenfall.scans.fret_comb import (
    LEAST_HEIGHT_SHARE,
    FretLines,
    Match,
    match_scale,
    nominal_lines,
    ridge_places,
    straight_lines,
)
from evenfall.scans.numbering import check_numbering, numbers_looked_at, steps_seen
from evenfall.scans.refused import UNIT_WORDS, no_board, not_this_neck, scale_said
from evenfall.scans.slots import lies_over_slots
from evenfall.scans.surface import (
    LEAST_POINTS,
    UNITS_MM,
    Cloud,
    HeightMap,
    Points,
    Surface,
    unusable,
)
from evenfall.wording import sentence

if TYPE_CHECKING:
    from evenfall.scans.facets import Facets


LEAST_SCORE_SHARE = 0.4
"""A scan that shows less than this share of the frets which should lie in it is not this neck."""

HOPELESS_SHARE, HOPEFUL = 0.05, 2.0
"""One that shows less is not looked at more closely either, nor one where the frets' places show
less than so many times as much as anywhere: of whole instruments they show 4 times as much."""

STANDS_OUT = 2.5
"""And so many times as much must stand at the frets' places as anywhere: rough ground is none."""

LEAST_FRETS = 4
"""Fewer frets could fit by chance."""

BEFORE_NUT = (-1, -2, -3, -4, -5, -6)
"""Places in step with the frets before the nut, where nothing may stand."""

CLOSE_SHARE = 0.8
"""A second way of laying the frets that scores this share of the best one is a rival."""

SCALE_RATIOS = tuple(1.0 + 0.0025 * step for step in range(-8, 9))
"""Scales tried over the specified one, ±2 %."""

CENTRE_LINE = "centre line"
"""Field of the findings of a scan without both edges of the board."""

EDGE_TOLERANCE_MM = 1.5
"""A board's width may differ from the specified one by this and still be its two edges."""

BESIDE_BOARD_MM = 8.0
"""What lies further beside the board is none of it."""

DEEP_MM, OVER_MM = 12.0, 25.0
"""What lies further under or over the board is no crown, tang, slot or string of it; the back of a
neck and a body, which may lie there, show no frets."""

GAP_SHARE, GAP_TURNS, WILD_SHARE = 0.02, 12, 1e-4
"""A strip of so much of the scan's length that holds no more than this share of its points divides
it; looked for in so many directions in its plane, and square to that."""

SECOND_SHARE, SECOND_SEEN = 0.3, 0.7
"""A second neck has so many of the first one's points, and shows so many of its frets."""

ANOTHER_WIDTH_SHARE = 0.15
"""A board may be of another width than specified by this share of it (our choice)."""

ONE_EDGE_U_MM = 0.25
"""Standard uncertainty of half a board's width, where one edge has to do (common practice)."""

SCALE_TOLERANCE_MM = 0.5
"""A scale further than this from the specified one is reported (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Orientation:
    """How to turn the file's coordinates into the neck's frame.

    Neck coordinates are axes @ (factor * file) - origin.
    """

    unit: str  # unit of the file: mm, m, in, cm or um
    factor_mm: float  # that unit [mm]
    # the neck's x, y, z in the file's frame as rows, shape (3, 3); left-handed if mirrored
    axes: FloatArray
    origin_mm: FloatArray  # the neck's origin in neck axes [mm], shape (3,)
    mirrored: bool  # whether the file's axes are of the other hand than the neck's frame
    # where each fret found crosses the centre line [mm], shape (F,); NaN where none was found
    fret_x_mm: FloatArray
    fret_lean_slope: FloatArray  # dx/dy of each fret in plan, shape (F,)
    scale_ratio: float  # scale found over scale specified, and its standard uncertainty
    scale_u_ratio: float
    side_u_mm: float  # standard uncertainty of the centre line's place across the neck [mm]
    side_turn_u_rad: float  # standard uncertainty of its direction [rad]

    @property
    def fret_lines(self) -> FretLines:
        """Fret lines in plan."""
        return FretLines(self.fret_x_mm, self.fret_lean_slope)

    def to_neck(self, points: Points) -> FloatArray:
        """Return points of the file in the neck's frame [mm]."""
        rows = np.asarray(points, dtype=float) * self.factor_mm
        return along_axes(rows, self.axes) - self.origin_mm


@dataclass(frozen=True, slots=True)
class Located:
    """A scan with its place and its sample points in the neck's frame."""

    surface: Surface  # the scan
    orientation: Orientation  # how it lies
    sample_mm: FloatArray  # sample points in the neck's frame [mm], shape (M, 3)
    findings: tuple[Finding, ...]  # what was found and what stays open
    facets: Facets | None = None  # what its facets are like; None for measured points

    @property
    def numbering_open(self) -> bool:
        """Whether the scan leaves open which fret is the first."""
        return any(finding.code == "numbering" for finding in self.findings)

    @property
    def edges_open(self) -> bool:
        """Whether an edge of the board is not in the scan."""
        return any(finding.at.field == CENTRE_LINE for finding in self.findings)


def locate(
    surface: Surface,
    specification: Specification,
    *,
    unit_hint: str | None = None,
    mirrored: bool | None = None,
    progress: Progress = silent,
) -> Located:
    """Return how a scan of a fretboard lies, and what that rests on.

    The neck may lie along any axis, upside down, mirrored, in mm, cm, m, µm or inch. The longest
    axis of the points is its length; the scale of the specification says in which unit, which end
    is the nut and, through the crowns, which side is up. Fanned frets also show whether the scan is
    mirrored; straight ones cannot, and then a finding says so.
    """
    nominal = nominal_lines(string_lines(specification))
    views = Views(surface)
    quick = _ranked(
        candidates(views, specification, nominal, unit_hint, progress=progress, few=True)
    )
    ways = {(one.unit, one.way) for match, one in quick if _hopeful(match, specification)}
    if views.more and any(one.solid for _, one in quick) and ways:
        found = candidates(views, specification, nominal, unit_hint, progress=progress, ways=ways)
        ranked = _ranked(found)
    else:
        ranked = quick
    if not ranked:
        raise no_board(views.samples, specification, unit_hint)
    match, chosen = ranked[0]
    if _hopeful(match, specification) and holds_more(chosen, specification, nominal):
        again = closer(views, chosen, match, specification, nominal)
        ranked = _ranked([again]) + ranked[1:] if again.matches else ranked
    if not _good(ranked[0][0], specification):
        if parted := _in_parts(views, specification, nominal, unit_hint):
            raise parted
        raise not_this_neck(
            surface, specification, ranked, views.samples, unit_hint=unit_hint, progress=progress
        )
    match, chosen = ranked[0]
    wire = specification.fretwire
    if lies_over_slots(chosen.strips, match, nominal, wire.crown_width_mm):
        raise not_this_neck(
            surface, specification, ranked, views.samples, unit_hint=chosen.unit, progress=progress
        )
    findings = _rivals(ranked)
    match = match_scale(match, chosen.strips, nominal, specification, SCALE_RATIOS)
    if chosen.solid:
        findings = (*findings, _left_aside())
    frame = _Frame(specification, nominal, chosen, match, mirrored)
    orientation, more = frame.orientation(isinstance(surface, HeightMap))
    found_out = (*findings, *more, *_second_neck(views, orientation, specification, nominal))
    return Located(surface, orientation, orientation.to_neck(chosen.samples), found_out)


def _second_neck(
    views: Views, orientation: Orientation, specification: Specification, nominal: FretLines
) -> tuple[Finding, ...]:
    """Return that frets of the specification stand elsewhere in the scan as well."""
    place, board = orientation.to_neck(views.samples), specification.board
    last = float(np.nanmax(orientation.fret_x_mm))
    half = 0.5 * max(board.width_nut_mm, board.width_last_mm) + BESIDE_BOARD_MM
    first = (place[:, 0] > -BESIDE_BOARD_MM) & (place[:, 0] < last + 20.0)
    first &= np.abs(place[:, 1]) < half
    first &= (place[:, 2] > -DEEP_MM) & (place[:, 2] < OVER_MM)
    rest = views.samples[~first]
    if len(rest) < max(LEAST_POINTS, SECOND_SHARE * int(first.sum())):
        return ()
    if not _shows_neck(rest, specification, nominal, orientation.unit):
        return ()
    return (
        Finding(
            "ambiguous",
            "The scan holds a second neck: frets of this scale stand beside or beyond the board "
            "that was measured. Which of the two is meant cannot be told; cut the other away and "
            "measure again.",
            At(field="orientation"),
        ),
    )


def _shows_neck(
    points: FloatArray, specification: Specification, nominal: FretLines, unit: str | None
) -> bool:
    """Say whether nearly all crowns of the specification stand in a part of a scan."""
    others = candidates(Views(Cloud(points)), specification, nominal, unit, progress=silent)
    if not (ranked := _ranked(others)) or not _good(ranked[0][0], specification):
        return False
    match, chosen = ranked[0]
    if match.seen_share(specification.frets) < SECOND_SEEN:
        return False
    wire = specification.fretwire
    return not lies_over_slots(chosen.strips, match, nominal, wire.crown_width_mm)


def _in_parts(
    views: Views, specification: Specification, nominal: FretLines, unit: str | None
) -> ReadingsError | None:
    """Return that a scan which as a whole is no neck is of two things, one of them the neck."""
    turns = np.linspace(0.0, np.pi, GAP_TURNS, endpoint=False)
    ways = np.column_stack([np.cos(turns), np.sin(turns), np.zeros(GAP_TURNS)])
    place = along_axes(views.samples - views.middle, views.axes)
    step, many, widest = 0.5 * GAP_SHARE * float(views.extent[0]), len(place), 1
    part: BoolArray | None = None
    for way in [*ways, np.array([0.0, 0.0, 1.0])]:
        along = place @ way
        bins = ((along - along.min()) / step).astype(np.intp)
        count = np.bincount(bins)
        for a, b in runs(count < WILD_SHARE * many):
            share = float(count[:a].sum()) / many
            if b - a > widest and SECOND_SHARE < share / (1.0 - share) < 1.0 / SECOND_SHARE:
                widest, part = b - a, bins < a
    if part is None or not any(
        _shows_neck(views.samples[one], specification, nominal, unit) for one in (part, ~part)
    ):
        return None
    return unusable(
        "The scan is of two things with a gap between them, and frets of a {scale} scale stand on "
        "one; cut the other away and measure again.",
        scale=scale_said(specification),
    )


def _left_aside() -> Finding:
    """Return that a scan holds closed bodies, of which only the board's upper side was used."""
    return Finding(
        "left-aside",
        "The scan shows more than the upper side of the board: closed bodies or other parts of an "
        "instrument. Measured is what is seen from above the board; undersides, tangs, slots under "
        "frets and what lies beside or beyond the board were left aside.",
        severity="note",
    )


def _ranked(found: list[Candidate]) -> list[tuple[Match, Candidate]]:
    """Return every match of every candidate, best first."""
    return sorted(
        ((match, c) for c in found for match in c.matches), key=lambda pair: -pair[0].score_share
    )


def _good(match: Match, specification: Specification) -> bool:
    """Say whether a match shows enough of the frets that lie within the scan."""
    share = match.seen_share(specification.frets)
    stands_out = share >= STANDS_OUT * match.usual_share
    return match.inside_count >= LEAST_FRETS and share >= LEAST_SCORE_SHARE and stands_out


def _hopeful(match: Match, specification: Specification) -> bool:
    """Say whether what a first look shows is worth a closer one."""
    share = match.seen_share(specification.frets)
    return share > max(HOPELESS_SHARE, HOPEFUL * match.usual_share)


def _rivals(ranked: list[tuple[Match, Candidate]]) -> tuple[Finding, ...]:
    """Return a finding if another way of laying the frets does about as well."""
    best, chosen = ranked[0]
    for match, candidate in ranked[1:]:
        if match.score_share < CLOSE_SHARE * best.score_share:
            break
        if _same_lie(best, chosen, match, candidate):
            continue
        if candidate is chosen and match.up_order == best.up_order:
            turned_round = match.along_order != best.along_order
            other = sentence(
                "the other end as the nut" if turned_round else "treble and bass swapped"
            )
        elif candidate.unit != chosen.unit:
            other = sentence("the unit {unit}", unit=candidate.unit)
        else:
            other = sentence("the other side up")
        return (
            Finding(
                "ambiguous",
                "The frets fit the scan about as well with {other} ({share:share} against "
                "{best:share} of the crowns seen); say how the scan lies, or scan more of the "
                "neck.",
                At(field="orientation"),
                other=other,
                share=match.score_share,
                best=best.score_share,
            ),
        )
    return ()


def _same_lie(best: Match, chosen: Candidate, match: Match, candidate: Candidate) -> bool:
    """Say whether two matches lay the frets the same way: a sheet of mesh shows from both sides."""
    if match is best or candidate.unit != chosen.unit:
        return match is best

    def axes(one: Match, seen: Candidate) -> FloatArray:
        signs = np.array([one.along_order, one.across_order, one.up_order], dtype=float)
        return signs[:, None] * seen.axes

    return bool((np.sum(axes(best, chosen) * axes(match, candidate), axis=1) > 0.9).all())


class _Frame:
    """From the best match to the neck's frame."""

    def __init__(
        self,
        specification: Specification,
        nominal: FretLines,
        chosen: Candidate,
        match: Match,
        mirrored: bool | None,
    ) -> None:
        self.specification, self.nominal = specification, nominal
        self.chosen, self.match = chosen, match
        proper = match.up_order * match.along_order
        self.mirrored = match.across_order != proper
        self.fanned = bool(np.any(nominal.lean_slope))
        self.findings: list[Finding] = []
        if mirrored is not None and mirrored != self.mirrored:
            if self.fanned:
                self.findings.append(
                    Finding(
                        "orientation",
                        "The scan was said to be mirrored, but its fanned frets run the other way; "
                        "taken as they run."
                        if mirrored
                        else "The scan was said not to be mirrored, but its fanned frets run the "
                        "other way; taken as they run.",
                        At(field="mirrored"),
                    )
                )
            else:
                self.match = replace(match, across_order=-match.across_order)
                self.mirrored = mirrored
        self.said = mirrored is not None

    def orientation(self, from_map: bool) -> tuple[Orientation, tuple[Finding, ...]]:
        """Return the orientation and what it rests on."""
        match, chosen = self.match, self.chosen
        signs = np.array([match.along_order, match.across_order, match.up_order], dtype=float)
        middle = 0.5 * float(chosen.strips.y_mm[0] + chosen.strips.y_mm[-1])
        # first: the neck's frame as the match has it, centre line in the middle of the scan
        turn = np.diag(signs)
        shift = turn @ np.array([match.nut_mm, middle, 0.0])
        points = chosen.level_mm * signs - shift
        self._check_before_nut(signs, shift)
        place, strip_y = self._places(signs, shift, self.nominal)
        least = max(2, len(strip_y) // 8)
        base, lean = straight_lines(place, strip_y, least_strips=least)
        self.findings += self._check_numbering(signs, shift, points, base)
        # then: the board's edges set the x axis, the frets the nut
        edge = self._centre_line(points, base, lean)
        cosine, sine = np.cos(edge.turn_rad), np.sin(edge.turn_rad)
        yaw = np.array([[cosine, sine, 0.0], [-sine, cosine, 0.0], [0.0, 0.0, 1.0]])
        turn = yaw @ turn
        shift = yaw @ shift + np.array([0.0, edge.side_mm * cosine, 0.0])
        # a fret x = b + l y in the turned frame: x' = (b + ...) with lean l' = tan(atan(l) - turn)
        new_lean = np.tan(np.arctan(lean) + edge.turn_rad)
        crossing_y = (edge.side_mm + np.tan(edge.turn_rad) * base) / (
            1.0 - np.tan(edge.turn_rad) * lean
        )
        crossing_x = base + lean * crossing_y
        new_base = crossing_x * cosine + crossing_y * sine
        found = np.isfinite(new_base)
        nut, ratio, ratio_u = self._scale(new_base, found)
        shift = shift + np.array([nut, 0.0, 0.0])
        axes = turn @ chosen.axes
        origin = axes @ chosen.origin_mm + shift
        orientation = Orientation(
            chosen.unit,
            UNITS_MM[chosen.unit],
            axes,
            origin,
            self.mirrored,
            new_base - nut,
            np.where(found, new_lean, self.nominal.lean_slope),
            ratio,
            ratio_u,
            edge.side_u_mm,
            edge.turn_u_rad,
        )
        found_out = self._sentences(orientation, from_map=from_map)
        return orientation, (*found_out, *self.findings)

    def _check_before_nut(self, signs: FloatArray, shift: FloatArray) -> None:
        """Refuse a scan whose frets go on before the nut: then the first one was taken wrongly."""
        before = nominal_lines(string_lines(self.specification), BEFORE_NUT)
        place, _ = self._places(signs, shift, before)
        there = np.isfinite(place).mean(axis=0) > 0.5
        run = int(np.argmin(np.append(there, False)))
        if run >= 2:
            scale = self.specification.scale.treble_mm * self.match.scale_ratio
            raise unusable(
                "Frets go on in step before the place of the nut ({run} of them, or {fewer} and "
                "the nut): this is a scale of about {long:size} or {short:size}, not {scale:size}; "
                "take the specification of this neck.",
                run=run,
                fewer=run - 1,
                long=scale * SEMITONE ** (run + 1),
                short=scale * SEMITONE**run,
                scale=self.specification.scale.treble_mm,
            )

    def _check_numbering(
        self, signs: FloatArray, shift: FloatArray, points: FloatArray, base: FloatArray
    ) -> Iterable[Finding]:
        """Return what stays open about the frets' numbers; refuse what the scan contradicts."""
        specification, strips, match = self.specification, self.chosen.strips, self.match
        nut, ratio, _ = self._scale(base, np.isfinite(base))
        frets = nominal_lines(string_lines(specification), numbers_looked_at(specification.frets))
        place, y = self._in_map(signs, shift, nut + ratio * frets.base_mm, frets.lean_slope)
        place[np.abs(y) > 0.35 * specification.board.width_nut_mm] = np.nan
        steps = steps_seen(
            strips,
            place,
            frets=specification.frets,
            along_order=match.along_order,
            up_order=match.up_order,
            crown_width_mm=specification.fretwire.crown_width_mm,
            start_mm=float(np.quantile(points[:, 0], 0.001)) - nut,
        )
        return check_numbering(steps, specification, ratio * specification.scale.treble_mm)

    def _places(
        self, signs: FloatArray, shift: FloatArray, nominal: FretLines
    ) -> tuple[FloatArray, FloatArray]:
        """Return where each fret stands in each strip, in the first frame, and the strips' y."""
        strips, match = self.chosen.strips, self.match
        base = nominal.base_mm * match.scale_ratio
        in_map, y = self._in_map(signs, shift, base, nominal.lean_slope)
        least = LEAST_HEIGHT_SHARE * self.specification.fretwire.crown_height_mm
        spacing = float(np.min(np.diff(self.nominal.base_mm)))
        found = ridge_places(
            strips, match.up_order, in_map, reach_mm=min(2.5, 0.4 * spacing), least_mm=least
        )
        return signs[0] * found - shift[0], y

    def _in_map(
        self, signs: FloatArray, shift: FloatArray, base: FloatArray, lean: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return where frets of the first frame lie in each strip of the map, and the strips' y."""
        strips = self.chosen.strips
        y = signs[1] * strips.y_mm - shift[1]
        middle = 0.5 * float(strips.y_mm[0] + strips.y_mm[-1])
        slant = np.tan(self.match.yaw_rad) * (strips.y_mm - middle)
        return signs[0] * (base + lean * y[:, None] + shift[0]) + slant[:, None], y

    def _scale(self, base: FloatArray, found: BoolArray) -> tuple[float, float, float]:
        """Return the nut's place and the scale over the specified one, by least squares."""
        count = int(found.sum())
        if count < LEAST_FRETS:
            raise unusable(
                "Only {count} of {frets} frets stand out in the scan; {least} are needed to place "
                "it.",
                count=count,
                frets=len(base),
                least=LEAST_FRETS,
            )
        design = np.column_stack([np.ones(count), self.nominal.base_mm[found]])
        place = base[found]
        kept = np.ones(count, dtype=bool)
        for _ in range(3):
            solution = np.linalg.lstsq(design[kept], place[kept], rcond=None)[0]
            off = np.abs(place - design @ solution)
            kept = off < max(0.3, 4.0 * float(np.median(off)))
        spread = float(np.sqrt(np.sum(off[kept] ** 2) / max(1, int(kept.sum()) - 2)))
        matrix = np.linalg.inv(design[kept].T @ design[kept])
        return float(solution[0]), float(solution[1]), spread * float(np.sqrt(matrix[1, 1]))

    def _centre_line(self, points: FloatArray, base: FloatArray, lean: FloatArray) -> CentreLine:
        """Return the centre line from the board's edges, or from what else there is.

        Both edges are right if they are as far apart as specified, or nearly so and both run as a
        board of another width would have them: one that misses more may be cut off along the taper.
        A single one is known by its direction: it runs out of square with the frets as the board's
        taper has it, which the edge of a cut-off scan does not.
        """
        board = self.specification.board
        last = float(self.nominal.base_mm[-1])
        known = base[np.isfinite(base)]
        low, high = (float(known.min()), float(known.max())) if len(known) > 1 else (0.0, last)
        edges = board_edges(points, low, high)
        if len(edges.x_mm) < 5:
            raise unusable("The scan shows no strip of board to lay a centre line on.")
        taper = (board.width_last_mm - board.width_nut_mm) / last
        half = 0.5 * (board.width_nut_mm + taper * edges.x_mm)
        wide = np.abs(edges.width_mm - 2.0 * half)
        off = float(np.median(wide))
        if off < EDGE_TOLERANCE_MM:
            # where a body or a head lies level with the board, an edge seen is not the board's
            board_alone = wide < off + EDGE_TOLERANCE_MM
            return straight_centre(edges.x_mm[board_alone], edges.middle_mm[board_alone])
        found = np.isfinite(base)
        turn = float(np.median(np.arctan(self.nominal.lean_slope[found]) - np.arctan(lean[found])))
        seen = []
        for sign, edge in ((-1.0, edges.low_mm), (1.0, edges.high_mm)):
            line = straight_centre(edges.x_mm, edge)
            if abs(line.turn_rad - turn - sign * 0.5 * taper) < 0.2 * abs(taper):
                seen.append(straight_centre(edges.x_mm, edge - sign * half))
        another = off < ANOTHER_WIDTH_SHARE * float(np.median(2.0 * half))
        if len(seen) == 2 and another:  # both of its edges run with the taper
            return straight_centre(edges.x_mm, edges.middle_mm)
        width, board_width = float(np.median(edges.width_mm)), float(np.median(2.0 * half))
        told = sentence(
            "The scan is {width:size} wide where the board should be {board:size}: its edges are "
            "not both in it."
            if width < board_width
            else "The scan is {width:size} wide where the board should be {board:size}: the "
            "specification is of another board, or something lies level beside this one.",
            width=width,
            board=board_width,
        )
        if len(seen) == 1:
            self.findings.append(
                Finding(
                    "orientation",
                    "{told} The centre line was laid half the specified width from the edge that "
                    "runs with the board's taper, to ± {u:length}.",
                    At(field=CENTRE_LINE),
                    told=told,
                    u=2.0 * ONE_EDGE_U_MM,
                )
            )
            return replace(seen[0], side_u_mm=max(seen[0].side_u_mm, ONE_EDGE_U_MM))
        self.findings.append(
            Finding(
                "ambiguous",
                "{told} Where the centre line runs cannot be told; the middle of the scan was "
                "taken, and the strings with it.",
                At(field=CENTRE_LINE),
                told=told,
            )
        )
        straight = straight_centre(edges.x_mm, edges.middle_mm)
        return replace(straight, side_u_mm=max(straight.side_u_mm, 0.25 * off))

    def _sentences(self, orientation: Orientation, *, from_map: bool) -> list[Finding]:
        """Return what is worth saying about how the scan lies."""
        count = int(np.isfinite(orientation.fret_x_mm).sum())
        names = "xyz"
        along, up = (
            ("+" if row[a] > 0 else "-") + names[a]
            for row in (orientation.axes[0], orientation.axes[2])
            for a in [int(np.argmax(np.abs(row)))]
        )
        lie = sentence(
            "from nut to bridge it runs nearest its {along} axis, up is nearest {up}, treble and "
            "bass are swapped"
            if orientation.mirrored
            else "from nut to bridge it runs nearest its {along} axis, up is nearest {up}",
            along=along,
            up=up,
        )
        found = [
            Finding(
                "orientation",
                "The scan is in {unit}; {lie}; {count} of {frets} frets stand out.",
                severity="note",
                unit=UNIT_WORDS.get(orientation.unit, orientation.unit),
                lie=lie,
                count=count,
                frets=len(orientation.fret_x_mm),
            )
        ]
        if not self.fanned and not self.said:
            found.append(
                Finding(
                    "ambiguous",
                    "Straight frets look the same from both sides: whether treble and bass are "
                    "swapped cannot be seen; the axes were taken as right-handed. Say if the scan "
                    "is mirrored.",
                    At(field="mirrored"),
                    "warning" if from_map else "note",
                )
            )
        nominal = self.specification.scale.treble_mm
        ratio, ratio_u = orientation.scale_ratio, orientation.scale_u_ratio
        off = (ratio - 1.0) * nominal
        if abs(off) > max(SCALE_TOLERANCE_MM, 3.0 * ratio_u * nominal):
            found.append(
                Finding(
                    "scale",
                    "The frets stand on a scale of {scale:length}, not {nominal:length} "
                    "(± {u:uncertainty}).",
                    At(field="scale"),
                    scale=ratio * nominal,
                    nominal=nominal,
                    u=2.0 * ratio_u * nominal,
                )
            )
        return found
