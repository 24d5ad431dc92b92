"""Run rules: what in a series of points is too unlikely to be chance, and how often it is chance.

Each rule is named by what it says. A point signals if it is itself one of the points that the rule
speaks of and completes them. A rule stands here twice, once over a whole series and once as a small
machine that takes point after point; from the machines of a set follows its exact run length.

How many points pass on average, in a process that never changes, until one signals: the chain of
states is solved, not simulated (Champ & Woodall, Technometrics 29 (1987) 393). Rules about rising
and falling need the last value too. Within a zone the answer is a smooth function of the chance of
a smaller value, so a polynomial through a few places stands for it; more places change nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from scipy import special
from scipy.sparse import coo_array, identity
from scipy.sparse.linalg import spsolve

from evenfall.arrays import BoolArray, FloatArray, IntArray
from evenfall.production.constants import nodes

ZONES = (-4, -3, -2, -1, 0, 1, 2, 3, 4)
"""Zones by side and distance from the centre: 0 on it, 1 up to one standard deviation, 4 beyond
three."""

_PLACES = 6
"""Places in each zone at which the run length is worked out where the order of values matters."""

_NEVER = 1e-15
"""Chances under this are none: what is left of one after them is one."""

State = Any
Step = Callable[[State, int, int], tuple[State, bool]]


@dataclass(frozen=True, slots=True)
class Rule:
    """One run rule."""

    name: str  # what it says, in short
    said: str  # sentence about the points that it finds, with places `panel`, `points`, `listed`
    count: int  # how many points in a row it looks at
    # over a series in standard deviations from the centre: which points complete the pattern
    found: Callable[[FloatArray], BoolArray]
    start: State  # state of the machine before the first point
    # state, zone of the point, and whether it lies over (1) or under (-1) the last one (0: none)
    # give the next state and whether the point signals
    step: Step
    by_order: bool = False  # whether it asks about rising and falling
    one_sided: bool = False  # whether its points lie to one side of the centre


def streak(flag: BoolArray) -> IntArray:
    """Return for how many points in a row, up to each, something has held."""
    at = np.arange(1, len(flag) + 1)
    return np.asarray(at - np.maximum.accumulate(np.where(flag, 0, at)), dtype=np.int64)


def _several_beyond(most: int, of: int, sigmas: int) -> tuple[Any, State, Step]:
    """Return the rule that `most` of `of` points in a row lie beyond a line on one side."""

    def found(z: FloatArray) -> BoolArray:
        hit = np.zeros(len(z), dtype=bool)
        for side in (1.0, -1.0):
            out = side * z > sigmas
            total = np.concatenate([np.zeros(of, dtype=int), np.cumsum(out)])
            hit |= out & (total[of:] - total[:-of] >= most)
        return hit

    def step(state: State, zone: int, _order: int) -> tuple[State, bool]:
        side = (zone > sigmas) - (zone < -sigmas)
        return (*state, side)[1:], bool(side) and state.count(side) + 1 >= most

    return found, (0,) * (of - 1), step


def _on_one_side(most: int) -> tuple[Any, State, Step]:
    def found(z: FloatArray) -> BoolArray:
        return np.asarray(np.maximum(streak(z > 0.0), streak(z < 0.0)) >= most)

    def step(state: State, zone: int, _order: int) -> tuple[State, bool]:
        side = (zone > 0) - (zone < 0)
        run = state + side if state * side > 0 else side
        return run, abs(run) >= most

    return found, 0, step


def _rising_or_falling(most: int) -> tuple[Any, State, Step]:
    def found(z: FloatArray) -> BoolArray:
        change = np.diff(z, prepend=z[:1])
        return np.asarray(np.maximum(streak(change > 0.0), streak(change < 0.0)) >= most - 1)

    def step(state: State, _zone: int, order: int) -> tuple[State, bool]:
        run = state + order if state * order > 0 else order
        return run, abs(run) >= most - 1

    return found, 0, step


def _up_and_down(most: int) -> tuple[Any, State, Step]:
    def found(z: FloatArray) -> BoolArray:
        change = np.sign(np.diff(z, prepend=z[:1]))
        turned = change * np.concatenate([[0.0], change[:-1]]) < 0.0
        return np.asarray(streak(turned) >= most - 2)

    def step(state: State, _zone: int, order: int) -> tuple[State, bool]:
        # as many steps up and down in turn; the sign is that of the last one
        run = order * (abs(state) + 1) if state * order < 0 else order
        return run, abs(run) >= most - 1

    return found, 0, step


def _near_or_far(most: int, *, near: bool) -> tuple[Any, State, Step]:
    """Return the rule that all of some points in a row lie within, or beyond, one deviation."""

    def found(z: FloatArray) -> BoolArray:
        return np.asarray(streak((np.abs(z) <= 1.0) if near else (np.abs(z) > 1.0)) >= most)

    def step(state: State, zone: int, _order: int) -> tuple[State, bool]:
        run = state + 1 if (abs(zone) <= 1) is near else 0
        return run, run >= most

    return found, 0, step


OUTSIDE = "outside-limits"
_ALL = (
    Rule(
        OUTSIDE,
        "{panel}: {listed}.",
        1,
        *_several_beyond(1, 1, 3),
        one_sided=True,
    ),
    Rule(
        "2-of-3-beyond-2-sigma",
        "{panel}: two of three points in a row lie more than two standard deviations to one side; "
        "the last of them signals: {points:plural point|points} {listed}.",
        3,
        *_several_beyond(2, 3, 2),
        one_sided=True,
    ),
    Rule(
        "4-of-5-beyond-1-sigma",
        "{panel}: four of five points in a row lie more than one standard deviation to one side; "
        "the last of them signals: {points:plural point|points} {listed}.",
        5,
        *_several_beyond(4, 5, 1),
        one_sided=True,
    ),
    Rule(
        "8-on-one-side",
        "{panel}: eight or more points in a row lie on one side of the centre; "
        "from the eighth on they signal: {points:plural point|points} {listed}.",
        8,
        *_on_one_side(8),
        one_sided=True,
    ),
    Rule(
        "9-on-one-side",
        "{panel}: nine or more points in a row lie on one side of the centre; "
        "from the ninth on they signal: {points:plural point|points} {listed}.",
        9,
        *_on_one_side(9),
        one_sided=True,
    ),
    Rule(
        "6-rising-or-falling",
        "{panel}: six or more points in a row rise or fall without a break; "
        "from the sixth on they signal: {points:plural point|points} {listed}.",
        6,
        *_rising_or_falling(6),
        by_order=True,
    ),
    Rule(
        "14-up-and-down",
        "{panel}: fourteen or more points in a row go up and down in turn; "
        "from the fourteenth on they signal: {points:plural point|points} {listed}.",
        14,
        *_up_and_down(14),
        by_order=True,
    ),
    Rule(
        "15-within-1-sigma",
        "{panel}: fifteen or more points in a row lie within one standard deviation of the centre; "
        "from the fifteenth on they signal: {points:plural point|points} {listed}. The limits may "
        "be too wide, or the subgroups mixed.",
        15,
        *_near_or_far(15, near=True),
    ),
    Rule(
        "8-beyond-1-sigma",
        "{panel}: eight or more points in a row lie more than one standard deviation from the "
        "centre, on both sides; from the eighth on they signal: {points:plural point|points} "
        "{listed}.",
        8,
        *_near_or_far(8, near=False),
    ),
)
RULES: dict[str, Rule] = {rule.name: rule for rule in _ALL}
"""Every run rule by name."""

USUAL = (OUTSIDE, "9-on-one-side")
"""Rules of a chart of which none were named: a large change, and a small one that stays."""


def normal_zones(shift_ratio: float = 0.0) -> tuple[float, ...]:
    """Return the chance of each zone for a normal quantity, its mean off by so many deviations."""
    edges = np.array([-np.inf, -3.0, -2.0, -1.0, 0.0, 0.0, 1.0, 2.0, 3.0, np.inf]) - shift_ratio
    # from the nearer tail: a small chance keeps its digits
    tail = np.where(edges[:-1] > 0.0, -1.0, 1.0)
    upper, lower = special.ndtr(tail * edges[1:]), special.ndtr(tail * edges[:-1])
    return tuple(float(p) for p in tail * (upper - lower))


@lru_cache(maxsize=256)
def run_length(
    names: tuple[str, ...],
    chances: tuple[float, ...],
    *,
    beside_probability: float = 0.0,
    moving_limit_ratio: float = math.inf,
) -> float:
    """Return how many points pass on average until one signals, the limits known.

    `chances` are those of `ZONES` for each point, points independent. `beside_probability` is the
    chance that an independent figure of the same point signals, such as its range. A point signals
    too if it lies further than `moving_limit_ratio` standard deviations from the last one; this
    and rules about rising and falling ask for a quantity without equal values, the former for a
    normal one. Infinite without rules, and where no point can signal.
    """
    rules = [RULES[name] for name in dict.fromkeys(names)]
    chances = tuple((1.0 - beside_probability) * chance for chance in chances)
    if any(rule.by_order for rule in rules) or math.isfinite(moving_limit_ratio):
        return _in_order(rules, chances, moving_limit_ratio)
    return _by_zones(rules, chances) if rules or beside_probability else math.inf


def counted_zones(
    counts: FloatArray, chances: FloatArray, *, centre: float, sigma: float
) -> tuple[float, ...]:
    """Return the chance of each zone for a count, from the chance of each number."""
    z = np.round((counts - centre) / sigma, 9)
    zone = np.clip(np.sign(z) * np.ceil(np.abs(z)), -4, 4)
    return tuple(float(chances[zone == one].sum()) for one in ZONES)


def _moved(
    rules: Sequence[Rule], state: tuple[State, ...], zone: int, order: int
) -> tuple[State, ...] | None:
    """Return the state of all machines after a point; None if it signals."""
    steps = [rule.step(one, zone, order) for rule, one in zip(rules, state, strict=True)]
    return None if any(signals for _, signals in steps) else tuple(after for after, _ in steps)


def _by_zones(rules: Sequence[Rule], chances: Sequence[float]) -> float:
    """Solve the chain of rules that ask for zones alone."""
    start = tuple(rule.start for rule in rules)
    number, waiting = {start: 0}, [start]
    links: list[tuple[int, int, float]] = []
    ends = sum(chances) < 1.0 - 1e-9  # by the figure beside it
    for at, state in enumerate(waiting):
        for zone, chance in zip(ZONES, chances, strict=True):
            after = _moved(rules, state, zone, 0) if chance else None
            ends |= chance > _NEVER and after is None
            if after is not None:
                if after not in number:
                    number[after] = len(waiting)
                    waiting.append(after)
                links.append((at, number[after], chance))
    if not ends:  # as of counts of so few pieces that none of them can lie outside the limits
        return math.inf
    rows, columns, values = np.array(links).reshape(-1, 3).T
    return float(_solved(len(waiting), rows.astype(int), columns.astype(int), values)[0])


def _in_order(rules: Sequence[Rule], chances: Sequence[float], moving_limit: float) -> float:
    """Solve the chain of rules that ask for the last value too."""
    places = _PLACES if math.isinf(moving_limit) else 2 * _PLACES
    share = nodes(places, 0.0, 1.0)[1]
    start = tuple(rule.start for rule in rules)
    number: dict[tuple[Any, int], int] = {}
    waiting: list[tuple[Any, int]] = []
    rows, columns, values = [], [], []
    block = np.arange(places)

    def numbered(key: tuple[Any, int]) -> int:
        if key not in number:
            number[key] = len(waiting)
            waiting.append(key)
        return number[key]

    first = []
    for zone, chance in zip(ZONES, chances, strict=True):
        after = _moved(rules, start, zone, 0) if chance else None
        if after is not None:
            first.append((numbered((after, zone)), chance))
    for at, (state, last) in enumerate(waiting):
        for zone, chance in zip(ZONES, chances, strict=True):
            for order in (1, -1) if zone == last else (1 if zone > last else -1,):
                after = _moved(rules, state, zone, order) if chance else None
                if after is not None:
                    to = numbered((after, zone))
                    weights = _weights(places, last, zone, order, moving_limit)
                    rows.append(np.repeat(at * places + block, places))
                    columns.append(np.tile(to * places + block, places))
                    values.append(chance * weights.ravel())
    solved = _solved(
        len(waiting) * places, *(np.concatenate(part) for part in (rows, columns, values))
    ).reshape(-1, places)
    return float(1.0 + sum(chance * (share @ solved[to]) for to, chance in first))


@lru_cache(maxsize=2048)
def _weights(places: int, last: int, zone: int, order: int, moving_limit: float) -> FloatArray:
    """Return the weights that integrate over what may follow each place of the last zone.

    Shape (places, places): a row for each place of the last value, a column for each of the next.
    """
    place = nodes(places, 0.0, 1.0)[0]
    low, high = np.zeros(places), np.ones(places)
    if last == zone:
        low, high = (place, high) if order > 0 else (low, place)
    if math.isfinite(moving_limit):
        value = special.ndtri(_under(last) + place * (_under_end(last) - _under(last)))
        wide = _under_end(zone) - _under(zone)
        low = np.maximum(low, (special.ndtr(value - moving_limit) - _under(zone)) / wide)
        high = np.minimum(high, (special.ndtr(value + moving_limit) - _under(zone)) / wide)
        low, high = np.clip(low, 0.0, 1.0), np.clip(high, low, 1.0)
    powers = np.vander(place, increasing=True)
    degree = np.arange(1, places + 1)
    primitive = (high[:, None] ** degree - low[:, None] ** degree) / degree
    return np.asarray(np.linalg.solve(powers.T, primitive.T).T)


def _under(zone: int) -> float:
    """Return the chance of a normal value under the lower end of a zone."""
    return 0.0 if zone == -4 else float(special.ndtr(zone if zone < 0 else zone - 1))


def _under_end(zone: int) -> float:
    """Return the chance of a normal value under the upper end of a zone."""
    return 1.0 if zone == 4 else float(special.ndtr(zone + 1 if zone < 0 else zone))


def _solved(count: int, rows: Any, columns: Any, values: Any) -> FloatArray:
    """Return the mean number of steps from each state of a chain until it ends."""
    chain = coo_array((values, (rows, columns)), shape=(count, count)).tocsc()
    return np.asarray(spsolve((identity(count, format="csc") - chain), np.ones(count)))
