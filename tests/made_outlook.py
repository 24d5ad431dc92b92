"""What a plan made up for a test says of the neck and of pitch."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from evenfall.plan.outlook import Outlook
from evenfall.requirement import State


def said_of_the_neck(bow_mm_per_mm: NDArray[np.float64]) -> dict[str, Any]:
    """Return those fields of a plan: level, every note clear, no end known, no note moved."""
    level = np.zeros(bow_mm_per_mm.shape)
    clear = np.full(level.shape, State.HOLDS, dtype=np.int8)
    return {
        "smallest_cut_mm": 0.02,
        "lifted_mm": level,
        "level_mm": level,
        "stands_out_mm": level,
        "level_after_mm": level,
        "stands_out_after_mm": level,
        "state_before": clear,
        "state_after": clear,
        "bow_mm_per_mm": bow_mm_per_mm,
        "pitch_change_cents": np.zeros(bow_mm_per_mm.shape),
        "pitch_uncrowned_cents": np.zeros(bow_mm_per_mm.shape),
        "outlook": Outlook(
            relief_low_mm=-np.inf,
            relief_high_mm=np.inf,
            low_end=None,
            high_end=None,
            tension_less_n=np.inf,
            tension_more_n=np.inf,
            humidity_percent=50.0,
            humidity_noted=False,
            humidity_low_percent=10.0,
            humidity_high_percent=90.0,
            rod_turns_count=np.nan,
            rod_turns_u_count=np.nan,
            stiffness="default",
        ),
    }
