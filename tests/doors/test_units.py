"""One unit at a time: asked for inches no command shows a millimetre, and the other way round."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from evenfall.cli import main

INVENTED = resources.files("evenfall") / "invented"
SPEC = ("--spec", "tesquil.spec.toml")

#: How a length in either unit is written, where "in" alone is a word.
SIGNS = {
    "mm": re.compile(r"(?<![\w_])(mm|µm|millimetres?)\b|\d ?mm\b"),
    "in": re.compile(r"\d in\b|\[in\]|\b\w+ in (?=  )|\binch(es)?\b|\d\""),
}
OTHER = {"mm": "in", "in": "mm"}

COMMANDS: tuple[tuple[str, ...], ...] = (
    ("spec", "check", "tesquil.spec.toml"),
    ("measure", "tesquil-before.csv", *SPEC, "-o", "again.json", "--pictures", "{unit}/m"),
    ("diagnose", "m.json", "--pictures", "{unit}/d"),
    ("plan", "m.json", "-o", "again.plan.json", "--verify-by-motion", "--pictures", "{unit}/p"),
    ("plan", "m.json", "-o", "hard.plan.json", "--attack", "2.5"),
    ("plan", "m.json", "-o", "turned.plan.json", "--relief-per-turn", "0.2", "--compare"),
    ("plan", "m.json", "-o", "kept.plan.json", "--keep", "relief", "--keep", "saddle"),
    ("sheet", "p.json", "-o", "{unit}-sheet.html"),
    ("pitch", "p.json", "--pictures", "{unit}/t"),
    ("neck", "p.json", "--humidity", "45", "60", "--pictures", "{unit}/n"),
    ("neck", "m.json", "--strings", "tesquil.spec.toml", "--relief-per-turn", "0.2"),
    ("neck", "unstrung.csv", *SPEC, "--convert", "converted.json"),
    ("play", "p.json", "--wav", "{unit}/w", "--pictures", "{unit}/w"),
    # what is refused
    ("measure", "faulty.csv", *SPEC),
    ("plan", "m.json", "--budget", "0.0001", "-o", "never.json"),
    ("plan", "m.json", "--relief-per-turn", "0.0001", "-o", "never.json"),
)

LATER = (
    ("prove", "p.json", "tesquil-after.csv", "--certificate", "{unit}.html", "--steps"),
    ("prove", "p.json", "tesquil-before.csv", "--pictures", "{unit}/v"),
)
"""Findings of the proof are still to become data."""

BOTH = (*COMMANDS[:3], COMMANDS[4], COMMANDS[7], LATER[0])
"""Tried the other way round too: each kind of output once."""


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a measurement, a plan and some files that cannot be used."""
    folder = tmp_path_factory.mktemp("units")
    for name in ("tesquil.spec.toml", "tesquil-before.csv", "tesquil-after.csv"):
        (folder / name).write_bytes((INVENTED / name).read_bytes())
    sheet = (folder / "tesquil-before.csv").read_text(encoding="utf-8")
    (folder / "faulty.csv").write_text(sheet.replace("21.464", "2.1464"))
    (folder / "unstrung.csv").write_text(sheet.replace(",strung", ",unstrung"))
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        for arguments in (
            ("measure", "tesquil-before.csv", *SPEC, "-o", "m.json"),
            ("plan", "m.json", "-o", "p.json"),
        ):
            assert CliRunner().invoke(main, list(arguments)).exit_code == 0
    return folder


def sentences(value: Any) -> Iterator[str]:
    """Yield every sentence in a JSON result, and every other text that people would read."""
    if isinstance(value, dict):
        for key, inner in value.items():
            if key in ("sentence", "name", "reason") and isinstance(inner, str):
                yield inner
            elif key != "specification_text":
                yield from sentences(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from sentences(inner)


def shown(path: Path) -> str:
    """Return the text that a page or a picture shows."""
    content = re.sub(
        r"<(style|script)\b.*?</\1>", " ", path.read_text(encoding="utf-8"), flags=re.S
    )
    return html.unescape(re.sub(r"<[^>]+>", " ", content))


@pytest.mark.quick(1)
@pytest.mark.parametrize(
    ("arguments", "unit"),
    [
        *(pytest.param(given, "in", id="-".join(given[:2])) for given in (*COMMANDS, *LATER)),
        *(pytest.param(given, "mm", id=f"{given[0]}-mm") for given in BOTH),
    ],
)
def test_a_command_speaks_in_one_unit(
    job: Path, arguments: tuple[str, ...], unit: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(job)
    given = [argument.replace("{unit}", unit) for argument in arguments]
    before = {path: path.stat().st_mtime_ns for path in job.rglob("*.*")}
    plain = CliRunner().invoke(main, [*given, "--unit", unit])
    assert "Traceback" not in plain.output
    bare = given[: given.index("--pictures")] if "--pictures" in given else given  # drawn above
    as_json = json.loads(CliRunner().invoke(main, [*bare, "--unit", unit, "--json"]).stdout)
    texts = {"terminal": plain.output, "JSON": "\n".join(sentences(as_json))}
    texts |= {
        str(path.relative_to(job)): shown(path)
        for path in job.rglob("*.*")
        if path.suffix in (".svg", ".html") and path.stat().st_mtime_ns != before.get(path)
    }
    other = SIGNS[OTHER[unit]]
    leaks = [
        f"{where}: {text[max(0, found.start() - 60) : found.end() + 20]!r}"
        for where, text in texts.items()
        for found in other.finditer(text)
    ]
    if leaks and arguments in LATER:
        pytest.xfail("findings of the proof")
    assert not leaks, "\n".join(leaks)


def test_the_signs_see_a_leak() -> None:
    assert SIGNS["mm"].search("stands 0.059 mm above")
    assert SIGNS["in"].search("0.0023 in above")
    assert not SIGNS["in"].search("cut in small steps")
