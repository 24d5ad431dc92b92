"""The use case "diagnose": what is wrong, and what adjusting alone would cure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from evenfall import levelling
from evenfall.errors import Finding, Progress, silent
from evenfall.gates import open_gates
from evenfall.levelling import Diagnosis
from evenfall.pictures.inks import Theme
from evenfall.units import LengthUnit
from evenfall.workshop.kept import excursion
from evenfall.workshop.necks import NeckKnownRequest
from evenfall.workshop.outputs import Outcome


@dataclass(frozen=True, slots=True)
class DiagnoseRequest(NeckKnownRequest):
    """Which instrument to diagnose."""


@dataclass(frozen=True, slots=True)
class DiagnoseOutcome(Outcome):
    """What is wrong with an instrument."""

    diagnosis: Diagnosis  # its diagnosis
    # what in the readings has to be read again before metal comes off
    read_again: tuple[Finding, ...]

    @property
    def findings_of_result(self) -> tuple[Finding, ...]:
        """What has to be read again, and what is wrong."""
        return (*self.read_again, *self.diagnosis.findings)

    def values(self) -> dict[str, Any]:
        """Return the diagnosis as plain values."""
        return self.diagnosis.as_dict()

    def drawings(self, unit: LengthUnit, theme: Theme) -> dict[str, Callable[[], str]]:
        """Return what draws buzz force map, level line and neck."""
        from evenfall.pictures.fret_map import buzz_force_map
        from evenfall.pictures.level_line import level_line_chart
        from evenfall.pictures.neck import neck_curve
        from evenfall.pictures.words import titled

        spec, found = self.specification, self.diagnosis
        return {
            "buzz force as found": lambda: buzz_force_map(
                spec,
                found.buzz_force.force_n,
                found.attack_n,
                title=titled(spec, found.measurement.serial, "buzz force as found"),
                touch_force_n=found.touch_force.force_n,
                critical_fret=found.buzz_force.critical_fret,
                note_state=found.judged.note_state,
                theme=theme,
            ),
            "level line": lambda: level_line_chart(
                spec, found.measurement, found.line, unit=unit, theme=theme
            ),
            "neck": lambda: neck_curve(spec, found.measurement, unit=unit, theme=theme),
        }


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

    Examples
    --------
    >>> import evenfall as ef
    >>> before = ef.Source.invented("tesquil-before.csv")
    >>> spec = ef.Source.invented("tesquil.spec.toml")
    >>> outcome = ef.diagnose(ef.DiagnoseRequest(before, spec))
    >>> outcome.diagnosis.failing > 0
    True
    >>> sorted(outcome.pictures("in"))[0]
    'buzz force as found'
    """
    found, neck = request.open_at_pitch()
    table = excursion(found.specification, progress)
    progress("Judging the instrument as found", 0.0)
    diagnosis = levelling.diagnose(
        found.specification, found.measurement, excursion=table, bow=neck.rod_bow
    )
    gates = open_gates(found.specification, found.measurement, diagnosis.line)
    return DiagnoseOutcome(found.specification, found.findings, diagnosis, gates.unmet)
