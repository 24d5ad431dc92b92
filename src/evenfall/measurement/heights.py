"""Heights of nut slots, crown tops and saddle with their uncertainty, in components.

Everything that is judged (a clearance, an action, the relief) is a weighted sum of these heights,
so its uncertainty follows exactly from the law of propagation (JCGM 100:2008, 5.1 and 5.2) as long
as it is known what the heights have in common. A height therefore carries its own uncertainty,
independent of all others, and its share in causes that reach several heights.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from enum import IntEnum
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from evenfall.arrays import BoolArray, CodeArray, FloatArray
from evenfall.codec import Content
from evenfall.codec.forms import NAN, choice, content_dataclass, number, part, whole

SHARED_NAMES: dict[str, str] = {
    "action-reading": "reading of an action",
    "board-reading": "reading of the board",
    "bow-shape": "shape of the bow, where the relief was changed",
    "conversion": "relief added by converting to playing tension",
    "crown-form": "form of a crown in a scan",
    "crown-height-reading": "reading of a crown height",
    "crown-top-reading": "reading of a crown top",
    "datum": "mismatch of scan and sheet",
    "detection-limit": "rocking too small to be seen",
    "interpolation": "shape across the strings",
    "nut-reading": "reading of a nut slot",
    "relief-elsewhere": "difference of relief between strings",
    "relief-reading": "reading of the relief",
    "rocking-reading": "reading of a gap under a rocking straightedge",
    "saddle-reading": "reading of a saddle",
    "scan-joint": "joint between scans that overlap",
    "string-gauge": "gauge of a string in a scan",
    "string-reading": "line of a string in a scan",
}
"""Every cause of uncertainty that heights may share, with its meaning."""

READING_NAMES = ("nut-reading", "crown-top-reading", "saddle-reading")


class Origin(IntEnum):
    """How a height came about."""

    MISSING = 0
    READ = 1
    DERIVED = 2
    INTERPOLATED = 3
    NOMINAL = 4


HEIGHT = (-1000.0, 1000.0)
"""No height or gap is larger [mm]; the datum may lie anywhere near the neck."""

UNCERTAINTY = (0.0, 1000.0)
DEGREES = (1e-6, 1e12)


@content_dataclass()
class Shared(Content):
    """One cause of uncertainty that reaches several of the heights of K strings over F frets."""

    name: str = choice(SHARED_NAMES, "the cause")
    by: Literal["all", "string", "fret"] = choice(
        ("all", "string", "fret"),
        "one value for the whole instrument; one for each string, independent of each other; one "
        "for each fret, nut and saddle",
    )
    effect_mm: FloatArray = number(
        *HEIGHT, "what one standard uncertainty of it does to each height", "K F+2"
    )
    degrees_of_freedom: float = number(
        *DEGREES, "of it; null where it is taken as known", null=math.inf, default=math.inf
    )

    def __post_init__(self) -> None:
        Content.__post_init__(self)
        if self.name not in SHARED_NAMES or self.by not in ("all", "string", "fret"):
            raise ValueError(f"no heights share {self.name!r} by {self.by!r}")
        if not self.degrees_of_freedom > 0.0:
            raise ValueError("degrees of freedom must be positive")

    def changes(self, weights: FloatArray) -> FloatArray:
        """Return what one standard uncertainty of each independent value does to weighted sums.

        Weights have the shape (..., K, F + 2), the result (..., number of values) [mm].
        """
        change = weights * self.effect_mm
        if self.by == "string":
            return np.asarray(change.sum(axis=-1))
        if self.by == "fret":
            return np.asarray(change.sum(axis=-2))
        return np.asarray(change.sum(axis=(-2, -1)))[..., None]


@content_dataclass()
class Heights(Content):
    """Heights of K strings over F frets, over one straight datum, with their uncertainty.

    Every array has a row for each string, the treble first, and F + 2 columns: the floor of the
    nut slot, the crown tops of frets 1 to F, the top of the saddle. Adding a + b x to the heights
    of a string, x along it, changes nothing that is worked out from them, nor its uncertainty.

    Examples
    --------
    >>> bench = Heights.independent(
    ...     nut_mm=[0.4, 0.5], crown_top_mm=[[0.0, 0.1]] * 2, saddle_mm=[4.0, 4.5],
    ...     nut_u_mm=0.02, crown_top_u_mm=0.01, saddle_u_mm=0.02)
    >>> above_first = [[0.9, -1.0, 0.0, 0.1], [0.0, 0.0, 0.0, 0.0]]
    >>> bench.u_mm(above_first).round(4).item()
    0.0207
    """

    height_mm: FloatArray = number(
        *HEIGHT,
        "floor of the nut slot, crown tops of frets 1 to F, top of the saddle, for each "
        "string; null where not known",
        "K F+2",
        null=NAN,
    )
    origin: CodeArray = whole(
        0,
        max(Origin),
        "how each came about: 0 missing, 1 read, 2 worked out from other readings, 3 "
        "interpolated between neighbours, 4 the new wire's nominal value",
        "K F+2",
        array=np.int8,
    )
    own_u_mm: FloatArray = number(
        *UNCERTAINTY,
        "standard uncertainty that each shares with no other; null where the height is not known",
        "K F+2",
        null=NAN,
    )
    own_degrees_of_freedom: FloatArray = number(
        *DEGREES, "of it; null where it is taken as known", "K F+2", null=math.inf
    )
    shared: tuple[Shared, ...] = part(
        Shared,
        "causes of uncertainty that reach several heights, independent of each other",
        "*",
        default=(),
    )

    def __post_init__(self) -> None:
        Content.__post_init__(self)
        shape = self.height_mm.shape
        if shape[0] < 1 or shape[1] < 3:
            raise ValueError("heights need a row for each string, with nut, frets and saddle")
        if any(one.effect_mm.shape != shape for one in self.shared):
            raise ValueError(f"everything about heights must have the shape {shape}")

    def check(self) -> None:
        """Refuse a height without uncertainty."""
        if (np.isnan(self.own_u_mm) & np.isfinite(self.height_mm)).any():
            raise ValueError("own_u_mm is missing where the height is given")

    @classmethod
    def independent(
        cls,
        *,
        nut_mm: _Numbers,
        crown_top_mm: _Numbers,
        saddle_mm: _Numbers,
        nut_u_mm: _Numbers = 0.0,
        crown_top_u_mm: _Numbers = 0.0,
        saddle_u_mm: _Numbers = 0.0,
        origin: _Numbers = Origin.READ,
    ) -> Heights:
        """Return heights that have no uncertainty in common.

        Nut and saddle have the shape (K,), crown tops (K, F) [mm], the origin (K, F + 2); one
        number stands for all.
        """
        shape = np.shape(crown_top_mm)
        height = _columns(shape, nut_mm, crown_top_mm, saddle_mm)
        own = _columns(shape, nut_u_mm, crown_top_u_mm, saddle_u_mm)
        missing = ~np.isfinite(height)
        return cls(
            height_mm=height,
            origin=np.where(missing, Origin.MISSING, origin).astype(np.int8),
            own_u_mm=np.where(missing, np.nan, own),
            own_degrees_of_freedom=np.full(height.shape, math.inf),
        )

    # ---- heights -------------------------------------------------------------------------------

    @property
    def strings(self) -> int:
        """Number of strings K."""
        return int(self.height_mm.shape[0])

    @property
    def frets(self) -> int:
        """Number of frets F."""
        return int(self.height_mm.shape[1]) - 2

    @property
    def missing(self) -> BoolArray:
        """Which heights are missing, shape (K, F + 2)."""
        return ~np.isfinite(self.height_mm)

    @property
    def nut_mm(self) -> FloatArray:
        """Floor of each nut slot, shape (K,) [mm]."""
        return self.height_mm[:, 0]

    @property
    def crown_top_mm(self) -> FloatArray:
        """Crown tops, shape (K, F) [mm]."""
        return self.height_mm[:, 1:-1]

    @property
    def saddle_mm(self) -> FloatArray:
        """Top of the saddle at each string, shape (K,) [mm]."""
        return self.height_mm[:, -1]

    def at(
        self,
        *,
        nut_mm: _Numbers | None = None,
        crown_top_mm: _Numbers | None = None,
        saddle_mm: _Numbers | None = None,
    ) -> Heights:
        """Return the same heights moved to these places [mm], with the uncertainty they have."""
        moved = _columns(
            (self.strings, self.frets),
            self.nut_mm if nut_mm is None else nut_mm,
            self.crown_top_mm if crown_top_mm is None else crown_top_mm,
            self.saddle_mm if saddle_mm is None else saddle_mm,
        )
        return replace(self, height_mm=moved)

    def only(self, kept: BoolArray) -> Heights:
        """Return the heights that are kept, shape (K, F + 2); the others count as missing."""
        return replace(
            self,
            height_mm=np.where(kept, self.height_mm, np.nan),
            origin=np.where(kept, self.origin, np.int8(Origin.MISSING)),
            own_u_mm=np.where(kept, self.own_u_mm, np.nan),
        )

    # ---- uncertainty ---------------------------------------------------------------------------

    def variance(self, weights: _Numbers, string: int | None = None) -> FloatArray:
        """Return the variance of weighted sums of the heights [mm²].

        Parameters
        ----------
        weights
            Weight of each height, shape (..., K, F + 2); or (..., F + 2) where `string` is given.
        string
            Index of the only string that the sums go by.

        Returns
        -------
        Shape (...); NaN where a sum goes by a height that is missing.
        """
        given = np.asarray(weights, dtype=float)
        row = slice(None) if string is None else slice(string, string + 1)
        given = given if string is None else given[..., None, :]
        own = np.square(given * np.nan_to_num(self.own_u_mm[row])).sum(axis=(-2, -1))
        for shared in self._of(row):
            own = own + np.square(shared.changes(given)).sum(axis=-1)
        gone = self.missing[row]
        if gone.any():
            own = np.where((given[..., gone] != 0.0).any(axis=-1), np.nan, own)
        return np.asarray(own)

    def u_mm(self, weights: _Numbers, string: int | None = None) -> FloatArray:
        """Return the standard uncertainty of weighted sums of the heights [mm]; see `variance`."""
        return np.sqrt(self.variance(weights, string))

    def effective_degrees_of_freedom(
        self, weights: _Numbers, string: int | None = None
    ) -> FloatArray:
        """Return the degrees of freedom of that uncertainty, infinite where all of it is known.

        Welch-Satterthwaite (JCGM 100:2008, G.4.1) over the causes, which are independent. Causes
        with the same degrees of freedom are taken to share one estimate of their scatter, as
        pooled repeats do; where they do not, that errs on the side of fewer.
        """
        given = np.asarray(weights, dtype=float)
        row = slice(None) if string is None else slice(string, string + 1)
        variance = self.variance(given, string)
        given = given if string is None else given[..., None, :]
        own = np.square(given * np.nan_to_num(self.own_u_mm[row]))
        # rounded, since degrees that came by a sum differ in their last digits
        of_heights = np.round(self.own_degrees_of_freedom[row], 6)
        together: dict[float, FloatArray] = {
            nu: np.where(of_heights == nu, own, 0.0).sum(axis=(-2, -1))
            for nu in np.unique(of_heights[np.isfinite(of_heights)]).tolist()
        }
        for shared in self._of(row):
            nu = round(shared.degrees_of_freedom, 6)
            more = np.square(shared.changes(given)).sum(axis=-1)
            together[nu] = together.get(nu, np.zeros(variance.shape)) + more
        spread = sum((one**2 / nu for nu, one in together.items()), np.zeros(variance.shape))
        with np.errstate(divide="ignore", invalid="ignore"):
            found = np.where(spread > 0.0, variance**2 / spread, math.inf)
        return np.asarray(np.where(np.isnan(variance), np.nan, found))

    @property
    def total_u_mm(self) -> FloatArray:
        """Standard uncertainty of each height by itself, NaN where missing, shape (K, F + 2)."""
        square = self.own_u_mm**2
        for shared in self.shared:
            square = square + shared.effect_mm**2
        return np.sqrt(square)

    @property
    def nut_u_mm(self) -> FloatArray:
        """Standard uncertainty of each nut slot, shape (K,) [mm]."""
        return self.total_u_mm[:, 0]

    @property
    def crown_top_u_mm(self) -> FloatArray:
        """Standard uncertainty of each crown top, shape (K, F) [mm]."""
        return self.total_u_mm[:, 1:-1]

    @property
    def saddle_u_mm(self) -> FloatArray:
        """Standard uncertainty of the saddle at each string, shape (K,) [mm]."""
        return self.total_u_mm[:, -1]

    def sharing(self, *more: Shared) -> Heights:
        """Return the same heights with more that they share; what reaches none is left out."""
        return replace(self, shared=(*self.shared, *(s for s in more if s.effect_mm.any())))

    def _of(self, row: slice) -> tuple[Shared, ...]:
        if row == slice(None):
            return self.shared
        return tuple(replace(s, effect_mm=s.effect_mm[row]) for s in self.shared)


if TYPE_CHECKING:
    from numpy.typing import NDArray

    _Numbers: TypeAlias = float | Sequence[float] | Sequence[Sequence[float]] | NDArray[np.generic]


def _columns(
    shape: tuple[int, ...], nut: _Numbers, crowns: _Numbers, saddle: _Numbers
) -> FloatArray:
    """Return nut, crowns and saddle side by side, shape (K, F + 2)."""
    made = np.empty((shape[0], shape[1] + 2))
    made[:, 0], made[:, 1:-1], made[:, -1] = nut, crowns, saddle
    return made
