"""What the rocker shows before filing: the geometry of three crowns, and when to stop."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from evenfall.levelling import make_plan
from evenfall.measurement import Measurement
from evenfall.plan import Plan
from necks import invented
from necks.invented import Bump
from necks.kinds import table
from necks.neck import Neck
from necks.readings import Reader, read


def close(neck: Neck) -> Measurement:
    """Return readings so fine that only the figures' last digits differ from the truth."""
    return read(neck, np.random.default_rng(8), Reader(u_mm=0.0005))


def planned(neck: Neck, found: Measurement | None = None) -> Plan:
    spec = neck.specification
    plan = make_plan(spec, found or close(neck), excursion=table(spec))
    assert plan.status == "cut"
    return plan


@pytest.mark.parametrize("fret", [5, 11, 16])
def test_a_lone_high_fret_rocks_by_what_it_stands_out(fret: int) -> None:
    neck = invented.neck("electric", bumps=[Bump(fret, 0.09)])
    found = close(neck)
    (rock,) = planned(neck, found).rocker
    assert (rock.fret, rock.over) == (fret, (fret - 1, fret, fret + 1))
    tops = found.crown_top_mm[rock.string - 1]
    x = neck.lines.station_mm[rock.string - 1]
    outer = np.interp(x[fret], x[[fret - 1, fret + 1]], tops[[fret - 2, fret]])
    assert rock.shows_mm == pytest.approx(tops[fret - 1] - outer, abs=1e-9)
    assert rock.shows_mm == pytest.approx(0.09, abs=0.01)  # the bow between three frets is small


def test_the_band_is_the_readings_and_the_rockers() -> None:
    """theory-judgement 14: max(0.03, 3 hypot(1.22 u, 0.008)) between evenly spaced frets."""
    neck = invented.neck("electric", bumps=[Bump(7, 0.12)])
    spec = neck.specification
    for u in (0.002, 0.005, 0.015):
        found = read(neck, np.random.default_rng(4), Reader(u_mm=u))
        plan = make_plan(spec, found, excursion=table(spec))
        for rock in plan.rocker:
            expected = max(0.03, 3.0 * math.hypot(1.22 * u, 0.008))
            assert rock.band_mm == pytest.approx(expected, rel=0.01)


@pytest.mark.slow
def test_a_deep_cut_stops_where_the_rocker_shows_what_a_faultless_fret_may() -> None:
    """theory-judgement 14: for cuts over 0.03 at least min(0.015, 30 % of the cut)."""
    seen = set()
    for rise in (0.05, 0.06, 0.08, 0.10):
        plan = planned(invented.neck("electric", bumps=[Bump(9, 0.02 + rise, 0.02)]))
        for rock in plan.rocker:
            cut = plan.removal_mm[rock.string - 1, rock.fret - 1]
            expected = min(0.015, 0.3 * cut) if cut > 0.03 else math.nan
            assert rock.least_mm == pytest.approx(expected, nan_ok=True)
            seen.add(math.isnan(rock.least_mm))
    assert False in seen


def test_the_first_and_the_last_fret_are_read_over_three() -> None:
    neck = invented.neck("electric", bumps=[Bump(22, 0.12)])
    plan = planned(neck)
    (rock,) = plan.rocker
    assert rock.over == (20, 21, 22)
    assert rock.shows_mm < 0.0  # a gap over fret 21
    assert math.isnan(rock.least_mm)


def test_frets_with_new_wire_are_not_rocked() -> None:
    neck = invented.neck("electric", bumps=[Bump(9, -0.45)])
    found = close(neck)
    worn = found.crown_height_mm.copy()
    worn[:, 8] -= 0.45
    plan = make_plan(
        neck.specification,
        replace(found, crown_height_mm=worn),
        method="partial-refret",
        excursion=table(neck.specification),
    )
    assert plan.replaced_frets == (9,)
    assert plan.rocker == ()
