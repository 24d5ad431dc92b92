"""Every starter is clean, says what it is, and a level neck at its targets holds."""

from __future__ import annotations

import tomllib
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from evenfall.errors import RequestError
from evenfall.instrument import Specification, read_specification, string_lines
from evenfall.instrument.families import ATTACK_SHARES, FAMILIES
from evenfall.instrument.specification_keys import TABLES
from evenfall.instrument.starters import KINDS, STARTERS, starter
from evenfall.levelling.ideal import ideal_neck
from evenfall.neck import default_bow
from evenfall.requirement import Requirement, State, judge
from evenfall.strings.clearance import rest_clearance_mm
from evenfall.strings.excursion import excursion_table
from evenfall.units import MM_PER_INCH
from necks.neck import strung

SETS = [(kind, label) for kind in KINDS for label in STARTERS[kind].sets]
QUICK = [("electric", "medium"), ("bass", "medium"), ("ukulele", "re-entrant")]


@cache
def specification(kind: str, strings: str | None = None) -> Specification:
    """Return a starter as read, which must not give a single remark."""
    made, remarks = read_specification(starter(kind, strings=strings))
    assert remarks == ()
    return made


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "strings"),
    [pytest.param(*one, marks=[] if one in QUICK else pytest.mark.slow) for one in SETS],
)
def test_a_level_neck_at_its_targets_holds(kind: str, strings: str) -> None:
    """The neck is made by the tests' own generator, and judged by the one rule."""
    made = specification(kind, strings)
    lines = string_lines(made)
    table = excursion_table(made, lines)
    found = ideal_neck(made, table)
    line = made.target.relief.value_mm * default_bow(made, lines).frets
    neck = strung(made, line, 0.0 * line)
    clear = rest_clearance_mm(lines, neck.nut_mm, neck.crown_top_mm, neck.saddle_mm)
    judged = judge(
        Requirement.of(made, table),
        np.array(made.player.attack_n),
        clear,
        clear,
        smallest_cut_mm=made.judgement.smallest_cut_mm("file"),
        attack_tolerance=made.judgement.attack_tolerance,
    )
    assert judged.worst == State.HOLDS
    assert found.findings == ()
    assert found.least_share > 1.05  # so that a proof by usual gauges can decide
    # the ideal neck is that same neck: all gaps agree
    gaps = rest_clearance_mm(lines, found.nut_mm, found.crown_top_mm, found.saddle_mm)
    assert np.nanmax(np.abs(gaps - clear)) < 1e-9


@pytest.mark.parametrize(("kind", "strings"), SETS)
def test_tensions_are_those_of_real_strings(kind: str, strings: str) -> None:
    """25 to 45 N of a ukulele, 40 to 140 N of other guitars, 140 to 240 N of a bass.

    Common practice, no source.
    """
    low, high = {"ukulele": (25, 45), "bass": (140, 240)}.get(kind, (45, 140))
    for string in specification(kind, strings).strings:
        assert low < string.tension_n < high, string


@pytest.mark.parametrize("kind", KINDS)
def test_left_handed_and_in_inches_it_is_the_same_instrument(kind: str) -> None:
    made = specification(kind)
    other, remarks = read_specification(starter(kind, handed="left", unit="in"))
    assert remarks == ()
    assert (other.handed, other.unit) == ("left", "in")
    assert other.scale.treble_mm == pytest.approx(made.scale.treble_mm, rel=4e-3)
    for one, same in zip(made.strings, other.strings, strict=True):
        assert same.tension_n == pytest.approx(one.tension_n, rel=0.04)
    assert other.target.action[0].value_mm == pytest.approx(
        made.target.action[0].value_mm, abs=0.0005 * MM_PER_INCH
    )


def test_inches_are_those_of_the_trade() -> None:
    """A set of strings is named in thousandths, a scale in tenths: common practice, no source."""
    document = tomllib.loads(starter("electric", unit="in"))
    assert [one["gauge"] for one in document["string"]] == [
        *(0.010, 0.013, 0.017),
        *(0.026, 0.036, 0.046),
    ]
    assert (document["scale"]["length"], document["board"]["radius_last"]) == (25.5, 12.0)
    own = tomllib.loads(starter("electric", unit="in", scale_mm=24.75 * MM_PER_INCH))
    assert own["scale"]["length"] == 24.75


@pytest.mark.parametrize("kind", KINDS)
def test_every_mass_follows_from_the_wires(kind: str) -> None:
    """No mass per length is written, and each wound string names its core and its wrap."""
    document = tomllib.loads(starter(kind))
    for string in document["string"]:
        assert not {"mass_per_length", "tension"} & set(string)
        assert ("core" in string) == ("wrap" in string)
    assert "(invented)" in document["model"]["name"]
    assert document["model"]["family"] in FAMILIES


@pytest.mark.quick(3)
@pytest.mark.parametrize("kind", KINDS)
def test_every_key_is_explained(kind: str) -> None:
    lines = starter(kind).splitlines()
    assert "common practice, no source" in lines[1]
    second = False  # the first string explains the keys of the others
    for before, line in pairwise(lines):
        second = (second or line.startswith("number = 2")) and not line.startswith("[target")
        if " = " in line and not line.startswith(("#", "schema")) and not second:
            assert before.startswith("#"), line
    helps = " ".join(line.removeprefix("# ") for line in lines if line.startswith("#"))
    for table in ("model", "board", "target", "player"):
        for key in TABLES[table].keys:
            if f"\n{key.name} = " in starter(kind):
                assert key.help in helps


def test_scale_frets_and_name_are_as_asked_for() -> None:
    made, _ = read_specification(starter("electric", scale_mm=628.0, frets=24, name="Zulvane"))
    assert (made.name, made.frets, made.scale.treble_mm) == ("Zulvane", 24, 628.0)
    fanned, _ = read_specification(starter("seven-string", scale_mm=660.0))
    assert fanned.scale.bass_mm == pytest.approx(660.0 * 686.0 / 648.0, abs=0.01)


@pytest.mark.parametrize(
    ("kind", "asked", "said"),
    [
        ("lute", {}, 'kind: "lute" is not known here; it must be electric, acoustic,'),
        ("bass", {"strings": "low"}, 'strings: "low" is not known here; it must be medium or'),
        ("bass", {"scale_mm": 380.0}, "scale: A starter of this kind has a scale of 604.8 mm to"),
        ("bass", {"frets": 5}, "frets: A starter of this kind has 10 to 31 frets, not 5."),
        ("bass", {"frets": 50}, "frets: A starter of this kind has 10 to 31 frets, not 50."),
        ("bass", {"frets": 0}, "has 10 to 31 frets, not 0."),
        ("bass", {"strings": ""}, "is not known here"),
        ("electric", {"frets": 36}, "has 11 to 27 frets, not 36."),
    ],
)
def test_what_no_instrument_of_the_kind_has_is_named(
    kind: str, asked: dict[str, object], said: str
) -> None:
    with pytest.raises(RequestError) as caught:
        starter(kind, **asked)  # type: ignore[arg-type]
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("word", ATTACK_SHARES)
@pytest.mark.parametrize("plucked", ["pick", "finger"])
def test_a_word_stands_for_the_force_of_its_family(word: str, plucked: str) -> None:
    text = starter("acoustic").replace('attack = "medium"', f'attack = "{word}"')
    text = text.replace('# plucked_with = "pick"', f'plucked_with = "{plucked}"')
    player = read_specification(text)[0].player
    usual = FAMILIES["steel-string guitar"].medium_n[plucked]  # type: ignore[index]
    assert player.attack_n[0] == pytest.approx(ATTACK_SHARES[word] * usual[0])
    assert player.attack_n[-1] == pytest.approx(ATTACK_SHARES[word] * usual[1])
    assert player.pluck_width_mm == {"pick": 2.0, "finger": 8.0}[plucked]
    newtons = f"{player.attack_n[0]:.2f} to {player.attack_n[-1]:.2f} N"
    assert str(player.said) == f"{word} with a {plucked}, {newtons}"


def test_newtons_are_said_as_newtons() -> None:
    text = starter("ukulele").replace('attack = "medium"', "attack = 0.5")
    assert str(read_specification(text)[0].player.said) == "0.50 N"


@pytest.mark.slow
def test_a_hard_player_is_told_what_would_have_to_change() -> None:
    """Each way out, taken alone, is enough: the neck at that action, relief or attack holds."""
    text = starter("bass").replace('attack = "medium"', 'attack = "hard"')
    made = read_specification(text)[0]
    table = excursion_table(made, string_lines(made))
    hard = ideal_neck(made, table)
    assert hard.short.any()
    (finding, *_) = hard.findings
    assert finding.code == "misfit"
    assert "an attack of" in finding.sentence
    assert "an action of" in finding.sentence

    def holds(old: str, new: str) -> bool:
        assert old in text
        changed = read_specification(text.replace(old, new))[0]
        return not ideal_neck(changed, table).short.any()

    action = "action = { treble = 2.1, bass = 2.6, tolerance = 0.2 }"
    each = [round(float(value) + 5e-4, 3) for value in hard.fitting_action_mm]
    assert holds(action, f"action = {{ each = {each}, tolerance = 0.2 }}")
    lighter = [round(float(force) - 5e-4, 3) for force in hard.clear_n]
    assert holds('attack = "hard"', f"attack = {lighter}")
    relief = "relief = { value = 0.28, minimum = 0.15, maximum = 0.4 }"
    if np.isfinite(hard.fitting_relief_mm):
        value = round(hard.fitting_relief_mm + 5e-4, 3)
        assert holds(relief, f"relief = {{ value = {value}, minimum = 0.15, maximum = 2.0 }}")


def test_a_pluck_over_the_fretboard_is_remarked_on() -> None:
    text = starter("electric")
    _, remarks = read_specification(text)
    assert remarks == ()
    _, remarks = read_specification(
        text.replace("pluck_distance = 130.0", "pluck_distance = 200.0")
    )
    assert ["between frets 20 and 21" in one.sentence for one in remarks] == [True]
