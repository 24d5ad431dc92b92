"""Gauge studies: what of a reading is the gauge, and which limits the gauge can judge.

Variance components of crossed and nested studies come from their mean squares; their 90 %
confidence limits by modified large samples (Burdick, Borror & Montgomery, Design and Analysis of
Gauge R&R Studies, SIAM 2005). The range method is the older one, by mean ranges.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy import special

from evenfall.arrays import FloatArray, IntArray
from evenfall.errors import Finding, RequestError
from evenfall.production.constants import d2, d2_of_few
from evenfall.production.series import amount, check_known
from evenfall.wording import Sentence, sentence

METHODS = ("crossed", "nested", "range")
"""How a study is worked out: every person reads every part, each has own parts, by ranges."""

GOOD_SHARE, USABLE_SHARE = 0.10, 0.30
"""Six standard deviations of the gauge over the width of limits (common practice, no source)."""

POOLED_OVER = 0.25
"""An interaction that comes by chance more often than this is no interaction."""

_TAIL = 0.05
_MANY_RANGES = 15


class Width(NamedTuple):
    """Limits that a gauge is to judge."""

    name: str  # what is limited
    width_level: float  # from the lower to the upper limit


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Readings of parts by persons, each several times."""

    unit: str
    values: FloatArray  # shape (readings,)
    part: tuple[str, ...]  # name of the part of each
    person: tuple[str, ...]  # name of the person of each

    def table(self) -> FloatArray:
        """Return the readings by person, part and trial; all must be there equally often."""
        cells: dict[tuple[str, str], list[float]] = {}
        for person, part, value in zip(self.person, self.part, self.values.tolist(), strict=True):
            cells.setdefault((person, part), []).append(value)
        persons, parts = list(dict.fromkeys(self.person)), list(dict.fromkeys(self.part))
        trials = max(len(cell) for cell in cells.values())
        for person in persons:
            for part in parts:
                if (read := len(cells.get((person, part), ()))) < trials:
                    raise RequestError(
                        "{person} read part {part} {read:count time}, others were read "
                        "{trials:count time}; every person reads every part equally often.",
                        person=person,
                        part=part,
                        read=read,
                        trials=trials,
                    )
        if trials < 2 or len(parts) < 2:
            raise RequestError(
                "A study needs two parts or more, each read twice or more; here {parts:count part} "
                "were read {trials:count time}.",
                parts=len(parts),
                trials=trials,
            )
        return np.array([[cells[person, part] for part in parts] for person in persons])

    def nested(self) -> FloatArray:
        """Return the readings by person, part of that person, and trial."""
        persons = dict.fromkeys(self.person)
        own = {
            person: list(
                dict.fromkeys(
                    part for p, part in zip(self.person, self.part, strict=True) if p == person
                )
            )
            for person in persons
        }
        counts = {len(parts) for parts in own.values()}
        if len(counts) > 1:
            raise RequestError("Every person needs the same number of parts.")
        place = {
            (person, part): f"{n}" for person, parts in own.items() for n, part in enumerate(parts)
        }
        renamed = tuple(place[key] for key in zip(self.person, self.part, strict=True))
        return Readings(self.unit, self.values, renamed, self.person).table()


@dataclass(frozen=True, slots=True)
class Component:
    """One part of the spread of the readings, as a standard deviation."""

    name: str  # repeatability, reproducibility, gauge, parts or total
    sigma_level: float
    low_level: float  # 90 % confidence limits; NaN where they are not known
    high_level: float
    variance_share: float  # of the variance of all readings


@dataclass(frozen=True, slots=True)
class Source:
    """One row of an analysis of variance."""

    name: str
    degrees_of_freedom: int
    sum_level: float  # sum of squares
    mean_level: float  # mean square
    f_ratio: float  # NaN where there is none
    chance: float  # that it would be as large without an effect; NaN where there is none


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """What a study of a gauge found."""

    method: str  # one of `METHODS`
    unit: str  # of the readings
    parts_count: int
    persons_count: int
    trials_count: int
    components: tuple[Component, ...]  # repeatability, reproducibility, gauge, parts and total
    sources: tuple[Source, ...]  # the analysis of variance; empty for the range method
    pooled: bool  # whether the interaction of persons and parts was taken for chance
    # variance of the interaction as it was worked out, where that is negative; else NaN
    below_zero_level: float

    def component(self, name: str) -> Component:
        """Return a component by name."""
        return next(one for one in self.components if one.name == name)

    @property
    def gauge_level(self) -> float:
        """Standard uncertainty of one reading, by one of the persons."""
        return self.component("gauge").sigma_level

    @property
    def distinct_count(self) -> int:
        """How many groups of parts the gauge can tell apart."""
        if not self.gauge_level > 0.0:
            return 1_000
        return math.floor(1.41 * self.component("parts").sigma_level / self.gauge_level)

    def share_of(self, width_level: float) -> float:
        """Return the share of the width of some limits that the gauge takes."""
        return 6.0 * self.gauge_level / width_level

    def findings(self, limits: Sequence[Width] = ()) -> tuple[Finding, ...]:
        """Return the verdict in words."""
        return tuple(_findings(self, limits))


def gauge_study(readings: Readings, method: str = "crossed") -> GaugeStudy:
    """Return what of the readings is the gauge, by one of `METHODS`."""
    check_known("method", method, METHODS)
    table = readings.nested() if method == "nested" else readings.table()
    if not float(np.ptp(table)) > 0.0:
        raise RequestError("All readings are the same; read finer, or other parts.")
    return {"crossed": _crossed, "nested": _nested, "range": _ranges}[method](table, readings.unit)


def _component(
    name: str, variance: float, total: float, ends: tuple[float, float] = (math.nan, math.nan)
) -> Component:
    low, high = (math.sqrt(max(end, 0.0)) if math.isfinite(end) else end for end in ends)
    kept = max(variance, 0.0)
    return Component(name, math.sqrt(kept), low, high, kept / total if total > 0.0 else math.nan)


def _source(
    name: str, freedom: int, square: float, against: tuple[int, float] | None = None
) -> Source:
    mean = square / freedom if freedom else math.nan
    ratio, chance = math.nan, math.nan
    if against is not None and freedom and against[0] and against[1] > 0.0:
        ratio = mean / against[1]
        chance = float(special.fdtrc(freedom, against[0], ratio))
    return Source(name, freedom, square, mean, ratio, chance)


def _crossed(table: FloatArray, unit: str) -> GaugeStudy:
    o, p, r = table.shape
    grand = table.mean()
    of_person, of_part, cell = table.mean((1, 2)), table.mean((0, 2)), table.mean(2)
    ss_o = float(p * r * ((of_person - grand) ** 2).sum())
    ss_p = float(o * r * ((of_part - grand) ** 2).sum())
    both = cell - of_person[:, None] - of_part[None, :] + grand
    ss_i, ss_e = float(r * (both**2).sum()), float(((table - cell[..., None]) ** 2).sum())
    df_i, df_e = (o - 1) * (p - 1), o * p * (r - 1)
    row_i = _source("interaction", df_i, ss_i, (df_e, ss_e / df_e))
    pooled = not row_i.chance <= POOLED_OVER  # of one person it has no chance
    if pooled:
        ss_e, df_e = ss_i + ss_e, df_i + df_e
    ms_e = ss_e / df_e
    ms_i = ms_e if pooled else row_i.mean_level
    against = (df_e if pooled else df_i, ms_i)
    rows = [_source("persons", o - 1, ss_o, against)] if o > 1 else []
    rows.append(_source("parts", p - 1, ss_p, against))
    if not pooled:
        rows.append(row_i)
    rows.append(_source("repeats", df_e, ss_e))
    ms_p, ms_o = ss_p / (p - 1), ss_o / (o - 1) if o > 1 else ms_i
    below, interaction = math.nan, (ms_i - ms_e) / r
    if interaction < 0.0:
        below, interaction = interaction, 0.0
    person = max((ms_o - ms_i) / (p * r), 0.0)
    part = max((ms_p - ms_i) / (o * r), 0.0)
    ends_e = _one(ms_e, df_e)
    ends_o = (math.nan, math.nan)
    if o == 1:
        ends_g = ends_e
    elif pooled:
        ends_o = _difference((ms_o, o - 1), (ms_e, df_e), 1.0 / (p * r))
        ends_g = _sum([(1.0 / (p * r), ms_o, o - 1), (1.0 - 1.0 / (p * r), ms_e, df_e)])
    else:
        parts_of = [
            (1.0 / (p * r), ms_o, o - 1),
            (1.0 / r - 1.0 / (p * r), ms_i, df_i),
            (1.0 - 1.0 / r, ms_e, df_e),
        ]
        ends_g = _sum(parts_of)
    total = ms_e + person + interaction + part
    components = (
        _component("repeatability", ms_e, total, ends_e),
        _component("reproducibility", person + interaction, total, ends_o),
        _component("gauge", ms_e + person + interaction, total, ends_g),
        _component("parts", part, total),
        _component("total", total, total),
    )
    return GaugeStudy("crossed", unit, p, o, r, components, tuple(rows), pooled, below)


def _nested(table: FloatArray, unit: str) -> GaugeStudy:
    o, p, r = table.shape
    cell, of_person = table.mean(2), table.mean((1, 2))
    ss_o = float(p * r * ((of_person - table.mean()) ** 2).sum())
    ss_p = float(r * ((cell - of_person[:, None]) ** 2).sum())
    ss_e = float(((table - cell[..., None]) ** 2).sum())
    df_p, df_e = o * (p - 1), o * p * (r - 1)
    ms_p, ms_e = ss_p / df_p, ss_e / df_e
    rows = [_source("persons", o - 1, ss_o, (df_p, ms_p))] if o > 1 else []
    rows.append(_source("parts within persons", df_p, ss_p, (df_e, ms_e)))
    rows.append(_source("repeats", df_e, ss_e))
    person = max((ss_o / (o - 1) - ms_p) / (p * r), 0.0) if o > 1 else 0.0
    part = max((ms_p - ms_e) / r, 0.0)
    total = ms_e + person + part
    components = (
        _component("repeatability", ms_e, total, _one(ms_e, df_e)),
        _component("reproducibility", person, total),
        _component("gauge", ms_e + person, total),
        _component("parts", part, total),
        _component("total", total, total),
    )
    return GaugeStudy("nested", unit, p, o, r, components, tuple(rows), False, math.nan)


def _ranges(table: FloatArray, unit: str) -> GaugeStudy:
    o, p, r = table.shape
    ranges = o * p
    constant = d2(r) if ranges > _MANY_RANGES else d2_of_few(r, ranges)
    repeat = float(np.ptp(table, axis=2).mean()) / constant
    person = 0.0
    if o > 1:
        apart = float(np.ptp(table.mean((1, 2)))) / d2_of_few(o, 1)
        person = math.sqrt(max(apart**2 - repeat**2 / (p * r), 0.0))
    part = float(np.ptp(table.mean((0, 2)))) / d2_of_few(p, 1)
    total = repeat**2 + person**2 + part**2
    components = (
        _component("repeatability", repeat**2, total),
        _component("reproducibility", person**2, total),
        _component("gauge", repeat**2 + person**2, total),
        _component("parts", part**2, total),
        _component("total", total, total),
    )
    return GaugeStudy("range", unit, p, o, r, components, (), True, math.nan)


# ---- confidence limits of variance components -------------------------------------------------


def _one(mean_square: float, freedom: int) -> tuple[float, float]:
    ends = (special.chdtri(freedom, tail) for tail in (_TAIL, 1.0 - _TAIL))
    low, high = (freedom * mean_square / float(end) for end in ends)
    return low, high


def _sum(parts: Sequence[tuple[float, float, int]]) -> tuple[float, float]:
    """Return the limits of a sum of mean squares with positive weights (Graybill & Wang 1980)."""
    value = sum(weight * square for weight, square, _ in parts)
    low = high = 0.0
    for weight, square, freedom in parts:
        under, over = _one(1.0, freedom)
        low += ((1.0 - under) * weight * square) ** 2
        high += ((over - 1.0) * weight * square) ** 2
    return value - math.sqrt(low), value + math.sqrt(high)


def _difference(
    first: tuple[float, int], second: tuple[float, int], weight: float
) -> tuple[float, float]:
    """Return the limits of a weighted difference of two mean squares (Ting et al. 1990)."""
    (a, n), (b, m) = first, second
    (under_a, over_a), (under_b, over_b) = _one(1.0, n), _one(1.0, m)
    f_low = float(special.fdtri(n, m, 1.0 - _TAIL))
    f_high = float(special.fdtri(n, m, _TAIL))
    g1, h2 = 1.0 - under_a, over_b - 1.0
    h1, g2 = over_a - 1.0, 1.0 - under_b
    g12 = ((f_low - 1.0) ** 2 - (g1 * f_low) ** 2 - h2**2) / f_low
    h12 = ((1.0 - f_high) ** 2 - (h1 * f_high) ** 2 - g2**2) / f_high
    low = (g1 * a) ** 2 + (h2 * b) ** 2 + g12 * a * b
    high = (h1 * a) ** 2 + (g2 * b) ** 2 + h12 * a * b
    value = a - b
    return (
        weight * (value - math.sqrt(max(low, 0.0))),
        weight * (value + math.sqrt(max(high, 0.0))),
    )


# ---- bias, linearity, agreement ----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Bias:
    """How far a gauge reads off a known value."""

    reference_level: float
    bias_level: float
    low_level: float  # 95 % confidence limits
    high_level: float
    t_ratio: float
    chance: float  # that a gauge without bias reads as far off
    count: int  # readings


def bias(values: FloatArray, reference_level: float) -> Bias:
    """Return how far repeated readings of a known value are off it."""
    n = len(values)
    if n < 2:
        raise RequestError("The bias needs two readings of the reference or more.")
    off = float(np.mean(values - reference_level))
    error = float(np.std(values, ddof=1)) / math.sqrt(n)
    wide = float(special.stdtrit(n - 1, 0.975)) * error
    t = off / error if error > 0.0 else (0.0 if off == 0.0 else math.copysign(math.inf, off))
    chance = 2.0 * float(special.stdtr(n - 1, -abs(t))) if math.isfinite(t) else 0.0
    return Bias(reference_level, off, off - wide, off + wide, t, chance, n)


@dataclass(frozen=True, slots=True)
class Linearity:
    """How the bias of a gauge changes along its range: bias = intercept + slope × reference."""

    slope: float
    intercept_level: float
    fit_share: float  # of the variance of the bias that the line explains
    slope_t_ratio: float
    intercept_t_ratio: float
    degrees_of_freedom: int
    slope_chance: float  # that a gauge without a slope shows one as steep
    intercept_chance: float


def linearity(values: FloatArray, references: FloatArray) -> Linearity:
    """Return how the bias changes with the reference."""
    x, y, n = references, values - references, len(values)
    if n < 3 or not float(np.ptp(x)) > 0.0:
        raise RequestError("Linearity needs three readings or more, of two references or more.")
    off = x - x.mean()
    slope = float(off @ y / (off @ off))
    intercept = float(y.mean() - slope * x.mean())
    left = y - intercept - slope * x
    s2 = float(left @ left) / (n - 2)
    total = float(((y - y.mean()) ** 2).sum())
    se = math.sqrt(s2 / float(off @ off))
    se_0 = math.sqrt(s2 * (1.0 / n + float(x.mean()) ** 2 / float(off @ off)))
    t, t_0 = (v / e if e > 0.0 else math.inf for v, e in ((slope, se), (intercept, se_0)))
    chances = (2.0 * float(special.stdtr(n - 2, -abs(one))) for one in (t, t_0))
    explained = 1.0 - float(left @ left) / total if total > 0.0 else 1.0
    return Linearity(slope, intercept, explained, t, t_0, n - 2, *chances)


@dataclass(frozen=True, slots=True)
class Agreement:
    """How far persons agree who sort parts, beyond chance: 1 always, 0 as by chance."""

    pairs_ratio: tuple[tuple[str, str, float], ...]  # two persons and the kappa of Cohen
    overall_ratio: float  # the kappa of Fleiss over all
    agreed_share: float  # parts on which all persons always agree


def kappa_of_two(first: Sequence[str], second: Sequence[str]) -> float:
    """Return the kappa of two persons (J. Cohen, Educ. Psychol. Meas. 20 (1960) 37)."""
    kinds = sorted({*first, *second})
    n = len(first)
    seen = sum(a == b for a, b in zip(first, second, strict=True)) / n
    chance = sum(first.count(k) * second.count(k) for k in kinds) / (n * n)
    return 1.0 if chance == 1.0 else (seen - chance) / (1.0 - chance)


def kappa_of_many(counts: IntArray) -> float:
    """Return the kappa of many (J. L. Fleiss, Psychol. Bull. 76 (1971) 378), parts by kinds."""
    n = int(counts[0].sum())
    seen = float(((counts * (counts - 1)).sum(1) / (n * (n - 1))).mean())
    chance = float(((counts.sum(0) / counts.sum()) ** 2).sum())
    return 1.0 if chance == 1.0 else (seen - chance) / (1.0 - chance)


def agreement(part: Sequence[str], person: Sequence[str], kind: Sequence[str]) -> Agreement:
    """Return how far persons agree who sort the same parts, once each or several times."""
    by_person: dict[str, dict[str, list[str]]] = {}
    for p, o, k in zip(part, person, kind, strict=True):
        by_person.setdefault(o, {}).setdefault(p, []).append(k)
    parts, persons = list(dict.fromkeys(part)), list(by_person)
    sizes = {len(by_person[o].get(p, ())) for o in persons for p in parts}
    if len(persons) < 2 or len(sizes) > 1 or sizes == {0}:
        raise RequestError(
            "Agreement needs two persons or more who sort the same parts equally often."
        )
    flat = {o: [k for p in parts for k in by_person[o][p]] for o in persons}
    pairs_ratio = tuple(
        (a, b, kappa_of_two(flat[a], flat[b]))
        for n, a in enumerate(persons)
        for b in persons[n + 1 :]
    )
    kinds = sorted(set(kind))
    sorted_ = [[k for o in persons for k in by_person[o][p]] for p in parts]
    counts = np.array([[one.count(k) for k in kinds] for one in sorted_])
    agreed = sum(len(set(one)) == 1 for one in sorted_) / len(parts)
    return Agreement(pairs_ratio, kappa_of_many(counts), agreed)


# ---- in words ----------------------------------------------------------------------------------


def _findings(study: GaugeStudy, limits: Sequence[Width]) -> Iterator[Finding]:
    yield Finding(
        "gauge",
        "One reading has a standard uncertainty of {u}: {repeat} by repeating, {between} between "
        "persons. {parts:count part}, {persons:count person}, {trials:count time} each.",
        severity="note",
        u=amount(study.gauge_level, study.unit),
        repeat=amount(study.component("repeatability").sigma_level, study.unit),
        between=amount(study.component("reproducibility").sigma_level, study.unit),
        parts=study.parts_count,
        persons=study.persons_count,
        trials=study.trials_count,
    )
    for name, width in limits:
        yield _judged(study, name, width)
    if limits and all(study.share_of(width) <= USABLE_SHARE for _, width in limits):
        text = (
            "This is not the share of instruments judged wrongly: only near a limit can a verdict "
            "be wrong."
        )
        yield Finding("gauge", text, severity="note")
    groups = study.distinct_count
    yield Finding(
        "gauge",
        "Of the variance of all readings {share:percent.1} is the gauge; over the spread of these "
        "parts it could tell {groups:count group} apart.",
        severity="note" if groups >= 5 else "warning",
        share=100.0 * study.component("gauge").variance_share,
        groups=max(groups, 1),
    )
    repeat, between = (study.component(n).sigma_level for n in ("repeatability", "reproducibility"))
    if between > repeat > 0.0:
        yield Finding(
            "gauge",
            "Persons differ more than one person's readings do: agree on how to hold and read the "
            "gauge, then study it again.",
        )
    for source in study.sources:
        if source.name == "interaction" and source.chance < _TAIL:
            yield Finding(
                "gauge",
                "Persons differ on some parts more than on others: look at how those are held.",
            )
    if math.isfinite(study.below_zero_level):
        yield Finding(
            "gauge",
            "The interaction comes out under zero and is taken as none.",
            severity="note",
        )
    if study.persons_count < 2:
        text = "One person read, so nothing is known of the differences between persons."
        yield Finding("gauge", text, severity="note")


def _judged(study: GaugeStudy, name: str, width: float) -> Finding:
    share = study.share_of(width)
    verdict, so = "The gauge can judge {name}", sentence("")
    if share > USABLE_SHARE:
        verdict = "The gauge cannot judge {name}"
        so = sentence(
            " It would need a standard uncertainty of {good} or less, or of {needed} to judge them "
            "with care.",
            needed=_at_most(USABLE_SHARE * width / 6.0, study.unit),
            good=_at_most(GOOD_SHARE * width / 6.0, study.unit),
        )
    elif share > GOOD_SHARE:
        verdict = "The gauge can judge {name} with care"
        so = sentence(" Near a limit read several times and take the mean.")
    return Finding(
        "gauge",
        "{verdict}: six of its standard uncertainties take {share:taken} of the limits, {width} "
        "wide.{so}",
        severity="note" if share <= USABLE_SHARE else "warning",
        verdict=sentence(verdict, name=name),
        share=share,
        width=amount(width, study.unit),
        so=so,
    )


def _at_most(value: float, unit: str) -> Sentence:
    """Return a bound that is not to be passed, a length rounded down."""
    return sentence("{value:fine}", value=value) if unit == "mm" else amount(value, unit)


def bias_said(made: Bias, unit: str) -> Finding:
    """Return a bias in words."""
    off = made.chance < _TAIL
    text = (
        "The gauge reads {bias} off the reference {reference} (95 % confidence {low} to {high}): "
        "{so}"
    )
    so = (
        sentence("correct it, or have it adjusted.")
        if off
        else sentence("no more than {count:count reading} scatter by chance.", count=made.count)
    )
    return Finding(
        "gauge",
        text,
        severity="warning" if off else "note",
        bias=amount(made.bias_level, unit),
        reference=amount(made.reference_level, unit),
        low=amount(made.low_level, unit),
        high=amount(made.high_level, unit),
        so=so,
    )


def linearity_said(made: Linearity, unit: str) -> Finding:
    """Return a linearity in words."""
    if made.slope_chance < _TAIL:
        text = (
            "The bias changes along the range by {slope:+.4g} for each {one}; at zero it would be "
            "{intercept}. Have the gauge adjusted, or correct each reading by this line."
        )
    else:
        text = "The bias does not change along the range by more than chance."
    return Finding(
        "gauge",
        text,
        severity="warning" if made.slope_chance < _TAIL else "note",
        slope=made.slope,
        one=amount(1.0, unit),
        intercept=amount(made.intercept_level, unit),
    )


def agreement_said(made: Agreement) -> Finding:
    """Return an agreement in words."""
    # bounds: common practice, no source
    if made.overall_ratio >= 0.75:
        text = "Persons agree well: kappa {kappa:.2f}; on {share:share} of the parts always."
    elif made.overall_ratio >= 0.40:
        text = (
            "Persons agree somewhat: kappa {kappa:.2f}; on {share:share} of the parts always. Put "
            "samples of good and bad beside the station."
        )
    else:
        text = (
            "Persons hardly agree more than by chance: kappa {kappa:.2f}; on {share:share} of the "
            "parts always. Measure instead of sorting, or write down what is bad."
        )
    return Finding(
        "gauge",
        text,
        severity="note" if made.overall_ratio >= 0.75 else "warning",
        kappa=made.overall_ratio,
        share=made.agreed_share,
    )
