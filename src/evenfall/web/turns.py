"""Whose turn it is to compute: a few pages at a time, and a drag in a lane of its own.

Python computes in one thread at a time: of twenty pages at once all would be late, and each step of
a drag with them. A page that has not begun lets moves go first, for a while. What waits for
something else (a write, a file, the paper of a sheet or certificate) goes by no lane.
"""

from __future__ import annotations

from collections.abc import Callable, Coroutine, Iterator, Mapping
from contextlib import contextmanager, nullcontext
from typing import Any, Literal

from anyio import CancelScope, CapacityLimiter, Event, current_time
from anyio.lowlevel import RunVar
from fastapi import Request
from fastapi.responses import Response
from fastapi.routing import APIRoute

from evenfall.web.rights import SAFE

Lane = Literal["page", "drag", "after"]
AT_ONCE: Mapping[Lane, int] = {"page": 2, "drag": 1, "after": 1}
"""How many are computed side by side in each lane: pages, moves of a control, and what is drawn
when it rests."""
PATIENCE_S = 0.06
"""How long after it was asked for a page lets moves go first."""
_LANES: Mapping[str, Lane] = {
    "/check": "page",
    "/plan/look": "drag",
    "/plan/spans": "after",
    "/plan/side": "after",
    "/plan/crown": "after",
}
"""Lane of what is sent to a route, by the end of its path."""


class _Turns:
    """Who lets in to the lanes."""

    def __init__(self) -> None:
        self._lanes = {name: CapacityLimiter(count) for name, count in AT_ONCE.items()}
        self._moves = 0  # that wait or are computed
        self._rest = Event()

    def lane(self, name: Lane) -> CapacityLimiter:
        """Return who lets in to a lane."""
        return self._lanes[name]

    @contextmanager
    def moving(self) -> Iterator[None]:
        """Let others know of a move until it is answered."""
        self._moves += 1
        try:
            yield
        finally:
            self._moves -= 1
            if not self._moves:
                self._rest.set()
                self._rest = Event()

    async def rest(self, until: float) -> None:
        """Wait until no control is moved, or a time of the loop has come."""
        with CancelScope(deadline=until):
            while self._moves:
                await self._rest.wait()


_kept: RunVar[_Turns] = RunVar("turns")


class InTurn(APIRoute):
    """A route that waits for its turn."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Return what answers a request, in turn where it computes."""
        answer = super().get_route_handler()
        lane = self._lane()
        if lane is None:
            return answer

        async def in_turn(request: Request) -> Response:
            until = current_time() + PATIENCE_S
            if request.method not in SAFE:
                await request.body()  # who sends slowly keeps nobody waiting
            turns = _turns()
            with turns.moving() if lane == "drag" else nullcontext():
                async with turns.lane(lane):
                    if lane != "drag":
                        await turns.rest(until)
                    return await answer(request)

        return in_turn

    def _lane(self) -> Lane | None:
        if "GET" in (self.methods or ()):
            return None if "." in self.path.rpartition("/")[2] else "page"
        return next((lane for end, lane in _LANES.items() if self.path.endswith(end)), None)


def _turns() -> _Turns:
    """Return who lets in, one for each loop of events."""
    try:
        return _kept.get()
    except LookupError:
        made = _Turns()
        _kept.set(made)
        return made
