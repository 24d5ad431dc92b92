"""A whole neck as closed bodies of triangles: a board with slots, frets with tangs, strings.

Everything that a drawing of an instrument holds besides the surface that is played on: undersides,
tangs in their slots, a nut, a neck and a body under the board, pegs, strings. The heights are those
of `surfaces`, so that the same neck can be had as a cloud from above, as points over all surfaces,
as a mesh and as a height map.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from evenfall.instrument import Specification
from oracles.surfaces import FloatArray, Recipe, _Neck, crown_drop, with_scanner

SLOT_MM = 0.55
SLOT_DEEP_MM = 2.0
TANG_DEEP_MM = 1.6
STRING_OVER_MM = (0.5, 2.2)
"""Height of the strings over the crowns at the nut and at the last fret."""


@dataclass(frozen=True)
class Parts:
    """What an assembly holds besides board and frets, and how finely it is cut into triangles."""

    strings: bool = False
    nut: bool = True
    neck: bool = True
    body: bool = False
    pegs: bool = False
    facets: int = 60  # of each crown
    along: int = 90  # of each fret, along it
    action: tuple[float, float] = STRING_OVER_MM


@dataclass(frozen=True)
class Assembly:
    """A neck of closed bodies with the truth behind it; tops of shape (K, F)."""

    specification: Specification
    triangles: FloatArray
    crown_top_mm: FloatArray
    crown_height_mm: FloatArray
    crossings_mm: FloatArray
    recipe: Recipe
    neck: _Neck = field(repr=False)


def make_assembly(spec: Specification, recipe: Recipe, parts: Parts | None = None) -> Assembly:
    """Return the neck of a recipe as closed bodies; without noise, shadows and holes."""
    parts = parts or Parts()
    neck = _Neck(spec, replace(recipe, shadow_share=0.0), np.random.default_rng(recipe.seed))
    bodies = [_board(neck), *(_fret(neck, j, parts) for j in range(spec.frets))]
    last = float(neck.base.max()) + 8.0
    wide = spec.board.width_nut_mm
    if parts.nut:
        nut = _block((-4.0, 0.0), (-0.5 * wide, 0.5 * wide), (-3.0, 1.7))
        base, lean = _nut(neck)
        nut[:, :, 0] += base + lean * nut[:, :, 1]
        bodies.append(nut)
    if parts.neck:
        half = 0.5 * wide - 1.0
        bodies.append(_block((-60.0, last), (-half, half), (-25.0, -6.0)))
    if parts.body:
        bodies.append(_block((0.75 * last, last + 250.0), (-160.0, 160.0), (-50.0, -8.0)))
    if parts.pegs:
        pegs = [(x, y) for x in (-20.0, -40.0) for y in (-15.0, 15.0)]
        bodies += [_block((x - 4, x + 4), (y - 4, y + 4), (-6.0, 14.0)) for x, y in pegs]
    if parts.strings:
        bodies += [_string(neck, k, parts.action) for k in range(spec.string_count)]
    lines = neck.lines
    tops = neck.tops_at_strings()
    crossings = np.column_stack(
        [lines.x_mm[:, 1:].ravel(), lines.y_mm[:, 1:].ravel(), tops.ravel()]
    )
    return Assembly(
        spec,
        np.concatenate(bodies),
        tops,
        neck.heights_at_strings(),
        crossings,
        recipe,
        neck,
    )


def sampled(assembly: Assembly, per_mm2: float = 8.0, *, thicker_above: float = 0.0) -> FloatArray:
    """Return points spread by chance over all surfaces of the bodies, with the recipe's noise."""
    rng = np.random.default_rng(assembly.recipe.seed + 77)
    corner = assembly.triangles
    edge = corner[:, 1:] - corner[:, :1]
    area = 0.5 * np.linalg.norm(np.cross(edge[:, 0], edge[:, 1]), axis=1)
    share = area * per_mm2 * np.where(corner[:, :, 2].max(axis=1) > thicker_above, 1.0, 0.15)
    many = rng.poisson(share)
    which = np.repeat(np.arange(len(corner)), many)
    a, b = rng.random(len(which)), rng.random(len(which))
    a, b = np.where(a + b > 1.0, 1.0 - a, a), np.where(a + b > 1.0, 1.0 - b, b)
    points = corner[which, 0] + a[:, None] * edge[which, 0] + b[:, None] * edge[which, 1]
    recipe = assembly.recipe
    points = points + rng.normal(0.0, recipe.noise, points.shape)
    wild = rng.random(len(points)) < recipe.outlier_share
    points[wild] += rng.uniform(-1.0, 1.0, (int(wild.sum()), 3)) * recipe.outlier_size
    return with_scanner(points, replace(recipe, line_noise=0.0), rng)


def strung_from_above(
    assembly: Assembly,
    action: tuple[float, float] = STRING_OVER_MM,
    *,
    wound: bool = False,
    sag: float = 0.0,
    beside: tuple[float, float] = (0.0, 0.0),
) -> FloatArray:
    """Return a cloud from above of a strung neck: on the strings points, beside them the shadow.

    Wound strings have windings over their cores; the middle of all strings may hang lower, and
    they may run beside their lines, by so much at the nut and at the last fret.
    """
    recipe, spec, neck = assembly.recipe, assembly.specification, assembly.neck
    rng = np.random.default_rng(recipe.seed + 99)
    last = float(neck.base.max())
    xs = np.arange(recipe.span[0], last + recipe.span[1], recipe.step_x)
    widest = 0.5 * max(spec.board.width_nut_mm, spec.board.width_last_mm) + 1.0
    ys = np.arange(-widest, widest, recipe.step_y)
    y, x = (a.ravel() for a in np.meshgrid(ys, xs, indexing="ij"))
    inside = np.abs(y) < neck.half_width(x)
    x, y = x[inside], y[inside]
    z, kept = neck.surface(x, y), np.ones(len(x), dtype=bool)
    for k in range(spec.string_count):
        middle, height, half = string_at(neck, k, x, action)
        share = (x - neck.lines.x_mm[k, 0]) / neck.lines.saddle_station_mm[k]
        height = height - sag * 4.0 * share * (1.0 - share)
        middle = middle + beside[0] + (beside[1] - beside[0]) * x / last
        if wound:  # half circles side by side
            wire = 0.25 * (spec.strings[k].gauge_mm - spec.strings[k].core_mm)
            along = np.mod(x, 2.0 * max(wire, 1e-9)) - wire
            height = height - wire + np.sqrt(np.maximum(0.0, wire**2 - along**2))
        off = np.abs(y - middle)
        on = off < 0.85 * half  # steeper sides send nothing back
        z = np.where(on, height - half + np.sqrt(np.maximum(0.0, half**2 - off**2)), z)
        kept &= on | (off > half + 0.5 * recipe.shadow_share)
    points = np.column_stack([x, y, z])[kept]
    points[:, 2] += rng.normal(0.0, recipe.noise, len(points))
    wild = rng.random(len(points)) < recipe.outlier_share
    points[wild, 2] += rng.uniform(-1.0, 1.0, int(wild.sum())) * recipe.outlier_size
    return with_scanner(points, recipe, rng)


def string_at(
    neck: _Neck, k: int, x: FloatArray, action: tuple[float, float]
) -> tuple[FloatArray, FloatArray, float]:
    """Return place across, height of the upper side, and half the gauge of a string."""
    lines, spec = neck.lines, neck.spec
    run = (lines.y_mm[k, -1] - lines.y_mm[k, 0]) / (lines.x_mm[k, -1] - lines.x_mm[k, 0])
    middle = lines.y_mm[k, 0] + run * (x - lines.x_mm[k, 0])
    gauge = spec.strings[k].gauge_mm
    top = neck.tops_at_strings()[k]
    first, end = float(top[0]) + action[0] + gauge, float(top[-1]) + action[1] + gauge
    share = (x - lines.x_mm[k, 1]) / (lines.x_mm[k, -1] - lines.x_mm[k, 1])
    return middle, first + (end - first) * share, 0.5 * gauge


SLOT_ROOM = 1.15
"""Width of a nut slot over the gauge of its string."""


def with_ends(
    points: FloatArray,
    assembly: Assembly,
    floor: FloatArray,
    saddle: FloatArray,
    *,
    edge: float = 0.0,
    step: tuple[float, float] = (0.1, 0.1),
) -> FloatArray:
    """Return a cloud with a slotted nut and a saddle: floors at the nut's edge, tops, shape (K,).

    Slots are round, fall towards the head and are as wide as their strings ask for; the saddle is
    rounded along the strings and stands at the specified places.
    """
    spec, lines = assembly.specification, assembly.neck.lines
    rng = np.random.default_rng(assembly.recipe.seed + 55)
    half = 0.5 * spec.board.width_nut_mm
    base, lean = _nut(assembly.neck)
    across, along = np.arange(-half, half, step[1]), np.arange(-4.0, 0.0, step[0])
    y, d = (a.ravel() for a in np.meshgrid(across, along, indexing="ij"))
    z = np.full(len(y), float(np.max(floor)) + 0.6)
    for k, string in enumerate(spec.strings):
        radius = 0.5 * SLOT_ROOM * string.gauge_mm
        off = y - lines.y_mm[k, 0]
        inside = np.abs(off) < radius
        bottom = radius - np.sqrt(radius**2 - off[inside] ** 2)
        z[inside] = floor[k] + bottom - 0.12 * -d[inside]
    nut = np.column_stack([base + edge + d + lean * y, y, z])
    parts = [points[points[:, 0] > base + edge + lean * points[:, 1]], nut]
    across, along = np.arange(-3.0, 3.0, 0.2), np.arange(-6.0, 6.0, step[0])
    for k in range(len(saddle)):
        y, d = (a.ravel() for a in np.meshgrid(across, along, indexing="ij"))
        z = saddle[k] - np.where(np.abs(d) < 1.5, d**2 / 4.0, 5.0)
        parts.append(np.column_stack([lines.saddle_x_mm[k] + d, lines.saddle_y_mm[k] + y, z]))
    for part in parts[1:]:
        part[:, 2] += rng.normal(0.0, assembly.recipe.noise, len(part))
    return np.concatenate(parts)


def _swept(section: FloatArray) -> FloatArray:
    """Return the triangles of a body from its sections, shape (N, M, 3): closed, with end caps."""
    ahead = np.roll(section, -1, axis=1)
    a, b, c, d = section[:-1], section[1:], ahead[1:], ahead[:-1]
    sides = np.concatenate(
        [np.stack(part, axis=2).reshape(-1, 3, 3) for part in ((a, b, c), (a, c, d))]
    )
    caps = []
    for end in (section[0], section[-1]):
        middle = np.broadcast_to(end.mean(axis=0), end.shape)
        caps.append(np.stack([middle, end, np.roll(end, -1, axis=0)], axis=1))
    return np.concatenate([sides, *caps])


def _block(x: tuple[float, float], y: tuple[float, float], z: tuple[float, float]) -> FloatArray:
    ring = np.array([[y[0], z[0]], [y[1], z[0]], [y[1], z[1]], [y[0], z[1]]])
    return _swept(np.stack([np.column_stack([np.full(4, end), ring]) for end in x]))


def _board(neck: _Neck) -> FloatArray:
    """Return the board with its slots; sections run across, one after the other along the neck."""
    last = float(neck.base.max())
    share = np.linspace(-1.0, 1.0, 61)
    cuts: list[tuple[FloatArray, float]] = []

    def cut(x: float, deep: float, lean: float) -> None:
        half = float(neck.half_width(np.array([x]))[0])
        y = share * half
        at = x + lean * y
        z = neck.board(at, y) - deep
        below = np.column_stack([at[::-1], y[::-1], np.full(len(y), -6.0)])
        cuts.append((np.concatenate([np.column_stack([at, y, z]), below]), x))

    base, nut_lean = _nut(neck)
    before = base + 0.3
    cut(before, 0.0, nut_lean)
    for j, base in enumerate(neck.base):
        lean = float(neck.lean[j])
        half_slot = 0.5 * SLOT_MM / float(neck.cosine[j])
        previous = float(neck.lean[j - 1]) if j else nut_lean
        for place in np.linspace(before, base - half_slot, 8)[1:-1]:
            part = (place - before) / (base - before)
            cut(float(place), 0.0, previous + part * (lean - previous))
        for place, deep in ((-1, 0.0), (-1, SLOT_DEEP_MM), (1, SLOT_DEEP_MM), (1, 0.0)):
            cut(float(base + place * half_slot + (1e-6 if deep else -1e-6) * -place), deep, lean)
        before = float(base + half_slot)
    for place in np.linspace(before, last + 8.0, 6)[1:]:
        cut(float(place), 0.0, float(neck.lean[-1]))
    return _swept(np.stack([section for section, _ in cuts]))


def _nut(neck: _Neck) -> tuple[float, float]:
    """Return where the nut's edge crosses the centre line, and its lean."""
    x, y = neck.lines.x_mm[:, 0], neck.lines.y_mm[:, 0]
    lean = float((x[0] - x[-1]) / (y[0] - y[-1]))
    return float(x[0] - lean * y[0]), lean


def _fret(neck: _Neck, j: int, parts: Parts) -> FloatArray:
    """Return one fret: crown and tang, swept along its line."""
    spec, recipe = neck.spec, neck.recipe
    wire = spec.fretwire
    half = 0.5 * wire.crown_width_mm
    height = wire.crown_height_mm
    outline = _outline(neck, parts.facets)
    low = -height - 0.02
    tang = np.array(
        [
            [outline[-1, 0], low],
            [0.5 * SLOT_MM - 0.01, low],
            [0.5 * SLOT_MM - 0.01, low - TANG_DEEP_MM],
            [-0.5 * SLOT_MM + 0.01, low - TANG_DEEP_MM],
            [-0.5 * SLOT_MM + 0.01, low],
            [outline[0, 0], low],
        ]
    )
    section = np.concatenate([outline, tang])
    assert np.abs(outline[:, 0]).max() <= half + 1e-9
    end = float(neck.half_width(np.array([neck.base[j]]))[0]) - 0.1
    y = np.linspace(-end, end, parts.along + 1)
    fret = np.full(len(y), j)
    top = neck.crest(fret, y)
    worn = neck.worn(fret, y)
    cosine, lean = neck.cosine[j], neck.lean[j]
    across, z = section.T
    on_crown = np.arange(len(section)) < len(outline)
    rows = []
    for place, crest, wear in zip(y, top, worn, strict=True):
        height_here = np.where(on_crown, np.minimum(z, -wear), z) + crest
        x = neck.base[j] + lean * place + across * cosine
        rows.append(np.column_stack([x, place - across * lean * cosine, height_here]))
    assert recipe.crown_top is None
    return _swept(np.stack(rows))


def _outline(neck: _Neck, facets: int) -> FloatArray:
    """Return a crown's outline from the nut's side, corners on the true section, shape (N, 2)."""
    recipe, wire = neck.recipe, neck.spec.fretwire
    height, width = wire.crown_height_mm, wire.crown_width_mm
    fine = np.linspace(-0.5 * width, 0.5 * width, 20001)
    drop = crown_drop(recipe.crown, fine, height, width, recipe.tip)
    kept = drop <= height
    d, z = fine[kept], -drop[kept]
    # corners where the outline has turned by an equal share, as drawing programs place them
    turn = np.abs(np.diff(np.arctan2(np.diff(z), np.diff(d)), prepend=np.nan, append=np.nan))
    turned = np.concatenate([[0.0], np.cumsum(np.nan_to_num(turn))[: len(d) - 2], [0.0]])
    turned = np.maximum.accumulate(turned)
    turned[-1] = turned[-2] if len(turned) > 1 else 0.0
    wanted = np.linspace(0.0, turned[-1], facets + 1)
    index = np.unique(np.clip(np.searchsorted(turned, wanted), 0, len(d) - 1))
    index = np.unique(np.concatenate([[0], index, [len(d) - 1]]))
    corner = np.column_stack([d[index], z[index]])
    foot = np.array([[corner[0, 0], -height], [corner[-1, 0], -height]])
    return np.concatenate([foot[:1], corner, foot[1:]])


def _string(neck: _Neck, k: int, action: tuple[float, float]) -> FloatArray:
    x = np.linspace(-4.0, float(neck.base.max()) + 7.0, 60)
    middle, height, half = string_at(neck, k, x, action)
    turn = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    y = middle[:, None] + half * np.cos(turn)
    z = height[:, None] - half + half * np.sin(turn)
    return _swept(np.stack([np.broadcast_to(x[:, None], y.shape), y, z], axis=-1))
