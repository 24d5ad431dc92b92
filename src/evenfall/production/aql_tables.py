"""Sampling plans by lot size and acceptance quality limit: the tables of MIL-STD-105E (1989).

That document is in the public domain; ISO 2859-1 goes back to it. Along a diagonal of a table, one
letter further and one limit lower, the acceptance number is the same: so a table is one row, and an
arrow leads to the next plan on it. A step down the column leads to a larger sample, a step up to a
smaller one.

Every cell of the single plans, and the numbers of the double and of the normal multiple plans, were
compared with a typed copy of those tables (see tests/authorities/sampling.toml).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

from evenfall.errors import At, RequestError
from evenfall.production.sampling import Decision, Lot, Plan, Stage
from evenfall.production.series import check_known
from evenfall.production.staged_plans import staged

Inspection = Literal["normal", "tightened", "reduced"]
Sort = Literal["single", "double", "multiple"]

LETTERS = "ABCDEFGHJKLMNPQRS"
AQLS = (
    *(0.010, 0.015, 0.025, 0.040, 0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5),
    *(10.0, 15.0, 25.0, 40.0, 65.0, 100.0, 150.0, 250.0, 400.0, 650.0, 1000.0),
)
"""Acceptance quality limits [% nonconforming; over 10, nonconformities per 100]."""

LAST_PERCENT = 10.0
"""The last of them that is a percentage."""
EDITION = 1
"""Of the plans: 0 had no stages that are worked out."""

LEVELS: dict[str, str] = {
    "I": "AABCCDEFGHJKLMN",
    "II": "ABCDEFGHJKLMNPQ",
    "III": "BCDEFGHJKLMNPQR",
    "S-1": "AAAABBBBCCCCDDD",
    "S-2": "AAABBBCCCDDDEEE",
    "S-3": "AABBCCDDEEFFGGH",
    "S-4": "AABCCDEEFGGHJJK",
}
"""Code letters of the inspection levels, by step of lot size."""

_LOTS = (8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10_000, 35_000, 150_000, 500_000)

_SIZES: dict[str, tuple[int, ...]] = {
    "single": (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000, 3150),
    "reduced": (2, 2, 2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800),
    "double": (0, 2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000),
    "multiple": (0, 0, 0, 2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800),
}

_STAGES = {"double": 2, "multiple": 7}
_LEAST_STAGED = {"double": 3, "multiple": 8}
"""Single samples [pieces] from which on the tables have such plans."""

_UP, _DOWN = -1, -2
_FIRST = 14
"""Number of the first diagonal that holds a plan; letter and limit are counted from 0."""
_DIAGONALS: dict[str, tuple[int, ...]] = {
    "normal": (0, _UP, _DOWN, 1, 2, 3, 5, 7, 10, 14, 21, 30, 44),
    "tightened": (_DOWN, 0, _DOWN, _DOWN, 1, 2, 3, 5, 8, 12, 18, 27, 41),
    "reduced": (0, _UP, _DOWN, 0, 1, 1, 2, 3, 5, 7, 10, 14, 21),
}
_REDUCED_REFUSED = (1, 0, 0, 2, 3, 4, 5, 6, 8, 10, 13, 17, 24)
_SMALLEST = (1, 2, 3, 5, 7, 10, 14, 21, 30)
_SMALLEST_REFUSED = ((2, 3, 4, 6, 8, 11, 15, 22, 31), (3, 4, 5, 6, 8, 11, 15, 22, 31))
_FIRST_OF_SMALLEST = 17
"""Reduced inspection by letters A and B has numbers of its own from the limit 25 on."""
_LAST_OF_SMALL = 4
"""Only letters to this one (E) have the acceptance numbers over 21."""
_MOST = 10
"""Steps from the first diagonal to the acceptance number 21, or 18."""

# acceptance and rejection numbers of each stage, by the acceptance number of the single plan; None:
# no acceptance at this stage
_DOUBLE: dict[int, tuple[tuple[int, int], ...]] = {
    1: ((0, 2), (1, 2)),
    2: ((0, 3), (3, 4)),
    3: ((1, 4), (4, 5)),
    5: ((2, 5), (6, 7)),
    7: ((3, 7), (8, 9)),
    8: ((3, 7), (11, 12)),
    10: ((5, 9), (12, 13)),
    12: ((6, 10), (15, 16)),
    14: ((7, 11), (18, 19)),
    18: ((9, 14), (23, 24)),
    21: ((11, 16), (26, 27)),
    27: ((15, 20), (34, 35)),
    30: ((17, 22), (37, 38)),
    41: ((23, 29), (52, 53)),
    44: ((25, 31), (56, 57)),
}
_N = -1  # no acceptance yet
_MULTIPLE: dict[int, tuple[tuple[int, int], ...]] = {
    1: ((_N, 2), (_N, 2), (0, 2), (0, 3), (1, 3), (1, 3), (2, 3)),
    2: ((_N, 2), (0, 3), (0, 3), (1, 4), (2, 4), (3, 5), (4, 5)),
    3: ((_N, 3), (0, 3), (1, 4), (2, 5), (3, 6), (4, 6), (6, 7)),
    5: ((_N, 4), (1, 5), (2, 6), (3, 7), (5, 8), (7, 9), (9, 10)),
    7: ((0, 4), (1, 6), (3, 8), (5, 10), (7, 11), (10, 12), (13, 14)),
    10: ((0, 5), (3, 8), (6, 10), (8, 13), (11, 15), (14, 17), (18, 19)),
    14: ((1, 7), (4, 10), (8, 13), (12, 17), (17, 20), (21, 23), (25, 26)),
    21: ((2, 9), (7, 14), (13, 19), (19, 25), (25, 29), (31, 33), (37, 38)),
    30: ((4, 12), (11, 19), (19, 27), (27, 34), (36, 40), (45, 47), (53, 54)),
    44: ((6, 16), (17, 27), (29, 39), (40, 49), (53, 58), (65, 68), (77, 78)),
}


def code_letter(lot_count: int, level: str = "II") -> str:
    """Return the code letter of a lot."""
    check_known("inspection level", level, LEVELS, field="level")
    if lot_count < 2:
        raise RequestError("A lot has two pieces or more.", at=At(field="lot"))
    return LEVELS[level][sum(lot_count > most for most in _LOTS)]


def check_aql(aql_percent: float) -> None:
    """Refuse an acceptance quality limit that no table is kept for."""
    if aql_percent not in AQLS:
        raise RequestError(
            "There is no table for an acceptance quality limit of {aql:g} %; use one of "
            "{aqls:list}, or a plan by both risks.",
            at=At(field="aql"),
            aql=aql_percent,
            aqls=tuple(f"{one:g}" for one in AQLS if one <= LAST_PERCENT),
        )


def plan_of(
    lot_count: int,
    aql_percent: float,
    *,
    level: str = "II",
    inspection: Inspection = "normal",
    sort: Sort = "single",
    first: bool = False,
) -> Plan:
    """Return the plan of a lot, arrows followed; the whole lot where the sample is as large.

    The single plan also stands where several stages would ask for more than the lot. For reduced
    inspection, and multiple sampling on tightened inspection, several stages are worked out from
    the risks of the single plan. A limit over 10 counts nonconformities, of which a piece may have
    several. With `first`, no stages are worked out: the edition 0 of the plans.
    """
    check_aql(aql_percent)
    column = AQLS.index(aql_percent)
    letter, number = _followed(LETTERS.index(code_letter(lot_count, level)), column, inspection)
    refused = number + 1
    if inspection == "reduced":
        refused = _reduced_refused(letter, column)
    size = _SIZES["reduced" if inspection == "reduced" else "single"][letter]
    single, each_counts = Stage(size, number, refused), counts_each(aql_percent)
    if size >= lot_count:
        whole = (Stage(lot_count, number, refused),)
        return Plan(whole, LETTERS[letter], each_counts=each_counts)
    plan = Plan((single,))
    # the smallest samples, and those that accept only if nothing is found, stay single
    if sort != "single" and refused > 1 and size >= _LEAST_STAGED[sort]:
        if inspection == "reduced" or (sort == "multiple" and inspection == "tightened"):
            if not first:
                plan = staged(single, _STAGES[sort], each_counts=each_counts)
        elif number in (known := _DOUBLE if sort == "double" else _MULTIPLE):
            each = _SIZES[sort][letter]
            plan = Plan(tuple(Stage(each, accepted, out) for accepted, out in known[number]))
    if plan.most_count > lot_count:
        plan = Plan((single,))
    return replace(plan, letter=LETTERS[letter], each_counts=each_counts)


def counts_each(aql_percent: float) -> bool:
    """Say whether a limit is of nonconformities per 100 pieces, not % of nonconforming ones."""
    return aql_percent > LAST_PERCENT


def judged(plan: Plan, found: Sequence[int], decision: Decision) -> Lot:
    """Return a lot as the switching rules ask about it.

    It is clearly good if one limit tighter would have accepted it too; of a double plan, if the
    first sample was enough, of a multiple one, if three were.
    """
    stages = len(plan.stages)
    last = plan.stages[-1]
    between = last.accepted_count < sum(found) < last.refused_count
    number = last.accepted_count
    clearly = decision == "accepted"
    if stages > 1:
        number = 2  # such plans stand for acceptance numbers of 1 and more
        clearly &= len(found) <= (1 if stages == 2 else 3)
    elif number >= 2:
        row = [one for one in _DIAGONALS["normal"] if one >= 0]
        tighter = max((one for one in row if one < number), default=0)
        clearly &= sum(found) <= tighter
    return Lot(decision, clearly, number, between)


def _followed(letter: int, column: int, inspection: Inspection) -> tuple[int, int]:
    """Return the letter that the arrows of a cell lead to, and its acceptance number.

    Where they would lead out of the table, the plan at the other side is the next one.
    """
    last = len(LETTERS) - (1 if inspection == "tightened" else 2)
    first = _number(letter, column, inspection)
    for way in (-1, 1) if first == _UP else (1, -1):
        at = letter
        while 0 <= at <= last:
            if (number := _number(at, column, inspection)) >= 0:
                return at, number
            at += way
    raise RequestError("The tables hold no plan for this limit.", at=At(field="aql"))


def _reduced_refused(letter: int, column: int) -> int:
    if letter < len(_SMALLEST_REFUSED) and column >= _FIRST_OF_SMALLEST:
        return _SMALLEST_REFUSED[letter][column - _FIRST_OF_SMALLEST]
    return _REDUCED_REFUSED[letter + column - _FIRST]


def _number(letter: int, column: int, inspection: Inspection) -> int:
    """Return the acceptance number of one cell of a table, or where its arrow leads."""
    if inspection == "reduced" and letter < 2 and column >= _FIRST_OF_SMALLEST:
        return _SMALLEST[column - _FIRST_OF_SMALLEST]
    step = letter + column - _FIRST
    if step < 0 or (inspection == "tightened" and letter == 0 and step == 1):
        return _DOWN
    highest = _MOST if letter > _LAST_OF_SMALL else len(_DIAGONALS[inspection]) - 1
    if letter == 0:
        highest = min(highest, _MOST + 1)
    if step > highest:
        return _UP
    return _DIAGONALS[inspection][step]
