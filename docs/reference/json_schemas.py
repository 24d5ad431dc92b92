"""JSON Schemas (draft 2020-12) of the files that evenfall writes.

The keys and their nesting come from what `as_dict` really writes for the invented instrument, the
types and choices from the dataclasses behind it, and the words, list lengths and places of null
from the tables of json.md, which tests hold against many outputs.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from importlib import resources
from typing import Any, Literal, get_args, get_origin

from evenfall.errors import Finding
from evenfall.instrument import read_specification, string_lines
from evenfall.levelling import make_plan
from evenfall.measurement import Direct, Measurement, Origin
from evenfall.plan import METHODS, Binding, MethodResult, Outlook, Plan, Price, Relaxation
from evenfall.proof import Item, Proof, prove
from evenfall.proof.decision import Verdict
from evenfall.proof.result import Deviation, Positions
from evenfall.proof.uncertainty import BudgetLine
from evenfall.sheets import SheetFile, read_measurement
from evenfall.strings.excursion import excursion_table
from evenfall.workshop.motion_check import Disagreement, MotionCheck

DRAFT = "https://json-schema.org/draft/2020-12/schema"

STRINGS, FRETS = (3, 12), (5, 36)
"""How many strings and frets a specification may have."""

#: Which dataclass holds what stands at a place; "" is the file itself.
OWNERS: dict[str, dict[str, type]] = {
    "measurement": {"": Measurement, "direct[]": Direct},
    "plan": {
        "": Plan,
        "strings[]": Plan,
        "binding[]": Binding,
        "prices[]": Price,
        "relaxations[]": Relaxation,
        "ways[]": MethodResult,
        "outlook": Outlook,
        "motion": MotionCheck,
        "motion.disagreements[]": Disagreement,
    },
    "proof": {
        "": Proof,
        "items[]": Item,
        "items[].budget[]": BudgetLine,
        "positions[]": Positions,
        "deviation": Deviation,
        "findings[]": Finding,
    },
}

#: Choices that stand in a register rather than in a type, by the end of the key.
CHOICES: dict[str, list[Any]] = {
    "method": list(METHODS),
    "recommended": ["", *METHODS],
    "origin": [int(origin) for origin in Origin],
}

#: Forms of texts, by the end of the key. Codes are not listed one by one: new ones may come.
PATTERNS = {"hash": "^[0-9a-f]{64}$", "code": "^[a-z]+(-[a-z]+)*$"}

#: What `--json` prints besides the content of the file.
PRINTED = {
    "measurement": ("findings",),
    "plan": ("findings", "motion"),
    "proof": ("findings_of_readings",),
}

#: A check by motion with everything in it that one can hold.
MOTION = MotionCheck(
    (0.5, 0.5),
    0.25,
    43,
    1,
    0,
    1,
    2,
    0.9,
    (Disagreement(1, 2, "optimistic", "touches", 0.5, 0.4, 0.01, 3),),
)


@dataclass(frozen=True)
class Entry:
    """One row of a table of json.md.

    Parameters
    ----------
    shape, meaning
        Its cells.
    """

    shape: str
    meaning: str


def page_tables(page: str) -> dict[str, dict[str, Entry]]:
    """Return the rows of every table of json.md: section (lower case), key, entry.

    Parameters
    ----------
    page
        Its text.
    """
    tables: dict[str, dict[str, Entry]] = {}
    section = ""
    for line in page.splitlines():
        if line.startswith("## "):
            section = line[3:].strip().lower()
        elif found := re.fullmatch(r"\| `([^`]+)` \| (.*?) \| (.*?) ?\|", line):
            key, shape, meaning = found.groups()
            meaning = re.sub(r"\[([^]]+)\]\([^)]*\)", r"\1", meaning).replace("`", "")
            if key in tables.setdefault(section, {}):
                raise ValueError(f"json.md: {key} stands twice under {section}")
            tables[section][key] = Entry(shape, meaning)
    return tables


def invented_job() -> tuple[Measurement, Plan, Proof]:
    """Return the objects behind the three files of the invented job, no list left empty."""
    invented = resources.files("evenfall") / "invented"
    text = (invented / "kestrel.spec.toml").read_text(encoding="utf-8")
    specification, _ = read_specification(text)
    before, after = (
        read_measurement([SheetFile(name, (invented / name).read_bytes())], specification)[0]
        for name in ("kestrel-before.csv", "kestrel-after.csv")
    )
    table = excursion_table(specification, string_lines(specification))
    plan = make_plan(specification, before, excursion=table)
    proof = prove(specification, plan, after, table)
    full = replace(before, direct=(Direct("action", 1, 12, 1.5, 0.01),))
    eased = Relaxation("attack", 1.0, "%", True, "Play softer.")
    finding = Finding("off-plan", "A height is off plan.")
    return (
        full,
        replace(plan, measurement=full, relaxations=(eased,)),
        replace(proof, findings=(finding,)),
    )


class Writer:
    """Writes the schema of one kind of file.

    Parameters
    ----------
    kind
        "measurement", "plan" or "proof".
    tables
        The tables of json.md.
    """

    def __init__(self, kind: str, tables: Mapping[str, Mapping[str, Entry]]) -> None:
        self.kind = kind
        self.rows = tables[kind]
        self.findings = tables["findings"]

    def file(self, content: Mapping[str, Any]) -> dict[str, Any]:
        """Return the schema of the content of a file.

        Parameters
        ----------
        content
            What `as_dict` wrote.
        """
        body = self.object(content, "")
        body["properties"]["schema"] = {"const": content["schema"]}
        return {"title": content["schema"], **body}

    def printed(self, content: Mapping[str, Any]) -> dict[str, Any]:
        """Return the schema of a file, what is only printed allowed beside its content.

        Parameters
        ----------
        content
            What `as_dict` wrote.
        """
        body = self.file(content)
        for key in PRINTED[self.kind]:
            words = {"description": self.rows[key].meaning}
            if key == "motion":
                body["properties"][key] = {**words, **self.object(MOTION.as_dict(), key)}
            else:
                findings = {"type": "array", "items": {"$ref": "#/$defs/finding"}}
                body["properties"][key] = {**words, **findings}
        return body

    def object(self, values: Mapping[str, Any], place: str) -> dict[str, Any]:
        """Return the schema of one object.

        Parameters
        ----------
        values
            What it holds.
        place
            Where it stands, such as "items[].budget[]".
        """
        properties = {}
        for key, value in values.items():
            path = f"{place}.{key}" if place else key
            properties[key] = self.value(value, path, key, OWNERS[self.kind].get(place))
        return {
            "type": "object",
            "properties": properties,
            "required": list(values),
            "additionalProperties": False,
        }

    def value(self, value: Any, path: str, key: str, owner: type | None) -> dict[str, Any]:
        """Return the schema of the value at one key.

        Parameters
        ----------
        value
            The value.
        path
            Where it stands, key included.
        key
            Its key.
        owner
            The dataclass that the key is a field of, if it is one.
        """
        row = self.rows[path]
        words = {"description": row.meaning} if row.meaning else {}
        if key == "measurement":
            return {**words, "$ref": "#/$defs/measurement"}
        if key == "findings":
            return {**words, "type": "array", "items": {"$ref": "#/$defs/finding"}}
        if isinstance(value, dict):
            return {**words, **self.object(value, path)}
        if isinstance(value, list) and value and isinstance(value[0], dict):
            lengths = _lengths("(K)") if "one per string" in row.shape else {}
            items = self.object(value[0], f"{path}[]")
            return {**words, "type": "array", **lengths, "items": items}
        innermost = value
        while isinstance(innermost, list):
            innermost = innermost[0] if innermost else 1  # an empty list is one of fret numbers
        leaf = _leaf(innermost, key, owner, nullable="null" in row.meaning)
        return {**words, **_nested(value, row.shape, leaf)}


def _nested(value: Any, shape: str, leaf: dict[str, Any]) -> dict[str, Any]:
    """Wrap a leaf in as many lists as the value has."""
    if not isinstance(value, list):
        return leaf
    outer, _, inner = shape.partition(", ")
    return {
        "type": "array",
        **_lengths(outer),
        "items": _nested(value[0] if value else 1, inner, leaf),
    }


def _lengths(shape: str) -> dict[str, int]:
    letter = re.match(r"\(?([KF])\b", shape)
    if letter is None:
        return {}
    least, most = STRINGS if letter[1] == "K" else FRETS
    return {"minItems": least, "maxItems": most}


def _leaf(value: Any, key: str, owner: type | None, *, nullable: bool) -> dict[str, Any]:
    """Return the schema of a text, number or truth value."""
    annotation = {field.name: str(field.type) for field in fields(owner)}.get(key) if owner else ""
    ending = next((end for end in CHOICES if key == end or key.endswith(f"_{end}")), None)
    if ending:
        return {"enum": CHOICES[ending]}
    module = vars(sys.modules[owner.__module__]) if owner else {}
    kind = module.get(annotation or "")
    if get_origin(kind) is Literal:
        return {"enum": list(get_args(kind))}
    if isinstance(value, str):
        if key == "verdict":
            return {"enum": list(get_args(Verdict))}
        pattern = next((form for end, form in PATTERNS.items() if key.endswith(end)), None)
        return {"type": "string", **({"pattern": pattern} if pattern else {})}
    if isinstance(value, bool):
        return {"type": "boolean"}
    whole = isinstance(value, int) and annotation != "float"
    number: dict[str, Any] = {"type": "integer" if whole else "number"}
    if nullable:
        number["type"] = [number["type"], "null"]
    if "_u_" in key or "uncertainty" in key:
        number["minimum"] = 0
    if key in ("probability", "coverage"):
        number |= {"minimum": 0, "maximum": 1}
    return number


def schemas(page: str) -> dict[str, dict[str, Any]]:
    """Return every schema by the name of its file.

    Parameters
    ----------
    page
        Text of json.md.
    """
    tables = page_tables(page)
    measurement, plan, proof = invented_job()
    finding = {
        "type": "object",
        "properties": {
            key: {
                "description": row.meaning,
                **_leaf("", key, Finding, nullable=False),
            }
            for key, row in tables["findings"].items()
        },
        "required": list(tables["findings"]),
        "additionalProperties": False,
    }
    objects: dict[str, Measurement | Plan | Proof] = {
        "measurement": measurement,
        "plan": plan,
        "proof": proof,
    }
    parts: dict[str, dict[str, Any]] = {kind: {"finding": finding} for kind in objects}
    parts["plan"]["measurement"] = Writer("measurement", tables).file(measurement.as_dict())
    return {
        f"{kind}.schema.json": {
            "$schema": DRAFT,
            **Writer(kind, tables).printed(made.as_dict()),
            "$defs": parts[kind],
        }
        for kind, made in objects.items()
    }
