"""Uncertainty budgets: from the uncertainty of each input to that of the result.

The law of propagation of uncertainty of the GUM (JCGM 100:2008): first order, with correlations,
effective degrees of freedom by Welch and Satterthwaite, expanded uncertainty from Student's t.
First order is exact for every quantity that `evenfall.proof` judges, since all of them are linear
in the readings.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from statistics import NormalDist
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from evenfall.arrays import FloatArray
from evenfall.codec import Content
from evenfall.codec.forms import Form, derived, number, spoken, text
from evenfall.wording import Sentence

if TYPE_CHECKING:
    pass


_EXPANSION_FROM = 200
"""Degrees of freedom from which Student's t is taken from its expansion (error under 1e-9)."""


@dataclass(frozen=True, slots=True, eq=False)
class BudgetLine(Content):
    """One input of a result."""

    DERIVED: ClassVar[Mapping[str, Form]] = derived(
        contribution=number(0.0, 1e6, "size of the sensitivity times u, in the unit of the result")
    )

    name: Sentence = field(metadata=spoken("what the input is, in words"))
    value: float = field(metadata=number(-1e6, 1e6, "its estimate, in `unit`", null=math.nan))
    standard_uncertainty: float = field(metadata=number(0.0, 1e6, "its u, in `unit`"))
    sensitivity: float = field(
        default=1.0,
        metadata=number(-1e6, 1e6, "change of the result per change of this input (GUM 5.1.3)"),
    )
    unit: str = field(
        default="mm", metadata=text("unit of the input; empty for a pure number", longest=20)
    )
    degrees_of_freedom: float = field(
        default=math.inf,
        metadata=number(
            0.0, 1e300, "degrees of freedom; null where u is itself taken as known", null=math.inf
        ),
    )
    distribution: str = field(
        default="normal",
        metadata=text("what is known of the input, for the reader; u is what counts", longest=40),
    )

    def __post_init__(self) -> None:
        Content.__post_init__(self)
        if not self.standard_uncertainty >= 0.0 or math.isinf(self.standard_uncertainty):
            raise ValueError(f"{self.name}: a standard uncertainty is a number, zero or more")
        if not self.degrees_of_freedom > 0.0:
            raise ValueError(f"{self.name}: degrees of freedom must be positive")

    @property
    def contribution(self) -> float:
        """Contribution to the result's standard uncertainty, |c| u, in the result's unit."""
        return abs(self.sensitivity) * self.standard_uncertainty


@dataclass(frozen=True, slots=True)
class Budget:
    """How the uncertainty of one result comes about."""

    quantity: str  # what the result is, in words
    value: float  # the result, in `unit`
    unit: str  # unit of the result
    lines: tuple[BudgetLine, ...]  # its inputs
    # correlation coefficients of the inputs, shape (lines, lines); None if independent
    correlation: FloatArray | None = None

    def __post_init__(self) -> None:
        if self.correlation is None:
            return
        given = np.asarray(self.correlation)
        if given.shape != (len(self.lines), len(self.lines)):
            raise ValueError("the correlation matrix needs one row and one column per line")
        if not np.allclose(given, given.T, atol=1e-12) or not np.allclose(np.diag(given), 1.0):
            raise ValueError("a correlation matrix is symmetric with ones on its diagonal")
        if np.linalg.eigvalsh(given).min() < -1e-9:
            raise ValueError("no inputs can be correlated like this: an eigenvalue is negative")

    @property
    def combined_uncertainty(self) -> float:
        """Combined standard uncertainty u_c, in `unit` (GUM eq. 10; with correlations eq. 16)."""
        if self.correlation is None:
            return math.hypot(*(line.contribution for line in self.lines))
        terms = np.array([line.sensitivity * line.standard_uncertainty for line in self.lines])
        return math.sqrt(max(0.0, float(terms @ np.asarray(self.correlation) @ terms)))

    @property
    def effective_degrees_of_freedom(self) -> float:
        """Effective degrees of freedom, Welch-Satterthwaite (GUM eq. G.2b), not truncated.

        The formula holds for independent inputs. Inputs with the same degrees of freedom are taken
        to share one pooled estimate of their scatter, which errs on the safe side. For correlated
        inputs the GUM gives none; the smallest degrees of freedom of any contributing line are
        taken, which errs on the side of a larger expanded uncertainty.
        """
        finite = [
            line
            for line in self.lines
            if math.isfinite(line.degrees_of_freedom) and line.contribution > 0.0
        ]
        if not finite:
            return math.inf
        correlation = self.correlation
        if correlation is not None and not np.array_equal(correlation, np.eye(len(self.lines))):
            return min(line.degrees_of_freedom for line in finite)
        # Each term as a share of u_c, so that tiny uncertainties do not underflow.
        combined = self.combined_uncertainty
        together: dict[float, float] = {}
        for line in finite:
            share = (line.contribution / combined) ** 2
            degrees = round(line.degrees_of_freedom, 6)
            together[degrees] = together.get(degrees, 0.0) + share
        spread = sum(share**2 / degrees for degrees, share in together.items())
        return 1.0 / spread if spread > 0.0 else math.inf

    def coverage_factor(self, coverage: float) -> float:
        """Return k = t_p(nu_eff), nu_eff truncated to the next lower integer (GUM G.4.1)."""
        return student_t_factor(coverage, self.effective_degrees_of_freedom)

    def expanded_uncertainty(self, coverage: float) -> float:
        """Return U = k u_c, in `unit` (GUM 6.2.1)."""
        return self.coverage_factor(coverage) * self.combined_uncertainty


def student_t_factor(coverage: float, degrees_of_freedom: float) -> float:
    """Return t with P(|T| <= t) = coverage for Student's T.

    Degrees of freedom are truncated to the next lower integer first, as GUM G.4.1 asks; not
    interpolated, which gives slightly smaller factors. For integers the distribution has a
    finite closed form (Abramowitz & Stegun, Handbook of Mathematical Functions, 26.7.3 and
    26.7.4), which is solved by bisection; for 200 and more the expansion 26.7.5 is used.
    """
    if not 0.0 < coverage < 1.0:
        raise ValueError("a coverage probability lies between 0 and 1")
    normal = NormalDist().inv_cdf(0.5 + 0.5 * coverage)
    if math.isinf(degrees_of_freedom):
        return normal
    whole = _whole(degrees_of_freedom)
    if whole >= _EXPANSION_FROM:
        return _expansion(normal, whole)
    low, high = 0.0, 0.5 * math.pi
    for _ in range(60):
        middle = 0.5 * (low + high)
        if _central_probability(middle, whole) < coverage:
            low = middle
        else:
            high = middle
    return math.sqrt(whole) * math.tan(0.5 * (low + high))


def student_tail(factor: float, degrees_of_freedom: float) -> float:
    """Return the chance that Student's T exceeds a factor, with degrees of freedom as above."""
    if factor < 0.0:
        return 1.0 - student_tail(-factor, degrees_of_freedom)
    if math.isfinite(degrees_of_freedom) and math.isfinite(factor):
        whole = _whole(degrees_of_freedom)
        if whole < _EXPANSION_FROM:
            angle_rad = math.atan(factor / math.sqrt(whole))
            return max(0.0, 0.5 - 0.5 * _central_probability(angle_rad, whole))
        # A&S 26.7.8
        factor *= (1.0 - 0.25 / whole) / math.sqrt(1.0 + 0.5 * factor**2 / whole)
    return 0.5 * math.erfc(factor / math.sqrt(2.0))


def _whole(degrees_of_freedom: float) -> int:
    """Return degrees of freedom truncated, rounding of the arithmetic aside."""
    if not degrees_of_freedom >= 1.0 - 1e-9:
        raise ValueError("Student's t needs at least one degree of freedom")
    return int(degrees_of_freedom * (1.0 + 1e-9))


def _central_probability(angle_rad: float, whole: int) -> float:
    """Return P(|T| <= sqrt(nu) tan(angle)) for nu = `whole` (A&S 26.7.3, 26.7.4)."""
    sine, cosine = math.sin(angle_rad), math.cos(angle_rad)
    odd = whole % 2 == 1
    term = cosine if odd else 1.0
    total = 0.0
    for step in range(3 if odd else 2, whole + 1, 2):
        total += term
        term *= cosine**2 * (step - 1) / step
    return 2.0 / math.pi * (angle_rad + sine * total) if odd else sine * total


def _expansion(normal: float, whole: int) -> float:
    """Return Student's t from the normal quantile, to the fourth order in 1/nu (A&S 26.7.5)."""
    x = normal
    orders = (
        x,
        (x**3 + x) / 4.0,
        (5.0 * x**5 + 16.0 * x**3 + 3.0 * x) / 96.0,
        (3.0 * x**7 + 19.0 * x**5 + 17.0 * x**3 - 15.0 * x) / 384.0,
        (79.0 * x**9 + 776.0 * x**7 + 1482.0 * x**5 - 1920.0 * x**3 - 945.0 * x) / 92160.0,
    )
    return math.fsum(order / float(whole) ** power for power, order in enumerate(orders))
