"""What one levelling job has to respect, as plain arrays: heights, margins, limits, travel.

Everything is over the measurement's own datum. Indices: string k (0 = treble), stopped position
i and fret j with 0 = nut; arrays over frets alone have F columns, column j - 1 for fret j.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from statistics import NormalDist
from typing import TypeAlias

import numpy as np

from evenfall.arrays import BoolArray, FloatArray
from evenfall.errors import At, RequestError
from evenfall.instrument import Specification, StringLines, string_lines
from evenfall.instrument.specification import Limit
from evenfall.measurement import Heights, Measurement, Origin
from evenfall.measurement.missing import missing_places
from evenfall.neck import Bow, default_bow
from evenfall.plan import Plan
from evenfall.plan.plan import before_work
from evenfall.requirement import Requirement
from evenfall.strings.clearance import chord_share, clearance_weights, open_gap_weights
from evenfall.strings.excursion import ExcursionTable, excursion_table
from evenfall.wording import sentence

Attack: TypeAlias = "float | Sequence[float] | FloatArray"
"""One force for every string, or one for each [N]."""

KEEPABLE = ("relief", "saddle", "nut")
"""What may be asked to stay as it is."""


@dataclass(frozen=True)
class Problem:
    """One levelling job of K strings over F frets."""

    specification: Specification  # what it was made from
    measurement: Measurement
    lines: StringLines
    bow: Bow
    excursion: ExcursionTable
    requirement: Requirement  # what every position has to clear
    attack_n: FloatArray  # design attack, shape (K,) [N]
    # clearance asked for on top of the excursion, m[k, i, j]: the rule's extra clearance, what the
    # bench may miss, and the readings' uncertainty; shape (K, F + 1, F + 1) [mm]
    margin_mm: FloatArray
    # standard uncertainty of every rest clearance, same shape; 0 where j <= i [mm]
    clearance_u_mm: FloatArray
    coverage_factor: float  # One-sided factor of the specification's coverage
    share: FloatArray  # share of the saddle in the chord, a[k, i, j], shape (K, F + 1, F + 1)
    # metal that may come off each crossing so that the least height can be proved to be left, shape
    # (K, F) [mm]
    room_mm: FloatArray
    height_known: BoolArray  # frets whose crown height was read, or whose wire is new, shape (F,)
    # standard uncertainty of "action", "first-fret-gap" and "relief", one value per string (one for
    # the relief) [mm]
    limit_u_mm: dict[str, FloatArray]
    saddle_travel_mm: FloatArray  # travel down and up, as positive numbers, shape (2,) [mm]
    nut_travel_mm: FloatArray
    relief_free: bool  # whether the truss rod may be turned, the saddle and the nut slots moved
    saddle_free: bool
    nut_free: bool
    worked: tuple[Plan, ...] = ()  # plans worked before the readings, oldest first

    @cached_property
    def known_u_mm(self) -> dict[tuple[int, int], tuple[FloatArray, FloatArray]]:
        """How sure gaps are [mm], as far as it was asked for, and what the line left open then."""
        return {}

    @property
    def before_filing(self) -> Measurement:
        """The readings with crowns as high as before those plans: what was filed is no wear."""
        return before_work(self.measurement, self.worked)

    @property
    def strings(self) -> int:
        """Number of strings K."""
        return self.measurement.string_count

    @property
    def frets(self) -> int:
        """Number of frets F."""
        return self.measurement.fret_count

    @property
    def relief_found_mm(self) -> float:
        """Relief in the crown tops as measured [mm]."""
        return self.bow.relief_mm(self.measurement.crown_top_mm)

    @property
    def player_n(self) -> FloatArray:
        """The player's attack, whatever the job is planned for, shape (K,) [N]."""
        return np.array(self.specification.player.attack_n)

    @property
    def lacking_mm(self) -> FloatArray:
        """What each crown as found lacks of the least height, shape (K, F) [mm].

        Such a crown misses the least height as it stands: only new wire, or a relaxed least
        height, lets a plan hold.
        """
        least = self.specification.fretwire.least_crown_height_mm
        return np.maximum(0.0, least - self.measurement.crown_height_mm)

    def with_attack(self, attack_n: Attack | None) -> Problem:
        """Return the same job for another attack [N]; None for the player's."""
        return replace(self, attack_n=_attack(self.specification, attack_n))

    def with_limits(self, *, action: Sequence[Limit], relief: Limit) -> Problem:
        """Return the same job with other limits of action and relief."""
        target = replace(self.specification.target, action=tuple(action), relief=relief)
        return replace(self, specification=replace(self.specification, target=target))

    def keeping(self, what: Collection[str]) -> Problem:
        """Return the same job with some of `KEEPABLE` left as they are, and nothing else."""
        return replace(
            self,
            relief_free="relief" not in what and self.specification.neck.truss_rod,
            saddle_free="saddle" not in what,
            nut_free="nut" not in what,
        )

    def with_heights(
        self, *, crown_top_mm: FloatArray, nut_mm: FloatArray, saddle_mm: FloatArray
    ) -> Problem:
        """Return the same job with other heights as found, shapes (K, F), (K,), (K,) [mm]."""
        measurement = self.measurement.with_heights(
            crown_top_mm=crown_top_mm, nut_mm=nut_mm, saddle_mm=saddle_mm
        )
        return replace(self, measurement=measurement)


def build_problem(
    specification: Specification,
    measurement: Measurement,
    *,
    attack_n: Attack | None = None,
    excursion: ExcursionTable | None = None,
    keep: Collection[str] = (),
    bow: Bow | None = None,
    worked: Sequence[Plan] = (),
) -> Problem:
    """Gather what a levelling job has to respect."""
    _require_fit(specification, measurement)
    lines = string_lines(specification)
    bow = bow or default_bow(specification, lines)
    target = specification.target
    kappa = NormalDist().inv_cdf(specification.rule.coverage)
    allowance = specification.rule.working_allowance_mm
    share = chord_share(lines)
    heights, weights = measurement.heights, clearance_weights(lines)
    spread = np.stack([heights.u_mm(rows, k) for k, rows in enumerate(weights)])
    reference = specification.scale.reference_fret
    limit_u = {
        "action": _open_gap_u_mm(heights, lines, reference),
        "first-fret-gap": _open_gap_u_mm(heights, lines, 1),
        "relief": np.array([bow.relief_u_mm(heights)]),
    }
    table = excursion if excursion is not None else excursion_table(specification, lines)
    required = Requirement.of(specification, table)
    return Problem(
        specification=specification,
        measurement=measurement,
        lines=lines,
        bow=bow,
        excursion=table,
        requirement=required,
        attack_n=_attack(specification, attack_n),
        margin_mm=required.extra_clearance_mm + allowance + kappa * spread,
        clearance_u_mm=spread,
        coverage_factor=kappa,
        share=share,
        room_mm=removable_mm(specification, measurement),
        height_known=specification.fretwire.new
        | (measurement.crown_height_origin != Origin.NOMINAL).all(axis=0),
        limit_u_mm=limit_u,
        saddle_travel_mm=np.array([target.saddle_down_mm, target.saddle_up_mm]),
        nut_travel_mm=np.array([target.nut_down_mm, target.nut_up_mm]),
        relief_free="relief" not in keep and specification.neck.truss_rod,
        saddle_free="saddle" not in keep,
        nut_free="nut" not in keep,
        worked=tuple(worked),
    )


def removable_mm(specification: Specification, measurement: Measurement) -> FloatArray:
    """Return the metal that may come off each crossing, shape (K, F) [mm].

    What is left can then be proved to be the least height or more. A nominal height is no
    reading: its uncertainty is what wire is like, not what this fret is like, and is left out.
    """
    rule = specification.rule
    uncertainty = np.where(
        measurement.crown_height_origin == Origin.NOMINAL, 0.0, measurement.crown_height_u_mm
    )
    least = (
        specification.fretwire.least_crown_height_mm
        + rule.working_allowance_mm
        + NormalDist().inv_cdf(rule.coverage) * uncertainty
    )
    return np.maximum(0.0, measurement.crown_height_mm - least)


def _require_fit(specification: Specification, measurement: Measurement) -> None:
    have = (measurement.string_count, measurement.fret_count)
    want = (specification.string_count, specification.frets)
    if have != want:
        raise RequestError(
            "The measurement has {strings:count string} and {frets:count fret}, the specification "
            "{wanted_strings} and {wanted_frets}. Measure against this specification.",
            strings=have[0],
            frets=have[1],
            wanted_strings=want[0],
            wanted_frets=want[1],
        )
    if not measurement.complete:
        lacking = [
            sentence("{what} of {places}", what=what, places=missing_places(~np.isfinite(heights)))
            for what, heights in (
                ("crown tops", measurement.crown_top_mm),
                ("crown heights", measurement.crown_height_mm),
                ("nut slots", measurement.nut_mm),
                ("saddle heights", measurement.saddle_mm),
            )
            if not np.isfinite(heights).all()
        ]
        raise RequestError(
            "The measurement lacks {lacking:list}. Read them and measure again.",
            lacking=tuple(lacking),
        )
    uncertainties = (measurement.heights.own_u_mm, measurement.crown_height_u_mm)
    if not all(bool((np.isfinite(u) & (u >= 0.0)).all()) for u in uncertainties):
        raise RequestError(
            "Every height needs a measurement uncertainty of zero or more. Measure again."
        )


def _attack(specification: Specification, attack_n: Attack | None) -> FloatArray:
    count = specification.string_count
    if attack_n is None:
        return np.array(specification.player.attack_n)
    try:
        given = np.asarray(attack_n, dtype=float)
    except (TypeError, ValueError):
        given = np.full(0, np.nan)
    if given.shape not in ((), (count,)):
        raise RequestError(
            "{door_attack} must be one force, or one for each of the {count} strings.",
            at=At(field="attack"),
            count=count,
        )
    if not ((given >= 0.0) & (given <= 50.0)).all():
        raise RequestError("{door_attack} must be from 0 to 50 N.", at=At(field="attack"))
    return np.broadcast_to(given, (count,)).copy()


def _open_gap_u_mm(heights: Heights, lines: StringLines, fret: int) -> FloatArray:
    """Return the standard uncertainty of an open-string gap over a fret, shape (K,)."""
    return np.stack([heights.u_mm(row, k) for k, row in enumerate(open_gap_weights(lines, fret))])
