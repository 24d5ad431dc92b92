"""Drawing of the frame: axes, signs and the names of the parts, for the nomenclature page.

Nothing here comes from an instrument: proportions are chosen so that every name has room.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from evenfall.pictures.inks import INK, PAPER, QUIET, RISK, RULE, WASH
from evenfall.pictures.svg import circle, document, line, path, rect, text

if TYPE_CHECKING:
    from collections.abc import Iterator

_NUT_PX = 96.0
_SADDLE_PX = 600.0
_LENGTH_PX = _SADDLE_PX - _NUT_PX
_FRETS = 14
_STOP = 3
_REFERENCE = 12
_DATUM_PX = 500.0
_SLOT_PX = 352.0
_SADDLE_TOP_PX = 300.0
_END_PX = _NUT_PX + _LENGTH_PX * (1.0 - math.exp2(-_FRETS / 12.0))


def frame_drawing() -> str:
    """Return the drawing of frame, signs and part names, as SVG."""
    parts = [
        text(4, 20, "The frame, its signs, and the names of the parts", size_px=14, bold=True),
        text(4, 40, "From above", size_px=11, bold=True),
        *_from_above(),
        text(
            4, 252, "From the side, along one string (heights much enlarged)", size_px=11, bold=True
        ),
        *_profile(),
        *_strings_and_gaps(),
        text(4, 552, "Across the neck, one fret", size_px=11, bold=True),
        *_across(),
        *_signs(),
    ]
    return document(
        700.0,
        parts,
        title="The frame, its signs, and the names of the parts",
        description=(
            "Three views of a neck. From above: origin on the centre line at the playing edge of "
            "the nut, x to the bridge, y to the treble side, strings numbered from the treble, "
            "frets from the nut. From the side: z up from a straight datum line, with nut slot, "
            "crowns, saddle, action, relief, first-fret gap and a stopped string. Across "
            "the neck: crown, tang, board and crown height."
        ),
    )


def _fret_px(fret: float) -> float:
    """Return where a fret lies; twelve-tone equal temperament."""
    return _NUT_PX + _LENGTH_PX * (1.0 - math.exp2(-fret / 12.0))


def _arrow(x1: float, y1: float, x2: float, y2: float, *, ink: str = INK) -> Iterator[str]:
    """Yield a line with a head at its second end."""
    long = math.hypot(x2 - x1, y2 - y1)
    ux, uy = (x2 - x1) / long, (y2 - y1) / long
    back = x2 - 7 * ux, y2 - 7 * uy
    yield line(x1, y1, *back, ink=ink, width_px=1.2)
    wing = [(back[0] - 3 * uy, back[1] + 3 * ux), (x2, y2), (back[0] + 3 * uy, back[1] - 3 * ux)]
    yield path(wing, fill=ink, closed=True)


def _gap(x: float, upper: float, lower: float, *, ink: str = RISK) -> Iterator[str]:
    """Yield a measuring mark between two heights."""
    yield line(x, upper, x, lower, ink=ink, width_px=1.4)
    for at in (upper, lower):
        yield line(x - 3.5, at, x + 3.5, at, ink=ink, width_px=1.4)


def _span(x1: float, x2: float, y: float, name: str) -> Iterator[str]:
    """Yield a measured length with its name under it."""
    yield line(x1, y, x2, y, ink=QUIET)
    for at in (x1, x2):
        yield line(at, y - 3.5, at, y + 3.5, ink=QUIET)
    yield text((x1 + x2) / 2, y + 12, name, size_px=9.5, anchor="middle", ink=QUIET)


# ---- from above --------------------------------------------------------------------------------


def _from_above() -> Iterator[str]:
    middle, end = 126.0, _fret_px(_FRETS) + 14.0

    def half(x: float, nut: float, saddle: float) -> float:
        return nut + (saddle - nut) * (x - _NUT_PX) / _LENGTH_PX

    edge = [(x, half(x, 36.0, 58.0)) for x in (_NUT_PX, end)]
    board = [(x, middle - h) for x, h in edge] + [(x, middle + h) for x, h in edge[::-1]]
    yield path(board, fill=WASH, ink=QUIET, closed=True)
    for fret in range(1, _FRETS + 1):
        x = _fret_px(fret)
        h = half(x, 36.0, 58.0)
        yield line(x, middle - h, x, middle + h, ink=QUIET, width_px=1.6)
        yield text(x, middle + 68, str(fret), size_px=9, anchor="middle", ink=QUIET)
    yield rect(_NUT_PX - 7, middle - 36, 7, 72, fill=INK)
    yield text(_NUT_PX - 3, middle + 56, "nut (0)", size_px=9.5, anchor="middle", ink=QUIET)
    yield rect(_SADDLE_PX - 3, middle - 50, 7, 100, fill=PAPER, ink=INK)
    yield text(_SADDLE_PX, middle - 56, "saddles", size_px=9.5, anchor="middle", ink=QUIET)
    for number in range(1, 7):
        place = (number - 3.5) / 2.5
        ends = middle + 28 * place, middle + 42 * place
        yield line(_NUT_PX - 14, ends[0], _SADDLE_PX, ends[1], width_px=0.6 + 0.16 * number)
        yield text(_NUT_PX - 20, ends[0] + 3.5, str(number), size_px=10, anchor="end", bold=True)
    yield text(62, middle - 24.5, "treble", size_px=9.5, anchor="end", ink=QUIET)
    yield text(62, middle + 31.5, "bass", size_px=9.5, anchor="end", ink=QUIET)
    yield text(40, middle + 3, "string", size_px=9.5, anchor="middle", ink=QUIET)
    yield circle(_NUT_PX, middle, 3.5, fill=RISK)
    yield from _arrow(_NUT_PX, middle, 498, middle, ink=RISK)
    yield from _arrow(_NUT_PX, middle, _NUT_PX, middle - 58, ink=RISK)
    yield text(_NUT_PX + 9, middle - 52, "y, to the treble side", size_px=10, ink=RISK)
    yield text(504, middle + 3.5, "x, to the bridge", size_px=9.5, ink=RISK)
    yield from _span(
        _fret_px(_STOP), _SADDLE_PX, middle + 82, f"speaking length, stopped at fret {_STOP}"
    )


# ---- from the side -----------------------------------------------------------------------------


def _board_px(x: float) -> float:
    """Return the top of a hollow board, deepest half-way."""
    along = (x - _NUT_PX) / (_END_PX - _NUT_PX)
    return 424.0 + 56.0 * along * (1.0 - along)


def _crown_px(fret: int) -> float:
    return _board_px(_fret_px(fret)) - 36.0


def _open_string_px(x: float) -> float:
    return _SLOT_PX + (_SADDLE_TOP_PX - _SLOT_PX) * (x - _NUT_PX) / _LENGTH_PX


def _profile() -> Iterator[str]:
    """Yield datum, board, crowns, nut and saddle."""
    yield line(_NUT_PX - 50, _DATUM_PX, _SADDLE_PX + 40, _DATUM_PX, ink=RISK, dash="7 3 1.5 3")
    yield text(_SADDLE_PX + 40, _DATUM_PX + 13, "datum: any straight line", anchor="end", ink=RISK)
    yield from _arrow(_NUT_PX - 40, _DATUM_PX, _NUT_PX - 40, _DATUM_PX - 62, ink=RISK)
    yield text(_NUT_PX - 50, _DATUM_PX - 40, "z, up", anchor="end", ink=RISK)

    places = [_NUT_PX - 8 + n * (_END_PX + 22 - _NUT_PX) / 40.0 for n in range(41)]
    ground = [(x, _board_px(x)) for x in places]
    yield path([*ground, (places[-1], 492), (places[0], 492)], fill=WASH, closed=True)
    yield path(ground, ink=QUIET, width_px=1.4)
    for fret in range(1, _FRETS + 1):
        x = _fret_px(fret)
        yield rect(
            x - 3, _crown_px(fret), 6, _board_px(x) - _crown_px(fret), fill=INK, round_px=2.5
        )
        yield text(x, 485, str(fret), size_px=9, anchor="middle", ink=QUIET)
    yield path(
        [
            (_NUT_PX - 10, _SLOT_PX - 12),
            (_NUT_PX - 2, _SLOT_PX - 12),
            (_NUT_PX, _SLOT_PX),
            (_NUT_PX, _board_px(_NUT_PX)),
            (_NUT_PX - 10, _board_px(_NUT_PX)),
        ],
        fill=PAPER,
        ink=INK,
        width_px=1.3,
        closed=True,
    )
    yield path(
        [
            (_SADDLE_PX - 6, _DATUM_PX - 8),
            (_SADDLE_PX - 6, _SADDLE_TOP_PX + 5),
            (_SADDLE_PX, _SADDLE_TOP_PX),
            (_SADDLE_PX + 6, _SADDLE_TOP_PX + 5),
            (_SADDLE_PX + 6, _DATUM_PX - 8),
        ],
        fill=PAPER,
        ink=INK,
        width_px=1.3,
        closed=True,
    )
    yield text(_NUT_PX + 6, 467, "board", size_px=9.5)


def _strings_and_gaps() -> Iterator[str]:
    """Yield the string, open and stopped, and every gap that has a name."""
    yield line(_NUT_PX, _SLOT_PX, _SADDLE_PX, _SADDLE_TOP_PX, width_px=1.6)
    stop = _fret_px(_STOP), _crown_px(_STOP)
    yield path(
        [(_NUT_PX, _SLOT_PX), stop, (_SADDLE_PX, _SADDLE_TOP_PX)],
        ink=QUIET,
        dash="5 3",
        width_px=1.2,
    )

    yield text(_NUT_PX - 14, _SLOT_PX - 2, "floor of the", size_px=9.5, anchor="end")
    yield text(_NUT_PX - 14, _SLOT_PX + 9, "nut slot", size_px=9.5, anchor="end")
    yield text(_SADDLE_PX + 12, _SADDLE_TOP_PX + 3, "saddle top", size_px=9.5)
    yield text(548, 284, "open string", size_px=9.5, anchor="middle")
    yield line(548, 287, 548, _open_string_px(548) - 2, ink=QUIET, width_px=0.8)
    far = _SADDLE_PX - 76.0
    yield text(far, 386, f"string stopped at fret {_STOP}", size_px=9.5, anchor="middle", ink=QUIET)
    share = (far - stop[0]) / (_SADDLE_PX - stop[0])
    yield line(
        far, 376, far, stop[1] + (_SADDLE_TOP_PX - stop[1]) * share + 3, ink=QUIET, width_px=0.8
    )

    first = _fret_px(1)
    yield from _gap(first, _open_string_px(first), _crown_px(1))
    yield text(first + 5, 306, "first-fret gap", size_px=9.5, ink=RISK)
    yield line(first, 298, first, _open_string_px(first), ink=RISK, width_px=0.8)
    reference = _fret_px(_REFERENCE)
    yield from _gap(reference, _open_string_px(reference), _crown_px(_REFERENCE))
    action = f"action: open string over fret {_REFERENCE}"
    yield text(reference + 5, 284, action, size_px=9.5, ink=RISK)
    yield line(reference, 276, reference, _open_string_px(reference), ink=RISK, width_px=0.8)

    last = _crown_px(_FRETS)
    yield line(first, _crown_px(1), _END_PX, last, ink=INK, width_px=0.9, dash="2 2")
    hollow = _fret_px(7)
    share = (hollow - first) / (_END_PX - first)
    straight = _crown_px(1) + (last - _crown_px(1)) * share
    beside = hollow + 8.0
    yield from _gap(beside, straight, _crown_px(7) + 0.5)
    yield line(beside, _crown_px(7), beside, 446, ink=RISK, width_px=0.8)
    yield text(beside - 5, 456, "relief: gap under a line", size_px=9.5, ink=RISK)
    yield text(beside - 5, 467, "over fret 1 and the last one", size_px=9.5, ink=RISK)
    beside = _fret_px(4) + 7.0
    yield from _gap(beside, _crown_px(4), _DATUM_PX)
    yield text(beside + 6, 467, "crown top", size_px=9.5, ink=RISK)


# ---- across the neck ---------------------------------------------------------------------------


def _across() -> Iterator[str]:
    middle, ground = 120.0, 640.0
    yield path(
        [
            (40, ground),
            (middle - 7, ground),
            (middle - 7, ground + 36),
            (middle + 7, ground + 36),
            (middle + 7, ground),
            (200, ground),
            (200, ground + 46),
            (40, ground + 46),
        ],
        fill=WASH,
        ink=QUIET,
        closed=True,
    )
    arch = [
        (middle + 34 * math.cos(a), ground - 40 * math.sin(a))
        for a in (math.pi * n / 24 for n in range(25))
    ]
    yield path(arch, fill=INK, closed=True)
    yield rect(middle - 5, ground - 1, 10, 33, fill=INK)
    yield from _gap(middle + 52, ground - 40, ground)
    yield line(middle, ground - 40, middle + 52, ground - 40, ink=RULE, width_px=0.8)
    yield text(middle + 60, ground - 17, "crown height", size_px=9.5, ink=RISK)
    yield text(middle + 36, ground - 52, "crown (bead), its top on the string line", size_px=9.5)
    yield line(middle + 34, ground - 54, middle + 6, ground - 41, ink=QUIET, width_px=0.8)
    yield text(middle + 88, ground + 18, "tang, in its slot", size_px=9.5)
    yield line(middle + 86, ground + 15, middle + 5, ground + 20, ink=QUIET, width_px=0.8)
    yield text(middle + 88, ground + 36, "board", size_px=9.5)
    yield line(middle + 86, ground + 33, middle + 64, ground + 30, ink=QUIET, width_px=0.8)


def _signs() -> Iterator[str]:
    yield text(350, 552, "Signs", size_px=11, bold=True)
    notes = (
        "Heights are positive upwards, of the underside of a string.",
        "Relief is positive for a hollow neck, negative for back-bow.",
        "Removal is positive and lowers a crown; it is never negative.",
        "A change of nut, saddle or relief is after minus before.",
        "Clearance is positive for a gap, negative where a string",
        "would lie inside a crown.",
        "Strings count from the treble, frets from the nut; 0 is the open string.",
    )
    for number, note in enumerate(notes):
        yield text(350, 572 + 16 * number, note, size_px=9.5)
