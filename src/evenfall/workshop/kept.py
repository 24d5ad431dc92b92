"""Excursion tables kept on disk: a specification seen before is quick."""

from __future__ import annotations

import io
import os
from pathlib import Path

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.errors import Progress, RequestError, silent
from evenfall.files import write_atomically
from evenfall.instrument import Specification, string_lines
from evenfall.strings.excursion import ExcursionTable, excursion_key, excursion_table

KEPT_TABLES = 200
"""Tables kept; the oldest go first."""


def excursion(specification: Specification, progress: Progress = silent) -> ExcursionTable:
    """Return the excursion table of a specification, from disk if it was computed before."""
    size = specification.frets + 1
    count = specification.string_count
    kept = _folder() / f"excursion-{excursion_key(specification)}.npy"
    try:
        table = np.load(kept, allow_pickle=False)
        if table.shape == (4 * size + 1, count, size) and np.isfinite(table).all():
            swings = table[:-1].reshape(2, 2, size, count, size).swapaxes(2, 3)
            return ExcursionTable(swings[0], swings[1], table[-1])
    except (OSError, ValueError, EOFError):
        pass  # not kept yet, or damaged: compute it
    progress("Working out how the strings swing", 0.0)
    computed = excursion_table(specification, string_lines(specification))
    progress("Working out how the strings swing", 1.0)
    swings = np.stack([computed.whole_mm_per_n, computed.first_mm_per_n]).swapaxes(2, 3)
    rows = swings.reshape(4 * size, count, size)
    _keep(kept, np.concatenate([rows, computed.compliance_mm_per_n[None]]))
    return computed


def _folder() -> Path:
    if named := os.environ.get("EVENFALL_CACHE"):
        return Path(named)
    base = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    return (Path(base) if base else Path.home() / ".cache") / "evenfall"


def _keep(path: Path, table: FloatArray) -> None:
    """Keep a table for next time; a full disk or a read-only home is no reason to stop."""
    stream = io.BytesIO()
    np.save(stream, table, allow_pickle=False)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_atomically(path, stream.getvalue())
        others = sorted(path.parent.glob("excursion-*.npy"), key=lambda p: p.stat().st_mtime)
        for old in others[:-KEPT_TABLES]:
            old.unlink(missing_ok=True)
    except (OSError, RequestError):
        pass
