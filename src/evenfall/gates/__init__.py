"""Which readings must be taken again before metal comes off, and what was accepted as it is."""

from evenfall.gates.accepted import Accepted, accepted_gates, check_used, unmet
from evenfall.gates.checks import CrossCheck
from evenfall.gates.opened import Gates, open_gates

__all__ = [
    "Accepted",
    "CrossCheck",
    "Gates",
    "accepted_gates",
    "check_used",
    "open_gates",
    "unmet",
]
