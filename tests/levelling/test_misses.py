"""How far a plan may be missed: the ends that it states are where its requirements break."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from draws import some
from evenfall.levelling import make_plan
from evenfall.plan import Plan
from evenfall.plan.limits import Miss
from evenfall.requirement import Requirement, State, judge
from evenfall.strings.clearance import open_gap_mm, rest_clearance_mm
from necks import invented
from necks.kinds import table
from necks.neck import Neck
from necks.readings import Reader, read
from necks.told import TOLD

SEEDS = (1, 2, 4, 5, 7, 11)


@cache
def truth(seed: int) -> Neck:
    return invented.as_found("electric", np.random.default_rng(seed))


@cache
def plan(seed: int) -> Plan:
    neck = truth(seed)
    found = read(neck, np.random.default_rng(seed), Reader(u_mm=0.002))
    return make_plan(neck.specification, found, excursion=table(neck.specification))


def broken(neck: Neck, made: Plan, miss: Miss, by_mm: float) -> set[tuple[object, ...]]:
    """Return every requirement that does not hold with one setting missed by so much [mm].

    At the end of the plan, and what is read before slots and frets follow rod and saddle.
    """
    found = broken_at_the_end(neck, made, miss, by_mm)
    if made.part == "settings" and miss.setting in ("rod", "saddle"):
        found |= broken_when_read(neck, made, miss, by_mm)
    return found


def broken_when_read(neck: Neck, made: Plan, miss: Miss, by_mm: float) -> set[tuple[object, ...]]:
    """Return the gaps outside their limits with rod and saddle set; not of slots to be filed."""
    spec, saddle = neck.specification, made.saddle_after_mm.copy()
    bowed = made.relief_change_mm + (by_mm if miss.setting == "rod" else 0.0)
    if miss.setting == "saddle":
        saddle[miss.strings[0] - 1] += by_mm
    level = made.level_mm + bowed * made.bow_mm_per_mm
    found: set[tuple[object, ...]] = set()
    for name, fret, limits in (
        ("action", spec.scale.reference_fret, spec.target.action),
        ("first-fret-gap", 1, spec.target.first_fret_gap),
    ):
        gap = open_gap_mm(neck.lines, made.measurement.nut_mm, level, saddle, fret)
        for k, limit in enumerate(limits):
            if name == "first-fret-gap" and made.nut_height_change_mm[k]:
                continue
            if not limit.minimum_mm - 1e-9 <= gap[k] <= limit.maximum_mm + 1e-9:
                found.add((name, k, "read"))
    return found


def broken_at_the_end(neck: Neck, made: Plan, miss: Miss, by_mm: float) -> set[tuple[object, ...]]:
    """Return the same of the end of the plan alone."""
    spec, lines = neck.specification, neck.lines
    nut, saddle = made.nut_after_mm.copy(), made.saddle_after_mm.copy()
    level = made.level_after_mm.copy()
    crowns = level + made.stands_out_after_mm
    relief = made.relief_after_mm
    if miss.setting == "rod":
        level, crowns = (z + by_mm * made.bow_mm_per_mm for z in (level, crowns))
        relief += by_mm
    elif miss.setting == "saddle":
        saddle[miss.strings[0] - 1] += by_mm
    elif miss.setting == "nut":
        nut[miss.strings[0] - 1] += by_mm
    else:
        column = miss.frets[0] - 1
        crowns[:, column] += by_mm * (made.removal_mm[:, column] > 0.0)
    judged = judge(
        Requirement.of(spec, table(spec)),
        made.attack_n,
        rest_clearance_mm(lines, nut, crowns, saddle),
        rest_clearance_mm(lines, nut, level, saddle),
        smallest_cut_mm=made.smallest_cut_mm,
        attack_tolerance=spec.judgement.attack_tolerance,
    )
    found: set[tuple[object, ...]] = {
        ("clearance", *place) for place in np.argwhere(judged.state == State.FAILS).tolist()
    }
    for name, fret, limits in (
        ("action", spec.scale.reference_fret, spec.target.action),
        ("first-fret-gap", 1, spec.target.first_fret_gap),
    ):
        gap = open_gap_mm(lines, nut, level, saddle, fret)
        for k, limit in enumerate(limits):
            if not limit.minimum_mm - 1e-9 <= gap[k] <= limit.maximum_mm + 1e-9:
                found.add((name, k))
    if not spec.target.relief.minimum_mm <= relief <= spec.target.relief.maximum_mm:
        found.add(("relief",))
    return found


@pytest.mark.parametrize("seed", some(SEEDS, 2))
def test_a_setting_may_miss_up_to_its_ends_and_no_further(seed: int) -> None:
    """Worked out again from heights, limits and states at each end."""
    neck, made = truth(seed), plan(seed)
    assert made.misses
    for miss in made.misses:
        anyway = broken(neck, made, miss, 0.0)
        for end, sign in ((miss.less_mm, -1.0), (miss.more_mm, 1.0)):
            if not np.isfinite(end):
                assert broken(neck, made, miss, sign * 0.3) <= anyway | broken(
                    neck, made, miss, 0.0
                )
                continue
            inside = max(0.0, end - 1e-4)
            assert broken(neck, made, miss, sign * inside) <= anyway, (miss, sign)
            assert broken(neck, made, miss, sign * (end + 1e-4)) - anyway, (miss, sign)


@pytest.mark.quick(3)
@pytest.mark.parametrize("seed", SEEDS)
def test_every_setting_that_moves_and_every_cut_fret_is_listed_once(seed: int) -> None:
    made = plan(seed)
    listed = [(miss.setting, miss.strings, miss.frets) for miss in made.misses]
    expected = [("rod", (), ())] if made.relief_change_mm else []
    for setting, moves in (
        ("saddle", made.saddle_height_change_mm),
        ("nut", made.nut_height_change_mm),
    ):
        expected += [(setting, (int(k) + 1,), ()) for k in np.flatnonzero(moves)]
    cut = np.flatnonzero((made.removal_mm > 0.0).any(axis=0))
    expected += [("file", (), (int(j) + 1,)) for j in cut]
    assert listed == expected


@pytest.mark.slow
def test_an_end_names_the_requirement_that_breaks_there() -> None:
    for seed in SEEDS:
        neck, made = truth(seed), plan(seed)
        for miss in made.misses:
            if miss.breaks is None:
                assert miss.room_mm == np.inf
                continue
            sign = -1.0 if miss.less_mm < miss.more_mm else 1.0
            new = broken(neck, made, miss, sign * (miss.room_mm + 1e-4))
            assert miss.breaks.limit in {name for name, *_ in new}
            assert str(miss.breaks.noun)


def test_a_miss_under_the_allowance_is_marked() -> None:
    marked = [miss for seed in SEEDS for miss in plan(seed).misses if miss.under_allowance]
    kept = [miss for seed in SEEDS for miss in plan(seed).misses if not miss.under_allowance]
    assert all(miss.room_mm < miss.allowance_mm for miss in marked)
    assert kept
    assert all(miss.room_mm >= miss.allowance_mm for miss in kept)


def test_before_slots_are_filed_a_saddle_may_not_rise_past_the_limit_that_is_read_then() -> None:
    """A back-bow whose slots are filed afterwards: half of the rise counts over fret 12."""
    told = TOLD["back-bow"]
    spec = told.truth.specification
    made = make_plan(spec, told.measurement(), excursion=table(spec))
    assert made.part == "settings"
    assert (made.nut_height_change_mm < -0.05).all()
    reference = spec.scale.reference_fret
    level = made.level_mm + made.relief_change_mm * made.bow_mm_per_mm
    nut = made.measurement.nut_mm
    saddles = [miss for miss in made.misses if miss.setting == "saddle"]
    assert len(saddles) == 6
    for miss in saddles:
        k = miss.strings[0] - 1
        raised = made.saddle_after_mm.copy()
        raised[k] += miss.more_mm
        action = open_gap_mm(told.truth.lines, nut, level, raised, reference)[k]
        assert action == pytest.approx(spec.target.action[k].maximum_mm, abs=1e-6)
