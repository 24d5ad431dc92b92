"""Synthetic scans of fretboards whose every height is known (invented instruments).

The surface is written down point by point from its own geometry, not by anything that the package
computes: only the specification reader and `string_lines` are shared with it, since they say where
the strings run. Every scan is drawn from a seed and can be made again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenfall.instrument import Specification, StringLines, read_specification, string_lines
from evenfall.scans import CrownSurvey

FloatArray = NDArray[np.float64]

#: name: frets, scale, board (radius nut, last; width nut, last; spread nut, saddle), wire, strings
MODELS: dict[str, tuple[int, str, tuple[float, ...], tuple[float, float], tuple[str, ...]]] = {
    "electric": (
        22,
        "length = 648.0",
        (254.0, 305.0, 43.0, 56.0, 36.0, 52.0),
        (1.20, 2.40),
        ("E4", "B3", "G3", "D3", "A2", "E2"),
    ),
    "electric-24": (
        24,
        "length = 635.0",
        (305.0, 406.0, 43.0, 57.5, 36.0, 53.0),
        (1.30, 2.70),
        ("E4", "B3", "G3", "D3", "A2", "E2"),
    ),
    "fanned": (
        24,
        "bass = 685.8\ntreble = 660.4\nsquare_fret = 7",
        (406.0, 508.0, 48.0, 63.0, 40.0, 60.0),
        (1.20, 2.40),
        ("E4", "B3", "G3", "D3", "A2", "E2"),
    ),
    "ukulele": (
        18,
        "length = 382.0",
        (0.0, 0.0, 36.0, 46.0, 28.0, 41.0),
        (0.90, 2.00),
        ("A4", "E4", "C4", "G4"),
    ),
    "bass": (
        20,
        "length = 762.0",
        (241.0, 305.0, 41.0, 59.0, 31.0, 57.0),
        (1.30, 2.80),
        ("G2", "D2", "A1", "E1"),
    ),
}


def specification(model: str) -> Specification:
    """Return the specification of one of `MODELS`."""
    frets, scale, board, wire, pitches = MODELS[model]
    names = ("radius_nut", "radius_last", "width_nut", "width_last")
    names += ("string_spread_nut", "string_spread_saddle")
    lines = [
        'schema = "evenfall/spec@1"',
        f'[model]\nname = "{model} (invented)"\nunits = "mm"\nfrets = {frets}',
        f"[scale]\n{scale}\nreference_fret = 12",
        "[board]\n" + "\n".join(f"{n} = {v}" for n, v in zip(names, board, strict=True)),
        f"[fretwire]\ncrown_height = {wire[0]}\ncrown_width = {wire[1]}\nleast_crown_height = 0.6",
    ]
    for number, pitch in enumerate(pitches, start=1):
        gauge, weight = 0.25 + 0.12 * number, 0.5 * number**1.4
        lines.append(
            f'[[string]]\nnumber = {number}\npitch = "{pitch}"\ngauge = {gauge:.3f}\n'
            f"mass_per_length = {weight:.3f}\ncore = 0.25\n"
            f"saddle_setback = {1.0 + 0.2 * number:.1f}"
        )
    lines.append(
        "[target]\naction = { treble = 1.5, bass = 1.9, tolerance = 0.15 }\n"
        "relief = { value = 0.20, minimum = 0.10, maximum = 0.30 }\n"
        "first_fret_gap = { treble = 0.30, bass = 0.45, tolerance = 0.10 }\n"
        "saddle_travel = { down = 0.8, up = 0.8 }\nnut_travel = { down = 0.25 }"
    )
    lines.append("[player]\nattack = 0.4\npluck_distance = 100.0")
    lines.append('[rule]\nextra_clearance = 0.02\ncoverage = 0.95\ndecision = "guard band"')
    return read_specification("\n".join(lines))[0]


@dataclass(frozen=True)
class Flat:
    """A worn flat on one fret: half of it either side of `y_mm`, `depth_mm` deep at the middle."""

    fret: int
    y_mm: float
    length_mm: float
    depth_mm: float


@dataclass(frozen=True)
class Lift:
    """A fret end that stands up: quadratic from `reach_mm` inside the end; side +1 = treble."""

    fret: int
    side: int
    height_mm: float
    reach_mm: float = 10.0


@dataclass(frozen=True)
class Bump:
    """A round bump on the board."""

    x_mm: float
    y_mm: float
    height_mm: float = 0.5
    radius_mm: float = 2.0


Crown = Literal["round", "triangular", "one-sided", "flat", "moulded", "blunt", "bluntest", "keen"]

EXPONENTS = {"blunt": 2.5, "bluntest": 3.5, "keen": 1.6}
"""Exponents of superellipses; an ellipse has 2."""

EDGE_MM = 0.08
"""Radius of the edges of crowns that are not round: none is sharper than a mould or a file."""


def crown_drop(
    kind: Crown, across: FloatArray, height: float, width: float, tip: float = 0.3
) -> FloatArray:
    """Return how far a crown's section lies under its top at distances across, bridge positive.

    Outside the crown it is more than its height. The top of every kind lies at 0, apart from that
    of the one-sided crown: its upright side stands towards the bridge, EDGE_MM past its top.
    """
    d = np.asarray(across, dtype=float)
    half = 0.5 * width
    if kind == "round":
        radius = (half**2 + height**2) / (2.0 * height)
        inside = np.abs(d) < min(half, radius)
        arc = radius - np.sqrt(np.maximum(0.0, radius**2 - d**2))
        return np.where(inside, arc, height + 1.0)
    if kind in EXPONENTS:  # a superellipse: between a bar, an arc and a point
        share, n = np.minimum(np.abs(d) / half, 1.0), EXPONENTS[kind]
        drop = height * (1.0 - (1.0 - share**n) ** (1.0 / n))
        return np.where(np.abs(d) < half, drop, height + 1.0)
    if kind == "flat":  # a bar: upright sides, edges rounded
        side, past = 0.4 * width, np.abs(d) - (0.4 * width - EDGE_MM)
        edge = EDGE_MM - np.sqrt(np.maximum(0.0, EDGE_MM**2 - np.maximum(past, 0.0) ** 2))
        return np.where(np.abs(d) < side, edge, height + 1.0)
    if kind == "one-sided":  # a slope from the nut's side, then upright
        slope = height / (half + 0.25 * width)
        turn = np.arctan(slope)
        # the edge is an arc about (0, -EDGE): tangent to the slope, and upright on the other side
        flank = -EDGE_MM * (1.0 / np.cos(turn) - 1.0) - slope * d
        arc = EDGE_MM - np.sqrt(np.maximum(0.0, EDGE_MM**2 - d**2))
        drop = np.where(d < -EDGE_MM * np.sin(turn), flank, arc)
        return np.where((d < EDGE_MM) & (drop < height), drop, height + 1.0)
    # straight flanks, tangent to a round tip
    radius = tip if kind == "moulded" else EDGE_MM
    slope = 1.0
    for _ in range(60):  # the flank reaches the board at half the width
        slope = (height + radius * (np.sqrt(1.0 + slope**2) - 1.0)) / half
    turn = np.arctan(slope)
    flank = slope * np.abs(d) - radius * (1.0 / np.cos(turn) - 1.0)
    arc = radius - np.sqrt(np.maximum(0.0, radius**2 - d**2))
    drop = np.where(np.abs(d) > radius * np.sin(turn), flank, arc)
    return np.where(np.abs(d) < half, drop, height + 1.0)


@dataclass(frozen=True)
class Recipe:
    """What one synthetic neck is like and how it was scanned; lengths in mm unless named."""

    seed: int = 0
    step_x: float = 0.05
    step_y: float = 0.2
    noise: float = 0.005
    outlier_share: float = 0.01
    outlier_size: float = 1.0
    shadow_share: float = 0.30
    relief: float = 0.15
    place_error: float = 0.03
    height_error: float = 0.03
    tilt_error: float = 0.001
    wave: float = 0.004  # of each crown along its fret
    flats: tuple[Flat, ...] = ()
    lifts: tuple[Lift, ...] = ()
    bumps: tuple[Bump, ...] = ()
    missing: tuple[int, ...] = ()
    unseated: tuple[tuple[int, float], ...] = ()
    rising_end: float = 0.0
    hump: float = 0.0
    nut_height: float = 1.6
    bevel: float = 0.0  # length of the fret ends filed off at 35 degrees
    crown: Crown = "round"
    tip: float = 0.3  # radius of a moulded crown's top
    off: tuple[tuple[int, float, float], ...] = ()  # fret, height, height per mm to the treble
    moved: tuple[tuple[int, float], ...] = ()  # fret, towards the bridge
    glue: float = 0.0  # height of what sticks to the feet of every other crown
    line_noise: float = 0.0  # of whole profiles across the board, alike from one to the next
    holes: int = 0  # round, of 3 mm
    crown_top: FloatArray | None = field(default=None, compare=False)
    span: tuple[float, float] = (-3.0, 6.0)


@dataclass(frozen=True)
class Scan:
    """A scan in the neck's frame with the truth behind it; arrays (K, F) in mm."""

    points_mm: NDArray[np.float64]
    crown_top_mm: FloatArray
    crown_height_mm: FloatArray
    flat_width_mm: FloatArray
    lines: StringLines
    specification: Specification
    recipe: Recipe

    @property
    def crossings_mm(self) -> FloatArray:
        """Crown tops on the string lines as points, string by string, shape (K * F, 3)."""
        return np.column_stack(
            [
                self.lines.x_mm[:, 1:].ravel(),
                self.lines.y_mm[:, 1:].ravel(),
                np.nan_to_num(self.crown_top_mm.ravel()),
            ]
        )


def make_scan(spec: Specification, recipe: Recipe) -> Scan:
    """Return a scan of a neck as `recipe` describes it."""
    rng = np.random.default_rng(recipe.seed)
    neck = _Neck(spec, recipe, rng)
    lines = neck.lines
    x_end = float(lines.x_mm[:, -1].max())
    x_start = float(lines.x_mm[:, 0].min())
    xs = np.arange(x_start + recipe.span[0], x_end + recipe.span[1], recipe.step_x)
    widest = 0.5 * max(spec.board.width_nut_mm, spec.board.width_last_mm) + 1.0
    ys = np.arange(-widest, widest, recipe.step_y) + rng.uniform(0.0, recipe.step_y)
    parts = []
    for low in range(0, len(ys), 32):
        y, x = np.meshgrid(ys[low : low + 32], xs, indexing="ij")
        x = x.ravel() + rng.uniform(-0.1, 0.1) * recipe.step_x
        y = y.ravel()
        keep = (np.abs(y) < neck.half_width(x)) & ~neck.shadow(x, y)
        x, y = x[keep], y[keep]
        parts.append(np.column_stack([x, y, neck.surface(x, y)]))
    points = np.concatenate(parts)
    points[:, 2] += rng.normal(0.0, recipe.noise, len(points))
    points = with_scanner(points, recipe, rng)
    wild = rng.random(len(points)) < recipe.outlier_share
    points[wild, 2] += rng.uniform(-1.0, 1.0, int(wild.sum())) * recipe.outlier_size
    return Scan(
        points,
        neck.tops_at_strings(),
        neck.heights_at_strings(),
        neck.flat_widths(),
        lines,
        spec,
        recipe,
    )


def with_scanner(points: FloatArray, recipe: Recipe, rng: np.random.Generator) -> FloatArray:
    """Return the points with the errors that profiles share, and with holes."""
    if recipe.line_noise:
        low, step = float(points[:, 0].min()), recipe.step_x
        profile = np.round((points[:, 0] - low) / step).astype(np.intp)
        # an error goes on over some three profiles: a line sensor's own, its slide's, its speckle's
        fresh = rng.normal(0.0, 1.0, int(profile.max()) + 9)
        alike = np.convolve(fresh, np.exp(-np.arange(9) / 3.0), mode="valid")
        points = points.copy()
        points[:, 2] += recipe.line_noise * (alike / alike.std())[profile]
    if recipe.holes:
        low, high = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
        for place in rng.uniform(low, high, (recipe.holes, 2)):
            points = points[np.hypot(*(points[:, :2] - place).T) > 1.5]
    return points


class _Neck:
    """The surface: heights of board and crowns anywhere."""

    def __init__(self, spec: Specification, recipe: Recipe, rng: np.random.Generator) -> None:
        self.spec, self.recipe = spec, recipe
        self.lines = string_lines(spec)
        lines, frets, count = self.lines, spec.frets, spec.string_count
        # each fret is a straight line in plan: x = base + lean * y, through the outer strings
        across = lines.y_mm[0] - lines.y_mm[-1]
        self.lean = ((lines.x_mm[0] - lines.x_mm[-1]) / across)[1:]
        self.base = lines.x_mm[0, 1:] - self.lean * lines.y_mm[0, 1:]
        self.base = self.base + rng.normal(0.0, recipe.place_error, frets)
        for fret, along in recipe.moved:
            self.base[fret - 1] += along
        self.cosine = 1.0 / np.sqrt(1.0 + self.lean**2)
        wire = spec.fretwire
        self.radius = (0.25 * wire.crown_width_mm**2 + wire.crown_height_mm**2) / (
            2.0 * wire.crown_height_mm
        )
        self.seat = wire.crown_height_mm + rng.normal(0.0, recipe.height_error, frets)
        for fret, height in recipe.unseated:
            self.seat[fret - 1] += height
        self.tilt = rng.normal(0.0, recipe.tilt_error, frets)
        for fret, height, slope in recipe.off:
            self.seat[fret - 1] += height
            self.tilt[fret - 1] += slope
        self.wave = rng.normal(0.0, recipe.wave, (frets, 2))
        self.wave_at = rng.uniform(0.0, 2.0 * np.pi, (frets, 2))
        self.given = None
        if recipe.crown_top is not None:
            self.given = recipe.crown_top
        self.string_half_shadow = 0.5 * recipe.shadow_share * spec.board.width_nut_mm / count
        self.roll = rng.normal(0.0, 0.0005)

    def half_width(self, x: FloatArray) -> FloatArray:
        """Return half the board's width."""
        board = self.spec.board
        last = float(self.lines.x_mm[:, -1].max())
        return 0.5 * (board.width_nut_mm + (board.width_last_mm - board.width_nut_mm) * x / last)

    def shadow(self, x: FloatArray, y: FloatArray) -> NDArray[np.bool_]:
        """Say which places a string hides."""
        lines = self.lines
        hidden = np.zeros(len(x), dtype=bool)
        if self.recipe.shadow_share == 0.0:
            return hidden
        for k in range(len(lines.y_mm)):
            run = (lines.y_mm[k, -1] - lines.y_mm[k, 0]) / (lines.x_mm[k, -1] - lines.x_mm[k, 0])
            middle = lines.y_mm[k, 0] + run * (x - lines.x_mm[k, 0])
            # shadows keep their share as the board widens
            half = self.string_half_shadow * self.half_width(x) / self.half_width(0.0 * x)
            hidden |= np.abs(y - middle) < half
        return hidden

    def board(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Return the height of the board."""
        spec, recipe = self.spec, self.recipe
        last = float(self.lines.x_mm[:, -1].max())
        t = np.clip(x / last, 0.0, 1.0)
        z = recipe.relief * 4.0 * (t - 0.5) ** 2 + self.roll * y
        if np.isfinite(spec.board.radius_nut_mm):
            radius = spec.board.radius_nut_mm
            radius = radius + (spec.board.radius_last_mm - radius) * t
            z = z - (radius - np.sqrt(radius**2 - y**2))
        if recipe.rising_end:
            joint = 0.75 * last
            z = z + recipe.rising_end * np.maximum(0.0, (x - joint) / (last - joint))
        if recipe.hump:
            z = z + recipe.hump * np.exp(-0.5 * ((x - 0.62 * last) / 18.0) ** 2)
        for bump in recipe.bumps:
            square = (x - bump.x_mm) ** 2 + (y - bump.y_mm) ** 2
            z = z + bump.height_mm * np.sqrt(np.maximum(0.0, 1.0 - square / bump.radius_mm**2))
        return z

    def crest(self, fret: NDArray[np.intp], y: FloatArray) -> FloatArray:
        """Return the height of a round crown's top (before wear) over the datum."""
        x = self.base[fret] + self.lean[fret] * y
        if self.given is not None:
            return self._given_crest(fret, y)
        height = self.seat[fret] + self.tilt[fret] * y
        for part, length in ((0, 17.0), (1, 29.0)):
            turn = 2.0 * np.pi * y / length + self.wave_at[fret, part]
            height = height + self.wave[fret, part] * np.sin(turn)
        if self.recipe.bevel:
            past = np.abs(y) - (self.half_width(x) - self.recipe.bevel)
            height = height - np.tan(np.deg2rad(35.0)) * np.maximum(0.0, past)
        for lift in self.recipe.lifts:
            inside = lift.side * y - (self.half_width(x) - lift.reach_mm)
            rise = lift.height_mm * (np.maximum(0.0, inside) / lift.reach_mm) ** 2
            height = height + np.where(fret == lift.fret - 1, rise, 0.0)
        return self.board(x, y) + height

    def _given_crest(self, fret: NDArray[np.intp], y: FloatArray) -> FloatArray:
        """Return a crown line through given tops at the strings, smooth across the board."""
        assert self.given is not None
        z = np.empty(len(y))
        for j in np.unique(fret):
            at = fret == j
            place = self.lines.y_mm[:, j + 1]
            degree = min(len(place) - 1, 5)
            curve = np.polynomial.Polynomial.fit(place, self.given[:, j], degree)
            z[at] = curve(np.clip(y[at], place.min() - 3.0, place.max() + 3.0))
        return z

    def worn(self, fret: NDArray[np.intp], y: FloatArray) -> FloatArray:
        """Return how much is worn off the top."""
        depth = np.zeros(len(y))
        for flat in self.recipe.flats:
            inside = np.maximum(0.0, 1.0 - ((y - flat.y_mm) / (0.5 * flat.length_mm)) ** 2)
            # flat in the middle third, smooth at its ends
            shape = flat.depth_mm * np.minimum(1.0, 1.6 * inside)
            depth = np.where(fret == flat.fret - 1, np.maximum(depth, shape), depth)
        return depth

    def surface(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Return the height of whatever lies on top."""
        z = self.board(x, y)
        places = self.base[None, :] + self.lean[None, :] * np.array([[-30.0], [0.0], [30.0]])
        order = np.searchsorted(0.5 * (places[1, 1:] + places[1, :-1]), x)
        for shift in (-1, 0, 1) if np.any(self.lean) else (0,):
            fret = np.clip(order + shift, 0, self.spec.frets - 1)
            u = (x - self.base[fret] - self.lean[fret] * y) * self.cosine[fret]
            wire = self.spec.fretwire
            near = np.abs(u) < 0.5 * wire.crown_width_mm + (0.6 if self.recipe.glue else 0.0)
            near &= ~np.isin(fret + 1, self.recipe.missing)
            at, j, d = np.flatnonzero(near), fret[near], u[near]
            foot = y[at] + d * self.lean[j] * self.cosine[j]
            top = self.crest(j, foot)
            crown = top - crown_drop(
                self.recipe.crown, d, wire.crown_height_mm, wire.crown_width_mm, self.recipe.tip
            )
            crown = np.minimum(crown, top - self.worn(j, foot))
            z[at] = np.maximum(z[at], crown)
            if self.recipe.glue:
                off_foot = (np.abs(d) - 0.5 * wire.crown_width_mm) / 0.3
                heap = self.recipe.glue * np.exp(-(off_foot**2)) * (np.sin(foot) > 0.3)
                z[at] = np.where(
                    j % 2 == 0, np.maximum(z[at], self.board(x[at], y[at]) + heap), z[at]
                )
        if self.recipe.nut_height:
            nut_y = self.lines.y_mm[0, 0] - self.lines.y_mm[-1, 0]
            lean = (self.lines.x_mm[0, 0] - self.lines.x_mm[-1, 0]) / nut_y
            edge = self.lines.x_mm[0, 0] + lean * (y - self.lines.y_mm[0, 0])
            z = np.where(x < edge, z + self.recipe.nut_height, z)
        return z

    def _at_strings(self) -> tuple[NDArray[np.intp], FloatArray]:
        fret = np.broadcast_to(np.arange(self.spec.frets), self.lines.x_mm[:, 1:].shape)
        return fret.ravel(), self.lines.y_mm[:, 1:].ravel()

    def tops_at_strings(self) -> FloatArray:
        """Return the crown tops on the string lines; NaN for a missing fret."""
        fret, y = self._at_strings()
        top = (self.crest(fret, y) - self.worn(fret, y)).reshape(self.lines.x_mm[:, 1:].shape)
        top[:, [f - 1 for f in self.recipe.missing]] = np.nan
        return top

    def heights_at_strings(self) -> FloatArray:
        """Return the crown heights over the board on the string lines."""
        fret, y = self._at_strings()
        board = self.board(self.base[fret] + self.lean[fret] * y, y)
        return self.tops_at_strings() - board.reshape(self.lines.x_mm[:, 1:].shape)

    def flat_widths(self) -> FloatArray:
        """Return the widths of the worn flats on the string lines."""
        fret, y = self._at_strings()
        depth = self.worn(fret, y)
        width = 2.0 * np.sqrt(2.0 * self.radius * depth - depth**2)
        return width.reshape(self.lines.x_mm[:, 1:].shape)


def drawn(scan: Scan) -> _Neck:
    """Return the neck behind a scan, as it was drawn from its seed."""
    return _Neck(scan.specification, scan.recipe, np.random.default_rng(scan.recipe.seed))


def crown_errors(
    scan: Scan, turn: Callable[[FloatArray], FloatArray], survey: CrownSurvey
) -> FloatArray:
    """Return survey less truth at each crossing [mm], shape (K, F), NaN where either is missing.

    The true tops go through the same `turn` as the scan, and from the file's frame into the
    survey's, so that nothing is fitted to make them agree.
    """
    there = survey.orientation.to_neck(turn(scan.crossings_mm))
    truth = there[:, 2].reshape(scan.crown_top_mm.shape)
    return survey.crown_top_mm - np.where(np.isnan(scan.crown_top_mm), np.nan, truth)


def height_map(spec: Specification, recipe: Recipe) -> tuple[FloatArray, float, float]:
    """Return heights over a grid, rows across the neck, with the steps along and across it.

    Cells off the board or in a shadow hold NaN.
    """
    rng = np.random.default_rng(recipe.seed)
    neck = _Neck(spec, recipe, rng)
    last = float(neck.lines.x_mm[:, -1].max())
    xs = np.arange(recipe.span[0], last + recipe.span[1], recipe.step_x)
    widest = 0.5 * max(spec.board.width_nut_mm, spec.board.width_last_mm) + 1.0
    ys = np.arange(-widest, widest, recipe.step_y)
    y, x = np.meshgrid(ys, xs, indexing="ij")
    z = neck.surface(x.ravel(), y.ravel()) + rng.normal(0.0, recipe.noise, x.size)
    seen = (np.abs(y.ravel()) < neck.half_width(x.ravel())) & ~neck.shadow(x.ravel(), y.ravel())
    return np.where(seen, z, np.nan).reshape(x.shape), recipe.step_x, recipe.step_y


def facetted(spec: Specification, recipe: Recipe, facets: int) -> tuple[FloatArray, FloatArray]:
    """Return triangles, shape (T, 3, 3), of a board with each crown made of so many facets.

    Straight frets only. The corners lie on the true surface, as a CAD program puts them; also
    returned are the true tops at the strings, shape (K, F).
    """
    neck = _Neck(spec, replace(recipe, shadow_share=0.0), np.random.default_rng(recipe.seed))
    half = 0.5 * spec.fretwire.crown_width_mm
    angle = np.linspace(-1.0, 1.0, facets + 1) * np.arcsin(min(1.0, half / neck.radius))
    profile = neck.radius * np.sin(angle) * (1.0 - 1e-9)
    edges = np.concatenate([[profile[0] - 1e-6], profile, [profile[-1] + 1e-6]])
    last = float(neck.base.max())
    xs = np.concatenate(
        [np.arange(0.5, last + 6.0, 1.7), *(base + edges for base in neck.base)],
    )
    in_crown = np.min(np.abs(xs[:, None] - neck.base), axis=1) < half
    xs[in_crown & ~np.isin(xs, np.concatenate([b + edges for b in neck.base]))] = np.nan
    xs = np.unique(xs[np.isfinite(xs)])
    share = np.linspace(-1.0, 1.0, 41)
    x = np.repeat(xs[:, None], len(share), axis=1)
    y = share[None, :] * neck.half_width(x) * (1.0 - 1e-9)
    z = neck.surface(x.ravel(), y.ravel()).reshape(x.shape)
    corner = np.stack([x, y, z], axis=-1)
    a, b, c, d = corner[:-1, :-1], corner[1:, :-1], corner[1:, 1:], corner[:-1, 1:]
    triangles = np.concatenate(
        [
            np.stack([a, b, c], axis=2).reshape(-1, 3, 3),
            np.stack([a, c, d], axis=2).reshape(-1, 3, 3),
        ]
    )
    return triangles, neck.tops_at_strings()


def turned(
    points_mm: FloatArray,
    *,
    seed: int = 0,
    factor: float = 1.0,
    mirrored: bool = False,
    angle: float | None = None,
) -> FloatArray:
    """Return the points in an arbitrary frame: turned, shifted, in another unit, perhaps mirrored.

    `angle` [rad] limits the turn to a tilt of that size; None turns by anything.
    """
    rng = np.random.default_rng(seed)
    if angle is None:
        axes, _ = np.linalg.qr(rng.normal(size=(3, 3)))
        if np.linalg.det(axes) < 0.0:
            axes[:, 0] *= -1.0
    else:
        a, b, c = rng.uniform(-angle, angle, 3)
        turn = np.array([[0.0, -c, b], [c, 0.0, -a], [-b, a, 0.0]])
        axes = np.linalg.qr(np.eye(3) + turn)[0]
        axes = axes * np.sign(np.diagonal(axes))
    if mirrored:
        axes = axes * np.array([1.0, -1.0, 1.0])
    return (points_mm @ axes.T + rng.uniform(-200.0, 200.0, 3)) * factor


def with_faults(recipe: Recipe, spec: Specification) -> Recipe:
    """Return the recipe with one of each fault, placed by the seed."""
    rng = np.random.default_rng(recipe.seed + 10_000)
    lines = string_lines(spec)
    frets = rng.permutation(np.arange(2, spec.frets))[:4]
    k = int(rng.integers(spec.string_count))
    flat = Flat(int(frets[0]), float(lines.y_mm[k, frets[0]]), 9.0, 0.03)
    gap = int(frets[3])
    between = 0.5 * (lines.x_mm[:, gap] + lines.x_mm[:, gap + 1])
    middle = float(np.interp(3.0, lines.y_mm[::-1, gap], between[::-1]))
    return replace(
        recipe,
        flats=(flat,),
        lifts=(Lift(int(frets[1]), int(rng.choice([-1, 1])), 0.25),),
        missing=(int(frets[2]),),
        bumps=(Bump(middle, 3.0),),
    )
