"""What a dossier is found by: words and numbers in its entries, each from its beginning."""

from __future__ import annotations

import re
from functools import lru_cache

from evenfall.names import folded
from evenfall.records.entries import Entry

_LAST = chr(0x10FFFF)
_LONGEST = 80
"""Keys stand in indexes. Archives hold them cut like this, and are verified by it."""
_NAMED: dict[str, tuple[str, ...]] = {
    "opened": ("name", "maker"),
    "alias": ("value",),
    "specification": ("content_hash",),
    "measurement": ("content_hash",),
    "plan": ("content_hash",),
    "proof": ("content_hash",),
    "fitted": ("name",),
}
"""Facts of each kind by which its dossier is found."""


def key_of(value: str) -> str:
    """Return the key of a whole value."""
    return folded(value)[:_LONGEST]


@lru_cache(4096)
def keys_of(value: str) -> frozenset[str]:
    """Return what a value is found by: the whole, each word or number in it, and 417 for 0417."""
    whole = key_of(value)
    parts = re.split(r"[\W_]+", whole)
    return frozenset(filter(None, (whole, *parts, *(part.lstrip("0") for part in parts))))


def labels_of(entry: Entry) -> set[str]:
    """Return the keys that an entry gives its dossier; none where its facts were withheld."""
    named = _NAMED.get(entry.kind)
    if named is None or entry.facts is None:
        return set()
    facts = entry.values
    keys = {key for name in named for key in keys_of(str(facts.get(name, "")))}
    if entry.kind == "opened" and facts["subject"] != "instrument":
        keys |= keys_of(f"{facts['subject']} {facts['name']}")
    return keys


def words_of(text: str) -> list[str]:
    """Return the words that somebody looks for, without the signs around them."""
    words = (re.sub(r"^[\W_]+|[\W_]+$", "", word) for word in key_of(text).split())
    return [word for word in words if word]


def span_of(prefix: str) -> tuple[str, str]:
    """Return the bounds between which every key lies that begins with a text."""
    return prefix, prefix + _LAST
