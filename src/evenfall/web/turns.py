"""Whose turn it is to compute: a few pages at a time, and a drag in a lane of its own.

Python computes in one thread at a time: of twenty pages at once all would be late, and each step of
a drag with them. What waits for something else (a write, a file, the paper of a sheet or
certificate) goes by no lane.
"""

from __future__ import annotations

from collections.abc import Callable, Coroutine, Mapping
from typing import Any, Literal

from anyio import CapacityLimiter
from anyio.lowlevel import RunVar
from fastapi import Request
from fastapi.responses import Response
from fastapi.routing import APIRoute

from evenfall.web.rights import SAFE

Lane = Literal["page", "drag", "after"]
AT_ONCE: Mapping[Lane, int] = {"page": 2, "drag": 1, "after": 1}
"""How many are computed side by side in each lane: pages, moves of a control, and what is drawn
when it rests."""
_LANES: Mapping[str, Lane] = {
    "/check": "page",
    "/plan/look": "drag",
    "/plan/spans": "after",
    "/plan/side": "after",
    "/plan/crown": "after",
}
"""Lane of what is sent to a route, by the end of its path."""
_kept: RunVar[dict[Lane, CapacityLimiter]] = RunVar("lanes")


class InTurn(APIRoute):
    """A route that waits for its turn."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Return what answers a request, in turn where it computes."""
        answer = super().get_route_handler()
        lane = self._lane()
        if lane is None:
            return answer

        async def in_turn(request: Request) -> Response:
            if request.method not in SAFE:
                await request.body()  # who sends slowly keeps nobody waiting
            async with _limiter(lane):
                return await answer(request)

        return in_turn

    def _lane(self) -> Lane | None:
        if "GET" in (self.methods or ()):
            return None if "." in self.path.rpartition("/")[2] else "page"
        return next((lane for end, lane in _LANES.items() if self.path.endswith(end)), None)


def _limiter(lane: Lane) -> CapacityLimiter:
    """Return who lets in to a lane: one for each loop of events."""
    try:
        lanes = _kept.get()
    except LookupError:
        lanes = {name: CapacityLimiter(count) for name, count in AT_ONCE.items()}
        _kept.set(lanes)
    return lanes[lane]
