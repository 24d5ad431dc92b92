"""Stable processes: how often a chart stops one for nothing, and how often limits of Cpk cover."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np

from evenfall.production import Series, Tolerance, capability
from evenfall.production.chart_kinds import Memory
from evenfall.production.constants import d2, d3
from evenfall.production.memory import sum_run_length, weighted_mean_run_length
from evenfall.production.run_rules import RULES, normal_zones, run_length
from studies.study import Figure, Row, Study, Told, share

POINTS_PER_COUNT = 1000
SETS = (
    ("outside-limits",),
    ("outside-limits", "9-on-one-side"),
    ("outside-limits", "9-on-one-side", "6-rising-or-falling"),
    ("outside-limits", "2-of-3-beyond-2-sigma", "4-of-5-beyond-1-sigma", "8-on-one-side"),
)
MOVING = d2(2) + 3.0 * d3(2)
Signals = Callable[[float, bool], bool]


def by_rules(names: tuple[str, ...], moving: float = math.inf) -> Signals:
    """Return what takes a value, and whether it is the first, and says whether it signals."""
    rules = [RULES[name] for name in names]
    state = [rule.start for rule in rules]
    last = [0.0]

    def signals(value: float, first: bool) -> bool:
        if first:
            state[:] = [rule.start for rule in rules]
        zone = int(math.copysign(min(math.ceil(abs(value)), 4), value))
        order = 0 if first else (value > last[0]) - (value < last[0])
        hit = not first and abs(value - last[0]) > moving
        for number, rule in enumerate(rules):
            state[number], one = rule.step(state[number], zone, order)
            hit |= one
        last[0] = value
        return hit

    return signals


def by_weighted_mean(memory: Memory) -> Signals:
    level = [0.0]
    weight = memory.weight
    limit = memory.weighted_limit_ratio * math.sqrt(weight / (2.0 - weight))

    def signals(value: float, first: bool) -> bool:
        level[0] = weight * value + (1.0 - weight) * (0.0 if first else level[0])
        return abs(level[0]) > limit

    return signals


def by_sums(memory: Memory) -> Signals:
    sums = [0.0, 0.0]

    def signals(value: float, first: bool) -> bool:
        for n, side in enumerate((1.0, -1.0)):
            before = 0.0 if first else sums[n]
            sums[n] = max(0.0, before + side * value - memory.reference_ratio)
        return max(sums) > memory.sum_limit_ratio

    return signals


def alarms(signals: Signals, values: np.ndarray) -> int:
    """Return how often a chart signals that begins again after each signal."""
    hits, first = 0, True
    for value in values.tolist():
        first = signals(value, first)
        hits += first
    return hits


def run(seed: int, count: int, told: Told) -> Iterator[Row]:
    memory, zones = Memory(), normal_zones()
    charts = [(", ".join(names), by_rules(names), run_length(names, zones)) for names in SETS]
    usual = SETS[1]
    charts += [
        (
            "single readings and moving ranges, usual rules",
            by_rules(usual, MOVING),
            run_length(usual, zones, moving_limit_ratio=MOVING),
        ),
        (
            "weighted mean",
            by_weighted_mean(memory),
            weighted_mean_run_length(memory.weight, memory.weighted_limit_ratio),
        ),
        (
            "cumulative sums",
            by_sums(memory),
            sum_run_length(memory.reference_ratio, memory.sum_limit_ratio),
        ),
    ]
    for number, (about, signals, length) in enumerate(charts):
        told(about, number / (len(charts) + 3))
        draw = np.random.default_rng([seed, number])
        points = count * POINTS_PER_COUNT
        found, expected = alarms(signals, draw.standard_normal(points)), points / length
        off = (found - expected) / math.sqrt(expected)
        yield Row(
            about,
            {
                "once in, stated": Figure(length, 0.0, f"{length:.1f}"),
                "found": Figure(points / max(found, 1), 0.0, f"{points / max(found, 1):.1f}"),
                # in standard errors, so a smaller run keeps the same limit
                "off, standard errors": Figure(off, 0.0, f"{off:+.1f}", at_most=4.0, at_least=-4.0),
            },
        )
    for number, (size, mean) in enumerate(((30, 0.0), (50, 0.5), (100, 1.0))):
        told(f"cover, {size} readings", (len(charts) + number) / (len(charts) + 3))
        draw = np.random.default_rng([seed, 100 + number])
        hit, given = dict.fromkeys(("Ppk", "Cpk"), 0), dict.fromkeys(("Ppk", "Cpk"), 0)
        for _ in range(40 * count):
            series = Series("x", "", draw.normal(mean, 1.0, size))
            made = capability(series, Tolerance(-4.0, 4.0), family="normal")
            for name in given:
                index = made.index(name)
                if index is not None:
                    given[name] += 1
                    hit[name] += index.low_index <= (4.0 - mean) / 3.0 <= index.high_index
        for name in given:
            cover = share(hit[name], given[name], at_least=94.0, at_most=96.0)
            about = f"{name}, {size} readings, true {(4.0 - mean) / 3.0:.2f}"
            yield Row(about, {"limits cover": cover})


STUDY = Study(
    "production",
    "is a stable process left in peace, and do limits cover?",
    """
Values of a normal process that never changes are drawn a thousand times the stated number, and
charted with known limits. A chart begins again after each signal; then the share of points that
signal is one over the mean run length, which the program works out exactly. The 95 % confidence
limits of Ppk and Cpk are held against their true value wherever an index is given; one sample in a
hundred looks other than normal by chance and gets none.
""",
    300,
    15,
    run,
)
