"""The play test through the command line: measurement, plan, sound, recordings, bad input."""

from __future__ import annotations

import json
import re
import struct
import sys
import wave
from functools import cache
from importlib import resources
from math import pi
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from numpy.typing import NDArray

from evenfall.cli import main
from evenfall.instrument import Specification, read_specification
from evenfall.strings.playtest import play as play_all
from evenfall.strings.playtest.play_test import Verdict
from evenfall.strings.recording import read_recording
from evenfall.workshop.motion_check import Disagreement, MotionCheck
from evenfall.workshop.opening import Source, open_instrument, open_plan
from evenfall.workshop.outputs import json_file
from levelling.necks import Neck, Wishes
from oracles.kirchhoff_string import modal_velocities

INVENTED = resources.files("evenfall") / "invented"
SHEET = ("tesquil-before.csv", "--spec", "tesquil.spec.toml")


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a measurement and two plans; one leaves no room at all."""
    folder = tmp_path_factory.mktemp("job")
    for name in ("tesquil.spec.toml", "tesquil-before.csv"):
        (folder / name).write_text((INVENTED / name).read_text(encoding="utf-8"))
    spec = (folder / "tesquil.spec.toml").read_text(encoding="utf-8")
    sheet = (folder / "tesquil-before.csv").read_text(encoding="utf-8")
    bare, exact = spec.replace("extra_clearance = 0.02", ""), re.sub(r",mm,[\d.]+,", ",mm,,", sheet)
    assert bare != spec
    assert exact != sheet
    (folder / "bare.spec.toml").write_text(bare, encoding="utf-8")
    (folder / "exact.csv").write_text(exact, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        assert run("measure", *SHEET, "--serial", "UY-0417", "-o", "m.json").exit_code == 0
        assert run("plan", "m.json", "-o", "p.json").exit_code == 0
    return folder


@pytest.fixture
def folder(job: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in that folder."""
    monkeypatch.chdir(job)
    return job


def tesquil() -> Specification:
    """Return the specification of the invented instrument."""
    return read_specification((INVENTED / "tesquil.spec.toml").read_text(encoding="utf-8"))[0]


def run(*arguments: str) -> Result:
    """Run one command in this process."""
    return CliRunner().invoke(main, list(arguments))


@cache
def played(*arguments: str) -> dict[str, Any]:
    """Play a file of the job once, whoever asks for it."""
    return json_of("play", *arguments)


def json_of(*arguments: str) -> dict[str, Any]:
    """Run one command with --json and return its object."""
    result = run(*arguments, "--json")
    assert result.exit_code == 0, result.output
    found: dict[str, Any] = json.loads(result.stdout)
    return found


def refusal(*arguments: str) -> str:
    """Run one command that must be refused and return its sentence."""
    result = run(*arguments)
    assert result.exit_code == 2, result.output
    assert "Traceback" not in result.output
    assert result.stdout == ""
    return str(result.stderr)


def verdicts(played: dict[str, Any]) -> list[list[list[str]]]:
    """Return the verdict of every note: by string, position, level and direction."""
    return [
        [[note["verdict"] for note in position["notes"]] for position in string["positions"]]
        for string in played["strings"]
    ]


# ---- playing ------------------------------------------------------------------------------------


def test_a_small_neck_is_played_as_the_play_test_plays_it(tmp_path: Path) -> None:
    neck = Neck(Wishes(frets=5, action=1.5, action_bass=1.6), seed=2)
    found, file = neck.found, tmp_path / "m.json"
    file.write_bytes(json_file(found.as_dict()))
    heights = found.nut_mm, found.crown_top_mm, found.saddle_mm
    known = play_all(neck.spec, *heights, duration_s=0.05, excursion=neck.table)
    assert all(known.counts().values())
    shown = json_of("play", str(file), "--duration", "0.05")
    assert (shown["state"], shown["counts"]) == ("as found", known.counts())
    assert [a["name"] for a in shown["attacks"]] == ["light", "as specified", "heavy"]
    worst = shown["worst"][0]
    at = known.worst[worst["string"] - 1, worst["stopped_fret"]]
    assert worst["verdicts"] == [Verdict(one).name.lower() for one in at.tolist()]
    told = run("play", str(file), "--attack", "0.1", "--duration", "0.05").output
    assert re.search(r"^ +all .*?15 / 0 / 0", told, re.MULTILINE), told


@pytest.mark.slow
@pytest.mark.usefixtures("folder")
def test_a_measurement_and_a_plan_before_and_after() -> None:
    found = played("m.json")
    assert (found["state"], found["duration_s"]) == ("as found", 0.25)
    assert [a["name"] for a in found["attacks"]] == ["light", "as specified", "heavy"]
    before, after = played("p.json", "--as-found"), played("p.json")
    assert verdicts(before) == verdicts(found)
    assert (before["state"], after["state"]) == ("as found", "planned")
    # no note fails at the specified attack; some touch lightly, and late, as level frets would
    names = [a["name"] for a in after["attacks"]]
    heavy = names.index("heavy")
    for string, was in zip(verdicts(after), verdicts(found), strict=True):
        assert all(v != "rattles" for position in string for v in position[: 2 * heavy])
        assert len(string) == len(was) == 22
    assert any("rattles" in position[:4] for string in verdicts(found) for position in string)


@pytest.mark.slow
@pytest.mark.usefixtures("folder")
def test_the_command_says_what_the_play_test_says() -> None:
    """Heights and levels reach the play test as they are."""
    spec, plan = open_plan(Source("p.json"))
    known = play_all(spec, plan.nut_after_mm, plan.crown_top_after_mm, plan.saddle_after_mm)
    shown = played("p.json")
    assert shown["counts"] == known.counts()
    for k, string in enumerate(shown["strings"]):
        for p, position in enumerate(string["positions"]):
            for kind in ("touch", "buzz"):
                told = [position[f"{kind}_force_{side}_n"] for side in ("away", "towards")]
                by_direction = getattr(known, f"{kind}_force_n")[k, p]
                assert told == pytest.approx(by_direction, abs=1e-6)
    touching = {
        (k + 1, p) for k, p in np.argwhere(known.worst.max(axis=2) > 0).tolist()
    }  # every position that touches is listed once, worst first
    listed = [(w["string"], w["stopped_fret"]) for w in shown["worst"]]
    assert set(listed) == touching
    assert len(listed) == len(touching)
    rattling = [w["verdicts"].count("rattles") for w in shown["worst"]]
    assert rattling == sorted(rattling, reverse=True)
    for w in shown["worst"]:
        k, p = w["string"] - 1, w["stopped_fret"]
        level = next(a for a, verdict in enumerate(w["verdicts"]) if verdict != "clean")
        first = known.first_contact_s[k, p, level]
        assert w["first_contact_s"] == pytest.approx(np.nanmin(first))
        d = int(np.nanargmin(first))
        assert w["first_contact_fret"] == known.first_contact_fret[k, p, level, d]


@pytest.mark.slow
@pytest.mark.usefixtures("folder")
def test_for_people() -> None:
    result = run("play", *SHEET, "--attack", "0.9", "--attack", "0.2", "--pictures", "drawn")
    assert result.exit_code == 0, result.output
    assert "as found" in result.output
    rows = re.findall(
        r"^ +(\d|all) .*?(\d+) / (\d+) / (\d+) +(\d+) / (\d+) / (\d+)", result.output, re.M
    )
    assert [row[0] for row in rows] == ["1", "2", "3", "4", "5", "6", "all"]
    numbers = np.array([[int(n) for n in row[1:]] for row in rows])
    assert (numbers[:6].sum(axis=0) == numbers[6]).all()
    assert (numbers[:6, :3].sum(axis=1) == 22).all()
    assert numbers[6, 0] > numbers[6, 3]  # 0.2 N stands before 0.9 N, and is gentler
    assert "At an attack of 0.9 N," in result.output
    assert Path("drawn/play-test-as-found.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.slow
@pytest.mark.usefixtures("folder")
def test_what_touches_does_not_hang_on_how_long_it_is_followed() -> None:
    short, long = (json_of("play", "m.json", "--duration", s) for s in ("0.02", "0.3"))
    assert short["counts"]["clean"] == long["counts"]["clean"] < 396


@pytest.mark.slow
@pytest.mark.usefixtures("folder")
def test_readings_without_strings_are_said_to_be_so() -> None:
    values = open_instrument(Source("m.json")).measurement.as_dict()
    unstrung = (
        Path("tesquil-before.csv").read_text(encoding="utf-8").replace(",strung", ",unstrung")
    )
    Path("unstrung.csv").write_text(unstrung, encoding="utf-8")
    assert values["strung"]
    told = json_of("play", "unstrung.csv", "--spec", "tesquil.spec.toml")["findings"]
    assert any(f["code"] == "state" and f["severity"] == "warning" for f in told)
    assert not any(f["code"] == "state" for f in played("m.json")["findings"])


# ---- listening ----------------------------------------------------------------------------------


def samples(path: Path) -> NDArray[np.float64]:
    with wave.open(str(path)) as stream:
        assert (stream.getnchannels(), stream.getsampwidth()) == (1, 2)
        assert stream.getnframes() == 2 * stream.getframerate()
        raw = stream.readframes(stream.getnframes())
    return np.frombuffer(raw, "<i2").astype(float)


@pytest.mark.slow
@pytest.mark.usefixtures("folder")
def test_sounds_before_and_after_have_one_gain() -> None:
    shown = json_of("play", "p.json", "--wav", "heard", "--note", "2:15", "--note", "6:0")
    files = shown["sounds"]["files"]
    assert sorted(p.name for p in Path("heard").iterdir()) == [
        "string-2-fret-15-as-found.wav",
        "string-2-fret-15-planned.wav",
        "string-6-fret-0-as-found.wav",
        "string-6-fret-0-planned.wav",
    ]
    full = shown["sounds"]["full_scale_mm_per_s"]
    peaks = []
    for entry in files:
        heard = samples(Path("heard") / entry["file"])
        peak = np.abs(heard).max() / 32767.0
        assert peak * full == pytest.approx(entry["peak_mm_per_s"], rel=2e-3)
        peaks.append(peak)
    assert max(peaks) == pytest.approx(10 ** (-1 / 20), abs=1e-3)  # one decibel is left free
    # the note that rattles as found sounds otherwise after; the open string was clean both times
    rattling, cured, open_before, open_after = (samples(Path("heard") / f["file"]) for f in files)
    assert np.abs(rattling - cured).max() > 3000.0
    assert np.abs(open_before - open_after).max() < 30.0
    said = run("play", "p.json", "--wav", "heard", "--note", "2:15").output
    assert re.search(r"full scale is \d+ mm/s of the string, 50 mm from the saddle", said)


@pytest.mark.slow
@pytest.mark.usefixtures("folder")
def test_without_a_note_the_worst_one_is_heard() -> None:
    shown = json_of("play", "m.json", "--wav", "worst")
    assert [(f["string"], f["stopped_fret"], f["state"]) for f in shown["sounds"]["files"]] == [
        (shown["worst"][0]["string"], shown["worst"][0]["stopped_fret"], "as found")
    ]
    assert len(list(Path("worst").iterdir())) == 1
    quiet = json_of("play", "p.json", "--attack", "0.05", "--wav", "quiet")
    assert quiet["worst"] == []
    assert len(quiet["sounds"]["files"]) == 2


# ---- how hard a player plucks -------------------------------------------------------------------


@cache
def pluck(height_mm: float) -> NDArray[np.float64]:
    """Return a made-up recording of the open first string, by Kirchhoff's equations."""
    spec = tesquil()
    string = spec.strings[0]
    n = np.arange(1, 25)
    moved = modal_velocities(
        length_mm=string.speaking_length_mm,
        frequency_hz=string.frequency_hz,
        inharmonicity=string.inharmonicity,
        stretch_ratio=string.modulus_n_per_mm2 * pi * string.core_mm**2 / 4.0 / string.tension_n,
        height_mm=height_mm,
        pluck_mm=spec.player.pluck_distance_mm,
        decay_per_s=0.6 + 0.02 * n**2,
        duration_s=0.7,
    )
    heard = moved @ np.random.default_rng(5).uniform(0.3, 1.0, len(n))
    return np.asarray(0.5 * heard / np.abs(heard).max())


def write_pluck(path: Path, height_mm: float, width: int = 2, channels: int = 1) -> None:
    """Write a made-up recording with so many bytes a sample."""
    whole = np.round(pluck(height_mm) * (2 ** (8 * width - 1) - 1)).astype("<i4")
    parts = np.repeat(whole, channels).view(np.uint8).reshape(-1, 4)[:, :width]
    with wave.open(str(path), "wb") as stream:
        stream.setnchannels(channels)
        stream.setsampwidth(width)
        stream.setframerate(48_000)
        stream.writeframes(parts.tobytes())


@pytest.mark.slow
@pytest.mark.usefixtures("folder")
def test_a_recording_adds_a_level() -> None:
    write_pluck(Path("pluck.wav"), 1.5, width=3, channels=2)
    shown = json_of("play", "m.json", "--attack-from", "pluck.wav", "--string", "1")
    assert shown["recording"]["displacement_mm"] == pytest.approx(1.5, rel=0.05)
    assert shown["attacks"][-1]["name"] == "as recorded"
    forces = shown["attacks"][-1]["force_n"]
    assert forces[0] == pytest.approx(shown["recording"]["force_n"])
    spec = tesquil()
    # as far aside on every string: the force grows with the tension (ideal string, within 5 %)
    pulls = [s.tension_n for s in spec.strings]
    assert np.array(forces) / forces[0] == pytest.approx(np.array(pulls) / pulls[0], rel=0.05)
    told = f"pulled {shown['recording']['displacement_mm']:.3f} mm ±"
    assert any(told in f["sentence"] for f in shown["findings"])


@pytest.mark.slow
@pytest.mark.parametrize(("width", "channels"), [(2, 1), (3, 2), (4, 1)])
def test_samples_of_each_width_are_read_alike(tmp_path: Path, width: int, channels: int) -> None:
    write_pluck(tmp_path / "pluck.wav", 1.5, width, channels)
    heard, per_s = read_recording((tmp_path / "pluck.wav").read_bytes(), "pluck.wav")
    assert per_s == 48_000.0
    assert heard == pytest.approx(pluck(1.5), abs=2.0 / 2**15)


@pytest.mark.slow
@pytest.mark.usefixtures("folder")
def test_a_gentle_recording_gives_only_a_bound() -> None:
    write_pluck(Path("soft.wav"), 0.01)
    shown = json_of("play", "m.json", "--attack-from", "soft.wav", "--string", "1")
    assert shown["recording"]["displacement_mm"] is None
    assert shown["recording"]["most_displacement_mm"] > 0.01
    assert len(shown["attacks"]) == 3
    assert any("too little" in f["sentence"] for f in shown["findings"])


@pytest.mark.slow
@pytest.mark.usefixtures("folder")
def test_a_recording_is_not_written_over() -> None:
    assert run("play", "m.json", "--wav", ".", "--note", "1:0").exit_code == 0
    kept = Path("string-1-fret-0-as-found.wav").read_bytes()
    said = refusal(
        *("play", "m.json", "--attack-from", "string-1-fret-0-as-found.wav", "--string", "1"),
        *("--wav", ".", "--note", "1:0"),
    )
    assert "written over" in said
    assert Path("string-1-fret-0-as-found.wav").read_bytes() == kept


# ---- a plan held against motion -----------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.usefixtures("folder")
def test_a_plan_is_verified_by_motion() -> None:
    plan = json_of("plan", "m.json", "--verify-by-motion", "-o", "v.json")
    motion = plan["motion"]
    # no note rattles: what touches does so lightly, and late
    assert motion["clean_count"] + motion["touches_count"] == 132
    assert motion["clean_count"] > 120
    assert motion["disagreements"] == []
    assert motion["attack_n"] == plan["attack_n"]
    # the file is the plan alone, as it would be without
    assert Path("v.json").read_bytes() == Path("p.json").read_bytes()
    assert "agree at every position" in run("plan", "m.json", "--verify-by-motion").output


@pytest.mark.slow
@pytest.mark.usefixtures("folder")
def test_a_plan_without_any_margin_touches_in_places() -> None:
    sheet = ("exact.csv", "--spec", "bare.spec.toml")
    plan = json_of("plan", *sheet, "--verify-by-motion", "-o", "bold.json")
    motion = plan["motion"]
    assert motion["touches_count"] > 0
    assert motion["least_share"] < 1.0
    # the same notes as the play test of that plan at its attack
    spec, kept = open_plan(Source("bold.json"))
    known = play_all(
        spec,
        kept.nut_after_mm,
        kept.crown_top_after_mm,
        kept.saddle_after_mm,
        attacks=[design_attack(kept.attack_n)],
    )
    wrong = {
        (k + 1, p)
        for judged in (known.buzz_force_optimistic, known.buzz_force_conservative)
        for k, p in np.argwhere(judged[:, :, 0]).tolist()
    }
    assert {(d["string"], d["stopped_fret"]) for d in motion["disagreements"]} == wrong
    for d in motion["disagreements"]:
        attack = plan["attack_n"][d["string"] - 1]
        within = d["buzz_force_n"] >= attack * (1.0 - 1e-6)
        assert d["buzz_force"] == ("optimistic" if within else "conservative")
        assert (d["verdict"] == "rattles") == within
        assert d["buzz_force_n"] >= d["touch_force_n"]


def design_attack(force_n: NDArray[np.float64]) -> Any:
    from evenfall.strings.playtest import Attack

    return Attack("plan", tuple(force_n.tolist()))


def test_conservative_is_said_as_well() -> None:
    careful = Disagreement(2, 0, "conservative", "clean", 0.6, 0.4, float("nan"), 0)
    check = MotionCheck((0.5,) * 3, 0.25, 15, 0, 0, 2, 0, 1.2, (careful,))
    told = [finding.sentence for finding in check.findings]
    assert "conservative at 1 position that does not rattle: string 2 open" in told[1]
    assert "string 2 open at 120 % of the attack" in told[0]
    assert check.as_dict()["disagreements"][0]["first_contact_s"] is None


# ---- what cannot be -----------------------------------------------------------------------------


@pytest.mark.quick(3)
@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("m.json", "--as-found"), "Only a plan"),
        (("m.json", "--note", "2:3"), "--note needs --wav"),
        (("m.json", "--wav", "no", "--note", "7:3"), "no string 7"),
        (("m.json", "--wav", "no", "--note", "2:22"), "strings are 1 to 6, stopped frets 0"),
        (("m.json", "--wav", "no", "--note", "2-3"), "such as 3:5"),
        (("m.json", "--wav", "no", "--note", "²:3"), "such as 3:5"),
        (("m.json", "--attack", "0"), "0.01"),
        (("m.json", "--duration", "90"), "from 0.01 to 30"),
        (("m.json", *(f"--attack=0.{n}" for n in range(1, 8))), "give 6 or fewer"),
        (("m.json", "--string", "1"), "go together"),
        (("m.json", "--attack-from", "tesquil.spec.toml", "--string", "1"), "not a WAV file"),
        (("m.json", "--attack-from", "none.wav", "--string", "1"), "no such file"),
        (("m.json", "--attack-from", "float.wav", "--string", "1"), "16 or 24 bit"),
        (("m.json", "--attack-from", "cut.wav", "--string", "1"), "cut short"),
        (("m.json", "--attack-from", "silent.wav", "--string", "1"), "silent"),
        (("m.json", "--attack-from", "pluck.wav", "--string", "9"), "no string 9"),
        (("m.json", "--wav", "m.json"), "name a folder"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_in_a_sentence(arguments: tuple[str, ...], sentence: str) -> None:
    if any(argument.endswith(".wav") for argument in arguments):
        write_pluck(Path("pluck.wav"), 1.5)
        whole = Path("pluck.wav").read_bytes()
        Path("float.wav").write_bytes(whole[:20] + struct.pack("<H", 3) + whole[22:])
        Path("cut.wav").write_bytes(whole[:30])
        Path("silent.wav").write_bytes(whole[:44] + bytes(len(whole) - 44))
    assert sentence in refusal("play", *arguments)
    assert not Path("no").exists()


@pytest.mark.usefixtures("folder")
def test_missing_heights_are_named() -> None:
    sheet = Path("tesquil-before.csv").read_text(encoding="utf-8").splitlines()
    kept = [row for row in sheet if not row.startswith("saddle,3,")]
    Path("short.csv").write_text("\n".join(kept), encoding="utf-8")
    said = refusal("play", "short.csv", "--spec", "tesquil.spec.toml")
    assert "saddle" in said


@pytest.mark.usefixtures("folder")
def test_without_numba_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [m for m in sys.modules if m.split(".")[0] in ("numba", "llvmlite")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.delitem(sys.modules, "evenfall.strings.playtest.contact", raising=False)
    monkeypatch.delattr("evenfall.strings.playtest.contact", raising=False)
    monkeypatch.setitem(sys.modules, "numba", None)
    assert "python3 dev.py setup installs" in refusal("play", "m.json")
    assert "python3 dev.py setup installs" in refusal(
        "plan", "m.json", "--verify-by-motion", "-o", "never.json"
    )
    assert not Path("never.json").exists()
    assert run("plan", "m.json", "-o", "plain.json").exit_code == 0
