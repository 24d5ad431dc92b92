"""From a scan to crowns: the whole way, and the Measurement at its end."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.errors import Finding, Progress, silent
from evenfall.instrument import Specification, StringLines, string_lines
from evenfall.measurement import Heights, Measurement, Origin, Shared
from evenfall.scans.board import BoardCells
from evenfall.scans.covered import without_covers
from evenfall.scans.crossings import MISSING, Crossing, crown_at, smooth_crown
from evenfall.scans.crown_kind import UPPER_SHARE
from evenfall.scans.crown_line import (
    CAP_SHARE,
    CrownLine,
    FretGuess,
    fit_crown_line,
    scatter_ratios,
    turned_slope,
)
from evenfall.scans.crown_survey import CrownSurvey, Section
from evenfall.scans.facets import seen_only
from evenfall.scans.faults import FretHeights, find_faults
from evenfall.scans.fret_comb import nominal_lines
from evenfall.scans.gather import Gathered, gather
from evenfall.scans.nut_and_saddle import Ends, find_ends
from evenfall.scans.orientation import Located, Orientation, locate
from evenfall.scans.strung import (
    ENDS_ROUTE,
    StringSeen,
    over_crowns,
    strings_seen,
    strings_told,
    with_string_ends,
)
from evenfall.scans.surface import HeightMap, Mesh, Points, as_surface, unusable
from evenfall.scans.whole_neck import whole_neck
from evenfall.wording import sentence

if TYPE_CHECKING:
    from evenfall.scans.crown_kind import CrownSection
    from evenfall.scans.gather import CrownPoints


SECTION_POINTS = 240
"""Points kept of the section under each string, for its picture."""

SECTION_MM = 0.75
"""They lie this near the string's line, where it can be seen."""

NODE_MM = 2.0
"""Step along a fret at which its height over the board is taken."""

KIND_SHARE = 0.75
"""If more than this share of the frets is of one kind of crown, other than round, all are."""

LEANS = 0.02
"""From this slope on a fret crosses the profiles of a sensor that lie square to the neck."""

PROFILE_TOP = 1.5
"""A crown's top is known worse than a square millimetre of board by this, as to what a profile
shares: a parabola's top over a straight mean."""

START_U = 1.2
"""The start of a line through the frets is known worse than its slope over half their way."""

END_MM = 1.2
"""How far from the board's edge the last of these lies: fret ends are bevelled."""


def measure_crowns(
    given: HeightMap | Mesh | Points,
    specification: Specification,
    *,
    unit_hint: str | None = None,
    mirrored: bool | None = None,
    scan_uncertainty_mm: float = 0.0,
    workers: int = 2,
    progress: Progress = silent,
) -> tuple[CrownSurvey, tuple[Finding, ...]]:
    """Return the crowns and the board in a scan, and what is worth knowing about them.

    Every height has a standard uncertainty from the scatter of the points, the scatter of
    neighbouring slices, the misfit of the crown's profile, the facets of a mesh and the place of
    the centre line. Errors of the scanner itself (scale, flatness) do not show in its points; give
    them as `scan_uncertainty_mm`. Crowns hidden by strings are interpolated from both sides where
    these are near, and stay missing otherwise.

    Parameters
    ----------
    given
        A `HeightMap`, a `Mesh`, or points as rows x, y, z, shape (N, 3).
    specification
        The instrument.
    unit_hint
        Unit of the file if it is known: mm, cm, m, um or in.
    mirrored
        Whether the file's axes swap treble and bass, if that is known.
    scan_uncertainty_mm
        Standard uncertainty of the scanner's heights within one scan [mm].
    workers
        Threads that share the points.
    progress
        Told what is being done and how far it is; stops the work by raising `Cancelled`.

    Raises
    ------
    ReadingsError
        The frets of the specification are not in the scan, or it shows slots and no crowns.
    RequestError
        The unit is not known.
    """
    surface = as_surface(given)
    located = locate(
        surface, specification, unit_hint=unit_hint, mirrored=mirrored, progress=progress
    )
    located = without_covers(seen_only(located, specification), specification)
    gathered = gather(located, specification, workers=workers, progress=progress)
    return _Survey(located, gathered, specification, scan_uncertainty_mm, progress).result()


def to_measurement(
    survey: CrownSurvey,
    specification: Specification,
    *,
    serial: str = "",
    source: tuple[str, ...] = (),
    strung: bool = True,
    humidity_percent: float = float("nan"),
) -> Measurement:
    """Return the Measurement that a survey amounts to.

    Nut slots and saddle follow from strings at pitch that the scan shows, with the action that is
    read over them. Without strings they stay missing until a sheet adds them (slot and saddle
    heights, or actions over two frets).

    Parameters
    ----------
    survey
        The crowns.
    specification
        The instrument.
    serial
        What it is called on its label.
    source
        Names of the files.
    strung
        Whether the strings were at pitch.
    humidity_percent
        Relative humidity of the air as noted [%].
    """
    seen = np.isfinite(survey.height_mm)
    many = np.maximum(seen.sum(axis=0), 1)
    height = np.where(seen, survey.height_mm, 0.0).sum(axis=0) / many
    height_u = np.sqrt(np.where(seen, survey.height_u_mm**2, 0.0).sum(axis=0) / many)
    known = seen.any(axis=0)
    read, interpolated, missing = (
        int((survey.crown_top_origin == origin).sum())
        for origin in (Origin.READ, Origin.INTERPOLATED, Origin.MISSING)
    )
    route = sentence(
        "Crown tops from a scan of {points:,} points by {how} ({read} "
        "under their string, {interpolated} interpolated over a shadow, {missing} missing); points "
        "scatter by {noise:uncertainty}.",
        points=survey.point_count,
        how=sentence(
            "the mean section of each fret"
            if any(line is not None and line.section is not None for line in survey.crown_lines)
            else "a circle fitted to each crown"
        ),
        read=read,
        interpolated=interpolated,
        missing=missing,
        noise=survey.noise_mm,
    )
    heights = sentence("Crown heights are over the board on both sides of the fret.")
    tops = Heights.independent(
        nut_mm=np.nan,
        crown_top_mm=survey.crown_top_mm,
        saddle_mm=np.nan,
        crown_top_u_mm=np.sqrt(np.maximum(survey.crown_top_u_mm**2 - survey.form_u_mm**2, 0.0)),
        origin=np.pad(survey.crown_top_origin, ((0, 0), (1, 1))),
    )
    # a fret's own form lifts or lowers it under all strings alike
    form = np.where(seen.any(axis=0) & np.isfinite(survey.crown_top_mm), survey.form_u_mm, 0.0)
    if form.any():
        alike = Shared("crown-form", "fret", np.pad(form, ((0, 0), (1, 1))))
        tops = replace(tops, shared=(alike,))
    from_strings = strung and any(seen is not None and seen.straight for seen in survey.strings)
    return Measurement(
        serial=serial,
        model=specification.name,
        specification_hash=specification.content_hash,
        source=source,
        strung=strung,
        humidity_percent=humidity_percent,
        heights=with_string_ends(tops, survey.strings, survey.ends, at_pitch=strung),
        crown_height_mm=np.where(known, height, np.nan),
        crown_height_u_mm=np.where(known, height_u, np.nan),
        crown_height_origin=np.where(
            known, survey.crown_top_origin, np.int8(Origin.MISSING)
        ).astype(np.int8),
        crown_height_degrees_of_freedom=np.full(survey.crown_top_mm.shape, np.inf),
        routes=(route, heights, *((ENDS_ROUTE,) if from_strings else ())),
        specification_text=specification.text,
        scanned=survey.scanned,
    )


class _Survey:
    """The steps after the pass over the points."""

    def __init__(
        self,
        located: Located,
        gathered: Gathered,
        specification: Specification,
        scan_uncertainty_mm: float,
        progress: Progress,
    ) -> None:
        self.progress = progress
        self.located, self.gathered = located, gathered
        self.specification, self.scan_u = specification, scan_uncertainty_mm
        self.lines: StringLines = string_lines(specification)
        self.frets = located.orientation.fret_lines
        self.shape = (specification.string_count, specification.frets)
        self.lean = self.frets.lean_slope
        self.crowns = self._crown_lines()
        if not any(self.crowns):
            raise unusable(
                "No crown could be fitted: the scan has too few points across each fret; scan with "
                "a finer step (a tenth of the crown's width or less)."
            )
        wire = specification.fretwire
        self.cells = BoardCells(gathered, self.frets, wire.crown_width_mm)

    def _crown_lines(self) -> list[CrownLine | None]:
        found: list[CrownLine | None] = []
        for j in range(self.shape[1]):
            self.progress("Fitting the crowns", 0.5 * j / self.shape[1])
            found.append(self._crown_line(j))
        # what looks like wear on one fret, on nearly all of them is how they are made
        count = sum(line is not None for line in found)
        odd = {j: line.unlike or line.section for j, line in enumerate(found) if line}
        if sum(section is not None for section in odd.values()) > KIND_SHARE * count:
            for j, line in enumerate(found):
                if line and line.unlike:
                    found[j] = self._crown_line(j, line.unlike) or line
        # a fret of a neck whose crowns are of one kind is of that kind, if its own section is poor
        known = {j: line.section for j, line in enumerate(found) if line and line.section}
        kinds = Counter(section.kind for section in known.values())
        kind, many = kinds.most_common(1)[0] if kinds else ("round", 0)
        if many > KIND_SHARE * count:
            if kind == "one-sided":
                self.lean = self._parallel([j for j, line in enumerate(found) if line is not None])
                found = [line and (self._crown_line(j) or line) for j, line in enumerate(found)]
                known = {j: line.section for j, line in enumerate(found) if line and line.section}
            alike = [j for j, section in known.items() if section.kind == kind]
            for j, line in enumerate(found):
                if line is not None and j not in alike:
                    nearest = alike[int(np.argmin(np.abs(np.array(alike) - j)))]
                    found[j] = self._crown_line(j, known[nearest]) or line
            found = _one_form(found)
        return found

    def _parallel(self, frets: list[int]) -> FloatArray:
        """Return the leans of frets that stand to each other as specified.

        On a slope with an upright side a height follows from the place across. That is known to the
        step of the rows only, and so is the lean of one fret alone; all together it is known well.
        """
        nominal = nominal_lines(self.lines).lean_slope
        turn = float(np.median((self.frets.lean_slope - nominal)[frets]))
        return np.asarray(nominal + turn)

    def _cut_through(self, points: CrownPoints) -> bool:
        """Say whether a scan ends on a crown: half of one tells neither kind, place nor top."""
        if not len(points.across_mm):
            return True
        least = CAP_SHARE * self.specification.fretwire.crown_width_mm
        low, high = np.quantile(points.across_mm, [0.002, 0.998])
        return bool(low > -least or high < least)

    def _crown_line(self, j: int, like: CrownSection | None = None) -> CrownLine | None:
        points, wire = self.gathered.crowns[j], self.specification.fretwire
        if points is None or not np.isfinite(self.frets.base_mm[j]) or self._cut_through(points):
            return None
        crest = self.gathered.crest_coefficients[j]
        if turn := float(self.frets.lean_slope[j] - self.lean[j]):
            points, crest = turned_slope(points, crest, turn, wire.crown_height_mm)
        guess = FretGuess(
            j + 1,
            float(self.frets.base_mm[j]),
            float(self.lean[j]),
            crest,
            wire.crown_height_mm,
            wire.crown_width_mm,
        )
        if (facets := self.located.facets) is not None:
            guess = replace(
                guess,
                facet_mm=float(facets.width_mm[j]),
                facet_u_mm=float(facets.u_mm[j]),
                edge_u_mm=float(facets.edge_mm[j]),
                sharp=bool(facets.sharp[j]),
            )
        return fit_crown_line(points, guess, like)

    def result(self) -> tuple[CrownSurvey, tuple[Finding, ...]]:
        """Return the survey and the findings."""
        ratios = dict(
            zip(
                [line.fret for line in self.crowns if line],
                scatter_ratios([line.bend_ratio for line in self.crowns if line]),
                strict=True,
            )
        )
        strings = strings_seen(
            self.gathered, self.specification, drawn=self.located.facets is not None
        )
        crossings = [[MISSING] * self.shape[1] for _ in range(self.shape[0])]
        sides = np.full((2, *self.shape), np.nan)
        sides_u = np.full((2, *self.shape), np.nan)
        fret_heights: list[FretHeights] = []
        for j, line in enumerate(self.crowns):
            if line is None:
                continue
            self.progress("Fitting the crowns", 0.5 + 0.5 * j / self.shape[1])
            trend = smooth_crown(line)
            along = self._string_places(j)
            for k, place in enumerate(along):
                crossings[k][j] = crown_at(line, trend, float(place), ratios[line.fret])
            beside = self.cells.beside(j, along)
            sides[:, :, j], sides_u[:, :, j] = beside.height_mm, beside.u_mm
            fret_heights.append(self._along_fret(j, line))
        survey = self._assembled(crossings, sides, sides_u, heights=fret_heights, strings=strings)
        findings = find_faults(
            survey, self.specification, self.located, self.gathered, fret_heights
        )
        return survey, (*self.located.findings, *findings)

    def _string_places(self, j: int) -> FloatArray:
        """Return where the strings cross a fret as it stands, along it from the centre line."""
        return np.asarray(self.frets.crossings(self.lines)[1][:, j] / self.frets.cosine[j])

    def _along_fret(self, j: int, line: CrownLine) -> FretHeights:
        """Return the crown's height over the board at nodes along a fret."""
        low, high = float(line.along_mm.min()), float(line.along_mm.max())
        nodes = np.arange(low + END_MM, high - END_MM + 1e-9, NODE_MM)
        height, u = self.cells.beside(j, nodes).mean()
        # a straight line through the slices about each node, all nodes at once
        near = np.abs(line.along_mm - nodes[:, None]) < 0.75 * NODE_MM
        count = near.sum(axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):  # nodes that no line runs through
            middle, mean = near @ line.along_mm / count, near @ line.top_mm / count
            off = near * (line.along_mm - middle[:, None])
            slope = off @ line.top_mm / (off**2).sum(axis=1)
        top = np.where(count >= 2, mean + slope * (nodes - middle), np.nan)
        worn = near @ (line.flat_width_mm > 0.0)
        return FretHeights(line.fret, nodes, top - height, np.hypot(u, line.form_u_mm), worn)

    def _assembled(
        self,
        crossings: list[list[Crossing]],
        sides: FloatArray,
        sides_u: FloatArray,
        *,
        heights: list[FretHeights],
        strings: tuple[StringSeen | None, ...],
    ) -> CrownSurvey:
        """Return the survey over its datum."""

        def table(name: str) -> FloatArray:
            return np.array([[float(getattr(c, name)) for c in row] for row in crossings])

        top, scatter_u = table("top_mm"), table("top_u_mm")
        slope = table("slope_rad")
        orientation, facets = self.located.orientation, self.located.facets
        form = np.array([line.form_u_mm if line else np.nan for line in self.crowns])
        # what the points of a sensor's profile share runs along a leaning fret and is no misfit of
        # its mean section
        leans = np.abs(self.frets.lean_slope) > LEANS
        form = np.hypot(form, np.where(leans, PROFILE_TOP * self.cells.profile_u, 0.0))
        place_u = np.hypot(
            orientation.side_u_mm, orientation.side_turn_u_rad * self.lines.x_mm[:, 1:]
        )
        top_u = np.sqrt(scatter_u**2 + form**2 + (place_u * slope) ** 2 + self.scan_u**2)
        known = np.isfinite(top) & np.isfinite(top_u)  # a height without its uncertainty is none
        top, top_u = np.where(known, top, np.nan), np.where(known, top_u, np.nan)
        height = top[None] - sides
        height_u = np.sqrt(scatter_u**2 + form**2 + sides_u**2 + self.scan_u**2)
        plane = self._datum(top)
        x, y = self.lines.x_mm[:, 1:], self.lines.y_mm[:, 1:]
        lines = tuple(_over_plane(line, plane) if line else None for line in self.crowns)
        noise = [line.noise_mm for line in self.crowns if line]
        board = self.cells.board().over_plane(*plane)
        strings, ends = self._strings(strings, plane)
        crown_top = top - plane[0] - plane[1] * x - plane[2] * y
        strings = over_crowns(strings, crown_top, self.lines)
        return CrownSurvey(
            crown_top_mm=crown_top,
            crown_top_u_mm=top_u,
            crown_top_origin=np.where(
                known, [[int(c.origin) for c in row] for row in crossings], 0
            ).astype(np.int8),
            form_u_mm=np.nan_to_num(form),
            crown_radius_mm=table("radius_mm"),
            crown_radius_u_mm=table("radius_u_mm"),
            flat_width_mm=table("flat_width_mm"),
            flat_width_u_mm=table("flat_width_u_mm"),
            height_mm=height,
            height_u_mm=height_u,
            crown_lines=lines,
            board=board,
            scanned=whole_neck(
                self.crowns,
                heights,
                board,
                located=self.located,
                gathered=self.gathered,
                specification=self.specification,
                strings=strings_told(strings, crown_top, top_u, self.specification, ends),
            ),
            strings=strings,
            ends=ends,
            sections=self._sections(crossings),
            orientation=_over_datum(orientation, plane),
            noise_mm=float(np.median(noise)),
            point_count=self.gathered.point_count,
            facet_mm=0.0 if facets is None else float(np.nanmax(facets.width_mm)),
        )

    def _strings(
        self, strings: tuple[StringSeen | None, ...], plane: tuple[float, float, float]
    ) -> tuple[tuple[StringSeen | None, ...], Ends]:
        """Return strings, nut and saddle over the datum, known no better than the scanner."""
        lines = self.lines
        nut, saddle = (
            plane[0] + plane[1] * x + plane[2] * y
            for x, y in (
                (lines.x_mm[:, 0], lines.y_mm[:, 0]),
                (lines.saddle_x_mm, lines.saddle_y_mm),
            )
        )
        lowered = tuple(
            replace(seen, thickness_u_mm=float(np.hypot(seen.thickness_u_mm, self.scan_u))).lowered(
                float(nut[seen.string]), float(saddle[seen.string])
            )
            if seen is not None
            else None
            for seen in strings
        )
        ratio_u = self.located.orientation.scale_u_ratio
        start_u = START_U * ratio_u * float(np.mean(lines.x_mm[:, 1:]))
        # the scale begins where the tops have it, which on one-sided crowns lie beside the ridges
        aside = [
            float(np.median(line.x_mm - self.frets.base_mm[j] - self.lean[j] * line.y_mm))
            for j, line in enumerate(self.crowns)
            if line is not None
        ]
        found = find_ends(self.gathered, self.specification, start_u_mm=start_u)
        found = replace(found, edge_mm=found.edge_mm - float(np.median(aside)))
        return lowered, found.lowered(nut, saddle, self.scan_u)

    def _datum(self, top: FloatArray) -> tuple[float, float, float]:
        """Return the datum: the plane of the crown tops, on the board under their crest.

        A straight plane changes no clearance. It is laid by least squares through the tops and an
        even curve across, so that neither tilts it, and lowered by the height of a new crown.
        """
        known = np.isfinite(top)
        x, y = self.lines.x_mm[:, 1:][known], self.lines.y_mm[:, 1:][known]
        if len(x) < 6:
            level = float(np.median(top[known])) if len(x) else 0.0
            return level - self.specification.fretwire.crown_height_mm, 0.0, 0.0
        design = np.column_stack([np.ones_like(x), x, y, y**2])
        fit = np.linalg.lstsq(design, top[known], rcond=None)[0]
        return (
            float(fit[0]) - self.specification.fretwire.crown_height_mm,
            float(fit[1]),
            float(fit[2]),
        )

    def _sections(self, crossings: list[list[Crossing]]) -> tuple[tuple[Section | None, ...], ...]:
        """Return the section under each string, or beside it where the string hides the crown."""
        rows: list[list[Section | None]] = [[None] * self.shape[1] for _ in range(self.shape[0])]
        half = CAP_SHARE * self.specification.fretwire.crown_width_mm
        deep = UPPER_SHARE * self.specification.fretwire.crown_height_mm
        for j, (line, points) in enumerate(zip(self.crowns, self.gathered.crowns, strict=True)):
            if line is None or points is None:
                continue
            guess = self.gathered.crest_coefficients[j]
            for k, under in enumerate(self._string_places(j)):
                crossing = crossings[k][j]
                if crossing.origin not in (Origin.READ, Origin.INTERPOLATED):
                    continue
                middle = int(np.argmin(np.abs(line.along_mm - under)))
                place, top, slope, radius, flat = (
                    under,
                    crossing.top_mm,
                    crossing.slope_rad,
                    crossing.radius_mm,
                    crossing.flat_width_mm,
                )
                if crossing.origin == Origin.INTERPOLATED:  # the nearest slice that can be seen
                    place = float(line.along_mm[middle])
                    top, slope = float(line.top_mm[middle]), float(line.slope[middle])
                    radius = float(line.radius_mm[middle])
                    flat = float(line.flat_width_mm[middle])
                near = np.flatnonzero(np.abs(points.along_mm - place) < SECTION_MM)
                near = near[:: max(1, len(near) // SECTION_POINTS)]
                along = points.along_mm[near].astype(float)
                z = points.over_guess_mm[near].astype(float) + np.polyval(guess, along)
                z = z - top - slope * (along - place)
                # the top's distance across from the fret's straight line
                offset = (line.x_mm[middle] - self.frets.base_mm[j]) * self.frets.cosine[j]
                offset -= self.frets.lean_slope[j] * line.y_mm[middle] * self.frets.cosine[j]
                rows[k][j] = Section(
                    points.across_mm[near].astype(float),
                    z,
                    float(offset),
                    radius,
                    0.0 if np.isnan(flat) else flat,
                    half,
                    abs(place - under),
                    line.noise_mm,
                    line.section,
                    np.inf if line.section is None else deep,
                )
        return tuple(tuple(row) for row in rows)


def _one_form(lines: list[CrownLine | None]) -> list[CrownLine | None]:
    """Return crowns of one kind, each with what the sections of all leave open about a top.

    One section tells it from a handful of places: now and then far too well.
    """
    mean = float(np.sqrt(np.mean([line.form_u_mm**2 for line in lines if line])))
    return [line and replace(line, form_u_mm=mean) for line in lines]


def _over_plane(line: CrownLine, plane: tuple[float, float, float]) -> CrownLine:
    """Return a crown line over another datum."""
    run = np.gradient(line.x_mm, line.along_mm) if len(line.along_mm) > 1 else 0.0
    return replace(
        line,
        top_mm=line.top_mm - plane[0] - plane[1] * line.x_mm - plane[2] * line.y_mm,
        slope=line.slope - plane[1] * run - plane[2],
    )


def _over_datum(orientation: Orientation, plane: tuple[float, float, float]) -> Orientation:
    """Return the orientation whose z is counted from the datum.

    The plane's slopes are a few thousandths: turning by them and shearing by them differ by less
    than their square.
    """
    shear = np.eye(3)
    shear[2, :2] = -plane[1], -plane[2]
    return replace(
        orientation,
        axes=shear @ orientation.axes,
        origin_mm=shear @ orientation.origin_mm + np.array([0.0, 0.0, plane[0]]),
    )
