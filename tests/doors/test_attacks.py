"""Every attack gets one sentence, soon, in bounded memory, and leaves nothing half-written."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from doors.attacks import ATTACKS, INVENTED, PLAN, Words, sealed

MOST_S = 5.0
"""Processor time, starting included."""

MOST_BYTES = 500_000_000

LIMITED = (shutil.which("prlimit") or "prlimit", "--cpu=60")
"""An attack that works is ended too."""

MEASURED = """
import resource, subprocess, sys
status = subprocess.call(sys.argv[1:], stdout=subprocess.DEVNULL)
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(status, used.ru_utime + used.ru_stime, used.ru_maxrss)
"""
"""A small process that starts the command: Linux counts what the starting one held as its peak."""

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


def answered(folder: Path, words: Words) -> tuple[int, str, float, int]:
    """Run a command by itself; return exit status, error, processor time [s] and peak memory."""
    own = {"OPENBLAS_NUM_THREADS": "1", "XDG_DATA_HOME": str(folder / "own")}
    ran = subprocess.run(
        [
            sys.executable,
            "-I",
            "-S",
            "-c",
            MEASURED,
            *LIMITED,
            sys.executable,
            "-m",
            "evenfall",
            *words,
        ],
        cwd=folder,
        capture_output=True,
        env={**os.environ, **own},
        check=True,
    )
    status, taken_s, peak_kib = ran.stdout.decode("ascii").split()
    return int(status), ran.stderr.decode("utf-8"), float(taken_s), 1024 * int(peak_kib)


@pytest.mark.slow
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only on Linux")
@pytest.mark.parametrize("name", ATTACKS)
def test_an_attack_gets_one_sentence_and_costs_little(folder: Path, name: str) -> None:
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


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only on Linux")
def test_what_a_command_takes_is_seen(folder: Path) -> None:
    """The process, its threads and what it started are counted, and no other."""
    status, error, taken_s, peak_bytes = answered(folder, ("quality", "lot", "--pieces", "1"))
    assert status == 2
    assert "--pieces" in error
    assert 0.01 < taken_s < 60.0
    assert peak_bytes > 10_000_000


def test_the_seal_of_an_attack_is_that_of_the_program() -> None:
    """Else a changed file would be refused for its hash, and what is in it never be met."""
    text = PLAN.read_text(encoding="utf-8")
    for file in (json.loads(text), json.loads(text)["measurement"]):
        assert json.loads(sealed(file)) == file
