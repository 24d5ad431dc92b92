"""The files of one instrument to one measurement: hand sheets, a scan, or a scan with sheets.

Examples
--------
>>> from importlib import resources
>>> import evenfall as ef
>>> from evenfall.instrument import read_specification
>>> spec_file = ef.Source.invented("tesquil.spec.toml")
>>> spec, remarks = read_specification(spec_file.text(), source=spec_file.name)
>>> with resources.as_file(resources.files("evenfall") / "invented" / "tesquil-before.csv") as path:
...     taken = read_files([path], spec, serial="UY-0417")
>>> type(taken).__name__, taken.measurement.serial
('InstrumentReadings', 'UY-0417')
"""

from evenfall.readings.of_instrument import read_files
from evenfall.readings.scanned import InstrumentReadings

__all__ = ["InstrumentReadings", "read_files"]
