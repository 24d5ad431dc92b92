"""A part of the pages is gone through only for a path of its own."""

from __future__ import annotations

import pytest
from starlette.routing import Match

from evenfall.web.application import ROUTERS
from evenfall.web.part import Part


@pytest.mark.parametrize("router", ROUTERS, ids=lambda router: router.routes[0].name)
def test_what_fits_a_route_fits_its_part(router: Part) -> None:
    for route in router.routes:
        path = route.path.replace("{", "").replace("}", "")  # type: ignore[attr-defined]
        assert route.matches({"type": "http", "path": path, "method": "GET"})[0] != Match.NONE
        assert router._paths.match(path)
        assert not router._paths.match(f"{path}/that/no/route/has/so/long")
