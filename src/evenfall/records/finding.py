"""Dossiers found while somebody types: every word begins one of their labels.

The rarest word leads: its labels are gone through in order, a few at a time, and the dossiers of
each few are asked for the other words. How rare a word is shows in its first labels: how many there
are, and, of words that have more than are counted, whether they differ (as numbers do) or are one
word that many share.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, and_, func, select

from evenfall.records.labels import span_of
from evenfall.records.tables import LABEL

_COUNTED = 3000  # labels by which words are compared, at most
_TRIED = 3000  # labels of the leading word, before all of every word are compared at once


def find(connection: Connection, words: Sequence[str], limit: int) -> tuple[str, ...]:
    """Return the dossiers in which every word begins a label, in the order of the rarest word's."""
    if not words:
        return ()
    lead, *others = set(words)
    if others:
        lead, *others = sorted(set(words), key=lambda word: _breadth(connection, word))
    found: dict[str, None] = {}
    after, chunk, tried = ("", ""), (6 if others else 3) * limit, 0
    while len(found) < limit:
        if others and tried >= _TRIED:
            return _compared_at_once(connection, lead, others, limit)
        rows = connection.execute(_labels_of(lead, after).limit(chunk)).all()
        fresh = list(dict.fromkeys(row.dossier for row in rows if row.dossier not in found))
        for word in others:
            fresh = _with(connection, fresh, word)
        found.update(dict.fromkeys(fresh))
        if len(rows) < chunk:
            break
        after, tried = (rows[-1].key, rows[-1].dossier), tried + len(rows)
    return tuple(found)[:limit]


def beginning(connection: Connection, text: str) -> tuple[str, ...]:
    """Return all dossiers with a label that begins with a text, in the order of the labels."""
    low, high = span_of(text)
    wanted = select(LABEL.c.dossier).where(LABEL.c.key >= low, LABEL.c.key < high)
    return tuple(dict.fromkeys(connection.execute(wanted.order_by(LABEL.c.key)).scalars()))


def _breadth(connection: Connection, word: str) -> tuple[int, int, int]:
    """Return what sorts words from rare to common."""
    low, high = span_of(word)
    first = select(LABEL.c.key).where(LABEL.c.key >= low, LABEL.c.key < high)
    some = first.order_by(LABEL.c.key).limit(_COUNTED).subquery()
    wanted = select(func.count(), func.count(some.c.key.distinct())).select_from(some)
    count, different = connection.execute(wanted).one()
    return count, -different, -len(word)


def _labels_of(word: str, after: tuple[str, str]) -> Any:
    low, high = span_of(word)
    conditions = [LABEL.c.key >= max(low, after[0]), LABEL.c.key < high]
    if after[0]:
        conditions.append(
            (LABEL.c.key > after[0]) | and_(LABEL.c.key == after[0], LABEL.c.dossier > after[1])
        )
    wanted = select(LABEL.c.key, LABEL.c.dossier).where(*conditions)
    return wanted.order_by(LABEL.c.key, LABEL.c.dossier)


def _with(connection: Connection, dossiers: Sequence[str], word: str) -> list[str]:
    """Return which of some dossiers have a label that begins with a word."""
    low, high = span_of(word)
    there = select(LABEL.c.dossier).where(
        LABEL.c.dossier.in_(dossiers), LABEL.c.key >= low, LABEL.c.key < high
    )
    having = set(connection.execute(there).scalars()) if dossiers else set()
    return [dossier for dossier in dossiers if dossier in having]


def _compared_at_once(
    connection: Connection, lead: str, others: Sequence[str], limit: int
) -> tuple[str, ...]:
    """Return the same where hardly any dossier of a common word has the other words too."""
    low, high = span_of(lead)
    conditions = [LABEL.c.key >= low, LABEL.c.key < high]
    for word in others:
        other = LABEL.alias()
        begins, ends = span_of(word)
        having = select(other.c.dossier).where(other.c.key >= begins, other.c.key < ends)
        conditions.append(LABEL.c.dossier.in_(having))
    nearest = func.min(LABEL.c.key)
    wanted = select(LABEL.c.dossier).where(*conditions).group_by(LABEL.c.dossier)
    rows = connection.execute(wanted.order_by(nearest, LABEL.c.dossier).limit(limit))
    return tuple(rows.scalars())
