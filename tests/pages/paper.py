"""Look at pages as a reader would: poppler for PDF, the standard parser for HTML."""

from __future__ import annotations

import re
import shutil
import subprocess
from html.parser import HTMLParser

import pytest

VOID = {"meta", "br", "hr", "img", "link", "input"}


def poppler(tool, content, *options, to="-"):
    if shutil.which(tool) is None:
        pytest.skip(f"{tool} is not installed")
    done = subprocess.run(
        [tool, *options, "-", *([to] if to else [])], input=content, capture_output=True, check=True
    )
    return done.stdout.decode()


def text_of(content, *order):
    """Return the text of a PDF without breaks inside long words, as it is read or as it was set."""
    return poppler("pdftotext", content, "-enc", "UTF-8", *order).replace(
        "\N{ZERO WIDTH SPACE}", ""
    )


def facts_of(content):
    """Return what pdfinfo says of a PDF."""
    lines = poppler("pdfinfo", content, to="").splitlines()
    return {name.strip(): value.strip() for name, _, value in (x.partition(":") for x in lines)}


def page_count(content):
    return int(facts_of(content)["Pages"])


class Reader(HTMLParser):
    """Checks that every element is closed in order; collects text, tags and attributes."""

    def __init__(self, page):
        super().__init__(convert_charrefs=True)
        self.open = []
        self.tags = []
        self.attributes = []
        self.texts = []
        self.feed(page)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]

    def handle_endtag(self, tag):
        assert self.open, tag
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.texts.append(data)

    @property
    def text(self):
        return re.sub(r"\s+", " ", " ".join(self.texts))


def outside_references(page):
    """Return what a page would fetch or follow, and anything that could run."""
    reader = Reader(page)
    found = [
        (tag, name, value)
        for tag, name, value in reader.attributes
        if (name in ("src", "href", "xlink:href", "data", "action") and not value.startswith("#"))
        or name.startswith("on")
    ]
    found += [tag for tag in reader.tags if tag in ("script", "link", "iframe", "object", "base")]
    found += re.findall(r"@import|url\((?!['\"]?#)", page)
    return found
