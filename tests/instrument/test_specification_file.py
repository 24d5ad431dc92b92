"""The table of keys and what is made from it: reader, template, JSON Schema."""

from __future__ import annotations

import copy
import json
import re
import tomllib
from dataclasses import FrozenInstanceError, replace
from importlib import resources
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evenfall.errors import At, Finding, SpecificationError
from evenfall.instrument import read_specification, specification_file
from evenfall.instrument.specification_keys import LENGTHS, NEEDED, TABLES, Key
from evenfall.instrument.specification_template import (
    left_out,
    specification_schema,
    specification_template,
)
from levelling.necks import Wishes, text

PLAIN = text(Wishes(strings=3, frets=22))
ROOT = Path(__file__).resolve().parents[2]
FILES = [
    Path(str(resources.files("evenfall"))) / "invented" / "tesquil.spec.toml",
    *sorted((ROOT / "docs" / "examples").glob("*.toml")),
]
EVERY_KEY = [(name, key) for name, table in TABLES.items() for key in table.keys]
NAMES = [f"{name}.{key.name}" for name, key in EVERY_KEY]
SCHEMA = jsonschema.Draft202012Validator(specification_schema())


def faults(content: str, source: str = "uke.toml") -> tuple[Finding, ...]:
    with pytest.raises(SpecificationError) as caught:
        read_specification(content, source=source)
    json.dumps([finding.as_dict() for finding in caught.value.findings], allow_nan=False)
    return caught.value.findings


def line_of(content: str, start: str) -> int:
    (number,) = (n for n, line in enumerate(content.splitlines(), 1) if line.startswith(start))
    return number


# ---- what is said ------------------------------------------------------------------------------


def test_a_fault_is_data_with_its_line_and_key() -> None:
    content = PLAIN.replace("crown_height = 1.2\n", "crown_height = 12\n", 1)
    [fault] = faults(content)
    line = line_of(content, "crown_height")
    assert fault.at == At("uke.toml", field="[fretwire] crown_height", lines=(line,))
    assert fault.sentence == "crown_height = 12 is out of range: it must be from 0.3 to 3 mm."
    assert fault.said.values["given"] == 12


def test_an_empty_name_is_said_to_be_empty() -> None:
    for empty in ('""', '"  "'):
        [fault] = faults(PLAIN.replace('"Test neck (invented)"', empty))
        assert fault.sentence == "name is empty; write a text between the quotes."


@pytest.mark.parametrize("name", ["tesquil-before.csv", "tesquil-after.csv"])
def test_a_sheet_of_readings_is_said_to_be_no_specification(name: str) -> None:
    sheet = (resources.files("evenfall") / "invented" / name).read_text(encoding="utf-8")
    for content in (sheet, '{"schema": "evenfall/measurement@1",\n "frets": 22}', "hello\n"):
        [fault] = faults(content)
        assert fault.sentence.startswith("This is not a specification:")
        assert "line" not in fault.sentence.partition(";")[2]


@pytest.mark.parametrize(
    ("old", "new", "start", "field"),
    [
        ("relief = {.*}", "relief.value = 9.0\nrelief.minimum = 0.0\nrelief.maximum = 0.3",
         "relief.value", "relief.value"),
        ("relief = {.*}", "relief = { value = 9.0, minimum = 0.0, maximum = 0.3 }",
         "relief", "relief.value"),
        ("action = {.*}", "action.value = 1.2\naction.tolerance = 9.0",
         "action.tolerance", "action.tolerance"),
        ("action = {.*}", "action = { value = 1.2 }", "action", "action.tolerance"),
        ("action = {.*}", "action.value = 1.2\naction.tolerence = 0.1",
         "action.tolerence", "action.tolerence"),
    ],
)  # fmt: skip
def test_a_part_of_a_limit_names_its_own_line(old: str, new: str, start: str, field: str) -> None:
    content = re.sub(old, new, PLAIN)
    assert content != PLAIN
    places = [(fault.at.field, fault.at.lines) for fault in faults(content)]
    assert (f"[target] {field}", (line_of(content, start),)) in places


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_lines_are_counted_as_an_editor_counts_them(end: str) -> None:
    """Separators of Unicode inside a comment begin no line; an endless line is one."""
    content = PLAIN.replace("[model]", "# one\u2028line\u0085\n# " + "x" * 1000 + "\n[ model ]", 1)
    content = content.replace("crown_width = 2.4", "crown_width = 24.0")
    [fault] = faults(content.replace("\n", end))
    lines = content.split("\n")
    assert fault.at.lines == (lines.index("crown_width = 24.0") + 1,)


def test_a_limit_as_a_table_of_its_own_names_its_own_line() -> None:
    content = re.sub("relief = {.*}\n", "", PLAIN)
    content += "[target.relief]\nvalue = 0.1\nminimum = 0.0\nmaximum = 9.0\n"
    [fault] = faults(content)
    assert fault.at == At(
        "uke.toml", field="[target] relief.maximum", lines=(line_of(content, "maximum"),)
    )


def test_a_part_of_a_string_names_the_line_in_that_string() -> None:
    content = PLAIN.replace("saddle_setback = 2.0", "saddle_setback = 200.0")
    lines = [n for n, line in enumerate(content.splitlines(), 1) if line.startswith("saddle_set")]
    found = faults(content)
    assert [fault.at.lines for fault in found[-3:]] == [(n,) for n in lines]
    assert found[-1].at.field == "[[string]] no. 3 in the file, saddle_setback"


def test_a_value_in_a_list_names_its_string() -> None:
    content = re.sub(r"attack = \[.*\]", "attack = [0.5, 99, 0.5]", PLAIN)
    [fault] = faults(content)
    assert fault.at.strings == (2,)
    assert fault.sentence.startswith("attack of string 2 = 99 is out of range")


LONG = "A" * 5000


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"evenfall/spec@1"', f'"{LONG}"'),
        ("frets = 22", f'frets = "{LONG}"'),
        ("frets = 22", f'frets = 22\nkind = "{LONG}"'),
        ("frets = 22", f"frets = 22\n{LONG} = 1"),
        ("[rule]", f"[rule]\n[{LONG}]\n[rule.{LONG}]"),
        ("[rule]", f"[{LONG}]\n[{LONG}]"),
        ("[rule]", f'[rule]\ndecision = "{LONG}"'),
        ('pitch = "E4"', f'pitch = "{LONG}"'),
        ("relief = {", f"relief = {{ {LONG} = 1,"),
        ("frets = 22", f"frets = {LONG}"),
    ],
)
def test_what_comes_from_the_file_is_clipped(old: str, new: str) -> None:
    content = PLAIN.replace(old, new, 1)
    assert content != PLAIN
    for fault in faults(content):
        assert len(f"{fault.where}: {fault.sentence}") < 300
        assert "A" * 200 not in f"{fault.where}: {fault.sentence}"


def test_the_old_name_of_a_key_is_refused_with_the_new_one() -> None:
    said = [f.sentence for f in faults(PLAIN.replace("first_fret_gap", "first_fret"))]
    assert '"first_fret" is not known here; the nearest known name is first_fret_gap.' in said
    assert "first_fret_gap is missing; add it." in said


def test_faults_come_in_the_order_of_the_file() -> None:
    content = PLAIN.replace("radius_nut = 254.0", "radius_nut = 1.0").replace("frets = 22", "")
    content = content.replace("coverage = 0.95", "coverage = 95").replace(
        "number = 2", "number = 9"
    )
    lines = [fault.at.lines for fault in faults(content)]
    assert len(lines) == 4
    assert lines == sorted(lines)


def test_lines_in_the_other_unit_keep_the_unit_of_the_file() -> None:
    inch = specification_template(unit="in")
    [fault] = faults(inch.replace("crown_height = 0.047", "crown_height = 1.2", 1))
    assert "1.2 is out of range: it must be from 0.01181 to 0.1181 in" in fault.sentence


# ---- a specification is a value ----------------------------------------------------------------


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_a_specification_is_equal_and_hashed_by_content(path: Path) -> None:
    content = path.read_text(encoding="utf-8")
    one, two = (read_specification(content)[0] for _ in range(2))
    assert one == two
    assert hash(one) == hash(two)
    assert len({one, two, replace(one, frets=one.frets - 1)}) == 2
    with pytest.raises(FrozenInstanceError):
        one.frets = 3  # type: ignore[misc]


# ---- what is made from the table ----------------------------------------------------------------


@pytest.mark.parametrize("unit", ["mm", "in"])
def test_the_template_is_a_specification_that_explains_every_key(unit: Any) -> None:
    content = specification_template(unit=unit)
    specification, findings = read_specification(content)
    assert findings == ()
    assert specification.unit == unit
    assert specification.board.width_nut_mm == pytest.approx(43.0, rel=1e-4)
    for table in TABLES.values():
        part = content.partition(f"[{table.name}]")[2]
        for key in table.keys:
            explained = " ".join(part.replace("\n# ", " ").split())
            assert f"{key.help}" in explained
            assert re.search(rf"^(# )?{key.name} = ", part, flags=re.MULTILINE)
    assert max(map(len, content.splitlines())) <= 100


@pytest.mark.quick(53)
@pytest.mark.parametrize(("table", "key"), EVERY_KEY, ids=NAMES)
@pytest.mark.parametrize("unit", ["mm", "in"])
def test_every_key_of_the_template_may_be_used(table: str, key: Key, unit: Any) -> None:
    wanted: dict[str, Any] = {key.name: key.example}
    if key.name in ("bass", "treble", "square_fret"):
        wanted = {k.name: k.example for k in TABLES["scale"].keys[1:4]}
    strings: list[dict[str, Any]] = [{"pitch": p, "gauge": 0.3} for p in ("E4", "B3", "G3")]
    if table == "string":
        if key.name == "frequency":
            del strings[0]["pitch"]
        strings[0] |= {"core": 0.2, "mass_per_length": 0.4} if key.name == "core" else wanted
    content = specification_template({} if table == "string" else {table: wanted}, strings, unit)
    assert re.search(rf"^{key.name} = ", content, flags=re.MULTILINE)
    read_specification(content)
    SCHEMA.validate(tomllib.loads(content))


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_the_schema_takes_the_files_that_are_read(path: Path) -> None:
    SCHEMA.validate(tomllib.loads(path.read_text(encoding="utf-8")))


WRONG = [True, "x" * 300, -1e9, 1e9, [], {}, [1, 2, 3, 4, 5, 6, "7"], {"no": 1.0}, float("inf")]


@pytest.mark.quick(17)
@pytest.mark.parametrize(("table", "key"), EVERY_KEY, ids=NAMES)
def test_the_schema_and_the_reader_refuse_the_same_values(table: str, key: Key) -> None:
    """Each wrong value at each key, in place of a good one."""
    document = tomllib.loads(specification_template())
    for wrong in WRONG:
        changed = copy.deepcopy(document)
        here = changed["string"][0] if table == "string" else changed[table]
        here[key.name] = wrong
        reader = specification_file._Reader(changed, "", "")
        refused = reader.specification() is None
        good = not list(SCHEMA.iter_errors(changed))
        if good and refused:  # what only the reader knows
            said = " ".join(f.sentence for f in reader.faults)
            assert re.search(r"fret|strings|one line|not a pitch name", said), (wrong, said)
        else:
            assert refused != good, wrong


@pytest.mark.parametrize(("table", "key"), EVERY_KEY, ids=NAMES)
def test_every_key_says_what_it_is_and_what_holds_without_it(table: str, key: Key) -> None:
    assert re.fullmatch(r"[A-Z][^.]*(\.\d+[^.]*)*\.", key.help), key.help
    assert bool(left_out(key)) != (key.default is NEEDED)
    fields = {*TABLES[table].made.__dataclass_fields__}
    if table not in ("model", "scale", "string"):
        assert fields >= {*key.fields}
    if key.kind in LENGTHS or key.kind == "number":
        assert key.low < key.high or key.high < 0


NUMBERS = st.one_of(st.floats(), st.integers(), st.booleans(), st.text(max_size=5), st.none())
VALUES = st.recursive(NUMBERS, lambda v: st.lists(v, max_size=4) | st.dictionaries(
    st.sampled_from(["value", "minimum", "tolerance", "each", "up", "treble", "x"]), v, max_size=4
), max_leaves=8)  # fmt: skip


@pytest.mark.slow
@given(st.sampled_from(EVERY_KEY), VALUES)
def test_any_value_at_any_key_is_taken_or_refused(place: tuple[str, Key], value: Any) -> None:
    document = tomllib.loads(specification_template())
    table, key = place
    here = document["string"][2] if table == "string" else document[table]
    here[key.name] = value
    reader = specification_file._Reader(document, "", "uke.toml")
    if reader.specification() is None:
        assert reader.faults
        for fault in reader.faults:
            assert fault.at.file == "uke.toml"
            assert fault.sentence.isprintable()
