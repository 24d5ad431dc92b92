"""An invented instrument and sheets of readings made from heights that are known."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from evenfall.errors import EvenfallError, Finding, FindingsError
from evenfall.instrument import Specification, StringLines, read_specification, string_lines
from evenfall.measurement import Measurement
from evenfall.sheets import SheetFile, read_measurement

FloatArray = NDArray[np.float64]

SPECIFICATION = """
schema = "evenfall/spec@1"

[model]
name = "Tenor ukulele of the invented workshop"
kind = "ukulele"
units = "mm"
frets = 15

[scale]
length = 432.0
reference_fret = 12

[board]
radius_nut = 305.0
radius_last = 305.0
width_nut = 36.0
width_last = 46.0
string_spread_nut = 28.0
string_spread_saddle = 40.0

[fretwire]
crown_height = 1.0
crown_width = 2.0
least_crown_height = 0.6

[[string]]
number = 1
pitch = "A4"
gauge = 0.60
material = "nylon"

[[string]]
number = 2
pitch = "E4"
gauge = 0.80
material = "nylon"

[[string]]
number = 3
pitch = "C4"
gauge = 0.95
material = "nylon"

[[string]]
number = 4
pitch = "G4"
gauge = 0.65
material = "nylon"

[target]
action = { treble = 2.2, bass = 2.4, tolerance = 0.2 }
relief = { value = 0.10, minimum = 0.02, maximum = 0.20 }
first_fret_gap = { value = 0.4, tolerance = 0.15 }

[player]
attack = 0.3
pluck_distance = 90.0

[rule]
coverage = 0.95
"""

HEADER = "quantity,string,fret,value,unit,uncertainty,state,measured_with,note"


@cache
def ukulele(unit: str = "mm") -> Specification:
    """Return the invented instrument."""
    text = SPECIFICATION
    if unit == "in":
        text = text.replace('units = "mm"', 'units = "in"')
        converted = []
        for line in text.splitlines():
            key, _, value = line.partition(" = ")
            if line.startswith(LENGTH_KEYS):
                converted.append(f"{key} = {float(value) / 25.4!r}")
            else:
                converted.append(INCH_TARGETS.get(key, line))
        text = "\n".join(converted)
    return read_specification(text)[0]


LENGTH_KEYS = (
    "length",
    "radius",
    "width",
    "string_spread",
    "crown",
    "least_crown_height",
    "gauge",
    "pluck_distance",
)
INCH_TARGETS = {
    "action": "action = { treble = 0.087, bass = 0.094, tolerance = 0.008 }",
    "relief": "relief = { value = 0.004, minimum = 0.001, maximum = 0.008 }",
    "first_fret_gap": "first_fret_gap = { value = 0.016, tolerance = 0.006 }",
}


def lines() -> StringLines:
    """Return the string lines of the invented instrument."""
    return string_lines(ukulele())


def write(folder: Path, text: str | bytes, name: str = "sheet.csv") -> Path:
    """Write a sheet and return its path."""
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def read(
    folder: Path, text: str | bytes, name: str = "sheet.csv", *, unit: str = "mm"
) -> tuple[Measurement, tuple[Finding, ...]]:
    """Write a sheet and read it."""
    return read_file(write(folder, text, name), unit=unit)


def read_file(
    *paths: Path, unit: str = "mm", serial: str = ""
) -> tuple[Measurement, tuple[Finding, ...]]:
    """Read sheets as a door does: names and bytes."""
    files = [SheetFile(path.name, path.read_bytes()) for path in paths]
    return read_measurement(files, ukulele(unit), serial=serial)


def sheet(rows: Sequence[str], header: str = HEADER) -> str:
    """Return a sheet of the given rows."""
    return "\n".join([header, *rows]) + "\n"


def heights(seed: int = 1) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return crown tops (4, 15), nut (4,) and saddle (4,), plausible and in whole 0.001 mm."""
    random = np.random.default_rng(seed)
    station = lines().station_mm[:, 1:]
    bow = 4.0 * 0.1 * (station / 432.0) * (station / 432.0 - 1.0)
    crowns = np.round(bow + random.normal(0.0, 0.02, bow.shape), 3)
    return crowns, np.round(0.45 + random.normal(0, 0.02, 4), 3), np.full(4, 4.1)


def height_rows(
    crowns: FloatArray,
    nut: FloatArray,
    saddle: FloatArray,
    *,
    unit: str = "mm",
    u: str = "0.01",
    state: str = "strung",
    left_out: Sequence[tuple[int, int]] = (),
) -> list[str]:
    """Return rows for all three kinds of height; `left_out` lists (string, fret)."""
    scale = 1.0 if unit == "mm" else 25.4
    u = u and repr(float(u) / scale)

    def row(quantity: str, string: int, fret: str, value: float) -> str:
        return f"{quantity},{string},{fret},{value / scale!r},{unit},{u},{state},,"

    rows = [row("nut_slot", k + 1, "", float(z)) for k, z in enumerate(nut)]
    rows += [row("saddle", k + 1, "", float(z)) for k, z in enumerate(saddle)]
    rows += [
        row("crown_top", k + 1, str(j + 1), float(z))
        for (k, j), z in np.ndenumerate(crowns)
        if (k + 1, j + 1) not in left_out
    ]
    return rows


def full_sheet(**options: str) -> str:
    """Return a sheet that needs nothing else."""
    return sheet(height_rows(*heights(), **options))  # type: ignore[arg-type]


def codes(findings: Sequence[Finding], severity: str = "") -> list[str]:
    """Return the codes of findings, of one severity or of all."""
    return [f.code for f in findings if not severity or f.severity == severity]


def refused(call: Callable[[], object]) -> list[Finding]:
    """Return what `call` is refused for: the findings, or the one sentence as a finding."""
    try:
        call()
    except FindingsError as error:
        return list(error.findings)
    except EvenfallError as error:
        return [Finding("row", error.sentence, error.at, "error")]
    raise AssertionError("it was accepted")
