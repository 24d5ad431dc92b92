"""Readers of scans: points, height maps and meshes, recognised by content.

`read_scan` reads any of them, `is_scan` tells them from hand sheets. Nothing is guessed silently:
a `Scan` says what it was recognised by, where its unit comes from and what could not be used.
"""

from evenfall.scans.formats.recognition import is_scan, read_scan
from evenfall.scans.formats.scan import Scan, ScanOptions

__all__ = ["Scan", "ScanOptions", "is_scan", "read_scan"]
