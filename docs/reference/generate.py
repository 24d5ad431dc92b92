"""Write the reference that comes from the program itself: commands, codes, JSON Schemas.

``python3 dev.py docs`` writes them; with ``--check`` nothing is written, and the exit status says
whether the pages match the program.
"""

from __future__ import annotations

import importlib.util
import inspect
import json
import math
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

import click

import evenfall as ef
from evenfall import workshop
from evenfall.codec import Content, FileContent
from evenfall.codec.forms import REFUSED, Form, forms
from evenfall.codec.schema import json_schema
from evenfall.errors import ERROR_CODES, FINDING_CODES
from evenfall.instrument.specification_keys import (
    LAST_FRET,
    LENGTHS,
    NEEDED,
    SCHEMA,
    TABLES,
    Key,
)
from evenfall.instrument.specification_template import left_out, specification_schema
from evenfall.measurement import Measurement
from evenfall.plan import Plan
from evenfall.proof import Proof
from evenfall.work.descriptions import KINDS as DESCRIPTIONS
from evenfall.work.descriptions import SEVERAL, description_schema, schema_of
from evenfall.workshop.motion_check import MotionCheck

HERE = Path(__file__).resolve().parent
_PROGRESS = "Told what is being done and how far it is, 0 to 1; it may stop the work."
FINDINGS = {"type": "array", "items": {"$ref": "#/$defs/finding"}}
#: Kinds of files, and the schemas of what a door prints beside the content of each.
KINDS: dict[type[FileContent], dict[str, object]] = {
    Measurement: {"findings": FINDINGS},
    Plan: {"findings": FINDINGS, "motion": {"$ref": "#/$defs/motioncheck"}},
    Proof: {"findings_of_readings": FINDINGS},
}
KEYS_BEGIN = "<!-- The table of keys: written by `python3 dev.py docs` from the program. -->"
KEYS_END = "<!-- End of the table of keys. -->"
ORIGIN = (
    "<!-- Written by `python3 dev.py docs` from the program; change the program, not this page. -->"
)


def commands(
    command: click.Command, path: tuple[str, ...]
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """Yield a command and everything under it, in the order that help shows them."""
    yield path, command
    if isinstance(command, click.Group):
        context = click.Context(command, info_name=path[-1])
        for name in command.list_commands(context):
            child = command.get_command(context, name)
            if child is not None and not child.hidden:
                yield from commands(child, (*path, name))


def command_section(path: tuple[str, ...], command: click.Command) -> str:
    """Return the section of one command: usage, what it does, arguments and options."""
    context = click.Context(command, info_name=" ".join(path))
    usage = " ".join([*path, *command.collect_usage_pieces(context)])
    parts = [f"## {' '.join(path)}", f"```text\n{usage}\n```"]
    if command.help:
        text = inspect.cleandoc(command.help.partition("\f")[0])
        # Click marks paragraphs that keep their line breaks with a backspace character.
        paragraphs = [
            f"```text\n{paragraph.removeprefix(chr(8)).strip(chr(10))}\n```"
            if paragraph.startswith("\b")
            else paragraph
            for paragraph in text.split("\n\n")
        ]
        parts.append("\n\n".join(paragraphs))
    records = [parameter.get_help_record(context) for parameter in command.params]
    options = [
        f"- `{names}`: {' '.join(text.split())}" if text else f"- `{names}`"
        for names, text in filter(None, records)
    ]
    if options:
        parts.append("\n".join(options))
    if isinstance(command, click.Group):
        names = [
            f"- `{' '.join([*path, name])}`: {child.get_short_help_str(limit=200)}"
            for name in command.list_commands(context)
            if (child := command.get_command(context, name)) is not None and not child.hidden
        ]
        parts.append("\n".join(["Commands:", "", *names]))
    return "\n\n".join(parts)


def command_page(program: click.Command) -> str:
    """Return the page that lists every command."""
    sections = [
        command_section(path, command) for path, command in commands(program, ("evenfall",))
    ]
    opening = (
        "# Commands\n\n"
        "Every command exits with 0 when it is done, 1 when it is done but something is left to "
        "settle, such as readings to take again or a verdict that is not 'conforms', and 2 when "
        "the input cannot be used. "
        "Errors go to standard error, in one sentence each; see [codes](errors.md)."
    )
    return "\n\n".join([ORIGIN, opening, *sections]) + "\n"


def code_page() -> str:
    """Return the page that lists every error and finding code."""

    def table(codes: dict[str, str]) -> str:
        rows = [f"| `{code}` | {meaning} |" for code, meaning in codes.items()]
        return "\n".join(["| Code | Meaning |", "| --- | --- |", *rows])

    opening = (
        "An error says that a call or a file cannot be used; a command that meets one stops with "
        "exit status 2. With `--json` it is written as "
        '`{"error": {"code": …, "at": …, "text": …, "values": …, "sentence": …, "findings": …}}`. '
        "A finding says something about a specification, a set of readings or an instrument; "
        "findings are collected and shown together."
    )
    sections = ["## Errors", table(ERROR_CODES), "## Findings", table(FINDING_CODES)]
    return "\n\n".join([ORIGIN, "# Codes", opening, *sections]) + "\n"


def roles_page() -> str:
    """Return the page that lists what each role may, and what each route of the pages needs."""
    from evenfall.records.accounts import ROLES
    from evenfall.web.people import ROLE_SAID
    from evenfall.web.rights import NEEDS, ROLE_RIGHTS, SCOPES

    said: dict[str, str] = {
        **SCOPES,
        "people": "invite people, change their roles, end their accounts",
        "own": "what is one's own: settings, log-out, tokens",
    }
    roles = [f"- **{role}**{ROLE_SAID[role].removeprefix(role)}." for role in ROLES]
    table = [f"| Right | May | {' | '.join(ROLES)} |", f"| --- | --- |{' --- |' * len(ROLES)}"]
    for right, may in said.items():
        held = " | ".join("yes" if right in ROLE_RIGHTS[role] else "" for role in ROLES)
        table.append(f"| `{right}` | {may} | {held} |")
    routes = ["| Route | Right |", "| --- | --- |"]
    routes += [f"| `{route}` | `{right}` |" for route, right in NEEDS.items()]
    opening = (
        "What each role may in the pages and through tokens, see [Work as a team](../team.md). A "
        "lone bench without accounts may everything but what is a partner's."
    )
    scopes = (
        "The scopes of a token are rights, all but `people` and `own`: a token may what its scopes "
        "name, as far as its person may it now."
    )
    listed = "A route that is not listed answers nobody; `anyone` needs no account."
    return (
        "\n\n".join(
            [
                *(ORIGIN, "# Roles and rights", opening, "\n".join(roles), "\n".join(table)),
                *(scopes, "## Routes", listed, "\n".join(routes)),
            ]
        )
        + "\n"
    )


def python_page() -> str:
    """Return the page of the names that `import evenfall` offers."""

    def table(names: Iterable[str]) -> str:
        rows = ["| Name | What it is |", "| --- | --- |"]
        for name in names:
            thing = getattr(ef, name)
            called = inspect.isfunction(thing)
            taken = f"({', '.join(inspect.signature(thing).parameters)})" if called else ""
            told = inspect.getdoc(thing) if called or inspect.isclass(thing) else None
            rows.append(f"| `{name}{taken}` | {(told or _PROGRESS).partition(chr(10))[0]} |")
        return "\n".join(rows)

    use_cases = [name for name in workshop.__all__ if name.islower()]
    requests = [name for name in workshop.__all__ if name not in use_cases]
    data = [name for name in ef.__all__ if name not in workshop.__all__]
    opening = (
        "`import evenfall as ef` offers these names; each is loaded when it is asked for. Lengths "
        "are in mm, forces in N, pitches in Hz and cent, arrays by string and fret. What each "
        "takes, returns and raises, with an example, is in its docstring: `help(ef.plan)`."
    )
    parts = [ORIGIN, "# Python", opening, "## Use cases", table(use_cases)]
    parts += ["## Requests", table(requests), "## Data", table(data)]
    return "\n\n".join(parts) + "\n"


API_OPENING = """`evenfall serve` answers other programs under `/api/v1`, by JSON. The description
by OpenAPI 3.1 is at `/api/v1/openapi.json`; it is made from the classes that the
program itself takes and gives, as is this page. Lengths are in mm, forces in N,
pitches in Hz and cent.

- **Use cases.** The body is the request of `help(ef.PlanRequest)` and its like, keys with a
  default left out as you please. A file in it is an object: `{"name": …, "text": …}` or `{"name":
  …, "base64": …}`; `{"upload": "TASK/NUMBER"}` for what was sent before; `{"dossier": …,
  "document": …}` for what the archive holds; where readings of many instruments are wanted,
  `{"filed": {…}}`. The answer is what the command prints with `--json`; with `?pictures=true` the
  drawings too, as SVG.
- **Long work.** What takes long, what brings files sent before, and any call with the header
  `Prefer: respond-async` is answered 202 with a task; its result is at
  `/api/v1/tasks/{task}/result`. How it goes on comes by server-sent events, each with the task as
  it stands, and a sign of life each second.
- **Papers and pictures.** `/api/v1/dossiers/{name}/papers` lists what a dossier can be given as:
  `certificate.pdf`, `bench-sheet.pdf`, `dossier.pdf`, `label.svg`, `proof-verdict.svg` and others;
  those for paper as PDF and HTML. `?unit=in` prints inches. Tables for analysts (CSV, Parquet) are
  a form of `/api/v1/archive/exports`.
- **Errors** have the shape that the command line prints: one sentence, where, and how to correct
  it, with status 422; 404 where the address names nothing, 409 while the same call is under way,
  412 where somebody else filed meanwhile, 500 where a read meets damage in what is stored, 507
  where the disk is full. See [codes](errors.md).
- **Sent twice.** A call that files or begins something takes the header `Idempotency-Key`: sent
  again with the same body it is answered as before and done once. The answer is kept for a week.
  A call that was refused may be sent again under its key. Where an error came after something of
  it was filed, it is answered 409 from then on: look what was filed.
  Another call under the same key is refused.
- **Read again.** A read carries an `ETag`; with `If-None-Match` it is answered 304 where nothing
  changed.
- **Two at a time.** A filing that carries the `ETag` of the dossier, chart or lot in `If-Match` is
  refused (412) where something was filed since; the answer says what, when and by whom, and
  `/api/v1/dossiers/{name}/entries?since=…` shows it.
- **Lists** come part by part: `next` of one answer is the `cursor` of the next.
- **Who asks.** Where accounts are on, a token is sent as `Authorization: Bearer …`. What each
  call needs stands below; filing a plan, a specification or a program needs `plan`, filing a
  verdict `release`. See [roles](roles.md).
"""


def api_page() -> str:
    """Return the page of the addresses for programs."""
    from evenfall.web.api import ROUTERS
    from evenfall.web.api_description import CHANGES, LEFT_OUT, description
    from evenfall.web.rights import NEEDS

    rows = ["| Call | What it does | Right |", "| --- | --- | --- |"]
    for path, methods in description(ROUTERS)["paths"].items():
        for method, told in methods.items():
            call = f"{method.upper()} {path}"
            said = told.get("description") or told["summary"]
            rows.append(f"| `{call}` | {said.partition(chr(10))[0]} | {NEEDS[call]} |")
    changes = [f"- {day}: {' '.join(told)}" for day, told in CHANGES.items()]
    without = [f"| {name} | {why} |" for name, why in LEFT_OUT.items()]
    without = ["| Without a call | Why |", "| --- | --- |", *without]
    parts = [ORIGIN, "# Calls from other programs", API_OPENING.strip(), "## Calls"]
    parts += ["\n".join(rows), "## Left out on purpose"]
    parts += [
        "Accounts, tokens and the audit log have no calls: a person sees to them in the pages."
    ]
    parts += ["\n".join(without), "## Changes", "Within version 1 nothing is removed or renamed."]
    return "\n\n".join([*parts, "\n".join(changes)]) + "\n"


def specification_page(page: str) -> str:
    """Return the page of the specification with its table of keys as the program has it."""
    rows = ["| Table | Key | Meaning | Range | If left out |", "| --- | --- | --- | --- | --- |"]
    rows.append(f'| | `schema` | What the file is. | `"{SCHEMA}"` | needed |')
    for table in TABLES.values():
        name = f"`[[{table.name}]]` " if table.name == "string" else f"`[{table.name}]` "
        for key in table.keys:
            without = "needed" if key.default is NEEDED else left_out(key)
            rows.append(f"| {name}| `{key.name}` | {key.help} | {key_range(key)} | {without} |")
            name = ""
    opening, _, rest = page.partition(KEYS_BEGIN)
    return opening + "\n".join([KEYS_BEGIN, *rows, KEYS_END]) + rest.partition(KEYS_END)[2]


def machines_page(page: str) -> str:
    """Return the page of machines with the keys of every description as the program has them."""
    parts = []
    for kind, tables in DESCRIPTIONS.items():
        parts += [f"## {kind.capitalize()}", ""]
        parts += [
            "| Table | Key | Meaning | Range | If left out |",
            "| --- | --- | --- | --- | --- |",
        ]
        parts.append(f'| | `schema` | What the file is. | `"{schema_of(kind)}"` | needed |')
        for table in tables.values():
            several = table.name in SEVERAL
            name = f"`[[{table.name}]]` " if several else f"`[{table.name}]` "
            for key in table.keys:
                without = "needed" if key.default is NEEDED else left_out(key)
                parts.append(
                    f"| {name}| `{key.name}` | {key.help} | {key_range(key)} | {without} |"
                )
                name = ""
        parts.append("")
    opening, _, rest = page.partition(KEYS_BEGIN)
    return opening + "\n".join([KEYS_BEGIN, "", *parts, KEYS_END]) + rest.partition(KEYS_END)[2]


def key_range(key: Key) -> str:
    """Return in words what a key may be."""
    if key.kind == "choice":
        return ", ".join(f'`"{choice}"`' for choice in key.choices)
    if key.kind in ("text", "truth", "pitch"):
        words = {"text": "one line", "truth": "`true`, `false`", "pitch": '`"C0"` to `"B6"`'}
        return words[key.kind]
    high = "the last fret" if key.high == LAST_FRET else f"{key.high:g}".replace("1e+05", "100000")
    unit = f" {'mm' if key.kind in LENGTHS else key.unit}".rstrip()
    flat = "0, or " if key.kind == "radius" else ""
    parts = f"`{{ {', '.join(key.parts)} }}`, each " if key.kind in ("limit", "travel") else ""
    return f"{parts}{flat}{key.low:g} to {high}{unit}"


_NULLS = {math.inf: "null for no limit", -math.inf: "null for no limit", None: "null if none"}
_SHAPES = {
    "number": "number",
    "whole": "whole number",
    "truth": "true or false",
    "text": "text",
    "choice": "text",
    "sentence": "[sentence](#sentences)",
    "finding": "[finding](#findings)",
    "part": "object",
}


def page_rows(of: type[Content], place: str = "") -> Iterator[tuple[str, str, str]]:
    """Yield key, shape and meaning of everything in a file, for the reference page."""
    if issubclass(of, FileContent):
        yield f"{place}schema", "text", f'`"{of.schema()}"`'
        yield f"{place}content_hash", "text", "SHA-256 of the content"
    for name, form in ({**forms(of), **of.DERIVED}).items():
        yield f"{place}{name}", _shape_words(form), _meaning(form)
        if form.of is not None and not issubclass(form.of, FileContent):
            yield from page_rows(form.of, f"{place}{name}{'[]' * len(form.shape)}.")


def _shape_words(form: Form) -> str:
    noun = _SHAPES[form.kind]
    if form.of is not None and issubclass(form.of, FileContent):
        noun = f"[{form.of.KIND}](#{form.of.KIND})"
    if not form.shape:
        return noun
    many = noun.replace("]", "s]") if "]" in noun else f"{noun}s"
    if form.shape == ("*",):
        return f"list of {many}"
    dims = ", ".join(dimension.replace("+", " + ") for dimension in form.shape)
    return f"({dims})" if form.kind in ("number", "whole") else f"({dims}) of {many}"


def _meaning(form: Form) -> str:
    words = form.meaning
    if form.choices and all(isinstance(one, str) for one in form.choices):
        words += ": " + ", ".join(f'`"{one}"`' for one in form.choices)
    if form.null is not REFUSED and "null" not in words:
        words += f"; {_NULLS.get(form.null, 'null where not known')}"
    return words


def json_page(page: str) -> str:
    """Return the page of JSON with the tables of the files as the program has them."""
    for kind in KINDS:
        begin = f"<!-- The {kind.KIND} file: written by `python3 dev.py docs` from the program. -->"
        end = f"<!-- End of the {kind.KIND} file. -->"
        rows = ["| Key | Shape | Meaning |", "| --- | --- | --- |"]
        rows += [f"| `{key}` | {shape} | {meaning} |" for key, shape, meaning in page_rows(kind)]
        opening, found, rest = page.partition(begin)
        if not found:
            raise ValueError(f"json.md has no place for the table of the {kind.KIND} file")
        page = opening + "\n".join([begin, "", *rows, "", end]) + rest.partition(end)[2]
    motion = [
        f"| `{k}` | {shape} | {words} |" for k, shape, words in page_rows(MotionCheck, "motion.")
    ]
    kept = [line for line in page.splitlines() if not line.startswith("| `motion.")]
    at = next(n for n, line in enumerate(kept, start=1) if line.startswith("| `motion`"))
    return "\n".join([*kept[:at], *motion, *kept[at:]]) + "\n"


def pages() -> dict[Path, str]:
    """Return the text of every page by its path."""
    texts = {HERE / "errors.md": code_page(), HERE / "python.md": python_page()}
    texts[HERE / "api.md"] = api_page()
    page = HERE / "specification.md"
    texts[page] = specification_page(page.read_text(encoding="utf-8"))
    page = HERE / "machines.md"
    texts[page] = machines_page(page.read_text(encoding="utf-8"))
    schema = json.dumps(specification_schema(), indent=1, ensure_ascii=False)
    texts[HERE / "schemas" / "specification.schema.json"] = schema + "\n"
    for name in DESCRIPTIONS:
        schema = json.dumps(description_schema(name), indent=1, ensure_ascii=False)
        texts[HERE / "schemas" / f"{name}.schema.json"] = schema + "\n"
    if importlib.util.find_spec("evenfall.cli") is not None:
        from evenfall.cli import main

        texts[HERE / "cli.md"] = command_page(main)
    if importlib.util.find_spec("evenfall.web") is not None:
        texts[HERE / "roles.md"] = roles_page()
    texts[HERE / "json.md"] = json_page((HERE / "json.md").read_text(encoding="utf-8"))
    for kind, printed in KINDS.items():
        beside = (MotionCheck,) if "motion" in printed else ()
        text = json.dumps(json_schema(kind, printed, beside), indent=1, ensure_ascii=False)
        texts[HERE / "schemas" / f"{kind.KIND}.schema.json"] = text + "\n"
    return texts


def main(arguments: list[str]) -> int:
    """Write the pages, or with ``--check`` name those that do not match the program."""
    wanted = pages()
    stale = [
        path
        for path, text in wanted.items()
        if not path.is_file() or path.read_text(encoding="utf-8") != text
    ]
    if "--check" in arguments:
        for path in stale:
            name = path.relative_to(HERE)
            print(f"docs/reference/{name} does not match the program; run: python3 dev.py docs")
        return 1 if stale else 0
    for path in stale:
        path.parent.mkdir(exist_ok=True)
        path.write_text(wanted[path], encoding="utf-8", newline="\n")
        print(f"wrote docs/reference/{path.relative_to(HERE)}")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
