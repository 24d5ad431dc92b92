"""Write the drawings of the documentation that come from the program itself.

``python docs/img/generate.py`` writes them beside this file; a test says when they are out of date.
"""

from __future__ import annotations

import tempfile
from importlib import resources
from pathlib import Path

from evenfall import workshop
from evenfall.pictures import frame_drawing

HERE = Path(__file__).resolve().parent


def headroom_as_found() -> str:
    """Return the headroom map of the invented instrument before the work."""
    invented = resources.files("evenfall") / "invented"
    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for name in ("kestrel.spec.toml", "kestrel-before.csv"):
            path = Path(folder) / name
            path.write_text((invented / name).read_text(encoding="utf-8"), encoding="utf-8")
            paths.append(path)
        measurement, _ = workshop.measure(paths[1:], paths[0])
        specification, _ = workshop.check_specification(paths[0])
    diagnosis = workshop.diagnose(specification, measurement)
    return workshop.diagnosis_pictures(specification, diagnosis)["headroom"]


DRAWINGS = {"frame.svg": frame_drawing, "headroom-found.svg": headroom_as_found}


def main() -> None:
    """Write every drawing."""
    for name, drawn in DRAWINGS.items():
        (HERE / name).write_text(drawn(), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
