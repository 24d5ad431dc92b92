"""Plan: what comes off which crossing, what is adjusted, and why; data only.

`Plan.as_dict` is the contract with other programs; docs/reference/json.md lists its keys.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from evenfall.errors import BrokenFileError, FormatMismatchError
from evenfall.measurement import content_hash

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

SCHEMA = "evenfall/plan@1"

Status = Literal["optimal", "relaxed", "infeasible"]

#: The ways of working, in the order of growing effort, with their name for people.
WAYS: dict[str, str] = {
    "adjust": "adjust only",
    "spot": "spot work on the fewest frets",
    "each": "every crossing by its own amount",
    "beam": "levelling beam by hand",
    "part-refret": "replace the fewest frets",
    "refret": "plane the board and replace every fret",
}
