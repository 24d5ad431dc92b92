"""Levelling by brute force, and by a linear program written apart: independent answers for tests.

Nothing here shares code with `evenfall.levelling`. What a job asks for is worked out again from
the specification and the readings, in plain loops, from the formulas of the theory:

- clearance of string k, stopped at i, over fret j: (1 - a) z_i + a z_s - z_j, with
  a = (x_j - x_i) / (x_s - x_i); it must reach m0 + w + kappa u + F e;
- kappa: one-sided normal quantile of the coverage; u: the combined standard uncertainty; w: what
  the bench may miss a height by;
- limits of action, first-fret gap and relief, drawn in by w + kappa u (to the middle at
  most); the least crown height, raised by as much.

Only the places of the crossings, the excursion per newton and the neck's bow come from the
package; they have tests of their own.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.stats import norm

from evenfall.instrument import Specification, string_lines
from evenfall.measurement import Measurement, Origin
from evenfall.neck import default_bow
from evenfall.strings.excursion import ExcursionTable

FloatArray = NDArray[np.float64]

SLACK_MM = 1e-9
"""By how much a limit may be passed through rounding."""


@dataclass(frozen=True, slots=True)
class Job:
    """What one neck of K strings and F frets asks for; heights and lengths in mm.

    `need[k][i][j]` is the clearance to reach; `limits` of the gaps have shape (K, 2).
    """

    station: FloatArray
    bridge: FloatArray
    reference: int
    crown: FloatArray
    nut: FloatArray
    saddle: FloatArray
    need: FloatArray
    bow: FloatArray
    weights: FloatArray
    room: FloatArray
    lacking: FloatArray
    renewed: FloatArray
    gain: FloatArray
    action: FloatArray
    first: FloatArray
    relief: FloatArray
    saddle_travel: tuple[float, float]
    nut_travel: tuple[float, float]
    relief_free: bool = True
    across: float | None = None
    along: float | None = None

    @property
    def strings(self) -> int:
        return len(self.nut)

    @property
    def frets(self) -> int:
        return self.crown.shape[1]

    @property
    def relief_found(self) -> float:
        return float((self.weights * self.crown).sum())


def job(
    spec: Specification,
    found: Measurement,
    excursion: ExcursionTable,
    *,
    attack_n: Sequence[float] | None = None,
    keep: tuple[str, ...] = (),
    limits: bool = True,
) -> Job:
    """Work out again what a levelling job asks for."""
    lines = string_lines(spec)
    bow = default_bow(spec, lines)
    target = spec.target
    count, frets = found.crown_top_mm.shape
    attack = spec.player.attack_n if attack_n is None else tuple(attack_n)
    kappa = float(norm.ppf(spec.rule.coverage))
    need = np.zeros((count, frets + 1, frets + 1))
    action, first = np.zeros((count, 2)), np.zeros((count, 2))
    for k in range(count):
        x, bridge = lines.station_mm[k], lines.saddle_station_mm[k]
        u = [found.heights.nut_u_mm[k], *found.heights.crown_top_u_mm[k]]
        for i in range(frets):
            for j in range(i + 1, frets + 1):
                a = (x[j] - x[i]) / (bridge - x[i])
                uncertainty = sqrt(
                    u[j] ** 2 + ((1.0 - a) * u[i]) ** 2 + (a * found.heights.saddle_u_mm[k]) ** 2
                )
                need[k, i, j] = (
                    spec.rule.extra_clearance_mm
                    + spec.rule.working_allowance_mm
                    + kappa * uncertainty
                    + attack[k] * excursion.buzz_mm_per_n[k, i, j]
                )
        for fret, wanted, gaps in (
            (spec.scale.reference_fret, target.action[k], action),
            (1, target.first_fret_gap[k], first),
        ):
            a = x[fret] / bridge
            uncertainty = hypot((1.0 - a) * u[0], a * found.heights.saddle_u_mm[k], u[fret])
            guard = spec.rule.working_allowance_mm + kappa * uncertainty
            gaps[k] = _drawn_in(wanted.minimum_mm, wanted.maximum_mm, guard)
    uncertainty = sqrt(float(((bow.weights * found.heights.crown_top_u_mm) ** 2).sum()))
    guard = spec.rule.working_allowance_mm + kappa * uncertainty
    relief = _drawn_in(target.relief.minimum_mm, target.relief.maximum_mm, guard)
    wide = (-np.inf, np.inf)
    # what is left must be proved to be the least height; nominal has no reading's uncertainty
    read = found.crown_height_origin != Origin.NOMINAL
    least = spec.fretwire.least_crown_height_mm + spec.rule.working_allowance_mm
    spare = found.crown_height_mm - least
    if not limits:
        action[:], first[:], relief = wide, wide, wide
    if "relief" in keep:
        relief = wide
    return Job(
        station=lines.station_mm,
        bridge=lines.saddle_station_mm,
        reference=spec.scale.reference_fret,
        crown=found.crown_top_mm,
        nut=found.nut_mm,
        saddle=found.saddle_mm,
        need=need,
        bow=bow.frets,
        weights=bow.weights,
        room=np.where(
            found.crown_height_mm < spec.fretwire.least_crown_height_mm,
            found.crown_height_mm - spec.fretwire.least_crown_height_mm,  # below zero: nothing fits
            np.maximum(0.0, spare - kappa * read * found.crown_height_u_mm),
        ),
        lacking=np.maximum(0.0, spec.fretwire.least_crown_height_mm - found.crown_height_mm),
        renewed=spare,
        gain=np.maximum(0.0, spec.fretwire.crown_height_mm - found.crown_height_mm),
        action=action,
        first=first,
        relief=np.array(relief),
        saddle_travel=(0.0, 0.0)
        if "saddle" in keep
        else (target.saddle_down_mm, target.saddle_up_mm),
        nut_travel=(0.0, 0.0) if "nut" in keep else (target.nut_down_mm, target.nut_up_mm),
        relief_free="relief" not in keep,
        across=target.across_mm,
        along=target.along_mm,
    )


def _drawn_in(low: float, high: float, guard: float) -> tuple[float, float]:
    drawn = min(guard, 0.5 * (high - low))
    return low + drawn, high - drawn


# ---- clearances, one by one ---------------------------------------------------------------------


def shortfall_mm(asked: Job, crown: FloatArray, nut: FloatArray, saddle: FloatArray) -> float:
    """Return the most by which any stopped position lacks clearance [mm]; negative if none does."""
    worst = -np.inf
    for k in range(asked.strings):
        x = asked.station[k]
        z = [nut[k], *crown[k]]
        for i in range(asked.frets):
            for j in range(i + 1, asked.frets + 1):
                a = (x[j] - x[i]) / (asked.bridge[k] - x[i])
                clearance = (1.0 - a) * z[i] + a * saddle[k] - z[j]
                worst = max(worst, asked.need[k, i, j] - clearance)
    return float(worst)


# ---- the linear program, written apart ----------------------------------------------------------


class Program:
    """The same program for `scipy.optimize.linprog`, from heights as linear expressions.

    Unknowns: removal of every crossing, relief change, saddle moves, nut moves, and a share of
    the attack (fixed at 1 unless freed). An expression is a vector of coefficients, then the
    constant.
    """

    def __init__(
        self, asked: Job, *, replaced: Sequence[int] = (), cut: Sequence[int] | None = None
    ):
        self.asked = asked
        count, frets = asked.strings, asked.frets
        self.size = count * frets + 1 + 2 * count
        self.bounds: list[tuple[float, float]] = []
        self.broken = False  # a crown under the least height that is not replaced
        for k in range(count):
            for j in range(1, frets + 1):
                if j in replaced:  # counted from the old crown, which new wire stands above
                    low, high = -asked.gain[k, j - 1], asked.renewed[k, j - 1]
                else:
                    low, high = 0.0, asked.room[k, j - 1] if cut is None or j in cut else 0.0
                    self.broken = self.broken or asked.lacking[k, j - 1] > 0.0
                self.bounds.append((low, high))
        reach = np.inf if asked.relief_free else 0.0
        self.bounds.append((-reach, reach))
        self.bounds += [(-asked.saddle_travel[0], asked.saddle_travel[1])] * count
        self.bounds += [(-asked.nut_travel[0], asked.nut_travel[1])] * count
        self.rows: list[FloatArray] = []
        self.limits: list[float] = []
        self._write()

    def expression(self, constant: float, **terms: float) -> FloatArray:
        """Return constant + sum of terms, named r_k_j, t, s_k or n_k."""
        vector = np.zeros(self.size + 1)
        vector[-1] = constant
        for name, value in terms.items():
            vector[self.place(name)] += value
        return vector

    def place(self, name: str) -> int:
        count, frets = self.asked.strings, self.asked.frets
        kind, *at = name.split("_")
        if kind == "r":
            return int(at[0]) * frets + int(at[1]) - 1
        start = {"t": 0, "s": 1, "n": 1 + count}[kind]
        return count * frets + start + (int(at[0]) if at else 0)

    def at_least_zero(self, vector: FloatArray) -> None:
        if np.isfinite(vector[-1]):
            self.rows.append(-vector[:-1])
            self.limits.append(float(vector[-1]))

    def _write(self) -> None:
        asked = self.asked
        relief = self.expression(0.0)
        for k in range(asked.strings):
            x, bridge = asked.station[k], asked.bridge[k]
            nut = self.expression(asked.nut[k], **{f"n_{k}": 1.0})
            saddle = self.expression(asked.saddle[k], **{f"s_{k}": 1.0})
            height = [nut]
            for j in range(1, asked.frets + 1):
                crown, bow = asked.crown[k, j - 1], asked.bow[k, j - 1]
                height.append(self.expression(crown, t=bow, **{f"r_{k}_{j}": -1.0}))
                # relief is read in the crowns; one unit of bow adds one unit of it
                relief = relief + asked.weights[k, j - 1] * (
                    self.expression(crown, **{f"r_{k}_{j}": -1.0})
                )
            for i in range(asked.frets):
                for j in range(i + 1, asked.frets + 1):
                    a = (x[j] - x[i]) / (bridge - x[i])
                    chord = (1.0 - a) * height[i] + a * saddle
                    self.at_least_zero(chord - height[j] - self.expression(asked.need[k, i, j]))
            for fret, (low, high) in ((asked.reference, asked.action[k]), (1, asked.first[k])):
                a = x[fret] / bridge
                gap = (1.0 - a) * nut + a * saddle - height[fret]
                self.at_least_zero(gap - self.expression(low))
                self.at_least_zero(self.expression(high) - gap)
        relief = relief + self.expression(0.0, t=1.0)
        self.at_least_zero(relief - self.expression(asked.relief[0]))
        self.at_least_zero(self.expression(asked.relief[1]) - relief)
        self._write_form()

    def _write_form(self) -> None:
        """Write how crooked a fret may be across the strings, how stepped from fret to fret."""
        asked = self.asked
        if asked.across is not None:
            straight = [
                np.polyval(
                    np.polyfit(asked.station[k, 1:], asked.crown[k], 1), asked.station[k, 1:]
                )
                for k in range(asked.strings)
            ]
            for j, k in itertools.product(range(1, asked.frets + 1), range(1, asked.strings - 1)):
                off = [asked.crown[n, j - 1] - straight[n][j - 1] for n in (k - 1, k, k + 1)]
                found = off[0] - 2.0 * off[1] + off[2]
                most = max(asked.across, abs(found))  # what is crooked as found may stay so
                terms = {f"r_{k - 1}_{j}": -1.0, f"r_{k}_{j}": 2.0, f"r_{k + 1}_{j}": -1.0}
                bend = self.expression(found, **terms)
                self.at_least_zero(self.expression(most) - bend)
                self.at_least_zero(bend + self.expression(most))
        if asked.along is not None:
            for j, k in itertools.product(range(1, asked.frets), range(asked.strings)):
                step = self.expression(0.0, **{f"r_{k}_{j}": 1.0, f"r_{k}_{j + 1}": -1.0})
                self.at_least_zero(self.expression(asked.along) - step)
                self.at_least_zero(step + self.expression(asked.along))

    def solve(self, cost: FloatArray | None = None) -> tuple[float, FloatArray] | None:
        """Return least total removal (or another cost) and the unknowns; None if nothing fits."""
        if self.broken:
            return None
        if cost is None:
            cost = np.zeros(self.size)
            cost[: self.asked.crown.size] = 1.0
        answer = linprog(
            cost, A_ub=np.array(self.rows), b_ub=self.limits, bounds=self.bounds, method="highs"
        )
        return (float(answer.fun), np.array(answer.x)) if answer.status == 0 else None

    def fits(self) -> bool:
        return self.solve(np.zeros(self.size)) is not None


def least_metal_mm(asked: Job) -> float | None:
    """Return the least total removal [mm], or None if the limits cannot all hold."""
    answer = Program(asked).solve()
    return None if answer is None else answer[0]


# ---- brute force --------------------------------------------------------------------------------


def subsets(frets: int) -> Iterator[tuple[int, ...]]:
    """Yield every set of frets, the smallest first."""
    for size in range(frets + 1):
        yield from itertools.combinations(range(1, frets + 1), size)


def fewest_cut(asked: Job) -> int | None:
    """Return the fewest frets that have to be cut, by trying every set."""
    return next((len(s) for s in subsets(asked.frets) if Program(asked, cut=s).fits()), None)


def fewest_replaced(asked: Job) -> int | None:
    """Return the fewest frets that have to be replaced, by trying every set."""
    return next((len(s) for s in subsets(asked.frets) if Program(asked, replaced=s).fits()), None)


def one_pass(
    asked: Job, k: int, relief: float, saddle: float, nut: float
) -> tuple[float, float] | None:
    """Take string k as little down as can be with everything else moved and fixed.

    Returns the metal and what the removal takes from the relief [mm]; None if a limit fails.
    """
    x, bridge = asked.station[k], asked.bridge[k]
    z_nut, z_saddle = asked.nut[k] + nut, asked.saddle[k] + saddle
    bent = asked.crown[k] + relief * asked.bow[k]
    z = [z_nut]
    for j in range(1, asked.frets + 1):
        highest = bent[j - 1]
        for i in range(j):
            a = (x[j] - x[i]) / (bridge - x[i])
            highest = min(highest, (1.0 - a) * z[i] + a * z_saddle - asked.need[k, i, j])
        for fret, limit in ((asked.reference, asked.action[k]), (1, asked.first[k])):
            if fret == j:  # the least gap also keeps the fret down
                a = x[j] / bridge
                highest = min(highest, (1.0 - a) * z_nut + a * z_saddle - limit[0])
        z.append(highest)
    for fret, limit in ((asked.reference, asked.action[k]), (1, asked.first[k])):
        a = x[fret] / bridge
        if (1.0 - a) * z_nut + a * z_saddle - z[fret] > limit[1] + SLACK_MM:
            return None
    removal = bent - np.array(z[1:])
    if (removal > asked.room[k] + SLACK_MM).any():
        return None
    return float(removal.sum()), float((asked.weights[k] * removal).sum())


def best_on_grid(
    asked: Job,
    reliefs: Sequence[float],
    saddles: Sequence[float],
    nuts: Sequence[float],
) -> float | None:
    """Return the least metal over every combination of relief, saddle and nut moves on a grid.

    For fixed moves each string is cut by one pass, which is the least there is; only the limit of
    relief ties the strings together, so every combination of the strings' answers is looked at.
    """
    best: float | None = None
    for relief in reliefs:
        answers = []
        for k in range(asked.strings):
            found = [one_pass(asked, k, relief, s, n) for s in saddles for n in nuts]
            answers.append(np.array([f for f in found if f is not None]).reshape(-1, 2))
        if not all(len(a) for a in answers):
            continue
        metal, taken = answers[0][:, 0], answers[0][:, 1]
        for more in answers[1:]:
            metal = (metal[:, None] + more[:, 0]).ravel()
            taken = (taken[:, None] + more[:, 1]).ravel()
        after = asked.relief_found + relief - taken
        fits = (after >= asked.relief[0] - SLACK_MM) & (after <= asked.relief[1] + SLACK_MM)
        if fits.any():
            least = float(metal[fits].min())
            best = least if best is None else min(best, least)
    return best


def random_crown_tops(asked: Job, chance: np.random.Generator) -> FloatArray | None:
    """Return the crown tops of some plan that holds every limit: a corner drawn at random."""
    answer = Program(asked).solve(chance.normal(size=asked.crown.size + 1 + 2 * asked.strings))
    if answer is None:
        return None
    removal = answer[1][: asked.crown.size].reshape(asked.crown.shape)
    return np.asarray(asked.crown + answer[1][asked.crown.size] * asked.bow - removal)
