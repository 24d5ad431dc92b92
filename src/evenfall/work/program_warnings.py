"""Warns of what happens between moves: no extraction, no wait, a stop in the work."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from evenfall.errors import At, Finding
from evenfall.wording import Value
from evenfall.work.trace import AT_WORK_MM, Traced

if TYPE_CHECKING:
    from evenfall.work.crown_lines import Workpiece
    from evenfall.work.program_check import Setting

_SPINDLE = ("M3", "M4", "M5")
_SPIN_UP_SHARE = 0.95  # of the time that the machine needs; digits of a dwell are lost


def _warning(setting: Setting, line: int, text: str, **values: Value) -> Finding:
    """Return what to see to, at its line; 0 where it stands on none."""
    at = At(setting.file, lines=(line,) if line else ())
    return Finding("program-conduct", text, at, "warning", **values)


def program_warnings(traced: Traced, piece: Workpiece, setting: Setting) -> Iterator[Finding]:
    """Yield what a person should see to before a program is run, each with its line."""
    if setting.fixture is None:
        text = (
            "No fixture is described: clamps and the ends of travel are not checked; see to both "
            "by hand ({door_fixture})."
        )
        yield _warning(setting, 0, text)
    for event in [one for one in traced.events if one.word == "M49"][:1]:
        text = "M49 takes feed and speed overrides from the operator; remove it."
        yield _warning(setting, event.line, text)
    if traced.drawn_line:
        text = (
            "Short moves may be drawn together into long ones (G64 without Q), whose chords cut "
            "deeper; write Q0 behind its P."
        )
        yield _warning(setting, traced.drawn_line, text)
    yield from _conduct(traced, piece, setting)


def _conduct(traced: Traced, piece: Workpiece, setting: Setting) -> Iterator[Finding]:
    """Yield what happens between the moves and should not."""
    cuts, warning = traced.at_work(piece.top_mm), partial(_warning, setting)

    def first_cut(start: int, end: int) -> int | None:
        found = np.flatnonzero(cuts[start:end])
        return start + int(found[0]) if len(found) else None

    yield from _stops(traced, piece, warning)
    machine = setting.machine
    wanted = set(re.findall(r"M[78]", f"{machine.dust_on} {machine.coolant_on}"))
    running: set[str] = set()
    turning, waited, told = False, 0.0, set[str]()
    ends = [*(one.move for one in traced.events), len(cuts)][1:]
    for event, end in zip(traced.events, ends, strict=True):
        if event.word in ("M7", "M8"):
            running.add(event.word)
        elif event.word == "M9":
            running.clear()
        elif event.word in ("M3", "M4"):
            waited = waited if turning else 0.0
            turning = True
        elif event.word in ("M5", "M6"):
            turning = False
        elif event.word == "G4":
            waited += event.wait_s
        n = first_cut(event.move, end)
        if n is None:
            continue
        if wanted - running and "extraction" not in told:
            told.add("extraction")
            text = "The cutter works without extraction or air; call {words:list} before it."
            yield warning(int(traced.line[n]), text, words=tuple(sorted(wanted - running)))
        if turning and waited < _SPIN_UP_SHARE * machine.spin_up_s and "wait" not in told:
            told.add("wait")
            text = (
                "The cutter works before the spindle is up to speed; wait {wait:.1f} s (G4) "
                "after M3."
            )
            yield warning(int(traced.line[n]), text, wait=machine.spin_up_s)
    if traced.after_line:
        text = "What stands from here on comes after the end of the program and is not run."
        yield warning(traced.after_line, text)


def _stops(traced: Traced, piece: Workpiece, warning: Callable[..., Finding]) -> Iterator[Finding]:
    """Yield waits, stops and spindle words that stand in the work, and stops with it turning."""
    turning = False
    for event in traced.events:
        within = event.move > 0 and bool(
            traced.end_mm[event.move - 1, 2] < piece.top_mm + AT_WORK_MM
        )
        stops = event.word in ("M0", "M1", "M60")
        if event.word == "G4" and within:
            text = "The cutter waits {wait:.1f} s in the work; it rubs and burns there."
            yield warning(event.line, text, wait=event.wait_s)
        elif stops and within:
            text = "The program stops in the work ({word}); lift the cutter first."
            yield warning(event.line, text, word=event.word)
        elif stops and turning:
            text = "The program stops with the spindle on ({word}); stop it too (M5)."
            yield warning(event.line, text, word=event.word)
        elif within and (event.word in ("M3", "M4")) != turning and event.word in _SPINDLE:
            text = "The spindle starts or stops in the work ({word}); lift the cutter first."
            yield warning(event.line, text, word=event.word)
        if event.word in (*_SPINDLE, "M6"):
            turning = event.word in ("M3", "M4")
