"""The optional tables and keys about pitch and neck: what they mean, and what is refused.

An inch is 25.4 mm (exact); every other value stands in the table that is read.
"""

from __future__ import annotations

import math
from dataclasses import replace
from importlib import resources

import pytest

from evenfall.errors import SpecificationError
from evenfall.instrument import Specification, read_specification
from evenfall.instrument.specification import CompensationLimits, Judgement, NeckBuild, Rule
from evenfall.instrument.specification_keys import Toml
from evenfall.instrument.specification_template import specification_template
from levelling.necks import Wishes, text

PLAIN = text(Wishes(strings=3, frets=22))
INVENTED = resources.files("evenfall") / "invented" / "tesquil.spec.toml"


def read(extra: str, base: str = PLAIN) -> Specification:
    return read_specification(base + extra)[0]


def faults(extra: str, base: str = PLAIN) -> str:
    with pytest.raises(SpecificationError) as caught:
        read(extra, base)
    return str(caught.value)


def test_files_without_the_tables_stay_valid_and_say_nothing_of_the_neck() -> None:
    for base in (PLAIN, INVENTED.read_text(encoding="utf-8")):
        spec = read("", base)
        assert spec.compensation == CompensationLimits()
        assert spec.neck == NeckBuild()
        assert all(s.nut_setback_mm == 0.0 for s in spec.strings)
        assert all(s.speaking_length_mm == s.scale_mm + s.saddle_setback_mm for s in spec.strings)


def test_a_file_without_a_rule_gets_the_usual_one() -> None:
    head, _, rest = PLAIN.partition("[rule]\n")
    spec = read("", head + rest[rest.index("[[string]]") :])
    assert spec.rule == Rule(0.0, 0.0, 0.95, "guard band")


def test_a_file_without_a_judgement_gets_the_usual_one() -> None:
    judgement = read("").judgement
    assert judgement == Judgement()
    assert judgement.attack_tolerance == 0.05
    tools = ("file", "beam", "machine")
    assert [judgement.smallest_cut_mm(tool) for tool in tools] == [0.02, 0.01, 0.005]
    assert [judgement.allowance_mm(tool) for tool in tools] == [0.02, 0.015, 0.005]


def test_every_key_of_the_judgement_is_taken_in_the_unit_of_the_file() -> None:
    keys = {"file": 0.03, "beam": 0.012, "machine": 0.0}
    lines = ["[judgement]", "attack_tolerance = 0.1"]
    lines += [f"smallest_cut_{tool} = {value}" for tool, value in keys.items()]
    lines += ["allowance_rod = 0.02", "allowance_saddle = 0.03", "allowance_nut = 0.04"]
    lines += [f"allowance_{tool} = {2 * value}" for tool, value in keys.items()]
    wanted = Judgement(0.1, 0.03, 0.012, 0.0, 0.02, 0.03, 0.04, 0.06, 0.024, 0.0)
    assert read("\n".join(lines)).judgement == wanted
    judgement: dict[str, Toml] = {"smallest_cut_file": 0.0254, "attack_tolerance": 0.1}
    inches, _ = read_specification(specification_template({"judgement": judgement}, unit="in"))
    assert inches.judgement == replace(
        Judgement(), smallest_cut_file_mm=pytest.approx(0.0254, abs=1e-12), attack_tolerance=0.1
    )


@pytest.mark.parametrize("line", ["smallest_cut_file = 0.3", "attack_tolerance = 5", "file = 1"])
def test_a_judgement_out_of_reason_is_refused(line: str) -> None:
    assert line.split(" = ", maxsplit=1)[0] in faults(f"[judgement]\n{line}\n")


def test_every_key_is_taken() -> None:
    spec = read(
        '[compensation]\nsaddle = "straight"\nsaddle_along = { forward = 1.5, back = 2.5 }\n'
        "nut_along = { forward = 0.5 }\nfinger = 6.0\nlast_fret = 17\n"
        "[neck]\ndepth_nut = 19.5\ndepth_joint = 22.0\nboard_thickness = 5.5\n"
        'board_wood = "ebony"\nshaft_wood = "spanish cedar"\nboard_grain = "flat"\n'
        "stiffness = 350.0\nrelief_per_100n = 0.08\nrelief_per_moisture = -0.03\nturn = 0.22\n"
    )
    assert spec.compensation == CompensationLimits(True, 1.5, 2.5, 0.5, 0.0, 6.0, 17)
    neck = spec.neck
    assert (neck.depth_nut_mm, neck.depth_joint_mm, neck.board_thickness_mm) == (19.5, 22.0, 5.5)
    assert (neck.board_wood, neck.shaft_wood, neck.board_grain) == (
        "ebony",
        "spanish cedar",
        "flat",
    )
    assert neck.stiffness_n_mm2 == 350.0e6
    assert neck.relief_mm_per_n == pytest.approx(0.0008)
    assert neck.relief_mm_per_percent == -0.03
    assert neck.turn_mm == 0.22


def test_lengths_follow_the_unit_of_the_file() -> None:
    inch = INVENTED.read_text(encoding="utf-8")
    scale = 1.0 / 25.4
    spec = read(
        f"[neck]\nturn = {0.254 * scale}\nrelief_per_100n = {0.127 * scale}\n"
        f"[compensation]\nfinger = {5.08 * scale}\n",
        _in_inch(inch),
    )
    assert spec.neck.turn_mm == pytest.approx(0.254)
    assert spec.neck.relief_mm_per_n == pytest.approx(0.00127)
    assert spec.compensation.finger_mm == pytest.approx(5.08)


def _in_inch(base: str) -> str:
    """Return the invented file with every length in inch."""
    import re

    lines = []
    for line in base.replace('units = "mm" ', 'units = "in" ').splitlines():
        lengths = re.match(
            r"(length|radius|width|string_spread|crown|least_crown|gauge|core|saddle_setback|action"
            r"|relief|first_fret_gap|saddle_travel|nut_travel|across|pluck_distance|extra|working)",
            line,
        )
        content, mark, remark = line.partition("#")
        if lengths:
            content = re.sub(
                r"(?<![\w.])\d+\.\d+", lambda m: f"{float(m.group()) / 25.4:.8f}", content
            )
        lines.append(content + mark + remark)
    return "\n".join(lines) + "\n"


def test_strings_take_a_nut_setback_and_a_modulus() -> None:
    base = PLAIN.replace("gauge = 0.254\n", "gauge = 0.254\nnut_setback = -0.4\nmodulus = 205.0\n")
    first, second = read("", base).strings[:2]
    assert first.nut_setback_mm == -0.4
    assert first.speaking_length_mm == first.scale_mm + first.saddle_setback_mm - 0.4
    assert first.modulus_n_per_mm2 == 205_000.0
    assert first.modulus_u_share == 0.0
    assert second.modulus_u_share > 0.0
    kappa = 205_000.0 * math.pi / 4.0 * 0.254**2 / first.tension_n
    assert first.stretch_ratio == pytest.approx(kappa)


@pytest.mark.parametrize(
    ("extra", "told"),
    [
        ("[neck]\ntrun = 1\n", "nearest known name is turn"),
        ('[neck]\nboard_wood = "oak"\n', '"rosewood"'),
        ('[neck]\nboard_grain = "rift"\n', '"quarter" or "flat"'),
        ("[neck]\ndepth_nut = 5.0\nboard_thickness = 6.0\n", "more than board_thickness"),
        ("[neck]\nstiffness = 0.2\n", "N m²"),
        ("[neck]\nturn = -0.2\n", "out of range"),
        ('[neck]\nturn = "a bit"\n', "without quotes"),
        ("neck = 3\n", "not known here"),
        ('[compensation]\nsaddle = "curved"\n', '"each" or "straight"'),
        ("[compensation]\nsaddle_along = 2.0\n", "must be a table"),
        ("[compensation]\nsaddle_along = { fore = 1.0 }\n", 'no part "fore"'),
        ("[compensation]\nnut_along = { back = -1.0 }\n", "out of range"),
        ("[compensation]\nlast_fret = 23\n", "2 to 22"),
    ],
)
def test_faults_are_named_with_their_place(extra: str, told: str) -> None:
    said = faults(extra)
    assert told in said
    assert "line " in said


def test_a_neck_without_a_truss_rod_says_so() -> None:
    assert read("").neck.truss_rod
    assert read("[neck]\nturn = 0.22\n").neck.truss_rod
    assert not read("[neck]\ntruss_rod = false\n").neck.truss_rod
    assert 'truss_rod must be true or false, not "no"' in faults('[neck]\ntruss_rod = "no"\n')
    assert "true or false, not 0" in faults("[neck]\ntruss_rod = 0\n")
    assert "remove one" in faults("[neck]\ntruss_rod = false\nturn = 0.22\n")
