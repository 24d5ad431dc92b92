"""Frozen data: equal by content, with a plain form for JSON, there and back."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, Field, fields
from typing import Any, ClassVar, Self

import numpy as np

from evenfall.arrays import read_only
from evenfall.codec.forms import REFUSED, Form, Plain, dimension_of, forms
from evenfall.codec.parsing import kind_and_version
from evenfall.codec.reading import Fault, near, read_value
from evenfall.errors import At, Finding, FormatMismatchError, UnsupportedError
from evenfall.units import LengthUnit
from evenfall.wording import LIBRARY_WORDS, Sentence, say, sentence

PRINTED_LIMIT = 500_000
"""Findings printed beside the content of a file are far shorter [characters]."""


class Content:
    """Data that nobody can change, equal and hashed by what it holds.

    A subclass is made by `content_dataclass`; `DERIVED` gives the forms of properties that are
    written too, for readers without this program.
    """

    __slots__ = ()
    __dataclass_fields__: ClassVar[dict[str, Field[Any]]]
    DERIVED: ClassVar[Mapping[str, Form]] = {}

    def __post_init__(self) -> None:
        sizes: dict[str, int] = {}
        for name, form in forms(type(self)).items():
            if form.array is not None:
                value = read_only(np.asarray(getattr(self, name), dtype=form.array))
                _check_shape(name, form, value.shape, sizes)
                object.__setattr__(self, name, value)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, type(self)) or not isinstance(self, type(other)):
            return NotImplemented
        return all(
            same(getattr(self, f.name), getattr(other, f.name)) for f in fields(self) if f.compare
        )

    def __hash__(self) -> int:
        kept = (getattr(self, f.name) for f in fields(self) if f.compare)
        return hash((type(self).__name__, *map(_hashable, kept)))

    def as_dict(self) -> Plain:
        """Return plain values for JSON."""
        return _written(self, derived=True)

    def check(self) -> None:
        """Refuse with a `ValueError` what no file of this kind can hold; asked when it is read."""

    @classmethod
    def from_dict(cls, values: object) -> Self:
        """Return the object that `as_dict` wrote; `BrokenFileError` where it did not."""
        try:
            return cls.read_part(values, "", {})
        except Fault as fault:
            raise fault.error("object", sentence("make it again")) from None

    @classmethod
    def read_part(cls, given: object, place: str, sizes: dict[str, int]) -> Self:
        """Return the object that stands at a place in a file; `Fault` where it cannot be one."""
        return cls._read(given, place, sizes, ())

    @classmethod
    def _read(cls, given: object, place: str, sizes: dict[str, int], head: Sequence[str]) -> Self:
        """Return the object, other keys than those of `head` refused."""
        if not isinstance(given, Mapping):
            raise Fault(place, "an object with keys must stand here")
        here = f"{place}." if place else ""
        values: dict[str, Any] = {}
        wanted = forms(cls)
        for key in given:
            if key not in wanted and key not in cls.DERIVED and key not in head:
                raise Fault(place, "the key {key:quoted} is not known", key=str(key))
        for name, form in wanted.items():
            if name in given:
                values[name] = read_value(form, given[name], here + name, sizes)
            elif not form.later:
                raise Fault(here + name, "this key is missing")
        try:
            made = cls(**values)
            made.check()
        except ValueError as error:  # what the class itself asks of its values
            raise Fault(place, "{cause}", cause=str(error)) from None
        for name, form in cls.DERIVED.items():
            if name not in given:
                if form.later:
                    continue
                raise Fault(here + name, "this key is missing")
            if not near(plain(getattr(made, name)), given[name]):
                raise Fault(here + name, "it does not follow from the other values")
        return made


class FileContent(Content):
    """The content of one kind of file: with a schema, a version and a hash of its own.

    A file of version 1 or later is read by every later program. Version 0 was never released, and
    no program reads it.
    """

    __slots__ = ("_kept_hash",)
    _kept_hash: str  # none before it is asked for
    KIND: ClassVar[str]
    VERSION: ClassVar[int]
    AGAIN: ClassVar[Sentence]
    PRINTED: ClassVar[Sequence[str]] = ()
    """Keys that a door prints beside the content; a file may hold them, and they are not read."""

    @classmethod
    def schema(cls) -> str:
        """Return what the file names as its schema."""
        return f"evenfall/{cls.KIND}@{cls.VERSION}"

    @property
    def content_hash(self) -> str:
        """SHA-256 of the content."""
        if not hasattr(self, "_kept_hash"):
            object.__setattr__(self, "_kept_hash", content_hash(_written(self, derived=False)))
        return self._kept_hash

    @property
    def code(self) -> str:
        """Ten characters that find this file again, printed on paper."""
        return self.content_hash[:10].upper()

    def as_dict(self) -> Plain:
        """Return plain values for JSON, with schema and content hash."""
        head = {"schema": self.schema(), "content_hash": self.content_hash}
        return head | _written(self, derived=True)

    @classmethod
    def from_dict(cls, values: object) -> Self:
        """Return the object that `as_dict` wrote.

        Parameters
        ----------
        values
            The parsed JSON object, see `parse_json`.

        Raises
        ------
        FormatMismatchError
            This is another kind of file, or none of ours.
        UnsupportedError
            It has a version that this program does not read.
        BrokenFileError
            Something in it is missing, unknown, impossible or was changed by hand.
        """
        kind, version = kind_and_version(values)
        if kind != cls.KIND or not isinstance(values, Mapping):
            raise FormatMismatchError(
                "This is not a {kind} file: its schema must be {wanted}, and it says {given}.",
                at=At(field="schema"),
                kind=cls.KIND,
                wanted=cls.schema(),
                given=f"evenfall/{kind}" if kind else sentence("nothing of that kind"),
            )
        if version != cls.VERSION:
            raise UnsupportedError(
                "This {kind} file has version {given}, and this program reads version {wanted}; "
                "{again}.",
                at=At(field="schema"),
                kind=cls.KIND,
                given=version,
                wanted=cls.VERSION,
                again=cls.AGAIN,
            )
        try:
            for key in values.keys() & set(cls.PRINTED):
                if len(json.dumps(values[key])) > PRINTED_LIMIT:
                    raise Fault(key, "this is more than is ever printed beside the content")
            return cls._read(values, "", {}, ("schema", "content_hash", *cls.PRINTED))
        except Fault as fault:
            raise fault.error(cls.KIND, cls.AGAIN) from None

    @classmethod
    def rehashed(cls, values: object) -> Self:
        """Return what a file holds after a name in it was replaced, its hash made again."""
        try:
            return super()._read(values, "", {}, ("schema", "content_hash", *cls.PRINTED))
        except Fault as fault:
            raise fault.error(cls.KIND, cls.AGAIN) from None

    @classmethod
    def read_part(cls, given: object, place: str, sizes: dict[str, int]) -> Self:
        """Return a file that stands inside another one; `Fault` where it cannot be one."""
        return cls._read(given, place, sizes, ("schema", "content_hash"))

    @classmethod
    def _read(cls, given: object, place: str, sizes: dict[str, int], head: Sequence[str]) -> Self:
        made = super()._read(given, place, sizes, head)
        head_given = given if isinstance(given, Mapping) else {}
        here = f"{place}." if place else ""
        if head_given.get("schema") != cls.schema():
            raise Fault(here + "schema", "{schema} must stand here", schema=cls.schema())
        if head_given.get("content_hash") != made.content_hash:
            raise Fault(
                here + "content_hash",
                "it does not match its own content hash, so it was changed after it was written",
            )
        return made


def content_hash(content: Mapping[str, Any]) -> str:
    """Return the SHA-256 of plain JSON content, independent of key order and spacing."""
    words = json.dumps(content, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(words.encode()).hexdigest()


def same(one: Any, other: Any) -> bool:
    """Say whether two values are the same content, NaN the same as NaN."""
    if isinstance(one, np.ndarray) or isinstance(other, np.ndarray):
        real = np.asarray(one).dtype.kind == "f"
        return bool(np.array_equal(one, other, equal_nan=real))
    if isinstance(one, tuple) and isinstance(other, tuple):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, float) and isinstance(other, float) and math.isnan(one):
        return math.isnan(other)
    return bool(one == other)


def _hashable(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return value.shape, _hashable(tuple(value.ravel().tolist()))
    if isinstance(value, tuple):
        return tuple(map(_hashable, value))
    return None if isinstance(value, float) and math.isnan(value) else value


def _check_shape(name: str, form: Form, shape: tuple[int, ...], sizes: dict[str, int]) -> None:
    if len(shape) != len(form.shape):
        raise ValueError(f"{name} must have the shape ({', '.join(form.shape)})")
    for dimension, count in zip(form.shape, shape, strict=True):
        letter, more = dimension_of(dimension)
        if letter != "*" and sizes.setdefault(letter, count - more) != count - more:
            raise ValueError(f"{name} must have the shape ({', '.join(form.shape)})")


def plain(value: Any) -> Any:  # noqa: PLR0911  (one answer for each kind of value)
    """Return any data as plain values for JSON: null for what is not finite, lists for arrays.

    Parameters
    ----------
    value
        A number, text, array, sentence, finding, dataclass, or a tuple, list or mapping of them.

    Examples
    --------
    >>> plain((1, math.inf, np.array([0.5, np.nan])))
    [1, None, [0.5, None]]
    """
    if type(value) is float:  # most values by far
        return value + 0.0 if math.isfinite(value) else None  # no negative zero
    if value is None or isinstance(value, str | int):
        return value
    if isinstance(value, Content):
        return value.as_dict()
    if isinstance(value, Finding):
        return _plain_finding(value)
    if isinstance(value, Sentence | At):
        return value.as_dict()
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, Mapping):
        return {str(key): plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [plain(inner) for inner in value]
    if hasattr(value, "__dataclass_fields__"):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    return value


def with_words(
    values: Plain, unit: LengthUnit = "mm", door: Mapping[str, str] = LIBRARY_WORDS
) -> Plain:
    """Return plain values in which every finding and sentence also reads in words.

    What is added stands under `sentence`; it is for those who read what is printed, and is not read
    again from a file.

    Parameters
    ----------
    values
        Plain values, as `plain` gives them.
    unit
        Unit of every length in the words.
    door
        Words of the door that speaks, see `evenfall.wording`.

    Examples
    --------
    >>> step = sentence("Fret {fret} stands {step:length} high.", fret=11, step=0.059)
    >>> with_words({"why": plain(step)})["why"]["sentence"]
    'Fret 11 stands 0.059 mm high.'
    """
    return {key: _worded(inner, unit, door) for key, inner in values.items()}


def _worded(values: Any, unit: LengthUnit, door: Mapping[str, str]) -> Any:
    if isinstance(values, list):
        return [_worded(one, unit, door) for one in values]
    if not isinstance(values, Mapping):
        return values
    if {"text", "values"} <= set(values):
        return {**values, "sentence": say(sentence_of(values), unit, door)}
    return with_words(dict(values), unit, door)


def sentence_of(given: Any) -> Any:
    """Return the sentence that plain values hold; of anything else what it is in a sentence."""
    if isinstance(given, list):
        return tuple(map(sentence_of, given))
    if not isinstance(given, Mapping):
        return given
    values = given["values"].items()
    return Sentence(given["text"], {key: sentence_of(inner) for key, inner in values})


def _plain_finding(value: Finding) -> Plain:
    place = {"code": value.code, "severity": value.severity, "at": value.at.as_dict()}
    return place | value.said.as_dict()


def _written(value: Content, *, derived: bool) -> Plain:
    """Return the fields of an object, and what is derived from them, as plain values."""
    result: Plain = {}
    for name, form in forms(type(value)).items():
        inner = getattr(value, name)
        if form.later and same(inner, _default(type(value), name)):
            continue
        result[name] = _plain_field(name, form, inner, derived=derived)
    if derived:
        for name, form in value.DERIVED.items():
            result[name] = _plain_field(name, form, getattr(value, name), derived=True)
    return result


def _plain_field(name: str, form: Form, value: Any, *, derived: bool) -> Any:
    if form.kind == "part" and value is not None and not derived:
        return [_hashed_part(one) for one in value] if form.shape else _hashed_part(value)
    if form.kind == "number" and not _meant(value, form.null):
        raise ValueError(f"{name} holds a number that its file has no word for")
    return plain(value)


def _hashed_part(value: Content) -> Plain:
    """Return a part as its owner's hash sees it: a file within a file by its own hash."""
    if isinstance(value, FileContent):
        return {"content_hash": value.content_hash}
    return _written(value, derived=False)


def _meant(value: Any, null: Any) -> bool:
    """Say whether every number that is not finite is what null stands for."""
    if value is None or null is None:
        return value is None or bool(np.isfinite(value).all())
    odd = np.asarray(value, dtype=float)
    odd = odd[~np.isfinite(odd)]
    if null is REFUSED or not odd.size:
        return not odd.size
    return bool(np.array_equal(odd, np.full(odd.shape, null), equal_nan=True))


def _default(of: type[Content], name: str) -> Any:
    default = of.__dataclass_fields__[name].default
    return REFUSED if default is MISSING else default
