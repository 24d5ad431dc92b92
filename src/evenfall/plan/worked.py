"""What plans took off before some readings were taken: no wear to whoever reads them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from evenfall.neck.wear import before_filing

if TYPE_CHECKING:
    from collections.abc import Sequence

    from evenfall.measurement import Measurement
    from evenfall.plan.plan import Plan


def before_work(after: Measurement, worked: Sequence[Plan]) -> Measurement:
    """Return readings with crowns as high as before some plans, oldest first, were worked."""
    found = after
    for plan in reversed(worked):
        found = before_filing(found, plan.measurement, plan.filed_mm)
    return found
