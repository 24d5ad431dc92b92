"""Which tests run, and when a skipped test counts as a failure.

Tests marked ``slow`` run with ``--all``, in CI, and when named or selected by the caller; so do,
of a test marked ``quick(n)``, the cases after the first n. A test that bears both is refused:
it would have no quick case.
Properties are tried on all their examples with ``--all`` and in CI (`draws.py`).
In CI every tool is installed, so a test that skips there has not been done: it fails, unless its
reason is in `ALLOWED_SKIPS`.
"""

from __future__ import annotations

import contextlib
import gc
import math
import os
import re
import shutil
from collections import Counter
from collections.abc import Callable, Generator, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import settings

import draws
from evenfall.arrays import shut
from evenfall.cli import waiting
from evenfall.strings import excursion

if TYPE_CHECKING:
    from evenfall.instrument import Specification, StringLines
    from evenfall.strings.damping import Damping
    from records.servers import Server

#: Reasons for which a test may skip even in CI, as regular expressions over the whole reason.
ALLOWED_SKIPS = (
    # Some published data may not be copied into the repository; see open_data.py.
    r"open data absent(: .*)?",
    # Behaviour that one operating system has and another has not.
    r"only on (Windows|macOS|Linux)",
)

IN_CI = os.environ.get("CI", "").lower() in ("1", "true")


work_out_table = excursion.excursion_table
TABLES: dict[object, excursion.ExcursionTable] = {}


def table_once(
    specification: Specification, lines: StringLines, damping: Damping | None = None
) -> excursion.ExcursionTable:
    """Work out the excursion table of an instrument once a process: it takes half a second.

    Whatever it may depend on is part of the key, and nobody can write to what is kept.
    """
    strings, player = repr(specification.strings), repr(specification.player)
    places = lines.station_mm.tobytes(), lines.saddle_station_mm.tobytes()
    key = (specification.frets, strings, player, *places, damping)
    if key not in TABLES:
        TABLES[key] = work_out_table(specification, lines, damping)
        shut(TABLES[key])
    return TABLES[key]


excursion.excursion_table = table_once  # before any module takes it by name


def skip_is_allowed(reason: str) -> bool:
    """Say whether a test may skip in CI for this reason."""
    bare = reason.removeprefix("Skipped: ")
    return any(re.fullmatch(allowed, bare) for allowed in ALLOWED_SKIPS)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--all", action="store_true", help="also run the tests marked slow")


def pytest_configure(config: pytest.Config) -> None:
    gc.disable()  # to read the tests makes thousands of things, and next to no garbage
    settings.load_profile(draws.ALL if IN_CI or config.getoption("--all") else draws.QUICK)


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Refuse a test that is slow as a whole and names quick cases too: none of them would run."""
    marks = {mark.name for mark in metafunc.definition.iter_markers()}  # none of its cases' own
    if {"slow", "quick"} <= marks:
        name = metafunc.function.__name__
        text = f"{name} is marked slow and quick, so no case is quick; drop one mark"
        raise pytest.Collector.CollectError(text)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    seen: Counter[str] = Counter()
    for item in items:
        if quick := item.get_closest_marker("quick"):
            test = item.nodeid.partition("[")[0]
            seen[test] += 1
            if seen[test] > quick.args[0]:
                item.add_marker(pytest.mark.slow)
    named = any("::" in argument for argument in config.invocation_params.args)
    if not (IN_CI or config.getoption("--all") or config.getoption("-m") or named):
        slow = [item for item in items if item.get_closest_marker("slow")]
        items[:] = [item for item in items if not item.get_closest_marker("slow")]
        config.hook.pytest_deselected(items=slow)
    in_shares(items, int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1")))


def in_shares(items: list[pytest.Item], workers: int) -> None:
    """Put tests in order: a share for each worker, in which the slow modules come first.

    A worker begins with one share, and who is done takes over from the end of another's: quick
    tests, so that none is left with a slow one while the others are done. A module stays together,
    so that what its tests share is built once; a folder too, where every test is quick.
    """
    long = {item.path for item in items if item.get_closest_marker("slow")}
    parts: dict[Path, list[pytest.Item]] = {}
    for item in items:
        parts.setdefault(item.path if long else item.path.parent, []).append(item)
    shares: list[list[pytest.Item]] = [[] for _ in range(workers)]
    for path in sorted(parts, key=lambda path: (path not in long, -len(parts[path]))):
        min(shares, key=len).extend(parts[path])
    items[:] = [item for share in shares for item in share]


def pytest_collection_finish() -> None:
    """Leave the thousands of tests and the modules out of every later search for garbage."""
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)
    gc.enable()


@pytest.fixture(scope="session")
def run_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder that all workers of this run share."""
    own = tmp_path_factory.getbasetemp()  # a worker's lies in that of the run
    return own.parent if "PYTEST_XDIST_WORKER" in os.environ else own


@pytest.fixture(scope="session")
def with_examples(kept_tables: None, run_folder: Path) -> Callable[[Path], Path]:
    """Return what makes a folder the archive of the invented instruments: a copy, built once."""

    def build(folder: Path) -> None:
        from evenfall import workshop
        from evenfall.workshop.examples import file_examples

        with workshop.archive(str(folder), make=True) as dossiers:
            file_examples(dossiers, at="2026-05-04T10:00:00Z")

    return copied(run_folder / "examples", build)


def copied(kept: Path, build: Callable[[Path], None]) -> Callable[[Path], Path]:
    """Return what copies a folder that the first worker to want it builds for all."""

    def copy(folder: Path) -> Path:
        if not kept.exists():
            own = kept.with_name(f"{kept.name}-{os.getpid()}")
            build(own)
            with contextlib.suppress(OSError):  # another worker was first; theirs will do
                own.rename(kept)
        return shutil.copytree(kept, folder, dirs_exist_ok=True)

    return copy


@pytest.fixture(scope="session", autouse=True)
def kept_tables(run_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep excursion tables in one folder of this run, so that each is computed once.

    So are the tables of a new archive (new_tables.py), and a password is hashed at little cost
    (light_passwords.py). The user's own settings, with the key that signs, are left alone.
    """
    from evenfall.records import accounts, archive
    from light_passwords import hashed_lightly
    from new_tables import upgrade_once

    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("EVENFALL_CACHE", str(run_folder / "kept"))
        patch.setenv("EVENFALL_SETTINGS", str(tmp_path_factory.mktemp("settings")))
        patch.delenv("EVENFALL_ARCHIVE", raising=False)
        patch.setattr(archive, "upgrade", upgrade_once)
        patch.setattr(accounts, "_hashed", hashed_lightly)
        yield


@pytest.fixture(autouse=True)
def unhurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let no command show its progress, which it does after two seconds on a busy machine."""
    monkeypatch.setattr(waiting, "PATIENCE_S", math.inf)


def fail_instead_of_skip(report: pytest.TestReport | pytest.CollectReport) -> None:
    """Turn a skip that CI does not allow into a failure that says so."""
    if not IN_CI or not report.skipped or hasattr(report, "wasxfail"):
        return
    place_and_reason = report.longrepr
    reason = place_and_reason[2] if isinstance(place_and_reason, tuple) else str(place_and_reason)
    if not skip_is_allowed(reason):
        report.outcome = "failed"
        report.longrepr = f"skipped in CI, where nothing may be missing: {reason}"


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_makereport() -> Generator[None, Any, Any]:
    report = yield
    fail_instead_of_skip(report)
    return report


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_make_collect_report() -> Generator[None, Any, Any]:
    report = yield
    fail_instead_of_skip(report)
    return report


# ---- archives on both engines, PostgreSQL under --all; without a server its tests skip ----------

ENGINES = ("sqlite", pytest.param("postgresql", marks=pytest.mark.slow))


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    from records import servers

    if servers.programs() is None:
        pytest.skip("no PostgreSQL server is installed")
    with servers.server() as started:
        yield started


@pytest.fixture(params=ENGINES)
def new_address(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[str], str]:
    """Return what gives the address of a new archive of a name, on one engine and on the other."""

    def named(name: str) -> str:
        if request.param == "sqlite":
            return str(tmp_path / name)
        server: Server = request.getfixturevalue("postgres")
        return server.address(tmp_path / f"{name}-files")

    return named
