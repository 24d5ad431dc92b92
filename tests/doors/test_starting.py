"""From nothing to the picture of one's own ideal neck, by the command line."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from evenfall.cli import main


@pytest.fixture(autouse=True)
def _folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, list(arguments))


@pytest.mark.slow
def test_three_commands_lead_to_the_first_picture() -> None:
    made = run("spec", "new", "mandolin", "--name", "Zulvane (invented)")
    assert made.output.splitlines() == [
        "Wrote mandolin.spec.toml",
        "Put your own values into it, then: evenfall spec check mandolin.spec.toml",
    ]
    checked = run("spec", "check", "mandolin.spec.toml", "--pictures", "pictures")
    assert checked.exit_code == 0
    assert "Attack: medium with a pick, 0.62 to 0.76 N" in checked.output
    assert re.search(r"Level frets at these targets stay clear up to 1\d\d % ", checked.output)
    assert "The specification is complete and consistent." in checked.output
    drawn = Path("pictures/ideal-neck.svg").read_text(encoding="utf-8")
    for words in ("Zulvane (invented): ideal neck", "action 1.400 mm", "first-fret gap 0.350 mm"):
        assert words in drawn
    assert "stays clear everywhere" in drawn
    assert Path("pictures/ideal-neck.png").stat().st_size > 10_000
    assert run("measure", "--template", "mandolin.spec.toml").exit_code == 0


@pytest.mark.slow
def test_a_neck_that_will_buzz_is_shown_before_it_is_measured() -> None:
    run("spec", "new", "mandolin", "--unit", "in")
    spec = Path("mandolin.spec.toml")
    spec.write_text(spec.read_text().replace('"medium"', '"hard"'), encoding="utf-8")
    checked = run("spec", "check", spec.name, "--pictures", "pictures")
    assert checked.exit_code == 0
    assert "complete and consistent" not in checked.output
    assert re.search(
        r" ! Level frets .* Any of these would do: an attack of .* in under", checked.output
    )
    assert "the neck buzzes" in Path("pictures/ideal-neck.svg").read_text(encoding="utf-8")


def test_lengths_are_read_with_or_without_their_unit() -> None:
    for given, unit, wanted in (
        ("25in", "mm", "length = 635.0"),
        ('25.0"', "mm", "length = 635.0"),
        ("63,5 cm", "mm", "length = 635.0"),
        ("25", "in", "length = 25.0"),
        ("635mm", "in", "length = 25.0"),
    ):
        made = run("spec", "new", "electric", "--scale", given, "--unit", unit, "-o", "a.toml")
        assert made.exit_code == 0, made.output
        assert wanted in Path("a.toml").read_text()
        Path("a.toml").unlink()


def test_what_is_there_is_left_as_it_is() -> None:
    Path("bass.spec.toml").write_text("mine")
    again = run("spec", "new", "bass")
    assert again.exit_code == 2
    assert "bass.spec.toml is there already" in again.output
    assert Path("bass.spec.toml").read_text() == "mine"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("sitar",), "it must be electric, acoustic, classical"),
        (("bass", "--scale", "long"), '"long" is not a length'),
        (("bass", "--scale", "380"), "has a scale of 604.8 mm to 1209.6 mm, not 380.0 mm"),
        (("bass", "--strings", "gut"), '"gut" is not known here; it must be medium or light'),
        (("bass", "--name", "Zulvane\n[x]"), "one line of at most 200 printable characters"),
    ],
)
def test_what_cannot_be_is_one_sentence_and_no_file(arguments: tuple[str, ...], said: str) -> None:
    refused = run("spec", "new", *arguments)
    assert refused.exit_code == 2
    assert said in refused.output
    assert refused.output.count("\n") == 1
    assert not list(Path().iterdir())


def test_both_write_json() -> None:
    made = json.loads(run("spec", "new", "ukulele", "--json").stdout)
    assert made["file"] == "ukulele.spec.toml"
    assert Path(made["file"]).read_text() == made["specification"]
    checked = json.loads(run("spec", "check", "ukulele.spec.toml", "--json").stdout)
    assert checked["attack"]["sentence"] == "medium with a finger, 0.44 N"
    assert all(one["level_clear_n"] > one["attack_n"] for one in checked["strings"])
