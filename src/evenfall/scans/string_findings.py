"""What a scan says of its strings: which it shows, their action, and where they run."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from evenfall.errors import At, Finding
from evenfall.instrument import Specification, string_lines
from evenfall.wording import Sentence, sentence

if TYPE_CHECKING:
    from evenfall.scans.crown_survey import CrownSurvey

NUT_MM = 0.3
"""A nut further from its place is reported: 0.8 cents on a guitar (common practice, no source)."""

PLACE_MM, SIGMA = 0.8, 4.0
"""A string further than this beside its specified line, and by so many standard uncertainties, runs
over other places of the crowns than those that were read (common practice, no source)."""


def string_findings(
    found: Sequence[int], survey: CrownSurvey, specification: Specification
) -> list[Finding]:
    """Return which strings (from 0) a scan shows, their action, and what is odd about them."""
    ends = [*_nut(survey, specification), *_beside(survey, specification)]
    if not found:
        return ends
    told = survey.scanned.strings
    read = [] if told is None else np.flatnonzero(np.isfinite(told.action_mm).any(axis=1)).tolist()
    seen = tuple(k + 1 for k in found)
    findings = [
        Finding(
            "strings-seen",
            "The scan shows {strings:strings}. They were left out; crowns are taken beside their "
            "shadows.{action}",
            At(strings=seen),
            "note",
            strings=seen,
            action=_action(survey, read, specification),
        )
    ]
    bent = tuple(s.string + 1 for s in survey.strings if s is not None and not s.straight)
    if bent:
        most = max(s.misfit_mm for s in survey.strings if s is not None)
        findings.append(
            Finding(
                "string-line",
                "{strings:strings} {strings:plural does|do} not run straight from fret to fret "
                "(off by {off:length}): not at pitch, or pressed by something. No action is read "
                "there; tune and scan again.",
                At(strings=bent),
                strings=bent,
                off=most,
            )
        )
    loose = tuple(k + 1 for k in found if k not in read and k + 1 not in bent)
    if loose:
        findings.append(
            Finding(
                "string-line",
                "Too little is seen of {strings:strings} to tell the action; a scan of more of "
                "the string, or readings by hand, would.",
                At(strings=loose),
                "note",
                strings=loose,
            )
        )
    return [*findings, *ends]


def _action(survey: CrownSurvey, read: list[int], specification: Specification) -> Sentence:
    """Return the action over the reference fret in words."""
    told, fret = survey.scanned.strings, specification.scale.reference_fret
    if told is None or not read:
        return sentence("")
    action, u = told.action_mm[read, fret - 1], told.action_u_mm[read, fret - 1]
    if not np.isfinite(action).any():
        return sentence("")
    return sentence(
        " Their action over fret {fret} is {low:figure} to {high:length} (± {u:uncertainty}).",
        fret=fret,
        low=float(np.nanmin(action)),
        high=float(np.nanmax(action)),
        u=2.0 * float(np.nanmax(u)),
    )


def _nut(survey: CrownSurvey, specification: Specification) -> list[Finding]:
    """Return that the nut stands off its place."""
    ends, scale = survey.ends, 0.5 * (specification.scale.treble_mm + specification.scale.bass_mm)
    asked = -float(np.mean([string.nut_setback_mm for string in specification.strings]))
    off, u = ends.edge_mm - asked, ends.edge_u_mm
    if not abs(off) > max(NUT_MM, SIGMA * u):  # nothing seen is not off
        return []
    return [
        Finding(
            "nut-place",
            "The nut's edge stands {off:length} too near the {side} (± {u:uncertainty}): against "
            "the open string every stopped note plays {cents:.1f} cents {pitch}.",
            At(field="nut"),
            off=abs(off),
            side=sentence("bridge" if off > 0.0 else "head"),
            u=2.0 * u,
            cents=abs(1200.0 * float(np.log2(scale / (scale - off)))),
            pitch=sentence("flat" if off > 0.0 else "sharp"),
        )
    ]


def _beside(survey: CrownSurvey, specification: Specification) -> list[Finding]:
    """Return the strings that run beside the lines under which crowns were read."""
    told, lines = survey.scanned.strings, string_lines(specification)
    if told is None:
        return []
    off = np.stack([told.string_nut_mm - lines.y_mm[:, 0], told.string_last_mm - lines.y_mm[:, -1]])
    limit = np.maximum(PLACE_MM, SIGMA * told.string_u_mm)
    off = np.where(np.isfinite(off), off, 0.0)
    strings = tuple((np.flatnonzero((np.abs(off) > limit).any(axis=0)) + 1).tolist())
    if not strings:
        return []
    end, k = np.unravel_index(int(np.argmax(np.abs(off))), off.shape)
    return [
        Finding(
            "string-line",
            "{strings:strings} {strings:plural runs|run} beside the specified line, most string "
            "{string} at the {end}: {off:length} nearer the {side}. Crowns are read under the "
            "specified lines; correct the string spread in the specification.",
            At(strings=strings, field="string_spread_nut"),
            strings=strings,
            string=int(k) + 1,
            end=sentence("last fret" if end else "nut"),
            off=abs(float(off[end, k])),
            side=sentence("treble" if off[end, k] > 0.0 else "bass"),
        )
    ]
