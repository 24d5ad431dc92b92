"""Several scans of one neck, whole or in parts, put together by the crowns that they share.

Each scan stands over a datum of its own. By least squares every scan gets the plane that brings its
crowns nearest to those of the others, and every crown its mean. What repeats differ by beyond that
is the uncertainty of the whole route, measured; what they have in common they cannot show, and
so much of the stated uncertainty stays.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import fields, replace
from itertools import combinations
from typing import Any, TypeVar

import numpy as np

from evenfall.arrays import BoolArray, CodeArray, FloatArray, IntArray
from evenfall.errors import At, Finding
from evenfall.instrument import Specification, StringLines, string_lines
from evenfall.measurement import Heights, Measurement, Origin, Scanned, Shared
from evenfall.scans.arcs import NORMAL_MAD
from evenfall.scans.crown_survey import CrownSurvey
from evenfall.scans.fret_comb import nominal_lines
from evenfall.scans.surface import unusable
from evenfall.scans.whole_neck import PLACE_U_MM, off_scale
from evenfall.wording import sentence

T = TypeVar("T")

LEAST_SHARED, LEAST_FRETS = 8, 3
"""Fewer crowns in common, or on fewer frets, join no two scans."""

LEAST_SPAN_SHARE = 0.08
"""And they reach along at least this share of the scale."""

OTHER_NECK_MM, OTHER_NECK_U = 0.04, 8.0
"""Scans whose shared crowns differ by more than this, and by so many times their stated
uncertainty, are not of one neck in one state."""

WILD = 4.7
"""Scans that put a crown further apart than so many times the usual leave half of that open."""

SAME_MM, SAME_U = 5e-5, 0.05
"""Scans whose shared crowns differ by less than both, in the middle and over their stated
uncertainty, are the same points in two files."""

BOW_MM, SIGMA = 0.02, 4.0
"""A bow between scans that is larger, and so many times its uncertainty, is the neck's own."""

LEAST_RATIO = 0.3
"""However well repeats agree, no crown is called apart for less than so much of its uncertainty."""

ROUNDS = 4


def join_scans(
    found: Sequence[Measurement], specification: Specification
) -> tuple[Measurement, tuple[Finding, ...]]:
    """Return the measurement that scans of one neck in one state amount to."""
    first, lines = found[0], string_lines(specification)
    sources = tuple(name for one in found for name in one.source)
    order = _order(np.stack([one.heights.crown_top_mm for one in found]), lines, _names(found))
    found = [found[i] for i in order]
    seen = np.stack([one.heights.height_mm for one in found])
    u = np.stack([one.heights.own_u_mm for one in found])
    plan = _plan(lines)
    _same_points(seen, u, plan, _names(found))
    weight = np.where(np.isfinite(seen), 1.0 / np.maximum(np.nan_to_num(u), 1e-6) ** 2, 0.0)
    weight[:, :, [0, -1]] = 0.0  # the planes go through crowns alone
    used = weight > 0.0
    twice = used & (used.sum(axis=0) > 1)
    freedom = int(twice.sum() - (used.sum(axis=0) > 1).sum() - 3 * (len(seen) - 1))
    height, planes, parts, pull = _together(seen, weight, plan)
    ratio, off = 1.0, seen
    for _ in range(ROUNDS):
        off = np.where(used, seen - planes - height, np.nan)
        # by the middle, so that dirt in one scan does not count for the whole route
        share = math.sqrt(float(twice.sum()) / max(1, freedom))
        ratio = NORMAL_MAD * float(np.median(np.abs(off / u)[twice])) * share
        wild = twice & (np.abs(off) > WILD * u * max(ratio, LEAST_RATIO))
        height, planes, parts, pull = _together(seen, np.where(wild, 0.01, 1.0) * weight, plan)
    _same_neck(off, u, seen, plan, names=_names(found))
    own, spread = _own_u(off, u, used, ratio)
    height[:, [0, -1]], own[:, [0, -1]], ends_shared, best = _ends(
        seen - planes, [one.heights for one in found]
    )
    for i in range(1, len(seen)):  # an end follows the plane of the scan that it comes from
        for end, column in enumerate((0, -1)):
            at = best[:, end] == i
            pull[3 * i - 3 : 3 * i, at, column] = plan[at, column].T
    effects = -np.einsum("pn,pkf->nkf", parts, pull) * max(ratio, 1.0)
    origins = np.stack([one.heights.origin for one in found])
    known = np.isfinite(height)
    origin = np.where((origins == Origin.READ).any(axis=0), Origin.READ, origins.max(axis=0))
    repeated = (used.sum(axis=0) > 1) & known
    heights = Heights(
        height_mm=height,
        origin=np.where(known, origin, Origin.MISSING).astype(np.int8),
        own_u_mm=np.where(known, own, np.nan),
        own_degrees_of_freedom=np.where(repeated, float(max(1, freedom)), math.inf),
        shared=(*_joint(effects, known, plan), *_form(found, known), *ends_shared),
    )
    over, over_u, over_origin = _crown_heights(found)
    route = sentence(
        "{count} scans were joined by {shared} crowns that they share. Their repeats scatter by "
        "{s:uncertainty} (standard deviation, {freedom} degrees of freedom), {times:.1f} times "
        "what their points say.",
        count=len(found),
        shared=int(repeated.sum()),
        s=ratio * float(np.median(u[twice])),
        freedom=freedom,
        times=ratio,
    )
    joined = replace(
        first,
        source=sources,
        heights=heights,
        crown_height_mm=over,
        crown_height_u_mm=over_u,
        crown_height_origin=over_origin,
        routes=(*dict.fromkeys(r for one in found for r in one.routes), route),
        scanned=_beyond_heights(found, specification),
    )
    findings = [Finding("route", "{what}", severity="note", what=route)]
    findings += _apart(spread)
    findings += _moved(off, u, ratio, plan[..., 1], _names(found))
    return joined, tuple(findings)


def _names(found: Sequence[Measurement]) -> list[str]:
    return [one.source[0] if one.source else "a scan" for one in found]


def _plan(lines: StringLines) -> FloatArray:
    """Return 1, x and y [mm] of every height, shape (K, F + 2, 3)."""
    x = np.column_stack([lines.x_mm, lines.saddle_x_mm])
    y = np.column_stack([lines.y_mm, lines.saddle_y_mm])
    return np.stack([np.ones_like(x), x, y], axis=-1)


def _order(top: FloatArray, lines: StringLines, names: Sequence[str]) -> list[int]:
    """Return the scans in an order in which each shares enough with those before it."""
    there = np.isfinite(top)
    x, last = lines.x_mm[:, 1:], float(lines.saddle_station_mm.max())
    order = [int(np.argmax(there.sum(axis=(1, 2))))]
    left = [i for i in range(len(top)) if i not in order]
    while left:
        taken = there[order].any(axis=0)
        shared = [there[i] & taken for i in left]
        best = int(np.argmax([one.sum() for one in shared]))
        both = shared[best]
        few = int(both.sum()) < LEAST_SHARED or int(both.any(axis=0).sum()) < LEAST_FRETS
        if few or float(np.ptp(x[both])) < LEAST_SPAN_SHARE * last:
            raise unusable(
                "{name} shares {count:count crown} with the other scans, too few to join them by; "
                "let the scans overlap by a quarter of the neck or more.",
                name=names[left[best]],
                count=int(both.sum()),
            )
        order.append(left.pop(best))
    return order


def _together(
    seen: FloatArray, weight: FloatArray, plan: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return mean heights, each scan's plane, the planes' independent parts and their pull.

    The scans but the first have a plane each, together P numbers p; eliminating the heights leaves
    S p = r. The parts are the columns of a root of the inverse of S, shape (P, P); the pull, shape
    (P, K, F + 2), is how far the mean height sinks with each number.
    """
    scans, size = len(seen), 3 * (len(seen) - 1)
    value = np.nan_to_num(seen)
    total = np.maximum(weight.sum(axis=0), 1e-30)
    matrix, right = np.zeros((size, size)), np.zeros(size)
    pull = np.zeros((size, *total.shape))  # of each plane number on each height's mean
    mean = (weight * value).sum(axis=0) / total
    for i in range(1, scans):
        a = slice(3 * (i - 1), 3 * i)
        pull[a] = np.moveaxis(weight[i][..., None] * plan, -1, 0) / total
        right[a] = np.einsum("kf,kfp->p", weight[i] * (value[i] - mean), plan)
        for j in range(1, scans):
            b = slice(3 * (j - 1), 3 * j)
            both = (weight[i] if i == j else 0.0) - weight[i] * weight[j] / total
            matrix[a, b] = np.einsum("kf,kfp,kfq->pq", both, plan, plan)
    found = np.linalg.solve(matrix, right)
    planes = np.zeros_like(seen)
    for i in range(1, scans):
        planes[i] = plan @ found[3 * (i - 1) : 3 * i]
    height = (weight * (value - planes)).sum(axis=0) / total
    height[weight.sum(axis=0) <= 0.0] = np.nan
    values, vectors = np.linalg.eigh(np.linalg.inv(matrix))
    return height, planes, vectors * np.sqrt(np.maximum(values, 0.0)), pull


def _own_u(
    off: FloatArray, u: FloatArray, used: BoolArray, ratio: float
) -> tuple[FloatArray, FloatArray]:
    """Return what of each height's uncertainty is its own, and how far its repeats lie apart."""
    scatter = np.where(used, 1.0 / np.maximum(u, 1e-6) ** 2, 0.0).sum(axis=0)
    mean_u = np.where(used, u**2, 0.0).sum(axis=0) / np.maximum(used.sum(axis=0), 1)
    many = used.sum(axis=0)
    # of a crown that was seen once no repeat says more than of the others
    repeats = ratio**2 / np.maximum(scatter, 1e-30)
    common = max(0.0, 1.0 - ratio**2) * mean_u
    spread = np.where(many > 1, _spread(off), 0.0)
    wild = spread > 2.0 * WILD * max(ratio, LEAST_RATIO) * np.sqrt(mean_u)
    own = np.sqrt(repeats + common + np.where(wild, (0.5 * spread) ** 2, 0.0))
    return np.where(many > 0, own, np.nan), np.where(wild, spread, 0.0)


def _spread(off: FloatArray) -> FloatArray:
    low = np.where(np.isfinite(off), off, np.inf).min(axis=0)
    high = np.where(np.isfinite(off), off, -np.inf).max(axis=0)
    return np.asarray(np.maximum(high - low, 0.0))


def _same_points(seen: FloatArray, u: FloatArray, plan: FloatArray, names: Sequence[str]) -> None:
    """Refuse one scan in two files: as a repeat it would show that nothing scatters."""
    crowns = slice(1, -1)
    for i, j in combinations(range(len(seen)), 2):
        gap = (seen[i] - seen[j])[:, crowns]
        both = np.isfinite(gap)
        if int(both.sum()) < LEAST_SHARED:
            continue
        design = plan[:, crowns][both]
        off = np.abs(gap[both] - design @ np.linalg.lstsq(design, gap[both], rcond=None)[0])
        stated = float(np.median(u[i][:, crowns][both]))
        if float(np.median(off)) < min(SAME_MM, SAME_U * stated):
            raise unusable(
                "{first} and {second} hold the same points where they overlap: their crowns agree "
                "as no two scans do, so this is not a repeat; name one of them, or scan once more.",
                first=names[i],
                second=names[j],
            )


def _same_neck(
    off: FloatArray, u: FloatArray, seen: FloatArray, plan: FloatArray, *, names: Sequence[str]
) -> None:
    """Refuse scans whose crowns are not those of one neck, or that lie mirrored to each other."""
    twice = np.isfinite(off) & (np.isfinite(off).sum(axis=0) > 1)
    usual = NORMAL_MAD * float(np.median(np.abs(off[twice])))
    if usual < max(OTHER_NECK_MM, OTHER_NECK_U * float(np.median(u[twice]))):
        return
    swapped = seen.copy()
    swapped[1:] = swapped[1:, ::-1]
    kept = np.where(np.isfinite(swapped), 1.0, 0.0)
    kept[:, :, [0, -1]] = 0.0
    height, planes, *_ = _together(swapped, kept, plan)
    again = (swapped - planes - height)[kept > 0.0]
    mirrored = NORMAL_MAD * float(np.median(np.abs(again))) < 0.4 * usual
    raise unusable(
        "The crowns of {names:list} differ by {usual:length} where they overlap, against "
        "{u:length} of stated uncertainty. {why}",
        names=tuple(names),
        usual=usual,
        u=float(np.median(u[twice])),
        why=sentence(
            "With treble and bass of the others swapped they agree: the files are of different "
            "hands, so measure each by itself and say which is mirrored."
            if mirrored
            else "They are not of one neck in one state; name scans of one neck, taken one after "
            "the other."
        ),
    )


def _form(found: Sequence[Measurement], known: BoolArray) -> tuple[Shared, ...]:
    """Return what the frets' own forms leave open: no repeat shows it, and the least counts."""
    least = np.full(known.shape, np.inf)
    for one in found:
        there = np.isfinite(one.heights.height_mm)
        form = np.zeros(known.shape)
        for cause in one.heights.shared:
            if cause.name == "crown-form":
                form = np.hypot(form, cause.effect_mm)
        least = np.where(there, np.minimum(least, form), least)
    effect = np.where(known & np.isfinite(least), least, 0.0)
    return (Shared("crown-form", "fret", effect),) if effect.any() else ()


def _joint(effects: FloatArray, known: FloatArray, plan: FloatArray) -> tuple[Shared, ...]:
    """Return what the joints leave open as causes that all heights share.

    A plane through all heights is none: no clearance changes with it.
    """
    shared = []
    for effect in effects:
        whole = np.where(known, effect, 0.0)
        fit = np.linalg.lstsq(plan[known], whole[known], rcond=None)[0]
        left = np.where(known, effect - plan @ fit, 0.0)
        if float(np.abs(left).max()) > 1e-7:
            shared.append(Shared("scan-joint", "all", left))
    return tuple(shared)


def _ends(
    seen: FloatArray, heights: Sequence[Heights]
) -> tuple[FloatArray, FloatArray, tuple[Shared, ...], IntArray]:
    """Return nut and saddle, each from the scan that knows it best.

    With them their own uncertainty and the scan, -1 for none, shape (K, 2), and what they share.
    """
    ends = [0, seen.shape[2] - 1]
    total = np.full((len(seen), seen.shape[1], 2), np.inf)
    for i, k, end in np.argwhere(np.isfinite(seen[:, :, ends])).tolist():
        weights = np.zeros(seen.shape[2])
        weights[ends[end]] = 1.0
        total[i, k, end] = float(heights[i].u_mm(weights, k))
    best = np.where(np.isfinite(total.min(axis=0)), total.argmin(axis=0), -1)
    value, own = np.full(best.shape, np.nan), np.full(best.shape, np.nan)
    shared: list[Shared] = []
    for i, one in enumerate(heights):
        mine = best == i
        value[mine] = seen[i][:, ends][mine]
        own[mine] = one.own_u_mm[:, ends][mine]
        for cause in one.shared:
            effect = np.zeros(seen.shape[1:])
            effect[:, ends] = np.where(mine, cause.effect_mm[:, ends], 0.0)
            if effect.any() and cause.name != "crown-form":
                shared.append(replace(cause, effect_mm=effect))
    return value, own, tuple(shared), best


def _crown_heights(found: Sequence[Measurement]) -> tuple[FloatArray, FloatArray, CodeArray]:
    """Return the crowns' heights over the board, the scans' weighted means."""
    height = np.stack([one.crown_height_mm for one in found])
    u = np.stack([one.crown_height_u_mm for one in found])
    known = np.isfinite(height) & np.isfinite(u)
    weight = np.where(known, 1.0 / np.maximum(u, 1e-6) ** 2, 0.0)
    total = weight.sum(axis=0)
    mean = np.where(known, weight * height, 0.0).sum(axis=0) / np.maximum(total, 1e-30)
    off = np.where(known, (height - mean) ** 2 * weight, 0.0).sum(axis=0)
    many = known.sum(axis=0)
    # the larger of what is stated and what the repeats show
    larger = np.maximum(1.0, off / np.maximum(many - 1, 1))
    none = many == 0
    origin = np.stack([one.crown_height_origin for one in found])
    best = np.where(known, origin, Origin.NOMINAL + 1).min(axis=0)
    return (
        np.where(none, np.nan, mean),
        np.where(none, np.nan, np.sqrt(larger / np.maximum(total, 1e-30))),
        np.where(none, Origin.MISSING, best).astype(np.int8),
    )


OF_FRETS = (
    ("crown_radius_mm", "crown_radius_u_mm"),
    ("crown_width_mm", "crown_width_u_mm"),
    ("fret_end_bass_mm", "fret_end_treble_mm", "fret_end_u_mm"),
)
"""What a scan says of each fret by itself, values with their uncertainty."""

OF_BOARD = ("board_width_nut_mm", "board_width_last_mm", "board_width_u_mm")


def crowns_seen(one: Measurement | CrownSurvey) -> int:
    """Return how many crowns a scan shows: of several the fullest is that which shows most."""
    return int(np.isfinite(one.crown_top_mm).sum())


def _beyond_heights(found: Sequence[Measurement], specification: Specification) -> Scanned | None:
    """Return what the scans say beyond heights: that of the fullest, and of others what it lacks.

    The board's bow and twist are those of the fullest alone, as its curve is what is drawn.
    """
    fullest_first = sorted(found, key=crowns_seen, reverse=True)
    scanned = [one.scanned for one in fullest_first if one.scanned is not None]
    if not scanned:
        return None
    best, *others = scanned
    for other in others:
        filled = _places(best, other, specification)
        for names in OF_FRETS:
            lacks = np.isnan(getattr(best, names[0]))
            for name in names:
                filled[name] = np.where(lacks, getattr(other, name), getattr(best, name))
        if np.isnan(best.board_width_nut_mm):
            filled |= {name: getattr(other, name) for name in OF_BOARD}
        ends = best.board_place_mm[[0, -1]] if len(best.board_place_mm) else np.array([0.0, 0.0])
        more = (other.board_place_mm < ends[0]) | (other.board_place_mm > ends[1])
        order = np.argsort(np.append(best.board_place_mm, other.board_place_mm[more]))
        for name in ("board_place_mm", "board_radius_mm", "board_radius_u_mm"):
            filled[name] = np.append(getattr(best, name), getattr(other, name)[more])[order]
        best = replace(best, **filled)
    strings = [one.strings for one in scanned if one.strings is not None]
    return replace(
        best,
        numbering_open=all(one.numbering_open for one in scanned),
        strings=strings[0] if strings else None,
    )


def _places(best: Scanned, other: Scanned, specification: Specification) -> dict[str, Any]:
    """Return the frets' places with those that only the other scan shows, and the scale of all.

    Each scan tells them off the scale that its own frets fit. Those of the other are shifted and
    stretched by what brings the frets that both show together, and one line is fitted to all.
    """
    if np.isnan(best.scale_mm):
        names = ("fret_place_mm", "fret_place_u_mm", "scale_mm", "scale_u_mm")
        return {name: getattr(other, name) for name in names}
    mine, theirs = np.isfinite(best.fret_place_mm), np.isfinite(other.fret_place_mm)
    both, more = mine & theirs, theirs & ~mine
    if not more.any() or int(both.sum()) < LEAST_FRETS:
        return {}
    nominal = nominal_lines(string_lines(specification)).base_mm
    design = np.column_stack([np.ones_like(nominal), nominal])
    solver = np.linalg.pinv(design[both])
    gap = (best.fret_place_mm - other.fret_place_mm)[both]
    joint = solver @ gap
    # stated uncertainty holds that of each scan's own scale, which is gone from what is left here
    left = float(np.sum((gap - design[both] @ joint) ** 2)) / (len(gap) - len(joint))
    bridge = design * more[:, None] @ solver * max(math.sqrt(left), math.sqrt(2.0) * PLACE_U_MM)
    moved = other.fret_place_mm + design @ joint
    place = np.where(more, moved, best.fret_place_mm)
    place_u = np.where(more, other.fret_place_u_mm, best.fret_place_u_mm)
    place_u = np.hypot(place_u, np.linalg.norm(bridge, axis=1))
    scale = 0.5 * (specification.scale.treble_mm + specification.scale.bass_mm)
    found = np.column_stack([nominal * best.scale_mm / scale + place, place_u])
    miss, miss_u, scale_mm, scale_u = off_scale(nominal, found, specification)
    known = mine | theirs
    pull = np.linalg.pinv(design[known])[1] @ bridge[known]
    return {
        "fret_place_mm": miss,
        "fret_place_u_mm": miss_u,
        "scale_mm": scale_mm,
        "scale_u_mm": math.hypot(scale_u, scale * float(np.linalg.norm(pull))),
    }


def drawn_together(surveys: Sequence[CrownSurvey], joined: Measurement) -> CrownSurvey:
    """Return what is drawn of joined scans: that which shows most crowns, with those of others.

    Each crown is drawn over its own median, so that it may come from a scan with another datum.
    """
    best, *others = sorted(surveys, key=crowns_seen, reverse=True)
    for other in others:
        lacks = np.array(
            [
                mine is None and theirs is not None
                for mine, theirs in zip(best.crown_lines, other.crown_lines, strict=True)
            ]
        )
        arrays: dict[str, Any] = {
            one.name: np.where(lacks, getattr(other, one.name), mine)
            for one in fields(best)
            if isinstance(mine := getattr(best, one.name), np.ndarray)
        }
        orientation = replace(
            best.orientation,
            fret_x_mm=np.where(lacks, other.orientation.fret_x_mm, best.orientation.fret_x_mm),
        )
        rows = zip(best.sections, other.sections, strict=True)
        best = replace(
            best,
            **arrays,
            orientation=orientation,
            crown_lines=_filled(best.crown_lines, other.crown_lines, lacks),
            sections=tuple(_filled(mine, theirs, lacks) for mine, theirs in rows),
        )
    return best if joined.scanned is None else replace(best, scanned=joined.scanned)


def _filled(mine: tuple[T, ...], theirs: tuple[T, ...], lacks: BoolArray) -> tuple[T, ...]:
    """Return one of two values for each fret."""
    pairs = zip(mine, theirs, lacks.tolist(), strict=True)
    return tuple(other if lacking else one for one, other, lacking in pairs)


def _apart(spread: FloatArray) -> list[Finding]:
    """Return the crowns that the scans put further apart than usual."""
    if not (spread > 0.0).any():
        return []
    k, column = np.unravel_index(int(np.argmax(spread)), spread.shape)
    rows, columns = np.nonzero(spread > 0.0)
    return [
        Finding(
            "disagree",
            "The scans put {count:count crown} further apart than the others, most that of string "
            "{string}, fret {fret}: {apart:length}. Their uncertainty holds both; look for dirt "
            "there and scan again.",
            At(
                strings=tuple(sorted({int(row) + 1 for row in rows})),
                frets=tuple(sorted({int(at) for at in columns})),
            ),
            count=int((spread > 0.0).sum()),
            string=int(k) + 1,
            fret=int(column),
            apart=float(spread[k, column]),
        )
    ]


def _moved(
    off: FloatArray, u: FloatArray, ratio: float, x: FloatArray, names: Sequence[str]
) -> list[Finding]:
    """Return that the neck bent between scans: their difference is a bow along x, (K, F + 2)."""
    findings = []
    for i in range(1, len(off)):
        both = np.isfinite(off[i]) & (np.isfinite(off).sum(axis=0) > 1)
        if int(both.sum()) < LEAST_SHARED:
            continue
        t = 2.0 * (x[both] - x[both].min()) / np.ptp(x[both]) - 1.0
        other = np.delete(off, i, axis=0)[:, both]
        many = np.isfinite(other).sum(axis=0)
        gap = off[i][both] - np.nan_to_num(other).sum(axis=0) / np.maximum(many, 1)
        design = np.column_stack([np.ones_like(t), t, t**2])
        fit = np.linalg.lstsq(design, gap, rcond=None)[0]
        cover = np.linalg.inv(design.T @ design)[2, 2]
        own = math.sqrt(2.0 * cover) * max(ratio, 1.0) * float(np.median(u[i][both]))
        if abs(fit[2]) > max(BOW_MM, SIGMA * own):
            findings.append(
                Finding(
                    "state",
                    "Between {name} and the other scans the neck bent by {bow:length} (± "
                    "{u:uncertainty}): strings, rod or air changed. Scan the neck in one state.",
                    At(field="relief"),
                    name=names[i],
                    bow=abs(float(fit[2])),
                    u=2.0 * own,
                )
            )
    return findings
