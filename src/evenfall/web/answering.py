"""How a call of another program is read and answered: JSON, versions, calls sent twice, errors."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from contextlib import suppress
from importlib.metadata import version as version_here
from pathlib import Path as PathOnDisk
from typing import TYPE_CHECKING, Annotated, Any
from urllib.parse import quote

from fastapi import Depends, Header, Path, Query, Request
from fastapi.responses import FileResponse, Response

from evenfall.codec import parse_json
from evenfall.codec.forms import Plain
from evenfall.codec.whole import packed
from evenfall.errors import At, EvenfallError, RequestError
from evenfall.records.engines import writes_here
from evenfall.units import LengthUnit
from evenfall.web.rights import who_of
from evenfall.web.view import shop_of
from evenfall.wording import plain_line
from evenfall.workshop.calls import Form

if TYPE_CHECKING:
    from fastapi.exceptions import RequestValidationError

    from evenfall.web.shop import Shop

ROOT = "/api/v1"
_LONGEST_KEY = 200


class AbsentError(RequestError):
    """What an address names is not there."""

    status = 404


class WrongTypeError(RequestError):
    """The body is of another type than this address takes."""

    status = 415


class SentTwiceError(RequestError):
    """The same call came before, and nobody knows yet what came of it."""

    status = 409


async def body_of(request: Request) -> bytes:
    """Return what was sent, which must be JSON."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json":
        raise WrongTypeError(
            "This address takes application/json; say so in the header Content-Type.",
            at=At(field="Content-Type"),
        )
    return await request.body()


Body = Annotated[bytes, Depends(body_of)]
Key = Annotated[
    str,
    Header(
        alias="Idempotency-Key",
        max_length=_LONGEST_KEY,
        description="A name for this call that no other call has: sent again with the same body, "
        "it is answered as before and done once. Kept for a week.",
    ),
]
Since = Annotated[
    str,
    Header(
        alias="If-Match",
        max_length=_LONGEST_KEY,
        description="The ETag of the dossier as it was read: where something was filed since, "
        "nothing is filed, and the answer (412) shows what.",
    ),
]


Name = Annotated[
    str, Path(max_length=200, description="Number, name or id of a dossier, as a whole.")
]
Whole = Annotated[
    Form,
    Query(description="`printed` for any program; `whole` for a program of the same version."),
]
Unit = Annotated[
    LengthUnit | None, Query(description="Unit of lengths in sentences; values are in mm.")
]


def parsed(body: bytes) -> Plain:
    """Return the JSON object that was sent."""
    try:
        made: Plain = parse_json(body)
    except EvenfallError as error:
        error.at = At(field="body")
        raise
    return made


def version_in(since: str) -> str:
    """Return the version that an ETag names; "" where none is given, or any will do.

    What names none is taken as it stands, so that it fits no version.
    """
    named = since.strip().removeprefix("W/").strip('"')
    return "" if named == "*" else named.partition("-")[0] or since.strip()


def answered(
    request: Request,
    values: Any,
    *,
    form: Form = "printed",
    version: str = "",
    status: int = 200,
    headers: Mapping[str, str] | None = None,
) -> Response:
    """Return an answer, or that nothing changed since whoever asks got it."""
    content = {"version": version_here("evenfall"), "whole": packed(values)}
    content = content if form == "whole" else values
    written = json.dumps(content, allow_nan=False).encode()
    made = Response(written, status, headers, "application/json")
    return tagged(request, made, version)


def tagged(request: Request, answer: Response, version: str = "") -> Response:
    """Return an answer with its ETag; of a read, 304 where whoever asks has it already."""
    tag = f'"{version or hashlib.sha256(answer.body).hexdigest()[:32]}"'
    known = request.headers.get("if-none-match", "")
    if request.method == "GET":
        if tag in (one.strip().removeprefix("W/") for one in known.split(",")) or known == "*":
            answer = Response(status_code=304)
        answer.headers["etag"] = tag
    return answer


def once(
    request: Request, key: str, body: bytes, do: Callable[[], Callable[[], Response]]
) -> Response:
    """Do what a call asks for; of one that was sent before under its key, answer as before.

    `do` returns what makes the answer. A call that came to nothing may be sent again; one that
    wrote something is never done again, whatever came in its way afterwards.
    """
    if not key:
        return do()()
    queue = shop_of(request).queue
    said = b"\n".join((request.method.encode(), str(request.url).encode(), body))
    call, new = queue.answered(f"{who_of(request).account}:{key}", hashlib.sha256(said).hexdigest())
    if new:
        before = writes_here()
        try:
            show = do()
        except BaseException:
            if writes_here() == before:
                with suppress(EvenfallError):  # what came in its way is told first
                    queue.forget(call.id)
            raise
        answer = show()
        kept = {
            "status": answer.status_code,
            "text": bytes(answer.body).decode(),
            "location": answer.headers.get("location", ""),
        }
        with suppress(EvenfallError):  # where it cannot be kept, who asked hears of it all the same
            queue.done_at_once(call.id, call.kind, kept, dossier="")
        return answer
    if call.state != "done":
        raise SentTwiceError(
            "A call with this key is under way, or was cut short; look whether it was done before "
            "you send it with a new key.",
            at=At(field="Idempotency-Key"),
        )
    made = Response(call.result["text"], call.result["status"], None, "application/json")
    if call.result["location"]:
        made.headers["location"] = call.result["location"]
    return made


def misfit(error: RequestValidationError) -> RequestError:
    """Return in one sentence what does not fit an address, by the first of its faults."""
    first = error.errors()[0]
    place = ".".join(str(part) for part in first["loc"][1:]) or "body"
    why = str(first["msg"])[:1].lower() + str(first["msg"])[1:]
    return RequestError(
        "This cannot be used: {why}. See the description of this address.",
        at=At(field=place[:100]),
        why=plain_line(why)[:200],
    )


def no_such(status: int) -> RequestError:
    """Return what is said where nothing answers at an address, or not to this method."""
    if status == 404:
        return RequestError(
            "Nothing is at this address; {root}/openapi.json lists what there is.", root=ROOT
        )
    return RequestError(
        "This address does not take that method; {root}/openapi.json says which it takes.",
        root=ROOT,
    )


def named(shop: Shop, name: str) -> str:
    """Return the one dossier that an address names."""
    try:
        return shop.dossiers.named(name)
    except RequestError as error:
        raise AbsentError(error.said, at=At(field="dossier")) from None


def attachment(name: str, content: bytes | PathOnDisk) -> Response:
    """Return a file to be kept under its name."""
    kind = "application/json" if name.endswith(".json") else "application/octet-stream"
    place = {"content-disposition": f"attachment; filename*=UTF-8''{quote(name)}"}
    if isinstance(content, bytes):
        return Response(content, 200, place, kind)
    return FileResponse(content, 200, place, kind)
