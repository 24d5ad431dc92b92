"""What every plan keeps, whatever the neck: checked on random small instruments."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from evenfall.instrument import string_lines
from evenfall.levelling import make_plan
from evenfall.measurement import Measurement
from evenfall.neck import default_bow
from evenfall.plan import Plan
from evenfall.strings.clearance import open_gap_mm
from levelling.necks import Neck, mirrored, necks, specification
from made_heights import changed
from oracles.brute_force_levelling import job, shortfall_mm

KEPT = ((), ("relief",), ("saddle",), ("nut",), ("relief", "saddle", "nut"), ("saddle", "nut"))
keeps = st.sampled_from(KEPT)


def plan_of(neck: Neck, found: Measurement | None = None, keep: tuple[str, ...] = ()) -> Plan:
    return make_plan(neck.spec, found or neck.found, keep=keep, excursion=neck.table)


def same_datum(found: Measurement, neck: Neck, lift: np.ndarray, slope: np.ndarray) -> Measurement:
    """Add a straight line of its own to every string's heights."""
    lines = string_lines(neck.spec)
    return found.with_heights(
        crown_top_mm=found.crown_top_mm + lift[:, None] + slope[:, None] * lines.station_mm[:, 1:],
        nut_mm=found.nut_mm + lift,
        saddle_mm=found.saddle_mm + lift + slope * lines.saddle_station_mm,
    )


@settings(deadline=None, max_examples=30)
@given(necks(), keeps, st.integers(0, 2**32 - 1))
def test_a_straight_line_added_to_a_string_changes_nothing(
    neck: Neck, keep: tuple[str, ...], seed: int
) -> None:
    chance = np.random.default_rng(seed)
    neck = replace(neck, noise_mm=neck.noise_mm + 0.005)  # no ties between equal answers
    found = neck.found
    lift, slope = chance.normal(0.0, 3.0, neck.wishes.strings), chance.normal(0.0, 0.01, 1)
    slope = slope * chance.uniform(-1.0, 1.0, neck.wishes.strings)
    moved = same_datum(found, neck, lift, slope)
    plan, other = plan_of(neck, found, keep), plan_of(neck, moved, keep)
    assert (plan.status, plan.method) == (other.status, other.method)
    for one, two in (
        (plan.metal_mm, other.metal_mm),
        (plan.removal_mm, other.removal_mm),
        (plan.buzz_force_before_n, other.buzz_force_before_n),
        (plan.buzz_force_after_n, other.buzz_force_after_n),
        (plan.relief_change_mm, other.relief_change_mm),
        (plan.relief_after_mm, other.relief_after_mm),
        (plan.action_after_mm, other.action_after_mm),
        (plan.nut_after_mm - found.nut_mm, other.nut_after_mm - moved.nut_mm),
        (plan.saddle_after_mm - found.saddle_mm, other.saddle_after_mm - moved.saddle_mm),
    ):
        np.testing.assert_allclose(one, two, rtol=0.0, atol=1e-6)


@settings(deadline=None, max_examples=30)
@given(necks(), keeps)
def test_counting_the_strings_from_the_other_side_mirrors_the_plan(
    neck: Neck, keep: tuple[str, ...]
) -> None:
    other_wishes = replace(neck.wishes, reversed=True)
    other_spec = specification(other_wishes)
    found = neck.found
    turned = replace(
        mirrored(found), specification_hash=other_spec.content_hash, model=other_spec.name
    )
    plan = plan_of(neck, found, keep)
    other = make_plan(other_spec, turned, keep=keep, excursion=Neck(other_wishes).table)
    assert (plan.status, plan.method) == (other.status, other.method)
    np.testing.assert_allclose(other.metal_mm, plan.metal_mm, rtol=0.0, atol=1e-7)
    np.testing.assert_allclose(
        other.buzz_force_before_n, plan.buzz_force_before_n[::-1], rtol=0.0, atol=1e-6
    )
    if keep == KEPT[4] and plan.status == "optimal":  # one greatest solution: the same metal
        np.testing.assert_allclose(other.removal_mm, plan.removal_mm[::-1], rtol=0.0, atol=1e-7)


@settings(deadline=None, max_examples=30)
@given(necks(), keeps)
def test_a_planned_neck_needs_nothing_more(neck: Neck, keep: tuple[str, ...]) -> None:
    found = neck.found
    plan = plan_of(neck, found, keep)
    assume(plan.status == "optimal")
    done = changed(
        found,
        crown_top_mm=plan.crown_top_after_mm,
        crown_height_mm=plan.crown_height_after_mm,
        nut_mm=plan.nut_after_mm,
        saddle_mm=plan.saddle_after_mm,
    )
    again = plan_of(neck, done, keep)
    assert again.status == "optimal"
    assert again.metal_mm <= 1e-7
    assert abs(again.relief_change_mm) <= 1e-7
    np.testing.assert_allclose(again.nut_after_mm, plan.nut_after_mm, rtol=0.0, atol=1e-7)
    np.testing.assert_allclose(again.saddle_after_mm, plan.saddle_after_mm, rtol=0.0, atol=1e-7)


@settings(deadline=None, max_examples=30)
@given(
    necks(),
    st.sampled_from(
        ["attack", "action", "extra", "allowance", "coverage", "minimum", "travel", "relief"]
    ),
    st.floats(0.1, 0.9),
)
def test_asking_for_less_never_takes_more_metal(neck: Neck, what: str, share: float) -> None:
    wishes = neck.wishes
    relaxed = {
        "attack": {"attack": share * wishes.attack, "attack_step": share * wishes.attack_step},
        "action": {"tolerance": wishes.tolerance + 0.3 * share},
        "extra": {"extra": share * wishes.extra},
        "allowance": {"allowance": share * wishes.allowance},
        "coverage": {"coverage": 0.5 + share * (wishes.coverage - 0.5)},
        "minimum": {"minimum": share * wishes.minimum},
        "travel": {"saddle": (0.4 + share, 0.4 + share), "nut": (0.2 + share, share)},
        "relief": {"relief": (wishes.relief[0] - 0.3 * share, wishes.relief[1] + 0.3 * share)},
    }[what]
    plan = make_plan(neck.spec, neck.found, method="profile", excursion=neck.table)
    assume(plan.status == "optimal")
    spec = specification(replace(wishes, **relaxed))
    found = replace(neck.found, specification_hash=spec.content_hash)
    other = make_plan(spec, found, method="profile", excursion=neck.table)
    assert other.status == "optimal"
    assert other.metal_mm <= plan.metal_mm + 1e-8


@settings(deadline=None, max_examples=60)
@given(necks(), keeps)
def test_every_limit_holds_when_worked_out_again(neck: Neck, keep: tuple[str, ...]) -> None:
    spec, found = neck.spec, neck.found
    plan = plan_of(neck, found, keep)
    lines, target = string_lines(spec), spec.target
    bow = default_bow(spec, lines)

    # no fret is raised: crowns stand where the bow and new wire have brought them, or lower
    height = found.crown_height_mm.copy()
    new = np.array(plan.replaced_frets, dtype=int) - 1
    height[:, new] = spec.fretwire.crown_height_mm
    gain = np.maximum(0.0, height - found.crown_height_mm)
    bent = found.crown_top_mm + gain + plan.relief_change_mm * bow.frets
    assert (plan.removal_mm >= 0.0).all()
    if plan.method != "refret":  # where the board is planed too
        np.testing.assert_allclose(plan.crown_top_after_mm, bent - plan.removal_mm, atol=1e-12)
    np.testing.assert_allclose(plan.crown_height_after_mm, height - plan.removal_mm, atol=1e-12)
    np.testing.assert_allclose(plan.metal_mm, plan.removal_mm.sum(), atol=1e-12)
    np.testing.assert_allclose(
        plan.relief_after_mm, bow.relief_mm(plan.crown_top_after_mm), atol=1e-12
    )
    for height, fixed in (("saddle", plan.saddle_after_mm), ("nut", plan.nut_after_mm)):
        if height in keep:
            np.testing.assert_array_equal(fixed, getattr(found, f"{height}_mm"))
    if "relief" in keep:
        assert plan.relief_change_mm == 0.0
    if plan.status != "optimal":
        return
    assert plan.duality_gap_mm < 1e-6
    least = spec.fretwire.least_crown_height_mm
    assert (plan.crown_height_after_mm >= least - 1e-6).all()
    asked = job(spec, found, neck.table, keep=keep)
    assert (
        shortfall_mm(asked, plan.crown_top_after_mm, plan.nut_after_mm, plan.saddle_after_mm)
        <= 1e-6
    )
    heights = (plan.nut_after_mm, plan.crown_top_after_mm, plan.saddle_after_mm)
    action = open_gap_mm(lines, *heights, spec.scale.reference_fret)
    first = open_gap_mm(lines, *heights, 1)
    for gap, limits in ((action, asked.action), (first, asked.first)):
        assert (gap >= limits[:, 0] - 1e-6).all()
        assert (gap <= limits[:, 1] + 1e-6).all()
    assert asked.relief[0] - 1e-6 <= plan.relief_after_mm <= asked.relief[1] + 1e-6
    for move, down, up in (
        (plan.saddle_after_mm - found.saddle_mm, target.saddle_down_mm, target.saddle_up_mm),
        (plan.nut_after_mm - found.nut_mm, target.nut_down_mm, target.nut_up_mm),
    ):
        assert (move >= -down - 1e-6).all()
        assert (move <= up + 1e-6).all()
    # buzz force holds the attack as far as the margins are zero or more
    assert (plan.buzz_force_after_n >= plan.attack_n[:, None] - 1e-5).all()
