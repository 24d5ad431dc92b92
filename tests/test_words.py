"""One thing, one name: what things were called before is gone from code, files and pages."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]

#: What is no longer said, and what is said instead.
RETIRED = {
    r"headrooms?": "touch force, buzz force or margin",
    r"unit(?: |[_-])weights?": "mass per length",
    r"perpendicular(?: |_)frets?": "square fret",
    r"minimum(?: |_)height|min_crown_height\w*": "least crown height",
    r"lowest left|least left|least crown left": "lowest crown",
    r"objective_mm": "metal_mm",
    r"doubts?|doubtful(ly)?|doubted": "measurement uncertainty",
    r"ways? of working|--way": "method",
    r"part(?: |[-_])refret": "partial-refret",
    r"easings?|eased|eases?(?! of)": "relaxing a limit",
    r"levers?": "limit",
    r"(has|have) to give": "relaxing a limit",
    r"gauge_u\w*|--gauge-u|unit of a gauge": "scan uncertainty",
    r"first(?: |[-_])fret (clearance|limits?)": "first-fret gap",
    r"(gaps?|clearance) over fret 1": "first-fret gap",
    r"first_fret(_before|_after)?_mm": "first_fret_gap_mm",
    r"slack(en|ened)?": "unstrung",
    r"--turned|--turn|--slack": "--before-turning, --relief-per-turn, --unstrung",
    r"--carry": "--convert",
    r"carried (to|over to) (\w+ )*tension|carries to tension": "converted to playing tension",
    r"(tops|crowns|gaps|heights) (\w+ )?(are|were|was|is) filled( in)?": "interpolated",
    r"too (bold|careful)": "optimistic, conservative",
    r"mend(s|ed|ing)?|anew": "correct, again",
    r"promises?|promised|promising": "requirement",
    r"saddle_moves?\w*|nut_moves?\w*": "saddle_height_change_mm, saddle_setback_change_mm",
    r"envelopes?\w*": "excursion table",
    r"attack to bear|asked attack": "design attack",
    r"bears? (only|no more|less|more)": "stays clear up to",
    r"intake": "sheets, scans, readings",
    r"break(?: |_)angle": "(listed and never used)",
    r"make no sense|makes no sense": "is damaged, must be …",
}

#: Where a retired word means something else, or is quoted as retired.
EXCEPT = (
    r"CHANGELOG\.md|tests/test_words\.py|tests/scans/formats/corpus/.*|docs/decisions/.*|tests/records/files/.*|uv\.lock",
    r"half-way|either way",
)

PLACES = ("src", "docs", "benchmarks", "tests", "README.md", "dev.py")
#: Between two words of one phrase: spaces, or the end of a line with a comment's sign after it.
_BETWEEN = r"(?:[ \t]+|[ \t]*\n[ \t]*(?:\#:?[ \t]*)?)"
_RETIRED = re.compile(rf"(?<![\w-])(?:{'|'.join(RETIRED)})(?![\w-])".replace(" ", _BETWEEN))
#: Names in the code that were retired, in the very letters.
_NAMES = re.compile(r"\b(?:WAYS|WayResult)\b")


def retired_words(text: str) -> Iterator[tuple[int, str]]:
    """Yield line number and word for each retired word in a text, whatever its case.

    Small letters are searched thrice as fast as letters of either case.
    """
    for pattern, searched in ((_RETIRED, text.lower()), (_NAMES, text)):
        for found in pattern.finditer(searched):
            yield searched.count("\n", 0, found.start()) + 1, " ".join(found.group(0).split())


def pages() -> list[Path]:
    listed = subprocess.run(
        ["git", "ls-files", "--", *PLACES], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split()
    return [
        ROOT / name
        for name in listed
        if not re.fullmatch(EXCEPT[0], name)
        and name.endswith((".py", ".md", ".toml", ".csv", ".json", ".typ", ".svg"))
    ]


def test_no_retired_word_is_left() -> None:
    assert len(pages()) > 200
    left = [
        f"{path.relative_to(ROOT)}:{number}: {word}"
        for path in pages()
        if path.is_file()
        for number, word in retired_words(path.read_text(encoding="utf-8", errors="replace"))
    ]
    assert not left, "\n".join(left)


@pytest.mark.parametrize(
    "line",
    [
        "least headroom 0.22 N",
        'the "unit_weight" of a string',
        "Easing the action alone: eased",
        "the readings' doubt",
        "mend that line and plan anew",
        "evenfall plan --way spot",
        "made: WayResult",
        "saddle_move_mm = 0.1",
        "HEADROOM OF STRING 3",
        "the design of the first-fret\n        clearance",
        "# attack\n    # to bear",
    ],
)
def test_the_rule_sees_a_retired_word(line: str) -> None:
    assert list(retired_words(line))
    assert not list(retired_words("It lies half-way; either way it is easier. Recommended."))
