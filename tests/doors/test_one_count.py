"""The same readings fail at as many notes wherever they are counted: at the player's attack."""

from __future__ import annotations

import numpy as np
import pytest

from evenfall.levelling import diagnose, make_plan
from evenfall.pictures.fret_map import buzz_force_map
from evenfall.pictures.words import titled
from evenfall.requirement import State
from evenfall.workshop.planning import plan_drawings
from levelling.necks import Neck, Wishes

HARD = Neck(Wishes(strings=4, frets=8, attack=1.2, minimum=1.0), seed=3, noise_mm=0.05)


@pytest.mark.parametrize("asked", [None, 0.3, 2.0])
def test_a_plan_at_another_attack_shows_the_notes_that_the_diagnosis_counts(
    asked: float | None,
) -> None:
    seen = diagnose(HARD.spec, HARD.found, excursion=HARD.table)
    plan = make_plan(HARD.spec, HARD.found, attack_n=asked, excursion=HARD.table)
    player = np.array(HARD.spec.player.attack_n)
    assert (plan.state_before == seen.judged.note_state).all()
    assert seen.failing == (seen.judged.note_state == State.FAILS).sum() > 0
    name = "buzz force as found"
    drawn = plan_drawings(HARD.spec, plan, "mm")[name]()
    title = titled(HARD.spec, HARD.found.serial, name)
    touch_n = seen.touch_force.force_n
    assert drawn == buzz_force_map(
        HARD.spec,
        seen.buzz_force.force_n,
        player,
        title=title,
        touch_force_n=touch_n,
        note_state=seen.judged.note_state,
    )
