"""What was measured of a neck, as options of the commands that go by it."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, overload

import click

from evenfall.cli.door import A_PATH, Number, path_option

if TYPE_CHECKING:
    from evenfall.workshop import Source


@overload
def source_of(path: Path) -> Source: ...
@overload
def source_of(path: None) -> None: ...
@overload
def source_of(path: Path | None) -> Source | None: ...
def source_of(path: Path | None) -> Source | None:
    """Return a file that was named, as the workshop takes it."""
    from evenfall.workshop import Source

    return None if path is None else Source(str(path))


def neck_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add `--strings`, `--unstrung`, `--relief-per-turn` and `--before-turning` as one `neck`."""

    @path_option(
        "--strings",
        metavar="SPEC2",
        help="Specification of the same neck with other strings or tuning.",
    )
    @path_option(
        "--unstrung",
        metavar="MEASUREMENT",
        help="The same neck measured without strings, which shows its stiffness.",
    )
    @click.option(
        "--relief-per-turn",
        "relief_per_turn_mm",
        type=Number(high=5.0),
        default=None,
        metavar="MM",
        help="Relief that one turn of the truss rod takes out, as measured [mm].",
    )
    @click.option(
        "--before-turning",
        type=(A_PATH, Number(-20.0, 20.0)),
        default=None,
        metavar="FILE TURNS",
        help="The same neck measured before the rod was turned by TURNS (tightened: positive).",
    )
    @wraps(command)
    def gathered(
        *,
        strings: Path | None,
        unstrung: Path | None,
        relief_per_turn_mm: float | None,
        before_turning: tuple[Path, float] | None,
        **rest: Any,
    ) -> Any:
        from evenfall.workshop import NeckReadings

        if relief_per_turn_mm is not None and before_turning is not None:
            raise click.UsageError("Give --relief-per-turn or --before-turning, not both.")
        before, turns_count = before_turning or (None, 0.0)
        neck = NeckReadings(
            source_of(strings),
            source_of(unstrung),
            relief_per_turn_mm,
            source_of(before),
            turns_count,
        )
        return command(neck=neck, **rest)

    return gathered
