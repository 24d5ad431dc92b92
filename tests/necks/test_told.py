"""Twelve necks told in words: each plan does what a good technician would do, and nothing else."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from evenfall.levelling import make_plan
from evenfall.plan import Plan
from necks.kinds import table
from necks.told import TOLD


@cache
def planned(name: str) -> Plan:
    truth = TOLD[name].truth
    made = truth.specification
    return make_plan(made, TOLD[name].measurement(), excursion=table(made))


def cut(name: str) -> set[int]:
    """Return the frets that lose metal, or would once the settings are made."""
    removal = planned(name).removal_mm
    return set((np.flatnonzero((removal > 0.0).any(axis=0)) + 1).tolist())


def still(change: object) -> bool:
    return bool((np.abs(np.asarray(change)) < 1e-9).all())


def test_there_are_twelve_and_each_is_told() -> None:
    assert len(TOLD) == 12
    assert all(len(told.words) > 40 for told in TOLD.values())


@pytest.mark.parametrize("name", ["sound, read with feelers"])
def test_a_sound_neck_is_left(name: str) -> None:
    made = planned(name)
    assert made.status == "nothing"
    assert still(made.removal_mm)
    assert still([made.relief_change_mm, *made.saddle_height_change_mm, *made.nut_height_change_mm])


def test_a_high_action_is_the_saddles_and_what_it_lacks_the_neck_angles() -> None:
    made = planned("high action")
    travel = made.measurement.specification_text.count("down = 0.8")
    assert travel == 1
    np.testing.assert_allclose(made.saddle_height_change_mm, -0.8)
    assert [one.limit for one in made.left_out] == ["action"]
    assert still([made.relief_change_mm, *made.nut_height_change_mm])
    assert not cut("high action")


def test_a_back_bow_is_the_rods() -> None:
    made = planned("back-bow")
    assert made.part == "settings"
    assert made.relief_change_mm > 0.15
    assert not cut("back-bow")


def test_a_slot_that_is_too_low_is_filled_and_no_fret_is_cut_for_it() -> None:
    made = planned("low nut slot")
    assert not cut("low nut slot")
    assert any(one.limit == "first-fret-gap" and one.strings == (3,) for one in made.left_out), (
        made.left_out
    )


def test_a_single_high_fret_is_the_only_one_cut() -> None:
    assert cut("one high fret") == {9}


def test_after_a_refret_only_proud_frets_are_cut() -> None:
    name = "after a refret"
    assert cut(name)
    assert cut(name) <= TOLD[name].truth.standing()
    bass, treble = planned(name).removal_mm[[-1, 0], 11]
    assert bass >= treble  # fret 12 stands up at its bass end


def test_a_hump_is_cut_where_it_stands_up() -> None:
    name = "hump at the joint"
    assert cut(name)
    assert cut(name) <= TOLD[name].truth.standing()


def test_for_worn_frets_their_neighbours_are_not_ground_without_a_word() -> None:
    """Low frets are named, and new wire on them is offered before others are cut."""
    made = planned("worn first frets")
    assert not cut("worn first frets") or made.low_frets is not None
    assert made.low_frets is None or made.low_frets.worn


def test_a_sheet_numbered_from_the_bass_is_not_planned_on() -> None:
    made = planned("strings numbered from the bass")
    assert made.status == "read-again"
    assert still(made.removal_mm)
    assert made.gates


@pytest.mark.slow
def test_without_a_rod_the_relief_is_reported() -> None:
    made = planned("no rod and too much relief")
    assert made.relief_change_mm == 0.0
    assert any(one.limit == "relief" for one in made.left_out)
    assert not cut("no rod and too much relief")


@pytest.mark.slow
def test_low_courses_are_raised_at_the_saddle() -> None:
    made = planned("low on the bass side")
    assert (made.saddle_height_change_mm[-3:] > 0.3).all()
    assert not cut("low on the bass side")


def test_settings_that_are_far_off_come_before_any_cut() -> None:
    made = planned("everything adrift")
    assert made.part == "settings"
    assert made.relief_change_mm < -0.15
    assert (made.nut_height_change_mm < -0.05).all()
    assert cut("everything adrift") <= {7, 8}
