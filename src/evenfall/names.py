"""When two names or numbers are one: as a label, a sheet and an archive may spell it."""

from __future__ import annotations

import unicodedata

_LONGEST = 80


def normal(text: str) -> str:
    """Return a text as it is compared: without case, accents of width, and spare space."""
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())[:_LONGEST]


def same_name(name: str, *others: str) -> bool:
    """Say whether a name is one of others, as names are compared."""
    return normal(name) in {normal(other) for other in others if other}


def of_two(serial: str, other: str) -> bool:
    """Say whether serial numbers are of two instruments; one that is not given may be any."""
    return bool(serial and other) and not same_name(serial, other)
