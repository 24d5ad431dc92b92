"""What a study is: a table of figures over many seeded necks, some with a limit to keep.

A figure carries its standard error. Where a limit is claimed for it, the limit is what the full
study has to keep; a smaller run is held to the limit widened by standard errors.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

STANDARD_ERRORS = 3.0
"""By so many a small run's limits are widened: one figure in 740 misses them by chance."""

Told = Callable[[str, float], None]
"""Progress: what is being done, and the share of it that is done."""


@dataclass(frozen=True)
class Figure:
    """One number of a table, with what it has to keep."""

    value: float
    standard_error: float
    shown: str
    at_most: float = math.inf
    at_least: float = -math.inf

    @property
    def limit(self) -> str:
        """The limit in words; empty if there is none."""
        if math.isfinite(self.at_most) and math.isfinite(self.at_least):
            return f"{self.at_least:g} to {self.at_most:g}"
        if math.isfinite(self.at_most):
            return f"at most {self.at_most:g}"
        return f"at least {self.at_least:g}" if math.isfinite(self.at_least) else ""

    def keeps(self, standard_errors: float = 0.0) -> bool:
        """Whether the limit is kept, widened by so many standard errors."""
        room = 1e-12 + (standard_errors * self.standard_error if standard_errors else 0.0)
        if math.isnan(self.value):  # nothing to say about: no neck of this sort was drawn
            return True
        return self.at_least - room <= self.value <= self.at_most + room


def share(hits: int, of: int, *, at_most: float = math.inf, at_least: float = -math.inf) -> Figure:
    """Return a share in percent; limits in percent too."""
    if not of:
        return Figure(math.nan, math.nan, "-", at_most, at_least)
    percent = 100.0 * hits / of
    # of the limit where there is one: at it the question is decided
    limits = [value for value in (at_most, at_least) if math.isfinite(value)]
    p = min(max((limits or [percent])[0] / 100.0, 0.5 / of), 1.0 - 0.5 / of)
    error = 100.0 * math.sqrt(p * (1.0 - p) / of)
    return Figure(percent, error, f"{percent:.1f} % ({hits} of {of})", at_most, at_least)


def mean(
    values: Iterable[float],
    digits: int = 2,
    *,
    at_most: float = math.inf,
    at_least: float = -math.inf,
) -> Figure:
    """Return a mean."""
    given = np.array([value for value in values if not math.isnan(value)])
    if not len(given):
        return Figure(math.nan, math.nan, "-", at_most, at_least)
    middle = float(given.mean())
    error = float(given.std(ddof=1) / math.sqrt(len(given))) if len(given) > 1 else math.inf
    return Figure(middle, error, f"{middle:.{digits}f}", at_most, at_least)


def number(
    value: float,
    digits: int = 2,
    *,
    standard_error: float = 0.0,
    at_most: float = math.inf,
    at_least: float = -math.inf,
) -> Figure:
    """Return a figure that is neither a share nor a mean."""
    shown = "-" if math.isnan(value) else f"{value:.{digits}f}"
    return Figure(value, standard_error, shown, at_most, at_least)


@dataclass(frozen=True)
class Row:
    """One row: what it is about, and its figures by column."""

    about: str
    figures: dict[str, Figure]


@dataclass(frozen=True)
class Study:
    """A question, answered by a table.

    Parameters
    ----------
    name
        Word on the command line.
    title, words
        Heading of the page, and what was done and how to read the table.
    count
        Necks (or draws) per row of the full study.
    tested
        Necks (or draws) per row that the tests run: enough to see a limit missed by far.
    run
        Seed, count and progress in, rows out.
    """

    name: str
    title: str
    words: str
    count: int
    tested: int
    run: Callable[[int, int, Told], Iterator[Row] | Sequence[Row]]


def chances(seed: int, count: int, *about: int) -> Iterator[np.random.Generator]:
    """Yield a random generator for each neck; neck n of a seed is the same in every run."""
    for index in range(count):
        yield np.random.default_rng([seed, index, *about])


def broken(rows: Iterable[Row], standard_errors: float = 0.0) -> list[str]:
    """Return every figure that does not keep its limit, in words."""
    return [
        f"{row.about}, {column}: {figure.shown}, {figure.limit}"
        for row in rows
        for column, figure in row.figures.items()
        if not figure.keeps(standard_errors)
    ]


def table(rows: Sequence[Row]) -> str:
    """Return the rows as a Markdown table; limits in a row of their own, broken ones in bold."""
    columns = list(dict.fromkeys(column for row in rows for column in row.figures))

    def cell(figure: Figure | None) -> str:
        if figure is None:
            return ""
        return figure.shown if figure.keeps() else f"**{figure.shown}**"

    def limits(column: str) -> str:
        found = [row.figures[column].limit for row in rows if column in row.figures]
        return ", ".join(dict.fromkeys(limit for limit in found if limit))

    lines = ["| | " + " | ".join(columns) + " |", "| --- |" + " --- |" * len(columns)]
    lines += [
        f"| {row.about} | " + " | ".join(cell(row.figures.get(column)) for column in columns) + " |"
        for row in rows
    ]
    if any(limits(column) for column in columns):
        lines.append("| limit | " + " | ".join(limits(column) for column in columns) + " |")
    return "\n".join(lines) + "\n"
