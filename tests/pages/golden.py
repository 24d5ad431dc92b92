"""The text of the pages of the invented instrument, as a reader sees it."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

from evenfall.codec import parse_json
from evenfall.pages import certificate, certificate_page
from evenfall.proof import Proof
from evenfall.workshop.bench_sheets import SheetRequest, sheet
from evenfall.workshop.opening import Source

TESTS = Path(__file__).resolve().parents[1]
FILES = TESTS / "records" / "files"
EXPECTED = TESTS / "golden" / "pages"
LINES = {"h1", "h2", "h3", "p", "li", "tr", "caption", "div", "section", "header", "footer", "dt"}


class Lines(HTMLParser):
    """Collects a line of text for each block; cells of a row are set apart by bars."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.text = ""
        self.unseen = 0
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.unseen += tag in ("style", "svg", "title")
        if tag in LINES:
            self.text += "\n"
        elif tag in ("td", "th"):
            self.text += " | "
        elif tag in ("span", "small", "strong", "dd"):
            self.text += " "

    def handle_endtag(self, tag: str) -> None:
        self.unseen -= tag in ("style", "svg", "title")
        if tag in LINES:
            self.text += "\n"

    def handle_data(self, data: str) -> None:
        if not self.unseen:
            self.text += data.replace("\n", " ").replace("\N{NO-BREAK SPACE}", " ")


def seen(page: str) -> str:
    """Return what a page says, a line for each block."""
    lines = (re.sub(r"\s+", " ", line).strip(" |") for line in Lines(page).text.split("\n"))
    return "\n".join(line for line in lines if line) + "\n"


def texts() -> dict[str, str]:
    """Return the text of every page by the name of its file."""
    made = {}
    for path in FILES.glob("*.plan@1.json"):
        plan, name = Source(str(path)), path.name.partition(".")[0]
        for unit in (None, "in"):
            page = sheet(SheetRequest(plan, ("html",), unit)).pages["html"].decode()
            made[f"{name}-sheet{'-in' if unit else ''}.txt"] = seen(page)
    for path in FILES.glob("*.proof@1.json"):
        proof = Proof.from_dict(parse_json(path.read_bytes()))
        content = certificate(proof, unit="mm", both=True, date="2026-03-31")
        made[f"{path.name.partition('.')[0]}-certificate.txt"] = seen(
            certificate_page(content).html()
        )
    return made


def write() -> None:
    """Write the expected texts again; read the difference before it is kept."""
    for old in EXPECTED.glob("*.txt"):
        old.unlink()
    for name, text in texts().items():
        (EXPECTED / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    write()
