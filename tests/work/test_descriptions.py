"""Descriptions of machines, cutters and fixtures: what ships is sound, and every fault is told."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import jsonschema
import pytest

from evenfall.cli.program_report import description_lines
from evenfall.errors import DescriptionError
from evenfall.wording import say
from evenfall.work.cautions import machine_cautions
from evenfall.work.descriptions import (
    KINDS,
    Fixture,
    Machine,
    description_schema,
    read_description,
    schema_of,
)
from evenfall.workshop import Source

SHIPPED = (
    "yard.machine.toml",
    "row.machine.toml",
    "yard.cutters.toml",
    "yard.fixture.toml",
    "row.fixture.toml",
    "yard.parts.toml",
    "row.parts.toml",
)


def text_of(name: str) -> str:
    return Source.invented(name).text()


def faults(text: str) -> list[str]:
    with pytest.raises(DescriptionError) as refused:
        read_description(text, source="a.toml")
    assert all(found.at.file == "a.toml" for found in refused.value.findings)
    return refused.value.words().splitlines()


@pytest.mark.parametrize("name", SHIPPED)
def test_what_ships_is_sound_and_says_that_it_is_invented(name: str) -> None:
    read_description(text_of(name), source=name)
    assert "Invented" in text_of(name)


def test_two_machines_six_cutters_and_two_fixtures_ship() -> None:
    read = [read_description(text_of(name)) for name in SHIPPED]
    assert sum(isinstance(one, Machine) for one in read) == 2
    assert sum(isinstance(one, Fixture) for one in read) == 2
    assert [len(one) for one in read if isinstance(one, tuple)] == [6]


def test_numbers_arrive_in_our_units() -> None:
    row = read_description(text_of("row.machine.toml"))
    assert isinstance(row, Machine)
    assert row.most_feed_mm_per_s == pytest.approx(60 * 25.4 / 60)
    assert row.x_least_mm == pytest.approx(-1016.0)
    assert row.digit_mm == pytest.approx(0.00254)
    assert row.least_speed_hz == pytest.approx(50.0)
    wheel, ball, *_ = read_description(text_of("yard.cutters.toml"))
    assert wheel.groove_depth_mm == pytest.approx(1.25 - (1.25**2 - 1.0) ** 0.5)
    assert wheel.uses["stainless"].surface_speed_mm_per_s == pytest.approx(500.0)
    assert ball.uses["bone"].life_mm == pytest.approx(500_000.0)


def test_every_fault_is_told_at_once_with_its_line() -> None:
    text = text_of("yard.machine.toml")
    for old, new in (
        ("decimals = 3", "decimals = 12"),
        ("least = -150.0, most = 150.0", "least = 150.0, most = -150.0"),
        ('dust_on = "M8"', 'dust_on = "M98"'),
        ('"by hand"', '"by foot"'),
        ("plunge_feed = 300.0", "plunj_feed = 300.0"),
    ):
        assert old in text
        text = text.replace(old, new)
    told = faults(text)
    lines = [int(re.search(r"line (\d+)", one)[1]) for one in told]  # type: ignore[index]
    assert lines == sorted(lines)
    assert len(told) == 6  # the key that is missing, and the one that is not known


@pytest.mark.parametrize(
    ("name", "old", "new", "said"),
    [
        ("yard.cutters.toml", "groove_radius = 1.25", "", "groove_radius is missing"),
        ("yard.cutters.toml", "width = 2.0 ", "width = 2.6 ", "less than twice groove_radius"),
        ("yard.cutters.toml", "body_width = 2.6", "body_width = 1.0", "less than width"),
        ("yard.cutters.toml", "number = 2", "number = 1", "Cutter 1 is there twice"),
        ("yard.cutters.toml", "stainless_chip = 0.003", "", "stainless_chip is missing"),
        ("yard.cutters.toml", '"ball end"', '"round"', '"ball end"'),
        ("yard.fixture.toml", "least = -120.0", "least = -20.0", "least under most"),
        ("yard.fixture.toml", "evenfall/fixture@1", "evenfall/fixture@9", "schema must be"),
        ("yard.machine.toml", "least_speed = 200", "least_speed = 20000", "not be over most_speed"),
        ("yard.machine.toml", 'dust_on = "M8"', 'dust_on = "G0 X5 Z-40"', "M9, and not G0"),
        ("yard.machine.toml", 'dust_on = "M8"', 'dust_on = "M3 S900"', "and not M3"),
        ("yard.machine.toml", "arcs = true", 'start = "G0 Z-50"', "start may hold only"),
        ("yard.machine.toml", "arcs = true", 'start = "G90 M30"', "and not M30"),
        ("yard.machine.toml", "arcs = true", 'start = "G55"', "and not G55"),
        ("yard.machine.toml", "arcs = true", 'start = "G20"', "and not G20"),
        ("yard.machine.toml", "arcs = true", 'end = "G0 Z-40"', "end may hold only"),
        ("yard.machine.toml", "[axes]", "[axis]", "[axes] is missing"),
        ("yard.machine.toml", "decimals = 3", "decimals = = 3", "not valid TOML"),
    ],
)
def test_each_fault_has_its_sentence(name: str, old: str, new: str, said: str) -> None:
    text = text_of(name)
    assert old in text
    assert said in "\n".join(faults(text.replace(old, new, 1)))


@pytest.mark.parametrize("block", ["G80", "G17 G40 G80", "G4 P1.5", "G64 P0.01", "M9", "(air) G80"])
def test_blocks_that_move_nothing_are_taken(block: str) -> None:
    text = text_of("yard.machine.toml").replace("arcs = true", f'arcs = true\nstart = "{block}"')
    assert read_description(text).start == block  # type: ignore[union-attr]


def test_something_else_is_refused_in_one_sentence() -> None:
    assert faults("x") == [
        "a.toml, line 1: This is not a description: no line of it is a [table] or a key with its "
        "value; give a machine, cutters, a fixture or parts (TOML) here."
    ]
    assert len(faults("[machine]\nname = 'x'\n")) == 1


def test_every_key_says_what_it_is() -> None:
    for tables in KINDS.values():
        for table in tables.values():
            assert table.help.endswith(".")
            assert all(key.help.rstrip().endswith(".") for key in table.keys)


@pytest.mark.parametrize(("name", "said"), [("yard", "0.001 mm;"), ("row", "0.0001 in;")])
def test_the_last_digit_is_said_in_the_unit_of_the_machine(name: str, said: str) -> None:
    machine = read_description(text_of(f"{name}.machine.toml"))
    lines = [say(line, machine.unit) for line in description_lines(machine)]  # type: ignore[union-attr]
    assert any(f"coordinate is {said}" in line for line in lines)


PUBLISHED = Path(__file__).parents[2] / "docs" / "reference" / "schemas"


@pytest.mark.parametrize("kind", KINDS)
def test_the_published_schema_takes_what_ships_and_refuses_what_we_refuse(kind: str) -> None:
    published = json.loads((PUBLISHED / f"{kind}.schema.json").read_text(encoding="utf-8"))
    assert published == description_schema(kind)
    schema = jsonschema.Draft202012Validator(published)
    schema.check_schema(published)
    mine = [n for n in SHIPPED if tomllib.loads(text_of(n))["schema"] == schema_of(kind)]
    assert mine
    for name in mine:
        values = tomllib.loads(text_of(name))
        assert list(schema.iter_errors(values)) == []
        # each number out of its range, each key misspelt, each table's key taken away
        refused = 0
        for table, inner in values.items():
            for one in inner if isinstance(inner, list) else [inner]:
                if not isinstance(one, dict):
                    continue
                for key, value in [*one.items()]:
                    if isinstance(value, bool) or not isinstance(value, int | float):
                        continue
                    one[key] = 1e9
                    assert list(schema.iter_errors(values)), (table, key)
                    one[key] = value
                    refused += 1
                one["not_known"] = 1
                assert list(schema.iter_errors(values))
                del one["not_known"]
        assert refused or kind in ("parts",)
        assert list(schema.iter_errors(values)) == []


@pytest.mark.parametrize(
    ("materials", "dust"),
    [
        (("nickel silver", "bone", "bone"), "Chips and dust of nickel silver, bone dust and "),
        (
            ("stainless", "synthetic", "bone"),
            "Chips of chromium-nickel stainless steel, plastic dust, bone dust and ",
        ),
        (
            ("nickel silver", "brass", "brass"),
            "Chips and dust of nickel silver, chips and dust of brass and ",
        ),
        (("bone",), "Bone dust and "),
    ],
)
def test_dust_of_several_materials_is_one_sentence(materials: tuple[str, ...], dust: str) -> None:
    said = {one.topic: str(one.sentence) for one in machine_cautions(materials, strung=False)}
    assert said["Dust"] == (
        f"{dust}wood dust: extraction running, a mask where it does not catch all."
    )
