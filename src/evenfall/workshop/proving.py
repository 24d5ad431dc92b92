"""The use case "prove": the verdict after the work, and its certificate."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from evenfall import pages, proof
from evenfall.codec import plain, with_words
from evenfall.errors import Progress, silent
from evenfall.wording import LIBRARY_WORDS
from evenfall.workshop.kept import excursion
from evenfall.workshop.opening import Source, open_plan, open_readings_after
from evenfall.workshop.outputs import drawn

if TYPE_CHECKING:
    from evenfall.errors import Finding
    from evenfall.instrument import Specification
    from evenfall.pages.typesetting import Paper
    from evenfall.proof import Proof
    from evenfall.units import LengthUnit


@dataclass(frozen=True, slots=True)
class ProveRequest:
    """Which work to judge.

    Parameters
    ----------
    plan
        Plan file that the work followed.
    readings
        Readings after the work: a measurement file, or a hand sheet.
    attack_n
        Attack that every position is judged by [N]; the specification's if left out.
    """

    plan: Source
    readings: Source
    attack_n: float | None = None


@dataclass(frozen=True, slots=True)
class ProveOutcome:
    """A verdict.

    Parameters
    ----------
    specification
        What it was judged by.
    proof
        Every item with its uncertainty, the verdict, and what to do next.
    findings_of_readings
        What is worth knowing about the readings after the work.
    """

    specification: Specification
    proof: Proof
    findings_of_readings: tuple[Finding, ...]

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Everything worth knowing, that of the readings first."""
        return (*self.findings_of_readings, *self.proof.findings)

    @property
    def conforms(self) -> bool:
        """Whether the verdict is "conforms"."""
        return self.proof.verdict == "conforms"

    def as_dict(
        self, unit: LengthUnit = "mm", door: Mapping[str, str] = LIBRARY_WORDS
    ) -> dict[str, Any]:
        """Return proof and findings as plain values for JSON."""
        readings = {"findings_of_readings": plain(self.findings_of_readings)}
        return with_words({**self.proof.as_dict(), **readings}, unit, door)

    def pictures(
        self, unit: LengthUnit | None = None, progress: Progress = silent
    ) -> dict[str, str]:
        """Return verdict bars and touch force map: SVG text by name."""
        from evenfall.pictures.fret_map import touch_force_map
        from evenfall.pictures.verdicts import verdict_strip

        shown, positions = unit or self.specification.unit, self.proof.positions
        return drawn(
            {
                "verdict": lambda: verdict_strip(
                    pages.deciding_items(self.proof),
                    title=f"{self.specification.name}: nearest to its limit, of every kind",
                    unit=shown,
                ),
                "touch force after work": lambda: touch_force_map(
                    self.specification,
                    positions.touch_force_n,
                    self.proof.attack_n,
                    title=f"{self.specification.name}: touch force after work",
                    critical_fret=positions.critical_fret,
                ),
            },
            progress,
        )

    def certificate(
        self,
        kind: str,
        *,
        date: str,
        unit: LengthUnit | None = None,
        paper: Paper | None = None,
        progress: Progress = silent,
    ) -> bytes:
        """Return the certificate as "pdf" or "html", with a date (ISO 8601) to print.

        Without a unit lengths are in the specification's, the other one in brackets.
        """
        own = self.specification.unit
        content = pages.certificate(self.proof, unit=unit or own, both=unit is None, date=date)
        drawings = self.pictures(unit, progress)
        progress("Setting the certificate", 0.0)
        if kind == "pdf":
            return pages.certificate_pdf(content, drawings, paper=paper)
        return pages.certificate_html(content, drawings, paper=paper).encode()


def prove(request: ProveRequest, progress: Progress = silent) -> ProveOutcome:
    """Judge the readings after the work against plan and specification.

    Parameters
    ----------
    request
        Plan and readings.
    progress
        Told what is being done; it may stop the work.

    Raises
    ------
    EvenfallError
        A file cannot be used, or plan and readings do not belong together.
    """
    specification, made = open_plan(request.plan)
    after = open_readings_after(made, request.readings)
    table = excursion(specification, progress)
    progress("Judging the readings", 0.0)
    attack = request.attack_n
    judged = proof.prove(
        specification,
        made,
        after.measurement,
        table,
        attack_n=None if attack is None else [attack] * specification.string_count,
    )
    return ProveOutcome(specification, judged, after.findings)
