"""The independent interpreter: RS274/NGC as LinuxCNC has it, as a process of its own.

LinuxCNC is GPL and stays outside: Debian's package `linuxcnc-uspace`, run in tests only. `rs274 -g`
prints canonical calls with four decimals in the unit of the program; it needs a tool table, or it
uses a built-in one; it goes by no limits of a machine.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import dataclass

import pytest

#: Lengths of tools stay zero: the table is read in inches whatever the program says.
TOOL_TABLE = "".join(f"T{n} P{n} Z0 D{n}.000\n" for n in range(1, 13))

_CALL = re.compile(r"^\s*\d+\s+N\S*\s+([A-Z_0-9]+)\((.*)\)\s*$")


@dataclass(frozen=True)
class Canonical:
    """What the interpreter made of a program: its moves as text of four decimals."""

    refused: str  # its message; empty where it accepted the program
    moves: list[tuple[str, tuple[str, str, str]]]  # kind, and where it ends
    feeds: list[str]
    messages: list[str]


def needed() -> str:
    """Return the path of the interpreter, or skip where it is not installed."""
    path = shutil.which("rs274")
    if path is None:
        pytest.skip("rs274 is not installed (Debian: linuxcnc-uspace)")
    return path


def interpreted(text: str, folder) -> Canonical:
    """Run a program through the interpreter."""
    (folder / "tool.tbl").write_text(TOOL_TABLE, encoding="ascii")
    program = folder / "program.ngc"
    program.write_text(text, encoding="utf-8")
    done = subprocess.run(
        [needed(), "-g", "-t", "tool.tbl", program.name],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    moves, feeds, messages, plane = [], [], [], "XY"
    for line in done.stdout.splitlines():
        call = _CALL.match(line)
        if call is None:
            continue
        name, given = call[1], [part.strip() for part in call[2].split(",")]
        if name == "SELECT_PLANE":
            plane = given[0][-2:]
        elif name == "SET_FEED_RATE":
            feeds.append(given[0])
        elif name == "MESSAGE":
            messages.append(call[2].strip('"').strip())
        elif name in ("STRAIGHT_TRAVERSE", "STRAIGHT_FEED"):
            moves.append(("rapid" if name.endswith("TRAVERSE") else "feed", tuple(given[:3])))
        elif name == "ARC_FEED":
            first, second, _, _, _, along = given[:6]
            ends = {"XY": (first, second, along), "XZ": (second, along, first)}
            moves.append(("feed", ends.get(plane, (along, first, second))))
    return Canonical("" if done.returncode == 0 else done.stderr.strip(), moves, feeds, messages)


def ends_of(traced) -> list[tuple[str, tuple[str, str, str]]]:
    """Return the moves of a trace as the interpreter prints them; of an arc its end alone."""
    per_mm = 1.0 / 25.4 if traced.unit == "in" else 1.0
    found = []
    for n in range(len(traced.line)):
        last = n + 1 == len(traced.line) or traced.line[n + 1] != traced.line[n]
        if traced.arc[n] and not last:
            continue
        there = tuple(f"{value * per_mm:.4f}" for value in traced.end_mm[n])
        found.append(("rapid" if traced.rapid[n] else "feed", there))
    return found


def without_sign_of_zero(moves):
    """Return moves with -0.0000 as 0.0000, which are one place."""
    return [
        (kind, tuple(re.sub(r"^-(0\.0+)$", r"\1", value) for value in there))
        for kind, there in moves
    ]
