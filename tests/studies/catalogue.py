"""Every study by name."""

from __future__ import annotations

from typing import TYPE_CHECKING

from studies import calibration, gates, level_line, proof

if TYPE_CHECKING:
    from studies.study import Study

STUDIES: dict[str, Study] = {
    study.name: study for study in (calibration.STUDY, level_line.STUDY, gates.STUDY, proof.STUDY)
}
