"""Frozen data and its plain form for JSON: there and back in one way, from the fields themselves.

A class of `Content` says in the metadata of each field what the file may hold there: a `Form`, made
by `number`, `whole`, `truth`, `text`, `choice`, `spoken`, `finding` or `part`. From the forms come
what is written, what is accepted, the JSON Schema and the tables of the reference page. Arrays are
read-only; two objects are equal, and hash alike, where their content is.

A shape names its dimensions: K strings, F frets, `F+2` two more; `*` is any number. Within one file
K and F stand for one number each.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import MISSING, Field, dataclass, fields
from string import Formatter
from typing import Any, ClassVar, Literal, NoReturn, Self, TypeVar

import numpy as np

from evenfall.arrays import read_only
from evenfall.errors import (
    FINDING_CODES,
    At,
    BrokenFileError,
    Finding,
    FormatMismatchError,
    UnsupportedError,
)
from evenfall.units import LengthUnit
from evenfall.wording import LIBRARY_WORDS, Sentence, counted, say, sentence

JSON_LIMIT_BYTES = 16_000_000
"""No file of ours comes near this; what is larger is refused before it is parsed."""

SIZES: Mapping[str, tuple[int, int]] = {"K": (3, 12), "F": (5, 36), "*": (0, 5000)}
"""How few and how many of each dimension a file may hold."""

REFUSED = object()
"""What `null` stands for where it may not stand."""

NAN = float("nan")
LONGEST_TEXT = 2000
_DEEPEST = 6

Kind = Literal["number", "whole", "truth", "text", "choice", "sentence", "finding", "part"]
Plain = dict[str, Any]
Some = TypeVar("Some", bound="Content")


@dataclass(frozen=True, slots=True)
class Form:
    """What a file may hold in one place.

    Parameters
    ----------
    kind
        What a single value is.
    meaning
        What it is, for the reference page: with its unit where the name does not end in it.
    low_bound, high_bound
        Range of a number, both ends included; of a text, its length.
    null
        What `null` stands for: NaN (not known), an infinity (no limit), None (there is none).
    shape
        Names of the dimensions, outermost first.
    array
        Type of the numbers of an array; None for tuples and single values.
    choices
        The values that may stand there.
    pattern
        Regular expression that a text matches as a whole.
    of
        Class of a part.
    later
        Whether the field came after its file's version was frozen. A file leaves it out where it
        has its default, so that older files keep their hash.
    """

    kind: Kind
    meaning: str = ""
    low_bound: float = -math.inf
    high_bound: float = math.inf
    null: Any = REFUSED
    shape: tuple[str, ...] = ()
    array: Any = None
    choices: tuple[Any, ...] = ()
    pattern: str = ""
    of: Any = None
    later: bool = False


def _dimensions(shape: str) -> tuple[str, ...]:
    return tuple(shape.split())


def number(
    low_bound: float,
    high_bound: float,
    meaning: str,
    shape: str = "",
    *,
    null: Any = REFUSED,
    **more: Any,
) -> dict[str, Form]:
    """Return the metadata of a number, or of an array of them."""
    dims = _dimensions(shape)
    array = np.float64 if dims else None
    return {"form": Form("number", meaning, low_bound, high_bound, null, dims, array, **more)}


def whole(
    low: int, high: int, meaning: str, shape: str = "", *, null: Any = REFUSED, **more: Any
) -> dict[str, Form]:
    """Return the metadata of a whole number, a tuple or (with `array`) an array of them."""
    return {"form": Form("whole", meaning, low, high, null, _dimensions(shape), **more)}


def truth(meaning: str, **more: Any) -> dict[str, Form]:
    """Return the metadata of something that is true or false."""
    return {"form": Form("truth", meaning, **more)}


def text(meaning: str, shape: str = "", *, longest: int = LONGEST_TEXT, **more: Any) -> Plain:
    """Return the metadata of a text, or of a tuple of them."""
    return {"form": Form("text", meaning, 0, longest, shape=_dimensions(shape), **more)}


def choice(choices: Iterable[Any], meaning: str, shape: str = "", **more: Any) -> dict[str, Form]:
    """Return the metadata of one of several words or numbers, or of tuples of them."""
    shape_ = _dimensions(shape)
    return {"form": Form("choice", meaning, shape=shape_, choices=tuple(choices), **more)}


def spoken(meaning: str, shape: str = "", *, null: Any = REFUSED, **more: Any) -> dict[str, Form]:
    """Return the metadata of a `Sentence`, or of a tuple of them."""
    return {"form": Form("sentence", meaning, null=null, shape=_dimensions(shape), **more)}


def finding(meaning: str, shape: str = "*", **more: Any) -> dict[str, Form]:
    """Return the metadata of a tuple of findings."""
    return {"form": Form("finding", meaning, shape=_dimensions(shape), **more)}


def part(
    of: Any, meaning: str, shape: str = "", *, null: Any = REFUSED, **more: Any
) -> dict[str, Form]:
    """Return the metadata of an object of another class, or of a tuple of them."""
    return {"form": Form("part", meaning, null=null, shape=_dimensions(shape), of=of, **more)}


def derived(**metadata: dict[str, Form]) -> dict[str, Form]:
    """Return forms for `Content.DERIVED` from the metadata of each name."""
    return {name: made["form"] for name, made in metadata.items()}


def hash_text(meaning: str) -> dict[str, Form]:
    """Return the metadata of a content hash."""
    return text(meaning, longest=64, pattern="[0-9a-f]{64}")


# ---- data -------------------------------------------------------------------------------------


class Content:
    """Data that nobody can change, equal and hashed by what it holds.

    A subclass is a dataclass with `frozen=True, slots=True, eq=False`; `DERIVED` gives the forms of
    properties that are written too, for readers without this program.
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
            _same(getattr(self, f.name), getattr(other, f.name)) for f in fields(self) if f.compare
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
            return _object(cls, values, "", {})
        except _Fault as fault:
            raise fault.error("object", sentence("make it again")) from None


class FileContent(Content):
    """The content of one kind of file: with a schema, a version and a hash of its own.

    Version 0 is not supported: it may change without notice, and a file of it is read by the same
    version of the program only.
    """

    __slots__ = ()
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
        return content_hash(_written(self, derived=False))

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
            return _file_object(cls, values, "", {}, printed=cls.PRINTED)
        except _Fault as fault:
            raise fault.error(cls.KIND, cls.AGAIN) from None


def forms(of: type[Content]) -> dict[str, Form]:
    """Return the forms of a class by field; a field without one is not written."""
    return {f.name: f.metadata["form"] for f in fields(of) if "form" in f.metadata}


def content_hash(content: Mapping[str, Any]) -> str:
    """Return the SHA-256 of plain JSON content, independent of key order and spacing."""
    words = json.dumps(content, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(words.encode()).hexdigest()


def _same(one: Any, other: Any) -> bool:
    if isinstance(one, np.ndarray) or isinstance(other, np.ndarray):
        real = np.asarray(one).dtype.kind == "f"
        return bool(np.array_equal(one, other, equal_nan=real))
    if isinstance(one, tuple) and isinstance(other, tuple):
        return len(one) == len(other) and all(map(_same, one, other))
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
        letter, more = _letter(dimension)
        if letter != "*" and sizes.setdefault(letter, count - more) != count - more:
            raise ValueError(f"{name} must have the shape ({', '.join(form.shape)})")


def _letter(dimension: str) -> tuple[str, int]:
    letter, _, more = dimension.partition("+")
    return letter, int(more or 0)


# ---- data to plain values ---------------------------------------------------------------------


def plain(value: Any) -> Any:  # noqa: PLR0911  (one answer for each kind of value)
    """Return any data as plain values for JSON: null for what is not finite, lists for arrays."""
    if isinstance(value, Content):
        return value.as_dict()
    if isinstance(value, Finding):
        return _plain_finding(value)
    if isinstance(value, Sentence | At):
        return value.as_dict()
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, float):
        return value + 0.0 if math.isfinite(value) else None  # no negative zero
    if isinstance(value, Mapping):
        return {str(key): plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [plain(inner) for inner in value]
    if hasattr(value, "__dataclass_fields__"):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    return value


def with_words(
    values: Any, unit: LengthUnit = "mm", door: Mapping[str, str] = LIBRARY_WORDS
) -> Any:
    """Return plain values in which every finding and sentence also reads in words.

    What is added stands under `sentence`, in a unit and in the words of a door; it is for those who
    read what is printed, and is not read again from a file.
    """
    if isinstance(values, list):
        return [with_words(one, unit, door) for one in values]
    if not isinstance(values, Mapping):
        return values
    if {"text", "values"} <= set(values):
        return {**values, "sentence": say(_from_plain(values), unit, door)}
    return {key: with_words(inner, unit, door) for key, inner in values.items()}


def _from_plain(given: Any) -> Any:
    if isinstance(given, list):
        return tuple(map(_from_plain, given))
    if not isinstance(given, Mapping):
        return given
    values = given["values"].items()
    return Sentence(given["text"], {key: _from_plain(inner) for key, inner in values})


def _plain_finding(value: Finding) -> Plain:
    place = {"code": value.code, "severity": value.severity, "at": value.at.as_dict()}
    return place | value.said.as_dict()


def _written(value: Content, *, derived: bool) -> Plain:
    """Return the fields of an object, and what is derived from them, as plain values."""
    result: Plain = {}
    for name, form in forms(type(value)).items():
        inner = getattr(value, name)
        if form.later and _same(inner, _default(type(value), name)):
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


# ---- plain values to data ---------------------------------------------------------------------


class _Fault(Exception):  # noqa: N818  (it never leaves this module)
    """Something in a file that cannot be so."""

    def __init__(self, place: str, text: str, **values: Any) -> None:
        super().__init__(text)
        self.place, self.cause = place, Sentence(text, values)

    def error(self, kind: str, again: Sentence) -> BrokenFileError:
        """Return the refusal of the whole file."""
        return BrokenFileError(
            "The {kind} file is damaged: {cause}; {again}.",
            at=At(field=self.place),
            kind=kind,
            cause=self.cause,
            again=again,
        )


def _object(
    of: type[Some], given: object, place: str, sizes: dict[str, int], head: Sequence[str] = ()
) -> Some:
    if not isinstance(given, Mapping):
        raise _Fault(place, "an object with keys must stand here")
    here = f"{place}." if place else ""
    values: dict[str, Any] = {}
    wanted = forms(of)
    for key in given:
        if key not in wanted and key not in of.DERIVED and key not in head:
            raise _Fault(place, "the key {key:quoted} is not known", key=str(key))
    for name, form in wanted.items():
        if name in given:
            values[name] = _value(form, given[name], here + name, sizes)
        elif not form.later:
            raise _Fault(here + name, "this key is missing")
    try:
        made = of(**values)
        made.check()
    except ValueError as error:  # what the class itself asks of its values
        raise _Fault(place, "{cause}", cause=str(error)) from None
    for name in of.DERIVED:
        if name not in given:
            raise _Fault(here + name, "this key is missing")
        if not _near(plain(getattr(made, name)), given[name]):
            raise _Fault(here + name, "it does not follow from the other values")
    return made


def _file_object(
    of: type[Some],
    given: object,
    place: str,
    sizes: dict[str, int],
    printed: Sequence[str] = (),
) -> Some:
    """Return the content of a file, which may stand inside another one."""
    made = _object(of, given, place, sizes, ("schema", "content_hash", *printed))
    assert isinstance(made, FileContent)  # noqa: S101  (only files come here)
    assert isinstance(given, Mapping)  # noqa: S101
    here = f"{place}." if place else ""
    if given.get("schema") != made.schema():
        raise _Fault(here + "schema", "{schema} must stand here", schema=made.schema())
    if given.get("content_hash") != made.content_hash:
        raise _Fault(
            here + "content_hash",
            "it does not match its own content hash, so it was changed after it was written",
        )
    return made


def _value(form: Form, given: Any, place: str, sizes: dict[str, int]) -> Any:
    if form.shape and form.array is not None:
        return _array(form, given, place, sizes)
    if form.shape:
        return _tuple(form, form.shape, given, place, sizes)
    if given is None:
        if form.null is REFUSED:
            raise _Fault(place, "null has no meaning here")
        return form.null
    return _READERS[form.kind](form, given, place, sizes)


def _listed(given: Any, dimension: str, place: str, sizes: dict[str, int]) -> list[Any]:
    """Return a list that is as long as its dimension asks for."""
    if not isinstance(given, list):
        raise _Fault(place, "a list must stand here")
    letter, more = _letter(dimension)
    low, high = SIZES[letter]
    count = len(given) - more
    wanted = count if letter == "*" else sizes.setdefault(letter, count)
    if count != wanted or not low <= count <= high:
        wrong = counted(len(given), "value")
        raise _Fault(place, "a list of {wrong} cannot stand here", wrong=wrong)
    return given


def _array(form: Form, given: Any, place: str, sizes: dict[str, int]) -> Any:
    flat = [given]
    lengths: list[int] = []
    for dimension in form.shape:
        rows = [_listed(one, dimension, place, sizes) for one in flat]
        lengths.append(len(rows[0]) if rows else 0)
        if any(len(row) != lengths[-1] for row in rows):
            raise _Fault(place, "the rows must be equally long")
        flat = [one for row in rows for one in row]
    numbers = [_value_of_number(form, one, place) for one in flat]
    return np.array(numbers, dtype=form.array).reshape(lengths)


def _tuple(
    form: Form, shape: tuple[str, ...], given: Any, place: str, sizes: dict[str, int]
) -> tuple[Any, ...]:
    values = _listed(given, shape[0], place, sizes)
    if shape[1:]:
        return tuple(
            _tuple(form, shape[1:], one, f"{place}[{at}]", sizes) for at, one in enumerate(values)
        )
    read = _READERS[form.kind]
    return tuple(read(form, one, f"{place}[{at}]", sizes) for at, one in enumerate(values))


def _value_of_number(form: Form, given: Any, place: str) -> float:
    if given is None and form.null is not REFUSED:
        return float(form.null)
    if type(given) is not int and (form.kind == "whole" or type(given) is not float):
        noun = "a whole number" if form.kind == "whole" else "a number"
        raise _Fault(place, "{noun} must stand here", noun=noun)
    if not form.low_bound <= given <= form.high_bound:
        low, high = f"{form.low_bound:g}", f"{form.high_bound:g}"
        raise _Fault(
            place, "it cannot be {given:g}, only {low} to {high}", given=given, low=low, high=high
        )
    return given if form.kind == "whole" else float(given)


def _number(form: Form, given: Any, place: str, _sizes: object) -> float:
    return _value_of_number(form, given, place)


def _truth(_form: Form, given: Any, place: str, _sizes: object) -> bool:
    if not isinstance(given, bool):
        raise _Fault(place, "true or false must stand here")
    return given


def _text(form: Form, given: Any, place: str, _sizes: object) -> str:
    if not isinstance(given, str):
        raise _Fault(place, "a text must stand here")
    if len(given) > form.high_bound:
        most = int(form.high_bound)
        raise _Fault(place, "the text is longer than {most} characters", most=most)
    if any("\ud800" <= letter <= "\udfff" for letter in given):
        raise _Fault(place, "the text holds half a character")
    if form.pattern and not re.fullmatch(form.pattern, given):
        raise _Fault(place, "it cannot be {given:quoted}", given=given)
    return given


def _choice(form: Form, given: Any, place: str, _sizes: object) -> Any:
    for one in form.choices:
        if type(one) is type(given) and one == given:
            return one
    raise _Fault(
        place,
        "it must be one of {choices:or}",
        choices=tuple(str(one) or '""' for one in form.choices),
    )


_PLACE = re.compile(
    r"(length|figure)\+?|uncertainty|force|tension|percent(\.1)?|share|cents|strings|frets|numbers"
    r"|list|or|sentences|phrases|quoted|count [a-z -]{1,40}|plural [^{}|]{1,60}\|[^{}|]{1,60}"
    r"|\+?(\.\d)?[dfg]?"
)
"""Forms that a place in a sentence from a file may have."""


def _sentence(_form: Form, given: Any, place: str, _sizes: object, depth: int = 0) -> Sentence:
    """Return a sentence that can be said, and whose places ask for nothing unreasonable."""
    if not isinstance(given, Mapping) or set(given) - {"sentence"} != {"text", "values"}:
        raise _Fault(place, "a sentence must stand here: text and values")
    words = _text(_TEXT, given["text"], f"{place}.text", {})
    values = given["values"]
    if not isinstance(values, Mapping) or len(values) > 50 or depth > _DEEPEST:
        raise _Fault(place, "the values of a sentence must stand here")
    made = Sentence(
        words, {str(key): _place(one, f"{place}.values", depth) for key, one in values.items()}
    )
    try:
        places_ok = all(
            _PLACE.fullmatch(form or "") for _, name, form, _ in Formatter().parse(words) if name
        )
        say(made)
    except (KeyError, IndexError, ValueError, TypeError):
        places_ok = False
    if not places_ok:
        raise _Fault(place, "the sentence does not fit its values")
    return made


def _place(given: Any, place: str, depth: int) -> Any:
    """Return one value of a sentence."""
    if given is None or isinstance(given, bool):
        return given
    if isinstance(given, str):
        return _text(_TEXT, given, place, {})
    if isinstance(given, int | float):
        return given if isinstance(given, int) else _value_of_number(_ANY_NUMBER, given, place)
    if isinstance(given, list) and depth <= _DEEPEST:
        return tuple(_place(one, place, depth + 1) for one in _listed(given, "*", place, {}))
    return _sentence(_TEXT, given, place, {}, depth + 1)


def _finding(_form: Form, given: Any, place: str, _sizes: object) -> Finding:
    wanted = {"code", "severity", "at", "text", "values"}
    if not isinstance(given, Mapping) or set(given) - {"sentence"} != wanted:
        raise _Fault(place, "a finding must stand here: code, severity, at, text and values")
    if given["code"] not in FINDING_CODES or given["severity"] not in ("error", "warning", "note"):
        raise _Fault(place, "the code or severity is not known")
    words = _sentence(_TEXT, {key: given[key] for key in ("text", "values")}, place, {})
    at = _at(given["at"], f"{place}.at")
    if not words.values.keys().isdisjoint(("code", "text", "at", "severity", "self")):
        raise _Fault(place, "the sentence does not fit its values")
    return Finding(given["code"], words.text, at, given["severity"], **words.values)


def _at(given: Any, place: str) -> At:
    known = {f.name: f.default for f in fields(At)}
    if not isinstance(given, Mapping) or set(given) - set(known):
        raise _Fault(place, "a place must stand here")
    values: dict[str, Any] = {}
    for key, value in given.items():
        form = _NUMBERS if isinstance(known[key], tuple) else _TEXT
        if known[key] is None:
            form = _COUNT
        values[key] = _value(form, value, f"{place}.{key}", {})
    return At(**values)


def _part(form: Form, given: Any, place: str, sizes: dict[str, int]) -> Any:
    read = _file_object if issubclass(form.of, FileContent) else _object
    return read(form.of, given, place, sizes)


_READERS = {
    "number": _number,
    "whole": _number,
    "truth": _truth,
    "text": _text,
    "choice": _choice,
    "sentence": _sentence,
    "finding": _finding,
    "part": _part,
}
_TEXT = Form("text", high_bound=LONGEST_TEXT)
_COUNT = Form("whole", low_bound=0, high_bound=10**9)
_NUMBERS = Form("whole", low_bound=0, high_bound=10**9, shape=("*",))
_ANY_NUMBER = Form("number", low_bound=-1e12, high_bound=1e12)


def _near(made: Any, given: Any) -> bool:
    """Say whether plain values are the same, numbers to within the rounding of another machine."""
    if isinstance(made, list) and isinstance(given, list):
        return len(made) == len(given) and all(map(_near, made, given))
    if isinstance(made, float) and isinstance(given, int | float):
        return math.isclose(made, given, rel_tol=1e-9, abs_tol=1e-12)
    return type(made) is type(given) and bool(made == given)


# ---- JSON -------------------------------------------------------------------------------------


def kind_and_version(values: object) -> tuple[str, int]:
    """Return the kind and version that a parsed JSON object names; "" and -1 if it names none."""
    schema = values.get("schema") if isinstance(values, Mapping) else None
    named = schema if isinstance(schema, str) else ""
    found = re.fullmatch(r"evenfall/([a-z]{1,20})@(\d{1,6})", named)
    return (found[1], int(found[2])) if found else ("", -1)


def parse_json(data: bytes, *, name: str = "") -> Any:
    """Return the plain values of JSON that may come from anybody.

    Parameters
    ----------
    data
        The whole file, UTF-8.
    name
        Name of the file, for messages.

    Raises
    ------
    UnsupportedError
        It is larger than any file of ours.
    FormatMismatchError
        This is no JSON object.
    BrokenFileError
        It is one, but damaged, too deep, with a number too long or a key that stands twice.
    """
    at = At(file=name)
    if len(data) > JSON_LIMIT_BYTES:
        raise UnsupportedError(
            "The file is larger than {limit} MB, more than any file of this kind holds; check "
            "that it is the right one.",
            at=at,
            limit=JSON_LIMIT_BYTES // 1_000_000,
        )
    start = data.removeprefix(b"\xef\xbb\xbf")
    if start.lstrip()[:1] != b"{":
        raise FormatMismatchError("This is not a JSON file; check its name.", at=at)
    try:
        return json.loads(
            start.decode("utf-8"),
            object_pairs_hook=_once,
            parse_constant=_no_constant,
            parse_float=_float,
            parse_int=_int,
        )
    except RecursionError:
        cause = sentence("it is nested too deeply")
    except UnicodeDecodeError:
        cause = sentence("it is not UTF-8")
    except json.JSONDecodeError as error:
        cause = sentence(
            "line {line}, column {column} cannot be read", line=error.lineno, column=error.colno
        )
    except _Fault as fault:
        cause = fault.cause
    raise BrokenFileError(
        "The JSON is damaged: {cause}. Export or copy the file again.", at=at, cause=cause
    )


def _once(pairs: list[tuple[str, Any]]) -> Plain:
    made = dict(pairs)
    if len(made) < len(pairs):
        seen: set[str] = set()
        for key, _ in pairs:
            if key in seen:
                raise _Fault("", "the key {key:quoted} stands twice", key=key)
            seen.add(key)
    return made


def _no_constant(word: str) -> NoReturn:
    raise _Fault("", "{word} is not JSON", word=word)


def _float(digits: str) -> float:
    value = float(digits) if len(digits) <= 400 else math.inf
    if abs(value) > 1e300:
        raise _Fault("", "the number {digits:quoted} is too large", digits=digits)
    return value


def _int(digits: str) -> int | float:
    return int(digits) if len(digits) <= 15 else _float(digits)


# ---- what the forms say of themselves -----------------------------------------------------------


def json_schema(of: type[FileContent], printed: Mapping[str, Any] | None = None) -> Plain:
    """Return the JSON Schema (draft 2020-12) of one kind of file.

    Parameters
    ----------
    of
        Its class.
    printed
        Schemas of what a door prints beside the content, by key.
    """
    parts: Plain = dict(_FIXED)
    body = _schema_of(of, parts)
    body["properties"] |= printed or {}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": of.schema(),
        **body,
        "$defs": dict(sorted(parts.items())),
    }


def _schema_of(of: type[Content], parts: Plain) -> Plain:
    properties: Plain = {}
    if issubclass(of, FileContent):
        properties["schema"] = {"const": of.schema()}
        properties["content_hash"] = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
    every = forms(of) | dict(of.DERIVED)
    for name, form in every.items():
        words = {"description": form.meaning} if form.meaning else {}
        properties[name] = words | _schema_value(form, form.shape, parts)
    return _closed(properties, *(name for name, form in every.items() if form.later))


def _schema_value(form: Form, shape: tuple[str, ...], parts: Plain) -> Plain:
    if not shape:
        return _schema_leaf(form, parts)
    letter, more = _letter(shape[0])
    low, high = SIZES[letter]
    return {
        "type": "array",
        "minItems": low + more,
        "maxItems": high + more,
        "items": _schema_value(form, shape[1:], parts),
    }


def _schema_leaf(form: Form, parts: Plain) -> Plain:
    nullable = form.null is not REFUSED
    if form.kind == "choice":
        return {"enum": list(form.choices)}
    if form.kind in ("sentence", "finding", "part"):
        name = form.of.__name__.lower() if form.of else form.kind
        if name not in parts:
            parts[name] = {}  # a class may hold itself
            parts[name] = _schema_of(form.of, parts) if form.of else _FIXED[form.kind]
        reference = {"$ref": f"#/$defs/{name}"}
        return {"anyOf": [reference, {"type": "null"}]} if nullable else reference
    kind = {"number": "number", "whole": "integer", "truth": "boolean", "text": "string"}[form.kind]
    leaf: Plain = {"type": [kind, "null"] if nullable else kind}
    low, high = ("minLength", "maxLength") if kind == "string" else ("minimum", "maximum")
    if math.isfinite(form.low_bound) and kind != "boolean" and (kind != "string" or form.low_bound):
        leaf[low] = form.low_bound
    if math.isfinite(form.high_bound) and kind != "boolean":
        leaf[high] = form.high_bound
    if form.pattern:
        leaf["pattern"] = f"^{form.pattern}$"
    return leaf


def _closed(properties: Plain, *optional: str) -> Plain:
    return {
        "type": "object",
        "properties": properties,
        "required": [key for key in properties if key not in optional],
        "additionalProperties": False,
    }


_VALUE: Plain = {
    "anyOf": [
        {"type": ["string", "number", "boolean", "null"]},
        {"type": "array"},
        {"$ref": "#/$defs/sentence"},
    ]
}
_SAID: Plain = {
    "text": {"type": "string", "description": "constant text with places for the values"},
    "values": {
        "type": "object",
        "description": "what stands at the places, in mm, N, cents and counts",
        "additionalProperties": _VALUE,
    },
    "sentence": {"type": "string", "description": "the same in words; only in what is printed"},
}
_COUNTS: Plain = {"type": "array", "items": {"type": "integer"}}
_PLACES: Plain = {
    "file": {"type": "string"},
    "rows": _COUNTS,
    "lines": _COUNTS,
    "field": {"type": "string"},
    "strings": _COUNTS,
    "frets": _COUNTS,
    "stopped_fret": {"type": "integer"},
}
_FIXED: dict[str, Plain] = {
    "sentence": _closed(_SAID, "sentence"),
    "finding": _closed(
        {
            "code": {"type": "string", "pattern": "^[a-z]+(-[a-z]+)*$"},
            "severity": {"enum": ["error", "warning", "note"]},
            "at": {"description": "what it is about", **_closed(_PLACES, *_PLACES)},
            **_SAID,
        },
        "sentence",
    ),
}

_NULLS = {math.inf: "null for no limit", -math.inf: "null for no limit", None: "null if none"}
_SHAPES = {
    "number": "number",
    "whole": "whole number",
    "truth": "true or false",
    "text": "text",
    "choice": "text",
    "sentence": "[sentence](#sentences)",
    "finding": "[finding](#findings)",
    "part": "object",
}


def page_rows(of: type[Content], place: str = "") -> Iterator[tuple[str, str, str]]:
    """Yield key, shape and meaning of everything in a file, for the reference page."""
    if issubclass(of, FileContent):
        yield f"{place}schema", "text", f'`"{of.schema()}"`'
        yield f"{place}content_hash", "text", "SHA-256 of the content"
    for name, form in (forms(of) | dict(of.DERIVED)).items():
        yield f"{place}{name}", _shape_words(form), _meaning(form)
        if form.of is not None and not issubclass(form.of, FileContent):
            yield from page_rows(form.of, f"{place}{name}{'[]' * len(form.shape)}.")


def _shape_words(form: Form) -> str:
    noun = _SHAPES[form.kind]
    if form.of is not None and issubclass(form.of, FileContent):
        noun = f"[{form.of.KIND}](#{form.of.KIND})"
    if not form.shape:
        return noun
    many = noun.replace("]", "s]") if "]" in noun else f"{noun}s"
    if form.shape == ("*",):
        return f"list of {many}"
    dims = ", ".join(dimension.replace("+", " + ") for dimension in form.shape)
    return f"({dims})" if form.kind in ("number", "whole") else f"({dims}) of {many}"


def _meaning(form: Form) -> str:
    words = form.meaning
    if form.choices and all(isinstance(one, str) for one in form.choices):
        words += ": " + ", ".join(f'`"{one}"`' for one in form.choices)
    if form.null is not REFUSED and "null" not in words:
        words += f"; {_NULLS.get(form.null, 'null where not known')}"
    return words
