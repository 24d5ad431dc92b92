"""The tutorial and the how-to: every command is run, and what the pages quote must come true."""

from __future__ import annotations

import contextlib
import importlib
import importlib.util
import re
import shutil
import sys
from pathlib import Path
from types import ModuleType

import pytest

from evenfall.instrument.specification_keys import TABLES

ROOT = Path(__file__).resolve().parent.parent
DOCS = ROOT / "docs"


def load(path: Path, name: str) -> ModuleType:
    """Return a module that lies beside the pages."""
    specification = importlib.util.spec_from_file_location(name, path)
    assert specification is not None
    assert specification.loader is not None
    module = importlib.util.module_from_spec(specification)
    sys.modules[name] = module  # dataclasses look their module up
    specification.loader.exec_module(module)
    return module


docs = load(DOCS / "rehearse.py", "rehearse")
GAP = docs.GAP


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Stand in a folder with the examples."""
    shutil.copytree(DOCS / "examples", tmp_path / "bench")
    monkeypatch.chdir(tmp_path / "bench")
    return tmp_path


@pytest.mark.slow
@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize(
    "name",
    [
        pytest.param(n, marks=[] if n == "tutorial-ukulele.md" else pytest.mark.slow)
        for n in docs.PAGES
    ],
)
def test_every_block_of_the_page_comes_true(name: str) -> None:
    assert sum(block.kind == "console" for block in docs.blocks(DOCS / name)) > 5
    docs.Rehearsal().page(DOCS / name)


EXAMPLES = sorted((DOCS / "examples").glob("*.spec.toml"))


def test_there_is_an_example_of_each_kind() -> None:
    assert {path.name.partition(".")[0] for path in EXAMPLES} == {
        "gorbune",
        "dolqua",
        "tesquil-heavier",
        "quenlo",
    }


@pytest.mark.slow
@pytest.mark.usefixtures("bench")
@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_the_examples_are_complete_and_marked_invented(path: Path) -> None:
    bench = docs.Rehearsal()
    output = bench.command(f"evenfall spec check {path.name}")
    assert bench.status == 0
    assert "The specification is complete and consistent." in output
    assert "Invented" in path.read_text(encoding="utf-8").splitlines()[0]


@pytest.mark.parametrize(
    ("quoted", "real", "true"),
    [
        (["a", "b"], "a\nb\n", True),
        (["a", "", "b"], "a\n   \nb\n", True),
        (["a"], "a\nb\n", False),
        (["b"], "a\nb\n", False),
        (["a", "c"], "a\nb\nc\n", False),
        (["a", GAP], "a\nb\n", True),
        ([GAP, "b"], "a\nb\n", True),
        (["a", GAP, "c"], "a\nb\nc\n", True),
        ([GAP, "c", GAP, "a", GAP], "a\nb\nc\n", False),
        ([f"x {GAP} z"], "x y z\n", True),
        ([f"x {GAP} z"], "x y\n", False),
        (["1.5 mm"], "1.6 mm\n", False),
        ([], "", True),
        ([], "a\n", False),
    ],
)
def test_the_comparison_sees_what_is_not_so(quoted: list[str], real: str, true: bool) -> None:
    assert (docs.first_untrue(quoted, real) == "") is true


@pytest.mark.parametrize(
    "text",
    [
        "```console\n$ evenfall spec check quenlo.spec.toml\nThe moon.\n[...]\n```\n",
        "```console\n$ evenfall spec check no-such.toml\n[...]\n```\n",
        "```console\n$ sing aloud\n```\n",
        "```toml quenlo.spec.toml\nfrets = 99\n```\n",
        "```python\nprint(1 + 1)\n```\n\n```text printed\n3\n```\n",
        "```text\nno check\n```\n",
    ],
    ids=["output", "status", "program", "file", "printed", "unchecked"],
)
def test_a_page_that_is_not_so_fails(text: str, bench: Path) -> None:
    page = bench / "page.md"
    page.write_text(text, encoding="utf-8")
    with pytest.raises(docs.PageError):
        docs.Rehearsal().page(page)


TABLE = "Cut\n fret  mm\n ─────────\n 1     0.1\n 2     0.2\nDone in 3 s, or so\n"


@pytest.mark.parametrize(
    ("quoted", "renewed"),
    [
        (["Cut", GAP], ["Cut", GAP]),
        (["Cut", " fret  mm", " ─────────", " 1     0.5", GAP], None),
        ([GAP, " 1     0.9", GAP, f"Done in 8 s,{GAP}"], None),
        (TABLE.replace("0.1", "0.7").splitlines(), TABLE.splitlines()),
    ],
)
def test_quotes_take_the_numbers_of_the_present_output(
    quoted: list[str], renewed: list[str] | None
) -> None:
    found = docs.requoted(quoted, TABLE)
    assert docs.first_untrue(found, TABLE) == ""
    assert len(found) == len(quoted)
    assert renewed is None or found == renewed
    assert docs.first_untrue(quoted, TABLE) == "" or found != quoted


# ---- names and links ---------------------------------------------------------------------------


def missing_names(text: str) -> list[str]:
    """Return the dotted names in a text that the package does not have."""
    missing = []
    for name in re.findall(r"`([a-z_]+(?:\.[A-Za-z_]+)+)`", text):
        parts = name.split(".")
        found: object = importlib.import_module("evenfall")
        for at, part in enumerate(parts):
            module = ".".join(["evenfall", *parts[: at + 1]])
            with contextlib.suppress(ImportError):
                if isinstance(found, ModuleType):
                    importlib.import_module(module)
            # the package keeps a use case under the name of a stage that has the same
            found = sys.modules.get(module) or getattr(found, part, None)
        if found is None:
            missing.append(name)
    return missing


def test_the_job_in_the_architecture_names_what_exists() -> None:
    page = (DOCS / "architecture.md").read_text(encoding="utf-8")
    section = page.partition("## One job, function by function")[2].partition("\n## ")[0]
    assert len(re.findall(r"`[a-z_]+\.", section)) > 30
    assert missing_names(section) == []


def test_a_name_that_does_not_exist_is_seen() -> None:
    text = "`plan.Plan.as_dict` `plan.Plan.sing` `levelling.make_plan` `levelling.no_such`"
    assert missing_names(text) == ["plan.Plan.sing", "levelling.no_such"]


def specification_keys(page: str) -> dict[str, set[str]]:
    """Return the keys that the page of the specification lists, by table."""
    found: dict[str, set[str]] = {}
    table = ""
    for first, second in re.findall(r"^\| ([^|]*) ?\| (`[^|]*) \|", page, flags=re.MULTILINE):
        if named := re.search(r"`\[+(\w+)\]+`", first):
            table = named[1]
        found.setdefault(table, set()).update(re.findall(r"`(\w+)`", second))
    return found


def test_the_page_of_the_specification_lists_every_key_and_no_other() -> None:
    page = (DOCS / "reference" / "specification.md").read_text(encoding="utf-8")
    known = {name: {key.name for key in table.keys} for name, table in TABLES.items()}
    assert specification_keys(page) == {"": {"schema"}, **known}


def headings(page: Path) -> set[str]:
    """Return the anchors of a page: headings in lower case, spaces as hyphens, marks left out."""
    titles = re.findall(r"^#+ (.*)$", page.read_text(encoding="utf-8"), flags=re.MULTILINE)
    return {re.sub(r"[^\w -]", "", title).strip().lower().replace(" ", "-") for title in titles}


def test_every_page_is_reached_from_the_first_one() -> None:
    found, new = set[Path](), {ROOT / "README.md"}
    while new:
        found |= new
        linked = {
            (page.parent / target.partition("#")[0]).resolve()
            for page in new
            for target in re.findall(
                r"\]\(([^)\s]+\.md[^)\s]*)\)", page.read_text(encoding="utf-8")
            )
            if "://" not in target
        }
        new = linked - found
    assert {page.resolve() for page in DOCS.rglob("*.md")} - found == set()


def test_links_into_pages_meet_a_heading() -> None:
    dead = []
    for page in [ROOT / "README.md", *DOCS.rglob("*.md")]:
        for target in re.findall(r"\]\(([^)\s]*#[^)\s]+)\)", page.read_text(encoding="utf-8")):
            link, _, anchor = target.partition("#")
            aim = (page.parent / link).resolve() if link else page
            if "://" not in link and anchor not in headings(aim):
                dead.append(f"{page.relative_to(ROOT)}: {target}")
    assert dead == []


# ---- drawings of the documentation -------------------------------------------------------------

DRAWINGS = load(DOCS / "img" / "generate.py", "docs_drawings").DRAWINGS


@pytest.mark.quick(2)
@pytest.mark.parametrize("name", DRAWINGS)
def test_the_drawings_show_what_the_program_draws_now(name: str) -> None:
    """Same marks, same words, and nothing further off than a tenth of a unit of the drawing."""
    kept = (DOCS / "img" / name).read_text(encoding="utf-8")
    drawn = DRAWINGS[name]()
    stale = f"{name} is stale; run: python docs/img/generate.py"
    words = r">([^<]+)<"
    assert re.findall(words, kept) == re.findall(words, drawn), stale
    number = r"-?\d+(?:\.\d+)?"
    assert re.sub(number, "0", kept) == re.sub(number, "0", drawn), stale
    for old, new in zip(re.findall(number, kept), re.findall(number, drawn), strict=True):
        assert abs(float(old) - float(new)) <= 0.1, stale


def test_every_drawing_of_the_documentation_is_drawn_by_the_program() -> None:
    assert {path.name for path in (DOCS / "img").glob("*.svg")} == set(DRAWINGS)
