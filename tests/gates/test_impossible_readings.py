"""Sets of readings that no instrument gives: each is refused, or has to be read again.

One good sheet, read as the template asks, and what people do to sheets. Through the public use
case, from bytes to gates. A sheet that passes here would be planned without a word.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
import pytest

from evenfall import workshop
from evenfall.arrays import FloatArray
from evenfall.errors import EvenfallError
from evenfall.gates import unmet
from evenfall.gates.checks import crowns_to_read_again
from evenfall.gates.seen import Seen
from necks.invented import Bump, neck
from necks.kinds import specification, text
from necks.readings import Reader, read

KIND = "electric"
U_MM = 0.005


@dataclass(frozen=True)
class Sheet:
    """What stands on a hand sheet of one instrument [mm]."""

    nut: FloatArray
    top: FloatArray
    saddle: FloatArray
    crown: FloatArray
    actions: tuple[float, float]
    relief: float
    again: dict[tuple[int, int], float]
    relief_fret: int
    u: float = U_MM
    state: str = "strung"
    specification: str = field(default=text(KIND), repr=False)

    def csv(self) -> bytes:
        """Return the sheet as CSV."""
        count, reference = len(self.nut), 12
        rows: list[tuple[str, object, object, float, float]] = [
            ("action", 1, reference, self.actions[0], 0.03),
            ("action", count, reference, self.actions[1], 0.03),
            ("relief", "", self.relief_fret, self.relief, 0.02),
        ]
        rows += [("nut_slot", k + 1, "", v, self.u) for k, v in enumerate(self.nut)]
        rows += [("saddle", k + 1, "", v, self.u) for k, v in enumerate(self.saddle)]
        rows += [("crown_top", k + 1, j + 1, v, self.u) for (k, j), v in np.ndenumerate(self.top)]
        rows += [("crown_again", k, j, v, self.u) for (k, j), v in self.again.items()]
        rows += [("crown_height", "", j + 1, v, 0.01) for j, v in enumerate(self.crown)]
        lines = ["quantity,string,fret,value,unit,uncertainty,state"]
        lines += [f"{q},{s},{f},{v:.4f},mm,{u},{self.state}" for q, s, f, v, u in rows]
        return "\n".join(lines).encode()


@cache
def good(kind: str = KIND, seed: int = 1) -> Sheet:
    """Return a good sheet of a neck with three frets off, read as the template asks."""
    truth = neck(kind, bumps=[Bump(5, 0.07), Bump(11, 0.0, 0.09), Bump(14, 0.05)])
    chance = np.random.default_rng([seed, 17])
    found = read(truth, chance, Reader(u_mm=U_MM))
    action_1, action_k, relief = found.direct
    places = ((1, 1), *crowns_to_read_again(Seen(truth.specification, found, None)))
    again = {
        (k, j): float(truth.crown_top_mm[k - 1, j - 1] + U_MM * chance.standard_normal())
        for k, j in places
    }
    return Sheet(
        nut=found.nut_mm,
        top=found.crown_top_mm,
        saddle=found.saddle_mm,
        crown=found.crown_height_mm.mean(axis=0).round(2),
        actions=(action_1.value_mm, action_k.value_mm),
        relief=relief.value_mm,
        again=again,
        relief_fret=relief.fret,
        specification=text(kind),
    )


def outcome(sheet: Sheet) -> set[str]:
    """Return the codes of what is asked for again, or of the refusal."""
    specification_ = workshop.Source("made.spec.toml", sheet.specification.encode())
    request = workshop.MeasureRequest((workshop.Source("made.csv", sheet.csv()),), specification_)
    try:
        made = workshop.measure(request)
    except EvenfallError as error:
        return {f"refused: {error.code}"}
    return {gate.code for gate in made.gates.unmet}


Change = Callable[[Sheet], Sheet]


def all_heights(change: Callable[[FloatArray], FloatArray]) -> Change:
    """Change every height that was read at first; what was read again at the end stays."""
    return lambda s: replace(s, nut=change(s.nut), top=change(s.top), saddle=change(s.saddle))


def gauge(factor: float, *, ends: bool = True) -> Change:
    """Read with a gauge of the wrong sign or scale, to the end; nut and saddle too if `ends`."""

    def change(s: Sheet) -> Sheet:
        of = factor if ends else 1.0
        again = {place: factor * v for place, v in s.again.items()}
        return replace(s, nut=of * s.nut, top=factor * s.top, saddle=of * s.saddle, again=again)

    return change


def crowns(change: Callable[[FloatArray], FloatArray]) -> Change:
    return lambda s: replace(s, top=change(s.top))


def at(fret: int, strings: slice | int, by_mm: float) -> Change:
    """Raise crowns of one fret; strings from 0."""

    def change(top: FloatArray) -> FloatArray:
        made = top.copy()
        made[strings, fret - 1] += by_mm
        return made

    return crowns(change)


def swapped(one: int, two: int, axis: int) -> Callable[[FloatArray], FloatArray]:
    def change(values: FloatArray) -> FloatArray:
        order = np.arange(values.shape[axis])
        order[[one, two]] = order[[two, one]]
        return np.take(values, order, axis=axis)

    return change


def bow(factor: float) -> Change:
    """Take the bow about the line from the first fret to the last so many times."""

    def change(top: FloatArray) -> FloatArray:
        line = top[:, :1] + np.linspace(0.0, 1.0, top.shape[1]) * (top[:, -1:] - top[:, :1])
        return line + factor * (top - line)

    return crowns(change)


def moved_from(fret: int, by_mm: float) -> Change:
    """Move the datum before a fret is read; it stays moved to the end."""

    def change(s: Sheet) -> Sheet:
        top = s.top.copy()
        top[:, fret - 1 :] += by_mm
        return replace(s, top=top, again={place: v + by_mm for place, v in s.again.items()})

    return change


def noise(spread_mm: float) -> Callable[[FloatArray], FloatArray]:
    chance = np.random.default_rng(23)
    return lambda v: v + spread_mm * chance.standard_normal(v.shape)


def rounded(step_mm: float) -> Callable[[FloatArray], FloatArray]:
    return lambda v: np.round(v / step_mm) * step_mm


def same_along(top: FloatArray) -> FloatArray:
    return np.repeat(top[:, :1], top.shape[1], axis=1)


def same_across(top: FloatArray) -> FloatArray:
    return np.repeat(top[2:3], len(top), axis=0)


def filled(top: FloatArray) -> FloatArray:
    """Fill the second half of every string down from its middle."""
    made, middle = top.copy(), top.shape[1] // 2
    made[:, middle:] = made[:, middle : middle + 1]
    return made


def flattened(top: FloatArray) -> FloatArray:
    """Take half of the arch across the strings away, at every fret."""
    middle = 0.5 * (top[2] + top[3])
    return 0.5 * (top + middle)


def mirrored_arch(top: FloatArray) -> FloatArray:
    return 2.0 * top[[2, 3]].mean(axis=0) - top


def twisted(top: FloatArray) -> FloatArray:
    along, across = np.linspace(0.0, 1.0, top.shape[1]), np.linspace(-0.5, 0.5, len(top))
    return top + 1.6 * across[:, None] * along


def part(name: str, change: Callable[[FloatArray], FloatArray]) -> Change:
    return lambda s: replace(s, **{name: change(getattr(s, name))})


def one_of(k: int, by_mm: float) -> Callable[[FloatArray], FloatArray]:
    def change(values: FloatArray) -> FloatArray:
        made = values.copy()
        made[k] += by_mm
        return made

    return change


def alternating(top: FloatArray) -> FloatArray:
    return top + 0.15 * (-1.0) ** np.arange(top.shape[1])


def shuffled(axis: int) -> Callable[[FloatArray], FloatArray]:
    return lambda v: np.random.default_rng(29).permutation(v, axis=axis)


def specified(old: str, new: str) -> Change:
    def change(s: Sheet) -> Sheet:
        assert old in s.specification
        return replace(s, specification=s.specification.replace(old, new))

    return change


IMPOSSIBLE: dict[str, Change] = {
    # figures that are no readings
    "all heights zero": all_heights(np.zeros_like),
    "all heights equal": all_heights(lambda v: np.full_like(v, 12.0)),
    "every crown as the first of its string": crowns(same_along),
    "every string as the third": crowns(same_across),
    "second half filled down": crowns(filled),
    "one column copied": crowns(lambda v: v[[0, 1, 2, 2, 4, 5]]),
    "one row copied": crowns(lambda v: np.delete(np.repeat(v, [2] + [1] * 21, axis=1), -1, 1)),
    "rounded to 1 mm": all_heights(rounded(1.0)),
    "rounded to 0.5 mm": all_heights(rounded(0.5)),
    "drawn at random": crowns(noise(0.5)),
    "scattered by 0.3": crowns(noise(0.3)),
    "every second fret 0.15 up and down": crowns(alternating),
    # sign and scale
    "negated": gauge(-1.0),
    "crowns negated": gauge(-1.0, ends=False),
    "nut negated": part("nut", np.negative),
    "saddle negated": part("saddle", np.negative),
    "a tenth": gauge(0.1),
    "ten times": gauge(10.0),
    "inches as millimetres": gauge(1.0 / 25.4),
    "millimetres as inches": gauge(25.4),
    "halved": gauge(0.5),
    "doubled": gauge(2.0),
    "a fifth too much": gauge(1.2),
    "a fifth too little": gauge(0.8),
    "crowns a tenth": gauge(0.1, ends=False),
    "crowns halved": gauge(0.5, ends=False),
    "saddle in inches": part("saddle", lambda v: v / 25.4),
    "nut a tenth": part("nut", lambda v: 0.1 * v),
    # strings
    "all strings reversed": lambda s: replace(
        s, nut=s.nut[::-1], top=s.top[::-1], saddle=s.saddle[::-1]
    ),
    "saddle reversed": part("saddle", lambda v: v[::-1]),
    "strings one further": all_heights(lambda v: np.roll(v, 1, axis=0)),
    "crowns of strings 1 and 2 exchanged": crowns(swapped(0, 1, 0)),
    "crowns of strings 2 and 5 read the wrong way": crowns(lambda v: v[[0, 2, 1, 3, 4, 5]]),
    "strings at random": crowns(shuffled(0)),
    "one string's row 0.2 up": crowns(one_of(2, 0.2)),
    "one string's row 0.3 down": crowns(one_of(4, -0.3)),
    # frets
    "frets from the body": crowns(lambda v: v[:, ::-1]),
    "frets one further": crowns(lambda v: np.hstack([v[:, :1], v[:, :-1]])),
    "frets one back": crowns(lambda v: np.hstack([v[:, 1:], v[:, -1:]])),
    "frets at random": crowns(shuffled(1)),
    "one fret 0.3 up": at(9, slice(None), 0.3),
    "one fret 0.4 down": at(9, slice(None), -0.4),
    "one end 0.4 up": lambda s: replace(
        s, top=s.top + np.outer(np.linspace(0.0, 0.4, 6), np.arange(22) == 8)
    ),
    "one crown 0.25 up": at(9, 2, 0.25),
    "one crown 1 mm up": at(9, 2, 1.0),
    "one crown 0.5 down": at(9, 3, -0.5),
    "an outer crown 0.3 up": at(9, 0, 0.3),
    "a decimal point of one crown": at(9, 2, 90.0),
    "one digit of a crown": at(9, 2, 0.9),
    # the neck as a whole
    "bow with the wrong sign": bow(-1.0),
    "bow three times": bow(3.0),
    "no bow": bow(0.0),
    "half of the arch": crowns(flattened),
    "arch upside down": crowns(mirrored_arch),
    "twisted by 1.6": crowns(twisted),
    "datum moved 0.2 before fret 8": moved_from(8, 0.2),
    "datum moved 0.05 before fret 15": moved_from(15, 0.05),
    # settings
    "nut 1 mm up": part("nut", lambda v: v + 2.0),
    "nut 1 mm down": part("nut", lambda v: v - 1.0),
    "saddle 3 mm down": part("saddle", lambda v: v - 4.0),
    "saddle 8 mm up": part("saddle", lambda v: v + 8.0),
    "one saddle 1 mm up": part("saddle", one_of(2, 1.0)),
    "one nut slot 0.4 up": part("nut", one_of(3, 0.4)),
    "nut over another datum": part("nut", lambda v: v + 15.0),
    # checks by hand, wire, strings, state
    "action by hand of the wrong end": lambda s: replace(s, actions=s.actions[::-1]),
    "action by hand in inches": lambda s: replace(
        s, actions=(s.actions[0] / 25.4, s.actions[1] / 25.4)
    ),
    "relief by hand of the wrong sign": lambda s: replace(s, relief=-s.relief),
    "first crown elsewhere": lambda s: replace(s, again={**s.again, (1, 1): s.again[1, 1] + 0.1}),
    "crowns higher than new": lambda s: replace(s, crown=s.crown + 0.2),
    "a gauge of 0.05": lambda s: replace(s, u=0.05),
    "strings off": lambda s: replace(s, state="unstrung"),
    "an octave too high": specified('pitch = "B3"', 'pitch = "B4"'),
    "plain where wound was meant": specified("gauge = 0.432", "gauge = 0.66"),
    "radius of another board": lambda s: specified("radius_nut = 254.0", "radius_nut = 1000.0")(
        specified("radius_last = 305.0", "radius_last = 1000.0")(s)
    ),
}


@pytest.mark.parametrize("kind", [KIND, "bass", "ukulele", "fan"])
def test_a_good_sheet_asks_for_nothing(kind: str) -> None:
    assert outcome(good(kind)) == set()


@pytest.mark.quick(8)
@pytest.mark.parametrize("name", IMPOSSIBLE)
def test_readings_that_cannot_be_do_not_pass(name: str) -> None:
    assert outcome(IMPOSSIBLE[name](good()))


def test_there_are_many() -> None:
    assert len(IMPOSSIBLE) >= 61
    assert specification(KIND).string_count == 6


@pytest.mark.quick(2)
@pytest.mark.parametrize(
    "name", ["negated", "halved", "one fret 0.3 up", "frets from the body", "strings at random"]
)
def test_nothing_is_cut_on_readings_that_cannot_be(name: str) -> None:
    sheet = IMPOSSIBLE[name](good())
    source = workshop.Source("made.csv", sheet.csv())
    spec = workshop.Source("made.spec.toml", sheet.specification.encode())
    made = workshop.plan(workshop.PlanRequest(source, spec)).plan
    assert unmet(made.gates, made.accepted)
    assert not made.removal_mm.any()
    assert made.replaced_frets == ()
