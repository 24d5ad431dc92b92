"""Small pieces of English that the bench sheet is put together from."""

from __future__ import annotations

import unicodedata
from itertools import pairwise
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

_UNSEEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


def plain_line(text: str) -> str:
    """Return text as one line that can be printed: no control or direction marks.

    Parameters
    ----------
    text
        Whatever a file or a person gave.
    """
    seen = "".join(" " if unicodedata.category(c) in _UNSEEN else c for c in text)
    return " ".join(seen.split())


def numbered(count: int, noun: str) -> str:
    """Return "1 fret", "3 frets".

    Parameters
    ----------
    count
        How many.
    noun
        Of what, in the singular.
    """
    return f"{count} {noun}" + ("" if count == 1 else "s")


def listed(noun: str, numbers: Sequence[int]) -> str:
    """Return "fret 3", "frets 3 and 7", "frets 2–5, 8 and 11".

    Parameters
    ----------
    noun
        What the numbers count, in the singular.
    numbers
        Rising whole numbers, at least one.
    """
    runs: list[list[int]] = [[numbers[0]]]
    for before, number in pairwise(numbers):
        if number == before + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    parts: list[str] = []
    for run in runs:
        if len(run) > 2:
            parts.append(f"{run[0]}–{run[-1]}")
        else:
            parts.extend(str(n) for n in run)
    text = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
    return f"{noun}{'' if len(numbers) == 1 else 's'} {text}"
