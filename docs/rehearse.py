"""Run the commands of the tutorial and the how-to, and hold the pages to what they quote.

In a `console` block a line that begins with `$ ` is a command and the lines after it are its
output. `[...]` stands for anything: on a line of its own for any number of lines, inside a line
for any text. A command must end with status 0 unless `$ echo $?` follows it. A `csv` or `toml`
block that names a file quotes that file; a `python` block is run, and a `text printed` block after
it is what it prints.

``python docs/rehearse.py`` writes the present output into the quotes, where it still has the same
form, and says what has to be corrected by hand. `tests/test_docs.py` only compares.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
import shutil
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from pathlib import Path

from click.testing import CliRunner

from evenfall.cli import main as evenfall

DOCS = Path(__file__).resolve().parent
PAGES = ("tutorial.md", "tutorial-ukulele.md", "how-to.md")
GAP = "[...]"
FENCE = re.compile(r"^```(\w*) ?(.*)\n((?:.*\n)*?)```$", flags=re.MULTILINE)
NUMBER = r"[+-]?\d+(?:\.\d+)?"
SAME_FORM = 0.6
"""Two lines are of one form if this share of their text agrees, digits counting as equal."""


class PageError(Exception):
    """A page says what is not so: where, and what is so."""


@dataclass(frozen=True)
class Block:
    """One fenced block of a page.

    Parameters
    ----------
    kind, name
        Language of the block, and the words after it.
    lines
        Its text.
    where
        Page and line.
    """

    kind: str
    name: str
    lines: tuple[str, ...]
    where: str


def blocks(page: Path) -> Iterator[Block]:
    """Yield every fenced block of a page.

    Parameters
    ----------
    page
        The page.
    """
    text = page.read_text(encoding="utf-8")
    for found in FENCE.finditer(text):
        number = text[: found.start()].count("\n") + 1
        lines = tuple(found[3].splitlines())
        yield Block(found[1], found[2].strip(), lines, f"{page.name}, line {number}")


def agrees(quoted: str, line: str) -> bool:
    """Say whether a quoted line stands for a real one.

    Parameters
    ----------
    quoted, line
        The two.
    """
    pattern = ".*".join(re.escape(part) for part in quoted.rstrip().split(GAP))
    return re.fullmatch(pattern, line.rstrip()) is not None


def real_lines(output: str) -> list[str]:
    """Return the lines of an output that hold anything.

    Parameters
    ----------
    output
        The output.
    """
    return [line.rstrip() for line in output.splitlines() if line.strip()]


def first_untrue(quoted: Sequence[str], output: str) -> str:
    """Return the first quoted line that the output does not bear out; empty if it does.

    Quoted lines follow each other as in the output, and nothing is left out but where `[...]`
    stands or a line is empty.

    Parameters
    ----------
    quoted
        The lines.
    output
        The real output.
    """
    real = real_lines(output)
    at, leap = 0, False
    for line in filter(str.strip, quoted):
        if line.strip() == GAP:
            leap = True
            continue
        ahead = range(at, len(real)) if leap else range(at, min(at + 1, len(real)))
        here = next((i for i in ahead if agrees(line, real[i])), None)
        if here is None:
            return line
        at, leap = here + 1, False
    return "" if leap or at == len(real) else f"(the real output goes on: {real[at]})"


def quotes(quoted: Sequence[str], text: str) -> bool:
    """Say whether lines stand in a text just so, one after the other.

    Parameters
    ----------
    quoted
        The lines.
    text
        The text.
    """
    real = real_lines(text)
    wanted = [line for line in quoted if line.strip()]
    starts = range(len(real) - len(wanted) + 1)
    return any(
        all(agrees(line, other) for line, other in zip(wanted, real[start:], strict=False))
        for start in starts
    )


# ---- running a page ----------------------------------------------------------------------------


class Rehearsal:
    """Runs the blocks of a page, one after the other, in the current folder.

    Parameters
    ----------
    renew
        Whether to gather blocks as they should be instead of stopping at what is not so.
    """

    def __init__(self, *, renew: bool = False) -> None:
        self.renew = renew
        self.status = 0
        self.printed = ""
        self.names: dict[str, object] = {}

    def page(self, path: Path) -> list[tuple[str, ...]]:
        """Run and check every block of a page; return their lines as they should be.

        Parameters
        ----------
        path
            The page.
        """
        return [self.block(block) for block in blocks(path)]

    def block(self, block: Block) -> tuple[str, ...]:
        """Run or check one block; return its lines as they should be.

        Parameters
        ----------
        block
            The block.
        """
        if block.kind == "console":
            return self.console(block)
        if block.kind == "python":
            with contextlib.redirect_stdout(io.StringIO()) as stream:
                exec(compile("\n".join(block.lines), block.where, "exec"), self.names)  # noqa: S102
            self.printed = stream.getvalue()
            return block.lines
        if (block.kind, block.name) == ("text", "printed"):
            return tuple(self.compare(block.lines, self.printed, block.where))
        if not block.name:
            raise PageError(f"{block.where}: nothing checks this block")
        if not quotes(block.lines, Path(block.name).read_text(encoding="utf-8")):
            raise PageError(f"{block.where}: not in {block.name}")
        return block.lines

    def console(self, block: Block) -> tuple[str, ...]:
        """Run the commands of a block and compare what it quotes.

        Parameters
        ----------
        block
            The block.
        """
        steps: list[tuple[str, list[str]]] = []
        for line in block.lines:
            if line.startswith("$ "):
                steps.append((line[2:], []))
            elif steps:
                steps[-1][1].append(line)
            else:
                raise PageError(f"{block.where}: output without a command")
        lines: list[str] = []
        for at, (command, quoted) in enumerate(steps):
            asked = at + 1 < len(steps) and steps[at + 1][0] == "echo $?"
            output = self.command(command)
            if self.status and not asked:
                raise PageError(f"{block.where}: {command} ends with {self.status}\n{output}")
            lines += [f"$ {command}", *self.compare(quoted, output, f"{block.where}: {command}")]
        return tuple(lines)

    def command(self, command: str) -> str:
        """Run one command line and return what it writes.

        Parameters
        ----------
        command
            `evenfall …`, `cd FOLDER` or `echo $?`.
        """
        if command == "echo $?":
            status, self.status = self.status, 0
            return str(status)
        program, *arguments = shlex.split(command)
        if program == "cd":
            os.chdir(arguments[0])
            return ""
        if program != "evenfall":
            raise PageError(f"there is no program {program} here")
        result = CliRunner().invoke(evenfall, arguments)
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        self.status = result.exit_code
        # standard error has the sentence of a refusal, else only what passes, such as progress
        return result.output if self.status == 2 else result.stdout

    def compare(self, quoted: Sequence[str], output: str, where: str) -> Sequence[str]:
        """Return the quoted lines as they should be.

        Parameters
        ----------
        quoted
            As they stand.
        output
            The real output.
        where
            Page, line and command.
        """
        untrue = first_untrue(quoted, output)
        if not untrue:
            return quoted
        if self.renew:
            renewed = requoted(quoted, output)
            if not first_untrue(renewed, output):
                return renewed
        raise PageError(f"{where}\nnot so: {untrue}\n\nbut:\n{output}")


# ---- renewing quotes ----------------------------------------------------------------------------


def requoted(quoted: Sequence[str], output: str) -> list[str]:
    """Return quoted lines with the present output in them.

    Each quoted line takes the real line of the same form, in order; lines between two neighbours
    come in, lines that have nothing like them go.

    Parameters
    ----------
    quoted
        As they stand.
    output
        The real output.
    """
    real = real_lines(output)
    wanted = [line for line in quoted if line.strip()]
    partner = aligned(wanted, real)
    lines: list[str] = []
    last, leap = -1, False
    for place, line in enumerate(wanted):
        if line.strip() == GAP:
            lines.append(line)
            leap = True
            continue
        here = partner[place]
        if here is None:
            continue
        if not leap:
            lines += real[last + 1 : here]
        lines.append(line if agrees(line, real[here]) else renumbered(line, real[here]))
        last, leap = here, False
    return lines if leap else lines + real[last + 1 :]


def aligned(wanted: Sequence[str], real: Sequence[str]) -> list[int | None]:
    """Return for each wanted line the real line of the same form, in rising order.

    Parameters
    ----------
    wanted, real
        The lines.
    """
    rows, columns = len(wanted), len(real)
    best = [[0.0] * (columns + 1) for _ in range(rows + 1)]
    like = [[likeness(line, other) for other in real] for line in wanted]
    for i in reversed(range(rows)):
        for j in reversed(range(columns)):
            take = like[i][j] + best[i + 1][j + 1] if like[i][j] >= SAME_FORM else 0.0
            best[i][j] = max(take, best[i + 1][j], best[i][j + 1])
    found: list[int | None] = [None] * rows
    i = j = 0
    while i < rows and j < columns:
        if like[i][j] >= SAME_FORM and best[i][j] == like[i][j] + best[i + 1][j + 1]:
            found[i] = j
            i, j = i + 1, j + 1
        elif best[i][j] == best[i + 1][j]:
            i += 1
        else:
            j += 1
    return found


def likeness(quoted: str, line: str) -> float:
    """Return how much of two lines agrees, 0 to 1, digits counting as equal.

    Parameters
    ----------
    quoted, line
        The lines; `[...]` in the first stands for anything.
    """
    if quoted.strip() == GAP:
        return 0.0
    if agrees(quoted, line):
        return 2.0
    if renumbered(quoted, line) != quoted:
        return 1.5
    plain, other = (re.sub(r"\d", "0", text.strip()) for text in (quoted, line))
    return SequenceMatcher(None, plain.replace(GAP, ""), other, autojunk=False).ratio()


def renumbered(quoted: str, line: str) -> str:
    """Return a quoted line with the numbers of a real one; as it stands if the words differ.

    Parameters
    ----------
    quoted, line
        The lines.
    """
    if GAP not in quoted:
        plain, other = (re.sub(NUMBER, "0", text).split() for text in (quoted, line))
        return line if plain == other else quoted
    parts = []
    for part in quoted.split(GAP):
        words = re.split(NUMBER, part)
        parts.append(f"({NUMBER.join(map(re.escape, words))})")
    found = re.fullmatch(".*".join(parts), line)
    return GAP.join(found.groups()) if found else quoted


def renewed(page: Path) -> str:
    """Return the text of a page with the present output in its quotes.

    Parameters
    ----------
    page
        The page.
    """
    bodies = iter(Rehearsal(renew=True).page(page))

    def fence(found: re.Match[str]) -> str:
        head = found[0].partition("\n")[0]
        return "\n".join([head, *next(bodies), "```"])

    return FENCE.sub(fence, page.read_text(encoding="utf-8"))


def main() -> int:
    """Write the present output into every page."""
    status = 0
    for name in PAGES:
        page = DOCS / name
        with tempfile.TemporaryDirectory() as folder:
            shutil.copytree(DOCS / "examples", Path(folder) / "bench")
            os.environ["EVENFALL_CACHE"] = str(Path(folder) / "kept")
            os.environ["EVENFALL_SETTINGS"] = str(Path(folder) / "settings")
            os.chdir(Path(folder) / "bench")
            try:
                text = renewed(page)
            except PageError as error:
                print(error)
                status = 1
                continue
            finally:
                os.chdir(DOCS)
        if text != page.read_text(encoding="utf-8"):
            page.write_text(text, encoding="utf-8", newline="\n")
            print(f"wrote docs/{name}")
    return status


if __name__ == "__main__":
    sys.exit(main())
