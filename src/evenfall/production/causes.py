"""Causes: which recorded factors move a quantity, by how much, and how surely.

One linear mixed model of all factors together. Factors of few levels and numbers are fixed; factors
of many levels, and such as lie each within one level of another, are random: their levels are drawn
from many of their kind. The variances of the random ones are those of greatest restricted
likelihood (REML), which statsmodels works out. Every estimate follows from sums and cross products,
so nothing of half a million readings is lost by working with a few hundred rows.

A fixed factor is judged against the random one whose levels it does not cut across, with that one's
degrees of freedom (containment); a random factor by an exact F test (Seely & El-Bassiouni, Ann.
Stat. 11 (1983) 197, from memory). Chances are adjusted for their number (S. Holm, Scand. J. Stat. 6
(1979) 65).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from scipy import optimize, special

from evenfall.arrays import FloatArray, shut
from evenfall.errors import At, Finding, Progress, RequestError, UnsupportedError, silent
from evenfall.production.enough import readings_needed
from evenfall.production.factors import Factor, Products, Sorted, cross_products, sort_out, thinned
from evenfall.production.series import amount, check_numbers, deviation_of
from evenfall.wording import Sentence, sentence

SURE, WORTH_SHARE = 0.05, 0.01
"""A factor moves the quantity if its adjusted chance is under the first, and matters if it makes
more of the variance than the second (common practice, no source)."""

_TELLS_NOTHING = 2.0
"""Standard deviations of the readings: a difference of so many between two halves of them would
make all of their variance, so limits beyond it exclude nothing. (Our choice.)"""

_TAIL = 0.025
_RATIOS = (1e-7, 1e5)
"""Variance of a random factor over that of the readings, within which it is looked for."""

Kind = Literal["levels", "number", "random"]
Verdict = Literal["moves", "little", "not seen", "cannot tell"]


@dataclass(frozen=True, slots=True, eq=False)
class Effect:
    """What one factor does to the quantity, all other factors the same."""

    factor: str
    kind: Kind
    levels: tuple[str, ...]  # names; of a number, its 5th and 95th percentile
    offset_level: FloatArray  # of each level from the mean of the levels, shape (levels,)
    offset_low_level: FloatArray  # 95 % confidence limits of all of them together; NaN for random
    offset_high_level: FloatArray
    # largest difference between two levels, change between both percentiles, or standard deviation
    # of the levels; with 95 % confidence limits
    effect_level: float
    low_level: float
    high_level: float
    variance_share: float  # of the variance of the readings
    f_ratio: float
    degrees_of_freedom: tuple[int, int]
    chance: float  # that a factor that does nothing shows as much
    adjusted_chance: float  # the same, all factors that were asked counted
    against: str  # random factor that it is judged against; empty for the readings
    verdict: Verdict = "not seen"  # whether it moves the quantity, and enough to matter

    def __post_init__(self) -> None:
        shut(self)

    @property
    def most_level(self) -> float:
        """The most that it may do, by its limits."""
        return max(abs(self.low_level), abs(self.high_level))

    def judged(self, sigma_level: float) -> Verdict:
        """Return the verdict, `sigma_level` the standard deviation of all readings."""
        if self.adjusted_chance < SURE:
            return "moves" if self.variance_share >= WORTH_SHARE else "little"
        bound = sigma_level * (1.0 if self.kind == "random" else _TELLS_NOTHING)
        return "cannot tell" if self.most_level > bound else "not seen"

    @property
    def ends(self) -> tuple[int, int]:
        """Numbers of the lowest and of the highest level."""
        return int(np.argmin(self.offset_level)), int(np.argmax(self.offset_level))


@dataclass(frozen=True, slots=True)
class Causes:
    """Which factors move a quantity."""

    quantity: str  # what was read
    unit: str  # "mm" for every length
    count: int  # readings there were
    used_count: int  # those that the model takes
    effects: tuple[Effect, ...]  # by factor, that with the largest share of the variance first
    sigma_level: float  # standard deviation of the readings
    rest_level: float  # standard deviation from reading to reading that no factor explains
    sorted_out: Sorted  # which factors could be told apart
    cut: tuple[tuple[str, int], ...] = ()  # random factors with too many levels, and how many

    def effect(self, factor: str) -> Effect:
        """Return the effect of a factor."""
        return next(one for one in self.effects if one.factor == factor)

    @property
    def moving(self) -> tuple[Effect, ...]:
        """The factors that move the quantity enough to matter."""
        return tuple(one for one in self.effects if one.verdict == "moves")

    @property
    def rest_share(self) -> float:
        """The share of the variance that no factor explains."""
        if any(one.verdict == "cannot tell" for one in self.effects):
            # factors that go along with each other have shares that do not add up
            return min((self.rest_level / self.sigma_level) ** 2, 1.0)
        return 1.0 - sum(one.variance_share for one in self.effects)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What it comes to: the factors first, then how far to trust it."""
        return tuple(_findings(self))


def fitted_causes(
    quantity: str,
    unit: str,
    values: FloatArray,
    factors: Sequence[Factor],
    progress: Progress = silent,
) -> Causes:
    """Return which factors move a quantity, `quantity` read in `unit`."""
    check_numbers(values, quantity)
    if not any(factor.freedom_count > 0 for factor in factors):
        raise RequestError(
            "No factor with two values or more is recorded beside the readings; add a column such "
            "as station, person, batch or humidity.",
            at=At(field="factor"),
        )
    count = len(values)
    kept, cut = thinned(factors)
    if kept is not None:
        values, factors = values[kept], [factor.taken(kept) for factor in factors]
    progress("Adding up", 0.0)
    products = cross_products(values, factors)
    if not float(products.sum_level[-1, -1]) > 0.0:
        raise RequestError("All readings are the same, so no factor moves them.")
    found = sort_out(products)
    left, rank = products.left_over([*found.fixed, *found.random])
    freedom = len(values) - 1 - rank
    if freedom < 1:
        raise RequestError(
            "{count:count reading} are too few for {factors:count factor} with {taken:count "
            "level} to tell apart; take more readings, or ask fewer factors.",
            at=At(field="factor"),
            count=len(values),
            factors=len(found.fixed) + len(found.random),
            taken=rank,
        )
    if not left > 1e-12 * float(products.sum_level[-1, -1]):
        raise RequestError(
            "The factors tell every reading without a rest, so nothing says how sure that is; read "
            "finer, or check whether a column was worked out from the readings.",
            at=At(field="factor"),
        )
    progress("Fitting", 0.2)
    model = _Model.of(products, found, freedom)
    told = [_fixed(model, name) for name in found.fixed]
    told += [_random(model, name) for name in found.random]
    sigma_level = deviation_of(values)
    effects = _adjusted(told, model.rest, sigma_level)
    effects.sort(key=lambda one: -one.variance_share)
    return Causes(
        quantity,
        unit,
        count,
        len(values),
        tuple(effects),
        sigma_level,
        math.sqrt(model.rest),
        found,
        tuple(cut),
    )


# ---- the model ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Model:
    """A fitted model: fixed columns, random columns, and the variances of greatest likelihood."""

    products: Products
    found: Sorted
    fixed: np.ndarray  # columns, the first level of each factor left out
    ratio: dict[str, float]  # variance of each random factor over that of the readings
    rest: float  # variance from reading to reading
    beta: FloatArray  # of the fixed columns
    spread: FloatArray  # covariance of beta
    predicted: FloatArray  # offset of each level of the random factors
    freedom: int  # degrees of freedom that all factors leave to the readings

    @classmethod
    def of(cls, products: Products, found: Sorted, freedom: int) -> _Model:
        fixed = np.array(
            [
                n
                for factor in products.factors
                if factor.name in found.fixed
                for n in products.places[factor.name][1 if factor.levels else 0 :]
            ],
            dtype=np.int64,
        )
        ratio = _ratios(products, fixed, found.random)
        z = products.columns(found.random)
        weights = np.array([ratio[n] for n in found.random for _ in products.places[n]])
        all_ = products.sum_level
        inverse = np.linalg.inv(np.eye(len(z)) + weights[:, None] * all_[np.ix_(z, z)])
        shrunk = inverse * weights[None, :]  # (1/ratio + Z'Z)^-1, also where a ratio is zero

        def product(a: np.ndarray, b: np.ndarray) -> FloatArray:
            left_out = all_[np.ix_(a, z)] @ shrunk @ all_[np.ix_(z, b)]
            return np.asarray(all_[np.ix_(a, b)] - left_out)

        y = np.array([len(all_) - 1])
        spread = np.asarray(np.linalg.inv(product(fixed, fixed)), dtype=float)
        beta = spread @ product(fixed, y)[:, 0]
        left = float(product(y, y)[0, 0] - product(y, fixed)[0] @ beta)
        rest = left / (products.count - 1 - len(fixed))
        predicted = weights * (product(z, y)[:, 0] - product(z, fixed) @ beta)
        return cls(products, found, fixed, ratio, rest, beta, rest * spread, predicted, freedom)

    def random_at(self, name: str) -> np.ndarray:
        """Return where the columns of a random factor stand among all random ones."""
        before = self.found.random[: self.found.random.index(name)]
        start = sum(len(self.products.places[one]) for one in before)
        return start + np.arange(len(self.products.places[name]))


def _ratios(products: Products, fixed: np.ndarray, names: Sequence[str]) -> dict[str, float]:
    """Return the variance of each random factor over that of the readings, by REML."""
    if not names:
        return {}
    mixed = _statsmodels()
    z = products.columns(names)
    at = np.concatenate([fixed, z, [len(products.sum_level) - 1]])
    sums = products.sum_level[np.ix_(at, at)]
    size = np.sqrt(np.maximum(np.diag(sums), 1e-300))
    values, vectors = np.linalg.eigh(sums / np.outer(size, size))
    # rows with the same sums and cross products as all readings; the rest of them would be zeros
    rows = (np.sqrt(np.maximum(values, 0.0))[:, None] * vectors.T) * size
    fixed_rows, y = rows[:, : len(fixed)], rows[:, -1] / size[-1]
    mats, start = [], len(fixed)
    for name in names:
        wide = len(products.places[name])
        mats.append([rows[:, start : start + wide]])
        start += wide
    columns = [[[str(n) for n in range(one[0].shape[1])]] for one in mats]
    spec = mixed.VCSpec(list(names), columns, mats)
    model = mixed.MixedLM(y, fixed_rows, np.zeros(len(rows), dtype=int), exog_vc=spec)
    model.n_totobs = products.count - 1  # the mean is taken out, the zeros are not in the rows
    model.cov_pen = None  # no penalty, as MixedLM.fit sets it
    none = np.zeros((0, 0))

    def against(logs: FloatArray) -> float:
        ratio = np.exp(logs)
        beta = model.get_fe_params(none, ratio)[0]
        packed = mixed.MixedLMParams.from_components(beta, cov_re=none, vcomp=ratio)
        return -float(model.loglike(packed, profile_fe=False))

    low, high = (math.log(end) for end in _RATIOS)
    # mean squares give a start; MixedLM.fit warns where a variance is zero, and warnings belong to
    # the whole process, so the likelihood is climbed here
    start_at = [math.log(_by_squares(products, name, names)) for name in names]
    best = optimize.minimize(
        against,
        np.clip(start_at, low + 1.0, high - 1.0),
        method="L-BFGS-B",
        bounds=[(low, high)] * len(names),
        options={"ftol": 1e-13, "gtol": 1e-9},
    )
    ratios = np.where(best.x > low + 3.0, np.exp(best.x), 0.0)
    return dict(zip(names, ratios.tolist(), strict=True))


def _by_squares(products: Products, name: str, names: Sequence[str]) -> float:
    """Return a first guess of a ratio from mean squares."""
    others = [one for one in products.places if one not in names]
    without, rank = products.left_over(others)
    with_, more = products.left_over([*others, name])
    rest = with_ / max(products.count - 1 - more, 1)
    mean = (without - with_) / max(more - rank, 1)
    each = products.count / len(products.places[name])
    return max((mean / rest - 1.0) / each, 1e-3) if rest > 0.0 else 1.0


def _statsmodels() -> Any:
    try:
        from statsmodels.regression import mixed_linear_model
    except ModuleNotFoundError as missing:
        if (missing.name or "").split(".")[0] not in ("statsmodels", "pandas", "patsy"):
            raise
        raise UnsupportedError(
            "A model with random factors needs the package statsmodels, which is not installed; in "
            "the folder of evenfall's own files, python3 dev.py setup installs it."
        ) from missing
    return mixed_linear_model


# ---- effects -----------------------------------------------------------------------------------


def _fixed(model: _Model, name: str) -> Effect:
    """Return the effect of a fixed factor."""
    factor = next(one for one in model.products.factors if one.name == name)
    columns = model.products.places[name][1 if factor.levels else 0 :]
    mine = np.flatnonzero(np.isin(model.fixed, columns))
    beta, spread = model.beta[mine], model.spread[np.ix_(mine, mine)]
    against, freedom = _contained(model, name)
    r = len(mine)
    f = float(beta @ np.linalg.solve(spread, beta)) / r
    sums = model.products.sum_level[np.ix_(columns, columns)] / model.products.count
    # what chance alone adds to the variance of the fitted values is taken off
    variance = max(float(beta @ sums @ beta - np.sum(sums * spread)), 0.0)
    if factor.levels:
        k = len(factor.levels)
        beta = np.append(0.0, beta)
        wide = np.zeros((k, k))
        wide[1:, 1:] = spread
        off = np.eye(k) - 1.0 / k
        offset, errors = off @ beta, np.sqrt(np.diag(off @ wide @ off.T))
        names = factor.levels
        low, high = int(np.argmin(offset)), int(np.argmax(offset))
        effect = float(offset[high] - offset[low])
        error = math.sqrt(max(wide[low, low] + wide[high, high] - 2.0 * wide[low, high], 0.0))
        reach = _student(freedom, k), _student(freedom, k * (k - 1) // 2)
    else:
        scale, mean = model.products.scale[name], float(factor.values.mean())
        ends = np.quantile(factor.values, [0.05, 0.95])
        if not ends[1] > ends[0]:
            ends = np.array([factor.values.min(), factor.values.max()])
        places = (ends - mean) / scale
        offset, errors = places * beta[0], np.abs(places) * math.sqrt(float(spread[0, 0]))
        names = tuple(f"{end:.4g}{factor.unit}" for end in ends.tolist())
        step = float(places[1] - places[0])
        effect, error = step * float(beta[0]), step * math.sqrt(float(spread[0, 0]))
        reach = _student(freedom, 1), _student(freedom, 1)
    return Effect(
        name,
        "levels" if factor.levels else "number",
        names,
        offset,
        offset - reach[0] * errors,
        offset + reach[0] * errors,
        effect,
        effect - reach[1] * error,
        effect + reach[1] * error,
        variance,
        f,
        (r, freedom),
        float(special.fdtrc(r, freedom, f)),
        math.nan,
        against,
    )


def _student(freedom: int, looks: int) -> float:
    """Return how many standard errors cover 95 % for so many differences together (Bonferroni)."""
    return float(special.stdtrit(freedom, 1.0 - _TAIL / max(looks, 1)))


def _contained(model: _Model, name: str) -> tuple[str, int]:
    """Return which random factor a fixed one is judged against, and the degrees of freedom."""
    products, found = model.products, model.found
    best = ("", model.freedom)
    for random in found.random:
        if (random, name) in found.within:
            outer = [one for one in found.fixed if (random, one) in found.within]
            own = products.left_over([*outer, random])[1]
            freedom = max(own - products.left_over(outer)[1], 1)
            if freedom < best[1]:
                best = (random, freedom)
    return best


def _random(model: _Model, name: str) -> Effect:
    """Return the effect of a random factor."""
    products, found = model.products, model.found
    factor = next(one for one in products.factors if one.name == name)
    inside = [child for child, parent in found.within if parent == name and child in found.random]
    others = [one for one in (*found.fixed, *found.random) if one != name and one not in inside]
    without, rank = products.left_over(others)
    with_, more = products.left_over([*others, name])
    if inside:
        last, whole = products.left_over([*others, name, *inside])
        square, freedom = with_ - last, whole - more
    else:
        square, freedom = with_, products.count - 1 - more
    r = more - rank
    if r < 1 or freedom < 1:
        raise RequestError(
            "The levels of {factor} cannot be told from those of the other factors; ask fewer "
            "factors.",
            at=At(field="factor"),
            factor=name,
        )
    f = ((without - with_) / r) / (square / freedom)
    variance = model.ratio[name] * model.rest
    # limits of Tukey and Williams (J. S. Williams, Biometrika 49 (1962) 278, from memory)
    each = products.left_of(name, others) / r  # readings that a level stands for
    low, high = (
        math.sqrt(
            max(without - with_, 0.0)
            * max(1.0 - float(special.fdtri(r, freedom, 1.0 - tail)) / max(f, 1e-300), 0.0)
            / (each * float(special.chdtri(r, tail)))
        )
        for tail in (_TAIL, 1.0 - _TAIL)
    )
    at = model.random_at(name)
    offset = model.predicted[at]
    nothing = np.full(len(offset), math.nan)
    return Effect(
        name,
        "random",
        factor.levels,
        offset,
        nothing,
        nothing,
        math.sqrt(variance),
        low,
        high,
        variance,
        f,
        (r, freedom),
        float(special.fdtrc(r, freedom, f)),
        math.nan,
        inside[0] if inside else "",
    )


def _adjusted(told: Sequence[Effect], rest: float, sigma_level: float) -> list[Effect]:
    """Return effects with shares for variances, chances adjusted for their number, and judged."""
    total = rest + sum(one.variance_share for one in told)
    made, most = [], 0.0
    for n, one in enumerate(sorted(told, key=lambda effect: effect.chance)):
        most = max(most, min((len(told) - n) * one.chance, 1.0))
        share = one.variance_share / total
        effect = replace(one, variance_share=share, adjusted_chance=most)
        made.append(replace(effect, verdict=effect.judged(sigma_level)))
    return made


# ---- in words ----------------------------------------------------------------------------------


def _findings(made: Causes) -> Iterator[Finding]:
    for effect in made.effects:
        yield _effect_said(made, effect)
    yield Finding(
        "causes",
        "{used:count reading}, standard deviation {sigma}. {share:percent} of the variance is left "
        "that none of these factors explains: {rest} from reading to reading.",
        severity="note",
        used=made.used_count,
        sigma=amount(made.sigma_level, made.unit),
        share=100.0 * made.rest_share,
        rest=amount(made.rest_level, made.unit),
    )
    yield from _together_said(made.sorted_out)
    numbers = [effect.factor for effect in made.effects if effect.kind == "number"]
    if numbers:
        text = (
            "{factors:list} {factors:plural is|are} taken as {factors:plural a number|numbers}, "
            "along which the quantity goes up or down. Where numbers are only names, say so by "
            "{door_names}."
        )
        yield Finding("causes", text, severity="note", factors=numbers)
    for name, levels in made.cut:
        yield Finding(
            "causes",
            "{factor} has {levels} levels; a part of them, evenly taken, went into the model with "
            "{used} of {count:count reading}.",
            severity="note",
            factor=name,
            levels=levels,
            used=made.used_count,
            count=made.count,
        )
    asked = len(made.effects)
    if asked > 1:
        yield Finding(
            "causes",
            "{asked} factors were asked at once, so each had to show more than one alone would: "
            "all together are wrong in 5 % of cases. Other quantities or factors that were asked "
            "before are not counted; confirm what such a search finds by new readings.",
            severity="note",
            asked=asked,
        )
    if made.moving:
        first = made.moving[0]
        text, needed = (
            "What goes with a factor need not come from it. Before you change anything, swap "
            "{factor} on purpose, in turn or at random, and read again.",
            0,
        )
        if first.kind != "random":
            shift = abs(first.effect_level) / made.rest_level
            needed = readings_needed(shift, groups=2, both_sides=True)
            text = (
                "What goes with a factor need not come from it. Before you change anything, swap "
                "{factor} on purpose, in turn or at random, and read again: "
                "{needed:count reading} of each show {size} in nine cases of ten."
            )
        yield Finding(
            "causes",
            text,
            severity="note",
            factor=first.factor,
            needed=needed,
            size=effect_amount(abs(first.effect_level), made.unit),
        )


def _effect_said(made: Causes, effect: Effect) -> Finding:
    """Return the effect of one factor in words."""
    value = effect_amount(abs(effect.effect_level), made.unit)
    if effect.kind == "number":
        size = sentence(
            "from {first} to {last} it goes {way} by {value} ({range})",
            first=effect.levels[0],
            last=effect.levels[1],
            way="up" if effect.effect_level > 0.0 else "down",
            value=value,
            range=_range(*_signed(effect), made.unit),
        )
    elif effect.kind == "random":
        size = sentence(
            "its {levels} levels differ by a standard deviation of {value} ({range})",
            levels=len(effect.levels),
            value=value,
            range=_range(effect.low_level, effect.high_level, made.unit),
        )
    else:
        low, high = effect.ends
        several = len(effect.levels) > 2
        size = sentence(
            "{high}{highest} lies {value} above {low}{lowest} ({range})",
            high=effect.levels[high],
            low=effect.levels[low],
            highest=", the highest," if several else "",
            lowest=", the lowest" if several else "",
            value=value,
            range=_range(effect.low_level, effect.high_level, made.unit),
        )
    texts = {
        "moves": "{quantity} goes with {factor}: {size}, {share:percent} of the variance.",
        "little": "{quantity} goes with {factor}, too little to matter here: {size}, "
        "{share:percent} of the variance.",
        "not seen": "{factor} is not seen to move {quantity}: if it does, by no more than {most}.",
        "cannot tell": "These readings cannot tell whether {factor} moves {quantity}: {most} would "
        "not show, and all of them have a standard deviation of {sigma}. It changes too little or "
        "too seldom, or along with other factors.",
    }
    return Finding(
        "causes",
        texts[effect.verdict],
        severity="warning" if effect.verdict == "moves" else "note",
        factor=effect.factor,
        quantity=made.quantity,
        size=size,
        share=100.0 * effect.variance_share,
        most=effect_amount(effect.most_level, made.unit),
        sigma=amount(made.sigma_level, made.unit),
    )


def _signed(effect: Effect) -> tuple[float, float]:
    """Return the limits of a change in its own direction, lower first."""
    if effect.effect_level > 0.0:
        return effect.low_level, effect.high_level
    return -effect.high_level, -effect.low_level


def _range(low: float, high: float, unit: str) -> Sentence:
    return sentence(
        "95 % confidence {low} to {high}",
        low=effect_amount(max(low, 0.0), unit),
        high=effect_amount(high, unit),
    )


def effect_amount(value: float, unit: str) -> Sentence:
    """Return the size of an effect in words: a small length keeps digits that say something."""
    if unit == "mm" and value > 0.0:
        return sentence("{value:uncertainty}", value=value)
    return amount(value, unit)


def _together_said(found: Sorted) -> Iterator[Finding]:
    """Say which factors go together."""
    for kept, left_out in found.same:
        yield Finding(
            "together",
            "{kept} and {left_out} always go together, so nobody can tell what one of them does "
            "from what the other does: {kept} stands for both. Let them cross: change one of them "
            "alone.",
            kept=kept,
            left_out=left_out,
        )
    for name in found.mingled:
        yield Finding(
            "together",
            "{name} is left out: the other factors together tell it on every reading, so what it "
            "does cannot be told from what they do.",
            name=name,
        )
    for first, second, share in found.nearly_share:
        yield Finding(
            "together",
            "{first} and {second} go together on most readings (association {together:.2f}), so "
            "what one of them does may stand under the name of the other: read where they cross.",
            first=first,
            second=second,
            together=math.sqrt(share),
        )
    for child, parent in found.within:
        yield Finding(
            "together",
            "Each level of {child} lies within one of {parent}, so {parent} is judged against the "
            "differences between levels of {child}, not between readings.",
            severity="note",
            child=child,
            parent=parent,
        )
