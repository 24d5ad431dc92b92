"""One fret: its points cut into slices along the fret, a robust crown fit in each.

A slice is half a millimetre long or as much as its points need. Its crown is a circle whose height
may run evenly along the fret; where the residuals say that the top is worn flat, a circle cut by a
level flat. What the fits leave over goes into the claim: the scatter of the points, the scatter of
neighbouring slices beyond it, and the mean misfit of the profile, which more points cannot average
away (a facetted mesh, a crown that is no circle).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, IntArray
from evenfall.instrument.geometry import crown_radius_mm
from evenfall.scans.arcs import NORMAL_MAD, ArcFits, arc_distance_mm, fit_arcs, group_middles
from evenfall.scans.crown_kind import CrownSection, fit_section, mean_section, unlike_arc

if TYPE_CHECKING:
    from evenfall.scans.gather import CrownPoints


CAP_SHARE = 0.30
"""The crown is fitted over this share of its width on each side of its top: steep flanks are where
sensors fail and files leave their mark."""

WIDE_SHARE = 0.45
"""The same where the top is worn flat and the flanks have to show the circle."""

UPPER_SHARE = 0.9
"""Points deeper under the top than this share of a new crown are its feet, or a closed body's tang,
underside and slot."""

SECTION_ROUNDS, SETTLED_MM, SMOOTH_DEGREE = 6, 0.001, 6
"""Most rounds of drawing a fret's section, how little the smooth crown line that it is drawn over
moves in the last one, and the degree of that line."""

SLICE_MM = 0.5
"""Length of a slice along the fret; a string touches about as much."""

LONGEST_SLICE_MM = 2.0
"""Sparse scans get longer slices, up to this."""

DRAWN_U_MM = 0.001
"""Standard uncertainty that the raster of a drawing leaves to the mean section of its crowns."""

LEAST_NOISE_MM = 1e-7
"""Points taken from a drawing scatter by rounding only."""

ROUNDS = 4
"""Rounds of fitting and rejecting; the last one runs to its end."""

LOOKED_AT_MM, ALIKE_SHARE = 0.0008, 0.2
"""Whether an arc fits at all is looked at where it misses the mean profile by more, or half of the
fret seems worn; in the slices that do not, if they are this share of all."""

UNLIKE_U_MM, BLUNT_U_MM = 0.0012, 0.0008
"""What a parabola about the top leaves to the height of a section that is nearly an arc, and of one
that is blunter, as standard uncertainty (superellipses of exponents 1.6 to 3.5)."""

WANTED_POINTS = 30
"""Points wanted in a slice's cap."""

LEAST_POINTS = 12
"""Fewer points than this, or a cap with a third of it bare, make no fit."""

NEAR_MM = 0.15
"""Points further than this from the first guess of an arc are left out of its first fit."""

REJECT_SIGMA = 4.0
"""Points further than this from their arc are wild: 6 in 100 000 of normal noise."""

RADIUS_SHARE = 0.3
"""How far (1 sigma, as a share) a crown's radius may wander from a new wire's where its points say
nothing of it; with flanks in sight the points outweigh this."""

SLOPE = 0.05
"""How far (1 sigma) the slope along the fret may wander from the guessed crown line's: a lifted end
rises by 0.05 mm per mm at most."""

QUARTIC_SIGMA = 4.0
"""A flat shows as a fourth-order dent in the residuals; from this many sigma on it is tried."""

FLAT_GAIN = 25.0
"""A flat is taken for real if it lowers the sum of squares by this many variances (5 sigma)."""

FLAT_TRIES = (0.17, 0.33, 0.55)
"""Half widths of the flat, over the half width fitted, from which its fit is started."""

FACETS_IN_FLAT = 3.0
"""A flat narrower than this many facets of a mesh may be the facets."""

LEAST_FLAT_MM = 0.12
"""A flat narrower than this is not told from a round crown."""

MEDIAN_CHI2 = 0.454936
"""Median of chi-square with one degree of freedom."""

PROFILE_BINS = 24
"""Bins across the cap in which the mean misfit of a fret's profile is taken."""


@dataclass(frozen=True, slots=True)
class CrownLine:
    """The crown of one fret along its length, N slices."""

    fret: int  # fret number, from 1
    slice_mm: float  # length of a slice [mm]
    # middle of each slice along the fret from the centre line, towards the treble [mm], shape (N,)
    along_mm: FloatArray
    x_mm: FloatArray  # place of the crown's top in plan, in the neck's frame [mm], shape (N,)
    y_mm: FloatArray
    # height of the top over the datum and its standard uncertainty from scatter [mm], shape (N,)
    top_mm: FloatArray
    top_u_mm: FloatArray
    slope: FloatArray  # slope of the top along the fret, shape (N,)
    radius_mm: FloatArray  # radius of the crown and its standard uncertainty [mm], shape (N,)
    radius_u_mm: FloatArray
    # width of the worn flat, 0 where the top is round, and its standard uncertainty [mm], shape
    # (N,)
    flat_width_mm: FloatArray
    flat_width_u_mm: FloatArray
    noise_mm: float  # standard deviation of single points about the fits [mm]
    # standard uncertainty from the profile's misfit and the mesh's facets [mm]; the same for the
    # whole fret
    form_u_mm: float
    # squared second differences of neighbouring tops over what `top_u_mm` explains
    bend_ratio: FloatArray
    section: CrownSection | None = None  # that the tops were taken by; None for arcs
    # of a crown taken for an arc, its section where it is none, worn or not: of a whole neck that
    # is what its crowns are like
    unlike: CrownSection | None = None


@dataclass(frozen=True, slots=True)
class FretGuess:
    """One fret before its crown is fitted: where it runs, and what is known of its crown."""

    fret: int  # fret number, from 1
    base_mm: float
    lean_slope: float
    crest_coefficients: FloatArray  # of the guess of the crown line, highest power first
    crown_height_mm: float
    crown_width_mm: float
    facet_mm: float = 0.0  # of a mesh, and what its facets leave open
    facet_u_mm: float = 0.0
    edge_u_mm: float = 0.0  # what a round crown may stand over a level facet that ends in edges
    sharp: bool = False  # whether the top is an edge of the drawing

    def section(self, across_mm: FloatArray, over_mm: FloatArray) -> CrownSection | None:
        """Return the mean section of points over the guess."""
        return mean_section(
            across_mm,
            over_mm,
            crown_height_mm=self.crown_height_mm,
            crown_width_mm=self.crown_width_mm,
            sharp=self.sharp,
        )


@dataclass(frozen=True, slots=True)
class _Slices:
    """Points in slices: sorted, with what each slice starts from."""

    across: FloatArray
    along: FloatArray
    over: FloatArray
    group: IntArray
    starts: IntArray
    middle: FloatArray
    step: float

    def only(self, chosen: BoolArray) -> _Slices:
        """Return the points chosen, with the slices that still have some."""
        group = self.group[chosen]
        starts = np.flatnonzero(np.diff(group, prepend=-1))
        return _Slices(
            self.across[chosen],
            self.along[chosen],
            self.over[chosen],
            group,
            starts,
            self.middle,
            self.step,
        )

    @property
    def present(self) -> IntArray:
        """Slice of each group of points that is left."""
        return self.group[self.starts]

    @property
    def local(self) -> FloatArray:
        """Place of each point along the fret from its slice's middle."""
        return self.along - self.middle[self.group]


def fit_crown_line(
    points: CrownPoints, guess: FretGuess, like: CrownSection | None = None
) -> CrownLine | None:
    """Return the crown line of one fret; None where its points make no slice.

    `like` is the section of another fret, of the kind that the whole neck has, for a fret that did
    not show its own.
    """
    crown_width_mm, facet_u_mm = guess.crown_width_mm, guess.facet_u_mm
    slices = _cut(points, guess)
    if slices is None:
        return None
    section = guess.section(slices.across, slices.over)
    if like is not None:
        section = like if section is None else replace(section, kind=like.kind)
    if section is not None and section.kind != "round":
        nearly = UNLIKE_U_MM if section.kind != "blunt" else BLUNT_U_MM
        return _by_section(slices, section, guess, unlike_u_mm=0.0 if like is None else nearly)
    radius = crown_radius_mm(guess.crown_height_mm, crown_width_mm)
    least = max(LEAST_NOISE_MM, facet_u_mm)
    round_tops = _fit_round(slices, radius, CAP_SHARE * crown_width_mm, least)
    if round_tops is None:
        return None
    fits, cap, noise, parameters, covariance = round_tops
    count = len(slices.middle)
    top = parameters[:, 1] + parameters[:, 2]
    variance = covariance[:, 1, 1] + covariance[:, 2, 2] + 2.0 * covariance[:, 1, 2]
    width, width_u = np.zeros(count), np.zeros(count)
    worn = _dented(cap, fits, noise, CAP_SHARE * crown_width_mm, count)
    reach = CAP_SHARE * crown_width_mm
    _, form = _profile(cap, parameters[:, 0], fits.distance_mm, reach, ~worn)
    if worn.any():
        flat, flat_form = _fit_flat(
            slices,
            worn,
            parameters,
            radius=radius,
            noise=noise,
            reach=WIDE_SHARE * crown_width_mm,
            least_mm=max(LEAST_FLAT_MM, FACETS_IN_FLAT * guess.facet_mm),
        )
        for i, values in flat.items():
            top[i], variance[i], width[i], width_u[i], parameters[i, :4], covariance[i, 2, 2] = (
                values
            )
        if 2 * len(flat) > len(cap.present):
            form = max(form, flat_form)
    unlike = None
    if not guess.facet_mm and (form > LOOKED_AT_MM or 2 * int((width > 0.0).sum()) > count):
        unlike = _unlike_arc(slices, width, guess)
    known = np.isfinite(top) & (variance > 0.0)
    if int(known.sum()) < 2:
        return None
    return CrownLine(
        **_placed(
            guess,
            slices.middle[known],
            height=top[known],
            u=np.sqrt(variance[known]),
            centre=parameters[known, 0],
            slope=parameters[known, 3],
        ),
        slice_mm=slices.step,
        radius_mm=parameters[known, 2],
        radius_u_mm=np.sqrt(np.maximum(covariance[known, 2, 2], 0.0)),
        flat_width_mm=width[known],
        flat_width_u_mm=width_u[known],
        noise_mm=noise,
        form_u_mm=float(np.linalg.norm([form, facet_u_mm, guess.edge_u_mm])),
        unlike=unlike,
    )


def _placed(
    guess: FretGuess,
    along: FloatArray,
    *,
    height: FloatArray,
    u: FloatArray,
    centre: FloatArray,
    slope: FloatArray,
) -> dict[str, Any]:
    """Return what a crown line says of its tops, by heights and slopes over the guess."""
    lean, crest = guess.lean_slope, guess.crest_coefficients
    cosine = 1.0 / np.sqrt(1.0 + lean**2)
    return {
        "fret": guess.fret,
        "along_mm": along,
        "x_mm": guess.base_mm + (along * lean + centre) * cosine,
        "y_mm": (along - centre * lean) * cosine,
        "top_mm": height + np.polyval(crest, along),
        "top_u_mm": u,
        "slope": slope + np.polyval(np.polyder(crest), along),
        "bend_ratio": _bend_ratio(along, height, u),
    }


def _unlike_arc(slices: _Slices, flat_width: FloatArray, guess: FretGuess) -> CrownSection | None:
    """Return the mean section of a fret, with its kind, if it is that of no arc, worn or not.

    Wear differs along a fret: slices without, or else worn about as wide, are looked at alone.
    """
    alike = flat_width == 0.0
    if float(alike.mean()) < ALIKE_SHARE:
        low, high = np.quantile(flat_width, [0.25, 0.75])
        alike = (flat_width >= low) & (flat_width <= high)
    of = slices.only(alike[slices.group])
    section = guess.section(of.across, of.over)
    kind = unlike_arc(section, guess.crown_width_mm) if section else None
    if section is None or kind is None:
        return None
    return replace(section, kind=kind)


def turned_slope(
    points: CrownPoints, crest_coefficients: FloatArray, turn_slope: float, crown_height_mm: float
) -> tuple[CrownPoints, FloatArray]:
    """Return the points of a crown that slopes to one side about a line turned in plan.

    Along the turned line the slope has other heights, and so the guess of its crest is tilted.
    """
    across = points.across_mm + np.float32(turn_slope) * points.along_mm
    upper = np.flatnonzero(points.over_guess_mm > -0.5 * crown_height_mm)[::5]
    terms = np.column_stack([np.ones(len(upper)), across[upper], points.along_mm[upper]])
    over = points.over_guess_mm[upper].astype(float)
    weight: FloatArray = np.ones(len(upper))
    tilt = 0.0
    for _ in range(8 if len(upper) > LEAST_POINTS else 0):
        fit = np.linalg.lstsq(terms * weight[:, None], over * weight, rcond=None)[0]
        off = np.abs(over - terms @ fit)
        weight = 1.0 / np.sqrt(np.maximum(off, 0.005))
        tilt = float(fit[2])
    crest = crest_coefficients.copy()
    crest[-2] += tilt
    over_guess = points.over_guess_mm - np.float32(tilt) * points.along_mm
    return replace(points, across_mm=across, over_guess_mm=over_guess), crest


def _by_section(
    slices: _Slices, section: CrownSection, guess: FretGuess, *, unlike_u_mm: float
) -> CrownLine | None:
    """Return the crown line of a fret whose crown is not round, from its own mean section."""
    middle = slices.middle[slices.present]
    moved, raised = np.zeros(len(middle)), np.zeros(len(middle))
    across, over = slices.across, slices.over
    for attempt in range(SECTION_ROUNDS):
        # a section over a poor guess of the crown line may be too rough to show any slope
        for rough in (False, True):
            height, variance, shift, slope, noise = fit_section(
                section,
                across,
                over,
                slices.local,
                slices.starts,
                crown_height_mm=guess.crown_height_mm,
                least_points=LEAST_POINTS,
                rough=rough,
            )
            known = np.isfinite(height) & (variance > 0.0)
            if 2 * int(known.sum()) > len(middle):
                break
        if attempt == SECTION_ROUNDS - 1 or int(known.sum()) < 2 * SMOOTH_DEGREE:
            break
        # the section is sharper over the crown line as it runs than over the guess of it
        line = _smooth(middle[known], shift[known], 1)
        crest = _smooth(middle[known], height[known], SMOOTH_DEGREE)
        if np.abs([line(middle), crest(middle)]).max() < SETTLED_MM:
            break
        again = guess.section(across - line(slices.along), over - crest(slices.along))
        if again is None:
            break
        # the better section of a fret that is taken by it may be round by its widths alone
        section = again if again.kind != "round" else replace(again, kind=section.kind)
        across, over = across - line(slices.along), over - crest(slices.along)
        moved, raised = moved + line(middle), raised + crest(middle)
    slope = slope + np.gradient(raised, middle) if len(middle) > 1 else slope
    height, shift = height + raised, shift + moved
    known = np.isfinite(height) & (variance > 0.0)
    if int(known.sum()) < 2:
        return None
    none = np.zeros(int(known.sum()))
    facet_u_mm = math.hypot(guess.facet_u_mm, DRAWN_U_MM) if guess.facet_mm else 0.0
    return CrownLine(
        **_placed(
            guess,
            middle[known],
            height=height[known],
            u=np.sqrt(variance[known]),
            centre=section.top_across_mm + shift[known],
            slope=slope[known],
        ),
        slice_mm=slices.step,
        radius_mm=none + section.radius_mm,
        radius_u_mm=none + 0.3 * section.radius_mm,
        flat_width_mm=none,
        flat_width_u_mm=none,
        noise_mm=noise,
        form_u_mm=float(np.linalg.norm([section.top_u_mm, facet_u_mm, unlike_u_mm])),
        section=section,
    )


def _smooth(along: FloatArray, value: FloatArray, degree: int) -> np.polynomial.Polynomial:
    """Return a robust polynomial through values along a fret."""
    weight = np.ones(len(along))
    for _ in range(4):
        fit = np.polynomial.Polynomial.fit(along, value, degree, w=weight)
        off = np.abs(value - fit(along))
        limit = max(0.01, 4.0 * NORMAL_MAD * float(np.median(off)))
        weight = np.maximum(1.0 - np.minimum(off / limit, 1.0) ** 2, 1e-3)
    return fit


def _cut(points: CrownPoints, guess: FretGuess) -> _Slices | None:
    """Return the points sorted into slices, without those that lie under the crown."""
    upper = points.over_guess_mm > -UPPER_SHARE * guess.crown_height_mm
    along = points.along_mm[upper].astype(float)
    across = points.across_mm[upper].astype(float)
    if len(along) < LEAST_POINTS:
        return None
    low, high = float(along.min()), float(along.max())
    in_cap = int((np.abs(across) < CAP_SHARE * guess.crown_width_mm).sum())
    density = max(in_cap / max(high - low, 1.0), 1e-9)
    step = float(np.clip(WANTED_POINTS / density, SLICE_MM, LONGEST_SLICE_MM))
    count = max(1, int(np.ceil((high - low) / step)))
    number = np.minimum(((along - low) / step).astype(np.int16), count - 1)
    order = np.argsort(number, kind="stable")
    number = number[order].astype(np.intp)
    along = along[order]
    filled = np.bincount(number, minlength=count)
    middle = np.bincount(number, along, count) / np.maximum(filled, 1)
    return _Slices(
        across[order],
        along,
        points.over_guess_mm[upper].astype(float)[order],
        number,
        np.flatnonzero(np.diff(number, prepend=-1)),
        middle,
        step,
    )


def _covered(slices: _Slices, cap: float, centre: FloatArray) -> BoolArray:
    """Say which slices have enough points, with none of the cap's three thirds bare."""
    count = len(slices.middle)
    off = slices.across - centre[slices.group]
    third = np.clip(np.floor((off + cap) / (2.0 * cap) * 3.0), -1, 3).astype(np.intp) + 1
    table = np.bincount(slices.group * 5 + third, minlength=count * 5).reshape(count, 5)[:, 1:4]
    return np.asarray((table.min(axis=1) >= 3) & (table.sum(axis=1) >= LEAST_POINTS))


def _fit_round(
    slices: _Slices, radius: float, cap_width: float, least_noise: float
) -> tuple[ArcFits, _Slices, float, FloatArray, FloatArray] | None:
    """Return round crowns of all slices that can be fitted, NaN for the others.

    Least squares over the points within four sigma, found from the median outwards.
    """
    count = len(slices.middle)
    first = np.tile([0.0, -radius, radius, 0.0], (count, 1))
    noise = NEAR_MM / REJECT_SIGMA
    fits, cap = None, slices
    for attempt in range(ROUNDS):
        reach = np.abs(slices.across - first[slices.group, 0]) < cap_width
        reach &= _covered(slices, cap_width, first[:, 0])[slices.group]
        if not reach.any():
            return None
        cap = slices.only(reach)
        if attempt == 0:
            # the guess of the crest may be off by more than the noise: centre each slice first
            off = cap.over - (np.sqrt(radius**2 - cap.across**2) - radius)
            first[cap.present, 1] += group_middles(off, cap.starts)
        distance = arc_distance_mm(first, cap.group, cap.across, cap.over, cap.local)
        if attempt > 0:
            noise = NORMAL_MAD * float(np.median(np.abs(distance)))
            noise = max(noise, least_noise)
        good = np.abs(distance) < max(REJECT_SIGMA * noise, 1e-6)
        cap = cap.only(good)
        many = np.diff(np.append(cap.starts, len(cap.across)))
        enough = many >= LEAST_POINTS
        if not enough.any():
            return None
        if not enough.all():
            cap = cap.only(np.repeat(enough, many))
        fits = fit_arcs(
            cap.across,
            cap.over,
            cap.local,
            cap.starts,
            first[cap.present],
            hold_parameters=_hold(first[cap.present], radius, noise),
            most_steps=3 if attempt < ROUNDS - 1 else 10,
        )
        first[cap.present] = fits.parameters
    if fits is None:
        return None
    parameters = np.full((count, 4), np.nan)
    parameters[cap.present] = fits.parameters
    every = np.ones(count, dtype=bool)
    noise, _ = _profile(cap, parameters[:, 0], fits.distance_mm, cap_width, every)
    noise = max(noise, least_noise)
    covariance = np.zeros((count, 4, 4))
    floor = 1e-12 * np.einsum("gpp->gp", fits.normal).max(axis=1)
    covariance[cap.present] = noise**2 * np.linalg.inv(
        fits.normal + floor[:, None, None] * np.eye(4)
    )
    return fits, cap, noise, parameters, covariance


def _hold(start: FloatArray, radius: float, noise: float) -> tuple[FloatArray, FloatArray]:
    """Return the hold on radius and slope: a slice of one row shows no slope."""
    near = start.copy()
    near[:, 2], near[:, 3] = radius, 0.0
    firmness = np.zeros(start.shape[1])
    firmness[2] = (noise / (RADIUS_SHARE * radius)) ** 2
    firmness[3] = (noise / SLOPE) ** 2
    return near, firmness


def _profile(
    cap: _Slices, centre: FloatArray, distance: FloatArray, cap_width: float, chosen: BoolArray
) -> tuple[float, float]:
    """Return the scatter of points about the fret's mean profile, and that profile's misfit [mm].

    The profile is the mean distance of points from their fit in bins across the cap, over chosen
    slices; `centre` is where the crown of each slice lies across.
    What all slices share is form, which more points do not average away; the rest is noise.
    """
    used = chosen[cap.group]
    if not used.any():
        return 0.0, 0.0
    share = (cap.across - centre[cap.group])[used] / cap_width
    place = np.clip(((share + 1.0) * 0.5 * PROFILE_BINS).astype(np.intp), 0, PROFILE_BINS - 1)
    distance = distance[used]
    count = np.bincount(place, minlength=PROFILE_BINS)
    mean = np.bincount(place, distance, PROFILE_BINS) / np.maximum(count, 1)
    slices = int(np.count_nonzero(chosen[cap.present]))
    freedom = len(distance) - 4 * slices - int(np.count_nonzero(count))
    square = float(np.sum((distance - mean[place]) ** 2)) / max(1, freedom)
    filled = count > 3
    if not filled.any():
        return float(np.sqrt(square)), 0.0
    excess = float(np.mean(mean[filled] ** 2 - square / count[filled]))
    return float(np.sqrt(square)), float(np.sqrt(max(0.0, excess)))


def _dented(cap: _Slices, fits: ArcFits, noise: float, cap_width: float, count: int) -> BoolArray:
    """Say which slices have a fourth-order dent: flat in the middle, bulging beside it."""
    dented = np.zeros(count, dtype=bool)
    centre = np.zeros(count)
    centre[cap.present] = fits.parameters[:, 0]
    t = (cap.across - centre[cap.group]) / cap_width
    quartic = t**4 - 6.0 / 7.0 * t**2 + 3.0 / 35.0  # Legendre, orthogonal to the circle's freedom
    total = np.add.reduceat(quartic * fits.distance_mm, cap.starts)
    size = np.sqrt(np.add.reduceat(quartic**2, cap.starts))
    # a worn top lies under the circle in the middle and over it halfway out
    dented[cap.present] = -total / np.maximum(size, 1e-12) > QUARTIC_SIGMA * noise
    return dented


def _fit_flat(
    slices: _Slices,
    worn: BoolArray,
    parameters: FloatArray,
    *,
    radius: float,
    noise: float,
    reach: float,
    least_mm: float,
) -> tuple[dict[int, tuple[float, float, float, float, FloatArray, float]], float]:
    """Return flats of slices, and what the mean profile of these misses the fits by [mm].

    Of each its top, the top's variance, its width and the width's u, parameters and radius
    variance.
    """
    chosen = worn[slices.group] & (np.abs(slices.across - parameters[slices.group, 0]) < reach)
    wide = slices.only(chosen)
    distance = arc_distance_mm(parameters, wide.group, wide.across, wide.over, wide.local)
    wide = wide.only(np.abs(distance) < NEAR_MM)
    groups = wide.present

    def fitted(start: FloatArray, flat: bool) -> ArcFits:
        points = wide.across, wide.over, wide.local, wide.starts
        hold = _hold(start, radius, noise)
        fits = fit_arcs(*points, start, flat=flat, hold_parameters=hold)
        weight = (np.abs(fits.distance_mm) < REJECT_SIGMA * noise).astype(float)
        return fit_arcs(*points, fits.parameters, flat=flat, hold_parameters=hold, weight=weight)

    def capped_cost(fits: ArcFits) -> FloatArray:
        limit = (REJECT_SIGMA * noise) ** 2
        return np.asarray(np.add.reduceat(np.minimum(fits.distance_mm**2, limit), wide.starts))

    before = capped_cost(fitted(parameters[groups], flat=False))
    level = parameters[groups, 1] + parameters[groups, 2]
    tries = []
    for share in FLAT_TRIES:  # one start may settle in the wrong valley
        half_width = share * reach
        start = np.column_stack([parameters[groups], level])
        start[:, 2] = radius
        start[:, 1] = level - np.sqrt(max(radius**2 - half_width**2, 0.0))
        tries.append(fitted(start, flat=True))
    costs = np.stack([capped_cost(fits) for fits in tries])
    best, best_cost = costs.argmin(axis=0), costs.min(axis=0)
    found = {}
    gain = (before - best_cost) / noise**2
    for row, i in enumerate(groups.tolist()):
        p = tries[best[row]].parameters[row]
        square = p[2] ** 2 - (p[4] - p[1]) ** 2
        if gain[row] < FLAT_GAIN or square <= (0.5 * least_mm) ** 2 or p[4] < p[1]:
            continue
        normal = tries[best[row]].normal[row]
        floor = 1e-12 * float(np.diagonal(normal).max())
        covariance = noise**2 * np.linalg.inv(normal + floor * np.eye(5))
        width = 2.0 * math.sqrt(float(square))
        # d width / d (zc, R, zf) of 2 sqrt(R² - (zf - zc)²)
        pull = np.array([0.0, p[4] - p[1], p[2], 0.0, p[1] - p[4]]) * 4.0 / width
        width_u = math.sqrt(max(0.0, float(pull @ covariance @ pull)))
        if width < 2.0 * width_u or width > 2.0 * reach:
            continue
        found[i] = (
            float(p[4]), float(covariance[4, 4]), width, width_u, p[:4], float(covariance[2, 2])
        )  # fmt: skip
    of = best[np.searchsorted(groups, wide.group)]
    distance = np.stack([fits.distance_mm for fits in tries])[of, np.arange(len(of))]
    near = np.abs(distance) < REJECT_SIGMA * noise
    centre = np.full(len(wide.middle), np.nan)
    for row, i in enumerate(groups.tolist()):
        centre[i] = tries[best[row]].parameters[row, 0]
    flat = np.isin(np.arange(len(centre)), list(found))
    return found, _profile(wide.only(near), centre, distance[near], reach, flat)[1]


def _bend_ratio(along: FloatArray, top: FloatArray, u: FloatArray) -> FloatArray:
    """Return squared second differences of neighbouring tops over what their u explains."""
    if len(along) < 3:
        return np.zeros(0)
    left = (along[1:-1] - along[:-2]) / (along[2:] - along[:-2])
    bend = top[1:-1] - (1.0 - left) * top[:-2] - left * top[2:]
    expected = u[1:-1] ** 2 + ((1.0 - left) * u[:-2]) ** 2 + (left * u[2:]) ** 2
    close = along[2:] - along[:-2] < 2.0 * LONGEST_SLICE_MM
    return np.asarray((bend**2 / expected)[close])


def scatter_ratios(bend_ratio: list[FloatArray]) -> list[float]:
    """Return the scatter of neighbouring slices over what their uncertainties explain, 1 or more.

    From second differences of tops, by their median, so that a worn place does not count. All frets
    of a scan share one ratio, unless a fret with many slices stands out.
    """
    every = np.concatenate(bend_ratio) if bend_ratio else np.zeros(0)
    if len(every) < 30:
        return [1.0] * len(bend_ratio)
    shared = max(1.0, float(np.median(every)) / MEDIAN_CHI2)
    ratios = []
    for squares in bend_ratio:
        own = float(np.median(squares)) / MEDIAN_CHI2 if len(squares) >= 20 else 0.0
        ratios.append(float(np.sqrt(own if own > 3.0 * shared else shared)))
    return ratios
