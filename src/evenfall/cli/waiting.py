"""What is shown on standard error while something takes longer than two seconds."""

from __future__ import annotations

import sys
import time
from threading import Event, Thread
from types import TracebackType

PATIENCE_S = 2.0
"""Anything quicker needs no word."""

TICK_S = 0.25


class Waiting:
    """Progress on standard error: one line that renews itself, or, without a terminal, one a step.

    Call it with what is being done and which share of it is done.
    """

    def __init__(self) -> None:
        self._what, self._share = "", 0.0
        self._start = time.monotonic()
        self._told = ""
        self._stop = Event()
        self._thread = Thread(target=self._watch, daemon=True)
        self._terminal = sys.stderr.isatty()

    def __call__(self, what: str, share: float) -> None:
        """Note what is being done and which share of it is done, 0 to 1."""
        self._what, self._share = what, share

    def __enter__(self) -> Waiting:
        self._thread.start()
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: object, _trace: TracebackType | None
    ) -> None:
        self._stop.set()
        self._thread.join()
        if self._told and self._terminal:
            sys.stderr.write("\r" + " " * len(self._told) + "\r")
            sys.stderr.flush()

    def _watch(self) -> None:
        while not self._stop.wait(TICK_S):
            elapsed = time.monotonic() - self._start
            if elapsed < PATIENCE_S or not self._what:
                continue
            if not self._terminal:
                if self._told != self._what:
                    self._told = self._what
                    sys.stderr.write(f"{self._what} ...\n")
                    sys.stderr.flush()
                continue
            done = f"{100.0 * self._share:3.0f} %" if 0.0 < self._share < 1.0 else ""
            line = f"{self._what} ... {done} {elapsed:.0f} s".replace("  ", " ")
            sys.stderr.write("\r" + line.ljust(len(self._told)))
            sys.stderr.flush()
            self._told = line
