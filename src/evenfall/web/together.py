"""Several people on one instrument: each hears what another files, none files over it unseen."""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING, Annotated

from fastapi import APIRouter, Form, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response, StreamingResponse

from evenfall.web.view import View, local, shop_of
from evenfall.wording import plain_line

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

router = APIRouter(prefix="/instruments/{name}")
Seen = Annotated[str, Form(max_length=64)]
"""Version of the dossier that a page showed when its form was made."""
_LOOK_S = 2.0
_ALIVE_S = 10.0
_FEW = 3


@router.get("/changes")
async def changes(
    request: Request, name: str, since: Annotated[str, Query(max_length=64)] = ""
) -> Response:
    """Tell once what was filed since a version, as soon as there is something."""
    shop, view = shop_of(request), View(request)
    dossiers = shop.dossiers
    dossier = await run_in_threadpool(dossiers.named, name)

    def meanwhile() -> list[str]:
        """Return what was filed, and by whom."""
        if dossiers.archive.version(dossier) == since:
            return []
        return [
            f"{plain_line(told.person) or 'Somebody'} filed, {local(told.at)}: "
            f"{plain_line(view.say(told.said).partition(chr(10))[0])[:200]}"
            for told in dossiers.since(dossier, since)[-_FEW:]
        ]

    async def telling() -> AsyncIterator[str]:
        yield "retry: 3000\n\n"
        silent_s = 0.0
        while not shop.pool.leaving:
            lines = await run_in_threadpool(meanwhile)
            if lines:
                yield f"data: {json.dumps({'lines': lines})}\n\n"
                return
            silent_s += _LOOK_S
            if silent_s >= _ALIVE_S:
                silent_s = 0.0
                yield ": alive\n\n"
            await asyncio.sleep(_LOOK_S)

    return StreamingResponse(
        telling(), media_type="text/event-stream", headers={"cache-control": "no-store"}
    )
