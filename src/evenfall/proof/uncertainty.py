"""Uncertainty budgets: from the uncertainty of each input to that of the result.

The law of propagation of uncertainty of the GUM (JCGM 100:2008): first order, independent inputs,
effective degrees of freedom by Welch and Satterthwaite, expanded uncertainty from Student's t.
First order is exact for every quantity that `evenfall.proof` judges, since all of them are linear
in the readings.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from scipy import special

from evenfall.codec import Content
from evenfall.codec.forms import Form, content_dataclass, derived, number, spoken, text
from evenfall.wording import Sentence


@content_dataclass()
class BudgetLine(Content):
    """One input of a result."""

    DERIVED: ClassVar[Mapping[str, Form]] = derived(
        contribution=number(0.0, 1e6, "size of the sensitivity times u, in the unit of the result")
    )

    name: Sentence = spoken("what the input is, in words")
    value: float = number(-1e6, 1e6, "its estimate, in `unit`", null=math.nan)
    standard_uncertainty: float = number(0.0, 1e6, "its u, in `unit`")
    sensitivity: float = number(
        -1e6, 1e6, "change of the result per change of this input (GUM 5.1.3)", default=1.0
    )
    unit: str = text("unit of the input; empty for a pure number", longest=20, default="mm")
    degrees_of_freedom: float = number(
        0.0,
        1e300,
        "degrees of freedom; null where u is itself taken as known",
        null=math.inf,
        default=math.inf,
    )
    distribution: str = text(
        "what is known of the input, for the reader; u is what counts", longest=40, default="normal"
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

    lines: tuple[BudgetLine, ...]  # its inputs, independent of each other

    @property
    def combined_uncertainty(self) -> float:
        """Combined standard uncertainty u_c, in the unit of the result (GUM eq. 10)."""
        return math.hypot(*(line.contribution for line in self.lines))

    @property
    def effective_degrees_of_freedom(self) -> float:
        """Effective degrees of freedom, Welch-Satterthwaite (GUM eq. G.2b), not truncated.

        Inputs with the same degrees of freedom are taken to share one pooled estimate of their
        scatter, which errs on the safe side.
        """
        finite = [
            line
            for line in self.lines
            if math.isfinite(line.degrees_of_freedom) and line.contribution > 0.0
        ]
        if not finite:
            return math.inf
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
        """Return U = k u_c, in the unit of the result (GUM 6.2.1)."""
        return self.coverage_factor(coverage) * self.combined_uncertainty


def student_t_factor(coverage: float, degrees_of_freedom: float) -> float:
    """Return t with P(|T| <= t) = coverage for Student's T.

    Degrees of freedom are truncated to the next lower integer first, as GUM G.4.1 asks; not
    interpolated, which gives slightly smaller factors.
    """
    if not 0.0 < coverage < 1.0:
        raise ValueError("a coverage probability lies between 0 and 1")
    return student_exceeded(0.5 * (1.0 - coverage), degrees_of_freedom)


def student_exceeded(chance: float, degrees_of_freedom: float) -> float:
    """Return what Student's T exceeds with a chance, with degrees of freedom as above."""
    return float(-special.stdtrit(_whole(degrees_of_freedom), chance))


def student_tail(factor: float, degrees_of_freedom: float) -> float:
    """Return the chance that Student's T exceeds a factor, with degrees of freedom as above."""
    return float(special.stdtr(_whole(degrees_of_freedom), -factor))


def _whole(degrees_of_freedom: float) -> float:
    """Return degrees of freedom truncated, rounding of the arithmetic aside."""
    if not degrees_of_freedom >= 1.0 - 1e-9:
        raise ValueError("Student's t needs at least one degree of freedom")
    return float(np.floor(degrees_of_freedom * (1.0 + 1e-9)))
