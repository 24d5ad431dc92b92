"""Whose turn it is: pages wait for one another, a drag for no page, and nobody for paper."""

from __future__ import annotations

import asyncio
import threading
from collections import Counter
from concurrent.futures import ThreadPoolExecutor

import httpx2
import pytest
from fastapi import APIRouter, FastAPI

from evenfall.web import turns
from evenfall.web.turns import AT_ONCE, InTurn

PAGES = 12


def test_a_few_pages_are_computed_at_once_and_a_drag_waits_for_none_of_them() -> None:
    """Pages block until a drag was answered: with one lane for both that would never be."""
    router, go_on = APIRouter(route_class=InTurn), threading.Event()
    lock, now, most = threading.Lock(), Counter[str](), Counter[str]()

    def hold(what: str) -> None:
        with lock:
            now[what] += 1
            most[what] = max(most[what], now[what])
        go_on.wait(30)
        with lock:
            now[what] -= 1

    @router.get("/page")
    def page() -> None:
        hold("page")

    @router.get("/sheet.{kind}")
    def paper(kind: str) -> None:
        hold("paper")

    @router.post("/plan/look")
    def look() -> None:
        with lock:
            assert now["page"] == AT_ONCE["page"]

    app = FastAPI()
    app.include_router(router)

    async def asked() -> list[int]:
        transport = httpx2.ASGITransport(app)
        async with httpx2.AsyncClient(transport=transport, base_url="http://bench") as client:
            held = [asyncio.create_task(client.get("/page")) for _ in range(PAGES)]
            held += [asyncio.create_task(client.get("/sheet.pdf")) for _ in range(PAGES)]
            while now["paper"] < PAGES or now["page"] < AT_ONCE["page"]:
                await asyncio.sleep(0.01)
            moved = await client.post("/plan/look", json={})
            go_on.set()
            return [moved.status_code, *(one.status_code for one in await asyncio.gather(*held))]

    # in a thread of its own: the browser of other tests keeps a loop running in this one
    with ThreadPoolExecutor(1) as pool:
        answers = pool.submit(lambda: asyncio.run(asyncio.wait_for(asked(), 60))).result()
    assert set(answers) == {200}
    assert most == {"page": AT_ONCE["page"], "paper": PAGES}


@pytest.mark.parametrize(("patience_s", "order"), [(60.0, "move, page"), (0.0, "page, move")])
def test_a_page_lets_moves_go_first_for_a_while(
    monkeypatch: pytest.MonkeyPatch, patience_s: float, order: str
) -> None:
    """A move is held until the page was begun, or for a moment where the page has to wait."""
    monkeypatch.setattr(turns, "PATIENCE_S", patience_s)
    router = APIRouter(route_class=InTurn)
    moving, begun, ended = threading.Event(), threading.Event(), list[str]()

    @router.post("/plan/look")
    def look() -> None:
        moving.set()
        begun.wait(0.3 if patience_s else 30.0)
        ended.append("move")

    @router.get("/page")
    def page() -> None:
        ended.append("page")
        begun.set()

    app = FastAPI()
    app.include_router(router)

    async def asked() -> None:
        transport = httpx2.ASGITransport(app)
        async with httpx2.AsyncClient(transport=transport, base_url="http://bench") as client:
            move = asyncio.create_task(client.post("/plan/look", json={}))
            while not moving.is_set():
                await asyncio.sleep(0.01)
            assert (await client.get("/page")).status_code == 200
            await move

    with ThreadPoolExecutor(1) as pool:
        pool.submit(lambda: asyncio.run(asyncio.wait_for(asked(), 60))).result()
    assert ", ".join(ended) == order
