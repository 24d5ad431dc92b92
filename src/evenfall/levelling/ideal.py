"""The ideal neck of a specification: level frets, and every setting at its target.

It says before anything is measured how hard a neck that is right can be played, and what would have
to change where that is less than the player's attack.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, FloatArray, numbered, shut
from evenfall.errors import At, Finding
from evenfall.instrument import Specification, string_lines
from evenfall.instrument.geometry import board_drop_mm
from evenfall.instrument.specification import Limit
from evenfall.neck import default_bow
from evenfall.requirement import Judged, Requirement, State, judge
from evenfall.strings.clearance import (
    PluckForce,
    buzz_force,
    chord_share,
    open_share,
    rest_clearance_mm,
)
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from evenfall.strings.excursion import ExcursionTable

_MOST_RELIEF_MM, _MOST_ACTION_MM, _MOST_GAP_MM = 1.0, 6.0, 1.5
"""More relief, action or first-fret gap than this is no advice."""


@dataclass(frozen=True, slots=True, eq=False)
class IdealNeck:
    """A perfect neck of K strings over F frets."""

    nut_mm: FloatArray  # heights over one straight datum, (K,)
    crown_top_mm: FloatArray  # (K, F)
    saddle_mm: FloatArray  # (K,)
    attack_n: FloatArray  # the player's, (K,)
    buzz: PluckForce  # from which each note buzzes
    judged: Judged
    # attack up to which each string stays clear, stopped and open, extra clearance counted, (K,)
    clear_n: FloatArray
    open_clear_n: FloatArray
    fitting_action_mm: FloatArray  # at which each stopped string would stay clear, (K,)
    fitting_gap_mm: FloatArray  # first-fret gap at which each open string would, (K,)
    fitting_relief_mm: float  # at which all stopped strings would, gaps as asked for; NaN if none

    def __post_init__(self) -> None:
        shut(self)

    @property
    def short(self) -> BoolArray:
        """Strings that buzz at the attack where they are stopped, shape (K,)."""
        return np.asarray((self.judged.note_state[:, 1:] > State.HOLDS).any(axis=1))

    @property
    def open_short(self) -> BoolArray:
        """Strings that buzz at the attack open, shape (K,)."""
        return np.asarray(self.judged.note_state[:, 0] > State.HOLDS)

    @property
    def least_share(self) -> float:
        """Share of the attack up to which every note stays clear."""
        return float(self._shares(np.minimum(self.clear_n, self.open_clear_n)).min())

    def _shares(self, clear_n: FloatArray) -> FloatArray:
        """Return forces as shares of the attack, huge where there is none."""
        return np.asarray(clear_n / np.maximum(self.attack_n, 1e-9))

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What buzzes on a level neck at these targets, and what would have to change."""
        found = []
        if self.short.any():
            share = self._shares(self.clear_n)
            weakest = int(np.argmin(share))
            strings = numbered(self.short)
            text = (
                "Level frets at these targets stay clear up to {share:share} of the attack, least "
                "under string {n}: {clear:force} of {attack:force}.{would}"
            )
            if share[weakest] <= 0.0:
                text = (
                    "Level frets at these targets leave string {n} no room to swing: it touches "
                    "when it is hardly plucked.{would}"
                )
            ways = self._ways(strings)
            would = sentence(" {ways:plural This|Any of these} would do: {ways:or}.", ways=ways)
            found.append(
                Finding(
                    "misfit",
                    text,
                    At(field="[player] attack", strings=strings),
                    share=float(share[weakest]),
                    n=weakest + 1,
                    clear=float(self.clear_n[weakest]),
                    attack=float(self.attack_n[weakest]),
                    would=would if ways else "",
                )
            )
        for k in np.flatnonzero(self.open_short):
            text = (
                "Open string {n} would buzz over level frets at {attack:force}: it stays clear up "
                "to {clear:force}.{would}"
            )
            if self.open_clear_n[k] <= 0.0:
                text = "Open string {n} has no room to swing over level frets.{would}"
            gap = float(self.fitting_gap_mm[k])
            would = sentence(" A first-fret gap of {gap:length} would do.", gap=gap)
            found.append(
                Finding(
                    "misfit",
                    text,
                    At(field="[target] first_fret_gap", strings=(int(k) + 1,)),
                    n=int(k) + 1,
                    attack=float(self.attack_n[k]),
                    clear=float(self.open_clear_n[k]),
                    would=would if gap <= _MOST_GAP_MM else "",
                )
            )
        return tuple(found)

    def _ways(self, strings: tuple[int, ...]) -> tuple[Sentence, ...]:
        """Return what would make the stopped strings clear, each alone."""
        at = [number - 1 for number in strings]
        lighter = float(self._shares(self.clear_n)[at].min())
        higher = tuple(
            sentence("{gap:length} under string {n}", gap=float(self.fitting_action_mm[k]), n=k + 1)
            for k in at
        )
        ways = []
        if lighter > 0.0:
            ways.append(sentence("an attack of {share:share} of it", share=lighter))
        if max(float(self.fitting_action_mm[k]) for k in at) <= _MOST_ACTION_MM:
            ways.append(sentence("an action of {each:list}", each=higher))
        if math.isfinite(self.fitting_relief_mm):
            text = "a relief of {relief:length} over fret 1 and the last fret"
            ways.append(sentence(text, relief=self.fitting_relief_mm))
        return tuple(ways)


def ideal_neck(specification: Specification, excursion: ExcursionTable) -> IdealNeck:
    """Return the perfect neck of a specification and what it clears."""
    lines, target = string_lines(specification), specification.target
    bow = default_bow(specification, lines)
    crowns = target.relief.value_mm * bow.frets - board_drop_mm(specification, lines)[:, 1:]
    reference = specification.scale.reference_fret
    gap, action = wanted_mm(target.first_fret_gap), wanted_mm(target.action)
    nut, saddle = _ends_mm(specification, crowns, gap, action)
    clear = rest_clearance_mm(lines, nut, crowns, saddle)
    required, attack = (
        Requirement.of(specification, excursion),
        np.array(specification.player.attack_n),
    )
    judgement = specification.judgement
    judged = judge(
        required,
        attack,
        clear,
        clear,
        smallest_cut_mm=judgement.smallest_cut_mm("file"),
        attack_tolerance=judgement.attack_tolerance,
    )
    swing = required.swing_mm_per_n
    room = clear - required.extra_clearance_mm
    force = np.divide(room, swing, out=np.full_like(room, math.inf), where=swing > 0.0)
    force = np.where(np.isfinite(clear), force, math.inf)
    share = chord_share(lines)
    missing = judged.need_mm - clear
    with np.errstate(invalid="ignore", divide="ignore"):
        stopped = np.nanmax((missing / share)[:, 1:-1], axis=(1, 2))
        # the nut turns the open string about the saddle
        opened = np.nanmax((missing / (1.0 - share))[:, 0, 1:], axis=1)
    return IdealNeck(
        nut_mm=nut,
        crown_top_mm=crowns,
        saddle_mm=saddle,
        attack_n=attack,
        buzz=buzz_force(clear, excursion),
        judged=judged,
        clear_n=np.asarray(force[:, 1:].min(axis=(1, 2))),
        open_clear_n=np.asarray(force[:, 0].min(axis=1)),
        fitting_action_mm=action + open_share(lines, reference) * stopped,
        fitting_gap_mm=gap + (1.0 - open_share(lines, 1)) * opened,
        fitting_relief_mm=_fitting_relief_mm(specification, judged, clear, bow.frets),
    )


def wanted_mm(limits: tuple[Limit, ...]) -> FloatArray:
    """Return the wanted value of each string, shape (K,) [mm]."""
    return np.array([limit.value_mm for limit in limits])


def _ends_mm(
    specification: Specification, crowns_mm: FloatArray, gap_mm: FloatArray, action_mm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the nut and saddle heights that give these gaps over crowns [mm]."""
    lines, reference = string_lines(specification), specification.scale.reference_fret
    first, far = lines.station_mm[:, 1], lines.station_mm[:, reference]
    over_first = crowns_mm[:, 0] + gap_mm
    slope = (crowns_mm[:, reference - 1] + action_mm - over_first) / (far - first)
    nut = over_first - slope * first
    return np.asarray(nut), np.asarray(nut + slope * lines.saddle_station_mm)


def _fitting_relief_mm(
    specification: Specification, judged: Judged, clear_mm: FloatArray, bow_mm_per_mm: FloatArray
) -> float:
    """Return the relief nearest the target at which every stopped position has what it needs.

    Every clearance changes in proportion to the relief, so each gives a bound.
    """
    lines = string_lines(specification)
    still = np.zeros(len(bow_mm_per_mm))
    ends = _ends_mm(specification, bow_mm_per_mm, still, still)
    gain = rest_clearance_mm(lines, ends[0], bow_mm_per_mm, ends[1])[:, 1:-1]
    missing = (judged.need_mm - judged.tolerance_mm - clear_mm)[:, 1:-1]
    known = np.isfinite(missing)
    gain, missing = gain[known], missing[known]
    rising, falling = gain > 0.0, gain < 0.0
    if (missing[~(rising | falling)] > 0.0).any():
        return math.nan
    least = float((missing[rising] / gain[rising]).max(initial=-math.inf))
    most = float((missing[falling] / gain[falling]).min(initial=math.inf))
    wanted = specification.target.relief.value_mm
    nearest = wanted + min(max(0.0, least), most)
    return nearest if least <= most and 0.0 <= nearest <= _MOST_RELIEF_MM else math.nan
