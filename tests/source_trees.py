"""The program's own source as trees, for the rules about it: each module is parsed once."""

from __future__ import annotations

import ast
from functools import cache


@cache
def parsed(source: str) -> ast.Module:
    """Return a module as a tree, each parsed once."""
    return ast.parse(source)


Outward = ast.Import | ast.ImportFrom | ast.Call | ast.ClassDef


@cache
def outward(source: str) -> list[Outward]:
    """Return the imports, calls and classes of a module, each looked for once."""
    return [node for node in ast.walk(parsed(source)) if isinstance(node, Outward)]
