"""What can hurt at the bench, for the work that one plan asks for.

Usual cautions of the trade (common practice, no source); they never replace the manual of a
machine, local rules or qualified practice, and say so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from evenfall.wording import Sentence, Value, sentence

if TYPE_CHECKING:
    from evenfall.instrument import Specification


@dataclass(frozen=True, slots=True)
class Caution:
    """One thing that can hurt, in a word or two, and what to do about it."""

    topic: str
    sentence: Sentence


def cautions(
    specification: Specification,
    *,
    rod: bool,
    files_saddle: bool,
    cuts_frets: bool,
    cuts_nut: bool,
    fills_nut: bool,
    refrets: bool,
    planes_board: bool,
    by_machine: bool = False,
) -> tuple[Caution, ...]:
    """Return the cautions that go with work on rod, saddle, frets, nut or board."""
    text = "{strings:count string} pull with {pull:tension} in all and can whip: eye protection on."
    if cuts_frets or cuts_nut:
        text = (
            "{strings:count string} pull with {pull:tension} in all and can whip: eye protection "
            "on. Loosen them before you file."
        )
    tension = sentence(
        text,
        strings=len(specification.strings),
        pull=sum(string.tension_n for string in specification.strings),
    )
    found = [("Strings under tension", tension)]
    if rod:
        found.append(("Truss rod", sentence("Turn in small steps, never by force.")))
    if cuts_frets or cuts_nut or files_saddle:
        told = "Where nut or saddle is filed: extraction or a mask; wipe or vacuum, do not blow."
        if cuts_frets:
            told = "Fret metal and wood dust: extraction or a mask; wipe or vacuum, do not blow."
        found.append(("Dust", sentence(told)))
    if cuts_frets:
        told = "Fresh crowns and fret ends cut: check with a cloth, never a bare finger."
        found.append(("Sharp edges", sentence(told)))
        told = (
            "Follow the machine's own manual; guards on; no gloves or loose sleeves near anything "
            "that turns."
        )
        if by_machine:
            # the header of the program and its page say it at length
            told = (
                "Machine's own manual first. Dry run over the work; guards and interlocks closed; "
                "eye and hearing protection, no gloves; clamps and cutters checked."
            )
        found.append(("Machines and spindles", sentence(told)))
    if refrets or fills_nut:
        heat = "Glue, solvents, heat" if refrets else "Glue and solvents"
        told = "Fresh air, no flame, gloves; read the product's safety sheet first."
        found.append((heat, sentence(told)))
    if planes_board:
        told = "Some woods are toxic as dust: extraction and a mask."
        found.append(("Board dust", sentence(told)))
    told = "Local rules and qualified practice come before this sheet."
    found.append(("Above all", sentence(told)))
    return tuple(Caution(topic, said) for topic, said in found)


_DUST = {  # phrases of one list: without a comma
    "nickel silver": "chips and dust of nickel silver",
    "stainless": "chips of chromium-nickel stainless steel",
    "brass": "chips and dust of brass",
    "bone": "bone dust",
    "synthetic": "plastic dust",
}


def machine_cautions(materials: Sequence[str], *, strung: bool) -> tuple[Caution, ...]:
    """Return the cautions that go with a machine program, in its header, on paper and on screen."""
    strings = "Take the strings off, or tie them clear of everything that moves or turns."
    if strung:
        strings = "Strings at pitch can whip: guard them, and keep the cutter's path clear of them."
    first, *others = dict.fromkeys(_DUST[one] for one in materials)
    dust: dict[str, Value] = {"what": (first[0].upper() + first[1:], *others, "wood dust")}
    found = (
        (
            "Before anything",
            "This program starts nothing by itself: a qualified person presses start.",
        ),
        (
            "Dry run",
            "Run it lifted over the work first, a hand on the stop, and watch it all.",
        ),
        (
            "Guards and interlocks",
            "Guards closed, interlocks working, emergency stop tried and within reach.",
        ),
        (
            "Eyes and ears",
            "Eye and hearing protection on; no gloves, loose sleeves or hair, rings or chains.",
        ),
        (
            "Dust",
            "{what:list}: extraction running, a mask where it does not catch all.",
        ),
        (
            "Clamps",
            "Check clamps, fixture and the three positions in the header before every start.",
        ),
        ("Start", "Start with the cutter over the height that the first block goes to."),
        ("Strings", strings),
        (
            "Cutters",
            "Cutters are sharp and may break: right one, sound, tight, length checked. Reach in or "
            "change one only with spindle and drives stopped.",
        ),
        (
            "Above all",
            "The machine's manual, local rules and qualified persons come before this program.",
        ),
    )
    return tuple(
        Caution(topic, sentence(told, **(dust if topic == "Dust" else {}))) for topic, told in found
    )
