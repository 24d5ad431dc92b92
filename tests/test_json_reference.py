"""The JSON that the commands really write, against the reference page and the JSON Schemas."""

from __future__ import annotations

import copy
import json
import re
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, fields, replace
from functools import cache
from importlib import resources
from itertools import islice
from pathlib import Path
from typing import Any, get_args

import click
import numpy as np
import pytest
from click.testing import CliRunner
from jsonschema import Draft202012Validator

from evenfall.cli import main
from evenfall.codec import FileContent
from evenfall.errors import At, Finding
from evenfall.gates import Accepted, CrossCheck
from evenfall.measurement import Measurement, Scanned
from evenfall.measurement.scanned import StringsScanned
from evenfall.plan import Plan
from evenfall.plan.before_cut import Confirmation, LowFrets, ReadFirst, Rock
from evenfall.plan.limits import LeftOut, LimitReached, Miss, Undecided
from evenfall.plan.methods import Price
from evenfall.plan.plan import Status
from evenfall.proof import Proof
from evenfall.wording import sentence
from evenfall.workshop import invented_years
from evenfall.workshop.motion_check import Disagreement

ROOT = Path(__file__).resolve().parent.parent
REFERENCE = ROOT / "docs" / "reference"
EXAMPLES = ROOT / "docs" / "examples"
DESCRIBED = (
    *("yard.machine.toml", "yard.cutters.toml", "row.fixture.toml"),
    *("yard.parts.toml", "row.parts.toml"),
)
CLASSES: dict[str, type[FileContent]] = {"measurement": Measurement, "plan": Plan, "proof": Proof}
KINDS = tuple(CLASSES)
LARGE = [pytest.param(kind, marks=pytest.mark.slow) for kind in ("plan", "proof")]
RECORDS = ROOT / "tests" / "records" / "files"
STORED = {
    "measurement": ("tesquil", "quenlo"),
    "plan": ("tesquil", "tesquil-settled"),
    "proof": ("tesquil-unworked", "tesquil"),
}


@dataclass(frozen=True)
class Entry:
    """The cells of one row of a table of json.md, after the key."""

    shape: str
    meaning: str


def page_tables(page: str) -> dict[str, dict[str, Entry]]:
    """Return the rows of every table of json.md: section (lower case), key, entry."""
    tables: dict[str, dict[str, Entry]] = {}
    section = ""
    for line in page.splitlines():
        if line.startswith("## "):
            section = line[3:].strip().lower()
        elif found := re.fullmatch(r"\| `([^`]+)` \| (.*?) \| (.*?) ?\|", line):
            key, shape, meaning = found.groups()
            assert key not in tables.setdefault(section, {}), f"{key} stands twice"
            tables[section][key] = Entry(shape, meaning)
    return tables


PAGE = (REFERENCE / "json.md").read_text(encoding="utf-8")
TABLES = page_tables(PAGE)
LENT = ("findings", "sentences")
"""Sections that other sections refer to."""


def paths(value: Any, place: str = "") -> Iterator[tuple[str, Any]]:
    """Yield every key inside a value, nested ones as `a.b` and `a[].b`, with what it holds.

    What a finding or sentence holds under `values` and `at` differs from one to the next.
    """
    if isinstance(value, dict):
        for key, inner in value.items():
            path = f"{place}.{key}" if place else key
            yield path, inner
            if not ("text" in value and key in ("values", "at")):
                yield from paths(inner, path)
    elif isinstance(value, list):
        for inner in value:
            yield from paths(inner, f"{place}[]")


def documented(section: str) -> dict[str, Any]:
    """Return every key that a section documents, what it refers to included."""
    found: dict[str, Any] = {}
    for key, entry in TABLES[section].items():
        found[key] = entry
        for kind in LENT:
            if f"(#{kind})" in entry.shape:
                here = f"{key}[]" if entry.shape.startswith("list") else key
                found |= {f"{here}.{inner}": row for inner, row in TABLES[kind].items()}
        if "[measurement]" in entry.shape:
            inside = documented("measurement")
            found |= {
                f"{key}.{inner}": row
                for inner, row in inside.items()
                if not inner.startswith("findings")
            }
    return found


@pytest.fixture(scope="module")
def outputs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Any]]:
    """Return many real outputs by section: good, poor and bad inputs."""
    folder = tmp_path_factory.mktemp("outputs")
    for name in (
        *("tesquil.spec.toml", "tesquil-before.csv"),
        *("tesquil-settled.csv", "tesquil-after.csv"),
        *DESCRIBED,
    ):
        text = (resources.files("evenfall") / "invented" / name).read_text(encoding="utf-8")
        (folder / name).write_text(text, encoding="utf-8")
    for example in EXAMPLES.iterdir():
        shutil.copy(example, folder)
    spec = (folder / "tesquil.spec.toml").read_text(encoding="utf-8")
    odd = spec.replace("gauge = 0.254 ", "gauge = 0.130 ")
    after = (folder / "tesquil-after.csv").read_text(encoding="utf-8").splitlines()
    # no crown height, one crown top that has to be filled in, strings not at pitch
    poor = [
        row.replace(",strung", ",unstrung")
        for row in after
        if not row.startswith(("crown_height", "crown_top,4,5,"))
    ]
    (folder / "odd.spec.toml").write_text(odd, encoding="utf-8")
    (folder / "faulty.spec.toml").write_text(spec.replace("frets = 22", "frets = 2"))
    unstrung = [row.replace(",strung", ",unstrung") for row in after]
    (folder / "unstrung.csv").write_text("\n".join(unstrung), encoding="utf-8")
    (folder / "poor.csv").write_text("\n".join(poor), encoding="utf-8")
    bass = (folder / "gorbune-readings.csv").read_text(encoding="utf-8").splitlines()
    (folder / "again.csv").write_text("\n".join(read_again(bass)), encoding="utf-8")
    settled_rows = (folder / "tesquil-settled.csv").read_text(encoding="utf-8").splitlines()
    (folder / "settled-again.csv").write_text("\n".join(read_again(settled_rows)))

    years = invented_years._three_years
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        # the keys are those of its first steps
        patch.setattr(invented_years, "_three_years", lambda made: islice(years(made), 2))

        def run(*arguments: str) -> Any:
            result = CliRunner().invoke(main, [*arguments, "--json"])
            assert "Traceback" not in result.output
            return json.loads(result.stdout)

        tesquil = ("--spec", "tesquil.spec.toml")
        measured = run("measure", "tesquil-before.csv", *tesquil, "-o", "k.json")
        by_hand = run(
            "measure", "quenlo-readings.csv", "--spec", "quenlo.spec.toml", "-o", "p.json"
        )
        planned = run("plan", "k.json", "-o", "k.plan.json")
        settled = ("tesquil-settled.csv", *tesquil, "--settled")
        cut = run("plan", *settled, "-o", "s.plan.json")
        gorbune = ("--spec", "gorbune.spec.toml")
        confirmed = run("plan", "gorbune-readings.csv", *gorbune, "--confirmed-by", "again.csv")
        burr = ("--accept", "lone-crown@7:3=burr", "--accepted-by", "somebody")
        accepted = run("plan", "gorbune-checked.csv", *gorbune, *burr, "-o", "g.plan.json")
        run("plan", *settled, "-o", "m.plan.json")
        cutting = (
            "m.plan.json",
            "--machine",
            "yard.machine.toml",
            "--cutters",
            "yard.cutters.toml",
        )
        cutting += ("--state", "strung")
        checked = run("plan", "k.json", "--verify-by-motion")
        assert checked["motion"]["disagreements"] == []  # so one is put in
        odd_one = Disagreement(2, 9, "conservative", "touches", 0.45, 0.41, 0.02, 10)
        checked["motion"]["disagreements"] = [odd_one.as_dict()]
        run("neck", "unstrung.csv", *tesquil, "--convert", "c.json")
        converted = json.loads((folder / "c.json").read_text(encoding="utf-8"))
        Path("rare.plan.json").write_text(json.dumps(with_rarities(planned)), encoding="utf-8")
        return {
            "measurement": [measured, by_hand, converted, scanned(measured)],
            "diagnosis": [run("diagnose", "k.json"), run("diagnose", "p.json")],
            "plan": [
                planned,
                confirmed,
                accepted,
                run("plan", "tesquil-after.csv", *tesquil, "--settled"),
                run("plan", *settled, "--method", "adjust"),
                run("plan", "gorbune-checked.csv", *gorbune),
                run("plan", "p.json"),
                run("plan", "c.json"),
                run("plan", "quenlo-readings.csv", "--spec", "quenlo.spec.toml"),
                run("plan", "k.json", "--attack", "0.7"),
                run("plan", "k.json", "--method", "refret"),
                run("plan", "k.json", "--budget", "0.3"),
                run("plan", *settled, "--method", "refret", "--confirmed-by", "settled-again.csv"),
                cut,
                checked,
                with_rarities(planned),
            ],
            "play": [
                run("play", "k.json"),
                run("play", "k.plan.json", "--wav", "heard", "--note", "2:9", "--attack", "0.8"),
                run("play", "k.plan.json", "--as-found", *plucked(folder)),
            ],
            "pitch": [run("pitch", "k.json"), run("pitch", "k.plan.json")],
            "neck": [
                run("neck", "k.json"),
                run("neck", "poor.csv", *tesquil),
                run("neck", "k.json", "--humidity", "45", "60"),
                run("neck", "k.plan.json", "--humidity", "45", "35", "--relief-per-turn", "0.3"),
                run("neck", "k.json", "--strings", "tesquil.spec.toml"),
            ],
            "bench sheet": [
                run("sheet", "k.plan.json", "-o", "k.html"),
                run("sheet", "rare.plan.json", "-o", "rare.html"),
            ],
            "proof": [
                run("prove", "g.plan.json", "gorbune-checked.csv"),
                run("prove", "s.plan.json", "tesquil-after.csv", "--worked", "k.plan.json"),
                run("prove", "k.plan.json", "tesquil-before.csv"),
                run("prove", "k.plan.json", "poor.csv"),
            ],
            "specification check": [
                run("spec", "check", name)
                for name in ("tesquil.spec.toml", "odd.spec.toml", "dolqua.spec.toml")
            ],
            "program": [run("program", *cutting)],
            "program check": [
                run("program", "check", "m.ngc", *cutting[1:], "--plan", "m.plan.json")
            ],
            "description": [run("machine", "check", name) for name in DESCRIBED],
            "starter": [run("spec", "new", "ukulele")],
            "empty sheet": [run("measure", "--template", "tesquil.spec.toml")],
            "demonstration": [run("demo", "start")],
            **dossiers(run),
            **productions(run),
            "errors": [
                run("plan", "no-such-file.json"),
                run("spec", "check", "faulty.spec.toml"),
                run("plan", "k.json", "--method", "magic"),
            ],
        }


def dossiers(run: Callable[..., Any]) -> dict[str, list[Any]]:
    """Return what the commands of an archive print: two sites correct one number, a row is hurt."""
    here, there = ("--archive", "here"), ("--archive", "there")
    added = run("archive", "add", "k.plan.json", "--serial", "UY-0417", "--by", "somebody", *here)
    run("archive", "note", "UY-0417", "seen", *here)
    exported = run("archive", "export", "UY-0417", "-o", "first.zip", *here)
    run("archive", "add", "--subject", "gauge", "--name", "dial 3", *there)
    looked = run("archive", "import", "first.zip", "--look", *there)
    imported = run("archive", "import", "first.zip", *there)
    noted = run("archive", "note", "UY-0417", "seen there too", *there)
    for number, site in (("UY-0418", here), ("UY-0419", there)):
        run("archive", "add", "--instrument", "UY-0417", "--serial", number, *site)
    run("archive", "export", "UY-0418", "-o", "second.zip", *here)
    disagreeing = run("archive", "import", "second.zip", *there)
    shown = [run("archive", "show", "UY-0418", *site) for site in (here, there)]
    told = run("archive", "history", "UY-0418", *here)
    found = run("archive", "find", "UY", *there)
    copies = [
        run("archive", "backup", "copy", *there),
        run("archive", "restore", "copy", "--archive", "restored"),
        run("archive", "move", "moved", *there),
    ]
    sound = run("archive", "verify", "--sign", *here)
    put_right = [
        run("archive", "doctor", *here),
        run("archive", "doctor", "--save-to", "saved", *here),
    ]
    with closing(sqlite3.connect("here/archive.db")) as database, database:
        database.execute("UPDATE document SET content = content || ' '")
    return {
        "archive add": [added],
        "archive find": [found],
        "archive show": shown,
        "archive history": [told],
        "archive note": [noted],
        "archive export": [exported],
        "archive import": [looked, imported, disagreeing],
        "archive verify": [sound, run("archive", "verify", *here)],
        "archive copy": copies,
        "archive doctor": put_right,
        "archive example": [run("archive", "example", "years")],
    }


def productions(run: Callable[..., Any]) -> dict[str, list[Any]]:
    """Return what the commands about many instruments print."""
    head = "value,unit,reference\n"
    Path("blocks.csv").write_text(head + "1.1,mm,1\n1.12,mm,1\n2.2,mm,2\n2.21,mm,2\n")
    Path("sorted.csv").write_text("value,part,person\n1,a,I\n0,b,I\n1,a,O\n0,b,O\n")
    rows = (
        f"{0.2 + 0.01 * (n % 3) + 0.002 * (n % 7)},{n % 3},{'xyz'[n % 3]},{n % 6},{n % 11 / 2}\n"
        for n in range(60)
    )
    Path("causes.csv").write_text("value,station,jig,person,humidity\n" + "".join(rows))
    chart = ("quality", "chart", "gorbune-reliefs.csv")
    capability = ("quality", "capability", "gorbune-reliefs.csv")
    limits = ("--lower", "0.1", "--upper", "0.3")
    gauge = ("quality", "gauge")
    studied = [run(*gauge, "blocks.csv", "--method", name) for name in ("bias", "linearity")]
    return {
        "control chart": [
            run(*chart, "--freeze", "40=set", "--exclude", "7=burr"),
            run(*chart, "--kind", "cusum"),
        ],
        "capability": [
            run(*capability, *limits),
            run(*capability, "--only", "jig=old", *limits),
        ],
        "causes": [
            run("quality", "causes", "causes.csv"),
            run("quality", "causes", "gorbune-reliefs.csv"),
        ],
        "gauge study": [
            run(*gauge, "feeler-study.csv", "--spec", "gorbune.spec.toml"),
            run(*gauge, "feeler-study.csv", "--method", "range"),
            run(*gauge, "sorted.csv", "--method", "agreement"),
            *studied,
        ],
        "lot": [
            run("quality", "lot", "--pieces", "500"),
            run("quality", "lot", "--pieces", "500", "--found", "1"),
        ],
        "lot measured": [
            run("quality", "lot-measured", "gorbune-reliefs.csv", *limits),
            run("quality", "lot-measured", "gorbune-reliefs.csv", *limits, "--sigma", "0.02"),
        ],
        "daily report": [
            run("quality", "report", "--archive", "years", "--day", day)
            for day in ("2025-05-04", "2026-07-01")
        ],
        "lot plan": [
            run("quality", "lot-plan", "--good", "1", "--bad", "5"),
            run("quality", "lot-plan", "--good", "1", "--bad", "5", "--method", "s"),
        ],
    }


def read_again(rows: list[str]) -> list[str]:
    """Return the rows of a sheet as a second reading has them: each crown off by a last digit."""
    second = []
    for at, row in enumerate(rows):
        cells = row.split(",")
        if cells[0] == "crown_top":
            cells[3] = f"{float(cells[3]) + (0.0001, -0.0001)[at % 2]:.4f}"
        second.append(",".join(cells))
    return second


def scanned(measured: dict[str, Any]) -> dict[str, Any]:
    """Return a measurement as JSON with what a scan says and a temperature, both put in."""
    found = Measurement.from_dict(measured)
    values: dict[str, Any] = {}
    for one in fields(Scanned):
        size = 3 if one.name.startswith("board_") else found.heights.frets
        values[one.name] = np.full(size, 0.01) if "Array" in str(one.type) else 0.01
    values["numbering_open"] = False
    sizes = {"action_": (found.heights.strings, found.heights.frets)}
    strings = {
        one.name: np.full(sizes.get(one.name[:7], found.heights.strings), 0.01)
        if "Array" in str(one.type)
        else 0.01
        for one in fields(StringsScanned)
    }
    values["strings"] = StringsScanned(**strings)
    told: dict[str, Any] = json.loads(
        json.dumps(replace(found, scanned=Scanned(**values), temperature_celsius=21.0).as_dict())
    )
    return told


def with_rarities(planned: dict[str, Any]) -> dict[str, Any]:
    """Return a plan as JSON with what few plans have; its keys are put in here."""
    said, end = sentence("Fret {fret}.", fret=5), LimitReached("action", "upper", (1,), 0, 12)
    made = replace(
        Plan.from_dict(planned),
        measurement=Measurement.from_dict(scanned(planned["measurement"])),
        reasons=(said,),
        left_out=(LeftOut("action", (1,), said),),
        low_frets=LowFrets((5,), worn=False, recommended=True, metal_mm=0.2, frets_cut=1),
        ask=(said,),
        confirmation=Confirmation(agrees=True, said=said, measurement_hash="0" * 64),
        undecided=(Undecided(1, 4, 5, u_mm=0.01, deciding_u_mm=0.005),),
        misses=(Miss("rod", (), (), less_mm=0.02, more_mm=0.1, allowance_mm=0.05, breaks=end),),
        prices=(Price("attack", 5.0, "percent", 0.1),),
        read_first=(ReadFirst(5, (1,), 0.1),),
        gates=(Finding("lone-crown", "Fret {fret}.", At(frets=(5,)), fret=5),),
        accepted=(Accepted("lone-crown", "5", "a burr", "somebody"),),
        checks=(CrossCheck("action", 1, 12, 1.6, 1.61, 0.03, agrees=True),),
        rocker=(Rock(5, 1, (4, 5, 6), shows_mm=0.06, band_mm=0.03, least_mm=0.015),),
    )
    rare: dict[str, Any] = json.loads(json.dumps(made.as_dict()))
    return rare


def plucked(folder: Path) -> tuple[str, ...]:
    """Write an open string as the play test hears it, and return the options that name it."""
    CliRunner().invoke(main, ["play", "k.json", "--wav", str(folder), "--note", "6:0"])
    return ("--attack-from", "string-6-fret-0-as-found.wav", "--string", "6")


def test_every_command_has_its_section() -> None:
    """A command that writes JSON is named on the page, above its table."""
    command = r"^Printed by `evenfall ((?:(?:spec|machine|program|archive|quality) )?[a-z-]+)\b"
    named = set(re.findall(command, PAGE, re.MULTILINE))
    assert named == set(json_commands(main))


def json_commands(command: click.Command, path: str = "") -> Iterator[str]:
    """Yield every command that takes `--json`."""
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            child = command.get_command(context, name)
            assert child is not None
            yield from json_commands(child, f"{path} {name}".strip())
    if any("--json" in option.opts for option in command.params):
        yield path


SECTIONS = [section for section in TABLES if section not in LENT]


@pytest.mark.slow
@pytest.mark.parametrize("section", SECTIONS)
def test_the_page_lists_the_keys_that_are_written_and_no_others(
    section: str, outputs: dict[str, list[Any]]
) -> None:
    written = {path for output in outputs[section] for path, _ in paths(output)}
    listed = set(documented(section))
    # words beside a sentence are for printing: whoever prints them may leave them out
    listed -= {path for path in listed - written if path.endswith(".sentence")}
    assert written - listed == set(), "written, but not on the page"
    assert listed - written == set(), "on the page, but never written"


@pytest.mark.slow
def test_every_section_has_outputs(outputs: dict[str, list[Any]]) -> None:
    assert sorted(outputs) == sorted(SECTIONS)


def holds_null(value: Any) -> bool:
    """Say whether a value is null or a list that holds null."""
    return value is None or (isinstance(value, list) and any(map(holds_null, value)))


@pytest.mark.slow
@pytest.mark.parametrize("section", SECTIONS)
def test_the_page_says_where_null_can_stand(section: str, outputs: dict[str, list[Any]]) -> None:
    silent = {
        path
        for output in outputs[section]
        for path, value in paths(output)
        if holds_null(value) and "null" not in documented(section)[path].meaning
    }
    assert silent == set()


@pytest.mark.slow
def test_lists_have_the_lengths_that_the_page_gives(outputs: dict[str, list[Any]]) -> None:
    """(F) is one number per fret, (K, F) one row per string, (F + 1) one more for the open one."""
    wrong = []
    checked = 0
    for section in SECTIONS:
        for output in outputs[section]:
            strings, frets = size_of(section, output)
            sizes = {"K": strings, "F": frets, "F + 1": frets + 1, "F + 2": frets + 2}
            for path, value in paths(output):
                shape = re.match(
                    r"\(((?:K|F|F \+ [12])(?:, F(?: \+ [12])?)?)\)", documented(section)[path].shape
                )
                if shape is None or value is None:
                    continue
                lengths = [sizes[letter] for letter in shape[1].split(", ")]
                found = [len(value), *([len(row) for row in value[:1]] if lengths[1:] else [])]
                wrong += [(section, path, found, lengths)] if found != lengths else []
                checked += 1
    assert wrong == []
    assert checked > 200


def size_of(section: str, output: dict[str, Any]) -> tuple[int, int]:
    """Return the number of strings and frets that an output is about; zeros if it lists none."""
    if section == "measurement":
        grid = output["crown_height_mm"]
    elif section == "specification check":
        grid = output["fret_places_mm"]
    elif section == "pitch":
        grid = [row[1:] for row in output["found"]["deviation_cents"]]
    elif section == "proof":
        grid = output["positions"]["verdict"]
    elif section == "play":
        grid = [string["positions"] for string in output["strings"]]
    elif section == "plan":
        grid = output["removal_mm"]
    elif section == "diagnosis":
        grid = [string["buzz_force_before_n"] for string in output["strings"]]
    else:
        return 0, 0
    return len(grid), len(grid[0])


# ---- the schemas -------------------------------------------------------------------------------


@cache
def validator(kind: str) -> Draft202012Validator:
    """Return the checker of one kind of file."""
    path = REFERENCE / "schemas" / f"{kind}.schema.json"
    schema = json.loads(path.read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_real_outputs_fit_the_schema(kind: str, outputs: dict[str, list[Any]]) -> None:
    for output in outputs[kind]:
        faults = [f"{e.json_path}: {e.message}" for e in validator(kind).iter_errors(output)]
        assert faults == []


@pytest.mark.slow
def test_the_outputs_cover_every_status_and_verdict(outputs: dict[str, list[Any]]) -> None:
    """The schemas are held against unlike outputs, not against one good day."""
    # low frets that are to be lifted come from necks drawn for it (tests/levelling)
    assert {plan["status"] for plan in outputs["plan"]} == {*get_args(Status)} - {"lift"}
    assert {proof["verdict"] for proof in outputs["proof"]} == {
        "conforms",
        "does not conform",
        "undecided",
    }


@cache
def kept(kind: str) -> list[Any]:
    """Return files of one kind as they are stored (`tests/records`), short enough to try often."""
    return [
        cut_short(json.loads((RECORDS / f"{name}.{kind}@1.json").read_text(encoding="utf-8")))
        for name in STORED[kind]
    ]


@pytest.mark.parametrize("kind", KINDS)
def test_stored_files_fit_the_schema(kind: str) -> None:
    for whole in kept(kind):
        assert [f"{e.json_path}: {e.message}" for e in validator(kind).iter_errors(whole)] == []


@pytest.mark.parametrize("kind", ["measurement", *LARGE])
def test_a_missing_key_does_not_fit(kind: str) -> None:
    check = validator(kind)
    whole = kept(kind)[0]
    for key in set(whole) - set(CLASSES[kind].PRINTED):
        assert not check.is_valid({k: v for k, v in whole.items() if k != key}), key


def cut_short(value: Any) -> Any:
    """Return a value with no more than seven items in any list: as few as a neck may have."""
    if isinstance(value, dict):
        return {key: cut_short(item) for key, item in value.items()}
    return [cut_short(item) for item in value[:7]] if isinstance(value, list) else value


def first_places(value: Any) -> dict[str, tuple[str | int, ...]]:
    """Return one place of each kind of key in a value, as the steps that lead to it."""
    found: dict[str, tuple[str | int, ...]] = {}

    def walk(inner: Any, path: str, steps: tuple[str | int, ...]) -> None:
        if path:
            found.setdefault(path, steps)
        if isinstance(inner, dict):
            for key, item in inner.items():
                walk(item, f"{path}.{key}" if path else key, (*steps, key))
        elif isinstance(inner, list):
            for at, item in enumerate(inner[:1]):
                walk(item, f"{path}[]", (*steps, at))

    walk(value, "", ())
    return found


def with_value(whole: Any, steps: tuple[str | int, ...], value: Any) -> Any:
    """Return a copy with another value at one place."""
    changed = copy.deepcopy(whole)
    at = changed
    for step in steps[:-1]:
        at = at[step]
    at[steps[-1]] = value
    return changed


@pytest.mark.parametrize("kind", ["measurement", *LARGE])
def test_a_value_of_the_wrong_type_does_not_fit(kind: str) -> None:
    """At every place: an object where none belongs, a number where an object or text belongs."""
    check = validator(kind)
    for whole in kept(kind):
        assert check.is_valid(whole)
        for path, steps in first_places(whole).items():
            at: Any = whole
            for step in steps:
                at = at[step]
            # what a sentence takes for a value may be of any kind but an object of another kind
            free = "values" in steps[:-1] and steps[-1] not in ("text", "values")
            wrong = 3.5 if isinstance(at, dict | str) and not free else {"not": "this"}
            assert not check.is_valid(with_value(whole, steps, wrong)), path


@pytest.mark.parametrize(
    ("kind", "steps", "value"),
    [
        ("measurement", ("schema",), "evenfall/measurement@2"),
        ("measurement", ("content_hash",), "0123"),
        ("measurement", ("heights", "origin", 0, 0), 9),
        ("measurement", ("heights", "own_u_mm", 0, 0), -0.001),
        ("measurement", ("heights", "height_mm"), [1.0, 2.0]),
        ("measurement", ("oddment",), 1),
        ("plan", ("status",), "best"),
        ("plan", ("method",), "magic"),
        ("plan", ("metal_mm",), None),
        ("plan", ("removal_mm", 0), [0.1, 0.2]),
        ("plan", ("removal_mm", 0, 0), "0.1"),
        ("plan", ("removal_mm",), []),
        ("plan", ("removal_mm", 0, 0), 21.0),
        ("plan", ("methods", 0, "frets_touched"), 1.5),
        ("plan", ("measurement", "serial"), None),
        ("plan", ("motion",), {"clean_count": 3}),
        ("plan", ("measurement", "findings"), []),
        ("proof", ("verdict",), "maybe"),
        ("proof", ("coverage",), 1.5),
        ("proof", ("items", 0, "probability"), -0.1),
        ("proof", ("items", 0, "standard_uncertainty"), -0.1),
        ("proof", ("positions", "verdict", 0, 0), "fine"),
        ("proof", ("deviation", "rms_mm"), "none"),
        ("proof", ("findings", 0), {"code": "no-severity", "sentence": "", "where": ""}),
        ("proof", ("findings", 0, "code"), "No code"),
        ("proof", ("findings", 0, "severity"), "grave"),
    ],
)
def test_a_broken_file_does_not_fit(kind: str, steps: tuple[str | int, ...], value: Any) -> None:
    assert not validator(kind).is_valid(with_value(kept(kind)[0], steps, value))


def test_the_page_names_every_place_that_a_finding_can_be_about() -> None:
    named = set(re.findall(r"`([a-z_]+)`", TABLES["findings"]["at"].meaning))
    assert named == {field.name for field in fields(At)}


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_what_is_printed_can_be_saved_and_used_as_the_file(
    kind: str, outputs: dict[str, list[Any]]
) -> None:
    for output in outputs[kind]:
        made = CLASSES[kind].from_dict(output)
        assert made.content_hash == output["content_hash"]
