"""Many instruments together: stable and capable processes, gauges that can tell, lots that pass.

Readings come in as arrays, results go out as data. `Series` holds readings of one quantity.

Examples
--------
>>> import numpy as np
>>> chart = control_chart(Series("relief", "mm", np.array([0.2, 0.3, 0.2, 0.3])), "individuals")
>>> isinstance(chart, ControlChart), Phase(1).first, Excluded(2, "burr").point
(True, 1, 2)
>>> isinstance(capability(Series("gap", "mm", np.array([1.0, 2.0])), Tolerance(0.0)), Capability)
True
"""

from evenfall.production.capability import Capability, Tolerance, capability
from evenfall.production.charts import ControlChart, Excluded, Phase, control_chart
from evenfall.production.series import Series

__all__ = [
    "Capability",
    "ControlChart",
    "Excluded",
    "Phase",
    "Series",
    "Tolerance",
    "capability",
    "control_chart",
]
