"""Which readings must be taken again before metal comes off, and what was accepted as it is.

Examples
--------
>>> check = CrossCheck("action", 1, 12, 1.61, 1.60, 0.02, True)
>>> str(check.said)
'Action of string 1 at fret 12: by hand 1.610 mm, by the heights 1.600 mm: they agree.'
>>> Gates((), (), (check,)).checks[0].agrees
True
>>> import evenfall as ef
>>> readings = ef.Source.invented("tesquil-before.csv")
>>> taken = ef.measure(ef.MeasureRequest((readings,), ef.Source.invented("tesquil.spec.toml")))
>>> specification, found = taken.specification, taken.measurement
>>> open_gates(specification, found, None).unmet
()
>>> str(no_second_reading(specification, found, found)).partition(",")[0]
'The second reading has the very figure of the first on 132 of 132 crown tops'
>>> [one.at.field for one in next_readings(specification, found)][-1]
'crown_again'
"""

from evenfall.gates.accepted import (
    Accepted,
    accept_key,
    accepted_gates,
    accepted_with_plan,
    check_used,
    unmet,
)
from evenfall.gates.checks import CrossCheck
from evenfall.gates.opened import Gates, next_readings, no_second_reading, open_gates

__all__ = [
    "Accepted",
    "CrossCheck",
    "Gates",
    "accept_key",
    "accepted_gates",
    "accepted_with_plan",
    "check_used",
    "next_readings",
    "no_second_reading",
    "open_gates",
    "unmet",
]
