"""The pages as a person starts them, with the invented examples, and what their server uses."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def started(archive: str = "") -> Iterator[tuple[int, str]]:
    """Serve an archive, one of its own if none is named; yield process and address of the pages."""
    command = [sys.executable, "-m", "evenfall", "serve", "--port", "0", "--example"]
    with tempfile.TemporaryDirectory() as folder:
        server = subprocess.Popen(  # noqa: S603 (our own command line)
            [*command, "--archive", archive or f"{folder}/archive"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
        try:
            assert server.stdout is not None
            yield server.pid, server.stdout.readline().removeprefix("The pages: ").strip()
        finally:
            server.terminate()
            server.wait(30)


def processor_ms(process: int) -> float:
    """Return the processor time that a process has used [ms]."""
    fields = Path(f"/proc/{process}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()
    return 1000.0 * (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def percentile(values: Sequence[float], share: float) -> float:
    """Return the value that a share of all does not exceed."""
    return sorted(values)[min(len(values) - 1, int(share * len(values)))]
