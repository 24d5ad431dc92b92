"""Where the frets of a specification lie in a level strip map.

The specification's scale says how far apart the frets are; the map says where something stands up.
Both ends, both sides and both polarities are tried, each at every place along the neck, and the
scores are kept, so that a close second is reported and not overlooked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, IntArray
from evenfall.instrument import Specification, StringLines, fret_distance_mm
from evenfall.scans.laid_flat import BIN_MM, WINDOW_MM, StripMap, median_along

LEAST_HEIGHT_SHARE = 0.35
"""A ridge lower than this share of a new crown is no fret."""

WIDER = 1.5
"""A map of more strips than this share of a board's width shows more than the board."""

STEEP_MM = 6.0
"""Where the ground rises or falls by more in each half of a window it is no board laid level: the
flanks of round bodies, rough ground."""

YAW_RAD = np.deg2rad(np.arange(-4.0, 4.01, 0.25))
"""Turns about the vertical that are tried; the principal axes of a board are off by less."""


@dataclass(frozen=True, slots=True)
class FretLines:
    """Straight fret lines in plan, x = base + lean y."""

    # where each fret crosses the centre line [mm], shape (F,); NaN where none was found
    base_mm: FloatArray
    lean_slope: FloatArray  # dx/dy of each fret, shape (F,)

    @property
    def cosine(self) -> FloatArray:
        """Cosine of the angle between each fret and the square of the neck, shape (F,)."""
        return np.asarray(1.0 / np.sqrt(1.0 + self.lean_slope**2))

    def off_mm(self, fret: int, x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
        """Return how far places lie from the line of a fret (from 0), towards the bridge."""
        off = x_mm - self.base_mm[fret] - self.lean_slope[fret] * y_mm
        return np.asarray(off * self.cosine[fret])

    def crossings(self, lines: StringLines) -> tuple[FloatArray, FloatArray]:
        """Return x and y where strings cross the frets as they stand, shape (K, F) [mm]."""
        run = lines.run_slope[:, None]
        # y = y0 + run (x - x0) and x = base + lean y
        start = lines.y_mm[:, :1] - run * lines.x_mm[:, :1]
        y = (start + run * self.base_mm) / (1.0 - run * self.lean_slope)
        return self.base_mm + self.lean_slope * y, y


@dataclass(frozen=True, slots=True)
class Match:
    """One way of laying the specification's frets over a strip map."""

    score_share: float  # mean height found at the frets' places, as a share of a new crown, 0 to 1
    # +1 or -1: whether the map's x runs to the bridge, and its y to the treble side
    along_order: int
    across_order: int
    up_order: int  # +1 where frets stand up in the map, -1 where they point down
    nut_mm: float  # the map's x of the nut on the centre line [mm]
    yaw_rad: float  # turn of the frets about the vertical against the map [rad]
    scale_ratio: float  # scale found over scale specified
    inside_count: int = 0  # frets that then lie within the map
    middle_y_mm: float = 0.0  # the map's y in the middle of the strips that were looked at [mm]
    usual_share: float = 0.0  # mean height anywhere in these strips, as the score's

    def seen_share(self, frets: int) -> float:
        """Return the score over the frets within the map alone."""
        return self.score_share * frets / max(1, self.inside_count)


def nominal_lines(lines: StringLines, fret_number: Sequence[int] | None = None) -> FretLines:
    """Return the specification's fret lines, through their crossings with the outer strings."""
    frets = lines.x_mm.shape[1] - 1
    wanted = np.arange(1, frets + 1) if fret_number is None else np.array(fret_number)
    # along each string crossings go with 1 - 2^(-n/12)
    share = fret_distance_mm(1.0, wanted) / fret_distance_mm(1.0, float(frets))
    x, y = (
        at[[0, -1], :1] + (at[[0, -1], -1:] - at[[0, -1], :1]) * share
        for at in (lines.x_mm, lines.y_mm)
    )
    lean = (x[0] - x[1]) / (y[0] - y[1])
    return FretLines(x[0] - lean * y[0], lean)


def match_frets(strips: StripMap, nominal: FretLines, specification: Specification) -> list[Match]:
    """Return the best match for each of the eight ways round, best first.

    Straight frets look the same from both sides: for them only the four ways that keep the hand of
    the axes are returned.
    """
    found, width_mm = [], specification.board.width_nut_mm
    for up in (1, -1):
        standing = _ridges(strips, up, specification)
        for along in (1, -1):
            unmirrored = up * along
            for across in (unmirrored, -unmirrored):
                if across != unmirrored and not np.any(nominal.lean_slope):
                    continue  # straight frets look the same from both sides
                method = Match(0.0, along, across, up, 0.0, 0.0, 1.0)
                found.append(_best_place(strips, standing, nominal, method, width_mm))
    return sorted(found, key=lambda match: -match.score_share)


def match_scale(
    match: Match,
    strips: StripMap,
    nominal: FretLines,
    specification: Specification,
    scale_ratio: tuple[float, ...],
) -> Match:
    """Return the best match the same way round on a scale somewhat off the specified one."""
    standing = _ridges(strips, match.up_order, specification)
    width_mm = specification.board.width_nut_mm
    others = [
        _best_place(strips, standing, nominal, replace(match, scale_ratio=ratio), width_mm)
        for ratio in scale_ratio
    ]
    best = max(others, key=lambda other: other.score_share)
    # the specified scale stands unless another one clearly shows more
    return best if best.score_share > match.score_share + 0.02 else match


def _level(strips: StripMap) -> BoolArray:
    """Say where the ground may be a board: level on one side at least, as at a board's end."""
    board, step = strips.board_mm, round(WINDOW_MM / BIN_MM)
    rise = np.nan_to_num(np.abs(board[:, step:] - board[:, :-step]), nan=np.inf)
    least = np.full(board.shape, np.inf)
    least[:, step:] = rise
    least[:, :-step] = np.minimum(least[:, :-step], rise)
    return least < STEEP_MM


def _ridges(
    strips: StripMap, up: int, specification: Specification
) -> tuple[FloatArray, BoolArray]:
    """Return the mean height over a crown's width about each bin, as a share, and what is level.

    The height is 0 where there is no point and where the ground is not level.
    """
    level, wire = _level(strips), specification.fretwire
    standing = np.nan_to_num(np.where(level, up * strips.relative_mm, 0.0))
    share = np.clip(standing / (0.7 * wire.crown_height_mm), 0.0, 1.0)
    reach = max(1, round(0.8 * wire.crown_width_mm / BIN_MM))
    kernel = np.full(reach, 1.0 / reach)
    for row in np.flatnonzero(share.any(axis=1)):
        share[row] = np.convolve(share[row], kernel, mode="same")
    return share, level


def _best_place(
    strips: StripMap,
    standing: tuple[FloatArray, BoolArray],
    nominal: FretLines,
    method: Match,
    width_mm: float,
) -> Match:
    """Return the best place along the neck and yaw for one way round and one scale.

    Of a map that is wider than a board only the strips of a board's width count that show the most.
    """
    ridge, level = standing
    count, bins = ridge.shape
    seen = np.flatnonzero((level & np.isfinite(strips.relative_mm)).mean(axis=1) > 0.1)
    if not len(seen):
        return method
    off = strips.y_mm - 0.5 * float(strips.y_mm[0] + strips.y_mm[-1])
    y = method.across_order * off
    expected = nominal.base_mm + nominal.lean_slope * y[:, None]
    step = np.round(method.along_order * method.scale_ratio * expected / BIN_MM).astype(np.intp)
    turned = np.round(np.tan(YAW_RAD)[:, None] * off / BIN_MM).astype(np.intp)
    reach = int(np.abs(step).max()) + 1
    spare = int(np.abs(turned).max())
    shifts = bins + 2 * reach
    padded = np.pad(ridge, ((0, 0), (2 * reach + spare, 2 * reach + spare)))
    per_strip = np.zeros((count, shifts + 2 * spare))
    for strip in seen.tolist():
        for j in range(step.shape[1]):
            first = reach + int(step[strip, j])
            per_strip[strip] += padded[strip, first : first + shifts + 2 * spare]
    window = max(1, round(width_mm / strips.strip_mm))
    if len(seen) > WIDER * window:
        first = _showing_most(per_strip[:, spare : spare + shifts], seen, window)
        seen = seen[first : first + window]
    middle = float(strips.y_mm[seen].mean())
    usual = float(ridge[seen][level[seen]].mean())
    best = replace(method, score_share=-1.0, middle_y_mm=middle, usual_share=usual)
    for yaw, moved in zip(YAW_RAD, turned.tolist(), strict=True):
        total = np.zeros(shifts)
        for strip in seen.tolist():
            offset = spare + moved[strip]
            total += per_strip[strip, offset : offset + shifts]
        top = int(total.argmax())
        score = float(total[top]) / (len(seen) * step.shape[1])
        if score > best.score_share + 1e-12:
            nut = float(strips.x_mm[0]) + (top - reach) * BIN_MM
            best = replace(best, score_share=score, nut_mm=nut, yaw_rad=float(yaw))
    place = best.nut_mm + best.along_order * best.scale_ratio * nominal.base_mm
    inside = (place > strips.x_mm[0]) & (place < strips.x_mm[-1])
    return replace(best, inside_count=int(inside.sum()))


def _showing_most(per_strip: FloatArray, seen: IntArray, window: int) -> int:
    """Return the first of so many neighbouring strips that together show the most anywhere."""
    total = per_strip[seen[:window]].sum(axis=0)
    most = [float(total.max())]
    for gone, come in zip(seen[:-window], seen[window:], strict=True):
        total += per_strip[come] - per_strip[gone]
        most.append(float(total.max()))
    return int(np.argmax(most))


def ridge_places(
    strips: StripMap, up: int, expected_mm: FloatArray, *, reach_mm: float, least_mm: float
) -> FloatArray:
    """Return where a ridge stands near each expected place, NaN where there is none.

    The place is the centre of what stands over half the ridge's own height.
    """
    reach = int(np.ceil(reach_mm / BIN_MM))
    offsets = np.arange(-reach, reach + 1)
    column = np.round((expected_mm - strips.x_mm[0]) / BIN_MM).astype(np.intp)
    index = column[..., None] + offsets
    inside = (index >= 0) & (index < len(strips.x_mm))
    rows = np.arange(len(strips.y_mm))[:, None, None]
    heights = up * strips.relative_mm[rows, np.clip(index, 0, len(strips.x_mm) - 1)]
    heights = np.where(inside & np.isfinite(heights), heights, 0.0)
    ordered = np.sort(heights, axis=-1)
    peak = ordered[..., -2]  # one wild bin is no ridge
    weight = np.clip(heights - 0.5 * peak[..., None], 0.0, 0.5 * peak[..., None])
    total = weight.sum(axis=-1)
    centre = (weight * offsets).sum(axis=-1) / np.where(total > 0.0, total, 1.0)
    place = strips.x_mm[0] + (column + centre) * BIN_MM
    return np.where((peak > least_mm) & (total > 0.0), place, np.nan)


def straight_lines(
    place_mm: FloatArray, y_mm: FloatArray, *, least_strips: int
) -> tuple[FloatArray, FloatArray]:
    """Return base and lean of robust straight lines through places in strips."""
    base = np.full(place_mm.shape[1], np.nan)
    lean = np.zeros(place_mm.shape[1])
    for j in range(place_mm.shape[1]):
        known = np.isfinite(place_mm[:, j])
        for _ in range(4):
            if int(known.sum()) < least_strips:
                break
            design = np.column_stack([np.ones(int(known.sum())), y_mm[known]])
            fit = np.linalg.lstsq(design, place_mm[known, j], rcond=None)[0]
            off = np.abs(place_mm[:, j] - fit[0] - fit[1] * y_mm)
            base[j], lean[j] = fit
            limit = max(0.1, 3.0 * float(np.median(off[known])))
            now = np.isfinite(off) & (off < limit)
            if bool(np.all(now == known)):
                break
            known = now
    return base, lean


def collapsed(strips: StripMap, up: int) -> FloatArray:
    """Return the median over the middle strips of what stands over the board, shape (bins,)."""
    count = len(strips.y_mm)
    middle = slice(count // 4, max(count // 4 + 1, count - count // 4))
    return median_along(up * strips.relative_mm[middle].T)
