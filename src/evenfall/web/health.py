"""What a proxy and whoever looks after the server ask: does it answer, and can it work."""

from __future__ import annotations

from fastapi import Request
from fastapi.responses import JSONResponse, Response

from evenfall.errors import EvenfallError
from evenfall.records.schema import TODAY, schema_of
from evenfall.web.part import Part
from evenfall.web.view import shop_of

router = Part()


@router.get("/health")
async def health() -> Response:
    """Say that the program answers; nothing is looked at."""
    return JSONResponse({"status": "up"})


@router.get("/ready")
def ready(request: Request) -> Response:
    """Say whether pages can be worked with: the archive answers, with the schema of today."""
    archive = shop_of(request).dossiers.archive
    try:
        with archive.reading() as connection:
            right = schema_of(connection) == TODAY
    except EvenfallError:
        right = False
    return JSONResponse({"status": "ready" if right else "not ready"}, 200 if right else 503)
