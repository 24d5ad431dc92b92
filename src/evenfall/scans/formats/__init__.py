"""Readers of scans: points, height maps and meshes, recognised by content.

`read_scan` reads any of them, `is_scan` tells them from hand sheets. Nothing is guessed silently:
a `Scan` says what it was recognised by, where its unit comes from and what could not be used.

Examples
--------
>>> import pathlib, tempfile
>>> with tempfile.TemporaryDirectory() as folder:
...     file = pathlib.Path(folder) / "three.xyz"
...     _ = file.write_text(chr(10).join(["0 0 1.2", "1 0 1.3", "2 0 1.2"]))
...     scan = read_scan(file, ScanOptions(unit="mm"))
>>> isinstance(scan, Scan), scan.unit, scan.unit_from, len(scan.content)
(True, 'mm', 'option', 3)
"""

from evenfall.scans.formats.recognition import is_scan, read_scan
from evenfall.scans.formats.scan import Scan, ScanOptions

__all__ = ["Scan", "ScanOptions", "is_scan", "read_scan"]
