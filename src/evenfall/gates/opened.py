"""All gates of one set of readings, and which of them stay open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from evenfall.errors import Finding
from evenfall.gates.accepted import Accepted, unmet
from evenfall.gates.checks import CrossCheck, cross_checks, worth_reading
from evenfall.gates.crowns import (
    copied_figures,
    copied_from,
    lone_crown,
    not_seated,
    over_new_wire,
    scatter,
    string_through_crown,
)
from evenfall.gates.seen import Seen
from evenfall.gates.settings import (
    COARSE_U_MM,
    coarse,
    numbering,
    order,
    out_of_line,
    out_of_reason,
    tension,
    unstrung,
)
from evenfall.gates.shape import arch, step
from evenfall.instrument import Specification
from evenfall.measurement import Measurement
from evenfall.neck.level_line import LevelLine
from evenfall.wording import Sentence, sentence

_GATES = (
    numbering,
    unstrung,
    order,
    tension,
    coarse,
    string_through_crown,
    copied_figures,
    arch,
    scatter,
    step,
    not_seated,
    lone_crown,
    over_new_wire,
    out_of_reason,
    out_of_line,
)
"""In the order in which they are told: what explains most comes first."""


@dataclass(frozen=True, slots=True)
class Gates:
    """What in one set of readings has to be read again, or accepted, before metal comes off.

    Parameters
    ----------
    found
        Everything that asks for another reading.
    accepted
        What of it somebody accepted as it is, and why.
    checks
        Every reading by hand beside what the heights give.
    """

    found: tuple[Finding, ...]
    accepted: tuple[Accepted, ...]
    checks: tuple[CrossCheck, ...]

    @property
    def unmet(self) -> tuple[Finding, ...]:
        """What nobody accepted: while there is any, nothing is cut and nothing is certified."""
        return unmet(self.found, self.accepted)


def open_gates(
    specification: Specification,
    measurement: Measurement,
    line: LevelLine | None,
    accepted: Sequence[Accepted] = (),
    unfiled: Measurement | None = None,
) -> Gates:
    """Return what in some readings has to be read again before metal comes off.

    Parameters
    ----------
    specification
        The instrument, K strings over F frets.
    measurement
        Its readings.
    line
        Their level line; None where readings are missing that it needs: then the gates about
        crowns off the line stay shut.
    accepted
        What somebody accepted as it is.
    unfiled
        The readings with crowns as high as before known work: what was filed is no wear.
    """
    seen = Seen(specification, measurement, line, unfiled)
    checks = cross_checks(seen)
    found = [finding for gate in _GATES for finding in gate(seen)]
    found += [check.gate for check in checks if not check.agrees]
    return Gates(tuple(found), tuple(accepted), checks)


def no_second_reading(
    specification: Specification, first: Measurement, second: Measurement
) -> Sentence | None:
    """Return why some readings cannot confirm others of the same neck, None if they can.

    They have to be other readings, and fine enough to tell a high fret from a level one.

    Parameters
    ----------
    specification
        The instrument.
    first, second
        Its readings, and those that are to confirm them.
    """
    before, after = (Seen(specification, one, None) for one in (first, second))
    if (copied := copied_from(before, after)) is not None:
        text = (
            "The second reading has the very figure of the first on {same} of {n} crown tops, as a "
            "copy has. Read every fret once more and give what you find."
        )
        return sentence(text, same=copied[0], n=copied[1])
    if next(coarse(after), None) is not None:
        text = (
            "The second reading has a standard uncertainty of {u:uncertainty} (median); with more "
            "than {most:length} a reading confirms nothing. Read with a finer gauge, or several "
            "times."
        )
        return sentence(text, u=after.usual_u_mm, most=COARSE_U_MM)
    return None


def next_readings(specification: Specification, measurement: Measurement) -> tuple[Finding, ...]:
    """Return what is worth reading yet, so that a slip of sign, scale, order or datum shows.

    Parameters
    ----------
    specification
        The instrument.
    measurement
        Its readings so far.
    """
    return tuple(worth_reading(Seen(specification, measurement, None)))
