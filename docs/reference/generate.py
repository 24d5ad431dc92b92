"""Write the reference that comes from the program itself: commands, codes, JSON Schemas.

``python3 dev.py docs`` writes them; with ``--check`` nothing is written, and the exit status says
whether the pages match the program.
"""

from __future__ import annotations

import importlib.util
import inspect
import json
import sys
from collections.abc import Iterator
from pathlib import Path

import click

from evenfall.errors import ERROR_CODES, FINDING_CODES

HERE = Path(__file__).resolve().parent
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
        "Every command exits with 0 when it is done, 1 when it is done and the verdict is "
        "'does not conform' or 'undecided', and 2 when the input cannot be used. "
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
        '`{"error": {"code": …, "sentence": …, "where": …}}`. '
        "A finding says something about a specification, a set of readings or an instrument; "
        "findings are collected and shown together."
    )
    sections = ["## Errors", table(ERROR_CODES), "## Findings", table(FINDING_CODES)]
    return "\n\n".join([ORIGIN, "# Codes", opening, *sections]) + "\n"


def pages() -> dict[Path, str]:
    """Return the text of every page by its path."""
    texts = {HERE / "errors.md": code_page()}
    if importlib.util.find_spec("evenfall.cli") is not None:
        from evenfall.cli import main

        texts[HERE / "cli.md"] = command_page(main)
    from json_schemas import schemas

    for name, schema in schemas((HERE / "json.md").read_text(encoding="utf-8")).items():
        texts[HERE / "schemas" / name] = json.dumps(schema, indent=1) + "\n"
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
