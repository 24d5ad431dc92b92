"""A part of the pages: the routes of one module, gone through only for a path of theirs."""

from __future__ import annotations

import re
from functools import cached_property
from typing import TYPE_CHECKING

from fastapi import APIRouter
from fastapi.routing import APIRoute
from starlette.routing import Match

if TYPE_CHECKING:
    from starlette.types import Scope


class Part(APIRouter):
    """Routes that are tried one by one only where one of them fits, for there are two hundred.

    Which they are is taken down at the first request: none may be added after that.
    """

    def matches(self, scope: Scope) -> tuple[Match, Scope]:
        """Say whether a path is one of these; see `starlette.routing.BaseRoute`."""
        if self._paths.match(scope["path"]) is None:
            return Match.NONE, {}
        return super().matches(scope)

    @cached_property
    def _paths(self) -> re.Pattern[str]:
        """Every path of theirs."""
        patterns = [one.path_regex.pattern for one in self.routes if isinstance(one, APIRoute)]
        assert len(patterns) == len(self.routes)  # noqa: S101 (no route of another kind is here)
        return re.compile("|".join(re.sub(r"\(\?P<\w+>", "(?:", one) for one in patterns))
