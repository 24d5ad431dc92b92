"""Plan files: what the contract asks for is there, and nothing in them can be changed unseen."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable, Iterator
from dataclasses import fields, replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from evenfall.codec.content import content_hash, same
from evenfall.errors import BrokenFileError, FormatMismatchError, UnsupportedError
from evenfall.levelling import make_plan
from evenfall.plan import Plan
from evenfall.plan.before_cut import ReadFirst
from evenfall.plan.limits import LeftOut
from evenfall.requirement import State
from evenfall.wording import sentence
from made_heights import changed
from necks import invented
from necks.invented import Bump
from necks.kinds import table
from necks.readings import Reader, read

NECK = invented.neck("electric", bumps=[Bump(6, 0.09), Bump(13, 0.02, 0.09)])
SPEC = NECK.specification
COUNT, FRETS = NECK.crown_top_mm.shape


@cache
def plan(kind: str) -> Plan:
    """Return a plan of each kind of answer."""
    found = read(NECK, np.random.default_rng(5), Reader(u_mm=0.002))
    asked: dict[str, Any] = {"excursion": table(SPEC)}
    if kind == "settings":
        bent = NECK.moved(relief_mm=0.2)
        found = read(bent, np.random.default_rng(5), Reader(u_mm=0.002))
    elif kind == "new wire":
        asked["method"] = "refret"
    elif kind == "misfit":
        asked["attack_n"] = 2.0
    elif kind == "read again":
        slip = found.crown_top_mm.copy()
        slip[2, 9] += 0.4
        found = changed(found, crown_top_mm=slip)
    return make_plan(SPEC, found, **asked)


STATUS = {
    "cut": "cut",
    "settings": "settings",
    "new wire": "ask",
    "misfit": "misfit",
    "read again": "read-again",
}
KINDS = tuple(STATUS)


def written(kind: str) -> dict[str, Any]:
    """Return a plan as a file holds it."""
    return json.loads(json.dumps(plan(kind).as_dict(), allow_nan=False))


@pytest.mark.quick(2)
@pytest.mark.parametrize("kind", KINDS)
def test_a_plan_comes_back_as_it_was(kind: str) -> None:
    before = plan(kind)
    after = Plan.from_dict(written(kind))
    for field in fields(Plan):
        if field.name != "measurement":
            one, two = (getattr(made, field.name) for made in (before, after))
            assert same(one, two), field.name
    assert after.content_hash == before.content_hash
    assert after.code == before.code
    assert Plan.from_dict(json.loads(json.dumps(after.as_dict()))).code == before.code


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_says_what_comes_next(kind: str) -> None:
    made = plan(kind)
    assert made.status == STATUS[kind]
    assert made.cuts_now == (kind == "cut")
    for said in (made.headline, made.next_step):
        assert str(said).endswith(".")


@pytest.mark.quick(1)
@pytest.mark.parametrize("seed", range(6))
def test_any_plan_comes_back(seed: int) -> None:
    chance = np.random.default_rng(seed)
    neck = invented.as_found("ukulele" if seed % 2 else "bass", chance)
    found = read(neck, chance, Reader(u_mm=0.005))
    before = make_plan(neck.specification, found, excursion=table(neck.specification))
    after = Plan.from_dict(json.loads(json.dumps(before.as_dict(), allow_nan=False)))
    assert after.content_hash == before.content_hash


# ---- the contract -------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_every_key_of_the_contract_is_there(kind: str) -> None:
    values, made = written(kind), plan(kind)
    count, frets = made.removal_mm.shape
    assert values["schema"] == "evenfall/plan@1"
    for key in ("metal_mm", "relief_change_mm", "lowest_crown_mm", "smallest_cut_mm"):
        assert isinstance(values[key], float)
    assert isinstance(values["method"], str)
    for key in ("removal_mm", "crown_top_after_mm", "buzz_force_before_n", "buzz_force_after_n"):
        assert np.shape(values[key]) == (count, frets)
        np.testing.assert_array_equal(values[key], getattr(made, key))
    saddle = made.saddle_after_mm - made.measurement.saddle_mm
    np.testing.assert_array_equal(values["saddle_height_change_mm"], saddle)
    np.testing.assert_array_equal(values["nut_after_mm"], made.nut_after_mm)
    for binding in made.binding:
        assert str(binding.said).endswith(".")
        assert "–" not in str(binding.said)
    assert (values["misfit"] is not None) == (values["status"] == "misfit")
    assert np.shape(values["state_after"]) == (count, frets)


@pytest.mark.slow
def test_the_buzz_force_in_the_file_is_by_stopped_fret() -> None:
    """Column 0 is the open string: it alone changes where only the nut is lifted."""
    found = read(NECK, np.random.default_rng(5), Reader(u_mm=0.002))
    lifted = changed(found, nut_mm=found.nut_mm + 0.05)
    before, after = (
        np.array(make_plan(SPEC, one, excursion=table(SPEC)).as_dict()["buzz_force_before_n"])
        for one in (found, lifted)
    )
    assert (after[:, 0] > before[:, 0]).all()
    np.testing.assert_allclose(after[:, 1:], before[:, 1:])


def test_the_plan_depends_on_nothing_but_heights_and_specification() -> None:
    found = read(NECK, np.random.default_rng(5), Reader(u_mm=0.002))
    other = replace(
        found,
        serial="TR-7 (invented)",
        source=("other.csv",),
        humidity_percent=float("nan"),
        routes=("somehow",),
    )
    one, two = (make_plan(SPEC, one, excursion=table(SPEC)) for one in (found, other))
    np.testing.assert_array_equal(one.removal_mm, two.removal_mm)
    assert one.content_hash != two.content_hash  # each still tells whose it is


@pytest.mark.slow
def test_the_same_request_gives_the_same_plan_to_the_last_digit() -> None:
    found = read(NECK, np.random.default_rng(5), Reader(u_mm=0.002))
    hashes = {make_plan(SPEC, found, excursion=table(SPEC)).content_hash for _ in range(3)}
    assert len(hashes) == 1


# ---- changed files ------------------------------------------------------------------------------


def leaves(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield the path of every single value of a file."""
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for key, inner in items:
        if isinstance(inner, dict | list) and inner:
            yield from leaves(inner, (*path, key))
        else:
            yield (*path, key)


def put(values: dict[str, Any], path: tuple[Any, ...], new: Any) -> dict[str, Any]:
    changed = copy.deepcopy(values)
    place: Any = changed
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = new
    return changed


def other(value: Any) -> Any:
    """Return another value of the same kind."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int | float):
        return value + 1 if isinstance(value, int) else value + 1e-7
    if isinstance(value, str):
        return value + "x"
    return 0.5 if value is None else [0]


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["cut"])
def test_every_single_value_that_is_changed_is_noticed(kind: str) -> None:
    values = written(kind)
    paths = list(leaves(values))
    assert len(paths) > 300
    step = 1 if len(paths) < 400 else len(paths) // 400
    own = [path for path in paths if path[0] != "measurement"]
    first = {path[0]: path for path in reversed(own)}  # one of each key, whatever is left out
    for path in {*first.values(), *own[::7], *paths[:: 7 * step]}:
        value: Any = values
        for key in path:
            value = value[key]
        try:
            Plan.from_dict(put(values, path, other(value)))
        except (BrokenFileError, FormatMismatchError) as error:
            sentence = str(error)
        else:
            sentence = ""
        assert sentence, path
        assert "\n" not in sentence


def test_a_key_that_is_missing_is_noticed() -> None:
    whole = written("cut")
    for key in whole:
        values = {name: value for name, value in whole.items() if name != key}
        with pytest.raises((BrokenFileError, FormatMismatchError)):
            Plan.from_dict(values)


SPOILT: list[tuple[str, Callable[[dict[str, Any]], Any]]] = [
    ("schema", lambda v: v | {"schema": "evenfall/measurement@1"}),
    ("later schema", lambda v: v | {"schema": "evenfall/plan@99"}),
    ("nothing", lambda v: None),
    ("a list", lambda v: [v]),
    ("heights null", lambda v: v | {"removal_mm": None}),
    ("no strings", lambda v: v | {"removal_mm": []}),
    ("a string less", lambda v: v | {"removal_mm": v["removal_mm"][:-1]}),
    ("strings of numbers", lambda v: v | {"removal_mm": [1] * COUNT}),
    ("removal too short", lambda v: put(v, ("removal_mm", 0), [0.0])),
    ("removal as text", lambda v: put(v, ("removal_mm", 0, 0), "much")),
    ("status unknown", lambda v: v | {"status": "perfect"}),
    ("method unknown", lambda v: v | {"method": "file"}),
    ("objective null", lambda v: v | {"metal_mm": None}),
    ("objective a list", lambda v: v | {"metal_mm": [1.0]}),
    ("measurement empty", lambda v: v | {"measurement": {}}),
    ("binding of text", lambda v: v | {"binding": ["x"]}),
    ("binding with more", lambda v: v | {"binding": [{"kind": "clear", "colour": "red"}]}),
    ("hash null", lambda v: v | {"content_hash": None}),
]


@pytest.mark.parametrize(("what", "spoil"), SPOILT, ids=[name for name, _ in SPOILT])
def test_a_spoilt_plan_gets_one_sentence(what: str, spoil: Callable[[Any], Any]) -> None:
    with pytest.raises((BrokenFileError, FormatMismatchError, UnsupportedError)) as caught:
        Plan.from_dict(spoil(written("cut")))
    sentence = str(caught.value)
    assert "\n" not in sentence, what
    assert len(sentence) < 400


def rehashed(values: dict[str, Any]) -> dict[str, Any]:
    """Return a changed plan with the hash that fits it, as anybody can give it one."""
    kept = {k: v for k, v in values.items() if k not in ("schema", "content_hash", *Plan.DERIVED)}
    kept["measurement"] = {"content_hash": values["measurement"]["content_hash"]}
    return values | {"content_hash": content_hash(kept)}


REHASHED: list[tuple[str, Callable[[dict[str, Any]], Any]]] = [
    ("null has no meaning", lambda v: v | {"smallest_cut_mm": None}),
    ("null has no meaning", lambda v: v | {"largest_violation_mm": None}),
    ("is not known", lambda v: v | {"padding": "x" * 1000}),
    ("it cannot be 50", lambda v: put(v, ("removal_mm", 0, 0), 50.0)),
    ("does not fit the crown heights", lambda v: put(v, ("removal_mm", 0, 0), 15.0)),
    ("a fret that is not there", lambda v: v | {"replaced_frets": [36]}),
]


@pytest.mark.parametrize(("words", "spoil"), REHASHED)
def test_a_hash_that_fits_makes_no_plan_of_what_cannot_be(
    words: str, spoil: Callable[[Any], Any]
) -> None:
    assert Plan.from_dict(rehashed(written("cut"))) == plan("cut")
    with pytest.raises(BrokenFileError, match=words):
        Plan.from_dict(rehashed(spoil(written("cut"))))


def test_the_order_of_keys_and_the_spacing_do_not_matter() -> None:
    values = written("cut")
    turned = json.loads(json.dumps(dict(reversed(values.items())), indent=3))
    assert Plan.from_dict(turned).content_hash == plan("cut").content_hash


def test_the_hash_is_that_of_the_content_without_what_follows_from_it() -> None:
    values = written("cut")
    told = values.pop("content_hash")
    for key in ("schema", *Plan.DERIVED):
        del values[key]
    values["measurement"] = {"content_hash": values["measurement"]["content_hash"]}
    assert content_hash(values) == told


def test_a_fret_that_waits_for_a_reading_is_no_fret_that_needs_no_cut() -> None:
    uncut = replace(plan("settings"), metal_mm=0.0)
    assert "no fret has to be cut" in str(uncut.headline)
    waits = replace(uncut, read_first=(ReadFirst(9, (), 0.0, True),))
    assert str(waits.headline).startswith("Settings come first. Whether fret 9 has to be cut")
    assert "including what is listed" in str(waits.next_step)


def test_a_limit_that_cannot_be_met_is_not_left_to_the_proof() -> None:
    done = replace(plan("settings"), status="nothing", part="whole")
    assert "nothing has to be done" in str(done.headline)
    short = LeftOut("first-fret-gap", (3,), sentence("First-fret gap of string 3 is too low."))
    unmet = replace(done, left_out=(short,))
    assert "not every limit can be met" in str(unmet.headline)
    assert "will not find that the instrument conforms" in str(unmet.next_step)
    as_good = done.state_after.copy()
    as_good[2, 0] = State.AS_GOOD
    both = str(replace(unmet, state_after=as_good).headline)
    assert "1 note buzzes at the design attack" in both
    assert "not every limit can be met" in both
    assert "every limit" not in str(replace(done, state_after=as_good).headline)
    # a note that buzzes as it would over level frets is no fault of the instrument
    alike = replace(done, left_out=(replace(short, limit="clearance"),))
    assert "shows that the instrument conforms" in str(alike.next_step)
