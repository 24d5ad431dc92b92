"""Taking values out of a specification file: each checked, every fault noted with its line."""

from __future__ import annotations

import difflib
import math
import re
from typing import Any

from evenfall.errors import Finding

#: Every table and the keys it may hold; anything else is refused with the nearest known name.
KNOWN_KEYS: dict[str, tuple[str, ...]] = {
    "": (
        "schema",
        "model",
        "scale",
        "board",
        "fretwire",
        "string",
        "target",
        "player",
        "rule",
        "compensation",
        "neck",
    ),
    "model": ("name", "kind", "units", "frets"),
    "scale": ("length", "bass", "treble", "square_fret", "reference_fret"),
    "board": (
        "radius_nut",
        "radius_last",
        "width_nut",
        "width_last",
        "string_spread_nut",
        "string_spread_saddle",
        "joint_fret",
    ),
    "fretwire": ("crown_height", "crown_width", "least_crown_height"),
    "string": (
        "number",
        "pitch",
        "frequency",
        "gauge",
        "mass_per_length",
        "core",
        "material",
        "saddle_setback",
        "nut_setback",
        "modulus",
    ),
    "target": (
        "action",
        "relief",
        "first_fret_gap",
        "saddle_travel",
        "nut_travel",
        "across",
        "along",
        "fall_away_from",
    ),
    "player": ("attack", "pluck_distance", "pluck_width"),
    "compensation": ("saddle", "saddle_along", "nut_along", "finger", "last_fret"),
    "neck": (
        "depth_nut",
        "depth_joint",
        "board_thickness",
        "board_wood",
        "shaft_wood",
        "board_grain",
        "stiffness",
        "relief_per_100n",
        "relief_per_moisture",
        "turn",
        "truss_rod",
    ),
    "rule": ("extra_clearance", "working_allowance", "coverage", "decision"),
}

_OTHER_MM = {"mm": 25.4, "in": 1.0}
"""What one of the other unit of length would be [mm], by the unit that a file names."""

_HEADER = re.compile(r"\s*(\[\[?)\s*([^\]#]+?)\s*\]\]?\s*(#.*)?$")
_LINE_LIMIT = 400  # characters; the patterns take long over endless lines
_KEY = re.compile(r"\s*([A-Za-z0-9_\-\"']+)\s*=")


def line_numbers(text: str) -> dict[tuple[str, int, str], int]:
    """Map (table, index in an array of tables, key) to the line it stands on, counted from 1.

    Parameters
    ----------
    text
        The whole file.
    """
    lines: dict[tuple[str, int, str], int] = {}
    table, index = "", 0
    seen: dict[str, int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if len(line) > _LINE_LIMIT:
            continue
        if header := _HEADER.match(line):
            table = header.group(2).strip()
            index = seen.get(table, 0)
            seen[table] = index + 1
            lines.setdefault((table, index, ""), number)
        elif key := _KEY.match(line):
            lines.setdefault((table, index, key.group(1).strip("\"'")), number)
    return lines


class Taking:
    """One pass over a document: takes values, notes faults, never stops at the first.

    Parameters
    ----------
    document
        The parsed TOML.
    lines
        As `line_numbers` gives.
    """

    def __init__(self, document: dict[str, Any], lines: dict[tuple[str, int, str], int]) -> None:
        self.document = document
        self.lines = lines
        self.faults: list[Finding] = []
        self.remarks: list[Finding] = []
        self.unit_mm = 1.0
        self.absent: set[str] = set()
        self.misfits = 0
        self.fit_other_unit = 0

    # ---- noting -------------------------------------------------------------------------

    def _where(self, table: str, key: str = "", index: int = 0) -> str:
        name = f"[{table}]" if table else "top of the file"
        if table == "string":
            name = f"[[string]] no. {index + 1} in the file"
        if key:
            name = f"{name} {key}"
        line = self.lines.get((table, index, key)) or self.lines.get((table, index, ""))
        return f"line {line}, {name}" if line else name

    def fault(self, sentence: str, table: str, key: str = "", index: int = 0) -> None:
        """Note what makes the file unusable; of a table that is not there, only that."""
        if table in self.absent:
            return
        where = self._where(table, key, index)
        self.faults.append(Finding("spec-value", sentence, where, "error"))

    def remark(self, sentence: str, table: str, key: str = "", index: int = 0) -> None:
        """Note what is possible but unusual."""
        where = self._where(table, key, index)
        self.remarks.append(Finding("spec-unusual", sentence, where, "warning"))

    # ---- taking -------------------------------------------------------------------------

    def table(self, name: str, *, needed: bool = True) -> dict[str, Any]:
        """Take a table; empty, with a fault if it is needed, where there is none."""
        value = self.document.get(name)
        if value is None and not needed:
            return {}
        if value is None:
            holds = ", ".join(KNOWN_KEYS[name])
            self.fault(
                f"The table [{name}] is missing; add it, with what it needs of {holds}.", name
            )
        elif not isinstance(value, dict):
            self.fault(f"[{name}] must be a table, not {kind_of(value)}.", name)
        else:
            return value
        self.absent.add(name)
        return {}

    def number(
        self,
        table: str,
        key: str,
        value: Any,
        *,
        low: float,
        high: float,
        index: int = 0,
        scale: float = 1.0,
        unit: str = "",
        also: str = "",
    ) -> float:
        """Check a number against its range [low, high] (in internal units); NaN if it fails."""
        if isinstance(value, bool) or not isinstance(value, int | float):
            hint = "; write it without quotes" if isinstance(value, str) else ""
            self.fault(f"{key} must be a number, not {kind_of(value)}{hint}.", table, key, index)
            return math.nan
        result = float(value) * scale if abs(value) < 1e300 else math.inf
        if not low <= result <= high:
            if unit in _OTHER_MM:
                self.misfits += 1
                self.fit_other_unit += low <= result / scale * _OTHER_MM[unit] <= high
            self.fault(
                f"{key} = {shown(value)} is out of range: it must be from "
                f"{_plain(low / scale)} to {_plain(high / scale)}{' ' + unit if unit else ''}"
                f"{also}.",
                table,
                key,
                index,
            )
            return math.nan
        return result

    def length(
        self,
        table: str,
        values: dict[str, Any],
        key: str,
        low_mm: float,
        high_mm: float,
        **more: Any,
    ) -> float:
        """Take a length [mm]; `default` in `more` makes it optional."""
        index = more.get("index", 0)
        if key not in values:
            if "default" in more:
                return float(more["default"])
            self.fault(f"{key} is missing; add it.", table, "", index)
            return math.nan
        unit = "mm" if self.unit_mm == 1.0 else "in"
        return self.number(
            table,
            more.get("path", key),
            values[key],
            low=low_mm,
            high=high_mm,
            index=index,
            scale=self.unit_mm,
            unit=unit,
            also=more.get("also", ""),
        )

    def integer(
        self,
        table: str,
        values: dict[str, Any],
        key: str,
        *,
        low: int,
        high: int,
        default: int | None = None,
    ) -> int:
        """Take a whole number; `default` makes it optional."""
        if key not in values:
            if default is not None:
                return default
            self.fault(f"{key} is missing; add it.", table)
            return 0
        value = values[key]
        if isinstance(value, bool) or not isinstance(value, int):
            self.fault(f"{key} must be a whole number, not {shown(value)}.", table, key)
            return 0
        if not low <= value <= high:
            self.fault(
                f"{key} = {shown(value)} is out of range: it must be from {low} to {high}.",
                table,
                key,
            )
            return 0
        return value

    def text(self, table: str, values: dict[str, Any], key: str, default: str | None) -> str:
        """Take one line of text; a default makes it optional."""
        value = values.get(key, default)
        if value is None:
            self.fault(f"{key} is missing; add it.", table)
            return ""
        if not isinstance(value, str) or not value.strip():
            self.fault(f"{key} must be a text in quotes, not {kind_of(value)}.", table, key)
            return ""
        if len(value) > 200 or not value.isprintable():
            self.fault(f"{key} must be one line of at most 200 characters.", table, key)
            return ""
        return value.strip()

    def choice(
        self, table: str, values: dict[str, Any], key: str, choices: tuple[str, ...], default: str
    ) -> str:
        """Take one of a few words."""
        value = values.get(key, default)
        if value not in choices:
            allowed = " or ".join(f'"{c}"' for c in choices)
            self.fault(f"{key} must be {allowed}, not {shown(value)}.", table, key)
            return default
        return str(value)

    def truth(self, table: str, values: dict[str, Any], key: str, *, default: bool) -> bool:
        """Take true or false; optional."""
        value = values.get(key, default)
        if not isinstance(value, bool):
            self.fault(f"{key} must be true or false, not {shown(value)}.", table, key)
            return default
        return value

    def unknown(self, table: str, values: dict[str, Any], index: int = 0) -> None:
        """Note every key that the table may not hold."""
        for key in values:
            if key in KNOWN_KEYS[table]:
                continue
            close = difflib.get_close_matches(key, KNOWN_KEYS[table], n=1)
            hint = f"; the nearest known name is {close[0]}" if close else "; remove it"
            what = "table or key" if table == "" else "key"
            where = self._where(table, key, index)
            sentence = f"The {what} {shown(key)} is not known here{hint}."
            self.faults.append(Finding("spec-unknown", sentence, where, "error"))


def shown(value: Any) -> str:
    """Return a value from the file fit for a sentence: short and printable.

    Parameters
    ----------
    value
        Any TOML value.
    """
    if isinstance(value, str):
        clipped = value if len(value) <= 40 else value[:39] + "…"
        return '"' + "".join(c if c.isprintable() else "?" for c in clipped) + '"'
    if isinstance(value, bool) or not isinstance(value, int | float):
        return kind_of(value)
    if isinstance(value, int):
        return str(value) if abs(value) < 10**9 else "a huge number"
    return f"{value:g}"


def _plain(number: float) -> str:
    return f"{number:.4g}" if abs(number) < 1e4 else f"{number:.0f}"


def kind_of(value: Any) -> str:
    """Name the type of a TOML value in plain words.

    Parameters
    ----------
    value
        Any TOML value.
    """
    names = {bool: "true or false", str: "a text", list: "a list", dict: "a table"}
    names |= {int: "a number", float: "a number", type(None): "nothing"}
    return names.get(type(value), "a date or time")
