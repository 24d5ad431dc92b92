"""What the values of a control lead to: each point is a decision of its own, edges are found."""

from __future__ import annotations

from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from evenfall.errors import Cancelled, RequestError
from evenfall.levelling import Session, make_plan, trade_off
from evenfall.plan.methods import Control
from necks import invented
from necks.invented import Bump
from necks.kinds import table
from necks.readings import Reader, read

NECK = invented.neck("electric", bumps=[Bump(6, 0.07), Bump(13, 0.09, 0.02)])
SPEC = NECK.specification
FOUND = read(NECK, np.random.default_rng(3), Reader(u_mm=0.002))
RANGES: dict[Control, tuple[float, float]] = {
    "attack": (0.1, 0.9),
    "action": (1.0, 2.4),
    "relief": (0.0, 0.5),
}


@cache
def session() -> Session:
    return Session(SPEC, FOUND, excursion=table(SPEC))


@pytest.mark.slow
@pytest.mark.parametrize("control", ["attack", "action", "relief"])
def test_every_point_is_what_a_session_decides_there(control: Control) -> None:
    low, high = RANGES[control]
    curve = session().along(control, low, high)
    assert (np.diff(curve.value) > 0.0).all()
    assert (curve.value[0], curve.value[-1]) == (low, high)
    fresh = Session(SPEC, FOUND, excursion=table(SPEC))
    if control == "attack":
        asked = fresh.attack_n / fresh.attack_n.max()
        for n in range(0, len(curve.value), 5):
            fresh.change(attack_n=curve.value[n] * asked)
            seen = fresh.preview()
            misfit = seen.conclusion == "misfit"
            assert misfit == (curve.holding[n] == "level frets do not")
            if not misfit:
                assert seen.metal_mm == pytest.approx(curve.metal_mm[n], abs=1e-9)
                assert (curve.holding[n] == "cut") == bool(seen.metal_mm)


def test_more_attack_goes_from_uncut_over_cut_to_what_level_frets_do_not_bear() -> None:
    spans = session().along("attack", 0.1, 1.2).spans
    assert [what for _, _, what in spans] == ["uncut", "cut", "level frets do not"]
    for (_, end, _), (start, _, _) in pairwise(spans):
        assert start - end < 0.005  # 1.1 N in 16 steps, each edge halved five times


def test_a_control_that_there_is_not_is_refused() -> None:
    for asked in (("volume", 0.0, 1.0), ("attack", 0.5, 0.5), ("relief", 0.0, float("nan"))):
        with pytest.raises(RequestError):
            session().along(*asked)  # type: ignore[arg-type]


def test_looking_along_can_be_stopped() -> None:
    def stop(_doing: str, share: float) -> None:
        if share > 0.3:
            raise Cancelled

    with pytest.raises(Cancelled):
        session().along("action", 1.0, 2.4, stop)


@pytest.mark.slow
def test_the_curve_passes_through_the_plan() -> None:
    plan = make_plan(SPEC, FOUND, excursion=table(SPEC))
    curve = trade_off(SPEC, plan, excursion=table(SPEC))
    at = int(np.argmin(np.abs(curve.action_mm - curve.plan_action_mm)))
    assert curve.action_mm[at] == pytest.approx(curve.plan_action_mm, abs=1e-9)
    assert curve.metal_mm[at] == pytest.approx(plan.metal_mm, abs=1e-9)
    share = (plan.buzz_force_after_n / np.array(SPEC.player.attack_n)[:, None]).min()
    assert curve.plan_margin_share == pytest.approx(share, rel=1e-9)
    near = np.interp(curve.plan_relief_mm, curve.relief_mm, curve.margin_share)
    assert curve.plan_margin_share == pytest.approx(near, abs=0.1)
