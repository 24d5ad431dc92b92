"""Heights of one instrument with their uncertainty, and the measurement that holds them.

Examples
--------
>>> import evenfall as ef
>>> readings = ef.Source.invented("tesquil-before.csv")
>>> outcome = ef.measure(ef.MeasureRequest((readings,), ef.Source.invented("tesquil.spec.toml")))
>>> found = outcome.measurement
>>> isinstance(found, Measurement), isinstance(found.heights, Heights)
(True, True)
>>> Origin(found.heights.origin[0, 1]).name
'READ'
>>> all(isinstance(one, Shared) for one in found.heights.shared)
True
>>> found.scanned is None  # read by hand; of a scan it is a `Scanned`
True
>>> isinstance(found.direct, tuple) and all(isinstance(one, Direct) for one in found.direct)
True
"""

from evenfall.measurement.heights import Heights, Origin, Shared
from evenfall.measurement.measurement import Direct, Measurement
from evenfall.measurement.scanned import Scanned

__all__ = ["Direct", "Heights", "Measurement", "Origin", "Scanned", "Shared"]
