"""Many instruments together: stable and capable processes, gauges that can tell, lots that pass.

Readings come in as arrays, results go out as data. `Series` holds readings of one quantity.

Examples
--------
>>> import numpy as np
>>> chart = control_chart(Series("relief", "mm", np.array([0.2, 0.3, 0.2, 0.3])), "individuals")
>>> isinstance(chart, ControlChart), Phase(1).first, Excluded(2, "burr").point
(True, 1, 2)
"""

from evenfall.production.charts import ControlChart, Excluded, Phase, control_chart
from evenfall.production.series import Series

__all__ = ["ControlChart", "Excluded", "Phase", "Series", "control_chart"]
