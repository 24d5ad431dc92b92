"""Stopping a step of the workshop at everything that it says it does."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from evenfall.errors import Cancelled, Progress


def stopped_wherever_it_reports(step: Callable[[Progress], Any]) -> list[str]:
    """Return what a step says it does; stopped at each of it, it says nothing more."""
    told: dict[str, None] = {}
    step(lambda what, _share: told.setdefault(what))
    for stop in told:
        after: list[str] = []

        def tell(what: str, _share: float, *, stop: str = stop, after: list[str] = after) -> None:
            if what == stop or after:
                after.append(what)
                raise Cancelled

        with pytest.raises(Cancelled):
            step(tell)
        assert after == [stop], after
    return list(told)
