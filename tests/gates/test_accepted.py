"""What is accepted as it is: by whom, where, and why; and what stays open."""

from __future__ import annotations

import pytest

from evenfall.codec import Content
from evenfall.errors import At, Finding, RequestError
from evenfall.gates import (
    Accepted,
    accept_key,
    accepted_gates,
    accepted_with_plan,
    check_used,
    unmet,
)
from necks.kinds import specification

ELECTRIC = specification("electric")


def gate(code: str, frets: tuple[int, ...] = (), strings: tuple[int, ...] = ()) -> Finding:
    return Finding(code, "Read it again.", At(frets=frets, strings=strings))


def test_what_is_written_is_what_is_accepted() -> None:
    given = ["coarse=only a rough look", "not-seated@7=pressed = glued", "lone-crown@12:3= a burr "]
    coarse, seated, lone = accepted_gates(given, ELECTRIC, person="M. Tessquin")
    assert (coarse.code, coarse.at, coarse.reason) == ("coarse", "", "only a rough look")
    assert (seated.fret, seated.string, seated.reason) == (7, None, "pressed = glued")
    assert (lone.fret, lone.string, lone.reason) == (12, 3, "a burr")
    assert str(lone.said) == (
        "Accepted by M. Tessquin: lone-crown at fret 12, string 3. Reason: a burr"
    )


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("coarse", "gives no reason"),
        ("coarse=", "gives no reason"),
        ("coarse= \t", "gives no reason"),
        ("=why", "not a code"),
        ("rough=why", "not a code"),
        ("coarse@23=why", "not on this instrument"),
        ("coarse@0=why", "not on this instrument"),
        ("coarse@7:7=why", "not on this instrument"),
        ("coarse@7:=why", "not on this instrument"),
        ("coarse@=why", "not on this instrument"),
        ("coarse@:3=why", "not on this instrument"),
        ("coarse@seven=why", "not on this instrument"),
        ("coarse@" + "9" * 5000 + "=why", "not on this instrument"),
        ("coarse=" + "why " * 100, "at most 200"),
    ],
)
def test_what_names_nothing_is_refused_in_one_sentence(given: str, said: str) -> None:
    with pytest.raises(RequestError, match=said) as refused:
        accepted_gates([given], ELECTRIC)
    assert refused.value.at.field == "accept"
    assert len(refused.value.sentence) < 500


@pytest.mark.parametrize(
    ("at", "open_"),
    [("", False), ("7", False), ("7:3", True), ("8", True)],
)
def test_a_gate_is_met_where_every_place_of_it_is(at: str, open_: bool) -> None:
    """A gate about strings 3 and 4 of a fret is not met by accepting string 3 alone."""
    [two] = [gate("string-through-crown", (7,), (3, 4))]
    assert bool(unmet([two], [Accepted("string-through-crown", at, "why")])) == open_


def test_several_acceptances_together_meet_a_gate() -> None:
    two = gate("string-through-crown", (7,), (3, 4))
    both = [Accepted("string-through-crown", f"7:{string}", "why") for string in (3, 4)]
    assert unmet([two], both) == ()
    assert unmet([two], both[:1]) == (two,)
    assert unmet([two], [Accepted("scatter", "", "why")]) == (two,)


def test_a_gate_without_a_place_is_met_as_a_whole_only() -> None:
    whole = gate("arch")
    assert unmet([whole], [Accepted("arch", "7", "why")]) == (whole,)
    assert unmet([whole], [Accepted("arch", "", "why")]) == ()


def test_what_nothing_asks_for_cannot_be_accepted() -> None:
    gates = [gate("not-seated", (7,))]
    check_used([Accepted("not-seated", "7", "why"), Accepted("not-seated", "", "why")], gates)
    with pytest.raises(RequestError, match="not-seated@8, so there is"):
        check_used([Accepted("not-seated", "8", "why")], gates)
    with pytest.raises(RequestError, match="Nothing asks for coarse, so there is nothing"):
        check_used([Accepted("coarse", "", "why")], [])


def test_it_is_stored_as_it_is() -> None:
    one = Accepted("lone-crown", "12:3", "a burr", "M. Tessquin")
    assert isinstance(one, Content)
    assert one.as_dict() == {
        "code": "lone-crown",
        "at": "12:3",
        "reason": "a burr",
        "person": "M. Tessquin",
        "with_plan": False,
    }


@pytest.mark.parametrize(
    ("at", "after", "open_"),
    [
        ("7:3", gate("lone-crown", (7,), (3,)), False),
        ("7:3", gate("lone-crown", (7,), (4,)), True),
        ("7", gate("lone-crown", (7,), (3,)), False),
        ("7", gate("lone-crown", (7,), (4,)), True),  # fret 7 was accepted for string 3 alone
        ("", gate("lone-crown", (7,), (3,)), False),
        ("", gate("lone-crown", (9,), (3,)), True),
        ("", gate("not-seated", (7,)), True),
    ],
)
def test_what_the_plan_accepted_holds_for_the_same_at_the_same_place(
    at: str, after: Finding, open_: bool
) -> None:
    given = [Accepted("lone-crown", at, "a burr", "M. Tessquin")]
    held = accepted_with_plan(given, [gate("lone-crown", (7,), (3,))], [after])
    assert bool(unmet([after], held)) == open_
    assert {(one.reason, one.person, one.with_plan) for one in held} == {
        ("a burr", "M. Tessquin", True)
    }, "it is kept for the record all the same"
    assert str(held[0].said).startswith("Accepted with the plan by M. Tessquin: lone-crown")


def test_a_place_that_cannot_be_named_is_accepted_again() -> None:
    given = [Accepted("tension", "", "weighed")]
    second, third = gate("tension", strings=(2,)), gate("tension", strings=(3,))
    assert unmet([second], accepted_with_plan(given, [second], [second])) == ()
    assert unmet([third], accepted_with_plan(given, [second], [third])) == (third,)


@pytest.mark.parametrize(
    "places", [((), ()), ((7,), ()), ((7,), (3,)), ((7,), (2, 3)), ((7, 9), ())]
)
def test_what_a_gate_is_accepted_by_accepts_it(
    places: tuple[tuple[int, ...], tuple[int, ...]],
) -> None:
    asked = gate("not-seated", *places)
    given = accepted_gates([f"{accept_key(asked)}=as it is"], ELECTRIC)
    check_used(given, [asked])
    assert unmet([asked], given) == ()
