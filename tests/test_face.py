"""What `import evenfall` offers: every name is there, lazily, and shown by an example that runs."""

from __future__ import annotations

import ast
import doctest
import importlib
import inspect
import re
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from types import ModuleType

import pytest

import evenfall as ef
import evenfall.levelling
import evenfall.neck
from evenfall import workshop
from evenfall.plan import Plan

PACKAGE = Path(ef.__file__).parent
FACES = [
    ".".join(("evenfall", *path.parent.relative_to(PACKAGE).parts))
    for path in sorted(PACKAGE.rglob("__init__.py"))
    if "__all__" in path.read_text(encoding="utf-8")
]


def docstrings(source: str) -> Iterator[str]:
    """Yield every docstring of a module."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef):
            yield ast.get_docstring(node) or ""


def test_every_name_is_there_and_is_what_the_type_checker_sees() -> None:
    tree = ast.parse(Path(ef.__file__).read_text(encoding="utf-8"))
    (typed,) = (n for n in tree.body if isinstance(n, ast.If) and "TYPE_CHECKING" in ast.unparse(n))
    imports = [n for n in typed.body if isinstance(n, ast.ImportFrom)]
    rooms = {alias.name: node.module for node in imports for alias in node.names}
    assert rooms.pop("*") == "evenfall.workshop"
    rooms |= dict.fromkeys(workshop.__all__, "evenfall.workshop")
    assert sorted(rooms) == sorted(ef.__all__) == sorted(set(ef.__all__))
    for name, room in rooms.items():
        assert getattr(ef, name) is getattr(importlib.import_module(str(room)), name)
    assert set(dir(ef)) == {*ef.__all__, "__version__"}
    with pytest.raises(AttributeError, match="no attribute 'unknown'"):
        _ = ef.unknown  # type: ignore[attr-defined]


@pytest.mark.slow
def test_a_stage_does_not_hide_the_use_case_of_its_name() -> None:
    assert ef.plan is workshop.plan
    assert ef.neck is workshop.neck
    assert Plan is ef.Plan
    assert isinstance(sys.modules["evenfall.plan"], ModuleType)
    code = "import evenfall.plan, evenfall.neck, evenfall as ef; print(ef.plan, ef.neck)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.count("<function ") == 2
    assert done.stderr == ""


# ---- what a package hands on is shown by an example ---------------------------------------------


@cache
def examples() -> str:
    """Return every example of the package with what it answers."""
    sources = [path.read_text(encoding="utf-8") for path in sorted(PACKAGE.rglob("*.py"))]
    found = [doc for text in sources if ">>>" in text for doc in docstrings(text) if ">>>" in doc]
    every = [one for doc in found for one in doctest.DocTestParser().get_examples(doc)]
    return "\n".join(example.source + example.want for example in every)


@pytest.mark.parametrize("module", FACES)
def test_every_name_of_a_face_stands_in_a_running_example(module: str) -> None:
    face = importlib.import_module(module)
    unseen = [
        name
        for name in face.__all__
        if not re.search(rf"\b{name}\b{r'[(]' if name.islower() else ''}", examples())
    ]
    assert unseen == []


@pytest.mark.parametrize("module", FACES)
def test_every_name_of_a_face_says_what_it_is(module: str) -> None:
    face = importlib.import_module(module)
    for name in face.__all__:
        thing = getattr(face, name)
        if inspect.isclass(thing) or inspect.isfunction(thing):
            own = thing.__doc__ or ""
            assert own.partition("\n")[0].endswith("."), f"{module}.{name}"
            assert not own.startswith(f"{name}("), f"{module}.{name}: no docstring of its own"
