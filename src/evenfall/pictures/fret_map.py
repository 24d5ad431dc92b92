"""Maps of frets by strings: buzz force of every stopped string, removal at every crossing.

Both show the board from above with the frame's x to the right and y up: nut at the left, treble
string on top. Columns are of one width, because the numbers in them need it; each stands for the
space behind its fret, and long boards run on in a second band. Shade says how much; marks repeat
in shape what the shade says, for prints without grey.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from evenfall.arrays import BoolArray, CodeArray, FloatArray, IntArray
from evenfall.pictures.cells import (
    UNKNOWN,
    Cell,
    CellLayout,
    Mark,
    column_names,
    drawn_cells,
    fret_lines,
    key_mark,
    key_shade,
    string_names,
)
from evenfall.pictures.chart import Chart, Drawing
from evenfall.pictures.inks import (
    INK,
    LIGHT,
    METAL_RAMP,
    METAL_SHARES,
    PAPER,
    QUIET,
    RISK_RAMP,
    RISK_SHARES,
    WASH,
    Shade,
    Theme,
)
from evenfall.pictures.svg import circle, group, line, rect, text, text_width_px
from evenfall.pictures.words import said, titled
from evenfall.requirement import State, margin_share
from evenfall.units import LengthUnit, in_unit, number_text
from evenfall.wording import SHARE_TOLERANCE, sentence, whole_percent

if TYPE_CHECKING:
    from evenfall.instrument import Specification
    from evenfall.plan import Plan


_SHARE_SHOWING_FRET = 1.2
"""Below this margin the fret that is touched first is worth its ink."""
_FAR_SHARE = 0.8
"""A note that fails under this margin has two teeth."""
_MARKS: tuple[tuple[Mark, str], ...] = (
    ("cross", "buzzes, and would over level frets"),
    ("tooth", "fails"),
    ("teeth", "fails, under 80 %"),
)


_COUNTED = (
    " Marks count the specification's extra clearance and its tolerance as well: near 100 % a note "
    "may carry one, or none."
)


def buzz_force_map(
    specification: Specification,
    buzz_force_n: FloatArray,
    attack_n: FloatArray,
    *,
    title: str,
    touch_force_n: FloatArray | None = None,
    critical_fret: IntArray | None = None,
    note_state: CodeArray | None = None,
    refused: BoolArray | None = None,
    theme: Theme = LIGHT,
) -> Drawing:
    """Return the map of the force from which every stopped string buzzes, as SVG.

    What is drawn is what `buzz_force_cells` holds; see there for the arrays. States go by the best
    estimate; of those that fail, `refused` tells which do so beyond the uncertainty.
    """
    cells = buzz_force_cells(
        specification,
        buzz_force_n,
        attack_n,
        touch_force_n=touch_force_n,
        critical_fret=critical_fret,
        note_state=note_state,
    )
    attack = np.asarray(attack_n, dtype=float)
    force = np.asarray(buzz_force_n, dtype=float)
    share = margin_share(force, attack)
    strings, columns = force.shape
    told = _buzz_force_summary(force, share, note_state, refused)
    if touch_force_n is not None:
        told += _touching_besides(np.asarray(touch_force_n), attack, share, note_state)
    chart = Chart(title, told)
    layout = CellLayout(columns, strings, 35.0, 0.0, chart.end_px)
    chart.add(
        *column_names(specification, layout, ["open", *map(str, range(1, columns))]),
        *string_names(specification, layout, second_row=[f"{a:.2f} N" for a in attack]),
        *drawn_cells(layout, cells, "stopped_fret"),
        *fret_lines(layout, nut_after=0),
    )
    chart.end_px = layout.end_px
    chart.note("Margin: buzz force over the player's attack (under each string's number):")
    for shade in (*RISK_RAMP, *([UNKNOWN] if bool(np.isnan(force).any()) else [])):
        key_shade(chart, shade)
    for mark, name in _MARKS:
        if note_state is not None or mark != "cross":
            key_mark(chart, mark, name)
    chart.legend()
    first = "" if critical_fret is None else ", and the fret that is touched first"
    counted = "" if note_state is None else _COUNTED
    chart.note(
        "In each cell, from the top: buzz force in N; margin in %, rounded down; the mark"
        f"{first}.{counted}"
    )
    chart.table(
        *("string", "stopped fret", "buzz force, N", "margin, %"),
        rows=(
            (cell.string, cell.column, float(force[at]), 100.0 * float(share[at]))
            for cell in cells
            for at in [(cell.string - 1, cell.column)]
        ),
    )
    return chart.drawn(theme)


def buzz_force_cells(
    specification: Specification,
    buzz_force_n: FloatArray,
    attack_n: FloatArray,
    *,
    touch_force_n: FloatArray | None = None,
    critical_fret: IntArray | None = None,
    note_state: CodeArray | None = None,
) -> tuple[Cell, ...]:
    """Return what the map of buzz forces shows in each cell, as data.

    By stopped fret 0..F-1 (0 = open), shape (K, F), negative where a string touches at rest, NaN
    where it is not known; margins are over the player's attack (K,). The fret that is touched first
    is shown where the margin is short, and the touch force is in the label of each cell. Marks
    follow the state of each note, `evenfall.requirement.State`; without it, the margin.
    ValueError for arrays of another shape, or a negative attack.
    """
    shape = (specification.string_count, specification.frets)
    force = np.asarray(buzz_force_n, dtype=float)
    attack = np.asarray(attack_n, dtype=float)
    if force.shape != shape or attack.shape != shape[:1]:
        raise ValueError(f"buzz_force_n must have shape {shape} and attack_n {shape[:1]}")
    named = {"critical_fret": critical_fret, "touch_force_n": touch_force_n}
    for name, beside in {**named, "note_state": note_state}.items():
        if beside is not None and np.shape(beside) != shape:
            raise ValueError(f"{name} must have shape {shape}")
    if not bool(np.all(attack >= 0.0)):
        raise ValueError("attack_n must not be negative")
    share = margin_share(force, attack)
    states = _states(share, note_state)
    return tuple(
        _buzz_force_cell(
            (k, i),
            force_n=float(force[k, i]),
            share=float(share[k, i]),
            state=int(states[k, i]),
            first_touched=None if critical_fret is None else int(critical_fret[k, i]),
            touch_n=None if touch_force_n is None else float(touch_force_n[k, i]),
        )
        for k in range(shape[0])
        for i in range(shape[1])
    )


def removal_map(
    specification: Specification, plan: Plan, *, unit: LengthUnit = "mm", theme: Theme = LIGHT
) -> Drawing:
    """Return the map of what comes off every crossing, with sums and lowest crowns, as SVG."""
    cells = removal_cells(specification, plan, unit=unit)
    removal, left = plan.removal_mm, plan.crown_height_after_mm
    minimum = specification.fretwire.least_crown_height_mm
    strings, columns = removal.shape
    title = titled(specification, plan.measurement.serial, f"metal to remove ({unit})")
    chart = Chart(title, *_removal_summary(plan, minimum, unit))
    layout = CellLayout(columns, strings, 17.0, 29.0, chart.end_px, first=1)
    chart.add(
        *column_names(
            specification,
            layout,
            [str(fret) for fret in range(1, columns + 1)],
            marked={fret - 1 for fret in plan.replaced_frets},
        ),
        *string_names(specification, layout),
        *drawn_cells(layout, cells, "fret"),
        *fret_lines(layout, nut_after=None),
        *_removal_footer(layout, removal, left, minimum, unit),
    )
    chart.end_px = layout.end_px
    chart.note("Removal as a share of the metal that may come off there:")
    for shade in METAL_RAMP:
        key_shade(chart, shade)
    if plan.replaced_frets:
        key_shade(chart, Shade(INK, PAPER, "new wire"))
    chart.legend()
    chart.note(
        "Below the strings: the sum over the strings, and the lowest crown of that fret after the "
        "work; underlined where it is at the least crown height."
    )
    chart.table(
        *("string", "fret", f"removal, {unit}", f"crown after the work, {unit}"),
        rows=(
            (
                k + 1,
                j + 1,
                in_unit(float(removal[k, j]), unit),
                in_unit(float(left[k, j]), unit),
            )
            for k in range(strings)
            for j in range(columns)
        ),
    )
    return chart.drawn(theme)


def removal_cells(
    specification: Specification, plan: Plan, *, unit: LengthUnit = "mm"
) -> tuple[Cell, ...]:
    """Return what the map of removal shows in each cell, as data."""
    return metal_cells(specification, plan.removal_mm, plan.crown_height_after_mm, unit=unit)


def metal_cells(
    specification: Specification,
    removal_mm: FloatArray,
    left_mm: FloatArray,
    *,
    unit: LengthUnit = "mm",
) -> tuple[Cell, ...]:
    """Return the same of removal and crown height left, both of shape (K, F) [mm]."""
    shape = (specification.string_count, specification.frets)
    if removal_mm.shape != shape or left_mm.shape != shape:
        raise ValueError(f"the plan is not for {shape[0]} strings and {shape[1]} frets")
    share = _life_share(removal_mm, left_mm, specification.fretwire.least_crown_height_mm)
    return tuple(
        _removal_cell((k, j), float(removal_mm[k, j]), float(share[k, j]), unit)
        for k in range(shape[0])
        for j in range(shape[1])
    )


# ---- buzz force -------------------------------------------------------------------------


def _states(share: FloatArray, note_state: CodeArray | None) -> CodeArray:
    """Return the state of each note; without it, whether the margin is under 100 %."""
    if note_state is not None:
        return np.asarray(note_state)
    short = np.where(share < 1.0 - SHARE_TOLERANCE, State.FAILS, State.HOLDS)
    return np.asarray(np.where(np.isnan(share), State.UNKNOWN, short), dtype=np.int8)


def _mark(state: int, share: float) -> Mark:
    """Return the mark of a state: none holds, a cross is as good as level frets, teeth fail."""
    if state == State.FAILS:
        return "teeth" if share < _FAR_SHARE - SHARE_TOLERANCE else "tooth"
    return "cross" if state == State.AS_GOOD else ""


@lru_cache(maxsize=4096)
def _buzz_force_cell(
    place: tuple[int, int],
    *,
    force_n: float,
    share: float,
    state: int,
    first_touched: int | None,
    touch_n: float | None,
) -> Cell:
    """Return the cell of a note: a move of a control leaves most as they were."""
    k, i = place
    figures = _force_text(force_n), _share_text(share)
    mark = _mark(state, share)
    note = _note(k + 1, i)
    beside = ""
    if first_touched is not None and share < _SHARE_SHOWING_FRET:
        beside = str(first_touched)
    if force_n <= 0.0:  # no pluck is needed
        label = f"{note}: lies on {f'fret {beside}' if beside else 'a fret'} at rest"
    else:
        label = f"{note}: buzzes from {figures[0]} N, margin {figures[1]} %"
        if touch_n is not None:
            label += f", touches from {_force_text(touch_n)} N"
        if beside:
            label += f", over fret {beside} first"
    if mark:
        label += f"; {dict(_MARKS)[mark]}"
    return Cell(k + 1, i, _risk(share), figures, label, mark, beside)


@lru_cache(maxsize=1024)
def _note(string: int, stopped_fret: int) -> str:
    """Return what a note is called: a drag asks for every note of a neck, twenty times a second."""
    return said("{note:stopped}", note=(string, stopped_fret)).capitalize()


def _risk(share: float) -> Shade:
    """Return the class of a share of the attack."""
    if math.isnan(share):
        return UNKNOWN
    for bound, shade in zip(RISK_SHARES, RISK_RAMP, strict=False):
        if share >= bound - SHARE_TOLERANCE and share > 0.0:
            return shade
    return RISK_RAMP[-1]


def _force_text(force_n: float) -> str:
    """Return a force with two decimals, fewer where it is large: three digits are enough.

    Under zero, where a string lies on a fret at rest, one decimal tells how far.
    """
    if not math.isfinite(force_n):
        return "–" if math.isnan(force_n) else "∞"
    two = -0.095 < force_n < 9.995
    digits = 2 if two else 1 if abs(force_n) < 99.95 else 0
    if abs(force_n) >= 9999.5:
        return ">9999" if force_n > 0 else "<−999"
    return number_text(force_n, digits)


def _share_text(share: float) -> str:
    """Return a share in %, rounded down so that the number never looks safer than its class."""
    if not math.isfinite(share):
        return "–" if math.isnan(share) else "∞"
    percent = whole_percent(share)
    if percent > 999:
        return ">999"
    return "<−99" if percent < -99 else number_text(percent, 0)


def _buzz_force_summary(
    force: FloatArray, share: FloatArray, note_state: CodeArray | None, refused: BoolArray | None
) -> str:
    known = np.isfinite(share)
    if not bool(known.any()):
        return "No buzz force is known."
    states = _states(share, note_state)
    short, good = (int(np.count_nonzero(states == state)) for state in (State.FAILS, State.AS_GOOD))
    k, i = np.unravel_index(int(np.argmin(np.where(known, share, np.inf))), share.shape)
    k2, i2 = np.unravel_index(int(np.argmax(np.where(known, share, -np.inf))), share.shape)
    told = said(
        "{short} of {count} positions {verb}{certain}{good}. "
        "Lowest margin: {least_share} % ({least} N), {least_note:stopped}. "
        "Highest: {most_share} % ({most} N), {most_note:stopped}.",
        short=short or "None",
        verb=sentence("{n:plural buzzes|buzz} below the player's attack", n=short or 1)
        if note_state is None
        else sentence("{n:plural fails|fail}", n=short or 1),
        certain=""
        if refused is None or short == int(refused.sum())
        else sentence(" by these readings, {n} for certain", n=int(refused.sum()) or "none"),
        good=sentence(_ALIKE, n=good) if good else "",
        count=int(np.count_nonzero(~np.isnan(share))),
        least=_force_text(force[k, i]),
        least_share=_share_text(share[k, i]),
        least_note=(int(k) + 1, int(i)),
        most=_force_text(force[k2, i2]),
        most_share=_share_text(share[k2, i2]),
        most_note=(int(k2) + 1, int(i2)),
    )
    return told.replace(">", "over ").replace("<", "under ")


_ALIKE = (
    "; {n} {n:plural buzzes as it|buzz as they} would over level frets: settings or a lighter "
    "attack {n:plural cures it|cure them}, filing does not"
)


def _touching_besides(
    touch_n: FloatArray, attack: FloatArray, share: FloatArray, note_state: CodeArray | None
) -> str:
    """Return what the touch force adds: how many that hold touch late, and the lowest margin."""
    touch = margin_share(touch_n, attack)
    if not bool(np.isfinite(touch).any()):
        return ""
    holds = _states(share, note_state) == State.HOLDS
    late = int(((touch < 1.0 - SHARE_TOLERANCE) & holds).sum())
    return (
        said(
            " {late} more {late:plural touches|touch} a fret lightly without buzzing; lowest touch "
            "margin {least} %."
            if late
            else " Lowest touch margin {least} %.",
            late=late,
            least=_share_text(float(np.min(touch, where=np.isfinite(touch), initial=np.inf))),
        )
        .replace(">", "over ")
        .replace("<", "under ")
    )


# ---- removal -----------------------------------------------------------------------------------


def _life_share(removal: FloatArray, left: FloatArray, minimum_mm: float) -> FloatArray:
    """Return removal as share of the metal over the least crown height; 1 where none was."""
    room = removal + left - minimum_mm
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(room > 0.0, removal / room, 1.0)
    return np.where(np.isnan(removal) | np.isnan(left), np.nan, np.where(removal > 0, share, 0.0))


@lru_cache(maxsize=4096)
def _removal_cell(
    place: tuple[int, int], removal_mm: float, share: float, unit: LengthUnit
) -> Cell:
    k, j = place
    where = f"String {k + 1}, fret {j + 1}"
    if _is_nothing(removal_mm, unit):
        return Cell(k + 1, j + 1, METAL_RAMP[0], (), f"{where}: nothing")
    label = said("{where}: {metal:length} off", unit, where=where, metal=removal_mm)
    return Cell(k + 1, j + 1, _metal(share), (_amount(removal_mm, unit),), label)


def _metal(share: float) -> Shade:
    """Return the class of a share of the metal that may come off; more than nothing."""
    if math.isnan(share):
        return UNKNOWN
    for bound, shade in zip(METAL_SHARES, METAL_RAMP[1:], strict=False):
        if share <= bound:
            return shade
    return METAL_RAMP[-1]


def _digits(unit: LengthUnit) -> int:
    return 4 if unit == "in" else 3


def _is_nothing(length_mm: float, unit: LengthUnit) -> bool:
    return not math.isnan(length_mm) and round(in_unit(length_mm, unit), _digits(unit)) == 0.0


def _amount(length_mm: float, unit: LengthUnit, *, coarser: int = 0) -> str:
    """Return a length without its unit, `coarser` by so many digits; inches without a leading zero.

    Inch values under one carry no leading zero on drawings (ASME Y14.5; from memory).
    """
    if not math.isfinite(length_mm):
        return "–"
    length = in_unit(length_mm, unit)
    long = abs(length) >= (1.0 if unit == "in" else 9.9995)
    digits = _digits(unit) - coarser - long
    shown = number_text(length, digits)
    return shown.removeprefix("0") if unit == "in" else shown


def _removal_footer(
    layout: CellLayout, removal: FloatArray, left: FloatArray, minimum_mm: float, unit: LengthUnit
) -> Iterator[str]:
    totals = removal.sum(axis=0)
    lowest = left.min(axis=0)
    columns: list[tuple[str, Callable[[int], float]]] = [
        ("sum", lambda j: float(totals[j])),
        ("lowest", lambda j: float(lowest[j])),
    ]
    wide = layout.cell_wide_px
    for band in layout.bands:
        x0, y0 = layout.corner(layout.strings, band[0])
        yield rect(x0, y0 + 2, len(band) * wide, 27, fill=WASH)
        for row, (name, value_of) in enumerate(columns):
            base = y0 + 12.5 + 13.0 * row
            yield text(3, base, name, size_px=9, ink=QUIET)
            for j in band:
                value_mm = value_of(j)
                middle = layout.corner(0, j)[0] + wide / 2
                if row == 0 and _is_nothing(value_mm, unit):
                    yield circle(middle, base - 3, 0.9, fill=QUIET)
                    continue
                shown = _amount(value_mm, unit, coarser=row if unit == "in" else 0)
                number = text(middle, base, shown, size_px=9, anchor="middle")
                fret = j + 1
                yield group([number], sum=fret) if row == 0 else group([number], lowest=fret)
                if row == 1 and value_mm - minimum_mm < 0.5 * 10.0 ** -_digits(unit):
                    half = min(wide / 2 - 2, text_width_px(shown, 9) / 2)
                    yield line(middle - half, base + 2, middle + half, base + 2, width_px=1.2)


def _removal_summary(plan: Plan, minimum_mm: float, unit: LengthUnit) -> list[str]:
    removal = plan.removal_mm
    left = plan.crown_height_after_mm
    k, j = np.unravel_index(int(np.nanargmax(removal)), removal.shape)
    k2, j2 = np.unravel_index(int(np.nanargmin(left)), left.shape)
    touched = [
        fret + 1
        for fret in range(removal.shape[1])
        if any(not _is_nothing(float(r), unit) for r in removal[:, fret])
    ]
    first = "No metal comes off."
    if touched:
        first = said(
            "Work on {worked} of {frets} frets, {metal:length} altogether; most at one crossing: "
            "{most:length} on string {string} at fret {fret}.",
            unit,
            worked=len(touched),
            frets=removal.shape[1],
            metal=float(np.nansum(removal)),
            most=float(removal[k, j]),
            string=int(k) + 1,
            fret=int(j) + 1,
        )
    second = said(
        "Lowest crown after the work: {lowest:length} on string {string} at fret {fret}; the "
        "specification asks for at least {least:length}.",
        unit,
        lowest=float(left[k2, j2]),
        string=int(k2) + 1,
        fret=int(j2) + 1,
        least=minimum_mm,
    )
    if not plan.replaced_frets:
        return [first, second]
    return [first, second, said("New wire on {frets:frets}.", frets=plan.replaced_frets)]
