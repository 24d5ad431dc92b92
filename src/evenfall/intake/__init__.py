"""Every reader of readings: hand sheets in, a measurement and findings out."""

from evenfall.intake.hand import read_measurement
from evenfall.intake.template import write_template

__all__ = ["read_measurement", "write_template"]
