"""Gauges of a workshop: when they are due, what their check readings say, what they can judge."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np

from evenfall.errors import At, RequestError
from evenfall.instrument import Specification
from evenfall.production import ControlChart, Phase, Series, control_chart
from evenfall.production.gauge import USABLE_SHARE
from evenfall.proof.decision import guard_band_mm
from evenfall.records.entries import Entry, legible
from evenfall.sheets import KnownGauge
from evenfall.sheets.cells import plain_name
from evenfall.wording import Sentence, sentence
from evenfall.workshop.archive_views import Line
from evenfall.workshop.gauge_studies import widths_of
from evenfall.workshop.opening import open_specification
from evenfall.workshop.story import specification_of

if TYPE_CHECKING:
    from evenfall.workshop.archives import Dossiers

_FEWEST = 2  # check readings that have a scatter

Due = Literal["valid", "soon", "over", "unknown"]
_SOON_DAYS = 30

_UNCALIBRATED = (
    "Without a calibration nothing says whether all readings of a gauge are off: use it to "
    "compare, from neck to neck or day to day, and not to say whether a limit is met."
)


@dataclass(frozen=True, slots=True)
class Check:
    """One reading of a check standard."""

    at: str  # when, ISO 8601
    standard: str
    reference_mm: float
    read_mm: float

    @property
    def off_mm(self) -> float:
        """By how much the gauge read too much [mm]."""
        return self.read_mm - self.reference_mm


@dataclass(frozen=True, slots=True)
class Judges:
    """Whether a gauge can judge one limit of a specification, by readings of that quantity."""

    name: Sentence
    lower_mm: float  # -inf where there is none
    upper_mm: float
    # how far inside them a reading must lie; infinite where no value can be accepted
    band_mm: float

    @property
    def left_share(self) -> float:
        """Share of the zone between the limits in which a reading is accepted."""
        zone_mm = self.upper_mm - self.lower_mm
        return max(0.0, 1.0 - 2.0 * self.band_mm / zone_mm) if zone_mm > 0.0 else 0.0


@dataclass(frozen=True, slots=True)
class Gauge:
    """What the dossier of a gauge holds."""

    line: Line
    calibrated: str  # day of the newest calibration; empty for none
    valid_until: str  # day; empty where none is said
    checks: tuple[Check, ...]  # the oldest first
    studies: tuple[KnownGauge, ...] = ()  # the newest of each quantity

    def due(self, today: str) -> Due:
        """Return how its calibration stands on a day, ISO 8601."""
        if not self.valid_until:
            return "unknown"
        left = np.datetime64(self.valid_until[:10]) - np.datetime64(today[:10])
        days = int(left.astype(int))
        return "over" if days < 0 else "soon" if days <= _SOON_DAYS else "valid"

    @property
    def caution(self) -> str:
        """What to say beside its readings where no calibration is filed; "" where one is."""
        return "" if self.calibrated else _UNCALIBRATED

    @property
    def standards(self) -> tuple[str, ...]:
        """The check standards that were read, the latest first."""
        return tuple(dict.fromkeys(one.standard for one in reversed(self.checks)))

    def chart(self, standard: str) -> ControlChart | None:
        """Return the control chart of one standard; None with too few readings, or all alike.

        Limits begin again where a calibration, or another stated length, came between.
        """
        read = [one for one in self.checks if one.standard == standard]
        if len(read) < _FEWEST:
            return None
        off_mm = np.array([one.off_mm for one in read])
        labels = tuple(one.at[:10] for one in read)
        series = Series("check standard, read less stated", "mm", off_mm, labels=labels)
        try:
            return control_chart(series, "individuals", phases=list(self._phases(read)))
        except RequestError:  # no limits can be drawn, as where every reading is the same
            return None

    def _phases(self, read: Sequence[Check]) -> Iterator[Phase]:
        yield Phase(1)
        begun = 1
        for point, (before, after) in enumerate(pairwise(read), start=2):
            calibrated = before.at[:10] < self.calibrated <= after.at[:10]
            enough = point - begun >= _FEWEST and len(read) - point + 1 >= _FEWEST
            if enough and (calibrated or before.reference_mm != after.reference_mm):
                reason = f"calibrated {self.calibrated}" if calibrated else "another stated length"
                begun = point
                yield Phase(point, 0, reason)

    @property
    def u_mm(self) -> float:
        """Standard uncertainty [mm] by the check readings since the calibration; NaN for few.

        Scatter within each standard and its mean error together: u² = s² + mean² (an error that is
        known and not corrected counts whole; compare GUM, F.2.4.5). How sure the standard itself
        is, and who reads, is not in it.
        """
        since = [one for one in self.checks if one.at[:10] >= self.calibrated[:10]]
        groups: dict[str, list[float]] = {}
        for one in since:
            groups.setdefault(one.standard, []).append(one.off_mm)
        useful = [np.array(off) for off in groups.values() if len(off) >= _FEWEST]
        if not useful:
            return math.nan
        return max(math.hypot(float(off.std(ddof=1)), float(off.mean())) for off in useful)

    def cannot_judge(self, specification: Specification) -> tuple[str, ...]:
        """Return the limits of a specification that it cannot judge by its studies.

        A limit of what was not studied is judged by the study that found most.
        """
        if not self.studies:
            return ()
        by_quantity = {one.quantity: one.u_mm for one in self.studies}
        most_mm = max(by_quantity.values())
        return tuple(
            name
            for name, width_mm in widths_of(specification)
            if 6.0 * by_quantity.get(plain_name(name.removeprefix("the ")), most_mm)
            > USABLE_SHARE * width_mm
        )

    def judges(self, specification: Specification) -> tuple[Judges, ...]:
        """Return what it can judge of a specification, by limit; nothing with few readings."""
        if math.isnan(self.u_mm):
            return ()
        return tuple(
            Judges(
                name,
                low,
                high,
                guard_band_mm(
                    self.u_mm,
                    lower_mm=low,
                    upper_mm=high,
                    false_acceptance=specification.rule.false_acceptance,
                ),
            )
            for name, low, high in _limits(specification)
        )


def gauges(dossiers: Dossiers) -> tuple[Gauge, ...]:
    """Return the gauges of an archive, what is due first before the rest, then by name."""
    named = dossiers.lines(dossiers.archive.beginning("gauge "))
    lines = [line for line in named if line.subject == "gauge"]
    found = [_gauge(line, dossiers.archive.entries(line.dossier)) for line in lines]
    return tuple(sorted(found, key=lambda one: (one.valid_until or "9", one.line.name.casefold())))


def specified(dossiers: Dossiers, lines: Iterable[Line]) -> Iterator[tuple[str, Specification]]:
    """Yield models by name with their specification, where they have one."""
    for line in lines:
        source = specification_of(dossiers, line.dossier)
        if source is not None:
            yield line.name, open_specification(source)[0]


def unfit_said(
    one: Gauge, specifications: Iterable[tuple[str, Specification]]
) -> Iterator[Sentence]:
    """Yield for each model what a gauge is not to be used for, by its studies."""
    for model, specification in specifications:
        if names := one.cannot_judge(specification):
            yield sentence("not for {names:list} of {model}", names=names, model=model)


def gauge(dossiers: Dossiers, name: str) -> Gauge:
    """Return one gauge by name or id."""
    dossier = dossiers.named(name)
    (line,) = dossiers.lines([dossier])
    return _gauge(line, dossiers.archive.entries(dossier))


def known_gauges(dossiers: Dossiers, name: str) -> tuple[KnownGauge, ...]:
    """Return what studies found of a gauge, the newest of each quantity, for `MeasureRequest`."""
    found = _studies(dossiers.archive.entries(dossiers.named(name)), name)
    if not found:
        raise RequestError(
            "The dossier of gauge {name:quoted} holds no study yet, so its uncertainty is not "
            "known; file one, or state the uncertainty in the sheet.",
            at=At(field="gauge"),
            name=name,
        )
    return found


def _studies(entries: Sequence[Entry], name: str) -> tuple[KnownGauge, ...]:
    """Return what studies found of a gauge, the newest of each quantity."""
    found: dict[str, KnownGauge] = {}
    for entry in legible(entries, "study"):
        facts = entry.values
        day = str(facts.get("done") or entry.at)
        known = KnownGauge(name, str(facts["quantity"]), float(facts["u_mm"]), day)
        before = found.get(known.quantity)
        if before is None or before.studied <= known.studied:
            found[known.quantity] = known
    return tuple(found.values())


def _gauge(line: Line, entries: Sequence[Entry]) -> Gauge:
    calibrations = [entry.values for entry in legible(entries, "calibration")]
    newest = max(calibrations, key=lambda facts: str(facts["date"]), default={})
    checks = [
        Check(
            str(entry.values.get("done") or entry.at),
            str(entry.values["standard"]),
            float(entry.values["reference_mm"]),
            float(entry.values["read_mm"]),
        )
        for entry in legible(entries, "check")
    ]
    return Gauge(
        line,
        str(newest.get("date", "")),
        str(newest.get("valid_until") or ""),
        tuple(sorted(checks, key=lambda one: one.at)),
        _studies(entries, line.name),
    )


def _limits(specification: Specification) -> Iterator[tuple[Sentence, float, float]]:
    """Yield each kind of limit, the narrowest of the strings."""
    target = specification.target
    for text, limits in (
        ("action over fret {fret}", target.action),
        ("first-fret gap", target.first_fret_gap),
        ("relief", (target.relief,)),
    ):
        narrowest = min(limits, key=lambda one: one.maximum_mm - one.minimum_mm)
        fret = specification.scale.reference_fret
        yield sentence(text, fret=fret), narrowest.minimum_mm, narrowest.maximum_mm
