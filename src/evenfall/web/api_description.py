"""What is said of the addresses for programs: OpenAPI, from the classes that they take and give."""

from __future__ import annotations

import copy
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from fastapi.openapi.utils import get_openapi

from evenfall.codec.forms import Plain
from evenfall.codec.schema import FIXED, json_schema
from evenfall.errors import ERROR_CODES
from evenfall.measurement import Measurement
from evenfall.plan import Plan
from evenfall.proof import Proof
from evenfall.records.queue import State
from evenfall.web.rights import NEEDS
from evenfall.workshop.archive_views import Added, History, Line, Shown, Told
from evenfall.workshop.asking import FILE, schema_of
from evenfall.workshop.gauges import Check
from evenfall.workshop.motion_check import MotionCheck

if TYPE_CHECKING:
    from fastapi import APIRouter


VERSION = "1.3"
CHANGES: Mapping[str, tuple[str, ...]] = {
    "2026-11-27": (
        "1.0: the first version.",
        "1.1: papers and pictures of a dossier, what was filed into it since a version, gauges and "
        "their studies, kept charts, the report of a day, lots for both sides, backups, how a task "
        "goes on by server-sent events; the header evenfall-version names the program's version.",
    ),
    "2026-11-28": (
        "1.2: lots are judged and kept, with the sample that the next one needs and their "
        "reports; `signals_now` of each standard of a gauge; the scope that each call needs; 404 "
        "instead of 422 for an upload that is not there; gauges, charts and reports `whole`, as "
        "the client of this program asks for them.",
        "1.3: a lot can also be answered with `sent back`; the `memory` of weighted means and "
        "cumulative sums; `run_length_count` is null where it has no end; 507 where the disk is "
        "full; 409 for a call that is sent again after an error that followed its filing; 500 "
        "instead of 422 for a read that meets damage in what is stored.",
    ),
}
"""What changed for whoever calls, by day; within version 1 nothing is removed or renamed."""

LEFT_OUT: Mapping[str, str] = {
    "demo": "It writes the files of an invented job into a folder of one's own.",
    "example_archive": "It makes an archive in a folder of one's own.",
    "archive example": "It makes an archive in a folder of one's own.",
    "serve": "It is what answers these calls.",
    "restore": "It fills an empty archive: done at the server, before it is served.",
    "archive restore": "It fills an empty archive: done at the server, before it is served.",
    "move": "It carries the archive elsewhere: done at the server, while it rests.",
    "archive move": "It carries the archive elsewhere: done at the server, while it rests.",
    "doctor": "It corrects what a person has to look at first: done at the server.",
    "archive doctor": "It corrects what a person has to look at first: done at the server.",
    "erase": "A name that is erased does not come back: a person does it, on the page Archive.",
}
"""Use cases, commands and verbs that have no call, and why; accounts have none either."""
TOKEN: Plain = {
    "type": "http",
    "scheme": "bearer",
    "description": "A token that somebody made on the page Settings; what each call names is the "
    "scope that the token needs. A bench without accounts asks for none.",
}
_COMPONENTS = "#/components/schemas/"
PARTS: dict[str, Plain] = {"File": FILE}


def _text(*, null: bool = False) -> Plain:
    return {"type": ["string", "null"] if null else "string"}


def _object(properties: Mapping[str, Any], *, closed: bool = True) -> Plain:
    return {
        "type": "object",
        "properties": dict(properties),
        "required": list(properties),
        "additionalProperties": not closed,
    }


def _part(name: str, schema: Plain) -> Plain:
    PARTS[name] = schema
    return {"$ref": f"{_COMPONENTS}{name}"}


def _list_of(schema: Plain) -> Plain:
    return {"type": "array", "items": schema}


_COUNT = {"type": "integer", "minimum": 0}
_SENTENCE = {"$ref": f"{_COMPONENTS}sentence"}
_FINDING = {"$ref": f"{_COMPONENTS}finding"}
_ERROR = _part(
    "Error",
    {
        **_object(
            {
                "code": {"enum": list(ERROR_CODES)},
                "at": FIXED["finding"]["properties"]["at"],
                "text": _text(),
                "values": {"type": "object"},
                "sentence": {
                    **_text(),
                    "description": "what is wrong, where, and how to correct it",
                },
                "findings": _list_of({"type": "object"}),
            }
        ),
        "description": "An error, as the command line prints it with --json.",
    },
)
_REFUSED = _part("Refused", _object({"error": _ERROR}))
_LINE = schema_of(Line, PARTS, asked=False)
_WHOLE = _part("Whole", _object({"version": _text(), "whole": {}}))


def _or_whole(schema: Plain) -> Plain:
    """Return what is said of an answer that comes printed, or whole for a program of this kind."""
    return {"anyOf": [schema, _WHOLE]}


_TOLD = schema_of(Told, PARTS, asked=False)
LISTED = _or_whole(_part("Listed", _object({"dossiers": _list_of(_LINE), "next": _text()})))
DOSSIER = _or_whole(schema_of(Shown, PARTS, asked=False))
HISTORY = _or_whole(schema_of(History, PARTS, asked=False))
ADDED = _or_whole(schema_of(Added, PARTS, asked=False))
NOTED = _or_whole(_TOLD)
ENTRIES = _or_whole(_part("Entries", _object({"version": _text(), "entries": _list_of(_TOLD)})))
STORY = _part(
    "Story",
    _object(
        {
            "dossier": _text(),
            "step": {"enum": ["measure", "plan", "work", "prove", "none"]},
            "stops": _list_of(
                _object(
                    {
                        "name": _text(),
                        "state": {"enum": ["done", "now", "later"]},
                        "fact": _SENTENCE,
                    }
                )
            ),
            "headline": _SENTENCE,
            "said": _SENTENCE,
        }
    ),
)
CONTENTS: Plain = {"type": "object"}
TASK = _part(
    "Task",
    _object(
        {
            "id": _text(),
            "kind": _text(),
            "state": {"enum": list(State.__args__)},  # type: ignore[attr-defined]
            "doing": {**_text(), "description": "the present step"},
            "share": {"type": "number", "minimum": 0, "maximum": 1},
            "stopping": {"type": "boolean"},
            "at": {**_text(), "description": "when it was asked for"},
            "files": _list_of(_text()),
            "error": {"anyOf": [_ERROR, {"type": "null"}]},
        }
    ),
)
TASKS = _part("Tasks", _object({"tasks": _list_of(TASK)}))
PAPERS = _part("Papers", _object({"papers": _list_of(_text())}))
_WHEN = {**_text(), "description": "a day or a time, ISO 8601; empty for none"}
_GAUGE = {
    "dossier": _text(),
    "name": _text(),
    "calibrated": _WHEN,
    "valid_until": _WHEN,
    "due": {"enum": ["unknown", "valid", "soon", "over"]},
    "u_mm": {"type": ["number", "null"], "description": "standard uncertainty, by its checks"},
    "standards": _list_of(
        _object(
            {
                "standard": _text(),
                "stable": {
                    "type": ["boolean", "null"],
                    "description": "whether no reading ever signalled; null without a chart",
                },
                "few_points": {
                    "type": ["integer", "null"],
                    "description": "as of a control chart: how few its limits come from",
                },
                "signals_now": {
                    "type": ["boolean", "null"],
                    "description": "whether one of the newest readings signals, as pages say it",
                },
            }
        )
    ),
}
GAUGES = _or_whole(_part("Gauges", _object({"gauges": _list_of(_object(_GAUGE))})))
GAUGE = _or_whole(
    _part("Gauge", _object({**_GAUGE, "checks": _list_of(schema_of(Check, PARTS, asked=False))}))
)
_KEPT = {
    "dossier": _text(),
    "name": _text(),
    "asked": {"type": "object", "description": "which readings it is of"},
    "since": {**_text(), "description": "time from which its limits are frozen; empty for none"},
}
CHARTS = _or_whole(_part("Charts", _object({"charts": _list_of(_object(_KEPT))})))
_ACTS = {"version": _text(), "acts": _list_of({"type": "object"})}
CHART = _or_whole(_part("Chart", _object({**_KEPT, **_ACTS})))
REPORT = _or_whole({"type": "object"})
_LOT = {name: _text() for name in ("key", "lot", "at", "answer", "answered", "decision", "version")}
LOTS = _part(
    "Lots", _object({"lots": _list_of(_object({**_LOT, "partner": _text(), "count": _COUNT}))})
)
LOT = _part(
    "Lot",
    _object(
        {
            **_LOT,
            "instruments": _list_of(
                _object({name: _text() for name in ("dossier", "name", "model", "verdict")})
            ),
            "sampling": {
                "type": ["object", "null"],
                "description": "plan, state of inspection and lots, as both sides see them",
            },
        }
    ),
)
_JUDGED = _object(
    {
        **{name: _text() for name in ("dossier", "version", "title")},
        "lots": _list_of(
            _object(
                {
                    **{name: _text() for name in ("entry", "name", "at", "inspection", "decision")},
                    **{"pieces": _COUNT, "answer": _text()},
                    "follows": {
                        "type": "boolean",
                        "description": "whether the decision follows from what was found",
                    },
                }
            )
        ),
        "sampling": {"type": "object", "description": "agreement, state of inspection and lots"},
    }
)
JUDGED_LOTS = _part("JudgedLots", _JUDGED)
JUDGED = _or_whole(_part("Judged", _object({"judged": _list_of(JUDGED_LOTS)})))
SAMPLE: Plain = _or_whole({"type": "object", "properties": {"findings": _list_of(_FINDING)}})
_FINDINGS = {"type": "array", "items": {"$ref": "#/$defs/finding"}}
_FILES: Mapping[str, Any] = {
    "measure": (Measurement, {"findings": _FINDINGS}, ()),
    "plan": (
        Plan,
        {"findings": _FINDINGS, "motion": {"$ref": "#/$defs/motioncheck"}},
        (MotionCheck,),
    ),
    "prove": (Proof, {"findings_of_readings": _FINDINGS}, ()),
}
"""Use cases whose answer is the content of a file, with what is printed beside it."""


def _content(schema: Plain) -> Plain:
    return {"application/json": {"schema": schema}}


def _meant(name: str) -> Plain:
    """Return what comes of a use case, printed or whole."""
    if name not in _FILES:
        findings = {"findings": _list_of(_FINDING)}
        printed = {"type": "object", "properties": findings}
        return _or_whole(printed)
    of, beside, more = _FILES[name]
    made = json_schema(of, {**beside, "pictures": {"type": "object"}}, more)
    for key, one in _moved(made.pop("$defs")).items():
        PARTS.setdefault(key, one)
    made.pop("$schema")
    return _or_whole(_part(of.__name__, _moved(made)))


def _moved(schema: Any) -> Any:
    """Return a schema with its references to where OpenAPI keeps them."""
    if isinstance(schema, Mapping):
        return {
            key: one.replace("#/$defs/", _COMPONENTS) if key == "$ref" else _moved(one)
            for key, one in schema.items()
        }
    return [_moved(one) for one in schema] if isinstance(schema, list) else schema


PARTS.update(_moved(FIXED))


def _errors(*statuses: int) -> dict[int | str, Plain]:
    told = {
        404: "what the address names is not there",
        409: "the same call is under way",
        412: "somebody filed into the dossier since it was read",
        422: "what was sent cannot be used",
    }
    made: dict[int | str, Plain] = {
        status: {"description": told[status], "content": _content(_REFUSED)}
        for status in (*statuses, 422)
        if status in told
    }
    made["default"] = {"description": "refused", "content": _content(_REFUSED)}
    return made


def called_answers(name: str, *statuses: int) -> dict[int | str, Plain]:
    """Return the answers of a use case; without a name, of the files that come piece by piece."""
    if not name:
        done = {"description": "how much of each is here", "content": _content({"type": "object"})}
        return {
            200: done,
            409: {**done, "description": "it goes on elsewhere"},
            **_errors(*statuses),
        }
    return {
        200: {"description": "what came of it", "content": _content(_meant(name))},
        202: {"description": "a task is under way", "content": _content(TASK)},
        **_errors(409),
    }


def gives(schema: Plain, *statuses: int) -> dict[int | str, Plain]:
    """Return the answers of an address: what it gives, and how it refuses."""
    done = next((one for one in statuses if one < 300), 200)
    made: dict[int | str, Plain] = {
        done: {"description": "what was asked for", "content": _content(schema)}
    }
    if done == 200:
        made[304] = {"description": "it is as If-None-Match says"}
    return {**made, **_errors(*statuses)}


def gives_file(*statuses: int) -> dict[int | str, Plain]:
    """Return the answers of an address that gives a file."""
    kinds: Plain = {
        **{"application/octet-stream": {}, "application/json": {}, "application/pdf": {}},
        **{"text/html": {}, "image/svg+xml": {}},
    }
    return {
        200: {"description": "the file", "content": kinds},
        304: {"description": "it is as If-None-Match says"},
        **_errors(*statuses),
    }


def asks(of: Any, without: tuple[str, ...] = ()) -> Plain:
    """Return what is said of a body that is a request."""
    schema = schema_of(of, PARTS)
    if without:
        made = copy.deepcopy(PARTS[of.__name__])
        for key in without:
            del made["properties"][key]
        made["required"] = [key for key in made["required"] if key not in without]
        PARTS[of.__name__] = made
    return {"requestBody": {"required": True, "content": _content(schema)}}


def asks_for(properties: Mapping[str, Any], *required: str) -> Plain:
    """Return what is said of a small body."""
    schema = {**_object(properties), "required": list(required)}
    return {"requestBody": {"required": True, "content": _content(schema)}}


def description(routers: Iterable[APIRouter]) -> Plain:
    """Return the description of every address for programs."""
    changes = "\n".join(f"- {day}: {' '.join(told)}" for day, told in CHANGES.items())
    made: dict[str, Any] = get_openapi(
        title="evenfall",
        version=VERSION,
        openapi_version="3.1.0",
        description=f"Lengths are in mm, forces in N, pitches in Hz and cent.\n\nChanges:\n\n"
        f"{changes}",
        routes=[route for one in routers for route in one.routes],
    )
    for path, methods in made["paths"].items():
        for method, told in methods.items():
            told["security"] = [{"token": [NEEDS[f"{method.upper()} {path}"]]}]
    parts = made.setdefault("components", {})
    parts["securitySchemes"] = {"token": TOKEN}
    held = parts.setdefault("schemas", {})
    for unused in ("HTTPValidationError", "ValidationError"):
        held.pop(unused, None)
    held.update(PARTS)
    return made
