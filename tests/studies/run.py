"""Run one study and write its page: `python3 dev.py study NAME [--count N] [--seed S]`."""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from studies.catalogue import STUDIES  # noqa: E402  (after the path is set)
from studies.study import Study, broken, table  # noqa: E402

PAGES = ROOT / "docs" / "studies"
EVERY_S = 5.0


class Shown:
    """Progress for the person at the keyboard, a line now and then, on standard error."""

    def __init__(self) -> None:
        self.last = time.monotonic()

    def __call__(self, step: str, done: float) -> None:
        if time.monotonic() - self.last > EVERY_S:
            self.last = time.monotonic()
            print(f"study: {100.0 * done:3.0f} %  {step}", file=sys.stderr, flush=True)


def commit() -> str:
    """Return the commit that is checked out, and whether anything was changed since."""

    def git(*arguments: str) -> str:
        command = ["git", "-c", "safe.directory=*", *arguments]
        return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout

    changed = git("status", "--porcelain", "--", "src", "tests").strip()
    return git("rev-parse", "--short", "HEAD").strip() + (" with changes" if changed else "")


def page(study: Study, made: str, *, at: str, seed: int, count: int, minutes: float) -> str:
    """Return the page of a study; `made` is its table."""
    command = f"python3 dev.py study {study.name}"
    command += "" if seed == 1 else f" --seed {seed}"
    return (
        f"# Study: {study.title}\n\n"
        f"<!-- written by `{command}`; do not edit -->\n\n"
        f"{study.words.strip()}\n\n{made}\n"
        f"Commit {at}, seed {seed}, {count} necks or draws a row, "
        f"{minutes:.1f} minutes of processor time. A figure in bold misses its limit. "
        f"Again: `{command}`.\n"
    )


def main(arguments: list[str]) -> int:
    """Run the study that is named; exit 1 if a figure misses its limit."""
    reader = argparse.ArgumentParser(prog="python3 dev.py study", allow_abbrev=False)
    reader.add_argument("name", choices=sorted(STUDIES), help="which study")
    reader.add_argument(
        "--count", type=int, help="necks a row; the page is written only if this is left out"
    )
    reader.add_argument("--seed", type=int, default=1)
    chosen = reader.parse_args(arguments)
    study = STUDIES[chosen.name]
    count = study.count if chosen.count is None else chosen.count
    if count < 1:
        reader.error("--count must be 1 or more")
    at, begun = commit(), time.process_time()
    rows = list(study.run(chosen.seed, count, Shown()))
    minutes = (time.process_time() - begun) / 60.0
    made = table(rows)
    print(made)
    missed = broken(rows)
    for one in missed:
        print(f"study: misses its limit: {one}", file=sys.stderr)
    if chosen.count is None:
        PAGES.mkdir(exist_ok=True)
        path = PAGES / f"{study.name}.md"
        path.write_text(
            page(study, made, at=at, seed=chosen.seed, count=count, minutes=minutes),
            encoding="utf-8",
        )
        print(f"study: wrote {path.relative_to(ROOT)}", file=sys.stderr)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
