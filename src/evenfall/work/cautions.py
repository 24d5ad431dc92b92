"""What can hurt at the bench, for the work that one plan asks for.

Usual cautions of the trade (common practice, no source); they never replace the manual of a
machine, local rules or qualified practice, and say so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from evenfall.instrument import Specification


@dataclass(frozen=True, slots=True)
class Caution:
    """One thing that can hurt.

    Parameters
    ----------
    topic
        What it is, in a word or two.
    sentence
        What to do about it.
    """

    topic: str
    sentence: str


def cautions(
    specification: Specification,
    *,
    rod: bool,
    cuts_frets: bool,
    cuts_nut: bool,
    fills_nut: bool,
    refrets: bool,
    planes_board: bool,
) -> tuple[Caution, ...]:
    """Return the cautions that go with the work.

    Parameters
    ----------
    specification
        The instrument; its strings say how hard they pull.
    rod
        Whether the truss rod is turned.
    cuts_frets, cuts_nut
        Whether frets or nut slots are cut.
    fills_nut
        Whether nut slots are filled.
    refrets, planes_board
        Whether frets are replaced, and whether the board is planed.
    """
    pull_n = sum(string.tension_n for string in specification.strings)
    slacken = " Slacken them before you file." if cuts_frets or cuts_nut else ""
    found = [
        Caution(
            "Strings under tension",
            f"{len(specification.strings)} strings pull with {pull_n:.0f} N in all and can whip: "
            f"eye protection on.{slacken}",
        )
    ]
    if rod:
        found.append(Caution("Truss rod", "Turn in small steps, never by force."))
    if cuts_frets or cuts_nut:
        what = "Fret metal and wood dust" if cuts_frets else "Nut dust"
        found.append(Caution("Dust", f"{what}: extraction or a mask; wipe or vacuum, do not blow."))
    if cuts_frets:
        found.append(
            Caution("Sharp edges", "Fresh crowns and fret ends cut: feel with a cloth, no thumb.")
        )
        found.append(
            Caution(
                "Machines and spindles",
                "Follow the machine's own manual; guards on; no gloves or loose sleeves near "
                "anything that turns.",
            )
        )
    if refrets or fills_nut:
        heat = "Glue, solvents, heat" if refrets else "Glue and solvents"
        found.append(
            Caution(heat, "Fresh air, no flame, gloves; read the product's safety sheet first.")
        )
    if planes_board:
        found.append(Caution("Board dust", "Some woods are toxic as dust: extraction and a mask."))
    found.append(
        Caution("First of all", "Local rules and qualified practice come before this sheet.")
    )
    return tuple(found)
