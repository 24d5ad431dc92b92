"""A second reading confirms a plan, or does not, and says where."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from draws import some
from evenfall.gates import no_second_reading
from evenfall.levelling import make_plan
from evenfall.measurement import Measurement, Origin
from evenfall.plan import Plan
from made_heights import changed
from necks import invented
from necks.invented import Bump
from necks.kinds import table
from necks.neck import Neck
from necks.readings import Reader, read

DEEP = invented.neck("electric", bumps=[Bump(8, 0.22)])
"""One fret so high that its cut is to be confirmed first."""


def reading(seed: int, u_mm: float = 0.004, neck: Neck = DEEP) -> Measurement:
    return read(neck, np.random.default_rng(seed), Reader(u_mm=u_mm))


def planned(first: Measurement, second: Measurement | None) -> Plan:
    spec = DEEP.specification
    return make_plan(spec, first, second=second, excursion=table(spec))


def test_a_deep_cut_asks_for_a_second_reading() -> None:
    plan = planned(reading(1), None)
    assert plan.status == "ask"
    assert plan.ask
    assert not plan.cuts_now
    assert plan.removal_mm.max() > 0.15
    assert plan.confirmation is None


@pytest.mark.quick(1)
@pytest.mark.parametrize("seed", some(range(2, 10), 2))
def test_a_reading_of_the_same_neck_confirms(seed: int) -> None:
    plan = planned(reading(1), reading(seed))
    assert plan.confirmation is not None
    assert plan.confirmation.agrees, str(plan.confirmation.said)
    assert plan.status == "cut"
    np.testing.assert_array_equal(plan.removal_mm, planned(reading(1), None).removal_mm)


def test_another_tension_another_datum_and_another_rod_do_not_matter() -> None:
    moved = DEEP.moved(relief_mm=0.08, nut_mm=0.5, saddle_mm=0.3)
    found = reading(3, neck=moved)
    tilt = 0.002 * DEEP.lines.station_mm[:, 1:]
    second = changed(found, crown_top_mm=found.crown_top_mm + 1.3 + tilt)
    plan = planned(reading(1), second)
    assert plan.confirmation is not None
    assert plan.confirmation.agrees


def test_a_reading_that_differs_names_the_place_and_both_figures() -> None:
    good = invented.neck("electric", bumps=[Bump(8, 0.10)])
    plan = planned(reading(1), reading(2, neck=good))
    assert plan.confirmation is not None
    assert not plan.confirmation.agrees
    said = str(plan.confirmation.said)
    assert "Fret 8, string" in said
    assert "0.22" in said or "0.21" in said
    assert "0.10" in said or "0.09" in said
    assert plan.status == "ask"


def test_a_reading_without_the_frets_in_question_confirms_nothing() -> None:
    second = reading(2)
    origin = second.heights.origin.copy()
    origin[:, 8] = Origin.INTERPOLATED
    blind = replace(second, heights=replace(second.heights, origin=origin))
    plan = planned(reading(1), blind)
    assert plan.confirmation is not None
    assert not plan.confirmation.agrees
    assert "no crown of fret 8" in str(plan.confirmation.said)


def test_a_copy_confirms_nothing() -> None:
    """One crown read again and the rest copied: read, worked out, or shown in hundredths."""
    first = reading(1)
    rest = np.full(first.heights.origin.shape, Origin.DERIVED)
    # as worked out from the board's centre line: no figures of a gauge
    derived = changed(
        first, crown_top_mm=first.crown_top_mm + np.sqrt(np.arange(132)).reshape(6, 22) * 1e-4
    )
    derived = replace(derived, heights=replace(derived.heights, origin=rest.astype(np.int8)))
    hundredths = changed(first, crown_top_mm=np.round(first.crown_top_mm, 2))
    for one in (first, derived, hundredths):
        top = one.crown_top_mm.copy()
        top[2, 5] += 0.01
        said = no_second_reading(DEEP.specification, one, changed(one, crown_top_mm=top))
        assert "the very figure of the first on 131 of 132 crown tops" in str(said)
    top = first.crown_top_mm.copy()
    top[2, 5] += 0.003
    plan = planned(first, changed(first, crown_top_mm=top))
    assert plan.confirmation is not None
    assert plan.status == "ask"
    assert "131 of 132" in str(plan.confirmation.said)


@pytest.mark.parametrize("u_mm", [0.001, 0.004])
def test_hundredths_that_tie_are_no_copy(u_mm: float) -> None:
    """Figures tie although both were read, and more of them where less scatters than is stated."""
    first, again = (
        changed(reading(1), crown_top_mm=np.round(reading(seed, u_mm).crown_top_mm, 2))
        for seed in (1, 2)
    )
    same = (first.crown_top_mm == again.crown_top_mm).sum()
    assert 60 < same < 131
    assert no_second_reading(DEEP.specification, first, again) is None
    honest = planned(first, again)
    assert honest.confirmation is not None
    assert honest.confirmation.agrees


def test_a_second_reading_too_coarse_to_tell_confirms_nothing() -> None:
    plan = planned(reading(1), reading(2, u_mm=0.04))
    assert plan.confirmation is not None
    assert plan.status == "ask"
    assert str(plan.confirmation.said) == (
        "The second reading has a standard uncertainty of 0.040 mm (median); with more than "
        "0.030 mm a reading confirms nothing. Read with a finer gauge, or several times."
    )
