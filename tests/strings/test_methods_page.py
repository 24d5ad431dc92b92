"""The figures on the page about methods are those of the invented guitar."""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path

from evenfall.instrument import read_specification, string_lines
from evenfall.strings.excursion import excursion_table
from evenfall.strings.motion import parallelogram_excursion_per_newton

PAGE = Path(__file__).resolve().parents[2] / "docs" / "explanation" / "methods.md"
KESTREL = resources.files("evenfall") / "invented" / "kestrel.spec.toml"


def deeper_percent(string: int, stop: int) -> int:
    """Return how much deeper than the ideal string it swings over the next fret [%]."""
    spec, _ = read_specification(KESTREL.read_text(encoding="utf-8"))
    lines = string_lines(spec)
    k = string - 1
    ideal = parallelogram_excursion_per_newton(
        speaking_length_mm=float(lines.saddle_station_mm[k]),
        tension_n=spec.strings[k].tension_n,
        station_mm=lines.station_mm[k],
        pluck_distance_mm=spec.player.pluck_distance_mm,
    )[stop, stop + 1]
    real = excursion_table(spec, lines).excursion_mm_per_n[k, stop, stop + 1]
    return round(100.0 * (float(real / ideal) - 1.0))


def test_how_much_deeper_a_stiff_string_swings() -> None:
    page = " ".join(PAGE.read_text(encoding="utf-8").split())
    first = re.search(
        r"first string .*? it is (\d+) % deeper open, (\d+) % stopped at fret 12 and (\d+) % at "
        r"fret 21; on its third, plain steel of 0.43 mm, (\d+) %, (\d+) % and (\d+) %",
        page,
    )
    assert first is not None
    told = [int(figure) for figure in first.groups()]
    assert told == [deeper_percent(string, stop) for string in (1, 3) for stop in (0, 12, 21)]
