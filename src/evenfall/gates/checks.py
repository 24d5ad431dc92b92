"""Readings by hand beside the heights: whether two ways to one figure agree, and what to read yet.

Thresholds are our judgement, set on invented necks; no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Literal, get_args

import numpy as np

from evenfall.codec import Content
from evenfall.codec.forms import choice, content_dataclass, number, truth, whole
from evenfall.errors import At, Finding
from evenfall.gates.seen import Seen
from evenfall.gates.settings import action_in_doubt
from evenfall.measurement import Direct
from evenfall.neck.bow import relief_point
from evenfall.neck.drawn_line import LEAST_U_MM
from evenfall.neck.gaps import line_gap_weights
from evenfall.wording import Sentence, Value, sentence

Compared = Literal["action", "relief", "crown-top"]

CHECK_MM: dict[Compared, float] = {"action": 0.05, "relief": 0.04, "crown-top": 0.02}
"""By how much a check by hand may differ from the heights at least."""
CHECK_U: dict[Compared, float] = {"action": 3.6, "relief": 3.6, "crown-top": 3.3}
"""And by how many standard uncertainties of the difference; 3.3 are 4.7 of either reading."""

FIRST_FRET = 1
"""Where the first crown is read again at the end, to see whether the datum moved."""

_GAP = (-1000.0, 1000.0)


@content_dataclass()
class CrossCheck(Content):
    """One figure read directly, and the same worked out from the heights."""

    quantity: Compared = choice(get_args(Compared), "what was compared")
    string: int = whole(0, 12, "string; 0 if for all")
    fret: int = whole(1, 36, "fret")
    by_hand_mm: float = number(*_GAP, "as read directly")
    by_heights_mm: float = number(*_GAP, "as the heights give it")
    u_mm: float = number(0.0, 1000.0, "standard uncertainty of the difference")
    agrees: bool = truth("whether the two agree")

    @property
    def said(self) -> Sentence:
        """The comparison as a sentence."""
        text = "{what}: by hand {hand:length}, by the heights {heights:length}: {verdict}."
        if self.quantity == "crown-top":
            text = "{what}: read again {hand:length}, at first {heights:length}: {verdict}."
        off_mm = abs(self.by_hand_mm - self.by_heights_mm)
        told = "they agree"
        if not self.agrees:
            told = "they differ by {off:length}, more than their uncertainty"
        elif off_mm > self.u_mm:
            told = "they differ by {off:length}, within their uncertainty"
        return Sentence(text, {**self._values, "verdict": sentence(told, off=off_mm)})

    @property
    def still(self) -> bool:
        """Whether it shows that the datum lay still from the first crown to the last."""
        return self.agrees and self.quantity == "crown-top" and self.fret == FIRST_FRET

    @property
    def gate(self) -> Finding:
        """What has to be read again, where the two do not agree."""
        at = At(frets=(self.fret,), strings=(self.string,) if self.string else ())
        code, text = (
            "hand-check",
            (
                "{what}: by hand {hand:length}, by the heights {heights:length}. Read both again; "
                "check sign and unit of the heights, and on which string and fret they were read."
            ),
        )
        if self.quantity == "crown-top" and self.fret == FIRST_FRET:
            code, text = (
                "drift",
                (
                    "{what}: read again {hand:length}, at first {heights:length}, so the datum "
                    "moved by {off:length}. Fix the datum and read all crowns in one go."
                ),
            )
        elif self.quantity == "crown-top":
            text = (
                "{what}: read again {hand:length}, at first {heights:length}. Read it once more; "
                "count frets from the nut and strings from the treble, and see whether the datum "
                "moved."
            )
        return Finding(code, text, at, "warning", **self._values)

    @property
    def _values(self) -> dict[str, Value]:
        return {
            "what": sentence(_WHAT[self.quantity], string=self.string, fret=self.fret),
            "hand": self.by_hand_mm,
            "heights": self.by_heights_mm,
            "off": self.by_hand_mm - self.by_heights_mm,
        }


_WHAT: dict[Compared, str] = {
    "action": "Action of string {string} at fret {fret}",
    "relief": "Relief at fret {fret}",
    "crown-top": "Crown of fret {fret}, string {string}",
}


def cross_checks(seen: Seen) -> tuple[CrossCheck, ...]:
    """Return every reading by hand beside what the heights give, which came from others.

    Of a relief read under no named string the one that it fits best counts.
    """
    return tuple(
        min(tried, key=lambda check: abs(check.by_hand_mm - check.by_heights_mm))
        for one in seen.measurement.direct
        if one.checks
        and (
            tried := [
                check
                for k in ([one.string - 1] if one.string else range(len(seen.top_mm)))
                if (check := _compared(seen, one, k)) is not None
            ]
        )
    )


def _compared(seen: Seen, one: Direct, k: int) -> CrossCheck | None:
    """Return a reading by hand beside what the heights of string k (from 0) give."""
    heights = seen.measurement.heights
    weights = np.zeros(heights.frets + 2)
    if one.quantity == "crown-top":
        weights[one.fret] = 1.0
    elif one.quantity == "action":
        weights = seen.gap_weights[k, one.fret - 1]
    else:
        weights[1:-1] = line_gap_weights(
            seen.lines.station_mm[k, 1:], one.fret, *seen.specification.target.relief_over
        )
    used = weights != 0.0
    given = float(weights[used] @ heights.height_mm[k, used])
    if not math.isfinite(given):
        return None
    u = math.hypot(one.u_mm, float(heights.u_mm(weights, k)), LEAST_U_MM)
    most = max(CHECK_MM[one.quantity], CHECK_U[one.quantity] * u)
    agrees = abs(one.value_mm - given) <= most
    return CrossCheck(one.quantity, one.string, one.fret, one.value_mm, given, u, agrees)


def crowns_to_read_again(seen: Seen) -> tuple[tuple[int, int], ...]:
    """Return three crowns (string, fret) whose second reading tells most; fewer where some meet.

    The one that differs most from the crown with the same number counted from the body; the one
    that a short straightedge would rock on most, or show the largest gap at; and one on the last
    fret. Together they show frets numbered from the wrong end, and rows that slipped.
    """
    top = np.where(seen.read, seen.top_mm, np.nan)
    mirrored = np.abs(top - top[:, ::-1])
    mirrored[:, [0, -1]] = np.nan  # read again anyway
    rocks = np.full_like(top, np.nan)
    x = seen.lines.station_mm[:, 1:]
    share = (x[:, 1:-1] - x[:, :-2]) / (x[:, 2:] - x[:, :-2])
    rocks[:, 1:-1] = np.abs(top[:, 1:-1] - (1.0 - share) * top[:, :-2] - share * top[:, 2:])
    last = np.full_like(top, np.nan)
    middle_string = relief_point(seen.specification, seen.lines)[1] - 1
    last[:, -1] = -np.abs(np.arange(len(top)) - middle_string) + 0.0 * top[:, -1]
    chosen: list[tuple[int, int]] = []
    for tells in (mirrored, rocks, last):
        if np.isfinite(tells).any():
            string, fret = np.unravel_index(int(np.nanargmax(tells)), tells.shape)
            place = (int(string) + 1, int(fret) + 1)
            chosen += [place] if place not in chosen else []
    return tuple(chosen)


def worth_reading(seen: Seen) -> Iterator[Finding]:
    """Yield what to read yet, so that a slip of sign, scale, order or datum shows."""
    if not seen.read.any():
        return
    direct = seen.measurement.direct
    reference, last = seen.specification.scale.reference_fret, len(seen.top_mm)
    actions = {one.string for one in direct if one.quantity == "action" and one.checks}
    asked = {1, last, *action_in_doubt(seen)}
    lacking = tuple(sorted(asked - actions))
    if lacking and np.isfinite(seen.gap_mm[:, reference - 1]).all():
        text = "Read the action of {on:strings} over fret {fret} by hand."
        yield _next("action", text, lacking, (reference,), on=lacking, fret=reference)
    if not any(one.quantity == "relief" for one in direct):
        fret, string = relief_point(seen.specification, seen.lines)
        text = (
            "Read the relief by straightedge over frets {over:list}, at fret {fret} under string "
            "{string}."
        )
        over = seen.specification.target.relief_over
        yield _next("relief", text, (string,), (fret,), string=string, fret=fret, over=over)
    if not seen.mostly_read:
        return
    again = {(one.string, one.fret) for one in direct if one.quantity == "crown-top"}
    if not any(fret == FIRST_FRET for _, fret in again):
        text = "Read the first crown once more, at the end and over the same datum."
        yield _next("crown_again", text, (1,), (FIRST_FRET,))
    if not any(fret != FIRST_FRET for _, fret in again):
        for string, fret in crowns_to_read_again(seen):
            text = (
                "Read the crown of fret {fret} under string {string} once more over the same "
                "datum, counting frets from the nut and strings from the treble."
            )
            yield _next("crown_again", text, (string,), (fret,), string=string, fret=fret)


def _next(
    quantity: str, text: str, strings: tuple[int, ...], frets: tuple[int, ...], **values: Value
) -> Finding:
    return Finding(
        "next-reading", text, At(field=quantity, strings=strings, frets=frets), "note", **values
    )
