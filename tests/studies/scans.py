"""Scans of every kind of crown: stated uncertainties against errors, faults found and invented."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
from scipy import stats

from evenfall.errors import Finding
from evenfall.neck.level_line import standing_findings
from evenfall.scans import CrownSurvey, measure_crowns, to_measurement
from evenfall.scans.fret_comb import nominal_lines
from evenfall.workshop.measuring import line_of
from oracles.surfaces import (
    MODELS,
    Crown,
    Flat,
    FloatArray,
    Recipe,
    Scan,
    crown_errors,
    drawn,
    make_scan,
    specification,
    turned,
)
from studies.study import Figure, Row, Study, Told, chances, number, share

CROWNS: dict[Crown, str] = {
    "round": "round",
    "triangular": "pointed, an edge of 0.08",
    "moulded": "pointed, a tip of 0.3",
    "one-sided": "one-sided",
    "flat": "flat bars",
    "keen": "sharper than an arc",
    "blunt": "blunter than an arc",
    "bluntest": "blunter still",
}
UNITS = (1.0, 1 / 25.4, 0.001)
FAULTS = frozenset({
    "missing-fret", "extra-bump", "worn-flat", "lifted-end", "tang-gap", "board-shape", "scan",
    "fret-place", "fret-end", "board-width", "strings-seen", "string-line", "nut-place", "scale",
    "high-fret", "low-fret", "tilted-fret",
})  # fmt: skip
"""Findings that a perfect neck must not have."""

LEAST_MM = 0.03


def recipe_of(chance: np.random.Generator, crown: Crown) -> Recipe:
    """Return a perfect neck under one of many scanners."""
    fine = crown != "round"  # an edge is seen by a fine scanner only
    return Recipe(
        seed=int(chance.integers(1 << 30)),
        step_x=float(chance.choice([0.05, 0.07] if fine else [0.05, 0.07, 0.1])),
        step_y=float(chance.choice([0.2, 0.3, 0.4] if fine else [0.1, 0.2, 0.3, 0.5])),
        noise=float(chance.choice([0.002, 0.005, 0.01])),
        outlier_share=float(chance.choice([0.0, 0.01, 0.03])),
        line_noise=float(chance.choice([0.0, 0.001])),
        holes=int(chance.choice([0, 0, 12])),
        shadow_share=0.0,
        relief=float(chance.uniform(0.05, 0.3)),
        place_error=0.02,
        height_error=0.0,
        tilt_error=0.0,
        wave=0.002,
        glue=float(chance.choice([0.0, 0.0, 0.15])) if crown == "round" else 0.0,
        crown=crown,
    )


Scores = dict[str, float]
"""Mean squares of the errors of one neck over their stated uncertainties, by what they are of."""


def score(error: FloatArray, u: FloatArray) -> float:
    """Return the mean square of errors over uncertainties, NaN for a handful."""
    known = np.isfinite(error) & np.isfinite(u)
    return float(np.mean((error[known] / u[known]) ** 2)) if known.sum() > 3 else np.nan


@dataclass
class Errors:
    """Errors over stated uncertainties, one root mean square for each neck."""

    each: dict[str, list[float]] = field(default_factory=dict)

    def add(self, scores: Scores) -> None:
        """Add one neck."""
        for name, score in scores.items():
            self.each.setdefault(name, []).append(score)

    def figure(self, name: str) -> Figure:
        """Return the root mean square over all necks, with its standard error."""
        squares = np.array(self.each.get(name, []))
        squares = squares[np.isfinite(squares)]
        if not len(squares):
            return Figure(float("nan"), float("nan"), "-")
        value = float(np.sqrt(squares.mean()))
        # a handful of necks does not show how much they scatter: Student's t says how much more
        few = len(squares) < 2
        wider = np.inf if few else stats.t.isf(stats.norm.sf(3.0), len(squares) - 1) / 3.0
        spread = 1.0 if few else squares.std(ddof=1)
        error = float(wider * spread / np.sqrt(len(squares)) / (2.0 * value))
        return number(value, standard_error=error, at_least=0.8, at_most=1.25)


def measured(scan: Scan, seed: int) -> tuple[CrownSurvey, tuple[Finding, ...], partial[FloatArray]]:
    """Return what is read of a scan that lies anyhow, in one of three units."""
    turn = partial(turned, seed=seed, factor=UNITS[seed % 3])
    points = turn(scan.points_mm)
    survey, findings = measure_crowns(points, scan.specification, mirrored=False)
    found = to_measurement(survey, scan.specification)
    return survey, (*findings, *standing_findings(line_of(scan.specification, found))), turn


def with_faults(recipe: Recipe, model: str, chance: np.random.Generator) -> Recipe:
    """Return the neck with one fret up, one down, one tilted, one misplaced and one worn."""
    spec = specification(model)
    # neighbours may be off together, but for the worn one, which has to be told from a low one
    order = chance.permutation(np.arange(2, spec.frets - 1))
    up, down, tilted, moved, worn = (int(fret) for fret in order[:5])
    size = chance.uniform(LEAST_MM, 0.08, 4)
    lines = drawn(make_scan(spec, replace(recipe, step_x=5.0, step_y=5.0))).lines
    string = int(chance.integers(spec.string_count))
    across = 0.5 * float(np.ptp(lines.y_mm[:, tilted]))
    sign = float(chance.choice([-1.0, 1.0]))
    return replace(
        recipe,
        noise=0.005,
        glue=0.0,
        off=(
            (up, float(size[0]), 0.0),
            (down, -float(size[1]), 0.0),
            # one end up by twice the size, the other where it was
            (tilted, float(size[2]), sign * float(size[2]) / across),
        ),
        moved=((moved, sign * float(chance.uniform(0.25, 0.5))),),
        flats=(Flat(worn, float(lines.y_mm[string, worn]), 9.0, float(size[3])),),
    )


def told_of(recipe: Recipe, findings: Sequence[Finding]) -> dict[str, bool]:
    """Return for each fault whether a finding names its fret, with the right sign."""
    (up, _, _), (down, _, _), (tilted, _, slope) = recipe.off
    ((moved, along),), (flat,) = recipe.moved, recipe.flats

    def named(code: str, fret: int, words: str = "") -> bool:
        return any(f.code == code and fret in f.at.frets and words in f.sentence for f in findings)

    return {
        "fret up": named("high-fret", up),
        "fret down": named("low-fret", down),
        "fret tilted": named("tilted-fret", tilted, "its treble" if slope > 0.0 else "its bass"),
        "fret misplaced": named("fret-place", moved, "bridge" if along > 0.0 else "nut"),
        "fret worn": named("worn-flat", flat.fret),
    }


def perfect_neck(crown: Crown, index: int, chance: np.random.Generator) -> tuple[Scores, bool]:
    """Return how far off a perfect neck is read, and whether a finding names a fault of it."""
    scan = make_scan(specification(list(MODELS)[index % len(MODELS)]), recipe_of(chance, crown))
    survey, findings, turn = measured(scan, index)
    neck, kept = drawn(scan), survey.scanned
    place = neck.base - nominal_lines(neck.lines).base_mm
    scores = {
        "tops": score(crown_errors(scan, turn, survey), survey.crown_top_u_mm),
        "heights": score(survey.height_mm - scan.crown_height_mm, survey.height_u_mm),
        "places": score(kept.fret_place_mm - place, kept.fret_place_u_mm),
        "radii": score(kept.crown_radius_mm - neck.radius, kept.crown_radius_u_mm),
    }
    return scores, any(f.code in FAULTS for f in findings)


def faulty_neck(index: int, chance: np.random.Generator) -> dict[str, bool]:
    """Return for each fault of a neck whether it is found."""
    model = list(MODELS)[index % len(MODELS)]
    recipe = with_faults(recipe_of(chance, "round"), model, chance)
    _, findings, _ = measured(make_scan(specification(model), recipe), index)
    return told_of(recipe, findings)


def perfect_row(crown: Crown, necks: Sequence[tuple[Scores, bool]]) -> Row:
    """Return the row of one kind of crown."""
    errors = Errors()
    for scores, _ in necks:
        errors.add(scores)
    figures = {of: errors.figure(of) for of in ("tops", "heights", "places", "radii")}
    false = share(sum(wrong for _, wrong in necks), len(necks), at_most=1.0)
    return Row(CROWNS[crown], {**figures, "false findings": false})


def fault_rows(necks: Sequence[dict[str, bool]]) -> Iterator[Row]:
    """Yield a row for each fault."""
    for name in necks[0]:
        hits = sum(neck[name] for neck in necks)
        yield Row(name, {"found, right sign": share(hits, len(necks), at_least=99.0)})


def run(seed: int, count: int, told: Told) -> Iterator[Row]:
    total = len(CROWNS) + 1
    for kind, (crown, name) in enumerate(CROWNS.items()):
        told(f"perfect necks, {name}", kind / total)
        each = enumerate(chances(seed, count, 21, kind))
        yield perfect_row(crown, [perfect_neck(crown, *neck) for neck in each])
    told("necks with faults", 1.0 - 1.0 / total)
    each = enumerate(chances(seed, count, 22))
    yield from fault_rows([faulty_neck(*neck) for neck in each])


STUDY = Study(
    "scans",
    "is a scan's stated uncertainty its error, and are its findings true?",
    """
**Perfect necks** of five models (electric with 22 and 24 frets, fanned, ukulele, bass), every fret
level and seated, places within 0.02, under scanners of 2 to 10 µm of noise with wild points,
errors that whole profiles share, holes, steps of 0.05 to 0.1 along and 0.1 to 0.5 across the neck,
in any lie and three units. The first columns are errors over stated standard uncertainties (root
mean square; 1 is honest); a false finding is any that names a fault. Radii are told of round
crowns only. Sharper and blunter crowns are superellipses of the exponents 1.6, 2.5 and 3.5: an
ellipse has 2. **Faults**: on round necks one fret up, one down, one with one end up,
each by 0.03 to 0.08, one misplaced by 0.25 to 0.5, one worn by 0.03 to 0.08, at 5 µm of noise;
found is what a finding names by its fret, and where it has a sign, with the right one.
""",
    50,
    5,
    run,
)
