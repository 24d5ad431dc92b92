"""Use cases called by their names, from plain values to plain values, for other programs."""

from __future__ import annotations

import base64
import inspect
from collections.abc import Callable, Mapping
from functools import cache
from importlib.metadata import version
from typing import Any, Literal

from evenfall import workshop
from evenfall.codec import plain
from evenfall.codec.whole import packed
from evenfall.errors import Progress, silent
from evenfall.units import LengthUnit

Form = Literal["printed", "whole"]
LONG = ("play", "program", "check_program")
"""Use cases that always become a task; any other does where its files came piece by piece."""
VERSION_HEADER = "evenfall-version"
"""Header of an answer that names the version of this package that gave it."""
_NOT_CALLED = ("demo",)
_BESIDE = ("file_name", "text", "content", "pages", "program", "kind")
"""What an outcome hands back beside its plain values, where it has it."""


@cache
def use_cases() -> Mapping[str, tuple[Callable[..., Any], type]]:
    """Return every use case that takes a request, by name, with the class of the request."""
    made = {}
    for name in workshop.__all__:
        thing = getattr(workshop, name)
        if name in _NOT_CALLED or not inspect.isfunction(thing):
            continue
        parameters = list(inspect.signature(thing).parameters.values())
        if parameters[0].name == "request":
            made[name] = (thing, getattr(workshop, str(parameters[0].annotation)))
    return made


def called(
    name: str,
    request: Any,
    *,
    unit: LengthUnit | None = None,
    form: Form = "printed",
    pictures: bool = False,
    progress: Progress = silent,
) -> dict[str, Any]:
    """Return what a use case makes of a request, as plain values.

    "printed" is what the command line prints as JSON; "whole" is for a program of the same version
    of this package, see `evenfall.codec.whole`.
    """
    do, _ = use_cases()[name]
    watched = len(inspect.signature(do).parameters) > 1
    made = do(request, progress) if watched else do(request)
    if form == "whole":
        return {"version": version("evenfall"), "whole": packed(made)}
    shown: LengthUnit = unit or getattr(made, "unit", None) or "mm"
    values = _printed(made, shown)
    if pictures and hasattr(made, "pictures"):
        values["pictures"] = made.pictures(shown, progress)
    return values


def _printed(made: Any, unit: LengthUnit) -> dict[str, Any]:
    if isinstance(made, str):
        return {"text": made}
    values: dict[str, Any] = {}
    if hasattr(made, "as_dict"):
        in_unit = "unit" in inspect.signature(made.as_dict).parameters
        values = made.as_dict(unit) if in_unit else made.as_dict()
    beside = {key: getattr(made, key) for key in _BESIDE if hasattr(made, key)}
    if not values and not beside:
        values = {"plan": plain(made)}
    return {**values, **{key: _bytes_as_text(one) for key, one in beside.items()}}


def _bytes_as_text(value: Any) -> Any:
    if isinstance(value, bytes):
        return {"base64": base64.b64encode(value).decode()}
    if isinstance(value, Mapping):
        return {key: _bytes_as_text(one) for key, one in value.items()}
    return plain(value)
