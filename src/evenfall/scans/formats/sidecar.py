"""What a bare height map does not say: its steps, in a TOML file beside it or from the caller."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from evenfall.codec.parsing import parse_toml
from evenfall.errors import At, BrokenFileError, UnsupportedError
from evenfall.files import read_text
from evenfall.scans.formats.scan import UNIT_NAMES, ScanFile
from evenfall.wording import Sentence, Value, plain_line, sentence

KEYS: dict[str, str] = {
    "unit": "Unit of the steps, the scale and the origin: mm, um, cm, m or in.",
    "x_step": "Distance between columns.",
    "y_step": "Distance between rows.",
    "z_scale": "Height of one count; 1 where the heights are in the unit already.",
    "origin": "Place of the first cell, three numbers; the neck is found without it.",
    "missing": "Value that stands for a cell without a reading.",
}
"""Keys of a sidecar and what they mean."""

LIMIT_BYTES = 100_000


@dataclass(frozen=True, slots=True)
class Sidecar:
    """Steps and scale of a height map."""

    unit: str | None  # unit of all of them; None if nothing says it
    unit_from: str  # what says it
    x_step: Any  # distance between columns and between rows
    y_step: Any
    z_scale: Any  # height of one count; None if nothing says it
    missing: Any  # value that stands for no reading; None for none
    file: str  # name of the sidecar; empty if the caller gave the steps

    @property
    def left_out(self) -> tuple[Sentence, ...]:
        """Where the steps are from, if a sidecar gives them."""
        return (sentence("Steps from {file}.", file=self.file),) if self.file else ()


def sidecar_of(path: Path) -> Path | None:
    """Return the sidecar of a height map, if there is one: map.toml or map.tif.toml."""
    for candidate in (path.with_name(path.name + ".toml"), path.with_suffix(".toml")):
        if candidate.is_file() and candidate != path:
            return candidate
    return None


def steps_for(file: ScanFile) -> Sidecar:
    """Return what is known about a bare height map."""
    path, options = file.path, file.options
    found = sidecar_of(path)
    if found is None:
        if options.step is None:
            raise UnsupportedError(
                "This is a bare height map, which does not say how far its columns and rows are "
                "apart; give these distances ({door_scan_steps}), or put them as x_step, y_step "
                "and unit into {sidecar} beside it.",
                sidecar=path.with_suffix(".toml").name,
            )
        return Sidecar(options.unit, "", *options.step, None, None, "")
    table = _table(found)
    unit = table.get("unit")
    if unit is not None and unit not in UNIT_NAMES:
        raise _fault(
            found,
            "unit is {given:quoted}, but can be {known:or}",
            given=str(unit),
            known=tuple(UNIT_NAMES),
        )
    steps = {key: _positive(found, table, key) for key in ("x_step", "y_step")}
    if options.step is not None:
        steps = dict(zip(("x_step", "y_step"), options.step, strict=True))
    if None in steps.values():
        lacking = tuple(key for key, value in steps.items() if value is None)
        raise _fault(found, "{keys:list} must say how far the cells are apart", keys=lacking)
    scale = table.get("z_scale")
    if scale is not None and (not _is_number(scale) or scale == 0):
        raise _fault(found, "z_scale must be a number other than zero")
    origin = table.get("origin", [0, 0, 0])
    if not (isinstance(origin, list) and len(origin) == 3 and all(map(_is_number, origin))):
        raise _fault(found, "origin must be three numbers")
    gap = table.get("missing")
    if gap is not None and not (isinstance(gap, int | float) and not isinstance(gap, bool)):
        raise _fault(found, "missing must be a number")
    return Sidecar(
        unit, "sidecar" if unit else "", steps["x_step"], steps["y_step"], scale, gap,
        found.name,
    )  # fmt: skip


def _table(path: Path) -> dict[str, Any]:
    try:
        table = parse_toml(read_text(path, limit_bytes=LIMIT_BYTES))
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        cause = str(error)[:120].rstrip(".")
        raise _fault(path, "it is not TOML ({cause})", cause=cause) from None
    if unknown := [key for key in table if key not in KEYS]:
        raise _fault(
            path, "{key:quoted} is not known; it can hold {keys:list}", key=unknown[0],
            keys=tuple(KEYS),
        )  # fmt: skip
    return table


def _positive(path: Path, table: dict[str, Any], key: str) -> Any:
    value = table.get(key)
    if value is not None and not (_is_number(value) and value > 0):
        raise _fault(path, "{key} must be a number over zero", key=key)
    return value


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _fault(path: Path, what: str, **values: Value) -> BrokenFileError:
    return BrokenFileError(
        "The sidecar cannot be used: {what}.",
        at=At(file=plain_line(path.name)),
        what=Sentence(what, values),
    )
