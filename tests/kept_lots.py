"""Lots of one supplier and model, as they are judged and kept."""

from __future__ import annotations

from typing import Any

from evenfall.workshop.lot_judging import JudgeRequest


def lot_to_keep(name: str, pieces: int, found: tuple[int, ...] = (), **more: Any) -> JudgeRequest:
    """Return what was found of a lot, by whatever terms its supplier and model have."""
    return JudgeRequest("Ulqor Yard", "Tesquil", pieces, name=name, found=found, **more)
