"""What a datum is: one straight line under the neck, and the heights that are read over it.

Nothing here comes from an instrument: proportions are chosen so that every name has room.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from evenfall.pictures.inks import INK, LIGHT, PAPER, QUIET, RISK, WASH, Theme
from evenfall.pictures.svg import document, line, path, rect, text

_NUT_PX, _SADDLE_PX, _DATUM_PX = 70.0, 560.0, 178.0
_SLOT_PX, _TOP_PX = 62.0, 40.0
_FRETS = 14
_SHOWN = (1, 5, 12)


def datum_drawing(theme: Theme = LIGHT) -> str:
    """Return the drawing of a neck from the side with its datum and the heights over it."""
    return document(
        200.0,
        _parts(),
        width_px=640.0,
        theme=theme,
        title="Heights over the datum",
        description=(
            "A neck from the side, heights much enlarged. Under it runs one straight line, the "
            "datum. The floor of the nut slot, the crown of each fret and the top of the saddle "
            "are each read straight up from that line."
        ),
    )


def _parts() -> Iterator[str]:
    end = _fret_px(_FRETS) + 12.0
    shape = [(x, _board_px(x)) for x in (_NUT_PX + n * (end - _NUT_PX) / 12.0 for n in range(13))]
    yield path([*shape, (end, 150.0), (_NUT_PX, 150.0)], fill=WASH, closed=True)
    yield rect(_NUT_PX - 8, _SLOT_PX - 8, 8, _board_px(_NUT_PX) - _SLOT_PX + 8, fill=PAPER, ink=INK)
    yield rect(_SADDLE_PX, _TOP_PX, 9, _DATUM_PX - 10 - _TOP_PX, fill=PAPER, ink=INK)
    yield line(_NUT_PX, _SLOT_PX, _SADDLE_PX, _TOP_PX, width_px=1.2)
    for fret in range(1, _FRETS + 1):
        x = _fret_px(fret)
        yield line(x, _board_px(x), x, _crown_px(fret), width_px=4.0)
    yield line(20.0, _DATUM_PX, 620.0, _DATUM_PX, ink=RISK, width_px=1.4, dash="9 3 2 3")
    name = "datum: one straight line"
    between = 0.5 * (end + _SADDLE_PX)
    yield text(between, _DATUM_PX - 7, name, size_px=11, anchor="middle", ink=RISK)
    yield from _height(_NUT_PX - 18, _SLOT_PX, "slot")
    for fret in _SHOWN:
        yield from _height(_fret_px(fret) + 7, _crown_px(fret), f"crown {fret}")
    yield from _height(_SADDLE_PX + 24, _TOP_PX, "saddle")


def _height(x: float, top: float, name: str) -> Iterator[str]:
    """Yield a measuring mark from the datum up to a height, with its name."""
    yield line(x, top, x, _DATUM_PX, ink=RISK, width_px=1.4)
    for at in (top, _DATUM_PX):
        yield line(x - 4, at, x + 4, at, ink=RISK, width_px=1.4)
    yield text(x, _DATUM_PX + 15, name, size_px=11, anchor="middle", ink=QUIET)


def _fret_px(fret: float) -> float:
    """Return where a fret lies; twelve-tone equal temperament."""
    return _NUT_PX + (_SADDLE_PX - _NUT_PX) * (1.0 - math.exp2(-fret / 12.0))


def _board_px(x: float) -> float:
    """Return the top of a hollow board, deepest half-way."""
    along = (x - _NUT_PX) / (_fret_px(_FRETS) - _NUT_PX)
    return 100.0 + 48.0 * along * (1.0 - along)


def _crown_px(fret: int) -> float:
    return _board_px(_fret_px(fret)) - 20.0
