"""A whole simulated machine, headless, runs our programs and goes where they say.

LinuxCNC (GPL) with drives that lag, started as a process of its own in namespaces of its own; the
clock runs five times as fast, or twice where the computer is too busy for that. What it needs:
the Debian packages `linuxcnc-uspace` and `faketime`, and the right to make namespaces.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from evenfall.work.trace import trace
from work.interpreter import TOOL_TABLE, needed
from work.made_programs import made_job, parts_text

HERE = Path(__file__).parent / "machine"
FASTER = (5, 2)
NEAR_MM = 0.02
HOME_MM = (0.0, 0.0, 50.0)


def run(text: str, folder: Path) -> dict:
    """Run a program on the simulated machine; return where it was and what it said."""
    needed()
    for tool in ("faketime", "unshare"):
        if shutil.which(tool) is None:
            pytest.skip(f"{tool} is not installed")
    for one in HERE.iterdir():
        if one.is_file():
            shutil.copy(one, folder)
    (folder / "tool.tbl").write_text(TOOL_TABLE, encoding="ascii")
    (folder / "program.ngc").write_text(text, encoding="ascii")
    folder.chmod(0o777)
    for faster in FASTER:
        result = folder / "result.json"
        result.unlink(missing_ok=True)
        done = subprocess.run(
            [
                *("./box.sh", str(folder), "faketime", "-f", f"+0 x{faster}"),
                *("linuxcnc", "-r", "machine.ini"),
            ],
            cwd=folder,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
        )
        told = done.stdout + done.stderr
        assert result.is_file(), told[-2000:]
        found = json.loads(result.read_text(encoding="utf-8"))
        # its own parts did not answer one another in time: that says nothing of the program
        if "command timeout" not in told and found["refused"] != "not homed":
            break
    return found


def quick(job):
    """Return a job whose cutters feed some times as fast: the test has a minute, not ten."""
    faster = tuple(
        replace(
            one,
            uses={m: replace(u, chip_mm=3.0 * u.chip_mm) for m, u in one.uses.items()},
            depth_of_cut_mm=1.0,
        )
        for one in job.cutters
    )
    return replace(job, cutters=faster, machine=replace(job.machine, spin_up_s=0.1))


def distances(points: np.ndarray, start: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Return how far each point is from the nearest of many straight pieces."""
    step = end - start
    square = np.maximum((step * step).sum(axis=1), 1e-18)
    found = []
    for some in np.array_split(points, max(1, len(points) * len(start) // 2_000_000)):
        share = ((some[:, None] - start) * step).sum(axis=2) / square
        nearest = start + np.clip(share, 0.0, 1.0)[..., None] * step
        found.append(np.sqrt(((some[:, None] - nearest) ** 2).sum(axis=2)).min(axis=1))
    return np.concatenate(found)


def only_first(job):
    """Return a job that cuts the first of its frets alone, if it cuts any."""
    first = min((crown.fret for crown in job.piece.crowns if crown.is_cut), default=None)
    crowns = tuple(
        crown if crown.fret == first else replace(crown, removal_mm=0.0 * crown.removal_mm)
        for crown in job.piece.crowns
    )
    return replace(job, piece=replace(job.piece, crowns=crowns))


CASES = {
    "ball end, fanned, left-handed": {
        "seed": 4,
        "cutter": 2,
        "frets": 12,
        "strings": 4,
        "fanned": True,
        "left": True,
    },
    "four slots of a nut, inches": {
        "seed": 8,
        "machine": "row",
        "frets": 12,
        "strings": 4,
        "parts": parts_text(stock=0.1).partition("[saddle]")[0],
        "cuts": ("nut",),
    },
}


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_the_machine_goes_where_the_program_says(name: str, tmp_path: Path) -> None:
    job = only_first(quick(made_job(**CASES[name])))
    text = job.program()
    traced = trace(text)
    assert 80 < len(traced.line) <= 3000
    result = run(text, tmp_path)
    assert result["refused"] == ""
    assert any(f"end of program {job.plan.code}" in said for said in result["messages"])
    points = np.array(result["points"])
    home = np.abs(points - HOME_MM).max(axis=1) < 1e-3
    points = points[np.flatnonzero(home)[-1] :]  # before that it was being homed
    # it begins where it was homed: what a program has not named yet starts there
    start, end = traced.start_mm.copy(), traced.end_mm.copy()
    start[0] = points[0]
    end[0, :2] = points[0, :2]
    start[1, :2] = points[0, :2]
    assert distances(points, start, end).max() < NEAR_MM
    assert distances(end, points[:-1], points[1:]).max() < NEAR_MM


@pytest.mark.slow
def test_a_program_over_the_travel_is_refused_by_us_first(tmp_path: Path) -> None:
    job = only_first(quick(made_job(seed=3, cutter=1, frets=12, fixture=True)))
    far = job.program().replace("\nM5\nM9\n", "\nG0 X950.000\nM5\nM9\n")
    assert "X950" in far
    wrong = [one for one in job.faults(far) if one.code == "program-limit"]
    assert [far.split("\n")[one.at.lines[0] - 1] for one in wrong] == ["G0 X950.000"]
    result = run(far, tmp_path)
    assert not any("end of program" in said for said in result["messages"])
    assert np.array(result["points"])[:, 0].max(initial=0.0) < 900.0
