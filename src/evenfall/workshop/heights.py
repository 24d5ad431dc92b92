"""The heights of an instrument, as found or after a plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

from evenfall.errors import RequestError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from evenfall.measurement import Measurement
    from evenfall.plan import Plan

    FloatArray = NDArray[np.float64]
    Heights = tuple[FloatArray, FloatArray, FloatArray]


def heights(measurement: Measurement, plan: Plan | None, *, needed_by: str) -> Heights:
    """Return nut, crown tops and saddle over the datum [mm]: as found, or after the plan.

    Parameters
    ----------
    measurement
        The readings.
    plan
        The plan, if the state after it is wanted.
    needed_by
        What needs them, for the message.

    Raises
    ------
    RequestError
        A height is missing.
    """
    import numpy as np

    chosen = (
        (measurement.nut_mm, measurement.crown_top_mm, measurement.saddle_mm)
        if plan is None
        else (plan.nut_after_mm, plan.crown_top_after_mm, plan.saddle_after_mm)
    )
    if not all(bool(np.isfinite(height).all()) for height in chosen):
        raise RequestError(
            f"{needed_by} needs every nut slot, crown top and saddle; read what is missing and "
            "measure again."
        )
    return chosen
