"""Every reader of readings: hand sheets and scans in, a measurement and findings out.

`read_measurement` reads hand sheets, `read_scanned` a scan with the sheets beside it; `is_scan`
tells the two kinds of file apart.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from evenfall.intake.hand import read_measurement
from evenfall.intake.template import write_template

if TYPE_CHECKING:
    from evenfall.intake.dense import is_scan
    from evenfall.intake.scanned import read_scanned

__all__ = ["is_scan", "read_measurement", "read_scanned", "write_template"]


def __getattr__(name: str) -> Any:
    """Load the readers of scans when they are first asked for: hand sheets do without them."""
    if name == "is_scan":
        from evenfall.intake.dense import is_scan

        return is_scan
    if name == "read_scanned":
        from evenfall.intake.scanned import read_scanned

        return read_scanned
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
