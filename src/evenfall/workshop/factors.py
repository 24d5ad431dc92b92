"""The use case "causes": which recorded factors move a quantity."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from evenfall.codec import plain
from evenfall.errors import At, Finding, Progress, RequestError, silent
from evenfall.pictures.inks import Theme
from evenfall.production.causes import Causes, fitted_causes
from evenfall.production.factors import FEW_LEVELS, NOT_RECORDED, Factor, check_names, factors_of
from evenfall.sheets.cells import plain_name
from evenfall.sheets.tidy import TidyTable
from evenfall.units import LengthUnit, read_number
from evenfall.workshop.archive_readings import Filed
from evenfall.workshop.quality import ReadingsOutcome, ReadingsRequest, factor_of

_RECORDED = 0.8
"""A number that fewer of the readings have is not asked unless it is named."""
_UNITS = {"humidity": " %", "temperature": " °C"}
"""Of what an archive keeps beside each reading."""
_EACH_ITS_OWN = 0.5
"""A column with more levels than this share of the readings names single readings."""


@dataclass(frozen=True, slots=True)
class CausesRequest(ReadingsRequest):
    """Of which factors it is asked whether they move a quantity.

    Parameters
    ----------
    factors
        Columns to ask; by default all that are no name of single readings.
    random
        Columns whose levels are drawn from many of their kind, such as batches of wire; they are
        asked as well.
    levels
        Columns of numbers that are names, such as stations 1 to 20.
    """

    factors: tuple[str, ...] = ()
    random: tuple[str, ...] = ()
    levels: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CausesOutcome(ReadingsOutcome):
    """Which factors move a quantity."""

    made: Causes
    about: str  # which of the readings it is of
    missing: tuple[Finding, ...]  # which factors nothing can be said of, and why

    @property
    def findings_of_result(self) -> tuple[Finding, ...]:
        """The factors first, then those that are missing, then how far to trust it."""
        asked = len(self.made.effects)
        findings = self.made.findings
        return (*findings[:asked], *self.missing, *findings[asked:])

    def values(self) -> dict[str, Any]:
        """Return the result as plain values; the readings stay in their sheet."""
        made = self.made
        return {
            "schema": "evenfall/causes@0",
            "about": self.about,
            "quantity": made.quantity,
            "unit": made.unit,
            "count": made.count,
            "used_count": made.used_count,
            "standard_deviation": made.sigma_level,
            "rest": made.rest_level,
            "rest_share": made.rest_share,
            "effects": plain(made.effects),
            "together": plain(made.sorted_out),
        }

    def told(self) -> dict[str, Any]:
        """Return what a page says of it beside the picture, as plain values."""
        return {
            "findings": plain(self.findings),
            "missing_count": len(self.missing),
            "effects": [
                {"factor": one.factor, "verdict": one.verdict, "share": one.variance_share}
                for one in self.made.effects
            ],
        }

    def drawings(self, unit: LengthUnit, theme: Theme) -> dict[str, Callable[[], str]]:
        """Return what draws the effects with their confidence limits."""
        from evenfall.pictures.causes import causes_picture

        return {
            "causes": lambda: causes_picture(self.made, about=self.about, unit=unit, theme=theme)
        }


def causes(request: CausesRequest, progress: Progress = silent) -> CausesOutcome:
    r"""Find out which recorded factors move a quantity.

    Parameters
    ----------
    request
        The readings and the factors.
    progress
        Told what is being done and how far it is, 0 to 1; it may stop the work.

    Returns
    -------
    CausesOutcome
        The effect of each factor with confidence limits, and what cannot be told apart.

    Raises
    ------
    RequestError, ReadingsError
        The readings cannot be used, or are too few for the factors.
    UnsupportedError
        There are random factors and statsmodels is not installed.

    Examples
    --------
    >>> from evenfall.workshop import Source
    >>> levels = [0.2 + 0.01 * (n % 5) + 0.1 * (n % 2) for n in range(40)]
    >>> rows = "".join(f"{v:.2f},mm,{'AB'[n % 2]}\n" for n, v in enumerate(levels))
    >>> request = CausesRequest(Source("relief.csv", b"value,unit,station\n" + rows.encode()))
    >>> made = causes(request).made
    >>> made.effects[0].verdict, round(made.effects[0].effect_level, 3)
    ('moves', 0.1)
    """
    progress("Reading", 0.0)
    table = request.read()
    columns, unasked = _columns(table, request)
    factors = factors_of(
        columns,
        random=tuple(_shown(name) for name in request.random),
        levels=tuple(_shown(name) for name in request.levels),
    )
    if isinstance(request.source, Filed):
        factors = [_with_unit(factor) for factor in factors]
    values = np.array(table.value)
    missing = np.zeros(len(values), dtype=bool)
    for factor in factors:
        if not factor.levels:
            missing |= ~np.isfinite(factor.values)
    findings = table.findings
    if missing.any():
        kept = np.flatnonzero(~missing)
        if not len(kept):
            raise RequestError(
                "On every row one of the numbers is missing; ask fewer factors.",
                at=At(field="factor"),
            )
        values, factors = values[kept], [factor.taken(kept) for factor in factors]
        text = "{count:count row} without a number in a column of numbers {count:plural is|are} "
        text += "left out."
        fewer = Finding("causes", text, severity="note", count=int(missing.sum()))
        findings = (*findings, fewer)
    progress("Modelling", 0.4)
    made = fitted_causes(table.quantity, table.unit, values, factors, progress)
    findings = (*_repeats(table, columns), *findings)
    left_out = (*unasked, *_constant(factors))
    return CausesOutcome(table.inch, findings, made, request.about, left_out)


def _shown(name: str) -> str:
    """Return the name of a column as people read it."""
    return plain_name(name).replace("_", " ")


def _columns(
    table: TidyTable, request: CausesRequest
) -> tuple[dict[str, Sequence[str]], tuple[Finding, ...]]:
    """Return the columns that are asked, and what is to be said of one that is not."""
    check_names([plain_name(name) for name in request.levels], tuple(table.factors))
    names: Sequence[str] = request.factors
    seldom: list[str] = []
    if not names:
        only = {plain_name(name) for name in request.only}
        most = max(_EACH_ITS_OWN * len(table.value), 2.0)
        names = [
            name
            for name, column in table.factors.items()
            if name not in ("serial", "dossier", "document")
            and name not in only
            and not _names_readings(column, most)
        ]
        if isinstance(request.source, Filed):
            names.append("shift")
        seldom = [name for name in names if _seldom_numbers(table.factors.get(name, ()))]
        names = [name for name in names if name not in seldom]
    asked = (*names, *request.random)
    columns = {_shown(name): _column(table, name, request.shift_hours) for name in asked}
    if not seldom:
        return columns, ()
    text = (
        "{names:list} {names:plural is|are} not asked, for too few of the readings have a figure "
        "of {names:plural it|them}; asked by name, the readings without one are left out."
    )
    named = [_shown(name) for name in seldom]
    return columns, (Finding("causes", text, severity="note", names=named),)


def _column(table: TidyTable, name: str, hours: Sequence[int]) -> Sequence[str]:
    """Return a column, or what follows from the times; a shift is named by when it begins."""
    column = factor_of(table, name, hours)
    if name == "shift" and name not in table.factors:
        return [text.rpartition(" ")[2] for text in column]
    return column


def _with_unit(factor: Factor) -> Factor:
    """Return a factor of an archive with the unit that it is filed in."""
    unit = _UNITS.get(factor.name, "")
    levels = tuple(one if one == NOT_RECORDED else f"{one}{unit}" for one in factor.levels)
    return replace(factor, unit=unit, levels=levels)


def _seldom_numbers(column: Sequence[str]) -> bool:
    """Say whether a column of numbers has none in more than a fifth of its rows, but in some."""
    written = [text for text in column if text]
    few = 0 < len(written) < _RECORDED * len(column)
    return few and len(set(written)) > FEW_LEVELS and all(map(_is_number, set(written)))


def _is_number(text: str) -> bool:
    try:
        read_number(text)
    except ValueError:
        return False
    return True


def _constant(factors: Sequence[Factor]) -> Iterator[Finding]:
    """Say of which factors nothing can be said, for they do not change."""
    still = [factor for factor in factors if not factor.freedom_count]
    nowhere = [one.name for one in still if one.levels == (NOT_RECORDED,)]
    same = [one.name for one in still if one.name not in nowhere]
    text = "{names:list} {names:plural is|are} recorded with none of these readings."
    if nowhere:
        yield Finding("causes", text, severity="note", names=nowhere)
    text = (
        "{names:list} {names:plural is|are} the same on every reading, so nothing shows what "
        "{names:plural it does|they do}."
    )
    if same:
        yield Finding("causes", text, severity="note", names=same)


def _names_readings(column: Sequence[str], most: float) -> bool:
    """Say whether a column of words names single readings."""
    different = set(column)
    return len(different) > most and not all(
        one[:1].isdigit() or one[:1] in "+-." for one in different if one
    )


def _repeats(table: TidyTable, columns: dict[str, Sequence[str]]) -> tuple[Finding, ...]:
    """Say that instruments were read several times, where the model does not know of it."""
    serials = table.factors.get("serial", ())
    count = len(set(serials))
    if {"serial", "dossier"} & set(columns) or not 1 < count < 0.9 * len(serials):
        return ()
    return (
        Finding(
            "together",
            "{count} instruments were read {times:.1f} times each on average, and readings of one "
            "are alike. The model takes them for readings of as many instruments, so its limits "
            "are too narrow: choose one reading of each.",
            count=count,
            times=len(serials) / count,
        ),
    )
