"""What a diagnosis says of necks whose faults are known: causes, failing notes, what cures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from evenfall.levelling import Diagnosis, diagnose
from evenfall.measurement import Measurement, Origin
from evenfall.requirement import State
from necks import invented
from necks.invented import Bump
from necks.kinds import specification, table
from necks.neck import Neck
from necks.readings import Reader, exact, read
from necks.told import TOLD

SPEC = specification("electric")


def seen(truth: Neck, found: Measurement | None = None) -> Diagnosis:
    found = exact(truth) if found is None else found
    return diagnose(truth.specification, found, excursion=table(truth.specification))


def said(diagnosis: Diagnosis, code: str) -> list[str]:
    return [finding.sentence for finding in diagnosis.findings if finding.code == code]


def brought_in(name: str) -> Diagnosis:
    """Return the diagnosis of one of the twelve necks."""
    told = TOLD[name]
    return seen(told.truth, told.measurement())


def test_one_high_fret_is_named_as_the_cause_and_curing_it_clears_every_note() -> None:
    found = seen(invented.neck("electric", bumps=[Bump(9, 0.08)]))
    assert found.failing > 0
    assert found.failing == (found.judged.note_state == State.FAILS).sum()
    assert {int(stop) for _, stop in np.argwhere(found.judged.note_state == State.FAILS)} == {8}
    (cause,) = said(found, "high-fret")
    assert cause == (
        f"Fret 9 stands 0.080 mm over the level line. Correcting this alone would clear "
        f"{found.failing} of {found.failing} failing notes."
    )
    assert not found.adjusting_cures


@pytest.mark.parametrize(
    ("bump", "words"),
    [
        (Bump(11, 0.0, 0.10), "up to 0.100 mm over the level line at strings 3 to 6, most at the "
         "bass end"),
        (Bump(11, 0.10, 0.0), "up to 0.100 mm over the level line at strings 1 to 4, most at the "
         "treble end"),
        (Bump(11, 0.10, strings=(3, 4)), "0.100 mm over the level line at strings 3 and 4."),
    ],
)  # fmt: skip
def test_a_fret_is_said_to_be_off_where_it_is(bump: Bump, words: str) -> None:
    (cause,) = said(seen(invented.neck("electric", bumps=[bump])), "high-fret")
    assert cause.startswith(f"Fret 11 stands {words}")


def test_frets_that_only_help_together_are_said_to() -> None:
    """A smooth hump at the joint: each of its frets is held up by the next."""
    found = brought_in("hump at the joint")
    (hump,) = said(found, "high-fret")
    assert "stand over the level line, but correcting one alone would clear no note; all of" in hump
    assert f"would clear {found.failing} of {found.failing} failing notes." in hump
    worn = brought_in("worn first frets")
    (low,) = said(worn, "low-fret")
    assert low.startswith("Frets 1 to 4 lie under the level line")


def test_what_level_frets_would_not_cure_is_no_fault_of_the_frets() -> None:
    found = brought_in("back-bow")
    assert found.failing == 0
    assert found.as_good > 5
    (reason,) = said(found, "level-frets")
    assert reason.startswith(f"{found.as_good} notes buzz at the player's attack, and would over")
    assert said(found, "relief")
    assert found.adjusting_cures


def test_a_low_slot_is_the_nuts_alone() -> None:
    found = brought_in("low nut slot")
    assert found.failing == 0
    (reason,) = said(found, "level-frets")
    assert reason == ("Open string 3 would buzz over level frets too: the nut has to cure that.")
    assert found.line.standing == ()


@pytest.mark.parametrize(("bump_mm", "rests"), [(0.149, False), (0.2, True)])
def test_a_string_lies_on_a_fret_at_rest_only_where_no_force_is_left(
    bump_mm: float, rests: bool
) -> None:
    """Under 1 % of the attack is little, and printed as 0 %, but the string is free at rest."""
    found = seen(invented.neck("electric", bumps=[Bump(9, bump_mm)]))
    least = float((found.buzz_force.force_n / found.attack_n[:, None]).min())
    assert (least <= 0.0) if rests else (0.0 < least < 0.01)
    (cure,) = said(found, "cure")
    assert ("lies on the next fret at rest" in cure) == rests


@pytest.mark.slow
@pytest.mark.parametrize("name", ["high action", "sound, read with feelers"])
def test_where_nothing_is_wrong_with_the_frets_none_is_named(name: str) -> None:
    found = brought_in(name)
    assert found.failing == found.as_good == 0
    assert found.line.standing == ()
    assert {f.code for f in found.findings} <= {"buzzes", "action", "cure"}
    assert "No note fails" in said(found, "buzzes")[0]


@pytest.mark.parametrize("attack", [0.1, 1.0, 3.0])
@pytest.mark.parametrize("kind", ["electric", "bass", "ukulele"])
def test_a_level_neck_never_fails_whatever_the_attack(kind: str, attack: float) -> None:
    made = specification(kind)
    forces = tuple(attack * force for force in made.player.attack_n)
    harder = replace(made, player=replace(made.player, attack_n=forces))
    truth = invented.neck(kind, relief_mm=0.0)
    found = diagnose(harder, exact(truth), excursion=table(made))
    assert found.failing == 0
    assert (found.as_good > 0) or attack < 3.0


def test_a_note_that_fails_for_its_extra_clearance_alone_is_said_so() -> None:
    """It buzzes from more than the attack, and less than the extra clearance asks for."""
    truth = invented.neck("electric", bumps=[Bump(9, 0.055)])
    found = seen(truth)
    lines = said(found, "buzzes")
    short = [line for line in lines if "with the extra clearance that is too little" in line]
    force, attack = found.buzz_force.force_n, found.attack_n
    fails = found.judged.note_state == State.FAILS
    assert len(short) == sum(bool((force[k][fails[k]] >= attack[k]).all()) and fails[k].any()
                             for k in range(6))  # fmt: skip
    assert short


def test_a_fret_that_was_not_read_is_neither_named_nor_fails() -> None:
    truth = invented.neck("electric", bumps=[Bump(9, 0.08)])
    made = exact(truth)
    origin = made.heights.origin.copy()
    origin[:, 9] = Origin.INTERPOLATED
    found = seen(truth, replace(made, heights=replace(made.heights, origin=origin)))
    assert found.line.standing == ()
    assert found.failing == 0


def test_the_json_tells_the_same() -> None:
    chance = np.random.default_rng(4)
    truth = invented.as_found("bass", chance)
    found = seen(truth, read(truth, chance, Reader(u_mm=0.005)))
    told = found.as_dict()
    assert told["failing"] == sum(row["state_before"].count(3) for row in told["strings"])
    assert told["as_good"] == sum(row["state_before"].count(2) for row in told["strings"])
    named = [(one["fret"], one["size_mm"]) for one in told["standing_out"]]
    assert named == [(one.fret, one.size_mm) for one in found.line.standing]
    off = np.array([row["stands_out_mm"] for row in told["strings"]])
    np.testing.assert_array_equal(off, found.line.off_mm)


@pytest.mark.quick(1)
@pytest.mark.parametrize("name", ["after a refret", "everything adrift", "hump at the joint"])
def test_a_cure_that_clears_nothing_is_not_offered(name: str) -> None:
    assert not any("would clear 0 of" in f.sentence for f in brought_in(name).findings)
