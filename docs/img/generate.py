"""Write the drawings of the documentation that come from the program itself.

``python docs/img/generate.py`` writes them beside this file; a test says when they are out of date.
"""

from pathlib import Path

from evenfall.pictures import frame_drawing

HERE = Path(__file__).resolve().parent

DRAWINGS = {"frame.svg": frame_drawing}


def main() -> None:
    """Write every drawing."""
    for name, drawn in DRAWINGS.items():
        (HERE / name).write_text(drawn(), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
