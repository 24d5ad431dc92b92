"""How far the neck may move before a plan no longer holds."""

from __future__ import annotations

import math
from typing import get_args

from evenfall.codec import Content
from evenfall.codec.forms import NAN, choice, content_dataclass, number, truth
from evenfall.codec.forms import part as piece
from evenfall.neck.stiffness import StiffnessOrigin
from evenfall.plan.limits import LimitReached
from evenfall.plan.ranges import HEIGHT


@content_dataclass()
class Outlook(Content):
    """How far the neck may move before the plan no longer holds, and what would move it."""

    relief_low_mm: float = number(*HEIGHT, "lowest relief at which the plan holds", null=-math.inf)
    relief_high_mm: float = number(*HEIGHT, "highest relief at which the plan holds", null=math.inf)
    low_end: LimitReached | None = piece(
        LimitReached, "the limit that ends it first at less relief", null=None
    )
    high_end: LimitReached | None = piece(
        LimitReached, "the limit that ends it first at more relief", null=None
    )
    tension_less_n: float = number(
        0.0,
        1e9,
        "by how much the strings may pull less, in all, with 2 u of the neck's stiffness counted",
        null=math.inf,
    )
    tension_more_n: float = number(0.0, 1e9, "by how much they may pull more", null=math.inf)
    humidity_percent: float = number(0.0, 100.0, "relative humidity of the air during the readings")
    humidity_noted: bool = truth("whether it was noted, or the usual one is taken")
    humidity_low_percent: float = number(
        0.0, 100.0, "lowest humidity at which the plan holds once the wood rests in it, 2 u counted"
    )
    humidity_high_percent: float = number(0.0, 100.0, "highest humidity at which it holds")
    rod_turns_count: float = number(
        -1e6,
        1e6,
        "turns of the truss rod for the change of relief, tightening is positive; "
        "null while no turn was measured",
        null=NAN,
    )
    rod_turns_u_count: float = number(0.0, 1e6, "standard uncertainty of the turns", null=NAN)
    stiffness: StiffnessOrigin = choice(
        get_args(StiffnessOrigin), "where the neck's stiffness comes from"
    )
