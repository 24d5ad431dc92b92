"""Skip-lot inspection and measured lots: shares of lots and of states against exact chains."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterator
from hashlib import sha256

import numpy as np
from scipy.special import nctdtr, ndtri

from evenfall.production.measured_lots import judged_by_values, measured_plan
from evenfall.production.sampling import Lot, Switching
from evenfall.production.skip_lots import Qualification, is_drawn
from studies.study import Figure, Row, Study, Told

LOTS = 200
PIECES, AQL = 90, 1.0
ONE_IN, CLEARANCE = 3, 10
ACCEPTED = (0.99, 0.95, 0.80)  # how often the plan accepts a lot that is skipped or not
QUALITIES = (0.002, 0.01, 0.03)
STATES = ("normal", "tightened", "reduced")

Chain = Callable[[object], Iterator[tuple[object, float]]]


def spent(begin: object, moves: Chain, told: Callable[[object], str]) -> dict[str, float]:
    """Return the share of the first lots spent in each state of a chain."""
    there: dict[object, float] = {begin: 1.0}
    share: dict[str, float] = defaultdict(float)
    for _ in range(LOTS):
        after: dict[object, float] = defaultdict(float)
        for place, chance in there.items():
            share[told(place)] += chance / LOTS
            for to, step in moves(place):
                after[to] += chance * step
        there = after
    return share


def off(found: np.ndarray, wanted: float) -> Figure:
    """Return the distance of a mean from what it should be, in standard errors."""
    error = float(found.std(ddof=1)) / math.sqrt(len(found))
    value = (float(found.mean()) - wanted) / max(error, 1e-3)
    return Figure(value, 0.0, f"{value:+.1f}", at_most=4.0, at_least=-4.0)


def compared(figures: dict[str, Figure], name: str, found: np.ndarray, wanted: float) -> None:
    """Add a share in percent, exact and found, and how far apart they are."""
    figures[f"{name}, exact"] = Figure(0.0, 0.0, f"{100.0 * wanted:.1f} %")
    figures[f"{name}, found"] = Figure(0.0, 0.0, f"{100.0 * float(found.mean()):.1f} %")
    figures[f"{name}, off"] = off(found, wanted)


def skipped(draw: np.random.Generator, accepted: float, count: int) -> dict[str, Figure]:
    """Return the share of lots inspected, the draw from hashes as the archive makes it."""

    # a place: how many in a row, or -1 once qualified
    def moves(place: object) -> Iterator[tuple[object, float]]:
        row = int(str(place))
        if row < 0:
            yield -1, 1.0 - (1.0 - accepted) / ONE_IN
            yield 0, (1.0 - accepted) / ONE_IN
        else:
            yield (-1 if row + 1 == CLEARANCE else row + 1), accepted
            yield 0, 1.0 - accepted

    wanted = spent(0, moves, lambda place: "qualified" if place == -1 else "every lot")
    exact = wanted["every lot"] + wanted["qualified"] / ONE_IN
    found = np.zeros(count)
    for block in range(count):
        now = Qualification()
        for n in range(LOTS):
            # any entry of an archive; its hash is what is drawn from
            entry = sha256(f"{accepted} {block} {n} {draw.integers(1 << 62)}".encode()).hexdigest()
            if not now.qualified or is_drawn(entry, ONE_IN):
                good = draw.random() < accepted
                now = now.after("accepted" if good else "not accepted", "normal")
                found[block] += 1.0 / LOTS
    figures: dict[str, Figure] = {}
    compared(figures, "inspected", found, exact)
    return figures


def measured(draw: np.random.Generator, share: float, count: int) -> dict[str, Figure]:
    """Return the share of lots in each state, one limit, spread by the sample.

    Letter E: seven readings, reduced three. Chances by the noncentral t distribution, and those of
    a lot that the next smaller limit accepts too by its k; both k are larger for tightened.
    """
    plans = {state: measured_plan(PIECES, AQL, inspection=state) for state in STATES}  # type: ignore[arg-type]
    away = -float(ndtri(share))

    def chance(state: str) -> float:
        n, k = plans[state].size_count, plans[state].k_factor
        return 1.0 - float(nctdtr(n - 1, away * math.sqrt(n), k * math.sqrt(n)))

    chances = {state: chance(state) for state in STATES}
    begin = ("normal", (), 0)

    def moves(place: object) -> Iterator[tuple[object, float]]:
        state, kept, score = place  # type: ignore[misc]
        good = chances[state]
        if state == "reduced":
            yield place, good
            yield begin, 1.0 - good
        elif state == "tightened":
            row, refused = kept
            yield (begin if row == 4 else (state, (row + 1, refused), 0)), good
            yield (begin if refused == 4 else (state, (0, refused + 1), 0)), 1.0 - good
        else:
            clear, kept_good = chances["tightened"], (*kept, 1)[-4:]
            yield (("reduced", (), 0) if score == 27 else (state, kept_good, score + 3)), clear
            yield (state, kept_good, 0), good - clear
            yield (
                (("tightened", (0, 0), 0) if 0 in kept else (state, (*kept, 0)[-4:], 0)),
                1.0 - good,
            )

    wanted = spent(begin, moves, lambda place: str(place[0]))  # type: ignore[index]
    found = np.zeros((count, len(STATES)))
    for block in range(count):
        now = Switching()
        for _ in range(LOTS):
            state = now.state
            found[block, STATES.index(state)] += 1.0 / LOTS
            values = draw.normal(size=plans[state].size_count)
            decision = judged_by_values(values, math.nan, away, plans[state]).decision
            clearly = decision == "accepted"
            if clearly and state == "normal":
                tighter = judged_by_values(values, math.nan, away, plans["tightened"])
                clearly = tighter.decision == "accepted"
            now = now.after(Lot(decision, clearly, 3))
            if now.state == "stopped":
                now = Switching()
    figures: dict[str, Figure] = {}
    for n, name in enumerate(STATES):
        compared(figures, name, found[:, n], wanted[name])
    return figures


def run(seed: int, count: int, told: Told) -> Iterator[Row]:
    rows = len(ACCEPTED) + len(QUALITIES)
    for number, accepted in enumerate(ACCEPTED):
        told(f"skip-lot, {accepted:.0%} accepted", number / rows)
        draw = np.random.default_rng([seed, number])
        name = f"skip-lot, one in {ONE_IN}, plan accepts {100.0 * accepted:.0f} %"
        yield Row(name, skipped(draw, accepted, count))
    for number, share in enumerate(QUALITIES, start=len(ACCEPTED)):
        told(f"measured, {100.0 * share:.1f} % nonconforming", number / rows)
        draw = np.random.default_rng([seed, number])
        yield Row(f"measured, {100.0 * share:.1f} % nonconforming", measured(draw, share, count))


STUDY = Study(
    "lot-rules",
    "do skip-lot inspection and the switching of measured lots keep to their rules?",
    """
Two hundred lots in a row. Skip-lot: lots that the plan accepts as often as stated, one in three
inspected once ten in a row were accepted, which one drawn from a hash as in the archive; the share
of lots inspected is held against an exact Markov chain. Measured: lots of 90 pieces, one limit,
agreed quality 1 %, the spread that of the sample; drawn readings are judged, and the share of lots
in each state is held against an exact chain whose chances come from the noncentral t distribution.
The chains are written with none of the program's rules. After a stop a new record begins. The
difference is in standard errors.
""",
    40,
    4,
    run,
)
