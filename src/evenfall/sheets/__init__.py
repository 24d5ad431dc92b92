"""Hand sheets: readings typed at the bench in, a measurement and findings out.

`read_measurement` reads one or more sheets of one instrument, `empty_sheet` makes one to fill in.

`read_tidy` reads a sheet of many instruments, a row for each reading.

Examples
--------
>>> SheetFile("readings.csv", b"quantity,string,fret,value,unit").name
'readings.csv'
>>> KnownGauge("dial 3", "relief", 0.006, "2026-03-09").name
'dial 3'
"""

from evenfall.sheets.cells import SheetFile
from evenfall.sheets.hand import read_measurement
from evenfall.sheets.readings import KnownGauge
from evenfall.sheets.template import empty_sheet
from evenfall.sheets.tidy import read_tidy

__all__ = ["KnownGauge", "SheetFile", "empty_sheet", "read_measurement", "read_tidy"]
