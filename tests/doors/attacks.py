"""Input made to hurt, all in one table: what each writes into a folder, and the command it meets.

`test_attacks.py` holds every command against one time, one size and one form of answer. The finer
tables, of every fault that a reader may meet, stand with the readers.
"""

from __future__ import annotations

import hashlib
import io
import json
import wave
import zipfile
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from records.test_hostile_files import zipped
from scans.formats.samples import npy, stl_file
from scans.formats.test_lying_headers import LIES, packed_zeros
from sheets.test_hostile_files import far_row, many_cells, wide_rows, zip_bomb

Words = tuple[str, ...]
Attack = Callable[[Path], Words]

INVENTED = resources.files("evenfall") / "invented"
PLAN = Path(__file__).parents[1] / "records" / "files" / "tesquil-settled.plan@1.json"
STEPS = b'x_step = 0.1\ny_step = 0.1\nunit = "mm"\n'
MACHINE = ("--machine", "yard.machine.toml", "--cutters", "yard.cutters.toml")
STIFF = ("--accept-stiffness", "a stiff neck")
SPEC = ("--spec", "tesquil.spec.toml")
SHEET = ("plan", "tesquil-before.csv", *SPEC, "-o", "new.json")


def file(name: str, content: Callable[[], bytes], *words: str) -> Attack:
    """Return the attack of one file, made when it is asked for."""

    def made(folder: Path) -> Words:
        (folder / name).write_bytes(content())
        return words

    return made


def scan(name: str, content: Callable[[], bytes]) -> Attack:
    """Return the attack of a scan, its steps beside it where its kind of file has none."""

    def made(folder: Path) -> Words:
        (folder / name).write_bytes(content())
        (folder / name).with_suffix(".toml").write_bytes(STEPS)
        return ("measure", name, *SPEC, "-o", "new.json")

    return made


def words(*given: str) -> Attack:
    """Return the attack of arguments alone."""
    return lambda _folder: given


def sheet_with(row: str) -> bytes:
    """Return a sound sheet with one more row."""
    return (INVENTED / "tesquil-before.csv").read_bytes() + row.encode() + b"\n"


def spec_with(old: str, new: str) -> bytes:
    """Return a sound specification with one thing changed."""
    text = (INVENTED / "tesquil.spec.toml").read_text(encoding="utf-8")
    assert old in text
    return text.replace(old, new, 1).encode()


FOLLOWS = {"lowest_crown_mm", "saddle_height_change_mm", "nut_height_change_mm"}
"""What in a plan follows from other values, and is no part of its hash."""


def sealed(values: dict[str, Any]) -> str:
    """Return a file as text with a content hash that is right, by the rule of docs/reference."""
    beside = {"schema", "content_hash", "findings", *FOLLOWS}
    content = {key: value for key, value in values.items() if key not in beside}
    if "measurement" in content:
        content["measurement"] = {"content_hash": content["measurement"]["content_hash"]}
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    return json.dumps({**values, "content_hash": hashlib.sha256(text.encode()).hexdigest()})


def plan_with(change: Callable[[dict[str, Any]], object]) -> bytes:
    """Return a plan with something changed, and a hash that is right for it."""
    plan = json.loads(PLAN.read_text(encoding="utf-8"))
    change(plan)
    return sealed(plan).encode()


def points(count: int, size: float, seed: int = 7) -> bytes:
    """Return random points that are no board, as a NumPy file."""
    made = io.BytesIO()
    np.save(made, np.random.default_rng(seed).uniform(0.0, size, (count, 3)))
    return made.getvalue()


def triangles(count: int) -> bytes:
    """Return random triangles that are no board, as an STL file."""
    shape = np.dtype([("n", "<f4", 3), ("v", "<f4", (3, 3)), ("a", "<u2")])
    made = np.zeros(count, dtype=shape)
    made["v"] = np.random.default_rng(7).uniform(-600.0, 600.0, (count, 3, 3))
    return bytes(80) + np.uint32(count).tobytes() + made.tobytes()


def npz_of_zeros() -> bytes:
    """Return a NumPy archive of half a MB that would unpack to half a GB."""
    made = io.BytesIO()
    with (
        zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as packed,
        packed.open("z.npy", "w", force_zip64=True) as member,
    ):
        head: dict[str, Any] = {"descr": "<f8", "fortran_order": False, "shape": (8_200, 8_200)}
        np.lib.format.write_array_header_1_0(member, head)
        block = bytes(8 * 8_200 * 100)
        for _ in range(82):
            member.write(block)
    return made.getvalue()


def recording(head: bytes) -> bytes:
    """Return a recording whose header is not what follows it."""
    made = io.BytesIO()
    with wave.open(made, "wb") as file:
        file.setparams((1, 2, 44_100, 0, "NONE", "not compressed"))
        file.writeframes(bytes(88_200))
    content = made.getvalue()
    return content[:16] + head + content[16 + len(head) :]


def program(lines: bytes, count: int) -> Attack:
    """Return the attack of a machine program of so many like lines."""

    def made(folder: Path) -> Words:
        (folder / "a.ngc").write_bytes(b"G21 G90 G17\n" + lines * count)
        return ("program", "check", "a.ngc", "--plan", "a.plan.json", *MACHINE, *STIFF)

    return made


def readings(head: str, row: str, count: int, *words: str) -> Attack:
    """Return the attack of a sheet of so many readings."""

    def text() -> bytes:
        return (head + "\n" + (row + "\n") * count).encode()

    return file("many.csv", text, "quality", *words)


LONG = "x" * 100_000

ATTACKS: dict[str, Attack] = {
    # ---- scans
    "a mesh of one triangle": scan("one.stl", lambda: triangles(1)),
    "a mesh of three triangles": scan("three.stl", stl_file),
    "a mesh of sixty triangles that is no board": scan("sixty.stl", lambda: triangles(60)),
    "a mesh of 20,000 triangles that is no board": scan("many.stl", lambda: triangles(20_000)),
    "200,000 random points": scan("random.npy", lambda: points(200_000, 300.0)),
    "2,000,000 random points": scan("random.npy", lambda: points(2_000_000, 300.0)),
    "a million points in one spot": scan("spot.npy", lambda: points(1_000_000, 0.0)),
    "points of astronomical size": scan("far.npy", lambda: points(200_000, 1e300)),
    "an archive of half a MB that unpacks to half a GB": scan("zeros.npz", npz_of_zeros),
    "heights of zero, packed, in TIFF": scan("zeros.tif", lambda: packed_zeros("tiff", 8_200)),
    "points of zero, packed, in Parquet": scan(
        "zeros.parquet", lambda: packed_zeros("parquet", 5_000)
    ),
    "a map without a step": file("map.npy", npy, "measure", "map.npy", *SPEC, "-o", "new.json"),
    **{f"a lying header: {name}": scan("lie.dat", made) for name, made in LIES.items()},
    # ---- sheets and workbooks
    "a value of 100 kB": file(
        "a.csv",
        lambda: sheet_with("relief,,7," + "1" * 100_000 + ",mm,,,,"),
        "plan",
        "a.csv",
        *SPEC,
    ),
    "a fret of 100 kB": file(
        "a.csv",
        lambda: sheet_with("relief,,7 between" + " " * 100_000 + "1,0.1,mm,,,,"),
        *("plan", "a.csv", *SPEC),
    ),
    "a note of 10 MB": file(
        "a.csv", lambda: sheet_with("relief,,7,0.1,mm,,,," + LONG * 100), "plan", "a.csv", *SPEC
    ),
    "a workbook of 1.5 million cells": file("a.xlsx", many_cells, "plan", "a.xlsx", *SPEC),
    "a workbook of 50 MB": file("a.xlsx", wide_rows, "plan", "a.xlsx", *SPEC),
    "a workbook that is a zip bomb": file("a.xlsx", zip_bomb, "plan", "a.xlsx", *SPEC),
    "a workbook with a cell in row 99999999999": file("a.xlsx", far_row, "plan", "a.xlsx", *SPEC),
    "a sheet of a million rows": file(
        "a.csv", lambda: sheet_with("relief,,7,0.1,mm,,,,\n" * 1_000_000), "plan", "a.csv", *SPEC
    ),
    "a sheet of 100 MB": file("a.csv", lambda: b"x" * 100_000_000, "plan", "a.csv", *SPEC),
    # ---- specifications and files of ours
    "a number of 100 kB in a specification": file(
        "a.toml",
        lambda: spec_with("frets = 22", "frets = " + "9" * 100_000),
        "spec",
        "check",
        "a.toml",
    ),
    "a specification nested without end": file(
        "a.toml",
        lambda: spec_with("frets = 22", "frets = " + "[" * 5_000),
        "spec",
        "check",
        "a.toml",
    ),
    "a text of 100 kB in a specification": file(
        "a.toml", lambda: spec_with('pitch = "E4"', f'pitch = "{LONG}"'), "spec", "check", "a.toml"
    ),
    "JSON nested without end": file("a.json", lambda: b'{"a":' * 100_000, "sheet", "a.json"),
    "a number of 100 kB in JSON": file(
        "a.json", lambda: b'{"metal_mm": ' + b"9" * 100_000 + b"}", "sheet", "a.json"
    ),
    "a plan with a null and a hash that is right": file(
        "a.json", lambda: plan_with(lambda p: p.update(relief_change_mm=None)), "sheet", "a.json"
    ),
    "a plan with a null among its cuts": file(
        "a.json",
        lambda: plan_with(lambda p: p["removal_mm"][0].__setitem__(0, None)),
        *("prove", "a.json", "tesquil-after.csv", "-o", "new.json"),
    ),
    "a plan with 9 MB of padding": file(
        "a.json", lambda: plan_with(lambda p: p.update(padding=LONG * 90)), "sheet", "a.json"
    ),
    "a plan of a million strings": file(
        "a.json",
        lambda: plan_with(lambda p: p.update(attack_n=[0.5] * 1_000_000)),
        "sheet",
        "a.json",
    ),
    # ---- arguments
    "an argument of 100 kB": words("plan", LONG),
    "an option of 100 kB": words(*SHEET, f"--{LONG}"),
    "a method of 100 kB": words(*SHEET, "--method", LONG),
    "a note that no string has": words(
        *("play", "tesquil-before.csv", *SPEC, "--wav", "new.wav", "--note", "9:40")
    ),
    "a specification in place of readings": words("plan", "tesquil.spec.toml", *SPEC),
    "a folder in place of a file": words("plan", ".", *SPEC),
    "a device in place of a file": words("plan", "/dev/zero", *SPEC),
    # ---- outputs
    "an output in no folder": words("plan", "tesquil-before.csv", *SPEC, "-o", "no/such/new.json"),
    "pictures into a file": words(*SHEET, "--pictures", "tesquil-after.csv"),
    "a certificate over a folder": lambda folder: (
        (folder / "new.pdf").mkdir(),
        ("prove", "a.plan.json", "tesquil-after.csv", "-o", "new.json", "--certificate", "new.pdf"),
    )[1],
    "a bench sheet over a folder": lambda folder: (
        (folder / "new.html").mkdir(),
        ("sheet", "a.plan.json", "-o", "new.html"),
    )[1],
    # ---- machines, recordings, archives, readings of many
    "a program of a million moves": program(b"G1 X1 Y1 Z1 F100\nG1 X2\n", 500_000),
    "a program of one line of 10 MB": program(b"(" + b"x" * 10_000_000, 1),
    "a program of arcs of astronomical size": program(b"G2 X1 Y1 I0 J1000000000 F1\n", 20_000),
    "a machine of 10 MB": file(
        "a.toml", lambda: b"[machine]\n" + b"# a\n" * 1_900_000, "machine", "check", "a.toml"
    ),
    "a recording that lies about its length": file(
        "a.wav",
        lambda: recording(b"\xff\xff\xff\xff"),
        *("play", "tesquil-before.csv", *SPEC, "--attack-from", "a.wav", "--string", "1"),
    ),
    "an export that is no archive": file(
        "a.zip",
        lambda: b"PK\x03\x04" + bytes(5_000),
        "archive",
        "import",
        "a.zip",
        "--archive",
        "new",
    ),
    "an export that is a bomb": file(
        "a.zip",
        lambda: zipped({"manifest.json": bytes(200_000_000)}),
        *("archive", "import", "a.zip", "--archive", "new"),
    ),
    "a database that is none": lambda folder: (
        (folder / "new").mkdir(),
        (folder / "new" / "archive.db").write_bytes(b"x" * 1_000_000),
        ("archive", "find", "x", "--archive", "new"),
    )[2],
    "a million readings": readings("value,unit", "0.2,mm", 1_000_000, "chart", "many.csv"),
    "a reading of 100 kB": readings("value,unit", "1" * 100_000 + ",mm", 1, "chart", "many.csv"),
    "a study of 100,000 parts": file(
        "many.csv",
        ("value,part,person\n" + "".join(f"0.2,{n},A\n" for n in range(100_000))).encode,
        *("quality", "gauge", "many.csv"),
    ),
    "a known standard deviation of zero": readings(
        "value,unit", "0.2,mm\n0.3,mm", 10, "chart", "many.csv", "--sigma", "0"
    ),
    "a risk that no plan keeps": words("quality", "lot-plan", "--good", "1", "--bad", "1.000001"),
    "a port that is none": words("serve", "--port", "99999", "--archive", "new"),
}
