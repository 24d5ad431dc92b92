"""What somebody took responsibility for: an odd reading that is right after all, and why."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import product
from typing import TYPE_CHECKING

from evenfall.codec import Content
from evenfall.codec.forms import choice, content_dataclass, text, truth
from evenfall.errors import GATE_CODES, At, Finding, RequestError
from evenfall.wording import Sentence, plain_line, sentence

if TYPE_CHECKING:
    from evenfall.instrument import Specification

LONGEST_REASON = 200
"""Characters of a reason: as many as fit on a line or two of a certificate."""

_PLACE = "(?:[1-9][0-9]?(?::[1-9][0-9]?)?)?"


@content_dataclass()
class Accepted(Content):
    """A reading that a gate asks for again, accepted as it is.

    Examples
    --------
    >>> Accepted("not-seated", "7", "pressed home, glued", "M. Tessquin").fret
    7
    """

    code: str = choice(GATE_CODES, "code of what would have to be read again")
    at: str = text("fret, or fret:string; empty for every place", longest=5, pattern=_PLACE)
    reason: str = text("why the reading is right", longest=LONGEST_REASON)
    person: str = text("who accepted it; may be empty", longest=LONGEST_REASON, default="")
    with_plan: bool = truth("whether it was accepted with the plan, before the work", default=False)

    @property
    def fret(self) -> int | None:
        """Fret that it is accepted at; None for every fret."""
        return int(self.at.partition(":")[0]) if self.at else None

    @property
    def string(self) -> int | None:
        """String that it is accepted at; None for every string."""
        return int(self.at.partition(":")[2]) if ":" in self.at else None

    @property
    def said(self) -> Sentence:
        """What was accepted, by whom and why, as a sentence."""
        where: Sentence | str = ""
        if self.string:
            where = sentence(" at fret {fret}, string {string}", fret=self.fret, string=self.string)
        elif self.fret:
            where = sentence(" at fret {fret}", fret=self.fret)
        return sentence(
            "Accepted{when}{by}: {what}{where}. Reason: {reason}",
            when=sentence(" with the plan") if self.with_plan else "",
            by=sentence(" by {person}", person=self.person) if self.person else "",
            what=self.code,
            where=where,
            reason=self.reason,
        )

    def covers(self, fret: int | None, string: int | None) -> bool:
        """Say whether it holds for a place; a gate without a place is only covered as a whole."""
        return self.fret in (None, fret) and self.string in (None, string)


def accepted_gates(
    given: Iterable[str], specification: Specification, *, person: str = ""
) -> tuple[Accepted, ...]:
    """Return what is accepted, from texts of the form CODE[@fret[:string]]=REASON.

    Parameters
    ----------
    given
        One text for each.
    specification
        The instrument, whose frets and strings are named.
    person
        Who accepts it.

    Raises
    ------
    RequestError
        A text is of another form, or names a code, fret or string that there is not.

    Examples
    --------
    >>> from evenfall.instrument import read_specification
    >>> from evenfall.instrument.specification_template import specification_template
    >>> specification, _ = read_specification(specification_template())
    >>> accepted_gates(["lone-crown@7:3=wire burr, filed off"], specification)[0].string
    3
    """
    return tuple(_accepted(one, specification, person) for one in given)


def _accepted(given: str, specification: Specification, person: str) -> Accepted:
    at = At(field="accept")
    what, equals, reason = given.partition("=")
    code, _, place = what.strip().partition("@")
    if not equals or not plain_line(reason).strip():
        raise RequestError(
            "{door_accept} {given:quoted} gives no reason; write CODE=REASON, or "
            "CODE@fret:string=REASON, such as not-seated@7=pressed home and glued.",
            at=at,
            given=given,
        )
    if code not in GATE_CODES:
        text = "{door_accept} names {given:quoted}, which is not a code; use one of {known:or}."
        raise RequestError(text, at=at, given=code, known=list(GATE_CODES))
    fret, _, string = place.partition(":")
    frets, strings = specification.frets, specification.string_count
    if (place or what.rstrip().endswith("@")) and not (
        _numbered(fret, frets) and (":" not in place or _numbered(string, strings))
    ):
        raise RequestError(
            "{door_accept} names the place {given:quoted}, which is not on this instrument; write "
            "a fret from 1 to {frets}, or fret:string with a string from 1 to {strings}.",
            at=at,
            given=place,
            frets=frets,
            strings=strings,
        )
    if len(reason) > LONGEST_REASON or len(person) > LONGEST_REASON:
        raise RequestError(
            "A reason or a name has at most {most} characters; shorten it.",
            at=at,
            most=LONGEST_REASON,
        )
    number = f"{int(fret)}:{int(string)}" if string else fret and f"{int(fret)}"
    return Accepted(code, number, plain_line(reason).strip(), plain_line(person).strip())


def _numbered(given: str, most: int) -> bool:
    return given.isascii() and given.isdigit() and len(given) <= 3 and 1 <= int(given) <= most


def unmet(gates: Iterable[Finding], accepted: Sequence[Accepted]) -> tuple[Finding, ...]:
    """Return the gates that stay open: those with a place that nobody accepted.

    Parameters
    ----------
    gates
        The gates of some readings.
    accepted
        What was accepted.

    Examples
    --------
    >>> coarse = Finding("coarse", "Readings are too coarse.")
    >>> unmet([coarse], [Accepted("coarse", "", "only a rough look", "")])
    ()
    """
    return tuple(gate for gate in gates if not _met(gate, accepted))


def _places(gate: Finding) -> set[tuple[int | None, int | None]]:
    """Return the crossings, frets or strings of a gate, of what it leaves open None."""
    return set(product(gate.at.frets or (None,), gate.at.strings or (None,)))


def _met(gate: Finding, accepted: Sequence[Accepted]) -> bool:
    holding = [one for one in accepted if one.code == gate.code]
    return all(any(one.covers(*place) for one in holding) for place in _places(gate))


def accepted_with_plan(
    accepted: Iterable[Accepted], before: Sequence[Finding], after: Sequence[Finding]
) -> tuple[Accepted, ...]:
    """Return what a plan accepted, as far as it holds for the readings after the work.

    It holds where these ask for the same at a place that the plan's readings asked it for: what was
    accepted at every place says nothing about one that nobody had seen.

    Parameters
    ----------
    accepted
        What the plan accepted.
    before, after
        The gates of the plan's readings and of those after the work.

    Examples
    --------
    >>> known, fresh = (Finding("not-seated", "Read.", At(frets=(n,))) for n in (7, 9))
    >>> given = [Accepted("not-seated", "", "an old repair")]
    >>> held = accepted_with_plan(given, [known], [known, fresh])
    >>> [gate.at.frets for gate in unmet([known, fresh], held)]
    [(9,)]
    """
    held: list[Accepted] = []
    for one in accepted:
        known, asked = (
            {place for gate in gates if gate.code == one.code for place in _places(gate)}
            for gates in (before, after)
        )
        seen = {place for place in known if one.covers(*place)}
        ats = {one.at}
        if any(one.covers(*place) and place not in seen for place in asked):
            ats = {_at(fret, string) for fret, string in seen if fret is not None}
        held += [replace(one, at=at, with_plan=True) for at in sorted(ats)]
    return tuple(held)


def _at(fret: int | None, string: int | None) -> str:
    return f"{fret or ''}" if string is None else f"{fret}:{string}"


def accept_key(gate: Finding) -> str:
    """Return what accepts a gate: its code, and its place where one fret or crossing has it.

    Parameters
    ----------
    gate
        What asks for another reading.

    Examples
    --------
    >>> accept_key(Finding("lone-crown", "Read again.", At(frets=(7,), strings=(3,))))
    'lone-crown@7:3'
    >>> accept_key(Finding("coarse", "Readings are too coarse."))
    'coarse'
    """
    if len(gate.at.frets) != 1:
        return gate.code
    string = gate.at.strings[0] if len(gate.at.strings) == 1 else None
    return f"{gate.code}@{_at(gate.at.frets[0], string)}"


def check_used(accepted: Sequence[Accepted], gates: Sequence[Finding]) -> None:
    """Refuse an acceptance of something that nothing asks for.

    Parameters
    ----------
    accepted
        What is accepted.
    gates
        The gates of the readings.

    Raises
    ------
    RequestError
        An acceptance covers no place of any gate.

    Examples
    --------
    >>> check_used([], [])
    """
    for one in accepted:
        places = (
            one.covers(*place) for gate in gates if gate.code == one.code for place in _places(gate)
        )
        if not any(places):
            known = sorted({gate.code for gate in gates})
            raise RequestError(
                "Nothing asks for {given}, so there is nothing to accept; leave it out.{rest}",
                at=At(field="accept"),
                given=f"{one.code}@{one.at}" if one.at else one.code,
                rest=sentence(" These readings ask for {known:list}.", known=known)
                if known
                else "",
            )
