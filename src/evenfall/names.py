"""When two names or numbers are one, as a label, a sheet or an archive may spell it."""

from __future__ import annotations

import unicodedata

_HYPHEN = "\u2010"
"""Printed for the hyphen of a keyboard; NFKC makes the one that never breaks (U+2011) into it."""


def folded(text: str) -> str:
    """Return a text without case, variants of width (NFKC) and spare space."""
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())


def normal(text: str) -> str:
    """Return a text as it is compared: folded, and with one hyphen."""
    return folded(text).replace(_HYPHEN, "-")


def same_name(name: str, *others: str) -> bool:
    """Say whether a name is one of others, as names are compared."""
    return normal(name) in {normal(other) for other in others if other}


def of_two(serial: str, other: str) -> bool:
    """Say whether serial numbers are of two instruments; one that is not given may be any."""
    given = {normal(serial), normal(other)} - {""}
    return len(given) > 1
