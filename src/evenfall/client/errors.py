"""Errors that a server answered, raised here as if they had come up here."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields
from typing import Any

from evenfall.codec.content import sentence_of
from evenfall.errors import At, Cancelled, EvenfallError, Finding, FindingsError, RequestError


def error_of(given: Mapping[str, Any]) -> EvenfallError:
    """Return the error that a server answered."""
    kinds = {kind.__dict__.get("code", ""): kind for kind in _kinds(EvenfallError)}
    kind = kinds.get(str(given.get("code")), RequestError)
    at = _place(given.get("at"))
    if kind is Cancelled:
        return Cancelled()
    if issubclass(kind, FindingsError):
        return kind([_finding(one) for one in given.get("findings", [])], at=at)
    return kind(sentence_of({"values": {}, "text": "", **given}), at=at)


def _kinds(of: type[EvenfallError]) -> Iterator[type[EvenfallError]]:
    for kind in of.__subclasses__():
        if kind.__module__ == EvenfallError.__module__:
            yield kind
            yield from _kinds(kind)


def _place(given: object) -> At:
    known = {f.name for f in fields(At)}
    values = given if isinstance(given, Mapping) else {}
    told: dict[str, Any] = {
        key: tuple(one) if isinstance(one, list) else one
        for key, one in values.items()
        if key in known
    }
    return At(**told)


def _finding(given: Mapping[str, Any]) -> Finding:
    said = sentence_of(given)
    made = Finding(given["code"], said.text, _place(given.get("at")), given["severity"])
    made.said = said
    return made
