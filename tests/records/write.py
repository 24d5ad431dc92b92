"""Write the stored files that are not there yet, from the invented examples, and all their pages.

A file that is there is never written again; see README.md.
"""

from __future__ import annotations

import json
import os
import runpy
import sys
import tempfile
from importlib import resources
from pathlib import Path

import numpy as np
from click.testing import CliRunner

from evenfall.cli import main
from evenfall.instrument import read_specification

HERE = Path(__file__).resolve().parent
EXAMPLES = HERE.parents[1] / "docs" / "examples"
TESQUIL = (
    *("tesquil.spec.toml", "tesquil-before.csv"),
    *("tesquil-settled.csv", "tesquil-after.csv"),
)

#: What is written, by the command that writes it; the crowns of the quenlo come by relief and
#: rocking, so that its heights share causes of uncertainty.
COMMANDS = {
    "tesquil": ("measure", "tesquil-before.csv", "--spec", "tesquil.spec.toml", "-o"),
    "quenlo": ("measure", "quenlo-readings.csv", "--spec", "quenlo.spec.toml", "-o"),
    "scanned": ("measure", "scan.npy", "--spec", "tesquil.spec.toml", "-o"),
    "converted": ("neck", "unstrung.csv", "--spec", "tesquil.spec.toml", "--convert"),
    "tesquil-settled": ("measure", "tesquil-settled.csv", "--spec", "tesquil.spec.toml", "-o"),
    "tesquil.plan": ("plan", "tesquil", "-o"),
    "tesquil-misfit.plan": ("plan", "tesquil", "--attack", "0.9", "-o"),
    "tesquil-settled.plan": ("plan", "tesquil-settled", "--settled", "-o"),
    "tesquil.proof": ("prove", "tesquil-settled.plan", "tesquil-after.csv", "-o"),
    "tesquil-unworked.proof": ("prove", "tesquil-settled.plan", "tesquil-settled.csv", "-o"),
}


def scanned_points(specification: str) -> np.ndarray:
    """Return the points of a scan of a strung neck, nut and saddle and all."""
    sys.path.insert(0, str(HERE.parent))
    from oracles.bodies import Parts, make_assembly, strung_from_above
    from oracles.surfaces import Recipe

    recipe = Recipe(seed=3, step_x=0.1, step_y=0.5, shadow_share=1.8)
    made = make_assembly(read_specification(specification)[0], recipe, Parts())
    return strung_from_above(made).astype(np.float32)


def written(folder: Path) -> dict[str, str]:
    """Run the commands in a folder and return the text of each file by its name."""
    for name in TESQUIL:
        text = (resources.files("evenfall") / "invented" / name).read_text(encoding="utf-8")
        (folder / name).write_text(text, encoding="utf-8")
        (folder / "unstrung.csv").write_text(text.replace(",strung", ",unstrung"), encoding="utf-8")
    for example in EXAMPLES.glob("quenlo*"):
        (folder / example.name).write_bytes(example.read_bytes())
    np.save(folder / "scan.npy", scanned_points((folder / TESQUIL[0]).read_text(encoding="utf-8")))
    texts: dict[str, str] = {}
    for name, command in COMMANDS.items():
        result = CliRunner().invoke(main, [*command, f"{name}"])
        if result.exit_code not in (0, 1):
            raise SystemExit(result.output)
        text = (folder / name).read_text(encoding="utf-8")
        kind, version = json.loads(text)["schema"].removeprefix("evenfall/").split("@")
        stem = name.removesuffix(f".{kind}")
        texts[f"{stem}.{kind}@{version}.json"] = text
    return texts


def write() -> None:
    """Write the files that are not there; leave the others alone."""
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        texts = written(Path(folder))
        os.chdir(HERE)
    for name, text in texts.items():
        if not (path := HERE / "files" / name).exists():
            path.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    write()
    runpy.run_path(str(HERE.parent / "pages" / "golden.py"), run_name="__main__")
