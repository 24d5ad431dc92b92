"""Data to plain values and back: nothing lost, nothing slipped in, every refusal one sentence."""

from __future__ import annotations

import importlib
import json
import math
import pkgutil
from collections.abc import Callable
from copy import copy
from dataclasses import FrozenInstanceError, fields, replace
from importlib import resources
from typing import Any, ClassVar

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from numpy.typing import NDArray

import evenfall
from draws import draws
from evenfall.codec import Content, FileContent, parse_json, plain, with_words
from evenfall.codec.content import same
from evenfall.codec.forms import (
    NAN,
    Form,
    choice,
    content_dataclass,
    derived,
    finding,
    number,
    part,
    spoken,
    text,
    truth,
    whole,
)
from evenfall.codec.parsing import JSON_LIMIT_BYTES, parse_toml
from evenfall.codec.reading import finding_of
from evenfall.codec.schema import json_schema
from evenfall.errors import (
    At,
    BrokenFileError,
    EvenfallError,
    Finding,
    FormatMismatchError,
    UnsupportedError,
)
from evenfall.instrument import read_specification
from evenfall.wording import _NUMBERS, Sentence, sentence


@content_dataclass()
class Slat(Content):
    """A part: as much of every kind as a file can hold."""

    width_mm: float = number(0.0, 100.0, "width")
    notches: tuple[int, ...] = whole(1, 36, "where it is notched", "*")


@content_dataclass()
class Rack(FileContent):
    """A file of a kind that evenfall does not have."""

    KIND: ClassVar = "rack"
    VERSION: ClassVar = 3
    AGAIN: ClassVar = sentence("build it again with {door_plan}")
    PRINTED: ClassVar = ("findings",)
    DERIVED: ClassVar = derived(total_mm=number(0.0, 1e4, "widths, summed"))

    name: str = text("what it is called", longest=20)
    depth_mm: float = number(0.0, 10.0, "how deep, null if not read", null=NAN)
    low_mm: float = number(-10.0, 10.0, "lower end", null=-math.inf)
    freedom: float = number(1.0, 1e6, "null where known", null=math.inf)
    fret: int | None = whole(1, 36, "fret", null=None)
    fixed: bool = truth("whether it is fixed")
    wood: str = choice(("ash", "oak"), "wood")
    grid_mm: NDArray[np.float64] = number(-1.0, 1.0, "a grid", "K F", null=NAN)
    wide_mm: NDArray[np.float64] = number(-1.0, 1.0, "a wide grid", "K F+2")
    codes: NDArray[np.int8] = whole(0, 4, "codes", "K", array=np.int8)
    states: tuple[tuple[str, ...], ...] = choice(("on", "off"), "states", "K F")
    slats: tuple[Slat, ...] = part(Slat, "slats", "*")
    spare: Slat | None = part(Slat, "a spare one", null=None)
    reason: Sentence = spoken("why")
    found: tuple[Finding, ...] = finding("what was found")

    @property
    def total_mm(self) -> float:
        """Widths, summed [mm]."""
        return sum(slat.width_mm for slat in self.slats)


def rack(**changes: Any) -> Rack:
    inner = sentence("{gap:length} on {n:count fret}", gap=0.125, n=3)
    values: dict[str, Any] = {
        "name": "Wren",
        "depth_mm": NAN,
        "low_mm": -math.inf,
        "freedom": math.inf,
        "fret": None,
        "fixed": True,
        "wood": "oak",
        "grid_mm": np.array([[0.5, NAN, 0.0, -0.25, 1.0]] * 3),
        "wide_mm": np.linspace(-1.0, 1.0, 21).reshape(3, 7),
        "codes": np.array([0, 4, 2]),
        "states": (("on", "off", "on", "on", "off"),) * 3,
        "slats": (Slat(12.5, (1, 3)), Slat(0.0, ())),
        "spare": Slat(3.0, (2,)),
        "reason": sentence("Because of {inner}, {names:list}.", inner=inner, names=("a", "b")),
        "found": (
            Finding(
                "relief",
                "Relief is {relief:length}.",
                At(file="x.csv", rows=(3, 4), strings=(1,), frets=(2, 3), stopped_fret=0),
                "note",
                relief=0.3,
            ),
        ),
    }
    return Rack(**{**values, **changes})


def written(made: Rack | None = None) -> dict[str, Any]:
    """Return a file as it lies on the disk."""
    values = (made or rack()).as_dict()
    read: dict[str, Any] = parse_json(json.dumps(values, allow_nan=False).encode())
    return read


def rehashed(values: dict[str, Any]) -> dict[str, Any]:
    """Return a changed file with the hash that would fit it, as an attacker can give it one."""
    from evenfall.codec.content import content_hash

    kept = {k: v for k, v in values.items() if k not in ("schema", "content_hash", "total_mm")}
    for slat in (*kept.get("slats", ()), kept.get("spare")):
        assert slat is None or set(slat)
    return {**values, "content_hash": content_hash(kept)}


# ---- there and back ------------------------------------------------------------------------------


def test_everything_comes_back_as_it_was() -> None:
    made = rack()
    back = Rack.from_dict(written(made))
    assert back == made
    assert hash(back) == hash(made)
    assert back.content_hash == made.content_hash
    assert str(back.reason) == "Because of 0.125 mm on 3 frets, a and b."
    assert back.found[0].at.frets == (2, 3)
    assert str(back.found[0].said) == "Relief is 0.300 mm."
    assert math.isnan(back.depth_mm)
    assert back.low_mm == -math.inf
    assert back.freedom == math.inf
    assert back.codes.dtype == np.int8


values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**14), 10**14)
    | st.floats(-1e12, 1e12)
    | st.just(NAN)
    | st.text(max_size=20).filter(lambda t: not any("\ud800" <= c <= "\udfff" for c in t)),
    lambda inner: st.lists(inner, max_size=3),
    max_leaves=6,
)


@given(st.dictionaries(st.sampled_from("abcdefg"), values, max_size=5))
def test_any_values_of_a_sentence_come_back(given_values: dict[str, Any]) -> None:
    """Whatever a sentence is given, it keeps what a file can hold."""
    said = Sentence("Nothing is said of them.", given_values)
    made = rack(reason=said)
    assert Rack.from_dict(written(made)).reason == said


@given(
    st.lists(st.floats(-1.0, 1.0, width=64) | st.just(NAN), min_size=15, max_size=15),
    st.text(max_size=20).filter(lambda t: not any("\ud800" <= c <= "\udfff" for c in t)),
    st.integers(1, 36) | st.none(),
)
def test_any_content_comes_back(numbers: list[float], name: str, fret: int | None) -> None:
    made = rack(grid_mm=np.array(numbers).reshape(3, 5), name=name, fret=fret)
    back = Rack.from_dict(written(made))
    assert back == made
    assert back.content_hash == made.content_hash


def test_numbers_of_numpy_in_a_sentence_become_plain() -> None:
    said = sentence("x", n=np.int64(3), row=np.array([1.5, np.nan]), u=np.float64(0.25))
    assert said.values == {"n": 3, "row": (1.5, None), "u": 0.25}
    assert json.dumps(plain(said))


# ---- frozen, equal by content --------------------------------------------------------------------


def test_nobody_can_change_what_is_in_it() -> None:
    given_grid = np.zeros((3, 5))
    made = rack(grid_mm=given_grid)
    given_grid[0, 0] = 1.0  # whoever gave the array may go on using it
    assert made.grid_mm[0, 0] == 0.0
    for array in (made.grid_mm, made.codes, Rack.from_dict(written()).grid_mm):
        with pytest.raises(ValueError, match="read-only"):
            array[...] = 1
    with pytest.raises(FrozenInstanceError):
        made.name = "other"  # type: ignore[misc]


def test_equal_content_is_equal_and_hashes_alike() -> None:
    assert rack() == rack()
    assert len({rack(), rack()}) == 1
    assert rack(grid_mm=np.zeros((3, 5))) == rack(grid_mm=-np.zeros((3, 5)))
    zeros = [rack(grid_mm=sign * np.zeros((3, 5))).content_hash for sign in (1.0, -1.0)]
    assert zeros[0] == zeros[1]  # no negative zero reaches a file
    assert rack() != rack(name="Lark")
    assert rack() != rack(wide_mm=np.zeros((3, 7)))
    assert rack() != "a rack"


def test_arrays_must_fit_each_other() -> None:
    with pytest.raises(ValueError, match="wide_mm must have the shape"):
        rack(wide_mm=np.zeros((3, 8)))
    with pytest.raises(ValueError, match="codes must have the shape"):
        rack(codes=np.zeros(4))


def every_class() -> set[type[Content]]:
    """Return every class of content that evenfall has."""
    for module in pkgutil.walk_packages(evenfall.__path__, "evenfall."):
        if module.name.split(".")[1] in ("plan", "measurement", "proof"):
            importlib.import_module(module.name)
    found: set[type[Content]] = set()
    left = [Content]
    while left:
        for inner in left.pop().__subclasses__():
            left.append(inner)
            if inner is not FileContent and inner.__module__.startswith("evenfall."):
                found.add(inner)
    return found


def test_every_class_of_content_keeps_the_rules() -> None:
    """Frozen, equal by content, a form for every field, a range for every number."""
    classes = every_class()
    assert {cls.__name__ for cls in classes} >= {"Plan", "Measurement", "Proof", "Heights", "Item"}
    for cls in classes:
        assert cls.__eq__ is Content.__eq__, cls
        assert cls.__hash__ is Content.__hash__, cls
        assert cls.__dataclass_params__.frozen, cls  # type: ignore[attr-defined]
        forms = [f.metadata.get("form") for f in fields(cls)]  # type: ignore[arg-type]
        for form in (*forms, *cls.DERIVED.values()):
            assert isinstance(form, Form), cls
            assert form.meaning, cls
            if form.kind in ("number", "whole", "text"):
                assert math.isfinite(form.low_bound), cls
                assert math.isfinite(form.high_bound), cls


def test_what_a_file_has_no_word_for_is_not_written() -> None:
    for odd in (rack(wide_mm=np.full((3, 7), NAN)), rack(depth_mm=math.inf), rack(low_mm=math.inf)):
        with pytest.raises(ValueError, match="no word for"):
            odd.as_dict()


# ---- what is refused -----------------------------------------------------------------------------


def put(place: tuple[Any, ...], new: Any) -> Callable[[dict[str, Any]], None]:
    """Return what puts a value at a place."""

    def change(file: dict[str, Any]) -> None:
        at: Any = file
        for key in place[:-1]:
            at = at[key]
        at[place[-1]] = new

    return change


def drop(*place: Any) -> Callable[[dict[str, Any]], None]:
    """Return what takes a key away."""

    def change(file: dict[str, Any]) -> None:
        at: Any = file
        for key in place[:-1]:
            at = at[key]
        del at[place[-1]]

    return change


SAID = {"text": "{a:length}", "values": {"a": 1.0}}
REFUSED = [
    (put(("colour",), "red"), "", 'the key "colour" is not known'),
    (put(("slats", 0, "colour"), "red"), "slats[0]", "is not known"),
    (drop("name"), "name", "this key is missing"),
    (drop("slats", 1, "notches"), "slats[1].notches", "this key is missing"),
    (drop("total_mm"), "total_mm", "this key is missing"),
    (put(("name",), None), "name", "null has no meaning here"),
    (put(("name",), 3), "name", "a text must stand here"),
    (put(("name",), "x" * 21), "name", "longer than 20 characters"),
    (put(("name",), "\ud800"), "name", "half a character"),
    (put(("depth_mm",), "3"), "depth_mm", "a number must stand here"),
    (put(("depth_mm",), True), "depth_mm", "a number must stand here"),
    (put(("depth_mm",), 10.5), "depth_mm", "it cannot be 10.5, only 0 to 10"),
    (put(("depth_mm",), -1e-9), "depth_mm", "it cannot be"),
    (put(("depth_mm",), [1.0]), "depth_mm", "a number must stand here"),
    (put(("fret",), 2.0), "fret", "a whole number must stand here"),
    (put(("fret",), 37), "fret", "it cannot be 37, only 1 to 36"),
    (put(("fixed",), 1), "fixed", "true or false must stand here"),
    (put(("wood",), "elm"), "wood", "one of ash or oak"),
    (put(("wood",), None), "wood", "null has no meaning here"),
    (put(("grid_mm", 1), [0.0] * 4), "grid_mm", "a list of 4 values cannot stand here"),
    (put(("grid_mm",), [[0.0] * 5] * 4), "", "cannot stand here"),
    (put(("grid_mm",), []), "grid_mm", "a list of 0 values cannot stand here"),
    (put(("grid_mm",), 1.0), "grid_mm", "a list must stand here"),
    (put(("grid_mm", 0), 1.0), "grid_mm", "a list must stand here"),
    (put(("grid_mm", 0, 0), [1.0]), "grid_mm", "a number must stand here"),
    (put(("grid_mm", 0, 0), 1.5), "grid_mm", "it cannot be 1.5, only -1 to 1"),
    (put(("wide_mm", 0, 0), None), "wide_mm", "a number must stand here"),
    (put(("codes", 0), 5), "codes", "it cannot be 5, only 0 to 4"),
    (put(("codes", 0), 1.0), "codes", "a whole number must stand here"),
    (put(("states", 2, 1), "maybe"), "states[2][1]", "one of on or off"),
    (put(("slats",), {}), "slats", "a list must stand here"),
    (put(("slats",), [None]), "slats[0]", "an object with keys must stand here"),
    (put(("slats", 0, "notches"), [1] * 6000), "slats[0].notches", "a list of 6000 values"),
    (put(("reason",), "because"), "reason", "a sentence must stand here"),
    (put(("reason",), {"text": "{a}", "values": {"b": 1}}), "reason", "does not fit its values"),
    (put(("reason",), {"text": "{", "values": {"a": 1}}), "reason", "does not fit its values"),
    (put(("reason",), {"text": "{a:>99999999}", "values": {"a": 1}}), "reason", "does not fit"),
    (put(("reason",), {"text": "{a:.99f}", "values": {"a": 1.0}}), "reason", "does not fit"),
    (put(("reason",), {"text": "{a.real}", "values": {"a": 1}}), "reason", "does not fit"),
    (put(("reason",), {**SAID, "more": 1}), "reason", "a sentence must stand here"),
    (put(("reason",), {"text": "x", "values": {"a": 1e200}}), "reason.values", "it cannot be"),
    (put(("reason",), {"text": "x" * 3000, "values": {}}), "reason.text", "longer than"),
    (put(("found", 0, "code"), "no-such"), "found[0]", "not known"),
    (put(("found", 0, "severity"), "grave"), "found[0]", "not known"),
    (put(("found", 0, "values"), {"relief": 0.3, "at": 1}), "found[0]", "does not fit its values"),
    (put(("found", 0, "at"), {"shelf": 3}), "found[0].at", "a place must stand here"),
    (put(("found", 0, "at"), {"rows": ["x"]}), "found[0].at.rows[0]", "a whole number"),
    (put(("found", 0, "at"), {"stopped_fret": -1}), "found[0].at.stopped_fret", "it cannot be"),
    (put(("total_mm",), 13.0), "total_mm", "does not follow from the other values"),
]


@pytest.mark.parametrize(
    ("change", "place", "words"), REFUSED, ids=[f"{p or 'file'}: {w}" for _, p, w in REFUSED]
)
def test_what_cannot_be_is_refused_with_its_place(
    change: Callable[[dict[str, Any]], None], place: str, words: str
) -> None:
    """The hash is made to fit again, so that it is not what gives the file away."""
    file = written()
    change(file)
    with pytest.raises(BrokenFileError) as caught:
        Rack.from_dict(rehashed(file))
    told = caught.value
    assert words in told.sentence
    assert not place or told.at.field == place
    assert told.sentence.startswith("The rack file is damaged: ")
    assert told.sentence.endswith("; build it again with plan.")
    assert "\n" not in str(told)
    assert len(str(told)) < 300


def test_a_file_that_was_changed_does_not_match_its_hash() -> None:
    file = written()
    file["name"] = "Lark"
    with pytest.raises(BrokenFileError, match="changed after it was written"):
        Rack.from_dict(file)


@pytest.mark.parametrize(
    "other", [None, [], 3, {}, {"schema": 3}, {"schema": "evenfall/plan@3"}, {"schema": "rack@3"}]
)
def test_another_kind_of_file_is_named(other: object) -> None:
    with pytest.raises(FormatMismatchError, match="not a rack file: its schema must be") as caught:
        Rack.from_dict(other)
    assert "evenfall/rack@3" in caught.value.sentence


@pytest.mark.parametrize("version", [0, 2, 4, 99])
def test_another_version_gets_one_clear_sentence(version: int) -> None:
    file = {**written(), "schema": f"evenfall/rack@{version}"}
    with pytest.raises(UnsupportedError) as caught:
        Rack.from_dict(file)
    assert caught.value.sentence == (
        f"This rack file has version {version}, and this program reads version 3; "
        "build it again with plan."
    )


def test_what_was_printed_beside_the_content_may_stay() -> None:
    file = with_words({**written(), "findings": [{"code": "relief", "text": "x", "values": {}}]})
    assert file["reason"]["sentence"] == "Because of 0.125 mm on 3 frets, a and b."
    assert file["found"][0]["sentence"] == "Relief is 0.300 mm."
    assert with_words(written(), "in")["found"][0]["sentence"] == "Relief is 0.0118 in."
    assert Rack.from_dict(file) == rack()


def test_padding_is_refused_where_printed_keys_may_stand() -> None:
    with pytest.raises(BrokenFileError, match="more than is ever printed") as caught:
        Rack.from_dict({**written(), "findings": ["x" * 1_000_000]})
    assert caught.value.at.field == "findings"


def test_a_specification_has_plain_values_too() -> None:
    """Its file is TOML; as JSON it is for those who read what is printed."""
    text = (resources.files("evenfall") / "invented" / "tesquil.spec.toml").read_text("utf-8")
    specification, _ = read_specification(text)
    values = json.loads(json.dumps(plain(specification), allow_nan=False))
    assert values["scale"]["treble_mm"] == specification.scale.treble_mm
    assert values["target"]["action"][5]["maximum_mm"] == specification.target.action[5].maximum_mm
    assert values["compensation"]["saddle_back_mm"] is None  # no limit
    assert read_specification(text)[0] == specification
    assert len({specification, read_specification(text)[0]}) == 1


def test_what_follows_from_other_values_may_be_rounded_by_another_machine() -> None:
    file = written()
    file["total_mm"] *= 1.0 + 1e-13
    assert Rack.from_dict(file) == rack()


def test_the_hash_is_worked_out_once_and_goes_with_no_copy(monkeypatch: pytest.MonkeyPatch) -> None:
    made = rack()
    before = made.content_hash
    other = replace(made, grid_mm=made.grid_mm + 1.0)
    assert other.content_hash != before
    monkeypatch.setattr("evenfall.codec.content.content_hash", lambda _: "worked out again")
    assert made.content_hash == before
    assert replace(other, grid_mm=made.grid_mm).content_hash == "worked out again"
    assert copy(made).content_hash == "worked out again"


# ---- later additions -----------------------------------------------------------------------------


@content_dataclass()
class LaterRack(Rack):
    """The same kind and version with a key that came later."""

    colour: str = text("colour", later=True, default="plain")


def test_a_later_key_leaves_older_files_and_their_hash_as_they_are() -> None:
    old = LaterRack.from_dict(written())
    assert old.colour == "plain"
    assert old.content_hash == rack().content_hash
    assert "colour" not in old.as_dict()
    new = replace(old, colour="red")
    assert new.content_hash != old.content_hash
    assert LaterRack.from_dict(json.loads(json.dumps(new.as_dict()))) == new
    with pytest.raises(BrokenFileError, match="is not known"):
        Rack.from_dict(new.as_dict())
    assert "colour" not in json_schema(LaterRack)["required"]


# ---- the schema ----------------------------------------------------------------------------------


def test_the_schema_accepts_what_is_written_and_refuses_what_is_refused() -> None:
    schema = json_schema(Rack, {"findings": {"type": "array"}})
    Draft202012Validator.check_schema(schema)
    check = Draft202012Validator(schema)
    assert not list(check.iter_errors(written()))
    beyond = {  # what a schema cannot say: values that have to fit each other
        "does not follow from the other values",
        "does not fit its values",
        "does not fit",
        "half a character",
        "not known",
        "a whole number must stand here",  # 2.0 is one to a schema
    }
    for change, place, words in REFUSED:
        file = written()
        change(file)
        if words in beyond or place in ("", "reason.values", "reason.text") or ".at" in place:
            continue
        assert not check.is_valid(file), (place, words)


# ---- JSON from anybody ---------------------------------------------------------------------------

HOSTILE: list[tuple[bytes, type[EvenfallError], str]] = [
    (b"", FormatMismatchError, "not a JSON file"),
    (b"quantity,string", FormatMismatchError, "not a JSON file"),
    (b"[1]", FormatMismatchError, "not a JSON file"),
    (b"{", BrokenFileError, "line 1, column 2"),
    (b'{"a": 1', BrokenFileError, "line 1, column"),
    (b'{"a": \xff}', BrokenFileError, "not UTF-8"),
    (b'{"a": NaN}', BrokenFileError, "NaN is not JSON"),
    (b'{"a": -Infinity}', BrokenFileError, "-Infinity is not JSON"),
    (b'{"a": 1e999}', BrokenFileError, "too large"),
    (b'{"a": ' + b"9" * 500_000 + b"}", BrokenFileError, "too large"),
    (b'{"a": 0.' + b"9" * 500_000 + b"}", BrokenFileError, "too large"),
    (b'{"a": 1, "b": 2, "a": 3}', BrokenFileError, 'the key "a" stands twice'),
    (b'{"a": {"b": 1, "b": 1}}', BrokenFileError, 'the key "b" stands twice'),
    (b'{"a": ' + b"[" * 200_000 + b"]" * 200_000 + b"}", BrokenFileError, "too deeply"),
    (b'{"a": ' * 200_000 + b"1" + b"}" * 200_000, BrokenFileError, "too deeply"),
    (b'{"a": "' + b"x" * JSON_LIMIT_BYTES + b'"}', UnsupportedError, "larger than 16 MB"),
]


@pytest.mark.parametrize("part", ["a", "'x'", "long-name_2"])
@pytest.mark.parametrize("form", ["{} = 1", "[{}]", "k = {{ {} = 1 }}"])
def test_a_key_of_many_parts_is_refused_before_it_is_parsed(
    form: str, part: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patched:
        patched.setattr("tomllib.loads", lambda _: pytest.fail("parsed"))
        for joint in (".", " . "):
            with pytest.raises(RecursionError):
                parse_toml(form.format(joint.join([part] * 30_000)))
    fine = 'a.b.c = "a.b, 1.2.3.4"\nd = [1.5, 2.5]\n' + "e = 0.5 # . . . . . . . . . . . . . . .\n"
    assert parse_toml(fine)["a"]["b"]["c"] == "a.b, 1.2.3.4"


@pytest.mark.parametrize(("data", "kind", "words"), HOSTILE, ids=[w for *_, w in HOSTILE])
def test_hostile_json_gets_one_sentence(data: bytes, kind: type[EvenfallError], words: str) -> None:
    with pytest.raises(kind) as caught:
        parse_json(data, name="shelf/rack.json")
    assert words in caught.value.sentence
    assert caught.value.at.file == "shelf/rack.json"
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 200


def test_usual_json_is_read() -> None:
    assert parse_json(b'\xef\xbb\xbf {"a": [1, 2.5, null, true, "\xc3\xa9"]}') == {
        "a": [1, 2.5, None, True, "é"]
    }


@draws(200)
@given(st.data())
def test_a_file_with_random_damage_is_refused_or_the_same(data: st.DataObject) -> None:
    """Cut, changed and swollen files never come out as anything else than what was written."""
    whole_file = json.dumps(written()).encode()
    at = data.draw(st.integers(0, len(whole_file) - 1))
    new = data.draw(st.binary(max_size=3) | st.sampled_from([b'"', b"null", b"[", b"}", b"1e5"]))
    gone = data.draw(st.integers(0, 3))
    told = ""
    try:
        made = Rack.from_dict(parse_json(whole_file[:at] + new + whole_file[at + gone :]))
    except EvenfallError as error:
        made, told = rack(), str(error)
    assert same(made, rack())
    assert "\n" not in told


def test_a_number_in_every_form_that_sentences_have_is_taken_up_again() -> None:
    texts = [f"It is {{size:{form}}}." for form in (*sorted(_NUMBERS), ".1e", "+,.2f", "")]
    found = [Finding("gauge", text, size=0.16) for text in texts]
    assert [finding_of(plain(one)) for one in found] == found
