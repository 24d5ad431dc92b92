"""Every position played at some levels of attack, from heights to the play test's arrays."""

from __future__ import annotations

from collections.abc import Sequence

from evenfall.arrays import FloatArray
from evenfall.errors import Progress, silent
from evenfall.instrument import Specification
from evenfall.strings.playtest import Attack, PlayTest
from evenfall.strings.playtest import play as play_all
from evenfall.strings.playtest.notes import load_kernel
from evenfall.wording import Sentence, sentence
from evenfall.workshop.kept import excursion


def play_levels(
    specification: Specification,
    heights_mm: tuple[FloatArray, FloatArray, FloatArray],
    attacks: Sequence[Attack],
    *,
    duration_s: float = 0.25,
    progress: Progress = silent,
) -> PlayTest:
    """Play nut, crown tops and saddle at some levels of attack, with the excursion table kept."""
    progress("Making the play test ready (longer the first time)", 0.0)
    load_kernel()
    return play_all(
        specification,
        *heights_mm,
        attacks=attacks,
        duration_s=duration_s,
        excursion=excursion(specification, progress),
        progress=progress,
    )


def position(string: int, stopped_fret: int) -> Sentence:
    """Return a stopped string in words; 0 is the open string."""
    return sentence("{note:stopped}", note=(string, stopped_fret))
