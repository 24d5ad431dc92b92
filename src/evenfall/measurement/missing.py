"""Which heights are missing, in words: the same words wherever readings turn out to lack some."""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from evenfall.arrays import BoolArray, numbered
from evenfall.wording import Sentence, sentence

MOST_PLACES = 8
"""So many places are named in a sentence; of the others only the number is given."""


def missing_places(absent: BoolArray) -> Sentence:
    """Return which strings, shape (K,), or which frets under which strings, shape (K, F)."""
    if absent.all():
        return sentence("every string")
    if absent.ndim == 1:
        return sentence("{on:strings}", on=numbered(absent))
    frets_by_strings: dict[tuple[int, ...], list[int]] = defaultdict(list)
    for j in np.flatnonzero(absent.any(axis=0)).tolist():
        frets_by_strings[numbered(absent[:, j])].append(j + 1)
    every = tuple(range(1, len(absent) + 1))
    places = [
        sentence("{frets:frets}", frets=tuple(frets))
        if strings == every
        else sentence("{frets:frets} under {on:strings}", frets=tuple(frets), on=strings)
        for strings, frets in frets_by_strings.items()
    ]
    return first_of(places, "place")


def first_of(parts: list[Sentence], noun: str) -> Sentence:
    """Return the first of some places, and how many more there are."""
    shown = parts[:MOST_PLACES]
    more = len(parts) - MOST_PLACES
    if more > 0:
        shown.append(sentence("{n} more {noun}", n=more, noun=noun if more == 1 else noun + "s"))
    return sentence("{parts:phrases}", parts=tuple(shown))
