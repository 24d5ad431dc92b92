"""Switching: the share of lots in each state is held against an exact chain of the rules."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator
from functools import cache

import numpy as np
from scipy.stats import binom

from evenfall.workshop.lots import LotRecord
from studies.study import Figure, Row, Study, Told

LOTS = 200
PIECES, AQL = 3000, 1.0
STATES = ("normal", "tightened", "reduced")
QUALITIES = (0.002, 0.01, 0.02, 0.03)

# a place in the chain: state, the last four lots on normal inspection (or how many in a row and how
# many not accepted on tightened), and the switching score
Place = tuple[str, tuple[int, ...], int]
BEGIN: Place = ("normal", (), 0)


@cache
def at_most(count: int, size: int, share: float) -> float:
    """Return the probability of at most so many nonconforming pieces in a sample."""
    return float(binom.cdf(count, size, share))


def moves(place: Place, share: float) -> Iterator[tuple[Place, float]]:
    """Yield where a lot leads and with which probability, by the rules as ISO 2859-1 states them.

    Letter K: 125 pieces accept at 3, tightened at 2; reduced, 50 accept at 1. Written out for this
    one plan, and with none of the program's code.
    """
    state, kept, score = place
    if state == "reduced":
        stays = at_most(1, 50, share)
        yield place, stays
        yield BEGIN, 1.0 - stays
        return
    good = at_most(3 if state == "normal" else 2, 125, share)
    if state == "tightened":
        row, refused = kept
        yield (BEGIN if row == 4 else ("tightened", (row + 1, refused), 0)), good
        # five not accepted stop it; a new record begins when the supplier has changed something
        yield (BEGIN if refused == 4 else ("tightened", (0, refused + 1), 0)), 1.0 - good
        return
    clear = at_most(2, 125, share)
    grown = score + 3
    if grown >= 30:
        yield ("reduced", (), 0), clear
    else:
        yield ("normal", (*kept, 1)[-4:], grown), clear
    yield ("normal", (*kept, 1)[-4:], 0), good - clear
    if 0 in kept:
        yield ("tightened", (0, 0), 0), 1.0 - good
    else:
        yield ("normal", (*kept, 0)[-4:], 0), 1.0 - good


def expected(share: float) -> dict[str, float]:
    """Return the share of the first lots that are inspected in each state."""
    there: dict[Place, float] = {BEGIN: 1.0}
    spent: dict[str, float] = defaultdict(float)
    for _ in range(LOTS):
        after: dict[Place, float] = defaultdict(float)
        for place, chance in there.items():
            spent[place[0]] += chance / LOTS
            for to, step in moves(place, share):
                after[to] += chance * step
        there = after
    return spent


def run(seed: int, count: int, told: Told) -> Iterator[Row]:
    for number, share in enumerate(QUALITIES):
        told(f"{100.0 * share:.1f} % nonconforming", number / len(QUALITIES))
        draw = np.random.default_rng([seed, number])
        found = np.zeros((count, len(STATES)))
        new = LotRecord("Dolqua", "Kestrel", AQL, "II", "single")
        for block in range(count):
            record = new
            for _ in range(LOTS):
                if record.switching.state == "stopped":
                    record = new
                size = record.plan(PIECES).stages[0].size_count
                found[block, STATES.index(record.switching.state)] += 1.0 / LOTS
                record = record.with_lot("", PIECES, (int(draw.binomial(size, share)),))
        wanted = expected(share)
        figures = {}
        for n, state in enumerate(STATES):
            error = float(found[:, n].std(ddof=1)) / math.sqrt(count)
            mean = float(found[:, n].mean())
            # a state that hardly any draw reaches has no error of its own
            off = (mean - wanted[state]) / max(error, 1e-3)
            figures[f"{state}, exact"] = Figure(0.0, 0.0, f"{100.0 * wanted[state]:.1f} %")
            figures[f"{state}, found"] = Figure(0.0, 0.0, f"{100.0 * mean:.1f} %")
            figures[f"{state}, off"] = Figure(off, 0.0, f"{off:+.1f}", at_most=4.0, at_least=-4.0)
        yield Row(f"{100.0 * share:.1f} % nonconforming", figures)


STUDY = Study(
    "switching",
    "do the switching rules spend their share of lots in each state?",
    """
Two hundred lots of 3000 pieces in a row are drawn, agreed quality 1 %, and inspected as the record
of lots says, from normal inspection on. The share of lots inspected in each state is held against
an exact Markov chain of the rules, written for this plan with none of the program's code. After a
stop a new record begins. The difference is in standard errors.
""",
    100,
    6,
    run,
)
