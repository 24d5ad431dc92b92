"""Write the stored files of version 0 again, from the invented examples, and their pages.

Files of later versions are never written again; see README.md.
"""

from __future__ import annotations

import json
import os
import runpy
import tempfile
from importlib import resources
from pathlib import Path

from click.testing import CliRunner

from evenfall.cli import main

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
    "converted": ("neck", "unstrung.csv", "--spec", "tesquil.spec.toml", "--convert"),
    "tesquil-settled": ("measure", "tesquil-settled.csv", "--spec", "tesquil.spec.toml", "-o"),
    "tesquil.plan": ("plan", "tesquil", "-o"),
    "tesquil-misfit.plan": ("plan", "tesquil", "--attack", "0.9", "-o"),
    "tesquil-settled.plan": ("plan", "tesquil-settled", "--settled", "-o"),
    "tesquil.proof": ("prove", "tesquil-settled.plan", "tesquil-after.csv", "-o"),
    "tesquil-unworked.proof": ("prove", "tesquil-settled.plan", "tesquil-settled.csv", "-o"),
}


def written(folder: Path) -> dict[str, str]:
    """Run the commands in a folder and return the text of each file by its name."""
    for name in TESQUIL:
        text = (resources.files("evenfall") / "invented" / name).read_text(encoding="utf-8")
        (folder / name).write_text(text, encoding="utf-8")
        (folder / "unstrung.csv").write_text(text.replace(",strung", ",unstrung"), encoding="utf-8")
    for example in EXAMPLES.glob("quenlo*"):
        (folder / example.name).write_bytes(example.read_bytes())
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
    """Write the files of version 0; leave every other version alone."""
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        texts = written(Path(folder))
        os.chdir(HERE)
    for name, text in texts.items():
        if not name.endswith("@0.json"):
            raise SystemExit(f"{name} is frozen: only files of version 0 are written again")
        (HERE / "files" / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    write()
    runpy.run_path(str(HERE.parent / "pages" / "golden.py"), run_name="__main__")
