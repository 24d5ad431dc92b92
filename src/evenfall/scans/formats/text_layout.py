"""How a text file of numbers is laid out: delimiter, decimal sign, header, columns, units.

Told from its first lines alone. What they leave open is refused with the reason, never guessed:
a decimal comma taken for a delimiter, or a matrix of heights taken for points, would give numbers
that look right and are not.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from evenfall.errors import FormatMismatchError, UnsupportedError
from evenfall.scans.formats.scan import not_used, unit_named
from evenfall.scans.surface import UNITS_MM
from evenfall.wording import Sentence, sentence

MOST_HEADER_LINES = 400
"""Text before the first numbers; longer than this it is no header."""

SAMPLE_LINES = 60
"""Rows from which delimiter and decimal sign are told."""

MOST_UNNAMED_COLUMNS = 9
"""Points with normals and a colour have nine columns; more without a header are a matrix."""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_COMMA_NUMBER = re.compile(r"[+-]?(\d+,\d+|\d+)([eE][+-]?\d+)?")
MISSING_WORDS = frozenset(
    {"", "nan", "-nan", "+nan", "null", "none", "na", "n/a", "#n/a", "-", "--", "---", "***", "bad",
     "inf", "-inf", "+inf", "infinity", "-infinity"}
)  # fmt: skip
"""What files write where there is no reading."""

_COMMENT = ("#", "//", "%", "!")
_AXIS = re.compile(
    r"(?:(?:coord|coordinate|pos|position|point|axis|delta)[\W_]*)?([xyz])"
    r"(?:[\W_]*(?:coord|coordinate|pos|position|axis|value|wert))?(?![a-z0-9])[\W_]*(.*)"
)
_HEIGHT_WORDS = re.compile(r"(height|elevation|höhe|hoehe)(?![a-z])[\W_]*(.*)")
_UNIT_COMMENT = re.compile(
    r"(?:length[ _-]?units?|units?|einheit(?:en)?|unité|unita|unidad)\s*[:=]\s*(\S+)"
)
_KEYED = re.compile(
    r"^\W*([^\W\d][\w ./()-]{0,40}?)\s*[:=]\s*([+-]?[\d.,]+(?:[eE][+-]?\d+)?)\s*(\S*)"
)
_ACROSS_WORDS = frozenset({"width", "breite", "largeur", "ancho", "larghezza"})
_DOWN_WORDS = frozenset({"height", "höhe", "hoehe", "hauteur", "alto", "altezza"})
_VALUE_UNIT = re.compile(r"(?:value units?|z[ _-]?units?|werteinheit(?:en)?)\s*[:=]\s*(\S+)")


@dataclass(frozen=True, slots=True)
class TextLayout:
    """Layout of a text file of points or heights."""

    kind: Literal["points", "matrix"]  # points in columns, or a matrix of heights
    delimiter: str | None  # between cells; None for white space
    decimal_comma: bool  # whether numbers have a decimal comma
    skipped: int  # lines before the first row
    width: int  # columns there are
    columns: tuple[int, int, int] = (0, 1, 2)  # which columns hold x, y and z
    # unit of each of them, None where nothing says it
    units: tuple[str | None, str | None, str | None] = (None, None, None)
    # what to multiply each of them by to be in it
    factor: tuple[float, float, float] = (1.0, 1.0, 1.0)
    claimed: int | None = None  # number of rows that the file says it has; None if it does not
    left_out: tuple[Sentence, ...] = ()  # what is not read
    # width and height of a matrix in its units, where the file says them
    extent: tuple[str, str] | None = None
    why: Sentence = field(default_factory=lambda: sentence(""))  # what the layout was recognised by


def split_cells(line: str, delimiter: str | None) -> list[str]:
    """Return the trimmed cells of a line, quotation marks taken off."""
    cells = line.split() if delimiter is None else line.strip(" \r\n").split(delimiter)
    return [cell.strip().strip('"').strip() for cell in cells]


def layout_of(lines: Sequence[str], *, matrix: bool = False) -> TextLayout:
    """Return the layout that the first lines of a file show."""
    try:
        start, claimed = _first_row(lines)
    except FormatMismatchError:
        named = _beside_words(lines)
        if named is None:
            raise
        return named
    before = [line.strip().lstrip("\ufeff") for line in lines[:start]]
    rows = [line for line in lines[start : start + 4 * SAMPLE_LINES] if _is_row(line)]
    delimiter, comma, width = _delimiter(rows[:SAMPLE_LINES])
    if len(rows) > 1:  # the last line may be cut by the end of the sample, or by the disk's
        rows = rows[:-1]
    names, named_in = _header(before, delimiter, width)
    units, factors = _units(before, names, width)
    axes = {axis: at for at, (axis, _) in reversed(list(enumerate(names))) if axis}
    extent = None if axes else _extent(before)
    base = TextLayout("matrix", delimiter, comma, start, width, claimed=claimed, extent=extent)
    if matrix or (extent is not None and width > 1):
        return _matrix(base, before)
    if names and (axes or named_in == "header"):
        return _named(base, names, axes, (units, factors))
    if any(map(_length_after, before)):
        raise UnsupportedError(
            "The text before the numbers gives lengths ({line:quoted}) as a matrix of heights has "
            "them, not names of columns; give the distances of its columns and rows "
            "({door_scan_steps}), or name the columns x, y, z in the first row.",
            line=next(text for text in before if _length_after(text)).strip(),
        )
    return _unnamed(base, rows, (units, factors))


def _beside_words(lines: Sequence[str]) -> TextLayout | None:
    """Return the layout where a header names x, y and z and other columns hold words."""
    for at, line in enumerate(lines[:MOST_HEADER_LINES]):
        bare = line.strip().lstrip("\ufeff#/%! ")
        for delimiter in (";", "\t", "|", ",", None):
            names = [_axis(cell[:80]) for cell in split_cells(bare, delimiter)]
            axes = {axis: column for column, (axis, _) in enumerate(names) if axis}
            if len(axes) < 3 or len(names) != len({*axes.values()}) + sum(not a for a, _ in names):
                continue
            rows = [split_cells(row, delimiter) for row in lines[at + 1 : at + 9] if row.strip()]
            cells = [row[c] for row in rows if len(row) == len(names) for c in axes.values()]
            if len(cells) < 3 * max(1, len(rows) - 1):
                continue
            comma = not all(_is_number_or_missing(cell) for cell in cells)
            if comma and (delimiter == "," or not all(map(_COMMA_NUMBER.fullmatch, cells))):
                continue
            base = TextLayout("points", delimiter, comma, at + 1, len(names))
            units, factors = _units([text.strip() for text in lines[: at + 1]], names, len(names))
            return _named(base, names, axes, (units, factors))
    return None


def _first_row(lines: Sequence[str]) -> tuple[int, int | None]:
    """Return the number of the first row of numbers, and the count of rows announced before it."""
    claimed = None
    for at, line in enumerate(lines[:MOST_HEADER_LINES]):
        if not _is_row(line):
            continue
        cells = line.replace(";", " ").replace("\t", " ").split()
        following = [text for text in lines[at + 1 : at + 4] if text.strip()]
        if (
            len(cells) == 1
            and cells[0].isdigit()
            and following
            and all(_is_row(text) and len(re.split(r"[\s,;]+", text.strip())) > 1
                    for text in following[:-1] or following)
        ):  # fmt: skip
            claimed = int(cells[0])
            continue
        return at, claimed
    raise FormatMismatchError(
        "The file holds no rows of numbers; points are text with x, y and z in columns."
    )


def _is_row(line: str) -> bool:
    """Say whether a line holds numbers only, under any delimiter and decimal sign."""
    text = line.strip().lstrip("\ufeff")
    if not text or text.startswith(_COMMENT) or not any(c.isdigit() for c in text):
        return False
    cells = [c.strip('"') for c in re.split(r"[\s;|]+", text)]
    if all(_is_number_or_missing(part) for c in cells for part in c.split(",")):
        return True
    return all(_COMMA_NUMBER.fullmatch(c) or c.lower() in MISSING_WORDS for c in cells)


def _is_number_or_missing(cell: str) -> bool:
    return _NUMBER.fullmatch(cell) is not None or cell.lower() in MISSING_WORDS


def _delimiter(rows: Sequence[str]) -> tuple[str | None, bool, int]:
    """Return delimiter, whether numbers have a decimal comma, and the number of columns."""
    sample = rows[:-1] if len(rows) > 2 else rows
    best: tuple[int, int, str | None, bool, int] | None = None
    candidates: tuple[tuple[str | None, bool], ...] = (
        (";", False), ("\t", False), ("|", False), (",", False), (None, False),
        (";", True), ("\t", True), ("|", True), (None, True),
    )  # fmt: skip
    for rank, (delimiter, comma) in enumerate(candidates):
        widths: Counter[int] = Counter()
        for row in sample:
            cells = split_cells(row, delimiter)
            if comma:
                good = all(_COMMA_NUMBER.fullmatch(c) or c.lower() in MISSING_WORDS for c in cells)
            else:
                good = all(_is_number_or_missing(c) for c in cells)
            if good:
                while len(cells) > 1 and not cells[-1]:  # a delimiter at the end of each row
                    cells.pop()
                widths[len(cells)] += 1
        if not widths:
            continue
        width, count = widths.most_common(1)[0]
        if width == 1 and delimiter is not None:
            continue
        key = (count, -rank, delimiter, comma, width)
        if best is None or key[:2] > best[:2]:
            best = key
    if best is None:
        raise UnsupportedError(
            "The rows of numbers cannot be told apart into columns; separate the columns by commas "
            "and write numbers with a decimal point."
        )
    return best[2], best[3], best[4]


def _header(
    before: Sequence[str], delimiter: str | None, width: int
) -> tuple[list[tuple[str, str]], str]:
    """Return axis and rest of each column's name, and where they stood ("header", "comment")."""
    best: tuple[list[tuple[str, str]], str] = ([], "")
    for line in reversed([text for text in before if text]):
        comment = line.startswith(_COMMENT)
        bare = line.lstrip("#/%! \t") if comment else line
        for split in dict.fromkeys((delimiter, ",", ";", "\t", None)):
            cells = split_cells(bare, split)
            while len(cells) > 1 and not cells[-1]:
                cells.pop()
            names = [_axis(cell[:80]) for cell in cells]
            axes = [axis for axis, _ in names if axis]
            if len(cells) == width and len(set(axes)) >= 2 and len(axes) == len(set(axes)):
                return names, "comment" if comment else "header"
        if not comment and not best[1]:
            cells = split_cells(bare, delimiter)
            if len(cells) == width and all(unit_named(c) is None for c in cells) and all(cells):
                best = ([_axis(c[:80]) for c in cells], "header")
    return best


def _axis(cell: str) -> tuple[str, str]:
    """Return the axis that a column's name stands for (empty if none) and what follows it."""
    text = cell.strip().strip('"').lower()
    if match := _AXIS.fullmatch(text):
        return match[1], match[2]
    if match := _HEIGHT_WORDS.fullmatch(text):
        return "z", match[2]
    return "", text


def _units(
    before: Sequence[str], names: Sequence[tuple[str, str]], width: int
) -> tuple[list[str | None], list[float]]:
    """Return unit and factor of each column."""
    found: list[tuple[str, float] | None] = [None] * width
    for line in before:
        text = line.lower()
        if match := _UNIT_COMMENT.search(text):
            named = unit_named(match[1])
            if named:
                found = [named] * width
        words = [unit_named(w) for w in re.split(r"[\s,;|\t]+", text.lstrip("#/%! ")) if w]
        if len(words) in (width, 1, 2, 3) and words and all(words):
            found = (words * width)[:width]
    for at, (axis, rest) in enumerate(names):
        if axis and rest:
            word = re.sub(r"^\W*in\s+", "", rest)
            if named := unit_named(word.strip("_ /")):
                found[at] = named
    return [f[0] if f else None for f in found], [f[1] if f else 1.0 for f in found]


def _named(
    base: TextLayout,
    names: Sequence[tuple[str, str]],
    axes: dict[str, int],
    units: tuple[list[str | None], list[float]],
) -> TextLayout:
    """Return the layout of columns that a header names."""
    missing = tuple(axis for axis in "xyz" if axis not in axes)
    if not axes:
        raise FormatMismatchError(
            "The header names none of the columns that points need: x, y and z."
        )
    if missing:
        raise UnsupportedError(
            "The header names no column {missing:or}; points need the columns x, y and z. A line "
            "profile shows no whole board."
            if "z" in axes
            else "The header names no column {missing:or}; points need the columns x, y and z.",
            missing=missing,
        )
    columns = (axes["x"], axes["y"], axes["z"])
    unused = tuple(
        f"{axis} {rest}".strip() or f"column {at + 1}"
        for at, (axis, rest) in enumerate(names)
        if at not in columns
    )
    why = sentence("its header names x, y and z")
    return _points(base, columns, units, not_used(unused), why)


def _unnamed(
    base: TextLayout,
    rows: Sequence[str],
    units: tuple[list[str | None], list[float]],
) -> TextLayout:
    """Return the layout of columns without names: x y z first, then only what can be told."""
    width = base.width
    if width < 3:
        raise UnsupportedError(
            "The file holds one column of numbers; points need x, y and z in three columns."
            if width == 1
            else "The file holds two columns of numbers, a line profile; points need x, y and z in "
            "three columns."
        )
    if width > MOST_UNNAMED_COLUMNS:
        raise UnsupportedError(
            "The file holds {width} columns without names, as a matrix of heights has; say how "
            "far its columns and rows are apart ({door_scan_steps}).",
            width=width,
        )
    cells = [split_cells(row, base.delimiter) for row in rows]
    full = [row for row in cells if len(row) >= width]
    if base.delimiter == "," and width == 6 and not any("." in c for row in full for c in row[:6]):
        raise UnsupportedError(
            "Six columns of whole numbers between commas may be three with decimal commas; "
            "separate the columns by semicolons, or name them in the first row."
        )
    more = [_numbers(row[3:width], comma=base.decimal_comma) for row in full]
    what = _more_columns([m for m in more if m is not None])
    if width > 3 and not what:
        raise UnsupportedError(
            "The file holds {width} columns without names, and those after the third are neither "
            "a colour nor a direction; name the columns x, y, z in the first row, or give the "
            "distances of its columns and rows ({door_scan_steps}) if it is a matrix of heights.",
            width=width,
        )
    left_out = (sentence("Not used: {what}.", what=what),) if what else ()
    words = {3: "three", 4: "four"}.get(width, str(width))
    why = sentence(
        "text with {words} columns of numbers, the first three taken as x, y, z", words=words
    )
    return _points(base, (0, 1, 2), units, left_out, why)


def _numbers(cells: Sequence[str], *, comma: bool) -> list[float] | None:
    try:
        return [float(c.replace(",", ".") if comma else c) for c in cells]
    except ValueError:
        return None


def _more_columns(rows: Sequence[Sequence[float]]) -> str:
    """Return what the columns after x, y, z are, empty if that cannot be told."""
    if not rows or not rows[0]:
        return ""
    width = len(rows[0])

    def bytes_in(low: int, high: int) -> bool:
        return width >= high and all(
            0.0 <= v <= 255.0 and v == int(v) for row in rows for v in row[low:high]
        )

    def directions(low: int) -> bool:
        return width >= low + 3 and all(
            abs(sum(v * v for v in row[low : low + 3]) - 1.0) < 0.02 for row in rows
        )

    choices = {
        1: (("a fourth column", True),),
        3: (("a colour", bytes_in(0, 3)), ("a direction", directions(0))),
        4: (
            ("a colour and an intensity", bytes_in(0, 4) or bytes_in(1, 4)),
            ("a colour and one more column", bytes_in(0, 3)),
        ),
        6: (
            (
                "a colour and a direction",
                (bytes_in(0, 3) and directions(3)) or (directions(0) and bytes_in(3, 6)),
            ),
        ),
    }
    return next((what for what, true in choices.get(width, ()) if true), "")


def _points(
    base: TextLayout,
    columns: tuple[int, int, int],
    units: tuple[list[str | None], list[float]],
    left_out: tuple[Sentence, ...],
    why: Sentence,
) -> TextLayout:
    chosen = [units[0][c] for c in columns]
    factors = [units[1][c] for c in columns]
    known = {u for u in chosen if u}
    if len(known) > 1:  # mixed units: everything in mm
        factors = [f * UNITS_MM[u or "mm"] for f, u in zip(factors, chosen, strict=True)]
        chosen = ["mm"] * 3
    elif known:
        (one,) = known
        chosen = [one] * 3
    if base.decimal_comma:
        why = sentence("{why}, decimal commas", why=why)
    return replace(
        base,
        kind="points",
        columns=columns,
        units=(chosen[0], chosen[1], chosen[2]),
        factor=(factors[0], factors[1], factors[2]),
        left_out=left_out,
        extent=None,
        why=why,
    )


def _matrix(base: TextLayout, before: Sequence[str]) -> TextLayout:
    """Return the layout of a matrix of heights."""
    unit: tuple[str, float] | None = None
    for line in before:
        if match := _VALUE_UNIT.search(line.lower()):
            unit = unit_named(match[1])
    name, factor = unit or (None, 1.0)
    return TextLayout(
        "matrix", base.delimiter, base.decimal_comma, base.skipped, base.width,
        units=(None, None, name), factor=(1.0, 1.0, factor), extent=base.extent,
        why=sentence("text with a matrix of numbers and its width and height")
        if base.extent
        else sentence("text with a matrix of numbers"),
    )  # fmt: skip


def _extent(before: Sequence[str]) -> tuple[str, str] | None:
    """Return width and height with their units, if the text before the numbers gives both."""
    found: dict[str, str] = {}
    for line in before:
        if match := _KEYED.match(line):
            word = match[1].strip().lower()
            size = f"{match[2]} {match[3]}"
            if word in _ACROSS_WORDS:
                found["across"] = size
            elif word in _DOWN_WORDS:
                found["down"] = size
    return (found["across"], found["down"]) if len(found) == 2 else None


def _length_after(line: str) -> bool:
    match = _KEYED.match(line)
    return match is not None and unit_named(match[3]) is not None
