"""How many readings show a change, and what a sample says of all that follow."""

from __future__ import annotations

import math

from scipy import special

from evenfall.errors import At, RequestError

_MOST = 1_000_000
_WRONG, _MISSED = 0.05, 0.10
"""Chances of seeing a change that is not there, and of not seeing one that is."""


def readings_needed(
    shift_ratio: float,
    *,
    groups: int = 1,
    both_sides: bool = False,
) -> int:
    """Return how many readings, of each of one or two groups, show a change of the mean.

    The change is given in standard deviations of a reading, and is seen nine times of ten. Their
    standard deviation comes from the readings, so Student's t stands for the normal distribution
    (NIST/SEMATECH e-Handbook, 7.2.2.2).
    """
    if not shift_ratio > 0.0:
        raise RequestError("A change to be seen is greater than zero.", at=At(field="shift"))
    tails = [1.0 - _WRONG / (2.0 if both_sides else 1.0), 1.0 - _MISSED]
    reach = sum(float(special.ndtri(tail)) for tail in tails)
    n = max(math.ceil(groups * (reach / shift_ratio) ** 2), 2)
    while n < _MOST:
        reach = sum(float(special.stdtrit(groups * (n - 1), tail)) for tail in tails)
        if n >= groups * (reach / shift_ratio) ** 2:
            break
        n += 1
    return n


def content_factor(count: int, share: float, confidence: float) -> float:
    """Return how many standard deviations on both sides of the mean hold a share of all to come.

    `count` normal readings gave mean and standard deviation; the interval holds the share with this
    confidence (W. G. Howe, J. Am. Stat. Assoc. 64 (1969) 610; ISO 16269-6).
    """
    freedom = count - 1
    low = float(special.chdtri(freedom, confidence))
    z = float(special.ndtri(0.5 * (1.0 + share)))
    return z * math.sqrt(freedom * (1.0 + 1.0 / count) / low)
