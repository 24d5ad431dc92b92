"""The rules of the house, each checked over the whole repository.

A rule is a function from text to complaints. Every rule is shown to work twice: the repository
gives no complaint, and a bad sample gives one.
"""

from __future__ import annotations

import ast
import itertools
import os
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from pathlib import Path

import click
import pytest

from evenfall.errors import ERROR_CODES, FINDING_CODES
from source_trees import outward, parsed

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "src" / "evenfall"
REFERENCE = ROOT / "docs" / "reference"
SETTINGS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))

MODULES = sorted(PACKAGE.rglob("*.py"))
PYTHON_FILES = MODULES + sorted((ROOT / "tests").rglob("*.py"))


def words(text: str) -> frozenset[str]:
    """Return the words of a text."""
    return frozenset(text.split())


def tracked_files() -> list[Path]:
    """Return every file that git keeps."""
    listed = subprocess.run(
        # The checkout may belong to another user than the one who runs the tests.
        ["git", "-c", "safe.directory=*", "ls-files", "-z"],
        cwd=ROOT,
        capture_output=True,
        check=True,
        text=True,
    ).stdout
    return [ROOT / name for name in listed.split("\0") if name and (ROOT / name).is_file()]


def called(node: ast.Call) -> str:
    """Return what a call names, as it is written."""
    return node.func.id if isinstance(node.func, ast.Name) else ast.unparse(node.func)


@cache
def text_of(path: Path) -> str:
    """Return the text of a file, or nothing if it is not text."""
    content = path.read_bytes()
    return "" if b"\0" in content else content.decode("utf-8", errors="replace")


def no_complaints(check: Callable[[str], Iterable[str]], paths: Iterable[Path]) -> None:
    """Fail with every complaint that `check` has about the text of `paths`."""
    complaints = [
        f"{path.relative_to(ROOT)}: {complaint}"
        for path in paths
        for complaint in check(text_of(path))
    ]
    assert not complaints, "\n".join(complaints)


# ---- public functions: the docstring lists what the signature takes ----------------------------

Definition = ast.FunctionDef | ast.AsyncFunctionDef


def public_definitions(source: str) -> Iterator[tuple[str, Definition | ast.ClassDef, bool]]:
    """Yield every public function, class and method: name, definition, whether a method."""
    for node in parsed(source).body:
        if isinstance(node, Definition | ast.ClassDef) and not node.name.startswith("_"):
            yield node.name, node, False
            if isinstance(node, ast.ClassDef):
                for item in node.body:
                    if isinstance(item, Definition) and not item.name.startswith("_"):
                        yield f"{node.name}.{item.name}", item, True


def parameters(definition: Definition, *, method: bool) -> list[ast.arg]:
    """Return the parameters of a function, without `self` or `cls`."""
    arguments = definition.args
    positional = arguments.posonlyargs + arguments.args
    bound = method and "staticmethod" not in map(ast.unparse, definition.decorator_list)
    extra = [argument for argument in (arguments.vararg, arguments.kwarg) if argument]
    return positional[1 if bound else 0 :] + arguments.kwonlyargs + extra


def fields(definition: ast.ClassDef) -> list[ast.AnnAssign]:
    """Return the public fields of a dataclass; nothing for another class."""
    if not any("dataclass" in ast.unparse(mark) for mark in definition.decorator_list):
        return []
    return [
        item
        for item in definition.body
        if isinstance(item, ast.AnnAssign)
        and isinstance(item.target, ast.Name)
        and not item.target.id.startswith("_")
        and not ast.unparse(item.annotation).startswith("ClassVar")
    ]


def documented_names(docstring: str, *sections: str) -> list[str] | None:
    """Return the names that a numpydoc section lists; None without such a section."""
    lines = docstring.splitlines()
    for number, line in enumerate(lines[1:], start=1):
        if line and not line.strip("-") and lines[number - 1] in sections:
            break
    else:
        return None
    names: list[str] = []
    for line, after in zip(lines[number + 1 :], [*lines[number + 2 :], ""], strict=True):
        if after and not after.strip("-") and not line.startswith(" "):
            break  # the heading of the next section
        if line and not line.startswith(" "):
            names += [name.strip(" *") for name in line.split(" :")[0].split(",")]
    return names


def is_command(definition: Definition) -> bool:
    """Say whether a function is a command-line command, whose docstring is its help text."""
    marks = " ".join(map(ast.unparse, definition.decorator_list))
    return re.search(r"\b(command|group|option|argument|callback)\(", marks) is not None


def faces() -> set[str]:
    """Return the names that the packages hand on: what a program outside calls."""
    handed_on: set[str] = set()
    for path in PACKAGE.rglob("__init__.py"):
        for node in parsed(text_of(path)).body:
            if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
                handed_on |= set(ast.literal_eval(node.value))
    return handed_on


def docstring_faults(source: str, *, face: set[str] | None = None) -> Iterator[str]:
    """Say where a docstring and its signature list different parameters.

    Names in `face` (all, if left out) must list them; elsewhere one sentence is enough.
    """
    for name, definition, method in public_definitions(source):
        docstring = ast.get_docstring(definition) or ""
        if isinstance(definition, ast.ClassDef):
            taken = [ast.unparse(item.target) for item in fields(definition)]
            listed = documented_names(docstring, "Parameters", "Attributes")
            if not taken or listed is None:
                continue
        else:
            if is_command(definition):
                continue
            taken = [argument.arg for argument in parameters(definition, method=method)]
            listed = documented_names(docstring, "Parameters")
            must = face is None or name in face
            if listed is None and (method or not taken or not must):
                continue
        if listed != taken:
            yield f"{name} takes {taken} but documents {listed}"


def test_docstrings_list_the_parameters_of_the_signature() -> None:
    handed_on = faces()
    assert "read_specification" in handed_on
    no_complaints(lambda source: docstring_faults(source, face=handed_on), MODULES)


GOOD_FUNCTION = '''
def sag_mm(length_mm: float, *, load_n: float) -> float:
    """Return the sag.

    Parameters
    ----------
    length_mm, load_n
        Length [mm] and load [N].

    Returns
    -------
    float
        Sag [mm].
    """
'''


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("length_mm, load_n\n", "length_mm\n"),
        ("length_mm, load_n\n", "length_mm, load_n, width_mm\n"),
        ("length_mm, load_n\n", "load_n, length_mm\n"),
        ("Parameters\n    ----------\n", "\n"),
        ("length_mm: float, *, ", "length_mm: float, *more: float, "),
    ],
    ids=["one too few", "one too many", "other order", "no section", "star argument"],
)
def test_the_docstring_rule_sees_a_bad_docstring(old: str, new: str) -> None:
    assert not list(docstring_faults(GOOD_FUNCTION))
    assert old in GOOD_FUNCTION
    assert list(docstring_faults(GOOD_FUNCTION.replace(old, new)))


def test_the_docstring_rule_sees_methods_and_dataclasses() -> None:
    section = '"""Text.\n\n    Parameters\n    ----------\n    wrong\n        Text.\n    """'
    dataclass = f"@dataclass(frozen=True)\nclass Board:\n    {section}\n\n    right: int\n"
    method = f"class Board:\n  def cut(self, right):\n    {section}\n"
    assert list(docstring_faults(dataclass)) == ["Board takes ['right'] but documents ['wrong']"]
    assert list(docstring_faults(method)) == ["Board.cut takes ['right'] but documents ['wrong']"]


# ---- numbers carry their unit in the name ------------------------------------------------------

UNITS = words(
    """
    mm um m n hz kg g s ms rad deg cents cent pa mpa gpa minutes percent pt px w j k c rh in lb
    celsius
    """
)
_UNIT = rf"(?:{'|'.join(sorted(UNITS))})[2-4]?"
ENDS_IN_UNIT = re.compile(rf"(?:^|_){_UNIT}(?:_{_UNIT})*(?:_per_{_UNIT}(?:_{_UNIT})*)*$")

#: Last words that say a number has no unit.
PURE_NUMBERS = words(
    """
    ratio fraction share factor probability confidence coverage inharmonicity exaggeration weight
    weights life_used attack_tolerance false_acceptance false_refusal chance slope correlation
    degrees_of_freedom count index
    number fret frets string strings order objective level
    chances counts sizes uses
    bound cost dual parameters coefficients normal axes up
    """  # the last line: columns of a program or a fit, each with a unit of its own; unit vectors
)
#: Names of numbers whose unit is not fixed: conversions, and plain arithmetic on any quantity.
ANY_UNIT = words(
    """
    value values low high limit lower upper scale step amount
    standard_uncertainty expanded_uncertainty guard_band refusal_band sensitivity
    """
)

#: What statistics calls figures of any quantity; in `production` a series carries their unit.
STATISTICS = ANY_UNIT | words("centre sigma spread reading readings references sum")


def names_a_number(annotation: ast.expr | None) -> bool:
    """Say whether an annotation stands for one or many floating-point numbers."""
    text = ast.unparse(annotation) if annotation is not None else ""
    if "Callable" in text:
        return False
    return re.search(r"\bfloat(ing|32|64)?\b|\bFloatArray\b", text) is not None


def has_unit(name: str) -> bool:
    """Say whether a name ends in a unit or in a word for a number without one."""
    words = name.split("_")
    endings = {"_".join(words[start:]) for start in range(len(words))}
    return ENDS_IN_UNIT.search(name) is not None or not endings.isdisjoint(PURE_NUMBERS)


def unit_faults(source: str, *, any_quantity: bool = False) -> Iterator[str]:
    """Say which public parameters and fields are numbers without a unit in their name.

    With `any_quantity`, the words of statistics need none.
    """
    for name, definition, method in public_definitions(source):
        if isinstance(definition, ast.ClassDef):
            numbers = [(ast.unparse(item.target), item.annotation) for item in fields(definition)]
        else:
            taken = parameters(definition, method=method)
            numbers = [(argument.arg, argument.annotation) for argument in taken]
        all_names = {number for number, _ in numbers}
        for number, annotation in numbers:
            free = number in ANY_UNIT and not all_names.isdisjoint({"unit", "quantity", "control"})
            free |= any_quantity and number in STATISTICS
            if names_a_number(annotation) and not has_unit(number) and not free:
                yield f"{name}: the number {number!r} has no unit in its name"


def test_numbers_carry_their_unit_in_the_name() -> None:
    # a chart draws any quantity; its axes carry the units
    production = [path for path in MODULES if "production" in path.parts]
    others = [path for path in MODULES if path not in production and path.name != "chart.py"]
    no_complaints(unit_faults, others)
    no_complaints(lambda source: unit_faults(source, any_quantity=True), production)
    assert list(unit_faults("def f(length: float, centre: float): ...", any_quantity=True)) == [
        "f: the number 'length' has no unit in its name"
    ]


@pytest.mark.parametrize(
    ("parameter", "good"),
    [
        ("length_mm: float", True),
        ("excursion_mm_per_n: FloatArray", True),
        ("density_kg_per_m3: float | None = None", True),
        ("mass_kg_per_m: float", True),
        ("probability: float", True),
        ("value: float, unit: str", True),
        ("name: str", True),
        ("length: float", False),
        ("length_furlongs: float", False),
        ("heights: NDArray[np.float64]", False),
        ("heights: Sequence[float]", False),
        ("*, load: float | None = None", False),
        ("value: float", False),
    ],
)
def test_the_unit_rule_tells_good_names_from_bad(parameter: str, good: bool) -> None:
    assert bool(list(unit_faults(f"def place({parameter}): ..."))) is not good
    field = parameter.removeprefix("*, ").replace(", ", "\n    ")
    assert bool(list(unit_faults(f"@dataclass\nclass Place:\n    {field}"))) is not good


# ---- the working modules touch nothing outside -------------------------------------------------

#: Modules that may touch files, the clock, the network or a database; every other one is pure.
DOORS_AND_STORES = words(
    """
    __init__.py __main__.py files scans readings
    records workshop cli web client
    """
)
OUTSIDE = words(
    """
    os pathlib shutil tempfile subprocess socket urllib http requests sqlite3 sqlalchemy
    time random secrets logging
    """
)
OUTSIDE_CALLS = re.compile(
    r"open|io\.open|print|input"
    r"|(datetime\.)?(datetime|date)\.(now|today|utcnow)"
    r"|(np|numpy)\.random\..*"
    r"|(np|numpy)\.(load|save|savez|savez_compressed|loadtxt|savetxt|genfromtxt|fromfile|memmap)"
    r"|.*\.(tofile|read_text|read_bytes|write_text|write_bytes)"
)


def outside_faults(source: str) -> Iterator[str]:
    """Say where a module reaches for files, clock, network, database or randomness."""
    for node in outward(source):
        imported: list[str] = []
        if isinstance(node, ast.Import):
            imported = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            imported = [node.module or ""]
            if imported in (["numpy"], ["numpy.random"]):
                imported += [alias.name for alias in node.names]
        elif isinstance(node, ast.Call) and OUTSIDE_CALLS.fullmatch(called(node)):
            yield f"line {node.lineno} calls {called(node)}"
        for name in imported:
            if name.split(".")[0] in OUTSIDE or name == "numpy.random":
                yield f"line {node.lineno} imports {name}"


def pure_modules() -> list[Path]:
    """Return the modules that take values and return values, and do nothing else."""
    return [
        path
        for path in MODULES
        if path.relative_to(PACKAGE).parts[0].removesuffix(".py") not in DOORS_AND_STORES
        and path != PACKAGE / "__init__.py"
        and path != PACKAGE / "__main__.py"
    ]


def test_working_modules_touch_no_file_clock_network_or_chance() -> None:
    assert PACKAGE / "units.py" in pure_modules()
    no_complaints(outside_faults, pure_modules())


@pytest.mark.parametrize(
    "line",
    [
        "import os",
        "import os.path as path",
        "from pathlib import Path",
        "def late():\n    from time import time",
        "from numpy import random",
        "print(1)",
        "open('x')",
        "np.random.default_rng(1)",
        "datetime.now()",
        "np.load('x')",
        "place.read_text()",
    ],
)
def test_the_purity_rule_sees(line: str) -> None:
    assert list(outside_faults(line))
    assert not list(outside_faults("import math\nfrom osteology import time_of\nnp.abs(1)"))


# ---- names and sizes of files ------------------------------------------------------------------

EMPTY_NAMES = words(
    """
    utils util helpers helper common manager managers core base service handler processor misc
    """
)
MOST_LINES = 800


def name_faults(path: Path) -> Iterator[str]:
    """Say which part of a path tells the reader nothing."""
    for part in path.parts:
        if EMPTY_NAMES & set(part.removesuffix(".py").strip("_").split("_")):
            yield f"{path}: {part!r} does not say what is inside"


def size_faults(source: str) -> Iterator[str]:
    """Say whether a file is too long to be read in one go."""
    if (lines := len(source.splitlines())) > MOST_LINES:
        yield f"{lines} lines; split it along a one-way order"


def test_file_names_say_what_is_inside() -> None:
    names = [path.relative_to(ROOT) for path in PYTHON_FILES]
    assert [fault for name in names for fault in name_faults(name)] == []


def test_files_are_short_enough_to_read() -> None:
    no_complaints(size_faults, PYTHON_FILES)


def folders_without_init(modules: Iterable[Path]) -> list[str]:
    """Return the package folders that the import rules cannot see into."""
    folders = {module.parent for module in modules}
    return sorted(folder.name for folder in folders if not (folder / "__init__.py").is_file())


def test_every_folder_of_the_package_is_seen_by_the_import_rules() -> None:
    assert folders_without_init(MODULES) == []


def test_the_file_rules_see_a_bad_file(tmp_path: Path) -> None:
    assert folders_without_init([tmp_path / "plan.py"]) == [tmp_path.name]
    assert list(name_faults(Path("src/evenfall/utils.py")))
    assert list(name_faults(Path("src/evenfall/plan_helpers/fit.py")))
    assert not list(name_faults(Path("src", "evenfall", "work", "bench_sheet.py")))
    assert list(size_faults("\n" * (MOST_LINES + 1)))
    assert not list(size_faults("\n" * MOST_LINES))


# ---- everything is documented ------------------------------------------------------------------


def command_options() -> dict[str, list[str]]:
    """Return every command of the program with the names of its options."""
    if not (PACKAGE / "cli.py").is_file() and not (PACKAGE / "cli").is_dir():
        return {}
    from evenfall.cli import main

    def walk(path: str, command: click.Command) -> Iterator[tuple[str, list[str]]]:
        yield path, [name for option in command.params for name in option.opts]
        if isinstance(command, click.Group):
            context = click.Context(command)
            for name in command.list_commands(context):
                child = command.get_command(context, name)
                assert child is not None
                if not child.hidden:
                    yield from walk(f"{path} {name}", child)

    return dict(walk("evenfall", main))


def documented_commands(page: str) -> dict[str, str]:
    """Return every command that a page has a heading for, with the text below it."""
    parts = re.split(r"^#+ `?(evenfall[ a-z-]*?)`?$", page, flags=re.MULTILINE)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def command_faults(options: dict[str, list[str]], page: str) -> Iterator[str]:
    """Say which commands, options and arguments the page lacks, invents or does not explain."""
    sections = documented_commands(page)
    for command in sorted(sections.keys() ^ options.keys()):
        yield f"{command} is " + ("not in the program" if command in sections else "undocumented")
    for command in sections.keys() & options.keys():
        for name in options[command]:
            shown = name if name.startswith("-") else name.upper()
            if not re.search(rf"(?<![\w-]){re.escape(shown)}(?![\w-])", sections[command]):
                yield f"{command} {shown} is undocumented"
        for bare in re.findall(r"^- `([^`]+)`$", sections[command], flags=re.MULTILINE):
            yield f"{command} {bare} is listed without a word about it"


def test_every_command_and_option_is_documented() -> None:
    page = REFERENCE / "cli.md"
    text = page.read_text(encoding="utf-8") if page.is_file() else ""
    assert list(command_faults(command_options(), text)) == []


def test_the_command_rule_sees_gaps() -> None:
    options = {"evenfall": [], "evenfall plan": ["--method", "measurement"]}
    page = "# evenfall\n\n## evenfall plan\n\n- `[MEASUREMENT]...`: x\n- `--method TEXT`: y\n"
    assert not list(command_faults(options, page))
    assert list(command_faults({**options, "evenfall prove": []}, page))
    assert list(command_faults(options, page + "## evenfall dance\n"))
    assert list(command_faults(options, page.replace("--method", "--ways")))
    assert list(command_faults(options, page.replace("MEASUREMENT", "")))
    assert list(command_faults(options, page.replace(": x", "")))


def documented_codes(page: str) -> set[str]:
    """Return every code that has a row in a table of the page."""
    return set(re.findall(r"^\| `([^`]+)` \|", page, flags=re.MULTILINE))


def test_every_error_and_finding_code_is_documented() -> None:
    page = (REFERENCE / "errors.md").read_text(encoding="utf-8")
    assert documented_codes(page) == ERROR_CODES.keys() | FINDING_CODES.keys()


def test_the_code_rule_reads_rows_of_tables_only() -> None:
    assert documented_codes("| `row` | A row. |\n\nSee `other`.\n") == {"row"}


def unregistered_codes(source: str) -> Iterator[str]:
    """Say which literal codes of findings and errors are in no register."""
    for node in outward(source):
        if isinstance(node, ast.Call) and called(node).split(".")[-1] == "Finding":
            given = node.args[:1] + [k.value for k in node.keywords if k.arg == "code"]
            known = FINDING_CODES
        elif isinstance(node, ast.ClassDef) and node.name.endswith("Error"):
            given = [
                item.value
                for item in node.body
                if isinstance(item, ast.Assign) and ast.unparse(item.targets[0]) == "code"
            ]
            known = ERROR_CODES
        else:
            continue
        for value in given:
            if isinstance(value, ast.Constant) and value.value not in known:
                yield f"line {node.lineno}: the code {value.value!r} is not registered"


def test_every_code_used_is_registered() -> None:
    no_complaints(unregistered_codes, MODULES)


def test_the_register_rule_sees_an_unknown_code() -> None:
    assert list(unregistered_codes("Finding('no-such-code', 'x')"))
    assert list(unregistered_codes("errors.Finding(code='no-such-code', sentence='x')"))
    assert list(unregistered_codes("class OddError(Exception):\n    code = 'no-such-code'"))
    assert not list(unregistered_codes("Finding('row', 'x')"))


def link_faults(page: Path, text: str) -> Iterator[str]:
    """Say which relative links of a page lead nowhere."""
    for target in re.findall(r"\]\(([^)\s]+)\)|<img[^>]* src=\"([^\"]+)\"", text):
        link = "".join(target).split("#")[0]
        if link and "://" not in link and not (page.parent / link).exists():
            yield f"{page}: {link} is not there"


def test_links_between_pages_lead_somewhere() -> None:
    pages = [path for path in tracked_files() if path.suffix == ".md"]
    assert [fault for page in pages for fault in link_faults(page, text_of(page))] == []


def test_the_link_rule_sees_a_dead_link() -> None:
    assert list(link_faults(ROOT / "README.md", "[x](docs/no-such-page.md#part)"))
    assert list(link_faults(ROOT / "README.md", '<img alt="" src="docs/none.svg">'))
    assert not list(link_faults(ROOT / "README.md", "[x](LICENSE) [y](https://example.org/z)"))


# ---- what must not be written ------------------------------------------------------------------

#: With what one of the words is found fast. Split, so that this file does not break its own rule.
FORBIDDEN = {
    "a path of one machine": (
        ("root/", "home/", "work/", "farm/", "users"),
        r"(?<![\w.*])/" + r"(root|home/\w+|work|farm|Users/\w+)" + r"/|[A-Z]:\\Users\\\w",
    ),
    "a word about how this was written": (
        ("tran" + "script", "seed "),
        "tran" + r"script(?!i)|seed " + r"document",
    ),
    "a package registry's host": (
        ("py" + "pi.", "python" + "hosted", "npm" + "js", "crates.", "ana" + "conda"),
        r"\b(py" + r"pi\.org|python" + r"hosted\.org|npm" + r"js\.(org|com)|crates\." + r"io"
        r"|ana" + r"conda\.(org|com))\b",
    ),
}


def word_faults(text: str) -> Iterator[str]:
    """Say which lines hold something that does not belong in the repository."""
    small = text.lower()
    for what, (signs, pattern) in FORBIDDEN.items():
        if not any(sign in small for sign in signs):
            continue
        for number, line in enumerate(small.splitlines(), start=1):
            if any(sign in line for sign in signs) and (
                found := re.search(pattern, line, flags=re.IGNORECASE)
            ):
                yield f"line {number} holds {what}: {found.group()}"


def test_no_file_holds_what_does_not_belong_there() -> None:
    no_complaints(word_faults, [path for path in tracked_files() if path.name != "uv.lock"])


def test_the_lock_file_names_the_public_registry_only() -> None:
    hosts = set(re.findall(r"https?://([^/\"]+)", text_of(ROOT / "uv.lock")))
    assert hosts == {"py" + "pi.org", "files.python" + "hosted.org"}


@pytest.mark.parametrize(
    "line",
    [
        "see /" + "work/shared/x.md",
        "(/" + "root/.cache)",
        "/" + "home/anna/evenfall",
        "the Tran" + "script says",
        "from the seed " + "document",
        "index-url = https://py" + "pi.org/simple",
    ],
)
def test_the_word_rule_sees(line: str) -> None:
    assert list(word_faults(line))


def test_the_word_rule_leaves_ordinary_words_alone() -> None:
    assert not list(word_faults("evenfall/" + "work/sheet.py, home/bench, roots, work/plan.json"))


# ---- starting up is quick ----------------------------------------------------------------------

HEAVY = {"numpy", "scipy", "highspy", "typst", "openpyxl", "segno", "numba", "pyarrow", "trimesh"}
HEAVY |= {"statsmodels", "pandas"}
HEAVY |= {"sqlalchemy", "alembic", "cryptography", "psycopg", "sqlite3"}
STARTS = {
    "evenfall --help": "from evenfall.cli import main; main(['--help'], standalone_mode=False)",
    "import evenfall": "import evenfall",
}


def loaded_by(code: str) -> set[str]:
    """Return the names of the top-level modules loaded after running `code` in a new process."""
    report = "import sys; print('\\nLOADED', *{name.split('.')[0] for name in sys.modules})"
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\n{report}"], capture_output=True, text=True, check=True
    )
    return set(done.stdout.rpartition("LOADED")[2].split())


@pytest.mark.quick(1)
@pytest.mark.parametrize("start", STARTS)
def test_starting_up_loads_no_heavy_library(start: str) -> None:
    if start == "evenfall --help" and not command_options():
        return  # until there is a command line
    assert "evenfall" in loaded_by(STARTS[start])
    assert loaded_by(STARTS[start]) & HEAVY == set()


def test_the_start_up_rule_sees_a_heavy_library() -> None:
    assert loaded_by("import numpy") & HEAVY == {"numpy"}


# ---- the layers, and the page that draws them --------------------------------------------------


def layers_in_settings() -> list[list[str]]:
    """Return the layers that the import rule enforces, top first."""
    contract = SETTINGS["tool"]["importlinter"]["contracts"][0]
    return [[name.strip(" ()") for name in layer.split("|")] for layer in contract["layers"]]


def layers_in_page(page: str) -> list[list[str]]:
    """Return the layers as the architecture page draws them, top first."""
    drawing = re.search(r"^## Layers$.*?```text\n(.*?)```", page, flags=re.DOTALL | re.MULTILINE)
    assert drawing is not None
    return [
        [name.strip() for name in line.split("|")]
        for line in drawing.group(1).splitlines()
        if line.strip()
    ]


def test_the_architecture_page_draws_the_layers_that_are_enforced() -> None:
    page = (ROOT / "docs" / "architecture.md").read_text(encoding="utf-8")
    assert layers_in_page(page) == layers_in_settings()


@pytest.mark.slow
def test_the_layer_rule_sees_forbidden_imports(tmp_path: Path) -> None:
    package = tmp_path / "evenfall"
    package.mkdir()
    sources = dict.fromkeys(["__init__", "oddment", *itertools.chain(*layers_in_settings())], "")
    sources |= {"proof": "import evenfall.levelling", "strings": "import evenfall.plan"}
    for name, source in sources.items():
        (package / f"{name}.py").write_text(source, encoding="utf-8")
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    done = subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports_command as lint; lint()"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(tmp_path), "COLUMNS": "100"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1, done.stdout + done.stderr
    assert "Contracts: 0 kept, 2 broken." in done.stdout
    assert "evenfall.strings -> evenfall.plan" in done.stdout
    assert "evenfall.proof -> evenfall.levelling" in done.stdout
    assert "evenfall.oddment" in done.stdout


# ---- properties: how often each is tried is the profile's business ------------------------------


def budgets_of_their_own(source: str) -> Iterator[str]:
    """Yield every line that sets examples or a deadline for a property apart from `draws`."""
    for number, line in enumerate(source.splitlines(), start=1):
        if re.search(r"\bsettings\(.*(max_examples|deadline)", line):
            yield f"line {number}: {line.strip()}"


def test_each_property_is_tried_as_often_as_the_profile_says() -> None:
    tests = [path for path in PYTHON_FILES if path.name not in ("draws.py", Path(__file__).name)]
    no_complaints(budgets_of_their_own, tests)
    assert list(budgets_of_their_own("@settings(max_examples=5)\ndef f(): ...")) == [
        "line 1: @settings(max_examples=5)"
    ]
