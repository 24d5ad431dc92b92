"""The files of one instrument to one measurement: hand sheets, a scan, or a scan with sheets."""

from evenfall.readings.of_instrument import InstrumentReadings, read_files

__all__ = ["InstrumentReadings", "read_files"]
