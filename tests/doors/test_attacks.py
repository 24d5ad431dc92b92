"""Every attack gets one sentence, soon, in bounded memory, and leaves nothing half-written."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from doors.attacks import ATTACKS, INVENTED, PLAN, Words, sealed

MOST_S = 4.5
"""Processor time of a command once the program has started, which takes less than half a second."""

MOST_BYTES = 500_000_000
"""What the program and its libraries take is counted too."""

COMMANDS = """
import json, os, resource, sys
from evenfall.__main__ import main
AWAY = os.open(os.devnull, os.O_RDWR)

def begin(folder, words, error):
    own = os.open(error, os.O_WRONLY | os.O_CREAT, 0o600)
    for number, target in enumerate((AWAY, AWAY, own)):
        os.dup2(target, number)
    os.chdir(folder)
    os.environ["XDG_DATA_HOME"] = os.path.join(folder, "own")
    resource.setrlimit(resource.RLIMIT_CPU, (60, 60))  # an attack that works is ended too
    sys.argv = ["evenfall", *words]
    main()

def run(*given):
    child = os.fork()
    if not child:
        begin(*given)
        sys.exit(0)
    _, status, used = os.wait4(child, 0)
    return os.waitstatus_to_exitcode(status), used.ru_utime + used.ru_stime, used.ru_maxrss

try:  # a readings file that is none: what reads and checks is loaded once, for all
    sys.argv = ["evenfall", "plan", sys.argv[1], "--spec", sys.argv[1]]
    main()
except SystemExit:
    pass
for line in sys.stdin:
    print(json.dumps(run(*json.loads(line))), flush=True)
"""
"""A process that has loaded the program and becomes one command after the other."""

NAMES = (
    *("tesquil.spec.toml", "tesquil-before.csv", "tesquil-after.csv"),
    *("yard.machine.toml", "yard.cutters.toml"),
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder with sound files beside which the attacks stand."""
    for name in NAMES:
        (tmp_path / name).write_bytes((INVENTED / name).read_bytes())
    (tmp_path / "a.plan.json").write_bytes(PLAN.read_bytes())
    return tmp_path


def files(folder: Path) -> dict[str, int]:
    """Return what lies in a folder, with the size of each file."""
    found = (path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): path.stat().st_size for path in found}


Answer = Callable[[Path, Words], tuple[int, str, float, int]]


@pytest.fixture(scope="module")
def answered() -> Iterator[Answer]:
    """Return what runs a command by itself.

    It returns the exit status, what was said, the processor time [s] and the peak memory [bytes].
    """
    with subprocess.Popen(
        [sys.executable, "-c", COMMANDS, str(INVENTED / "tesquil.spec.toml")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        text=True,
    ) as commands:
        given, told = commands.stdin, commands.stdout
        assert given is not None
        assert told is not None

        def run(folder: Path, words: Words) -> tuple[int, str, float, int]:
            error = folder.with_name(f"{folder.name}-said")
            given.write(json.dumps([str(folder), words, str(error)]) + "\n")
            given.flush()
            status, taken_s, peak_kib = json.loads(told.readline())
            return status, error.read_text(encoding="utf-8"), taken_s, 1024 * peak_kib

        yield run


@pytest.mark.slow
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only on Linux")
@pytest.mark.parametrize("name", ATTACKS)
def test_an_attack_gets_one_sentence_and_costs_little(
    folder: Path, name: str, answered: Answer
) -> None:
    words = ATTACKS[name](folder)
    before = files(folder)
    status, error, taken_s, peak_bytes = answered(folder, words)
    print(f"{name}: {taken_s:.1f} s, {peak_bytes / 1e6:.0f} MB, {error[:200]}")
    said = [line for line in error.splitlines() if not line.endswith(" ...")]
    assert status == 2, error[-500:]
    assert len(said) == 1, said[:5]
    assert said[0].startswith("evenfall: ")
    assert said[0].isprintable()
    assert said[0].endswith((".", "?"))
    assert len(said[0]) < 700
    assert files(folder) == before
    assert taken_s < MOST_S
    assert peak_bytes < MOST_BYTES


@pytest.mark.slow
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only on Linux")
def test_what_a_command_takes_is_seen(folder: Path, answered: Answer) -> None:
    """The process and what it started are counted, and no other."""
    status, error, short_s, small_bytes = answered(folder, ("quality", "lot", "--pieces", "1"))
    assert status == 2
    assert "--pieces" in error
    job = ("plan", "tesquil-before.csv", "--spec", "tesquil.spec.toml")
    status, error, long_s, large_bytes = answered(folder, job)
    assert status == 0, error
    assert long_s > short_s
    assert large_bytes > small_bytes > 10_000_000


def test_the_seal_of_an_attack_is_that_of_the_program() -> None:
    """Else a changed file would be refused for its hash, and what is in it never be met."""
    text = PLAN.read_text(encoding="utf-8")
    for file in (json.loads(text), json.loads(text)["measurement"]):
        assert json.loads(sealed(file)) == file
