"""What `conftest.py` lets run, tried on tests in a folder of their own."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

HERE = Path(__file__).parent


# ---- a skip in CI is a failure -----------------------------------------------------------------

SKIPPING_TESTS = """
import pytest

def test_done(): pass
def test_no_tool(): pytest.skip("pdftoppm is not installed")
def test_no_data(): pytest.skip("open data absent: curves")
@pytest.mark.skipif(True, reason="no browser")
def test_no_browser(): pass
@pytest.mark.xfail(reason="known", strict=True)
def test_known(): assert False
@pytest.mark.slow
def test_slow(): pass
"""


def run_by_our_rules(folder: Path, modules: dict[str, str], ci: str = "") -> list[str]:
    """Run tests in a folder of their own, as `conftest.py` would, and return the lines told."""
    for name in ("conftest.py", "draws.py", "light_passwords.py", "new_tables.py"):
        shutil.copy(HERE / name, folder)
    marks = "[pytest]\nmarkers =\n    slow\n    quick(n)\n"
    for name, text in {"pytest.ini": marks, **modules}.items():
        (folder / name).write_text(text, encoding="utf-8")
    environment = {name: value for name, value in os.environ.items() if "PYTEST" not in name}
    environment["CI"] = ci
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-p", "no:benchmark"],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    return (done.stderr + done.stdout).splitlines()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("ci", "closing"),
    [
        ("", "1 passed, 3 skipped, 1 deselected, 1 xfailed"),
        ("true", "1 failed, 2 passed, 1 skipped, 1 xfailed, 1 error"),
    ],
    ids=["at the bench", "in CI"],
)
def test_a_skip_in_ci_is_a_failure(tmp_path: Path, ci: str, closing: str) -> None:
    told = run_by_our_rules(tmp_path, {"test_skipping.py": SKIPPING_TESTS}, ci)
    assert closing in told[-1], told


# ---- what is slow as a whole has no quick case -------------------------------------------------

SOME_SLOW = """
import pytest

@pytest.mark.quick(1)
@pytest.mark.parametrize("one", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_sound(one): pass
"""
BOTH = """
import pytest

@pytest.mark.slow
@pytest.mark.quick(1)
@pytest.mark.parametrize("one", [1, 2])
def test_both(one): pass
"""
SLOW_MODULE = f"{SOME_SLOW}pytestmark = pytest.mark.slow\n".replace("sound", "in_all")


@pytest.mark.slow
def test_a_test_that_is_slow_and_quick_is_refused(tmp_path: Path) -> None:
    modules = {"test_a.py": SOME_SLOW, "test_b.py": BOTH, "test_c.py": SLOW_MODULE}
    told = run_by_our_rules(tmp_path, modules)
    (closing,) = (line for line in told if line.startswith("collected"))
    assert closing == "collected 2 items / 2 errors / 1 deselected / 1 selected", told
    for name in ("test_both", "test_in_all"):
        assert f"{name} is marked slow and quick, so no case is quick; drop one mark" in told, told


def ours(config: pytest.Config) -> Any:
    """Return the rules of these tests, as pytest loaded them."""
    files = {getattr(one, "__file__", ""): one for one in config.pluginmanager.get_plugins()}
    return files[str(HERE / "conftest.py")]


def test_a_test_of_both_marks_is_refused_when_it_is_read(pytestconfig: pytest.Config) -> None:
    def marked(*marks: pytest.MarkDecorator) -> Any:
        of = SimpleNamespace(iter_markers=lambda: [mark.mark for mark in marks])
        return SimpleNamespace(definition=of, function=marked)

    rules = ours(pytestconfig)
    rules.pytest_generate_tests(marked(pytest.mark.slow))
    rules.pytest_generate_tests(marked(pytest.mark.quick(1)))
    with pytest.raises(pytest.Collector.CollectError, match="marked is marked slow and quick"):
        rules.pytest_generate_tests(marked(pytest.mark.quick(1), pytest.mark.slow))


def test_few_reasons_to_skip_are_allowed(pytestconfig: pytest.Config) -> None:
    rules = ours(pytestconfig)
    assert rules.skip_is_allowed("Skipped: open data absent: curves")
    assert not rules.skip_is_allowed("Skipped: pdftoppm is not installed")


# ---- what shares something is read by one worker -----------------------------------------------


@pytest.mark.parametrize("slow", [False, True])
def test_a_folder_of_quick_tests_stays_together_and_a_slow_module_alone(
    pytestconfig: pytest.Config, *, slow: bool
) -> None:
    def item(name: str, mark: object = None) -> Any:
        return SimpleNamespace(path=Path(name), get_closest_marker=lambda _: mark)

    names = ["a/one", "a/one", "a/one", "b/two", "b/two", "a/three"]
    items = [*map(item, names), *([item("b/four", "slow")] if slow else [])]
    ours(pytestconfig).in_shares(items, 2)
    told = [str(one.path) for one in items]
    if slow:
        assert told == ["b/four", "b/two", "b/two", "a/three", "a/one", "a/one", "a/one"]
    else:
        assert told == ["a/one", "a/one", "a/one", "a/three", "b/two", "b/two"]
