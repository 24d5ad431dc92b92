"""The use case "diagnose": what is wrong, and what adjusting alone would cure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from evenfall import levelling
from evenfall.errors import Progress, silent
from evenfall.wording import LIBRARY_WORDS
from evenfall.workshop.kept import excursion
from evenfall.workshop.necks import NeckKnownRequest
from evenfall.workshop.outputs import drawn

if TYPE_CHECKING:
    from evenfall.errors import Finding
    from evenfall.instrument import Specification
    from evenfall.levelling import Diagnosis
    from evenfall.units import LengthUnit


@dataclass(frozen=True, slots=True)
class DiagnoseRequest(NeckKnownRequest):
    """Which instrument to diagnose."""


@dataclass(frozen=True, slots=True)
class DiagnoseOutcome:
    """What is wrong with an instrument.

    Parameters
    ----------
    specification
        What it is judged by.
    diagnosis
        Its diagnosis.
    findings
        Everything worth knowing, that of the readings first.
    """

    specification: Specification
    diagnosis: Diagnosis
    findings: tuple[Finding, ...]

    def as_dict(
        self, unit: LengthUnit = "mm", door: Mapping[str, str] = LIBRARY_WORDS
    ) -> dict[str, Any]:
        """Return diagnosis and findings as plain values for JSON."""
        findings = [f.as_dict(unit, door) for f in self.findings]
        return {**self.diagnosis.as_dict(), "findings": findings}

    def pictures(
        self, unit: LengthUnit | None = None, progress: Progress = silent
    ) -> dict[str, str]:
        """Return touch force map and neck: SVG text by name."""
        from evenfall.pictures.fret_map import touch_force_map
        from evenfall.pictures.neck import neck_curve

        spec, found = self.specification, self.diagnosis
        shown = unit or spec.unit
        return drawn(
            {
                "touch force as found": lambda: touch_force_map(
                    spec,
                    found.touch_force.force_n,
                    found.attack_n,
                    title=f"{spec.name}: touch force as found",
                    critical_fret=found.touch_force.critical_fret,
                ),
                "neck": lambda: neck_curve(spec, found.measurement, unit=shown),
            },
            progress,
        )


def diagnose(request: DiagnoseRequest, progress: Progress = silent) -> DiagnoseOutcome:
    """Find what is wrong with an instrument, and what adjusting alone would cure.

    Parameters
    ----------
    request
        The instrument.
    progress
        Told what is being done; it may stop the work.

    Raises
    ------
    EvenfallError
        A file cannot be used, or the readings are incomplete.
    """
    found, neck = request.open_at_pitch()
    table = excursion(found.specification, progress)
    progress("Judging the instrument as found", 0.0)
    diagnosis = levelling.diagnose(
        found.specification, found.measurement, excursion=table, bow=neck.rod_bow
    )
    return DiagnoseOutcome(found.specification, diagnosis, (*found.findings, *diagnosis.findings))
