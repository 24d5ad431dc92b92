"""Every study by name."""

from __future__ import annotations

from typing import TYPE_CHECKING

from studies import (
    calibration,
    gates,
    judgement,
    level_line,
    level_necks,
    lot_rules,
    old_and_new,
    play,
    production,
    proof,
    scans,
    switching,
    whole_job,
)

if TYPE_CHECKING:
    from studies.study import Study

_ROOMS = (
    calibration,
    level_line,
    gates,
    level_necks,
    judgement,
    whole_job,
    old_and_new,
    proof,
    play,
    scans,
    production,
    switching,
    lot_rules,
)
STUDIES: dict[str, Study] = {room.STUDY.name: room.STUDY for room in _ROOMS}
