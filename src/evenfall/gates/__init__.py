"""Which readings must be taken again before metal comes off, and what was accepted as it is."""

from evenfall.gates.accepted import Accepted, accepted_gates, unmet
from evenfall.gates.checks import CrossCheck

__all__ = ["Accepted", "CrossCheck", "accepted_gates", "unmet"]
