"""Frets that stand out from the level line, a finding each: with size, sign and string side."""

from __future__ import annotations

from typing import TYPE_CHECKING

from evenfall.errors import At, Finding
from evenfall.wording import sentence

if TYPE_CHECKING:
    from evenfall.neck.level_line import LevelLine


def standing_findings(line: LevelLine) -> tuple[Finding, ...]:
    """Return which frets stand high, lie low, or are tilted across the strings."""
    found = []
    for one in line.standing:
        high, whole = one.size_mm > 0.0, len(one.strings) == len(line.level_mm)
        text = "Fret {fret} {stands} under {strings:strings}: {size:length} off the level line "
        text += "where most."
        if whole:
            text = "Fret {fret} {stands}: {mean:length} off the level line on average, "
            text += "{size:length} where most."
        found.append(
            Finding(
                "high-fret" if high else "low-fret",
                text,
                At(frets=(one.fret,), strings=() if whole else one.strings),
                fret=one.fret,
                stands=sentence("stands high" if high else "lies low"),
                strings=one.strings,
                mean=abs(one.mean_mm),
                size=abs(one.size_mm),
            )
        )
    tilts = {one.fret: one.tilt_mm for one in line.standing if one.tilt_mm}
    found += [
        Finding(
            "tilted-fret",
            "Fret {fret} is tilted across the strings: its {end} end stands {tilt:length} higher "
            "than its {other} end.",
            At(frets=(fret,)),
            fret=fret,
            end="bass" if tilt > 0.0 else "treble",
            other="treble" if tilt > 0.0 else "bass",
            tilt=abs(tilt),
        )
        for fret, tilt in tilts.items()
    ]
    return tuple(found)
