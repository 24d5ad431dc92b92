"""How many examples a property is tried on: one budget in the quick profile, all under ``--all``.

`conftest.py` loads one of two profiles before any test is read; neither has a deadline, so that a
busy machine fails nothing.
"""

from __future__ import annotations

from typing import Any

from hypothesis import settings

QUICK, ALL = "quick", "all"
QUICK_EXAMPLES = 4
"""Each property's budget in the quick profile: enough to see it broken outright."""

settings.register_profile(QUICK, deadline=None, max_examples=QUICK_EXAMPLES)
settings.register_profile(ALL, deadline=None, max_examples=100)


def draws(examples: int, **more: Any) -> settings:
    """Return the settings of a property: this many examples, or the budget of the profile."""
    if settings.get_current_profile_name() == QUICK:
        examples = min(examples, QUICK_EXAMPLES)
    return settings(max_examples=examples, **more)
