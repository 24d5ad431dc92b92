"""Feed commands with damaged files and odd arguments: only answers and refusals may come out.

    python tests/doors/fuzz.py WHAT... [--seconds S] [--seed N] [--into FOLDER]

WHAT is one of `KINDS`; several take turns. Values in sheets, specifications and JSON files are
changed one at a time, and the hashes of a JSON file are taken for right, so that what lies behind
them is reached. A case that ends in anything but an answer or a refusal is kept in FOLDER with its
files, its command and the traceback; the search goes on.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from functools import cache
from itertools import cycle
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve()
sys.path.insert(0, str(HERE.parents[1]))

import click  # noqa: E402
import numpy as np  # noqa: E402
import uvicorn  # noqa: E402
from click.testing import CliRunner, Result  # noqa: E402

from evenfall.cli import main  # noqa: E402
from evenfall.codec import content  # noqa: E402
from evenfall.errors import GATE_CODES  # noqa: E402
from evenfall.instrument.specification_keys import TABLES  # noqa: E402
from evenfall.instrument.starters import STARTERS  # noqa: E402
from evenfall.plan import METHODS  # noqa: E402
from evenfall.sheets.quantities import QUANTITIES  # noqa: E402
from scans.formats.fuzz import damaged  # noqa: E402

SLOW_S = 60.0
"""A command that takes longer is a find too; the search shares its processor with other work."""

RECORDS = HERE.parents[1] / "records" / "files"
EXAMPLES = HERE.parents[2] / "docs" / "examples"
INVENTED = HERE.parents[2] / "src" / "evenfall" / "invented"
SHEETS = [
    *(("tesquil-before", "tesquil"), ("tesquil-settled", "tesquil"), ("tesquil-after", "tesquil")),
    *(("quenlo-readings", "quenlo"), ("quenlo-after", "quenlo"), ("gorbune-readings", "gorbune")),
]
PLANS = ("tesquil.plan@1.json", "tesquil-settled.plan@1.json")
MEASUREMENTS = ("tesquil", "quenlo", "converted", "tesquil-settled")

ODD_CELLS = (
    *(
        "",
        "0",
        "1",
        "-1",
        "1,5",
        "0.1",
        "1e400",
        "1e-300",
        "7",
        "12",
        "22",
        "23",
        "99",
        "nan",
        "mm",
    ),
    *("in", "thou", "1-4", "1-6", "all", "5 gap at 6", "7 over 1 and 22", "strung", "unstrung"),
    *("unstrung 40%", "strung 140%", "#", '"', "=1", "\ufeff", "E4", "G#3", "½", "1/0", "1/64"),
    *("x" * 500, "١", "0x10", "1_000", "+-1", *QUANTITIES),
)
ODD_TOML = (
    *("0", "1", "-1", "-0.0", "1e-9", "0.05", "0.5", "3", "6", "12", "22", "36", "1e9", "1e400"),
    *("nan", "inf", "true", "false", '""', '"E4"', '"C#9"', '"nylon"', '"round"', '"flat"', "[]"),
    *('"in"', '"mm"', '"probability"', '"left"', "[1]", "[0.4, 0.4, 0.4, 0.4, 0.4, 0.4]", "{}"),
    *("{ value = 0.2 }", "{ value = 0.2, minimum = 0.2, maximum = 0.2 }", "1979-05-27"),
    *("{ value = 1.5, tolerance = 0 }", "{ down = 0 }", "{ each = [1, 1, 1, 1, 1, 1] }"),
    *("{ treble = 0.1, bass = 10, tolerance = 5 }", "{ forward = 20, back = 20 }"),
)
ODD_JSON = (
    *(None, True, False, "", "x" * 300, "7:3", 0, 1, -1, 3, 1e-300, 1e300, -1e9, 10**400, [], [[]]),
    *({}, {"text": "{a}", "values": {}}, [None], "\ud800", "holds", 0.5, 22, 23, [1, 2, 3]),
)
ODD_WORDS = (
    *("", "0", "-1", "1e400", "nan", "inf", "0.45", "12", "E4", "3:5", "7:99", ".", "/", "-", "--"),
    *(
        "x" * 3000,
        "\u202e",
        "saddle",
        "nut",
        "relief",
        "é=é",
        "=",
        "@",
        "not-seated@=x",
        "scatter=",
    ),
    *("step@0:0=q", *METHODS, *(f"{code}=right after all" for code in GATE_CODES)),
)
ODD_VALUES = (
    *("0", "1", "2", "5", "0.5", "1.5", "12", "60", "0.05", "1e9", "AL-3", "A", "part", "7=once"),
    *("value=1", "station=A", "relief", "0.2=0.1", "2026-03-31", "#5=as agreed", "E:40"),
)
VERBS = ("plan", "diagnose", "pitch", "neck", "measure", "sheet", "prove", "spec", "play")
DESCRIPTIONS = ("yard.machine.toml", "yard.cutters.toml", "yard.fixture.toml", "row.machine.toml")
PROGRAM_WORDS = (
    *("G0", "G1", "G2", "G3", "G17", "G20", "G38.2", "G90", "G91", "G91.1", "M3", "M5", "M6 T1"),
    *("X1e9", "Z-50", "F0", "F1e30", "S-1", "I0 J0", "R5", "#1=2", "[1/0]", "(", "%", "x" * 300),
)
ARCHIVE_VERBS: dict[str, tuple[str, ...]] = {
    "add": ("--instrument", "--new", "--serial", "--job", "--maker", "--subject", "--name", "--by"),
    "find": ("--most",),
    "show": ("-o", "--unit"),
    "history": ("--picture", "--unit"),
    "note": (
        *("--by", "--photo", "--station", "--started", "--calibrated", "--valid-until"),
        *("--corrects", "--check-standard"),
    ),
    "export": ("-o", "--showing"),
    "import": ("--trust",),
    "verify": ("--sign",),
    "doctor": ("--save-to", "--erase"),
    **{"backup": (), "restore": (), "move": ()},
}
OPTIONS = (
    *("--method", "--attack", "--budget", "--keep", "--accept", "--accepted-by", "--serial"),
    *("--settled", "--compare", "--confirmed-by", "--spec", "--json", "-o", "--pictures", "--unit"),
    *("--date", "--certificate", "--steps", "--template", "--length-unit", "--humidity"),
)
Commands = list[list[str]]


def damaged_sheet(text: str, chance: random.Random) -> str:
    """Return a sheet with a few cells, rows or columns changed."""
    rows = [line.split(",") for line in text.splitlines()]
    for _ in range(chance.choice((1, 1, 2, 4))):
        at = chance.randrange(len(rows))
        some = rows[at : at + chance.choice((1, 1, 6, 30, 200))]
        match chance.randrange(8):
            case 0:
                del rows[at : at + chance.choice((1, 1, 5, 40))]
            case 1:
                rows[at:at] = some[:6]
            case 2:
                column, word = chance.randrange(9), chance.choice(ODD_CELLS)
                for row in some:
                    row[column : column + 1] = [word]
            case 3:
                rows[at] = [*rows[at][:2], *rows[chance.randrange(len(rows))][2:]]
            case 4:  # a slip of the decimal point or of the sign
                shift(some, chance.choice((10, 0.1, -1, 0, 25.4, 1.02)), 0.0, chance)
            case _:
                shift(some, 1.0, chance.choice((0.002, 0.02, 0.1, 0.5, 3.0)), chance)
        rows = rows or [[""]]
    return "\n".join(",".join(row) for row in rows) + "\n"


def shift(rows: list[list[str]], factor: float, noise: float, chance: random.Random) -> None:
    """Change the values of some rows."""
    for row in rows:
        if len(row) > 3 and row[3].replace(".", "").lstrip("-").isdigit():
            row[3] = f"{float(row[3]) * factor + chance.gauss(0.0, noise):.3f}"


def damaged_specification(text: str, chance: random.Random) -> str:
    """Return a specification with a few values, keys or tables changed."""
    lines = text.splitlines()
    for _ in range(chance.choice((1, 1, 2, 3))):
        at = chance.randrange(len(lines))
        name, equals, rest = lines[at].partition("=")
        value = rest.split("#")[0].strip()
        match chance.randrange(6):
            case 0:
                del lines[at]
            case 1:
                lines.insert(at, chance.choice(lines))
            case 2 if equals:
                lines[at] = f"{name}= {chance.choice(ODD_TOML)}"
            case 3 | 4 if value.replace(".", "").lstrip("-").isdigit():
                lines[at] = f"{name}= {float(value) * chance.choice((0.5, 0.9, 1.1, 2.0, 0.0)):.6g}"
            case _:
                set_any_key(lines, chance)
    return "\n".join(lines) + "\n"


def set_any_key(lines: list[str], chance: random.Random) -> None:
    """Give one key of the table of keys another value, in range or not."""
    table = chance.choice(list(TABLES.values()))
    key = chance.choice(table.keys)
    within = (key.low, key.high, (key.low + key.high) / 2, chance.uniform(key.low, key.high))
    chosen = f'"{chance.choice(key.choices or ("x",))}"'
    setting = f"{key.name} = {chance.choice((*within, chosen, 'true', *ODD_TOML))}"
    header = f"[[{table.name}]]" if table.name == "string" else f"[{table.name}]"
    own = [n for n, line in enumerate(lines) if line.partition("=")[0].strip() == key.name]
    if own:
        lines[chance.choice(own)] = setting
    elif header in lines:
        lines.insert(lines.index(header) + 1, setting)
    else:
        lines += [header, setting]


def without_hashes(text: str) -> Any:
    """Return a file of ours with the one hash that is taken for right."""
    return json.loads(
        text, object_hook=lambda o: {**o, "content_hash": "0" * 64} if "content_hash" in o else o
    )


def damaged_json(text: str, chance: random.Random) -> str:
    """Return a file of ours with a few values or keys changed."""
    values = without_hashes(text)
    for _ in range(chance.choice((1, 1, 2))):
        inner = values
        for _ in range(chance.randint(0, 5)):
            deeper = [one for one in parts(inner).values() if isinstance(one, dict | list) and one]
            inner = chance.choice(deeper) if deeper else inner
        key, old = chance.choice(list(parts(inner).items()))
        match chance.randrange(5):
            case 0:
                del inner[key]
            case 1:
                inner[key] = chance.choice(list(parts(inner).values()))
            case 2 if isinstance(old, float | int):
                inner[key] = old * chance.choice((-1, 0, 10, 0.1, 25.4))
            case 3 if isinstance(old, list | dict):
                inner[key] = type(old)()
            case _:
                inner[key] = chance.choice(ODD_JSON)
    return json.dumps(values)


def parts(inner: Any) -> dict[Any, Any]:
    """Return what an object or a list holds, by key or place."""
    return inner if isinstance(inner, dict) else dict(enumerate(inner)) or {0: None}


def sheet(chance: random.Random) -> Commands:
    """Damage a sheet, and go through the job with it, everything accepted that is asked for."""
    name, model = chance.choice(SHEETS)
    text, spec = Path(f"{name}.csv").read_text(encoding="utf-8"), ["--spec", f"{model}.spec.toml"]
    changed = damaged_sheet(text, chance).encode("utf-8", "replace")
    Path("a.csv").write_bytes(damaged(text.encode(), chance) if chance.random() < 0.15 else changed)
    planned = CliRunner().invoke(main, ["plan", "a.csv", *spec, "--json"])
    gates = (
        json.loads(planned.stdout)["gates"]
        if planned.exit_code in (0, 1) and planned.stdout
        else []
    )
    asked = sorted({gate["code"] for gate in gates})
    accept = [word for code in asked for word in ("--accept", f"{code}=right after all")]
    method = ["--method", chance.choice(list(METHODS))] if chance.random() < 0.4 else []
    proof = [*accept, "-o", "p.json", "--certificate", "p.html"]
    return [
        ["measure", "a.csv", *spec, "-o", "a.json"],
        [chance.choice(("diagnose", "pitch", "plan")), "a.csv", *spec],
        ["plan", "a.csv", *spec, *accept, *method, "-o", "b.json"],
        chance.choice(
            [["sheet", "b.json"], ["neck", "b.json"], ["prove", "b.json", "a.csv", *proof]]
        ),
        ["prove", PLANS[1], "a.csv", *proof],
    ]


def specification(chance: random.Random) -> Commands:
    """Damage a specification."""
    name, model = chance.choice(SHEETS)
    text = Path(f"{model}.spec.toml").read_text(encoding="utf-8")
    changed = damaged_specification(text, chance).encode()
    Path("a.toml").write_bytes(
        damaged(text.encode(), chance) if chance.random() < 0.15 else changed
    )
    verb = chance.choice(("plan", "plan", "diagnose", "pitch", "neck", "measure"))
    return [
        ["spec", "check", "a.toml"],
        ["measure", "--template", "a.toml", "-o", chance.choice(("t.csv", "t.xlsx"))],
        [verb, f"{name}.csv", "--spec", "a.toml"],
    ]


def plan(chance: random.Random) -> Commands:
    """Damage a plan."""
    Path("a.json").write_text(damaged_json(Path(chance.choice(PLANS)).read_text(), chance))
    proof = ["prove", "a.json", "tesquil-after.csv", "-o", "p.json", "--certificate", "p.html"]
    return [chance.choice((proof, *(([verb, "a.json"]) for verb in ("sheet", "pitch", "neck"))))]


def measurement(chance: random.Random) -> Commands:
    """Damage a measurement."""
    text = Path(f"{chance.choice(MEASUREMENTS)}.measurement@1.json").read_text()
    Path("a.json").write_text(damaged_json(text, chance))
    return [[chance.choice(("plan", "diagnose", "pitch", "neck")), "a.json"]]


def arguments(chance: random.Random) -> Commands:
    """Give odd arguments with sound files."""
    words = [
        chance.choice(VERBS),
        chance.choice(("tesquil-before.csv", PLANS[0], "quenlo.measurement@1.json")),
    ]
    words += ["tesquil-after.csv"] * (words[0] == "prove")
    words += ["--spec", "tesquil.spec.toml"] * words[1].endswith(".csv")
    for _ in range(chance.randint(1, 4)):
        words.append(chance.choice(OPTIONS if chance.random() < 0.6 else ODD_WORDS))
        words += [chance.choice(ODD_WORDS)] * (chance.random() < 0.6)
    return [words]


def starter(chance: random.Random) -> Commands:
    """Ask for a starter with options in and out of range, and use what was written."""
    asked = {
        "--name": ODD_CELLS,
        "--scale": ("1", "60", "330", "648", "34in", "25.5in", "25.5 in", "2000", "0", "1e400"),
        "--strings": ("medium", "light", "heavy", "re-entrant", "low", "x"),
        "--frets": ("0", "1", "4", "5", "12", "22", "24", "36", "37"),
        "--handed": ("left", "right"),
        "--unit": ("mm", "in"),
    }
    words = ["spec", "new", chance.choice(list(STARTERS)), "-o", "a.toml"]
    for option in chance.sample(list(asked), k=chance.randint(0, 4)):
        odd = chance.random() < 0.1
        words += [option, chance.choice(ODD_WORDS if odd else asked[option])]
    return [words, ["spec", "check", "a.toml"], ["measure", "--template", "a.toml", "-o", "t.csv"]]


def machine(chance: random.Random) -> Commands:
    """Damage the description of a machine, its cutters or its fixture, and check it."""
    text = Path(chance.choice(DESCRIPTIONS)).read_text(encoding="utf-8")
    Path("a.toml").write_bytes(damaged_description(text, chance))
    return [["machine", "check", "a.toml"]]


def damaged_description(text: str, chance: random.Random) -> bytes:
    """Return a description with a few values, keys, lines or bytes changed."""
    if chance.random() < 0.15:
        return damaged(text.encode(), chance)
    lines = text.splitlines()
    for _ in range(chance.choice((1, 1, 2, 4))):
        at = chance.randrange(len(lines))
        name, equals, rest = lines[at].partition("=")
        value = rest.split("#")[0].strip()
        match chance.randrange(5):
            case 0:
                del lines[at]
            case 1:
                lines.insert(at, chance.choice(lines))
            case 2 | 3 if value.replace(".", "").lstrip("-").isdigit():
                factor = chance.choice((-1.0, 0.0, 0.1, 0.5, 0.9, 1.1, 2.0, 10.0))
                lines[at] = f"{name}= {float(value) * factor:.6g}"
            case _ if equals:
                lines[at] = f"{name}= {chance.choice(ODD_TOML)}"
    return ("\n".join(lines) + "\n").encode()


def program(chance: random.Random) -> Commands:
    """Damage one of the files that a program comes from, or the program itself."""
    with_files = ["--machine", "m.toml", "--cutters", "c.toml", "--fixture", "f.toml"]
    names = dict(zip(("m", "c", "f"), DESCRIPTIONS, strict=False))
    hurt = chance.choice((*names, "plan", "program", "program", "words"))
    for short, name in names.items():
        text = Path(name).read_text(encoding="utf-8")
        Path(f"{short}.toml").write_bytes(
            damaged_description(text, chance) if hurt == short else text.encode()
        )
    text = Path(PLANS[1]).read_text()
    Path("p.json").write_text(damaged_json(text, chance) if hurt == "plan" else text)
    words = ["--accept-stiffness", "a stiff neck", *with_files]
    for _ in range(chance.randint(0, 3) if hurt == "words" else 0):
        known = ("--touch", "--found", "--scan", "--cutter", "--lift", "--state", "--unit")
        option = chance.choice((*known, "--parts", "--only", "--material"))
        odd = chance.choice((*ODD_WORDS, "1:1=1,2,3", "1:6=nan,0,0", PLANS[0], "strung", "nut"))
        words += [option, odd]
    if chance.random() < 0.2:
        text = Path(chance.choice(("yard.parts.toml", "row.parts.toml"))).read_text("utf-8")
        Path("parts.toml").write_bytes(damaged_description(text, chance))
        words += ["--parts", "parts.toml"]
    if hurt == "program":
        CliRunner().invoke(main, ["program", "p.json", *words, "-o", "b.ngc"])
        sound = Path("b.ngc").read_bytes() if Path("b.ngc").is_file() else b"G21\nG0 X1\nM2\n"
        Path("a.ngc").write_bytes(damaged_program(sound, chance))
        return [["program", "check", "a.ngc", "--plan", "p.json", *words]]
    return [["program", "p.json", *words, "-o", "a.ngc"]]


def damaged_program(sound: bytes, chance: random.Random) -> bytes:
    """Return a program with a few words or lines changed."""
    if chance.random() < 0.2:
        return damaged(sound, chance)
    lines = sound.decode("utf-8", "replace").splitlines()
    for _ in range(chance.choice((1, 1, 3, 10))):
        at = chance.randrange(len(lines))
        words = lines[at].split() or [""]
        match chance.randrange(4):
            case 0:
                del lines[at]
                lines = lines or [""]
            case 1:
                lines.insert(at, chance.choice(lines))
            case _:
                words[chance.randrange(len(words))] = chance.choice(PROGRAM_WORDS)
                lines[at] = " ".join(words)
    return "\n".join(lines).encode()


def archive(chance: random.Random) -> Commands:
    """Give an archive odd words, damaged documents, and damage of its own."""
    for name in (*MEASUREMENTS[:1], MEASUREMENTS[3]):  # as they are, with their hashes
        shutil.copy(RECORDS / f"{name}.measurement@1.json", ".")
    there = ["--archive", "shop"]
    filed = [f"{name}.measurement@1.json" for name in (MEASUREMENTS[0], MEASUREMENTS[3])]
    CliRunner().invoke(main, ["archive", "add", *filed, "--serial", "UY-0417", *there])
    CliRunner().invoke(main, ["archive", "export", "UY-0417", "-o", "sent.zip", *there])
    if chance.random() < 0.5:
        hurt = Path(chance.choice(["sent.zip", *filed, "shop/archive.db", "shop/archive.db"]))
        if hurt.is_file():
            hurt.write_bytes(damaged(hurt.read_bytes(), chance))
    asked: Commands = []
    for _ in range(3):
        verb, options = chance.choice(list(ARCHIVE_VERBS.items()))
        known = ("UY-0417", "sent.zip", filed[0], "2026-03-31", "new", "tesquil-before.csv")
        words = [chance.choice((*known, *known, *ODD_WORDS)) for _ in range(chance.randint(0, 2))]
        for option in chance.sample(options, k=chance.randint(0, min(2, len(options)))):
            words += [option, chance.choice((*known, "a.pdf", "a.zip", "a.svg", *ODD_WORDS))]
        asked.append(["archive", verb, *words, *(there if chance.random() < 0.9 else [])])
    return asked


def made_readings(chance: random.Random) -> str:
    """Return a sheet of readings of many instruments, some of it damaged."""
    rows = ["time,serial,station,part,person,reference,batch,value,unit,quantity,size"]
    kinds = chance.random() < 0.2  # sorted pieces or counts in place of lengths
    for n in range(chance.choice((1, 5, 24, 60, 60, 90))):
        value = str(chance.randint(0, 3)) if kinds else f"{chance.gauss(0.22, 0.012):.3f}"
        factors = f"{'AB'[n % 2]},P{n % 10},{'XYZ'[n % 3]},{0.2 + n % 5 / 100:.2f},{n // 5}"
        rows.append(
            f"2026-{3 + n // 28:02d}-{1 + n % 28:02d},AL-{n},{factors},{value},"
            f"{'' if kinds else 'mm'},{'count' if kinds else 'relief'},{'50' if kinds else ''}"
        )
    return damaged_sheet("\n".join(rows), chance) if chance.random() < 0.6 else "\n".join(rows)


def quality(chance: random.Random) -> Commands:
    """Damage the readings of many instruments, and ask every question with options that fit."""
    Path("many.csv").write_bytes(made_readings(chance).encode("utf-8", "replace"))
    asked: Commands = []
    for _ in range(3):
        of_sheets = ("chart", "chart", "capability", "gauge", "gauge", "causes", "lot-measured")
        verb = chance.choice((*of_sheets, "lot", "lot-plan"))
        words = ["quality", verb]
        words += ["many.csv"] * (verb in of_sheets)
        words += ["--lower", "0.1"] * (verb == "lot-measured")
        words += ["--pieces", chance.choice(("2", "50", "500", "9999999"))] * (verb == "lot")
        words += ["--good", "1", "--bad", "8"] * (verb == "lot-plan")
        asked.append(words + given_options(below(below(main)["quality"])[verb], chance, odd=0.2))
    return asked


def below(command: click.Command) -> dict[str, click.Command]:
    """Return the commands of a group by their names; none of any other."""
    if not isinstance(command, click.Group):
        return {}
    context = click.Context(command)
    found = {name: command.get_command(context, name) for name in command.list_commands(context)}
    return {name: one for name, one in found.items() if one is not None}


def leaves(command: click.Command, *words: str) -> list[tuple[list[str], click.Command]]:
    """Return every command, each with the words that name it."""
    inner = [leaf for name, one in below(command).items() for leaf in leaves(one, *words, name)]
    return [([*words], command), *inner]


def a_value(option: click.Parameter, chance: random.Random, odd: float) -> str:
    """Return a value for an option or argument: of its kind, or an odd one."""
    if chance.random() < odd:
        return chance.choice(ODD_WORDS)
    if isinstance(option.type, click.Choice):
        return str(chance.choice(list(option.type.choices)))
    name = option.name or ""
    if "output" in name or "pictures" in name:
        return chance.choice(("o.json", "o.csv", "o.pdf", "o.html", "o.ngc", "o.zip", "o", "no/o"))
    files = sorted(path.name for path in Path().iterdir() if path.is_file())
    fitting = [file for file in files if name in file] or files
    if "PATH" in str(option.make_metavar(click.Context(main))) or chance.random() < 0.2:
        return chance.choice(fitting if chance.random() < 0.8 else files)
    return chance.choice(ODD_VALUES)


def given_options(command: click.Command, chance: random.Random, odd: float) -> list[str]:
    """Return some of a command's options with values."""
    options = [one for one in command.params if isinstance(one, click.Option)]
    words: list[str] = []
    for option in chance.sample(options, k=chance.randint(0, min(3, len(options)))):
        words.append(chance.choice(option.opts))
        values = 0 if option.is_flag else max(option.nargs, 1)
        words += [a_value(option, chance, odd) for _ in range(values)]
    return words


def every(chance: random.Random) -> Commands:
    """Give any command any of its options; the server's pages come up and go again at once."""
    asked: Commands = []
    for _ in range(3):
        words, command = chance.choice(leaves(main))
        arguments = [one for one in command.params if isinstance(one, click.Argument)]
        words = [*words, *(a_value(one, chance, 0.05) for one in arguments)]
        needed = [one for one in command.params if isinstance(one, click.Option) and one.required]
        for option in needed if chance.random() < 0.9 else ():
            words += [option.opts[-1], a_value(option, chance, 0.1)]
        words += given_options(command, chance, odd=0.1)
        asked.append(words)
    return asked


def scan(chance: random.Random) -> Commands:
    """Damage a scan of a whole board, and measure it, or lay a neck by it on the machine."""
    points = np.load(scan_points())
    thin = points[:: chance.choice((1, 2, 7, 300))]
    match chance.randrange(6):
        case 0:
            thin = thin[thin[:, chance.randrange(2)] > chance.uniform(-20.0, 200.0)]
        case 1:
            thin = thin * [chance.choice((1.0, -1.0, 10.0)), 1.0, chance.choice((1.0, -1.0, 0.0))]
        case 2:
            thin = thin + np.array([chance.uniform(-1e6, 1e6), 0.0, chance.choice((0.0, 1e4))])
        case 3:
            mad = chance.choice((1e300, np.nan))
            thin[:: chance.choice((1, 9, 900)), chance.randrange(3)] = mad
    np.save("s.npy", thin)
    if chance.random() < 0.3:
        Path("s.npy").write_bytes(damaged(Path("s.npy").read_bytes(), chance))
    words = given_options(below(main)["measure"], chance, odd=0.05)
    return [["measure", "s.npy", "--spec", "tesquil.spec.toml", "-o", "s.json", *words]]


@cache
def scan_points() -> Path:
    """Return where the points of a whole sound board lie."""
    from readings.test_scanned import tesquil_points

    path = Path(tempfile.mkdtemp()) / "board.npy"
    np.save(path, tesquil_points())
    return path


KINDS: dict[str, Callable[[random.Random], Commands]] = {
    one.__name__: one
    for one in (
        *(sheet, specification, plan, measurement, arguments),
        *(starter, machine, program, archive, quality, every, scan),
    )
}


def wrong(result: Result, left: set[Path]) -> str:
    """Return what is wrong with how a command ended; empty where nothing is."""
    told = result.stderr.strip()
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        return "".join(traceback.format_exception(result.exception))
    if result.exit_code not in (0, 1, 2) or "Warning" in told:
        return f"exit status {result.exit_code}: {told[:500]}"
    if result.exit_code < 2:
        shown = result.stdout.replace("Wrote nan", "")  # a folder that was asked for
        return "a number that is none" if " nan" in shown or "None" in shown else ""
    if left or len(told) > 20_000 or not told.rstrip("'").endswith((".", "?")):
        return f"left {sorted(left)}, told {told[:300]!r} to {told[-200:]!r}"
    return ""


def search(kinds: list[str], seconds: float, seed: int, into: Path) -> Counter[str]:
    """Feed damaged cases for a time; return how they ended, and keep each odd one in a folder."""
    chance = random.Random(seed)  # noqa: S311 (no secret depends on it)
    true_hash = content.content_hash
    ends: Counter[str] = Counter()
    seen: set[str] = set()
    end = time.monotonic() + seconds
    uvicorn.Server.run = lambda *_, **__: None  # type: ignore[method-assign]
    for kind in cycle(kinds):
        if time.monotonic() > end:
            return ends
        with tempfile.TemporaryDirectory() as folder:
            os.chdir(folder)
            os.environ["EVENFALL_SETTINGS"] = str(Path(folder) / "settings")
            os.environ["XDG_DATA_HOME"] = str(Path(folder) / "own")
            taken = true_hash if kind == "archive" else lambda _content: "0" * 64
            content.content_hash = taken  # type: ignore[assignment]
            for source in (*INVENTED.glob("*.*"), *EXAMPLES.glob("*.*")):
                shutil.copy(source, ".")
            for source in RECORDS.glob("*.json"):
                Path(source.name).write_text(json.dumps(without_hashes(source.read_text())))
            for words in KINDS[kind](chance):
                before, start = set(Path().rglob("*")), time.monotonic()
                result = CliRunner().invoke(main, words)
                why = wrong(result, set(Path().rglob("*")) - before)
                why += " (slow)" * (time.monotonic() - start > SLOW_S)
                ends[f"{kind}: {result.exit_code}"] += 1
                if why and why[-300:] not in seen:
                    seen.add(why[-300:])
                    kept = into / f"{kind}-{seed}-{ends.total()}"
                    shutil.copytree(".", kept)
                    told = f"{words}\n{why}\n{result.output}"
                    (kept / "why.txt").write_text(told, "utf-8", "replace")
                    print(kept, why.splitlines()[-1][:200], flush=True)
            os.chdir("/")
    return ends


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("what", nargs="+", choices=list(KINDS))
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--into", type=Path, default=Path("odd"))
    asked = parser.parse_args()
    print(dict(sorted(search(asked.what, asked.seconds, asked.seed, asked.into.resolve()).items())))
