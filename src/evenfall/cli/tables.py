"""Tables in the terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from evenfall.units import LengthUnit, in_unit


def table(
    title: str, headings: Sequence[str], rows: Sequence[Sequence[str]], *, columns: int = 1
) -> None:
    """Print a table, numbers to the right; `columns` sets long ones side by side."""
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console(highlight=False)
    if not console.is_terminal:
        console = Console(highlight=False, width=160)  # a file or a pipe has no edge to wrap at
    shown = Table(
        title=Text(title),
        title_justify="left",
        title_style="bold",
        box=SIMPLE_HEAD,
        padding=(0, 1),
        pad_edge=False,
    )
    height = -(-len(rows) // columns)
    for _ in range(columns):
        for heading in headings:
            justify: Any = "left" if heading in _WORDS else "right"
            shown.add_column(heading, justify=justify, overflow="fold")
    for row in range(height):
        cells: list[str] = []
        for block in range(columns):
            at = block * height + row
            cells += rows[at] if at < len(rows) else [""] * len(headings)
        shown.add_row(*(Text(cell) for cell in cells))
    console.print(shown)


#: Headings of columns that hold words.
_WORDS = {"method", "risk", "remark", "what", "verdict", "name", "how"}


def string_table(strings: Sequence[Mapping[str, Any]], unit: LengthUnit) -> None:
    """Print what follows from a specification for each string."""
    digits = 4 if unit == "in" else 3
    rows = [
        [
            str(s["string"]),
            s["pitch"],
            f"{s['frequency_hz']:.2f}",
            f"{in_unit(s['gauge_mm'], unit):.{digits}f}",
            f"{s['mass_per_length_g_per_m']:.3f}",
            f"{in_unit(s['speaking_length_mm'], unit):.2f}",
            f"{s['tension_n']:.1f}",
            f"{s['attack_n']:.2f}",
            f"{s['level_clear_n']:.2f}",
            f"{in_unit(s['action_mm'], unit):.{digits}f}",
            f"{in_unit(s['first_fret_gap_mm'], unit):.{digits}f}",
        ]
        for s in strings
    ]
    headings = [
        "string",
        "pitch",
        "Hz",
        f"gauge {unit}",
        "g/m",
        f"length {unit}",
        "tension N",
        "attack N",
        "level frets clear to N",
        f"action {unit}",
        f"first-fret gap {unit}",
    ]
    table("Strings", headings, rows)
