"""Names and numbers as a label, a sheet or an archive may spell them: when two are one."""

from __future__ import annotations

import unicodedata

from evenfall.errors import At, RequestError

_LONGEST = 200
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


def check_line(field_name: str, given: str, most: int = _LONGEST) -> None:
    """Refuse a number or name that no list could show."""
    if len(given) > most or not given.isprintable():
        raise RequestError(
            "Numbers and names are one line of at most {most} printable characters; shorten "
            "this one.",
            at=At(field=field_name),
            most=most,
        )
