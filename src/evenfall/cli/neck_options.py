"""What was measured of a neck, as options of the commands that go by it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from evenfall.cli.door import Number, path_option

if TYPE_CHECKING:
    from collections.abc import Callable

    from evenfall.errors import Finding
    from evenfall.instrument import Specification
    from evenfall.measurement import Measurement
    from evenfall.neck import NeckModel


@dataclass(frozen=True, slots=True)
class NeckReadings:
    """Files and numbers that say more of a neck than the readings of a job do.

    Parameters
    ----------
    strings
        Specification of the same neck with other strings.
    unstrung
        Readings without strings.
    turn_mm
        Relief that one turn of the rod takes out [mm].
    before_turn, turns_count
        Readings before the rod was turned, and by how many turns.
    """

    strings: Path | None
    unstrung: Path | None
    turn_mm: float | None
    before_turn: Path | None
    turns_count: float

    @property
    def files(self) -> list[Path]:
        """The files named, none of which may be written over."""
        return [
            path for path in (self.strings, self.unstrung, self.before_turn) if path is not None
        ]

    def other(self) -> Specification | None:
        """Return the specification with the other strings, if one was named."""
        from evenfall import workshop

        return None if self.strings is None else workshop.check_specification(self.strings)[0]

    def known(self, spec: Path | None) -> dict[str, Any]:
        """Return what was measured, as `evenfall.workshop.known_neck` takes it.

        Parameters
        ----------
        spec
            Specification for what is a hand sheet.
        """
        from evenfall import workshop

        def opened(path: Path | None) -> Any:
            return None if path is None else workshop.open_measurement(path, spec)[1]

        return {
            "turn_mm": self.turn_mm,
            "unstrung": opened(self.unstrung),
            "before_turn": opened(self.before_turn),
            "turns_count": self.turns_count,
        }

    def at_pitch(
        self, specification: Specification, readings: Measurement, spec: Path | None
    ) -> tuple[Specification, Measurement, NeckModel, tuple[Finding, ...]]:
        """Return an instrument as it will be played; see `evenfall.workshop.at_pitch`.

        Parameters
        ----------
        specification, readings
            The instrument as read.
        spec
            Specification for what is a hand sheet.
        """
        from evenfall import workshop

        neck, fitted = workshop.known_neck(specification, readings, **self.known(spec))
        specification, readings, neck, changed = workshop.at_pitch(
            specification, readings, neck, other=self.other()
        )
        return specification, readings, neck, (*fitted, *changed)


def neck_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add `--strings`, `--unstrung`, `--relief-per-turn` and `--before-turning`.

    Parameters
    ----------
    command
        The command's function; gets them as one `neck_readings`.
    """

    @wraps(command)
    def gathered(
        *,
        strings: Path | None,
        unstrung: Path | None,
        turn_mm: float | None,
        turned_count: tuple[Path, float] | None,
        **rest: Any,
    ) -> Any:
        if turn_mm is not None and turned_count is not None:
            raise click.UsageError("Give --relief-per-turn or --before-turning, not both.")
        before_turn, turns_count = turned_count or (None, 0.0)
        readings = NeckReadings(strings, unstrung, turn_mm, before_turn, turns_count)
        return command(neck_readings=readings, **rest)

    options = (
        path_option(
            "--strings",
            metavar="SPEC2",
            help="Specification of the same neck with other strings or tuning.",
        ),
        path_option(
            "--unstrung",
            metavar="MEASUREMENT",
            help="The same neck read without strings: measures its stiffness.",
        ),
        click.option(
            "--relief-per-turn",
            "turn_mm",
            type=Number(high=5.0),
            default=None,
            metavar="MM",
            help="Relief that one turn of the rod takes out, as measured [mm].",
        ),
        click.option(
            "--before-turning",
            "turned_count",
            type=(click.Path(path_type=Path), Number(-20.0, 20.0)),
            default=None,
            metavar="MEASUREMENT TURNS",
            help="The same neck read before the rod was turned by TURNS (tightened: positive).",
        ),
    )
    decorated: Callable[..., Any] = gathered
    for option in reversed(options):
        decorated = option(decorated)
    return decorated
