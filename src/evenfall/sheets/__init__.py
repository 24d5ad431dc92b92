"""Hand sheets: readings typed at the bench in, a measurement and findings out.

`read_measurement` reads one or more sheets of one instrument, `write_template` writes an empty one.
"""

from evenfall.sheets.hand import read_measurement
from evenfall.sheets.template import write_template

__all__ = ["read_measurement", "write_template"]
