"""A part of the pages is gone through only for a path of its own."""

from __future__ import annotations

import pytest
from starlette.routing import Match

from evenfall.web.application import PARTS
from evenfall.web.part import Part


@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.__name__.rpartition(".")[2])
def test_what_fits_a_route_fits_its_part(part: object) -> None:
    router: Part = part.router  # type: ignore[attr-defined]
    for route in router.routes:
        path = route.path.replace("{", "").replace("}", "")  # type: ignore[attr-defined]
        assert route.matches({"type": "http", "path": path, "method": "GET"})[0] != Match.NONE
        assert router._paths.match(path)
        assert not router._paths.match(f"{path}/that/no/route/has/so/long")
