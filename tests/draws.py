"""How much is tried: a few examples and cases in the quick profile, all under ``--all``.

`conftest.py` loads one of two profiles before any test is read; neither has a deadline, so that a
busy machine fails nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest
from hypothesis import settings

QUICK, ALL = "quick", "all"
QUICK_EXAMPLES = 3
"""Each property's budget in the quick profile: enough to see it broken outright."""

settings.register_profile(QUICK, deadline=None, max_examples=QUICK_EXAMPLES)
settings.register_profile(ALL, deadline=None, max_examples=40)


def draws(examples: int, **more: Any) -> settings:
    """Return the settings of a property: this many examples, or the budget of the profile."""
    if settings.get_current_profile_name() == QUICK:
        examples = min(examples, QUICK_EXAMPLES)
    return settings(max_examples=examples, **more)


def some(cases: Iterable[Any], quick: int) -> list[Any]:
    """Return the values of one parameter: the first few, and the rest for ``--all``."""
    return [
        case if number < quick else pytest.param(case, marks=pytest.mark.slow)
        for number, case in enumerate(cases)
    ]
